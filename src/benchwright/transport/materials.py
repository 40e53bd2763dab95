"""What belts are made of and what shapes they have, from the tables beside this file."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

from .errors import BadBelt, UnknownPart
from .tables import table
from .uncertain import Uncertain


@dataclass(frozen=True, slots=True)
class Material:
    """A belt material; the table's head says where each kind of figure comes from.

    Attributes
    ----------
    name, title : str
    modulus : Uncertain
        Stress over stretch at usual stretches, when new, MPa.
    keeps : Uncertain
        Share of the first tension that is left after some days.
    friction : Uncertain
        Coefficient on a clean smooth pulley.
    stretch : tuple of float
        Least, best and most installed stretch, percent.
    hottest : float
        Degrees Celsius.
    says, source : str
    """

    name: str
    title: str
    modulus: Uncertain
    keeps: Uncertain
    friction: Uncertain
    stretch: tuple[float, float, float]
    hottest: float
    says: str
    source: str


@dataclass(frozen=True, slots=True)
class Shape:
    """A belt section's kind: what grooves it wants, and how small a pulley it bears.

    Attributes
    ----------
    name, groove, source : str
    usual : tuple of float
        Range of thickness met in cassette machines, millimetres.
    least_ratio : float
        Smallest pulley diameter over thickness.
    """

    name: str
    groove: str
    usual: tuple[float, float]
    least_ratio: float
    source: str


def young_modulus(shore_a: float) -> float:
    """Young's modulus of a rubber from its hardness.

    Parameters
    ----------
    shore_a : float
        Shore A hardness, 20 to 95.

    Returns
    -------
    float
        MPa.

    Notes
    -----
    A. N. Gent, "On the relation between indentation hardness and Young's modulus", 1958, from memory; good to
    some 30 %.
    """
    if not 20 <= shore_a <= 95:
        raise BadBelt(f"a Shore A hardness of {shore_a:g} is outside 20 to 95, where the formula holds")
    return 0.0981 * (56 + 7.62336 * shore_a) / (0.137505 * (254 - 2.54 * shore_a))


@cache
def all_materials() -> dict[str, Material]:
    """Every belt material by name."""
    found = {}
    for name, row in table("materials.toml").items():
        if "stress" in row:
            modulus = row["stress"] / (row["at_stretch"] / 100)
        else:
            modulus = row.get("modulus") or young_modulus(row["shore"])
        found[name] = Material(
            name,
            row["title"],
            Uncertain.of(modulus, modulus * row["modulus_spread"], "modulus"),
            Uncertain.of(row["keeps"], row["keeps_spread"], "relaxation"),
            Uncertain.of(row["friction"], row["friction_spread"], "friction"),
            tuple(row["stretch"]),
            row["hottest"],
            row["says"],
            row["source"],
        )
    return found


@cache
def all_shapes() -> dict[str, Shape]:
    """Every kind of section by name."""
    return {
        name: Shape(name, row["groove"], tuple(row["thickness"]), row["least_ratio"], row["source"])
        for name, row in table("sections.toml").items()
    }


def material(name: str) -> Material:
    """The material of that name, in any case of letters.

    Raises
    ------
    UnknownPart
    """
    for known, found in all_materials().items():
        if known.casefold() == name.casefold():
            return found
    raise UnknownPart("belt material", name, all_materials(), "in the table")


@dataclass(frozen=True, slots=True)
class Section:
    """The cross-section of one belt.

    Attributes
    ----------
    shape : str
        ``square``, ``round`` or ``flat``.
    thickness : float
        From the side on the pulley outwards, millimetres; a round belt's diameter, a square belt's side.
    width : float
        Across, millimetres; that of a square or round belt is its thickness.
    """

    shape: str
    thickness: float
    width: float = 0.0

    def __post_init__(self) -> None:
        if self.shape not in all_shapes():
            raise UnknownPart("belt section", self.shape, all_shapes(), "in the table")
        if not (math.isfinite(self.thickness) and self.thickness > 0):
            raise BadBelt(f"a belt of {self.thickness:g} mm thickness: expected more than 0 mm")
        if self.shape == "flat":
            if not (math.isfinite(self.width) and self.width > 0):
                raise BadBelt("a flat belt needs its width, in millimetres, beside its thickness")
        elif self.width not in (0.0, self.thickness):
            raise BadBelt(
                f"a {self.shape} belt is as wide as it is thick ({self.thickness:g} mm), not "
                f"{self.width:g} mm: leave the width out, or say that it is flat"
            )

    @property
    def area(self) -> float:
        """Square millimetres."""
        if self.shape == "round":
            return math.pi * self.thickness**2 / 4
        return self.thickness * (self.width or self.thickness)

    @property
    def told(self) -> str:
        """``square, 1.2 mm``."""
        if self.shape == "flat":
            return f"flat, {self.width:g} mm wide and {self.thickness:g} mm thick"
        return f"{self.shape}, {self.thickness:g} mm"

    def groove_advice(self, smallest: float) -> tuple[str, ...]:
        """What the groove should be like, and whether the smallest pulley (diameter, mm) is too small."""
        shape = all_shapes()[self.shape]
        advice = [shape.groove]
        if smallest < shape.least_ratio * self.thickness:
            advice.append(
                f"The smallest pulley, {smallest:g} mm, is less than {shape.least_ratio:g} times the belt's "
                f"{self.thickness:g} mm: it bends too sharply there, wears and slips. Take a thinner "
                f"section, {smallest / shape.least_ratio:.2g} mm at most."
            )
        if not shape.usual[0] <= self.thickness <= shape.usual[1]:
            advice.append(
                f"{self.thickness:g} mm is outside what such machines usually have ({shape.usual[0]:g} to "
                f"{shape.usual[1]:g} mm): measure again."
            )
        return tuple(advice)
