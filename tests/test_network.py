"""The linear network and its rank-one faults, judged by the same state laid out whole and solved anew."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchwright.board import Board, Kind, Part, Pin
from benchwright.circuit import Edit, Network
from benchwright.circuit import network as network_module
from benchwright.circuit.laid_out import lay_out
from benchwright.circuit.network import GROUND, EditTable, Frame, Probe
from random_boards import random_board, random_edit, random_points, random_removed

SEEDS = st.integers(0, 10**6)
READABLE = 1.0e8
"""Above this no meter shows a number."""


def small_board(seed: int) -> tuple[Board, Frame, random.Random]:
    board = random_board(seed % 40, chips=3, nets=12, passives=14)
    return board, Frame(board), random.Random(seed)


def draw_edit(board: Board, frame: Frame, rng: random.Random) -> Edit:
    return random_edit(board, rng, tuple((element.a, element.b, element.part) for element in frame.elements))


def draw_probes(board: Board, frame: Frame, rng: random.Random, edit: Edit | None) -> tuple[Probe, Probe]:
    a, b = random_points(board, rng, edit)
    return frame.probe(*a), frame.probe(*b)


def same(ours: float, judged: float) -> bool:
    if judged > READABLE:
        return ours > 0.999 * READABLE
    return ours == pytest.approx(judged, rel=1e-6, abs=1e-9)


@given(SEEDS)
def test_one_fault_reads_as_the_network_solved_anew(seed: int) -> None:
    """Every kind of fault, in any state, gives the reading of the network built with it."""
    board, frame, rng = small_board(seed)
    removed = random_removed(board, rng)
    edit = draw_edit(board, frame, rng)
    i, j = draw_probes(board, frame, rng, edit)
    ours = float(Network(frame, removed).prepare([edit]).resistances(i, j)[0])
    assert same(ours, lay_out(frame, removed, [edit]).resistance(i, j)), (edit, removed, i, j)


@given(SEEDS)
def test_two_faults_read_as_the_network_solved_anew(seed: int) -> None:
    """Two faults at once, whatever their kinds, give the reading of the network built with both."""
    board, frame, rng = small_board(seed)
    first, second = draw_edit(board, frame, rng), draw_edit(board, frame, rng)
    if {first.action, second.action} == {"change"} and {first.a, first.b} == {second.a, second.b}:
        return  # one element has one value
    if first.pins & second.pins:
        return  # one joint is broken once
    i, j = draw_probes(board, frame, rng, rng.choice((first, second)))
    ours = Network(frame).prepare([first, second]).pair_resistance(0, 1, i, j)
    assert same(ours, lay_out(frame, (), [first, second]).resistance(i, j)), (first, second, i, j)


@pytest.mark.parametrize("what", ["split", "open", "change", "bridge"])
def test_two_faults_at_one_element_read_as_the_network_solved_anew(what: str) -> None:
    """Two faults that share an element, such as both joints of one part, are not taken as independent."""
    for seed in range(25):
        board, frame, rng = small_board(seed)
        element = rng.choice([e for e in frame.elements if {e.a, e.b} <= board.net_of.keys()])
        first = Edit("split", pins=frozenset({element.a}))
        second = {
            "split": Edit("split", pins=frozenset({element.b})),
            "open": Edit("change", element.a, element.b, math.inf, part=element.part),
            "change": Edit("change", element.a, element.b, 50.0, part=element.part),
            "bridge": Edit("add", element.a, element.b, 2.0),
        }[what]
        i, j = draw_probes(board, frame, rng, first)
        ours = Network(frame).prepare([first, second]).pair_resistance(0, 1, i, j)
        assert same(ours, lay_out(frame, (), [first, second]).resistance(i, j)), (first, second, i, j)


@given(SEEDS)
def test_sound_reading_with_parts_out_is_the_network_solved_anew(seed: int) -> None:
    """Pulling parts leaves the network of what remains."""
    board, frame, rng = small_board(seed)
    removed = frozenset(rng.sample(sorted(board.parts), 4))
    i, j = draw_probes(board, frame, rng, None)
    assert same(Network(frame, removed).resistance(i.node, j.node), lay_out(frame, removed).resistance(i, j))


@given(SEEDS)
def test_swapping_the_probes_changes_nothing(seed: int) -> None:
    """A resistance reads the same both ways round, sound or with a fault."""
    board, frame, rng = small_board(seed)
    edit = draw_edit(board, frame, rng)
    i, j = draw_probes(board, frame, rng, edit)
    prepared = Network(frame).prepare([edit])
    one, other = prepared.resistances(i, j)[0], prepared.resistances(j, i)[0]
    assert one == pytest.approx(other, rel=1e-9, abs=1e-12)


@given(SEEDS)
def test_resistance_is_a_distance(seed: int) -> None:
    """Between any three nodes, the resistance of two does not exceed the sum of the other two."""
    _, frame, rng = small_board(seed)
    network = Network(frame)
    a, b, c = (rng.randrange(GROUND, frame.node_count) for _ in range(3))
    sides = network.resistance(a, b) + network.resistance(b, c)
    assert network.resistance(a, c) <= sides * (1 + 1e-6) + 1e-9


@given(SEEDS)
def test_a_bridge_never_raises_and_an_open_never_lowers_a_reading(seed: int) -> None:
    """Rayleigh's law: added conductance cannot raise a resistance, removed conductance cannot lower it."""
    board, frame, rng = small_board(seed)
    edit = draw_edit(board, frame, rng)
    i, j = draw_probes(board, frame, rng, edit)
    network = Network(frame)
    before, after = network.resistance(i.node, j.node), network.prepare([edit]).resistances(i, j)[0]
    if edit.action == "add":
        assert after <= before * (1 + 1e-9)
    if edit.action == "split" or math.isinf(edit.ohms):
        assert after >= before * (1 - 1e-9)


@given(SEEDS)
def test_whole_dictionary_is_every_single_reading(seed: int) -> None:
    """The table of all nets to ground under all faults holds what each reading gives on its own."""
    board, frame, rng = small_board(seed)
    edits = [draw_edit(board, frame, rng) for _ in range(6)]
    removed = random_removed(board, rng)
    prepared = Network(frame, removed).prepare(edits)
    table = prepared.all_to_ground()
    node = rng.randrange(frame.node_count)
    alone = prepared.resistances(Probe(node), Probe(GROUND))
    for ours, single in zip(table[:, node], alone, strict=True):
        assert same(float(ours), float(single))


@given(SEEDS)
def test_large_boards_read_as_small_ones(seed: int) -> None:
    """Columns solved on demand, as on large boards, give the readings of the whole inverse."""
    board, frame, rng = small_board(seed)
    edits = [draw_edit(board, frame, rng) for _ in range(5)]
    i, j = draw_probes(board, frame, rng, edits[0])
    small = Network(frame).prepare(edits)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(network_module, "DENSE_NODES", 0)
        large = Network(frame).prepare(edits)
        assert large.network.inverse is None
        for one, other in zip(small.resistances(i, j), large.resistances(i, j), strict=True):
            assert same(float(other), float(one))
        node = i.node if i.node >= 0 else 0
        for one, other in zip(small.all_to_ground()[:, node], large.all_to_ground()[:, node], strict=True):
            assert same(float(other), float(one))


@given(SEEDS)
def test_one_table_of_faults_serves_every_state(seed: int) -> None:
    """A table of faults made once predicts in each state what a fresh one does."""
    board, frame, rng = small_board(seed)
    edits = [draw_edit(board, frame, rng) for _ in range(5)]
    table = EditTable(frame, edits)
    i, j = draw_probes(board, frame, rng, edits[0])
    for removed in (frozenset(), random_removed(board, rng)):
        network = Network(frame, removed)
        fresh = network.prepare(edits).resistances(i, j)
        np.testing.assert_allclose(network_module.Prepared(network, table).resistances(i, j), fresh)


def test_a_fault_inside_a_part_leaves_with_it() -> None:
    """A short inside a part that is out of its socket is not on the board any more."""
    board = random_board(3)
    frame = Frame(board)
    ref = next(ref for ref in board.parts if ref.startswith("U"))
    pins = board.pins_of[ref]
    edit = Edit("add", pins[0], pins[1], 1.0, part=ref)
    i, j = (frame.probe(pin, None) for pin in pins[:2])
    network = Network(frame, [ref])
    assert network.prepare([edit]).resistances(i, j)[0] == pytest.approx(network.resistance(i.node, j.node))


def test_a_probe_beyond_an_open_sees_the_open() -> None:
    """Across a broken joint a meter shows OL; on the same side of it, nothing has changed."""
    parts = {ref: Part(ref, "resistor", size=1000.0) for ref in ("R1", "R2", "R3")}
    nets = {
        "GND": (Pin("R1", "2"), Pin("R2", "2")), "A": (Pin("R1", "1"), Pin("R2", "1"), Pin("R3", "1")),
        "B": (Pin("R3", "2"),),
    }  # fmt: skip
    board = Board(parts=parts, nets=nets, kinds={"resistor": Kind("resistor", category="resistor")})
    frame = Frame(board)
    edit = Edit("split", pins=frozenset({Pin("R3", "1")}))
    prepared = Network(frame).prepare([edit])

    def read(a: str, b: str) -> float:
        return float(prepared.resistances(frame.probe(*board.point(a)), frame.probe(*board.point(b)))[0])

    assert read("R3.1", "R1.1") > READABLE
    assert read("B", "GND") > READABLE
    assert read("R3.1", "B") == pytest.approx(1000.0, rel=1e-6)
    assert read("R1.1", "GND") == pytest.approx(500.0, rel=1e-6)


@settings(max_examples=12)
@given(SEEDS)
def test_spread_follows_the_elements(seed: int) -> None:
    """First-order spread agrees with the change found by making each element a little larger."""
    board = random_board(seed % 40, chips=1, nets=8, passives=10)
    frame, rng = Frame(board), random.Random(seed)
    i, j = draw_probes(board, frame, rng, None)
    network = Network(frame)
    ohms = network.resistance(i.node, j.node)
    if not 0.0 < ohms < 1e6:
        return
    step, total, soft = 1e-4, 0.0, 0.0
    for index in range(len(frame.elements)):
        moved = Network(frame)
        moved.siemens = moved.siemens.copy()
        moved.siemens[index] /= 1.0 + step
        change = (moved.resistance(i.node, j.node) / ohms - 1.0) / step
        total += (change * frame.spread[index]) ** 2
        soft += change if frame.soft[index] else 0.0
    spread, share = network.spread(i.node, j.node)
    assert spread == pytest.approx(math.sqrt(total), rel=1e-2, abs=1e-4)
    assert share == pytest.approx(soft, rel=1e-2, abs=1e-3)


def test_part_elements_do_not_hang_on_the_order_of_nets() -> None:
    """A bussed resistor network has its common at pin 1 whichever net is named first."""
    kinds = {"network": Kind("network", category="resistor_network")}
    nets = {"A": (Pin("RN1", "3"),), "B": (Pin("RN1", "2"),), "C": (Pin("RN1", "1"),), "GND": ()}
    board = Board(parts={"RN1": Part("RN1", "network", size=1000.0)}, nets=nets, kinds=kinds)
    frame = Frame(board)
    network = Network(frame)
    common, two, three = (frame.probe(Pin("RN1", number), None).node for number in "123")
    assert network.resistance(common, two) == pytest.approx(1000.0, rel=1e-6)
    assert network.resistance(two, three) == pytest.approx(2000.0, rel=1e-6)
