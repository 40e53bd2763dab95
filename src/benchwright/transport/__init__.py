"""Belts and rotating parts of a tape transport."""

from .assign import Assignment, Line, assign_lines
from .deck import Belt, Deck, Over, RoundPart
from .deck_file import read_deck_file, write_deck_file
from .errors import BadBelt, BadDeck, ImpossiblePath, UnknownPart
from .estimate import Estimate, estimate_dimension
from .materials import Material, Section, material
from .order import BeltOrder, order_belt, read_old_belt
from .path import BeltPath, Pulley, run_belt
from .rotation import Turn, Turning, turning
from .spools import Tape, spool_table, tape_named
from .tension import BeltLoad, load_of
from .uncertain import Uncertain

__all__ = [
    "Assignment",
    "BadBelt",
    "BadDeck",
    "Belt",
    "BeltLoad",
    "BeltOrder",
    "BeltPath",
    "Deck",
    "Estimate",
    "ImpossiblePath",
    "Line",
    "Material",
    "Over",
    "Pulley",
    "RoundPart",
    "Section",
    "Tape",
    "Turn",
    "Turning",
    "Uncertain",
    "UnknownPart",
    "assign_lines",
    "estimate_dimension",
    "load_of",
    "material",
    "order_belt",
    "read_deck_file",
    "read_old_belt",
    "run_belt",
    "spool_table",
    "tape_named",
    "turning",
    "write_deck_file",
]
