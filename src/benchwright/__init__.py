"""Benchwright: find the fault in a vintage home computer, and the next best check."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

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


def __getattr__(name: str) -> Any:
    room = _ROOMS.get(name)
    if room is None:
        raise AttributeError(f"module 'benchwright' has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(f".{room}", __name__), name)
