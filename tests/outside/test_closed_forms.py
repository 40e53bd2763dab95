"""Outside check: effective resistances of graphs with known answers.

Values: reference/diagnosis.md, section 4.2 "Check values for unit resistors" (READ there from a published
table of Kirchhoff indices, or DERIVED there in exact fractions), section 8, and section 9 C2, C3 and C4.
"Unit" resistors are 0.01 ohm here, so that the bare board's leakage of 10 Gohm per pin stays below 1e-11.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from fractions import Fraction as F
from itertools import combinations, product

import pytest

from benchwright.board import Board, Kind, Part, Pin
from benchwright.circuit import Edit, Network
from benchwright.circuit.network import Frame, Prepared, Probe

UNIT = 0.01
EXACT = 1e-9

Edges = list[tuple[int, int]]


def board_of(edges: Iterable[tuple[int, int, float]]) -> Board:
    """A board with one resistor for each edge; vertex 0 is its ground."""
    parts, nets = {}, {}
    for number, (a, b, ohms) in enumerate(edges):
        ref = f"R{number}"
        parts[ref] = Part(ref, "resistor", size=ohms)
        nets.setdefault(f"V{a}", []).append(Pin(ref, "1"))
        nets.setdefault(f"V{b}", []).append(Pin(ref, "2"))
    return Board(
        ground="V0", parts=parts, nets={net: tuple(pins) for net, pins in nets.items()},
        kinds={"resistor": Kind("resistor", category="resistor")},
    )  # fmt: skip


class Graph:
    """Readings between the vertices of a graph of unit resistors, in units of one resistor."""

    def __init__(self, edges: Edges) -> None:
        self.edges = edges
        self.frame = Frame(board_of((a, b, UNIT) for a, b in edges))
        self.network = Network(self.frame)
        self.vertices = sorted({vertex for edge in edges for vertex in edge})

    def probe(self, vertex: int) -> Probe:
        return self.frame.probe(None, f"V{vertex}")

    def r(self, a: int, b: int) -> float:
        return self.network.resistance(self.probe(a).node, self.probe(b).node) / UNIT

    def faulty(self, edit: Edit, a: int, b: int) -> float:
        return float(self.network.prepare([edit]).resistances(self.probe(a), self.probe(b))[0]) / UNIT

    def kirchhoff(self) -> float:
        return sum(self.r(a, b) for a, b in combinations(self.vertices, 2))

    def opened(self, edge: tuple[int, int]) -> Edit:
        ref = f"R{self.edges.index(edge)}"
        return Edit("change", Pin(ref, "1"), Pin(ref, "2"), math.inf, part=ref)

    def shorted(self, edge: tuple[int, int]) -> Edit:
        return Edit("add", net_a=f"V{edge[0]}", net_b=f"V{edge[1]}", ohms=0.0)


def near(value: F | int | float) -> object:
    return pytest.approx(float(value), rel=EXACT)


def path(n: int) -> Edges:
    return [(k, k + 1) for k in range(n - 1)]


def cycle(n: int) -> Edges:
    return [(k, (k + 1) % n) for k in range(n)]


def complete(n: int) -> Edges:
    return list(combinations(range(n), 2))


def bipartite(n: int) -> Edges:
    return [(a, n + b) for a, b in product(range(n), repeat=2)]


def grid(n: int) -> Edges:
    right = [(n * y + x, n * y + x + 1) for y in range(n) for x in range(n - 1)]
    up = [(n * y + x, n * y + x + n) for y in range(n - 1) for x in range(n)]
    return right + up


def hypercube(d: int) -> Edges:
    return [(a, a | 1 << k) for a in range(1 << d) for k in range(d) if not a >> k & 1]


def ladder(n: int) -> Edges:
    rails = [(2 * k + side, 2 * k + 2 + side) for k in range(n - 1) for side in (0, 1)]
    return rails + [(2 * k, 2 * k + 1) for k in range(n)]


def prism(n: int) -> Edges:
    rails = [(2 * k + side, (2 * k + 2 + side) % (2 * n)) for k in range(n) for side in (0, 1)]
    return rails + [(2 * k, 2 * k + 1) for k in range(n)]


OCTAHEDRON = [(a, b) for a, b in combinations(range(6), 2) if a + b != 5]


@pytest.mark.parametrize(("n", "index"), [(3, 4), (4, 10), (5, 20), (6, 35)])  # section 4.2, DERIVED
def test_path(n: int, index: int) -> None:
    """Along a path the resistance is the distance."""
    graph = Graph(path(n))
    for a, b in combinations(range(n), 2):
        assert graph.r(a, b) == near(b - a)
    assert graph.kirchhoff() == near(index)


@pytest.mark.parametrize(
    ("n", "index"), [(3, 2), (4, 5), (5, 10), (6, F(35, 2)), (7, 28), (8, 42)]
)  # section 4.2, READ: published table of Kirchhoff indices
def test_cycle(n: int, index: F | int) -> None:
    """Round a cycle, k steps in parallel with n - k."""
    graph = Graph(cycle(n))
    for k in range(1, n):
        assert graph.r(0, k) == near(F(k * (n - k), n))
    assert graph.kirchhoff() == near(index)


@pytest.mark.parametrize("n", [3, 4, 5, 8])
def test_complete(n: int) -> None:
    """In a complete graph every pair reads 2/n, and the index is n - 1 (section 4.2, index READ)."""
    graph = Graph(complete(n))
    assert all(graph.r(a, b) == near(F(2, n)) for a, b in combinations(range(n), 2))
    assert graph.kirchhoff() == near(n - 1)


def test_complete_without_an_edge() -> None:
    """K5 minus an edge: 2/3 between its ends, 7/15 end to other, 2/5 others, index 14/3 (section 4.2)."""
    graph = Graph([edge for edge in complete(5) if edge != (0, 1)])
    assert graph.r(0, 1) == near(F(2, 3))
    assert graph.r(0, 2) == near(F(7, 15))
    assert graph.r(2, 3) == near(F(2, 5))
    assert graph.kirchhoff() == near(F(14, 3))
    whole = Graph(complete(5))
    assert whole.faulty(whole.opened((0, 1)), 0, 1) == near(F(2, 3))
    assert whole.faulty(whole.opened((0, 1)), 0, 2) == near(F(7, 15))


@pytest.mark.parametrize("n", [1, 2, 3, 4, 5])
def test_complete_bipartite(n: int) -> None:
    """K_n,n: 2/n on one side, (2n - 1)/n^2 across, index 4n - 3 (section 4.2, index READ)."""
    graph = Graph(bipartite(n))
    assert graph.r(0, n) == near(F(2 * n - 1, n * n))
    if n > 1:
        assert graph.r(0, 1) == near(F(2, n))
    assert graph.kirchhoff() == near(4 * n - 3)


@pytest.mark.parametrize(
    ("n", "index", "corners"),
    [(2, 5, 1), (3, F(69, 2), F(3, 2)), (4, F(884, 7), F(13, 7)), (5, F(11155, 33), F(47, 22))],
)  # section 4.2: index READ, corners DERIVED
def test_square_grid(n: int, index: F | int, corners: F | int) -> None:
    """A square grid: corner to opposite corner, and the index."""
    graph = Graph(grid(n))
    assert graph.r(0, n * n - 1) == near(corners)
    assert graph.kirchhoff() == near(index)


@pytest.mark.parametrize(
    ("d", "index"), [(2, 5), (3, F(58, 3)), (4, F(206, 3)), (5, F(3548, 15))]
)  # section 4.2, DERIVED
def test_hypercube(d: int, index: F | int) -> None:
    """The index of hypercubes; the four distances in the four-dimensional one."""
    graph = Graph(hypercube(d))
    assert graph.kirchhoff() == near(index)
    if d == 4:
        for bits, value in ((1, F(15, 32)), (3, F(7, 12)), (7, F(61, 96)), (15, F(2, 3))):
            assert graph.r(0, bits) == near(value)


def test_octahedron() -> None:
    """Octahedron: 5/12 between neighbours, 1/2 across, index 13/2 (section 4.2, index READ)."""
    graph = Graph(OCTAHEDRON)
    assert graph.r(0, 1) == near(F(5, 12))
    assert graph.r(0, 5) == near(F(1, 2))
    assert graph.kirchhoff() == near(F(13, 2))


@pytest.mark.parametrize(
    ("n", "index", "end"),
    [
        (1, 1, 1), (2, 5, F(3, 4)), (3, F(71, 5), F(11, 15)), (4, F(214, 7), F(41, 56)),
        (5, F(11725, 209), F(153, 209)), (6, F(6031, 65), F(571, 780)),
    ],
)  # section 4.2, DERIVED  # fmt: skip
def test_ladder(n: int, index: F | int, end: F | int) -> None:
    """A ladder: across its end rung, and the index; with four rungs also its far corners (C3)."""
    graph = Graph(ladder(n))
    assert graph.r(0, 1) == near(end)
    assert graph.kirchhoff() == near(index)
    if n == 4:
        assert graph.r(0, 7) == near(F(15, 8))
        assert graph.r(0, 6) == near(F(13, 7))


def test_long_ladder() -> None:
    """The end rung of a long ladder tends to sqrt(3) - 1 (section 4.2)."""
    assert Graph(ladder(40)).r(0, 1) == near(math.sqrt(3.0) - 1.0)


@pytest.mark.parametrize(
    ("n", "index"), [(3, F(47, 5)), (4, F(58, 3)), (5, F(655, 19)), (6, F(279, 5))]
)  # section 4.2, DERIVED
def test_prism(n: int, index: F) -> None:
    """The index of closed ladders."""
    assert Graph(prism(n)).kirchhoff() == near(index)


@pytest.mark.parametrize(
    "edges",
    [path(6), cycle(7), complete(6), bipartite(4), grid(4), hypercube(4), OCTAHEDRON, ladder(5), prism(5)],
)
def test_foster(edges: Edges) -> None:
    """Foster: conductance times resistance, summed over the edges, is the number of vertices less one."""
    graph = Graph(edges)
    assert sum(graph.r(a, b) for a, b in edges) == near(len(graph.vertices) - 1)


# Section 9, C2: the cube of 12 unit resistors, vertices 0..7 as three-bit words.
CUBE = {(0, 1): F(7, 12), (0, 3): F(3, 4), (0, 7): F(5, 6)}
CUBE_OPEN = {
    (0, 1): F(7, 5), (0, 2): F(11, 16), (0, 3): F(87, 80), (0, 7): F(11, 10), (1, 6): F(11, 10),
    (6, 7): F(3, 5),
}  # fmt: skip
CUBE_SHORT = {
    (0, 1): F(0), (0, 2): F(57, 112), (0, 3): F(57, 112), (0, 6): F(9, 14), (0, 7): F(9, 14),
    (2, 3): F(15, 28), (6, 7): F(4, 7), (2, 6): F(65, 112), (2, 4): F(3, 4), (2, 5): F(11, 14),
}  # fmt: skip


def test_cube() -> None:
    """The sound cube: edge, face and body diagonals, index 58/3."""
    graph = Graph(hypercube(3))
    for (a, b), value in CUBE.items():
        assert graph.r(a, b) == near(value)
    assert graph.kirchhoff() == near(F(58, 3))


def test_cube_with_an_open_edge() -> None:
    """The cube with one edge open, by rank-one edit: named pairs, and index 116/5 over all 28."""
    graph = Graph(hypercube(3))
    edit = graph.opened((0, 1))
    for (a, b), value in CUBE_OPEN.items():
        assert graph.faulty(edit, a, b) == near(value)
    assert sum(graph.faulty(edit, a, b) for a, b in combinations(range(8), 2)) == near(F(116, 5))


def test_cube_with_a_broken_joint() -> None:
    """A resistor's joint broken off its net leaves the same cube with an open edge."""
    graph = Graph(hypercube(3))
    edit = Edit("split", pins=frozenset({Pin(f"R{graph.edges.index((0, 1))}", "2")}))
    for (a, b), value in CUBE_OPEN.items():
        assert graph.faulty(edit, a, b) == near(value)


def test_cube_with_a_shorted_edge() -> None:
    """The cube with one edge shorted, by rank-one edit."""
    graph = Graph(hypercube(3))
    edit = graph.shorted((0, 1))
    for (a, b), value in CUBE_SHORT.items():
        assert graph.faulty(edit, a, b) == pytest.approx(float(value), rel=EXACT, abs=1e-12)


def test_unguarded_triangle() -> None:
    """10 k across two 10 k in series reads 6.67 k, 3000 M across 200 M reads 187.5 M (section 8, READ)."""
    # Scaled down for the leakage's sake.
    frame = Frame(board_of([(0, 1, 0.01), (1, 2, 0.01), (0, 2, 0.01)]))
    assert Network(frame).resistance(*_nodes(frame, 0, 1)) == near(0.01 * F(20, 30))
    frame = Frame(board_of([(0, 1, 3.0), (1, 2, 0.1), (0, 2, 0.1)]))
    assert Network(frame).resistance(*_nodes(frame, 0, 1)) == near(0.1875)


def _nodes(frame: Frame, a: int, b: int) -> tuple[int, int]:
    return frame.node_of_net[f"V{a}"], frame.node_of_net[f"V{b}"]


# Section 9, C4: a 5 V divider board, vertices G = 0, P = 1, A = 2, B = 3, resistors in kilohm.
TOY = [(1, 2, 1.0), (2, 0, 2.0), (2, 3, 1.0), (3, 0, 2.0), (1, 3, 10.0)]
TOY_STATES = {
    "ok": (F(17, 6), F(25, 12)), "R0 open": (F(5, 14), F(15, 28)), "R0 short": (5, F(55, 16)),
    "R1 open": (F(85, 22), F(30, 11)), "R1 short": (0, F(5, 16)), "R2 open": (F(10, 3), F(5, 6)),
    "R2 short": (F(55, 21), F(55, 21)), "R3 open": (F(24, 7), F(25, 7)), "R3 short": (2, 0),
    "R4 open": (F(30, 11), F(20, 11)), "R4 short": (4, 5),
}  # fmt: skip
TOY_DOUBLES = {
    ("R1 open", "R3 open"): (5, 5), ("R2 open", "R4 open"): (F(10, 3), 0),
    ("R1 open", "R4 open"): (F(15, 4), F(5, 2)),
}  # fmt: skip


def _toy() -> tuple[Frame, Network]:
    frame = Frame(board_of((a, b, UNIT * kilohm) for a, b, kilohm in TOY))
    return frame, Network(frame)


def _toy_edit(name: str) -> Edit:
    if name == "ok":
        return Edit()
    ref, what = name.split()
    if what == "open":
        return Edit("change", Pin(ref, "1"), Pin(ref, "2"), math.inf, part=ref)
    return Edit("add", Pin(ref, "1"), Pin(ref, "2"), 0.0, part=ref)


def _toy_volts(read: object, net: int) -> float:
    """A node's voltage from three resistances: v / 5 V = (R_pg + R_ng - R_pn) / (2 R_pg)."""
    assert callable(read)
    whole = read(1, 0)
    return float(5.0 * (whole + read(net, 0) - read(1, net)) / (2.0 * whole))


@pytest.mark.parametrize("state", TOY_STATES)
def test_toy_board(state: str) -> None:
    """Voltages of the divider board under every open and short, through rank-one edits of its resistances."""
    frame, network = _toy()
    prepared = network.prepare([_toy_edit(state)])

    def read(a: int, b: int) -> float:
        if a == b:
            return 0.0
        i, j = (frame.probe(None, f"V{vertex}") for vertex in (a, b))
        return float(prepared.resistances(i, j)[0])

    for net, volts in zip((2, 3), TOY_STATES[state], strict=True):
        assert _toy_volts(read, net) == pytest.approx(float(volts), rel=EXACT, abs=1e-9)


@pytest.mark.parametrize("states", TOY_DOUBLES)
def test_toy_board_with_two_faults(states: tuple[str, str]) -> None:
    """Two opens at once, through the 2 x 2 solve."""
    frame, network = _toy()
    prepared: Prepared = network.prepare([_toy_edit(state) for state in states])

    def read(a: int, b: int) -> float:
        i, j = (frame.probe(None, f"V{vertex}") for vertex in (a, b))
        return prepared.pair_resistance(0, 1, i, j)

    for net, volts in zip((2, 3), TOY_DOUBLES[states], strict=True):
        assert _toy_volts(read, net) == pytest.approx(float(volts), rel=EXACT, abs=1e-9)


def test_toy_board_inverse() -> None:
    """With the rail tied to ground, Z = [533.33 333.33; 333.33 833.33] ohm (C4)."""
    frame = Frame(board_of((0 if a == 1 else a, b, UNIT * kilohm) for a, b, kilohm in TOY))
    network = Network(frame)
    a, b = _nodes(frame, 2, 3)
    assert network.column(a)[a] == near(UNIT * F(1600, 3000))
    assert network.column(a)[b] == near(UNIT * F(1000, 3000))
    assert network.column(b)[b] == near(UNIT * F(2500, 3000))
