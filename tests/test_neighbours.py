"""Which copper lies close enough to be joined."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright.board import Board, Kind, KindPin, Pad, Part, Pin, Track
from benchwright.board.neighbours import TRACK_FACTOR, neighbours


def _two(a: Pad, b: Pad) -> Board:
    nets = {pad.net: (pad.pin,) for pad in (a, b) if pad.net is not None and pad.pin is not None}
    return Board(parts={"U1": Part("U1"), "U2": Part("U2")}, nets=nets, pads=(a, b))


def _pad(ref: str, x: float, y: float, **more: object) -> Pad:
    return Pad(**{"pin": Pin(ref, "1"), "net": f"N{ref}", "at": (x, y), "size": (1.0, 1.0), **more})  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("b", "gap"),
    [
        ({"x": 2.0, "y": 0.0}, 1.0),
        ({"x": 1.5, "y": 1.5}, math.hypot(1.5, 1.5) - 1.0),
        ({"x": 2.0, "y": 0.0, "round": False, "turn": 45.0}, 2.0 - 0.5 - math.sqrt(0.5)),
        ({"x": 2.0, "y": 0.0, "round": False, "turn": 90.0, "size": (3.0, 2.0)}, 0.5),
        ({"x": 2.0, "y": 0.0, "size": (1.0, 3.0)}, 1.0),
        ({"x": 0.4, "y": 0.0}, 0.0),
    ],
)
def test_gap_is_measured_edge_to_edge(b: dict[str, object], gap: float) -> None:
    """Round, oval, square and turned pads have the gap plane geometry gives, and overlap has none."""
    (pair,) = neighbours(_two(_pad("U1", 0, 0), _pad("U2", **b)))  # type: ignore[arg-type]
    assert pair.gap == pytest.approx(gap, abs=1e-9)


def test_crossed_rectangles_overlap() -> None:
    """Two long pads that cross like a plus sign touch, though no corner lies in the other."""
    a = _pad("U1", 0, 0, round=False, size=(6.0, 1.0))
    b = _pad("U2", 0, 0, round=False, size=(6.0, 1.0), turn=90.0)
    assert neighbours(_two(a, b))[0].gap == 0.0


@given(
    st.floats(-3, 3), st.floats(-3, 3), st.floats(0.3, 3), st.floats(0.3, 3), st.floats(0, 360),
    st.floats(0, 360), st.booleans(),
)  # fmt: skip
def test_gap_does_not_depend_on_where_you_stand(
    x: float, y: float, w: float, h: float, turn: float, spin: float, rounded: bool
) -> None:
    """Turning the whole board, or naming the pads the other way round, leaves the gap as it was."""
    a = _pad("U1", 0, 0, round=False, size=(1.0, 2.0))
    b = _pad("U2", x, y, size=(w, h), turn=turn, round=rounded)
    angle = math.radians(spin)
    c = _pad("U1", 0, 0, round=False, size=(1.0, 2.0), turn=spin)
    d = _pad(
        "U2", x * math.cos(angle) - y * math.sin(angle), x * math.sin(angle) + y * math.cos(angle),
        size=(w, h), turn=turn + spin, round=rounded,
    )  # fmt: skip
    gaps = [neighbours(_two(*pads), 20.0)[0].gap for pads in ((a, b), (b, a), (c, d))]
    assert gaps[0] == pytest.approx(gaps[1], abs=1e-9)
    assert gaps[0] == pytest.approx(gaps[2], abs=1e-7)


def test_sides_of_the_board_part_neighbours() -> None:
    """Pads on different single sides are no neighbours; a through-hole pad is one on both."""
    top, bottom = _pad("U1", 0, 0, side="top"), _pad("U2", 1.5, 0, side="bottom")
    assert not neighbours(_two(top, bottom))
    assert neighbours(_two(_pad("U1", 0, 0), bottom))
    assert neighbours(_two(top, _pad("U2", 1.5, 0)))


def test_likelihood_falls_with_gap_and_mask() -> None:
    """The wider the gap the less likely a bridge, and solder mask over a via makes it rarer still."""

    def chance(x: float, **more: object) -> float:
        return neighbours(_two(_pad("U1", 0, 0), _pad("U2", x, 0, **more)))[0].probability

    assert chance(1.2) > chance(1.6) > chance(2.0)
    assert chance(1.5, pin=None, covered=True) < 0.2 * chance(1.5, pin=None)


def test_unconnected_pads_go_by_their_pins() -> None:
    """A pad on no net pairs with a net under its pin's name, and never with another such pad."""
    a, b, c = _pad("U1", 0, 0), _pad("U2", 1.5, 0, net=None), _pad("U2", 3.0, 0, net=None, pin=Pin("U2", "2"))
    (pair,) = neighbours(Board(parts={"U1": Part("U1"), "U2": Part("U2")}, nets={"NU1": (Pin("U1", "1"),)},
                               pads=(a, b, c)))  # fmt: skip
    assert {pair.net_a, pair.net_b} == {"NU1", "U2.1"}


def test_tracks_that_run_close_pair_their_nets() -> None:
    """Two outer tracks side by side pair at the level of nets, longer runs more; inner ones do not."""

    def board(length: float, layer: int) -> Board:
        lines = [Track(net, layer, 0.3, ((0.0, y), (length, y))) for net, y in (("A", 0.0), ("B", 0.6))]
        far = Track("C", 4, 0.3, ((0.0, 50.0), (1.0, 50.0)))
        return Board(nets={"A": (), "B": ()}, tracks=(*lines, far))

    (short,), (long,) = neighbours(board(10.0, 1)), neighbours(board(40.0, 1))
    assert (short.a, short.b) == (None, None)
    assert short.gap == pytest.approx(0.3, abs=1e-9)
    assert long.probability == pytest.approx(4 * short.probability, rel=0.15)
    assert short.probability > 5 * TRACK_FACTOR * math.exp(-0.3 / 0.4)
    assert not neighbours(board(10.0, 2))


def _chip(package: str, pins: int, category: str = "logic", footprint: str = "") -> Board:
    made = tuple(KindPin(str(n), f"P{n}", "I") for n in range(1, pins + 1))
    kind = Kind("k", category=category, package=package, pins=made)
    nets = {f"N{n}": (Pin("U1", str(n)),) for n in range(1, pins + 1)}
    return Board(parts={"U1": Part("U1", "k", footprint=footprint)}, nets=nets, kinds={"k": kind})


def _numbers(board: Board) -> set[tuple[int, int]]:
    return {
        tuple(sorted((int(pair.a.number), int(pair.b.number))))  # type: ignore[misc]
        for pair in neighbours(board) if pair.a is not None and pair.b is not None
    }  # fmt: skip


def test_pin_numbers_stand_in_for_geometry() -> None:
    """Without pads, adjacent pin numbers pair: not across a dual row's end, all round a square package."""
    assert _numbers(_chip("DIP-8", 8)) == {(1, 2), (2, 3), (3, 4), (5, 6), (6, 7), (7, 8)}
    square = _numbers(_chip("PLCC-20", 20))
    assert {(10, 11), (1, 20)} <= square
    assert len(square) == 20
    assert (4, 5) in _numbers(_chip("SIP-8", 8, "resistor_network"))
    assert _numbers(_chip("", 4, "connector")) == {(1, 2), (2, 3), (3, 4)}
    assert (1, 3) in _numbers(_chip("", 6, "connector", "header 2x03"))


def test_declared_pairs_count_once() -> None:
    """A pair of nets that the netlist declares close is listed, unless its pads were found already."""
    board = _two(_pad("U1", 0, 0), _pad("U2", 10, 0)).with_(adjacency=frozenset({frozenset({"NU1", "NU2"})}))
    (pair,) = neighbours(board)
    assert (pair.gap, {pair.net_a, pair.net_b}) == (None, {"NU1", "NU2"})
    assert len(neighbours(board, 20.0)) == 1


def test_a_hundred_thousand_pads_pair_along_their_rows() -> None:
    """Big boards work: on a square grid of pads every pad pairs with the one beside and the one above."""
    side = 317
    pads = tuple(
        Pad(None, f"N{x}-{y}", (x * 2.54, y * 2.54)) for x in range(side) for y in range(side)
    )  # fmt: skip
    found = neighbours(Board(pads=pads))
    assert len(pads) > 100_000
    assert len(found) == 2 * side * (side - 1)


def test_piled_up_pads_do_not_run_out_of_memory() -> None:
    """A nonsense file with every pad on one spot still gives an answer, with each pad in it."""
    pads = tuple(Pad(Pin("U1", str(n)), f"N{n}", (0.0, 0.0)) for n in range(5000))
    found = neighbours(Board(parts={"U1": Part("U1")}, pads=pads))
    assert {pin.number for pair in found for pin in (pair.a, pair.b) if pin} == {str(n) for n in range(5000)}
    assert len(found) <= 5000 * 13


@given(st.lists(st.tuples(*[st.floats()] * 5), max_size=8))
def test_nonsense_geometry_is_passed_over(rows: list[tuple[float, float, float, float, float]]) -> None:
    """Pads and tracks with impossible numbers are left out, and a sound pair beside them is still found."""
    sound = (_pad("U1", 0, 0), _pad("U2", 1.5, 0))
    bad = tuple(
        Pad(Pin("U3", str(index)), f"N{index}", (x, y), (w, h), turn=turn)
        for index, (x, y, w, h, turn) in enumerate(rows)
    )
    tracks = tuple(Track("NU1", 1, w, ((x, y), (y, x))) for x, y, w, _, _ in rows)
    parts = {ref: Part(ref) for ref in ("U1", "U2", "U3")}
    found = neighbours(Board(parts=parts, pads=(*sound, *bad), tracks=tracks))
    assert any({pair.a, pair.b} == {Pin("U1", "1"), Pin("U2", "1")} for pair in found)
    assert all(pair.gap is None or 0 <= pair.gap <= 1.6 for pair in found)
