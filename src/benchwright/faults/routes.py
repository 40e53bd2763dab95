"""Where along a net a track can break: which pins part from which.

Netlists seldom carry the copper, so nobody knows how a net was routed, and several plausible routings
each get a say: the shortest tree over the pads, and a chain from neighbour to neighbour. Where the netlist
does carry tracks and vias, they tell what lies beside a leaking part (see universe.py), not yet which pins
part from which.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.sparse.csgraph import minimum_spanning_tree
from scipy.spatial.distance import cdist

from ..board import Board, Pin

TREE_SHARE = 0.65
"""Weight of the shortest tree against the chain: track layout by hand is near the shortest tree (own)."""
MOST_PINS = 80
"""Nets with more pins than this are planes or grids in practice: only their joints are suspected."""


@dataclass(frozen=True, slots=True)
class Break:
    """A place where a net can come apart.

    Attributes
    ----------
    side : frozenset of Pin
        The pins on the smaller side.
    near, far : Pin
        The pins either side of the break, `near` on the smaller side.
    length : float
        Millimetres of track between them; 0 if not known.
    weight : float
        How sure it is that the net is routed so, 0 to 1.
    """

    side: frozenset[Pin]
    near: Pin
    far: Pin
    length: float
    weight: float


def smaller_side(side: Iterable[Pin], everything: Sequence[Pin]) -> frozenset[Pin]:
    """The side of a parted net that has fewer pins; of equal sides, always the same one."""
    one = frozenset(side)
    other = frozenset(everything) - one
    if len(one) != len(other):
        return min(one, other, key=len)
    return min(one, other, key=lambda pins: sorted(map(str, pins)))


def breaks(board: Board, net: str) -> list[Break]:
    """All the places where `net` can come apart, each side once per routing.

    Parameters
    ----------
    board : Board
    net : str
        Name of a net.

    Returns
    -------
    list of Break
        Empty for a net with fewer than two pins, or with too many to be a track.
    """
    pins = board.nets[net]
    if len(pins) < 2 or len(pins) > MOST_PINS:
        return []
    pads = board.pads_of
    if not all(pin in pads for pin in pins):
        return _merge([(pins, _chain_edges(len(pins)), None, 1.0)])
    at = np.array([pads[pin].at for pin in pins])
    distance = cdist(at, at, "cityblock") + 1e-3
    tree = minimum_spanning_tree(distance).tocoo()
    tree_edges = list(zip(tree.row.tolist(), tree.col.tolist(), strict=True))
    routings: list[tuple[tuple[Pin, ...], list[tuple[int, int]], np.ndarray | None, float]] = [
        (pins, tree_edges, distance, TREE_SHARE)
    ]
    if len(pins) <= 16:
        routings.append((pins, _nearest_chain(distance), distance, 1.0 - TREE_SHARE))
    return _merge(routings)


def _chain_edges(count: int) -> list[tuple[int, int]]:
    return [(index, index + 1) for index in range(count - 1)]


def _nearest_chain(distance: np.ndarray) -> list[tuple[int, int]]:
    count = len(distance)
    start = int(np.argmax(distance.sum(axis=1)))
    left = set(range(count)) - {start}
    edges = []
    here = start
    while left:
        there = min(left, key=lambda index: distance[here, index])
        edges.append((here, there))
        left.remove(there)
        here = there
    return edges


def _merge(
    routings: Sequence[tuple[tuple[Pin, ...], list[tuple[int, int]], np.ndarray | None, float]],
) -> list[Break]:
    found: dict[frozenset[Pin], Break] = {}
    for pins, edges, distance, weight in routings:
        links: dict[int, set[int]] = {index: set() for index in range(len(pins))}
        for a, b in edges:
            links[a].add(b)
            links[b].add(a)
        for a, b in edges:
            beyond = _component(links, b, a)
            side = smaller_side((pins[index] for index in beyond), pins)
            near, far = (pins[b], pins[a]) if pins[b] in side else (pins[a], pins[b])
            length = 0.0 if distance is None else float(distance[a, b])
            known = found.get(side)
            if known is None:
                found[side] = Break(side, near, far, length, weight)
            else:
                keep = known if known.weight >= weight else Break(side, near, far, length, weight)
                found[side] = Break(side, keep.near, keep.far, keep.length, known.weight + weight)
    return list(found.values())


def _component(links: dict[int, set[int]], start: int, barred: int) -> set[int]:
    seen = {start}
    heap = [start]
    while heap:
        here = heap.pop()
        for there in links[here]:
            if there not in seen and not (here == start and there == barred):
                seen.add(there)
                heap.append(there)
    return seen


def distance_to_stretch(point: tuple[float, float], a: tuple[float, float], b: tuple[float, float]) -> float:
    """Distance from a point to the box spanned by a stretch of track, millimetres.

    A track that runs along the axes from `a` to `b` stays in that box whichever corner it turns.
    """
    dx = max(min(a[0], b[0]) - point[0], 0.0, point[0] - max(a[0], b[0]))
    dy = max(min(a[1], b[1]) - point[1], 0.0, point[1] - max(a[1], b[1]))
    return math.hypot(dx, dy)
