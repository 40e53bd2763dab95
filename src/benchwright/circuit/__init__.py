"""Physics: what a meter would show on a board in a given state, sound or with a fault."""

from .meter import Meter
from .network import Edit, Network
from .state import BoardState

__all__ = ["BoardState", "Edit", "Meter", "Network"]
