"""A deck as data: its round parts, its belts, and what turns what."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from .errors import BadDeck, UnknownPart
from .materials import Material, Section, material
from .path import BeltPath, Pulley, run_belt
from .spools import TAPE_SPEED
from .tables import table
from .uncertain import Uncertain

OLD_SPEED_SIGMA = 0.015
"""Relative standard deviation of the speed of an old deck before anybody set it: its ± is twice the
1.5 % that DIN 45 500 allows (own estimate)."""


def part_kinds() -> Mapping[str, Mapping[str, Any]]:
    """The kinds of part with their facts, from the table."""
    return table("part_kinds.toml")


@dataclass(frozen=True, slots=True)
class RoundPart:
    """A part that turns.

    Attributes
    ----------
    name, kind : str
        The kind is one of `part_kinds`.
    diameter : float or None
        Millimetres; what it means depends on the kind (`size_words`). None if not known.
    diameter_sigma : float or None
        Standard deviation; None for what a calliper gives.
    turns_with : str
        Another part on the same shaft.
    runs_against : str
        A part whose rim drives, or is driven by, this part's rim.
    meshes_with : str
        A gear that meshes with this one; both then need `teeth`.
    teeth : int
    at : tuple of float or None
        Centre in the deck's plane, millimetres.
    segments, poles : int
        Of a direct-current motor's commutator, of its magnet.
    mains : float
        Mains frequency of a motor fed from it, hertz; 0 for others.
    torque : float or None
        Taken here, millinewton metre.
    """

    name: str
    kind: str
    diameter: float | None = None
    diameter_sigma: float | None = None
    turns_with: str = ""
    runs_against: str = ""
    meshes_with: str = ""
    teeth: int = 0
    at: tuple[float, float] | None = None
    segments: int = 0
    poles: int = 0
    mains: float = 0.0
    torque: float | None = None

    @property
    def tape(self) -> str:
        """``drives``, ``rolls``, ``pack`` or nothing."""
        return str(part_kinds()[self.kind].get("tape", ""))

    @property
    def size_words(self) -> str:
        return str(part_kinds()[self.kind]["size"])

    @property
    def sigma(self) -> float:
        """Standard deviation of the working diameter, millimetres."""
        kind = part_kinds()[self.kind]
        measured = self.diameter_sigma if self.diameter_sigma is not None else float(kind["within"])
        return math.hypot(measured, float(kind["effective"]) / 100 * (self.diameter or 0.0))

    def working_diameter(self) -> Uncertain:
        """Diameter with its uncertainty.

        Raises
        ------
        BadDeck
            It is not known.
        """
        if self.diameter is None:
            raise BadDeck(f"the diameter of {self.name} is not known")
        return Uncertain.of(self.diameter, self.sigma, f"diameter of {self.name}")


@dataclass(frozen=True, slots=True)
class Over:
    """A belt runs over a part; in reverse if that turns the other way round from the belt's first part."""

    part: str
    reverse: bool = False


@dataclass(frozen=True, slots=True)
class Belt:
    """A belt of the deck.

    Attributes
    ----------
    name : str
    over : tuple of Over
        In the order the belt meets them.
    crossed : bool
    shape : str
        Of the section: ``square``, ``round`` or ``flat``.
    thickness : float or None
        Millimetres; None if not known.
    width : float
        Of a flat belt, millimetres.
    material : str
    string_length : float or None
        The path as measured with a string, millimetres.
    string_sigma : float or None
        Its standard deviation.
    inside_circumference : float or None
        Of the relaxed belt that is on it, millimetres.
    """

    name: str
    over: tuple[Over, ...]
    crossed: bool = False
    shape: str = "square"
    thickness: float | None = None
    width: float = 0.0
    material: str = "EPDM"
    string_length: float | None = None
    string_sigma: float | None = None
    inside_circumference: float | None = None

    @property
    def thick(self) -> Uncertain:
        """Thickness with its uncertainty; of a belt nobody measured, what such machines usually have."""
        source = f"thickness of belt {self.name}"
        if self.thickness is not None:
            return Uncertain.of(
                self.thickness, table("limits.toml")["measuring"]["thickness_millimetre"], source
            )
        low, high = table("sections.toml")[self.shape]["thickness"]
        return Uncertain.of((low + high) / 2, (high - low) / 3, source)

    @property
    def section(self) -> Section:
        thickness = self.thick.value
        width = self.width or (6 * thickness if self.shape == "flat" else 0.0)
        return Section(self.shape, thickness, width)

    @property
    def stuff(self) -> Material:
        return material(self.material)


@dataclass(frozen=True, slots=True)
class Deck:
    """A tape transport.

    Attributes
    ----------
    name : str
    tape_speed : float
        Nominal, millimetres a second.
    speed_sigma : float
        Relative standard deviation of the true speed as long as nobody has measured it.
    tape : str
        The cassette it is used with, such as ``C15``; empty if not known.
    parts : mapping of str to RoundPart
    belts : mapping of str to Belt
    """

    name: str
    tape_speed: float = TAPE_SPEED
    speed_sigma: float = OLD_SPEED_SIGMA
    tape: str = ""
    parts: Mapping[str, RoundPart] = field(default_factory=dict)
    belts: Mapping[str, Belt] = field(default_factory=dict)

    def part(self, name: str) -> RoundPart:
        """The part of that name, in any case of letters.

        Raises
        ------
        UnknownPart
        """
        found = _named(name, self.parts)
        if found is None:
            raise UnknownPart("part", name, [*self.parts, *(f"belt {belt}" for belt in self.belts)])
        return self.parts[found]

    def belt(self, name: str) -> Belt:
        """The belt of that name, with or without the word belt before it.

        Raises
        ------
        UnknownPart
        """
        found = _named(name, self.belts)
        if found is None:
            raise UnknownPart("belt", name, self.belts)
        return self.belts[found]

    def has_belt(self, name: str) -> bool:
        """Whether a name means a belt: a part of the same name goes before, unless ``belt`` is written."""
        if _named(name, self.belts) is None:
            return False
        return name.casefold().startswith("belt ") or _named(name, self.parts) is None

    def with_part(self, part: RoundPart) -> Deck:
        """The deck with one part changed or added."""
        return replace(self, parts={**self.parts, part.name: part})

    def shaft_of(self, name: str) -> str:
        """The part that stands for the shaft `name` turns on: the first one it turns with, at the end."""
        seen = [name]
        while self.parts[seen[-1]].turns_with:
            seen.append(self.parts[seen[-1]].turns_with)
            if seen[-1] in seen[:-1]:
                raise BadDeck(f"{' turns with '.join(seen)}: one of them must not say so")
        return seen[-1]

    def on_shaft(self, name: str) -> tuple[str, ...]:
        """All parts that turn as one with `name`, itself too."""
        shaft = self.shaft_of(name)
        return tuple(other for other in self.parts if self.shaft_of(other) == shaft)

    def pulleys(self, belt: Belt) -> tuple[Pulley, ...]:
        """The pulleys of a belt with their places.

        Raises
        ------
        BadDeck
            A place or diameter is missing.
        """
        place = table("limits.toml")["measuring"]["place_millimetre"]
        made = []
        for over in belt.over:
            part = self.part(over.part)
            if part.at is None or part.diameter is None:
                missing = "place (at = [x, y])" if part.at is None else "diameter"
                raise BadDeck(
                    f"belt {belt.name}: the {missing} of {part.name} is not given, so the path cannot "
                    "be worked out; give it, or the path as a string measures it (string_length)"
                )
            made.append(Pulley(*part.at, part.diameter, over.reverse, part.name, part.sigma, place))
        return tuple(made)

    def path(self, belt: Belt) -> BeltPath:
        """The path of a belt's middle.

        Raises
        ------
        BadDeck
            A place or diameter is missing.
        ImpossiblePath
        """
        return run_belt(self.pulleys(belt), thickness=belt.thick.value, crossed=belt.crossed)


def _named(name: str, names: Mapping[str, object]) -> str | None:
    bare = name.removeprefix("belt ").strip()
    for wanted in (name, bare):
        for known in names:
            if known.casefold() == wanted.casefold():
                return known
    return None


def check_deck(deck: Deck) -> None:
    """Make sure that everything a deck names exists and that the numbers can be used.

    Raises
    ------
    BadDeck, UnknownPart
    """
    for name, part in deck.parts.items():
        for key in ("turns_with", "runs_against", "meshes_with"):
            other = getattr(part, key)
            if other and other not in deck.parts:
                raise UnknownPart(
                    "part", other, deck.parts, f"in this deck ({name} {key.replace('_', ' ')} it)"
                )
        deck.shaft_of(name)
        if part.meshes_with and not (part.teeth and deck.parts[part.meshes_with].teeth):
            raise BadDeck(f"{name} meshes with {part.meshes_with}: both need their number of teeth")
    for belt in deck.belts.values():
        if len(belt.over) < 2:
            raise BadDeck(f"belt {belt.name} runs over fewer than two parts")
        for over in belt.over:
            if over.part not in deck.parts:
                raise UnknownPart(
                    "part", over.part, deck.parts, f"in this deck (belt {belt.name} runs over it)"
                )
