"""Benchwright: find the fault in a vintage home computer, and the next best check."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .lazy_names import lazy_names

if TYPE_CHECKING:
    from .board import Board
    from .finding import Check, FaultFinder, Reading, Suspect
    from .tape import Recording

__all__ = ["Board", "Check", "FaultFinder", "Reading", "Recording", "Suspect", "__version__"]
__version__ = "0.1.0"

# Names load when first used, so that `import benchwright` and `benchwright --help` stay quick.
_ROOMS = {
    "Board": "board",
    "Check": "finding",
    "FaultFinder": "finding",
    "Reading": "finding",
    "Recording": "tape",
    "Suspect": "finding",
}


__getattr__ = lazy_names(__name__, _ROOMS)
