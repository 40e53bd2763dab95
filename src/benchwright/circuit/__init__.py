"""Physics: what a meter would show on a board in a given state, sound or with a fault."""

from typing import TYPE_CHECKING

from ..lazy_names import lazy_names

if TYPE_CHECKING:
    from .meter import Meter
    from .network import Edit, Network
    from .state import BoardState

__all__ = ["BoardState", "Edit", "Meter", "Network"]

__getattr__ = lazy_names(
    __name__,
    {"Meter": "meter", "Edit": "network", "Network": "network", "BoardState": "state"},
)
