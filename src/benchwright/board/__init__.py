"""Things: the board with its parts, pins, nets, rails, blocks, layout and changes."""

from .model import Block, Board, Kind, KindPin, Pad, Part, Pin, Rail, Substitute, Supply, Track
from .report import ImportReport, Remark

__all__ = [
    "Block",
    "Board",
    "ImportReport",
    "Kind",
    "KindPin",
    "Pad",
    "Part",
    "Pin",
    "Rail",
    "Remark",
    "Substitute",
    "Supply",
    "Track",
]
