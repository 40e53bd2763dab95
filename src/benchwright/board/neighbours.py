"""Neighbours: copper of different nets close enough for debris, a whisker or a solder bridge to join.

From geometry where there is any; otherwise from pin numbers of one part.

Every shape is a rectangle blown up by a radius: a rectangular pad has radius 0, a round pad is a point
blown up, an oval pad and a piece of track are a line blown up. So one distance serves them all.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from .model import Board, Kind, Pad, Part, Pin, Track

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

REACH_MM = 1.6
"""Widest gap looked at: holds pads of 0.1 inch pitch, not every second one (own rule)."""

DECAY_MM = 0.4
"""A bridge is e times less likely for each such step of gap (own rule, no source)."""

TRACK_REACH_MM = 0.8
TRACK_FACTOR = 0.2
"""Tracks are mostly under solder mask and are not soldered to (own rule, no source)."""

COVERED_FACTOR = 0.05
"""Pads and vias under solder mask (own rule, no source)."""

PIECE_MM = 2.5
"""Tracks are cut into pieces of at most this length."""

DECLARED = math.exp(-0.5 / DECAY_MM)
"""A pair that the netlist declares close: taken as 1 mm of copper 0.5 mm apart."""

_PITCH_GAP_MM = 1.04
BY_NUMBER = 0.75 * math.exp(-_PITCH_GAP_MM / DECAY_MM)
"""Adjacent pin numbers without geometry: taken as 1.5 mm round pads at 0.1 inch pitch."""

MOST_PAIRS = 4_000_000
CROWDED = 12
"""Where copper is piled up past all sense, only the nearest this many of each are looked at."""


@dataclass(frozen=True, slots=True)
class Neighbour:
    """Two pieces of copper on different nets that something small could join.

    Attributes
    ----------
    a, b : Pin or None
        None for a via or a track.
    net_a, net_b : str
        Their nets; a pin on no net goes by its own name, such as ``U3.5``.
    gap : float or None
        Edge to edge in millimetres, 0 if they overlap; None if there is no geometry.
    at : tuple of float or None
        Middle of the gap, millimetres.
    probability : float
        Relative likelihood of a bridge here; only ratios between neighbours of one board mean anything.
    """

    a: Pin | None
    b: Pin | None
    net_a: str
    net_b: str
    gap: float | None
    at: tuple[float, float] | None
    probability: float


def neighbours(board: Board, reach_mm: float = REACH_MM) -> tuple[Neighbour, ...]:
    """List the pairs of copper on different nets that debris or solder could join.

    Parameters
    ----------
    board : Board
    reach_mm : float
        Widest gap, edge to edge, millimetres.

    Returns
    -------
    tuple of Neighbour
        One for each pair of pads, one for each pair of nets whose tracks run close, and one for each
        pair of nets that the netlist declares close and that was not found otherwise. Parts without
        pads: adjacent pin numbers.

    Notes
    -----
    Likelihood is exp(-gap / 0.4 mm) times the length in millimetres over which the two face each
    other. This is a rule of our own: no published figures were found.
    """
    found: dict[tuple[object, ...], Neighbour] = {}
    for pair in _from_geometry(board, reach_mm):
        _keep(found, pair)
    placed = {pad.pin.ref for pad in board.pads if pad.pin is not None}
    for ref, part in board.parts.items():
        if ref not in placed:
            for pair in _by_number(board, ref, part):
                _keep(found, pair)
    known = {frozenset((pair.net_a, pair.net_b)) for pair in found.values()}
    for nets in sorted(board.adjacency - known, key=sorted):
        if len(nets) == 2 and all(net in board.nets for net in nets):
            a, b = sorted(nets)
            _keep(found, Neighbour(None, None, a, b, None, None, DECLARED))
    return tuple(found.values())


def _keep(found: dict[tuple[object, ...], Neighbour], pair: Neighbour) -> None:
    """Merge with what is known of the same pair: closest place, likelihoods added."""
    first, second = (pair.net_a, pair.a), (pair.net_b, pair.b)
    key: tuple[object, ...] = (first, second) if str(first) <= str(second) else (second, first)
    known = found.get(key)
    if known is None:
        found[key] = pair
        return
    closer = known if pair.gap is None or (known.gap is not None and known.gap <= pair.gap) else pair
    found[key] = Neighbour(
        closer.a, closer.b, closer.net_a, closer.net_b, closer.gap, closer.at,
        # pieces of track and vias add up; several pads of one pin are one chance
        known.probability + pair.probability if pair.a is None or pair.b is None
        else max(known.probability, pair.probability),
    )  # fmt: skip


# -- geometry -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Shapes:
    """Pads, then pieces of track, as arrays of length n."""

    pins: list[Pin | None]
    nets: list[str]
    real: NDArray[np.bool_]
    net_id: Ints
    at: Floats
    half: Floats
    """Half extents of the rectangle before blowing up, shape (n, 2)."""
    radius: Floats
    axis: Floats
    """Unit vector of the rectangle's x axis, shape (n, 2)."""
    top: NDArray[np.bool_]
    bottom: NDArray[np.bool_]
    factor: Floats
    track: NDArray[np.bool_]


def _from_geometry(board: Board, reach: float) -> Iterator[Neighbour]:
    shapes = _shapes(board)
    if shapes is None:
        return
    i, j = _close_pairs(shapes, reach)
    i, j = _may_join(shapes, i, j)
    for start in range(0, len(i), 500_000):
        yield from _measured(shapes, i[start : start + 500_000], j[start : start + 500_000], reach)


def _shapes(board: Board) -> _Shapes | None:
    rows: list[tuple[float, ...]] = []
    pins: list[Pin | None] = []
    nets: list[str] = []
    real: list[bool] = []
    for pad in board.pads:
        name = pad.net if pad.net is not None else None if pad.pin is None else str(pad.pin)
        if name is None or pad.side == "inner" or not _sound(pad):
            continue
        width, height = abs(pad.size[0]), abs(pad.size[1])
        radius = min(width, height) / 2 if pad.round else 0.0
        rows.append((
            *pad.at, width / 2 - radius, height / 2 - radius, radius, math.radians(pad.turn),
            pad.side != "bottom", pad.side != "top", COVERED_FACTOR if pad.covered else 1.0, False,
        ))  # fmt: skip
        pins.append(pad.pin)
        nets.append(name)
        real.append(pad.net is not None)
    last = max((track.layer for track in board.tracks), default=1)
    for track in board.tracks:
        top, bottom = track.layer in (0, 1), track.layer == 0 or (track.layer == last and last > 1)
        if not (top or bottom):
            continue  # inside the board nothing can fall on it
        for row in _pieces(track):
            rows.append((*row, top, bottom, TRACK_FACTOR, True))
            pins.append(None)
            nets.append(track.net)
            real.append(True)
    if not rows:
        return None
    table = np.array(rows, dtype=np.float64)
    ids = {name: index for index, name in enumerate(dict.fromkeys(nets))}
    return _Shapes(
        pins, nets, np.array(real), np.array([ids[name] for name in nets], dtype=np.int64),
        table[:, 0:2], table[:, 2:4], table[:, 4],
        np.stack([np.cos(table[:, 5]), np.sin(table[:, 5])], axis=1),
        table[:, 6] > 0, table[:, 7] > 0, table[:, 8], table[:, 9] > 0,
    )  # fmt: skip


def _sound(pad: Pad) -> bool:
    # a kilometre is no board: such numbers come from damaged files
    return all(abs(value) < 1e6 for value in (*pad.at, *pad.size, pad.turn))


def _pieces(track: Track) -> Iterator[tuple[float, ...]]:
    if not abs(track.width) < 1e6:
        return
    for (xa, ya), (xb, yb) in pairwise(track.points):
        length = math.hypot(xb - xa, yb - ya)
        if not (length < 1e6 and abs(xa) < 1e6 and abs(ya) < 1e6):
            continue
        count = min(max(1, math.ceil(length / PIECE_MM)), 10_000)
        for index in range(count):
            along = (index + 0.5) / count
            yield (
                xa + along * (xb - xa), ya + along * (yb - ya), length / count / 2, 0.0,
                abs(track.width) / 2, math.atan2(yb - ya, xb - xa),
            )  # fmt: skip


def _close_pairs(shapes: _Shapes, reach: float) -> tuple[Ints, Ints]:
    """Pairs whose circumscribed circles come within reach. Sizes are sorted into classes so that one
    huge pad does not make every search huge."""
    from scipy.spatial import cKDTree

    around = np.hypot(shapes.half[:, 0], shapes.half[:, 1]) + shapes.radius
    size_class = np.ceil(np.log2(np.maximum(around, 0.5))).astype(np.int64)
    groups = []
    for size in np.unique(size_class):
        members = np.flatnonzero(size_class == size)
        groups.append((members, cKDTree(shapes.at[members]), float(around[members].max())))
    firsts: list[Ints] = []
    seconds: list[Ints] = []
    for index, (members, tree, most) in enumerate(groups):
        for others, other_tree, other_most in groups[index:]:
            near = most + other_most + reach
            if int(tree.count_neighbors(other_tree, near)) > 2 * MOST_PAIRS:
                count = min(CROWDED + 1, len(others))
                _, hits = other_tree.query(shapes.at[members], k=count, distance_upper_bound=near)
                hits = np.asarray(hits, dtype=np.int64).reshape(len(members), count)
                row, column = np.nonzero(hits < len(others))
                i, j = members[row], others[hits[row, column]]
            elif other_tree is tree:
                pairs = np.asarray(tree.query_pairs(near, output_type="ndarray"), dtype=np.int64)
                i, j = members[pairs[:, 0]], members[pairs[:, 1]]
            else:
                lists = tree.query_ball_tree(other_tree, near)
                i = np.repeat(members, [len(hits) for hits in lists])
                flat = [hit for hits in lists for hit in hits]
                j = others[np.array(flat, dtype=np.int64)]
            firsts.append(i)
            seconds.append(j)
    i, j = np.concatenate(firsts), np.concatenate(seconds)
    low, high = np.minimum(i, j), np.maximum(i, j)
    both = np.unique(np.stack([low, high], axis=1), axis=0)
    return both[:, 0], both[:, 1]


def _may_join(shapes: _Shapes, i: Ints, j: Ints) -> tuple[Ints, Ints]:
    keep = shapes.net_id[i] != shapes.net_id[j]
    keep &= shapes.real[i] | shapes.real[j]
    keep &= (shapes.top[i] & shapes.top[j]) | (shapes.bottom[i] & shapes.bottom[j])
    # a track piece beside copper that goes by its pin's name says nothing a pad would not say
    keep &= ~(shapes.track[i] & ~shapes.real[j]) & ~(shapes.track[j] & ~shapes.real[i])
    return i[keep], j[keep]


def _measured(shapes: _Shapes, i: Ints, j: Ints, reach: float) -> Iterator[Neighbour]:
    gap, middle = _gaps(shapes, i, j)
    track = shapes.track[i] | shapes.track[j]
    keep = np.flatnonzero(gap <= np.where(track, min(reach, TRACK_REACH_MM), reach))
    gap, middle, i, j, track = gap[keep], middle[keep], i[keep], j[keep], track[keep]
    chance = np.exp(-gap / DECAY_MM) * _facing(shapes, i, j) * np.minimum(shapes.factor[i], shapes.factor[j])
    for index in range(len(i)):
        one, two = int(i[index]), int(j[index])
        level = bool(track[index])
        yield Neighbour(
            None if level else shapes.pins[one], None if level else shapes.pins[two],
            shapes.nets[one], shapes.nets[two], float(gap[index]),
            (float(middle[index, 0]), float(middle[index, 1])), float(chance[index]),
        )  # fmt: skip


_CORNERS = ((1.0, 1.0), (1.0, -1.0), (-1.0, 1.0), (-1.0, -1.0))


def _gaps(shapes: _Shapes, i: Ints, j: Ints) -> tuple[Floats, Floats]:
    """Edge to edge distances, shape (m,), and the middles of the gaps, shape (m, 2)."""
    best = np.full(len(i), np.inf)
    end_i, end_j = shapes.at[i].copy(), shapes.at[j].copy()
    for one, two, flipped in ((i, j, False), (j, i, True)):
        for sx, sy in _CORNERS:
            corner = _corner(shapes, one, sx, sy)
            closest = _closest(shapes, two, corner)
            distance = np.hypot(*(corner - closest).T)
            better = distance < best
            best[better] = distance[better]
            from_i, from_j = (closest, corner) if flipped else (corner, closest)
            end_i[better], end_j[better] = from_i[better], from_j[better]
    crossing = _overlap(shapes, i, j)
    best[crossing] = 0.0
    unit = (end_j - end_i) / np.maximum(best, 1e-9)[:, None]
    radius_i, radius_j = shapes.radius[i][:, None], shapes.radius[j][:, None]
    middle = (end_i + unit * radius_i + end_j - unit * radius_j) / 2
    centre = (shapes.at[i] + shapes.at[j]) / 2
    middle[crossing] = centre[crossing]
    return np.maximum(best - shapes.radius[i] - shapes.radius[j], 0.0), middle


def _across(axis: Floats) -> Floats:
    return np.stack([-axis[:, 1], axis[:, 0]], axis=1)


def _corner(shapes: _Shapes, which: Ints, sx: float, sy: float) -> Floats:
    axis, half = shapes.axis[which], shapes.half[which]
    corner: Floats = shapes.at[which] + sx * half[:, :1] * axis + sy * half[:, 1:] * _across(axis)
    return corner


def _closest(shapes: _Shapes, which: Ints, point: Floats) -> Floats:
    """Point of each rectangle nearest to a point."""
    axis, half, at = shapes.axis[which], shapes.half[which], shapes.at[which]
    across = _across(axis)
    along = np.clip(np.sum((point - at) * axis, axis=1), -half[:, 0], half[:, 0])
    aside = np.clip(np.sum((point - at) * across, axis=1), -half[:, 1], half[:, 1])
    closest: Floats = at + along[:, None] * axis + aside[:, None] * across
    return closest


def _extent(shapes: _Shapes, which: Ints, direction: Floats) -> Floats:
    """Half width of each rectangle seen along a direction."""
    axis, half = shapes.axis[which], shapes.half[which]
    extent: Floats = half[:, 0] * np.abs(np.sum(axis * direction, axis=1)) + half[:, 1] * np.abs(
        np.sum(_across(axis) * direction, axis=1)
    )
    return extent


def _overlap(shapes: _Shapes, i: Ints, j: Ints) -> NDArray[np.bool_]:
    """Whether two rectangles overlap: no axis of either separates them."""
    apart = np.zeros(len(i), dtype=np.bool_)
    between = shapes.at[j] - shapes.at[i]
    for which in (i, j):
        axis = shapes.axis[which]
        for direction in (axis, _across(axis)):
            reach = _extent(shapes, i, direction) + _extent(shapes, j, direction)
            apart |= np.abs(np.sum(between * direction, axis=1)) > reach
    return ~apart


def _facing(shapes: _Shapes, i: Ints, j: Ints) -> Floats:
    """Length over which two shapes face each other, millimetres: the smaller of their widths seen from
    the other, a round end counting half because it falls away."""
    between = shapes.at[j] - shapes.at[i]
    length = np.hypot(between[:, 0], between[:, 1])
    unit = np.where(length[:, None] > 0, between / np.maximum(length, 1e-9)[:, None], np.array([1.0, 0.0]))
    aside = _across(unit)
    width_i = 2 * _extent(shapes, i, aside) + shapes.radius[i]
    width_j = 2 * _extent(shapes, j, aside) + shapes.radius[j]
    return np.maximum(np.minimum(width_i, width_j), 0.05)


# -- pin numbers --------------------------------------------------------------------------------

_ALONE = frozenset((
    "resistor", "capacitor", "trimmer_capacitor", "inductor", "ferrite", "transformer", "fuse", "crystal",
    "diode", "zener", "led", "relay", "battery", "speaker", "modulator", "mechanical", "test_point",
    "bridge_rectifier", "thermistor",
))  # fmt: skip
"""Categories whose pins stand far apart."""

_NUMBER = re.compile(r"([A-Za-z]*)(\d+)")
_FOUR_SIDED = re.compile(r"PLCC|QFP|QFN|LCC", re.IGNORECASE)
_ONE_ROW = re.compile(r"SIP|SIL|TO-?\d|ZIP|1x\d+|01x\d+|SOT-?223", re.IGNORECASE)
_TWO_ROWS = re.compile(r"(?<!\d)0?2x\d+|x0?2(?!\d)|IDC|dual|double|2[ -]row|DE-?9|DB-?25", re.IGNORECASE)


def _by_number(board: Board, ref: str, part: Part) -> Iterator[Neighbour]:
    kind = board.kind_of(ref)
    pins = board.pins_of.get(ref, ())
    if kind.category in _ALONE or len(pins) < 2:
        return
    if len(pins) == 2 and kind.category not in ("connector", "membrane", "jumper"):
        return
    for one, two in _adjacent(pins, part, kind):
        net_a, net_b = board.net_of.get(one), board.net_of.get(two)
        if net_a == net_b or (net_a is None and net_b is None):
            continue
        yield Neighbour(one, two, net_a or str(one), net_b or str(two), None, None, BY_NUMBER)


def _adjacent(pins: Sequence[Pin], part: Part, kind: Kind) -> Iterator[tuple[Pin, Pin]]:
    rows: dict[str, dict[int, Pin]] = {}
    for pin in pins:
        match = _NUMBER.fullmatch(pin.number)
        if match is not None:
            rows.setdefault(match[1].upper(), {})[int(match[2])] = pin
    if not rows:
        yield from pairwise(pins)
        return
    package = f"{kind.package} {part.footprint} {part.value}"
    is_connector = kind.category in ("connector", "membrane", "jumper")
    for row in rows.values():
        last = max(row)
        steps = [1]
        if is_connector and _TWO_ROWS.search(package):
            steps.append(2)
        # two rows of a chip stand either side of its body: the last pin of one is far from the next
        wrap = None
        if not is_connector and len(rows) == 1 and last > 4 and last % 2 == 0:
            in_line = _ONE_ROW.search(package) or kind.category == "resistor_network"
            if not in_line and not _FOUR_SIDED.search(package):
                wrap = last // 2
        for number, pin in row.items():
            for step in steps:
                other = row.get(number + step)
                if other is not None and not (step == 1 and number == wrap):
                    yield pin, other
        if _FOUR_SIDED.search(package) and last > 8 and 1 in row and len(rows) == 1:
            yield row[last], row[1]
