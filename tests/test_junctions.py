"""The diode test: single junctions by hand, boards by a plain Newton over all nodes."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright.board import Board, Kind, KindPin, Part, Pin, Rail
from benchwright.circuit import Edit, Meter
from benchwright.circuit.junctions import THERMAL_VOLTS, JunctionNetwork, junctions, saturation
from benchwright.circuit.laid_out import Floats, LaidOut, lay_out
from benchwright.circuit.network import EditTable, Frame, Probe
from random_boards import chip_kind, random_board, random_edit, random_points, random_removed

METER = Meter()


def plain_newton(laid: LaidOut, i: Probe, j: Probe, amps: float) -> float:
    """Volts between two probes by going down the network's co-content, which has one lowest point.

    Its slope is the current that leaves each node; Newton steps over all nodes are halved until it falls.
    """
    found = [
        (laid.node_of[d.anode], laid.node_of[d.cathode], d) for d in junctions(laid.frame.board)
        if d.part not in laid.removed and (d.anode, d.cathode) not in laid.dead
    ]  # fmt: skip
    a, b = laid.node(i), laid.node(j)
    if a == b:
        return 0.0
    size = len(laid.names)
    across = np.zeros((len(found), size + 1))
    for row, (anode, cathode, _) in enumerate(found):
        across[row, anode] += 1.0
        across[row, cathode] -= 1.0
    across = across[:, :size]  # ground is the last column
    current = np.array([d.saturation for *_, d in found])
    scale = np.array([d.ideality * THERMAL_VOLTS for *_, d in found])
    knee = np.array([d.knee for *_, d in found])
    linear = laid.conductance()
    source = np.zeros(size + 1)
    source[a] += amps
    source[b] -= amps
    source = source[:size]

    def conducted(v: Floats) -> Floats:
        return current * np.exp(np.minimum((across @ v - knee) / scale, 600.0))

    def content(v: Floats) -> float:
        back = current * np.exp(-knee / scale)
        return float(0.5 * v @ linear @ v - source @ v + np.sum(scale * conducted(v) - back * (across @ v)))

    v = np.zeros(size)
    for _ in range(3000):
        through = conducted(v)
        slope = linear @ v - source + across.T @ (through - current * np.exp(-knee / scale))
        step = np.linalg.solve(linear + across.T @ ((through / scale)[:, None] * across), -slope)
        share, here = 1.0, content(v)
        while share > 1e-12 and not content(v + share * step) <= here + 1e-4 * share * (slope @ step):
            share /= 2.0
        v = v + share * step
        if np.max(np.abs(share * step)) < 1e-9:
            break
    return float((v[a] if a >= 0 else 0.0) - (v[b] if b >= 0 else 0.0))


def one_part(kind: Kind, part: Part, **nets: str) -> tuple[Board, Frame]:
    board = Board(
        parts={part.ref: part, "J1": Part("J1", "connector")},
        nets={net: (Pin(part.ref, number), Pin("J1", number)) for net, number in nets.items()},
        kinds={kind.name: kind, "connector": Kind("connector", category="connector")},
        rails={"VCC": Rail("VCC", 5.0, (4.75, 5.25))},
    )  # fmt: skip
    return board, Frame(board)


def read(frame: Frame, red: str, black: str, edit: Edit | None = None, meter: Meter = METER) -> float:
    board = frame.board
    return JunctionNetwork(frame).diode(
        frame.probe(*board.point(red)), frame.probe(*board.point(black)), meter, edit
    )


def test_small_diode_follows_the_reference() -> None:
    """A small silicon diode drops 0.50, 0.60 and 0.70 V at 0.1, 1 and 10 mA, and blocks backwards."""
    _, frame = one_part(Kind("diode", category="diode"), Part("D1", "diode", "1N4148"), K="1", A="2")
    # reference/electrical.md section 6, model row: 0.1 mA 0.50, 1 mA 0.60, 5 mA 0.67, 10 mA 0.70 V.
    for amps, volts in ((1e-4, 0.50), (1e-3, 0.60), (5e-3, 0.67), (1e-2, 0.70)):
        assert read(frame, "A", "K", meter=Meter(test_amps=amps)) == pytest.approx(volts, abs=0.006)
    assert math.isinf(read(frame, "K", "A"))


def test_saturation_current_meets_its_drop() -> None:
    """IS is chosen so that the stated drop is met exactly at the stated current."""
    current = saturation(0.6, 1.75) * math.expm1(0.6 / (1.75 * THERMAL_VOLTS))
    assert current == pytest.approx(1e-3, rel=1e-12)


@pytest.mark.parametrize(
    ("value", "low", "high"),
    [("1N4148", 0.55, 0.65), ("1N4001", 0.50, 0.60), ("1N5819", 0.15, 0.35), ("OA90", 0.2, 0.3)],
)  # reference/electrical.md section 6
def test_diodes_are_told_by_their_numbers(value: str, low: float, high: float) -> None:
    """Silicon, rectifier, metal-semiconductor and germanium diodes each read in their own band."""
    _, frame = one_part(Kind("diode", category="diode"), Part("D1", "diode", value), K="1", A="2")
    assert low <= read(frame, "A", "K") <= high


def test_red_led_is_beyond_a_small_meter() -> None:
    """A red LED reads 1.6 to 1.8 V, and OL on a meter with 1.5 V across its open leads."""
    _, frame = one_part(Kind("led", category="led"), Part("D1", "led"), K="1", A="2")
    assert 1.6 <= read(frame, "A", "K") <= 1.8  # reference/electrical.md section 6
    assert math.isinf(read(frame, "A", "K", meter=Meter(test_volts=1.5)))


def test_low_zener_conducts_both_ways() -> None:
    """A 2.4 V zener reads its forward drop one way and less than its printed voltage the other."""
    _, frame = one_part(Kind("zener", category="zener"), Part("D1", "zener", size=2.4), K="1", A="2")
    assert 0.6 < read(frame, "A", "K") < 0.75
    assert 2.0 < read(frame, "K", "A") < 2.4
    assert read(frame, "K", "A", meter=Meter(test_amps=5e-3)) == pytest.approx(2.4, abs=0.01)


@pytest.mark.parametrize(("value", "sign"), [("BC547", 1), ("2N3904", 1), ("BC557", -1), ("2SA733", -1)])
def test_transistor_junctions_by_polarity(value: str, sign: int) -> None:
    """An NPN conducts out of its base, a PNP into it; base to emitter is the larger drop."""
    kind = Kind(
        "transistor", category="transistor",
        pins=(KindPin("1", "E", "X"), KindPin("2", "B", "X"), KindPin("3", "C", "X")),
    )  # fmt: skip
    _, frame = one_part(kind, Part("Q1", "transistor", value), E="1", B="2", C="3")

    def drop(red: str, black: str) -> float:
        return read(frame, red, black) if sign > 0 else read(frame, black, red)

    assert 0.6 <= drop("B", "E") <= 0.7  # reference/electrical.md section 6
    assert 0.55 <= drop("B", "C") <= drop("B", "E")
    assert math.isinf(drop("E", "B"))


@pytest.mark.parametrize("family", ["ls", "ttl", "nmos", "cmos", "hc", "bipolar", "unknown"])
def test_chip_pins_read_in_the_band(family: str) -> None:
    """Red on ground and black on any pin, a chip reads 0.4 to 0.75 V."""
    kind = chip_kind(family, 14)
    _, frame = one_part(kind, Part("U1", kind.name), GND="7", VCC="14", IN="1", OUT="2")
    for pin in ("IN", "OUT", "VCC"):
        assert 0.35 <= read(frame, "GND", pin) <= 0.75  # reference/electrical.md section 6, from memory


def test_cmos_clamps_upwards_and_nmos_does_not() -> None:
    """From a pin to the supply, CMOS conducts through its clamp; NMOS has none."""
    for family, conducts in (("cmos", True), ("nmos", False)):
        kind = chip_kind(family, 14)
        _, frame = one_part(kind, Part("U1", kind.name), GND="7", VCC="14", IN="1", OUT="2")
        reading = read(frame, "IN", "VCC")
        assert (reading < 0.8) == conducts, family


def test_open_pin_of_a_lone_chip_reads_over_limit() -> None:
    """With its joint broken, a pin's net has lost the clamp diode; the pin itself still has it."""
    kind = chip_kind("cmos", 14)
    _, frame = one_part(kind, Part("U1", kind.name), GND="7", VCC="14", IN="1", OUT="2")
    edit = Edit("split", pins=frozenset({Pin("U1", "1")}))
    assert math.isinf(read(frame, "GND", "J1.1", edit))
    assert read(frame, "GND", "U1.1", edit) == pytest.approx(read(frame, "GND", "U1.1"), abs=2e-3)


def test_shorted_and_open_diode() -> None:
    """A shorted diode reads next to nothing both ways; an open one OL both ways."""
    _, frame = one_part(Kind("diode", category="diode"), Part("D1", "diode", "1N4148"), K="1", A="2")
    pins = Pin("D1", "2"), Pin("D1", "1")
    short, broken = Edit("change", *pins, 1.0, part="D1"), Edit("change", *pins, math.inf, part="D1")
    for red, black in (("A", "K"), ("K", "A")):
        assert read(frame, red, black, short) == pytest.approx(1e-3, rel=1e-3)
        assert math.isinf(read(frame, red, black, broken))


@given(st.integers(0, 10**6))
def test_reading_with_a_fault_is_the_network_solved_anew(seed: int) -> None:
    """Any fault, state and points: the reading of a plain Newton over the whole faulty network."""
    rng = random.Random(seed)
    board = random_board(seed % 20, chips=2, nets=8, passives=10)
    frame = Frame(board)
    pairs = tuple((element.a, element.b, element.part) for element in frame.elements)
    removed = random_removed(board, rng)
    edit = random_edit(board, rng, pairs)
    points = random_points(board, rng, edit)
    i, j = (frame.probe(*point) for point in points)
    ours = JunctionNetwork(frame, removed).diode(i, j, METER, edit)
    judged = plain_newton(lay_out(frame, removed, [edit]), i, j, METER.test_amps)
    if judged > METER.test_volts + 1e-3:
        assert math.isinf(ours), (edit, removed, points, judged)
    elif judged < METER.test_volts - 1e-3:
        assert ours == pytest.approx(judged, abs=5e-4), (edit, removed, points)


def test_many_faults_at_once_are_each_on_its_own() -> None:
    """One call over a list of faults, or over a table made once, gives each fault's own reading."""
    board = random_board(7)
    frame = Frame(board)
    rng = random.Random(7)
    pairs = tuple((element.a, element.b, element.part) for element in frame.elements)
    edits = [random_edit(board, rng, pairs) for _ in range(80)]
    network = JunctionNetwork(frame)
    for red, black in (("GND", "N3"), ("N3", "GND"), ("GND", "+5V"), ("N1", "N2")):
        i, j = frame.probe(None, red), frame.probe(None, black)
        together = network.diodes(i, j, METER, edits)
        np.testing.assert_array_equal(together, network.diodes(i, j, METER, EditTable(frame, edits)))
        for edit, reading in zip(edits, together, strict=True):
            assert network.diode(i, j, METER, edit) == pytest.approx(reading, abs=5e-5)


def test_spread_is_that_of_the_junction() -> None:
    """The reading of one lone diode spreads as its own drop does."""
    _, frame = one_part(Kind("diode", category="diode"), Part("D1", "diode", "1N4148"), K="1", A="2")
    network = JunctionNetwork(frame)
    spread = network.spread(frame.probe(None, "A"), frame.probe(None, "K"), METER)
    assert spread == pytest.approx(junctions(frame.board)[0].spread, rel=1e-2)


def test_board_without_junctions_reads_its_resistors() -> None:
    """On a board of resistors only, a diode test shows current times resistance."""
    board, frame = one_part(
        Kind("resistor", category="resistor"), Part("R1", "resistor", size=470.0), A="1", B="2"
    )
    assert junctions(board) == ()
    assert read(frame, "A", "B") == pytest.approx(0.47, rel=1e-6)
    broken = Edit("change", Pin("R1", "1"), Pin("R1", "2"), math.inf, part="R1")
    assert math.isinf(read(frame, "A", "B", broken))
