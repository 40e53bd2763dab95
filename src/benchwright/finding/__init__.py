"""Judgement: what the readings mean, and what to check next."""

from typing import TYPE_CHECKING

from ..lazy_names import lazy_names

if TYPE_CHECKING:
    from .finder import FaultFinder
    from .reading import Reading
    from .words import Advice, Check, Remedy, Suspect

__all__ = ["Advice", "Check", "FaultFinder", "Reading", "Remedy", "Suspect"]

__getattr__ = lazy_names(
    __name__,
    {
        "FaultFinder": "finder",
        "Reading": "reading",
        "Advice": "words",
        "Check": "words",
        "Remedy": "words",
        "Suspect": "words",
    },
)
