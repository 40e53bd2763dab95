"""From the path to the belt one orders: relaxed inside circumference, and the sizes that can be had.

"x % stretch" compares with the relaxed belt, "x % shorter" with the path: 5 % shorter is 5.26 % stretch. Both
are counted along the inner side, as the trade does with a string round the pulleys.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from .errors import BadBelt
from .materials import Material, Section
from .path import BeltPath
from .tables import table
from .uncertain import Uncertain

SIZE_HOW = """\
Sizes are the relaxed inside circumference: all round the inner side, as if cut and laid straight. Laid flat \
and folded, a belt measures half of it. It is not the diameter across a loop."""
"""How belt sizes are stated (belt-sizing pages of the audio repair trade)."""


def stretch_from_shorter(shorter: float) -> float:
    """Stretch in percent of a belt that is so many percent shorter than its path.

    Raises
    ------
    BadBelt
        Not between 0 and 100.
    """
    if not 0 <= shorter < 100:
        raise BadBelt(f"{shorter:g} % shorter than the path: expected 0 or more and less than 100")
    return 100 * shorter / (100 - shorter)


def shorter_from_stretch(stretch: float) -> float:
    """How many percent shorter than its path a belt is that is stretched by so many percent."""
    if not stretch > -100:
        raise BadBelt(f"a stretch of {stretch:g} % is not possible")
    return 100 * stretch / (100 + stretch)


@dataclass(frozen=True, slots=True)
class Size:
    """A belt one could buy.

    Attributes
    ----------
    inside_circumference : float
        Relaxed, millimetres.
    stretch : float
        Once fitted, percent along the inner side.
    verdict : str
        ``usual``, ``tight`` or ``slack``, by the material's usual range.
    """

    inside_circumference: float
    stretch: float
    verdict: str

    @property
    def shorter(self) -> float:
        return shorter_from_stretch(self.stretch)

    @property
    def folded(self) -> float:
        return self.inside_circumference / 2


@dataclass(frozen=True, slots=True)
class BeltOrder:
    """The belt for a path.

    Attributes
    ----------
    string_length : Uncertain
        The path along the belt's inner side, as a string measures it, millimetres.
    section : Section
    material : Material
    stretch : float
        Asked for, percent.
    inside_circumference : Uncertain
        Relaxed, millimetres.
    sizes : tuple of Size
        What can be bought near it, shortest first.
    choice : Size or None
        The one nearest to the stretch asked for that is within the usual range; None if none is.
    """

    string_length: Uncertain
    section: Section
    material: Material
    stretch: float
    inside_circumference: Uncertain
    sizes: tuple[Size, ...]
    choice: Size | None

    @property
    def shorter(self) -> float:
        return shorter_from_stretch(self.stretch)

    @property
    def folded(self) -> Uncertain:
        return self.inside_circumference / 2.0

    @property
    def inside_diameter(self) -> Uncertain:
        """Of the relaxed belt laid as a circle, millimetres: how O-rings are sold."""
        return self.inside_circumference / math.pi


def pitch_length(inside_circumference: float, thickness: float) -> float:
    """Length of the line that bending leaves alone, in the middle of the belt, millimetres."""
    return inside_circumference + math.pi * thickness


def true_stretch(path: BeltPath, inside_circumference: float) -> float:
    """Stretch of the belt's middle, percent: what its tension follows from.

    Parameters
    ----------
    path : BeltPath
        Of a belt of its own thickness.
    inside_circumference : float
        Of the relaxed belt, millimetres.
    """
    return 100 * (path.length / pitch_length(inside_circumference, path.thickness) - 1)


def order_belt(
    string_length: Uncertain | float,
    section: Section,
    material: Material,
    *,
    stretch: float | None = None,
    shorter: float | None = None,
    sizes: Sequence[float] = (),
    step: float | None = None,
) -> BeltOrder:
    """The belt to order for a path.

    Parameters
    ----------
    string_length : Uncertain or float
        A string's path round the pulleys, millimetres.
    section, material
        Of the new belt.
    stretch, shorter : float, optional
        Percent, one of the two; neither for the material's usual stretch.
    sizes : sequence of float
        Inside circumferences that can be had, millimetres; empty for multiples of `step`.
    step : float, optional
        Millimetres.

    Returns
    -------
    BeltOrder

    Raises
    ------
    BadBelt
        Both or impossible stretches, or sizes that are none.
    """
    length = string_length if isinstance(string_length, Uncertain) else Uncertain(float(string_length))
    if not (math.isfinite(length.value) and length.value > 0):
        raise BadBelt(f"a path of {length.value:g} mm: expected more than 0")
    if stretch is not None and shorter is not None:
        raise BadBelt("give either the stretch or how much shorter the belt is, not both: they differ")
    if shorter is not None:
        stretch = stretch_from_shorter(shorter)
    wanted = material.stretch[1] if stretch is None else stretch
    if not 0 <= wanted <= 50:
        raise BadBelt(f"a stretch of {wanted:g} %: expected 0 to 50")
    step = table("limits.toml")["trade"]["step"] if step is None else step
    for value in (*sizes, step):
        if not (math.isfinite(value) and value > 0):
            raise BadBelt(f"a size of {value:g} mm: expected more than 0")
    relaxed = length / (1 + wanted / 100)
    near = _near(relaxed.value, sizes, step)
    offered = tuple(_size(length.value, size, material) for size in near)
    usual = [size for size in offered if size.verdict == "usual"]
    choice = min(usual, key=lambda size: abs(size.stretch - wanted), default=None)
    return BeltOrder(length, section, material, wanted, relaxed, offered, choice)


def _near(relaxed: float, sizes: Sequence[float], step: float) -> list[float]:
    """The four sizes nearest to a length, shortest first."""
    if not sizes:
        base = math.floor(relaxed / step)
        sizes = [step * number for number in range(max(1, base - 1), base + 3)]
    return sorted(sorted(set(sizes), key=lambda size: abs(size - relaxed))[:4])


def _size(length: float, size: float, material: Material) -> Size:
    stretch = 100 * (length / size - 1)
    least, _, most = material.stretch
    return Size(size, stretch, "slack" if stretch < least else "tight" if stretch > most else "usual")


def permanent_set(relaxed: float, stretched: float, after: float) -> float:
    """Permanent set in percent.

    Parameters
    ----------
    relaxed, stretched, after : float
        Length when new, while fitted, and after it was taken off, in one unit.

    Returns
    -------
    float
        100 (after - relaxed) / (stretched - relaxed): 0 for a belt that springs back, 100 for one that stays
        as long as it was pulled.

    Raises
    ------
    BadBelt
        The belt was not stretched.
    """
    if not 0 < relaxed < stretched:
        raise BadBelt(f"a belt of {relaxed:g} mm pulled out to {stretched:g} mm was not stretched")
    return 100 * (after - relaxed) / (stretched - relaxed)


@dataclass(frozen=True, slots=True)
class OldBelt:
    """What an old belt tells.

    Attributes
    ----------
    inside_circumference : float
        As measured, off the deck for some hours, millimetres.
    stretch_left : float or None
        Percent it would still be stretched by on its path; below 0 it hangs loose.
    set_percent : float or None
        Permanent set, with the length when new as given, or as the usual stretch makes likely.
    new_length : tuple of float
        Inside circumference of a new belt by the shops' rule, least and most, millimetres.
    text : str
        A sentence.
    """

    inside_circumference: float
    stretch_left: float | None
    set_percent: float | None
    new_length: tuple[float, float]
    text: str


def read_old_belt(
    measured: float, string_length: float | None, material: Material, *, when_new: float | None = None
) -> OldBelt:
    """What the measured inside circumference of an old belt tells.

    Parameters
    ----------
    measured : float
        Inside circumference, millimetres: twice the length it has when laid flat.
    string_length : float or None
        Its path, millimetres, if that is known.
    material : Material
    when_new : float, optional
        Its inside circumference when new.
    """
    if not (math.isfinite(measured) and measured > 0):
        raise BadBelt(f"an old belt of {measured:g} mm: expected more than 0")
    low, high = table("limits.toml")["trade"]["shorter_than_old"]
    range_ = (measured * (1 - high / 100), measured * (1 - low / 100))
    rule = (
        f"by the shops' rule (5 to 10 % shorter than the old one) the new belt has {range_[0]:.0f} to "
        f"{range_[1]:.0f} mm"
    )
    if string_length is None:
        return OldBelt(measured, None, None, range_, f"Path not known: {rule}.")
    left = 100 * (string_length / measured - 1)
    start = when_new if when_new is not None else string_length / (1 + material.stretch[1] / 100)
    lost = permanent_set(start, string_length, measured)
    state = (
        f"The old belt would hang loose: it is {-left:.1f} % longer than its path"
        if left < 0
        else f"The old belt would still be stretched by {left:.1f} %"
    )
    if when_new is not None:
        told = f"It has kept {lost:.0f} % of its stretch for good (permanent set)"
    elif lost > 100:
        told = "It is worn out, or it never belonged here"
    elif lost < 0:
        told = f"That is tighter than the usual {material.stretch[1]:g} %"
    else:
        told = f"If it was new at the usual {material.stretch[1]:g} %, its permanent set is {lost:.0f} %"
    return OldBelt(measured, left, lost, range_, f"{state}. {told}; {rule}, the path says more.")
