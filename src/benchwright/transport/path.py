"""The path of a belt: straight spans between pulleys and arcs on them, exactly.

A pulley's radius is given a sign, plus if it turns anticlockwise. The belt leaves pulley i for pulley
j in the direction phi + asin((r_i - r_j) / C), with phi the direction from centre to centre, C their distance
and r the signed radii; open, crossed and outside runs are then one formula. (By hand, from the tangent of two
circles.)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from .errors import ImpossiblePath

Point = tuple[float, float]
FULL = 2 * math.pi
BARELY = math.radians(5.0)
"""Below this wrap a pulley does not hold the belt, nor the belt the pulley (common practice, no source)."""
MOSTLY_ROUND = 1.5 * math.pi
"""A wrap above this, with the spans either side crossing, means that the pulley stands off the belt."""
_TINY = 1e-9


@dataclass(frozen=True, slots=True)
class Pulley:
    """One round thing that a belt runs over.

    Attributes
    ----------
    x, y : float
        Centre, millimetres.
    diameter : float
        Where the side of the belt that touches it lies (the bottom of a matching groove), millimetres.
    reverse : bool
        It turns the other way round from the first pulley: the outer side of the belt runs over it, or a
        crossing lies before it.
    name : str
    diameter_sigma, place_sigma : float
        Standard deviations of the diameter and of each coordinate, millimetres.
    """

    x: float
    y: float
    diameter: float
    reverse: bool = False
    name: str = ""
    diameter_sigma: float = 0.0
    place_sigma: float = 0.0


@dataclass(frozen=True, slots=True)
class Span:
    """A free stretch of belt, from the point where it leaves one pulley to where it meets the next."""

    start: Point
    end: Point

    @property
    def length(self) -> float:
        return math.dist(self.start, self.end)


@dataclass(frozen=True, slots=True)
class BeltPath:
    """A closed path round pulleys, of the line half a thickness away from their surfaces.

    Attributes
    ----------
    pulleys : tuple of Pulley
        In the order the belt meets them.
    senses : tuple of int
        +1 for pulleys that turn anticlockwise, -1 for the others, if the belt runs in the order given.
    wraps : tuple of float
        Angle over which the belt lies on each pulley, radians.
    spans : tuple of Span
        Span i leads from pulley i to the next.
    thickness : float
        Of the belt, millimetres.
    """

    pulleys: tuple[Pulley, ...]
    senses: tuple[int, ...]
    wraps: tuple[float, ...]
    spans: tuple[Span, ...]
    thickness: float = 0.0

    @property
    def length(self) -> float:
        """Of this path, millimetres: the belt's pitch line, or a string's path if the thickness is 0."""
        arcs = sum(
            wrap * (pulley.diameter + self.thickness) / 2
            for pulley, wrap in zip(self.pulleys, self.wraps, strict=True)
        )
        return arcs + sum(span.length for span in self.spans)

    @property
    def length_sigma(self) -> float:
        """Standard deviation of the length from those of diameters and places, millimetres.

        Notes
        -----
        The length changes by the wrap for each unit of radius, and by the difference of the directions in
        and out for each unit of a centre's place (exact: the tangent points move along the belt).
        """
        total = 0.0
        for number, (pulley, wrap) in enumerate(zip(self.pulleys, self.wraps, strict=True)):
            into, out = _direction(self.spans[number - 1]), _direction(self.spans[number])
            total += (wrap * pulley.diameter_sigma / 2) ** 2
            total += (math.dist(into, out) * pulley.place_sigma) ** 2
        return math.sqrt(total)

    @property
    def string_length(self) -> float:
        """What a thin string laid round the pulleys measures, millimetres."""
        turn = -self.senses[0] if self.pulleys[0].reverse else self.senses[0]
        return _lay(self.pulleys, 0.0, turn).length

    @property
    def remarks(self) -> tuple[str, ...]:
        """What is possible but bad, in words."""
        return tuple(
            f"the belt lies on {name_of(self.pulleys, number)} over only {math.degrees(wrap):.1f} degrees: "
            "it hardly holds there"
            for number, wrap in enumerate(self.wraps)
            if wrap < BARELY
        )


def name_of(pulleys: Sequence[Pulley], number: int) -> str:
    """A pulley's name, or its number counted from 1."""
    return pulleys[number].name or f"pulley {number + 1}"


def run_belt(pulleys: Sequence[Pulley], *, thickness: float = 0.0, crossed: bool = False) -> BeltPath:
    """Run a belt round pulleys.

    Parameters
    ----------
    pulleys : sequence of Pulley
        In the order the belt meets them; whichever way round.
    thickness : float
        Of the belt, millimetres; the path is that of its middle, half of it away from each surface.
    crossed : bool
        The belt is meant to cross itself. With two pulleys the second then turns the other way.

    Returns
    -------
    BeltPath

    Raises
    ------
    ImpossiblePath
        Pulleys overlap, a span has no room, the belt would cross itself or run through a pulley.
    """
    if len(pulleys) < 2:
        raise ImpossiblePath(f"a belt needs at least two pulleys, and there is {len(pulleys)}")
    pulleys = tuple(pulleys)
    if crossed and len(pulleys) == 2 and pulleys[0].reverse == pulleys[1].reverse:
        pulleys = (pulleys[0], replace(pulleys[1], reverse=not pulleys[1].reverse))
    if not (math.isfinite(thickness) and thickness >= 0):
        raise ImpossiblePath(f"a belt cannot be {thickness:g} mm thick")
    for number, pulley in enumerate(pulleys):
        if not all(map(math.isfinite, (pulley.x, pulley.y, pulley.diameter))) or pulley.diameter <= 0:
            raise ImpossiblePath(
                f"{name_of(pulleys, number)}: expected a place in millimetres and a diameter above 0, got "
                f"{pulley.x:g}, {pulley.y:g}, {pulley.diameter:g}"
            )
    _apart(pulleys)
    # The order may have been written down clockwise or anticlockwise: only one of the two leaves the belt
    # outside its pulleys.
    tried = [_lay(pulleys, thickness, turn) for turn in (1, -1)]
    path = min(tried, key=lambda path: (len(_problems(path, crossed)), path.length))
    problems = _problems(path, crossed)
    if problems:
        raise ImpossiblePath(problems[0])
    return path


def _apart(pulleys: tuple[Pulley, ...]) -> None:
    for i, one in enumerate(pulleys):
        for j in range(i):
            other = pulleys[j]
            gap = math.hypot(one.x - other.x, one.y - other.y)
            room = (one.diameter + other.diameter) / 2
            if gap < room * (1 - _TINY):
                raise ImpossiblePath(
                    f"{name_of(pulleys, j)} and {name_of(pulleys, i)} overlap: their centres are "
                    f"{gap:.4g} mm "
                    f"apart, and half their diameters together are {room:.4g} mm; check places and diameters"
                )


def _lay(pulleys: tuple[Pulley, ...], thickness: float, turn: int) -> BeltPath:
    count = len(pulleys)
    senses = tuple(-turn if pulley.reverse else turn for pulley in pulleys)
    radii = [sense * (p.diameter + thickness) / 2 for p, sense in zip(pulleys, senses, strict=True)]
    directions, spans = [], []
    for i, here in enumerate(pulleys):
        j = (i + 1) % count
        there = pulleys[j]
        distance = math.hypot(there.x - here.x, there.y - here.y)
        lean = (radii[i] - radii[j]) / distance
        if abs(lean) > 1:
            raise ImpossiblePath(
                f"no room for a belt {thickness:g} mm thick between {name_of(pulleys, i)} and "
                f"{name_of(pulleys, j)}, whose centres are {distance:.4g} mm apart: it would have to cross "
                "over in a gap narrower than itself"
            )
        way = math.atan2(there.y - here.y, there.x - here.x) + math.asin(lean)
        side = (math.sin(way), -math.cos(way))
        directions.append(way)
        spans.append(
            Span(
                (here.x + radii[i] * side[0], here.y + radii[i] * side[1]),
                (there.x + radii[j] * side[0], there.y + radii[j] * side[1]),
            )
        )
    wraps = []
    for i, sense in enumerate(senses):
        wrap = (sense * (directions[i] - directions[i - 1])) % FULL
        wraps.append(0.0 if FULL - wrap < _TINY else wrap)
    return BeltPath(pulleys, senses, tuple(wraps), tuple(spans), thickness)


# -- what stands in the way ------------------------------------------------------------------------


def crossings(path: BeltPath) -> list[tuple[int, int]]:
    """Pairs of spans that cross each other."""
    count = len(path.spans)
    return [
        (i, j)
        for i in range(count)
        for j in range(i + 1, count)
        if _cross(path.spans[i], path.spans[j])
    ]  # fmt: skip


def _problems(path: BeltPath, crossed: bool) -> list[str]:
    pulleys = path.pulleys
    problems = []
    for i, wrap in enumerate(path.wraps):
        if not crossed and wrap > MOSTLY_ROUND and _cross(path.spans[i - 1], path.spans[i]):
            problems.append(
                f"{name_of(pulleys, i)} does not touch the belt on the side given: the belt would have to go "
                f"{math.degrees(wrap):.0f} degrees round it. Give it the other side "
                f"({'without' if pulleys[i].reverse else 'with'} reverse), move it further into the belt, "
                "or check places and the order of the pulleys"
            )
    for i in range(len(path.spans)):
        for k, pulley in enumerate(pulleys):
            if k in (i, (i + 1) % len(pulleys)):
                continue
            short = (pulley.diameter + path.thickness) / 2 - _gap((pulley.x, pulley.y), path.spans[i])
            if short > _TINY * pulley.diameter:
                problems.append(
                    f"the belt between {_between(pulleys, i)} would run through {name_of(pulleys, k)} "
                    f"({short:.3g} mm deep): check its place, the order of the pulleys, and on which side of "
                    "the belt it stands"
                )
    pairs = crossings(path)
    if pairs and not crossed:
        i, j = pairs[0]
        problems.append(
            f"the belt would cross itself: the span between {_between(pulleys, i)} and the one between "
            f"{_between(pulleys, j)}. If it is a crossed belt, say so; otherwise check the order of the "
            "pulleys and which turn the other way"
        )
    if crossed and len(pairs) > 1:
        problems.append(
            f"the belt would cross itself {len(pairs)} times, and a crossed belt crosses once: check "
            "the order of the pulleys and which turn the other way"
        )
    if crossed and not pairs:
        problems.append(
            "the belt is said to be crossed, but round these pulleys it does not cross itself: one of them "
            "must turn the other way (reverse)"
        )
    return problems


def _between(pulleys: Sequence[Pulley], span: int) -> str:
    return f"{name_of(pulleys, span)} and {name_of(pulleys, (span + 1) % len(pulleys))}"


def _direction(span: Span) -> Point:
    length = span.length or 1.0
    return (span.end[0] - span.start[0]) / length, (span.end[1] - span.start[1]) / length


def _cross(one: Span, other: Span) -> bool:
    """Whether two spans cross at a point inside both."""
    a, b, c, d = one.start, one.end, other.start, other.end
    small = _TINY * max(one.length, other.length, 1.0) ** 2

    def side(p: Point, q: Point, r: Point) -> float:
        return (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0])

    first, second = side(a, b, c), side(a, b, d)
    third, fourth = side(c, d, a), side(c, d, b)
    return (
        min(abs(first), abs(second), abs(third), abs(fourth)) > small
        and (first > 0) != (second > 0)
        and (third > 0) != (fourth > 0)
    )


def _gap(point: Point, span: Span) -> float:
    """Distance of a point from a span."""
    run = (span.end[0] - span.start[0], span.end[1] - span.start[1])
    square = run[0] ** 2 + run[1] ** 2
    along = ((point[0] - span.start[0]) * run[0] + (point[1] - span.start[1]) * run[1]) / (square or 1.0)
    along = min(max(along, 0.0), 1.0)
    return math.dist(point, (span.start[0] + along * run[0], span.start[1] + along * run[1]))
