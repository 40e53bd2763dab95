"""One thing that can be wrong with a board."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from ..board import Pin
from ..circuit import Edit

Place = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Fault:
    """A failure mode at a place.

    Attributes
    ----------
    mode : str
        ``bridge``, ``open``, ``short``, ``leaky``, ``dead`` ...
    place : tuple of str
        Faults with the same place are cured by the same remedy and told as one suspect.
    rate : float
        Failures per million hours on an old board; only ratios matter.
    edit : Edit
        What it does to the unpowered network.
    parts, pins, nets : tuples
        Where it is, the likeliest spot first.
    looks : Mapping of str to Mapping of str to float
        For each part one could look at: what would be seen, and how likely.
    heat : Mapping of str to float
        For each part: the chance that it runs hot.
    acts : str
        ``low``, ``high``, ``dead``, ``down``, ``wrong``, ``float``, ``fight`` or ``none``: what it
        does to the running board.
    text : str
        The fault in a restorer's words.
    remedy : str
        Key of its cure in remedies.toml.
    """

    mode: str
    place: Place
    rate: float
    edit: Edit = field(default_factory=Edit)
    parts: tuple[str, ...] = ()
    pins: tuple[Pin, ...] = ()
    nets: tuple[str, ...] = ()
    looks: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    heat: Mapping[str, float] = field(default_factory=dict)
    acts: str = "none"
    text: str = ""
    remedy: str = "replace"
