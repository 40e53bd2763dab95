"""Physics: every fault a board can have, how often, and what each does to every reading."""

from .fault import Fault
from .universe import universe

__all__ = ["Fault", "universe"]
