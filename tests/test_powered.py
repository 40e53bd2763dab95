"""Direct voltages of the powered board."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright.board import Board, Kind, KindPin, Part, Pin, Rail
from benchwright.circuit import Edit
from benchwright.circuit.powered import power_network, rail_voltages, supply_voltages
from power_board import power_board
from random_boards import random_board, random_edit

BOARD = power_board()


def at(ref: str, number: str) -> Pin:
    return Pin(ref, number)


def volts(edit: Edit | None = None, **state: object) -> dict[str, float]:
    return {net: rail.volts for net, rail in rail_voltages(BOARD, edit=edit, **state).items()}  # type: ignore[arg-type]


def test_sound_board_has_its_rails() -> None:
    """Every rail of a sound board lies within its limits, the zener's a little above its printed voltage."""
    sound = rail_voltages(BOARD)
    assert set(sound) == set(BOARD.rails)
    for net in ("+5V", "+5A", "+6V", "+12V", "-12V"):
        low, high = BOARD.rails[net].limits
        assert low <= sound[net].volts <= high, sound[net].text
        assert not sound[net].limited
    assert sound["-5V"].volts == pytest.approx(-5.1, abs=0.3)


def test_adjustable_regulator_follows_its_resistors() -> None:
    """An adjustable regulator gives 1.25 V (1 + R2/R1) + 50 uA R2: 6.30 V with 240 and 960 ohm."""
    # reference/electrical.md section 3, formula READ in a data sheet.
    assert volts()["+6V"] == pytest.approx(1.25 * (1 + 960 / 240) + 50e-6 * 960, abs=0.01)
    drifted = Edit("change", at("R2", "1"), at("R2", "2"), 720.0, part="R2")
    assert volts(drifted)["+6V"] == pytest.approx(1.25 * (1 + 720 / 240) + 50e-6 * 720, abs=0.01)


@pytest.mark.parametrize(
    "edit",
    [
        Edit("change", at("R2", "1"), at("R2", "2"), math.inf, part="R2"),
        Edit("split", pins=frozenset({at("REG2", "1")})),
        Edit("split", pins=frozenset({at("R2", "2")})),
    ],
)
def test_adjustable_regulator_without_its_lower_resistor_goes_up(edit: Edit) -> None:
    """Without the resistor to ground its output rises to the input less the dropout."""
    assert volts(edit)["+6V"] > 7.0


def test_short_folds_the_regulator_back() -> None:
    """A short on the 5 V rail pulls it down; the text names the regulator; the fuse side stays up."""
    state = rail_voltages(BOARD, edit=Edit("add", net_a="+5V", net_b="GND", ohms=0.05))
    assert 0.0 < state["+5V"].volts < 0.2
    assert state["+5V"].limited
    assert "REG1 is at its current limit" in state["+5V"].text
    assert state["+12V"].volts == pytest.approx(12.0, abs=0.05)
    # The limit lies between the peak of 2.2 A and the 0.23 A at 35 V in (section 3, READ).
    delivered = power_network(BOARD).solve(Edit("add", net_a="+5V", net_b="GND", ohms=0.05)).amps["REG1"]
    assert 0.23 < delivered < 2.2


def test_short_beyond_a_ferrite_shows_where_it_is() -> None:
    """A short behind the ferrite bead leaves more voltage before it than after."""
    state = volts(Edit("add", net_a="+5A", net_b="GND", ohms=0.05))
    assert state["+5A"] < state["+5V"] < 0.5


@pytest.mark.parametrize(
    "edit",
    [
        Edit("change", at("F1", "1"), at("F1", "2"), math.inf, part="F1"),
        Edit("split", pins=frozenset({at("F1", "2")})),
        Edit("split", pins=frozenset({at("J1", "1")})),
        Edit("change", at("D1", "1"), at("D1", "2"), math.inf, part="D1"),
        Edit("split", pins=frozenset({at("SW1", "1")})),
    ],
)
def test_open_before_the_regulators(edit: Edit) -> None:
    """A blown fuse, a broken joint or an open diode on the way in takes the regulated rails and no others."""
    state = rail_voltages(BOARD, edit=edit)
    for net in ("+5V", "+5A", "+6V"):
        assert abs(state[net].volts) < 0.1
        assert "nothing feeds it" in state[net].text
    assert state["+12V"].volts == pytest.approx(12.0, abs=0.05)


def test_dead_regulator() -> None:
    """A dead regulator takes its rail and what hangs on it."""
    state = volts(dead={"REG1"})
    assert abs(state["+5V"]) < 0.1
    assert abs(state["+5A"]) < 0.1
    assert state["+6V"] == pytest.approx(6.3, abs=0.02)


def test_open_ground_pin_lets_a_regulator_run_away() -> None:
    """With its ground pin open the output goes up towards the input."""
    assert volts(Edit("split", pins=frozenset({at("REG1", "2")})))["+5V"] > 6.5


def test_shorted_pass_transistor_passes_its_input() -> None:
    """Input shorted to output: the rail is far above its limits, and the text says outside."""
    state = rail_voltages(BOARD, edit=Edit("add", at("REG1", "1"), at("REG1", "3"), 0.3, part="REG1"))
    assert state["+5V"].volts > 7.0
    assert "outside" in state["+5V"].text


def test_bridge_between_rails() -> None:
    """The stronger supply wins: -12 V bridged to the zener's -5 V, +12 V to +5 V."""
    assert volts(Edit("add", net_a="-12V", net_b="-5V", ohms=1.0))["-5V"] < -9.0
    assert volts(Edit("add", net_a="+12V", net_b="+5V", ohms=1.0))["+5V"] > 8.0


def test_open_supply_joint_starves_one_chip() -> None:
    """A chip whose supply joint is open has 0 V at its pin; its neighbour keeps the rail."""
    pins = supply_voltages(BOARD, edit=Edit("split", pins=frozenset({at("U1", "14")})))
    assert abs(pins[at("U1", "14")]) < 0.01
    assert pins[at("U2", "14")] == pytest.approx(5.0, abs=0.1)
    poor = supply_voltages(BOARD, edit=Edit("split", pins=frozenset({at("U1", "14")}), ohms=5.0))
    assert 2.0 < poor[at("U1", "14")] < 4.5


def test_pulled_parts() -> None:
    """Without its regulator a rail is dead, without a load it is not; no inlet, no rails."""
    assert abs(volts(removed={"REG1"})["+5V"]) < 0.1
    assert volts(removed={"U1"})["+5V"] == pytest.approx(5.0, abs=0.05)
    assert at("U1", "14") not in supply_voltages(BOARD, removed={"U1"})
    assert all(abs(value) < 0.1 for value in volts(removed={"J1"}).values())


def test_overload_of_an_outside_supply() -> None:
    """A short on a rail that comes from outside holds that supply at its limit and says so."""
    state = rail_voltages(BOARD, edit=Edit("add", net_a="+12V", net_b="GND", ohms=0.1))
    assert state["+12V"].volts < 1.0
    assert "J1 is at its current limit" in state["+12V"].text


@pytest.mark.parametrize("ohms", [0.3, 1.0, 2.0, 2.6, 3.0, 5.0, 50.0])
def test_more_load_never_means_more_voltage(ohms: float) -> None:
    """From a full short to a light load, a rail's voltage rises with the resistance put on it."""

    def read(value: float) -> float:
        return volts(Edit("add", net_a="+5V", net_b="GND", ohms=value))["+5V"]

    assert read(ohms) <= read(ohms * 1.2) + 1e-6 <= volts()["+5V"] + 1e-5


def test_regulator_with_too_little_at_its_input() -> None:
    """A resistive joint before the regulator drops it out, and the text says why."""
    edit = Edit("split", pins=frozenset({at("F1", "1")}), ohms=8.0)
    state = rail_voltages(BOARD, edit=edit)["+5V"]
    assert 2.0 < state.volts < 4.7
    assert "REG1 has too little at its input" in state.text


def test_spread_is_wider_before_a_regulator() -> None:
    """A regulated rail is known to a few per cent, an unregulated one far less well."""
    board = BOARD.with_(rails={**BOARD.rails, "VU": Rail("VU", 10.0, (8.0, 15.0))})
    state = rail_voltages(board)
    assert state["+5V"].spread == pytest.approx(0.1)  # +/-4 % READ, section 3, as two deviations
    assert state["VU"].spread >= 0.5


def test_board_without_rails_has_none() -> None:
    """A board that tells of no rails gives no voltages, and no error."""
    assert rail_voltages(Board()) == {}
    assert rail_voltages(random_board(1).with_(rails={})) == {}
    assert rail_voltages(Board(rails={"+5V": Rail("+5V", 5.0, (4.75, 5.25))})) == {}


def test_rail_that_nothing_is_known_to_feed_is_taken_as_fed() -> None:
    """A rail whose source the board does not tell is taken to come from a supply of its own."""
    board = random_board(2).with_(inlets=())
    assert rail_voltages(board)["+5V"].volts == pytest.approx(5.0, abs=0.3)


def test_pins_without_names_are_found_by_their_nets() -> None:
    """A regulator of unknown pins is read from its nets: the rail it makes, the ground, the rest."""
    kinds = {
        "reg": Kind("reg", category="regulator"),
        "gate": Kind("gate", category="logic", pins=(KindPin("1", "VCC", "P"), KindPin("2", "GND", "G"))),
    }
    board = Board(
        parts={"Q1": Part("Q1", "reg", "7805CT"), "U1": Part("U1", "gate")},
        nets={
            "IN": (Pin("Q1", "3"),), "GND": (Pin("Q1", "1"), Pin("U1", "2")),
            "+5": (Pin("Q1", "2"), Pin("U1", "1")),
        },
        rails={"+5": Rail("+5", 5.0, (4.75, 5.25), source="Q1.2")}, kinds=kinds,
    )  # fmt: skip
    assert rail_voltages(board)["+5"].volts == pytest.approx(5.0, abs=0.05)
    assert abs(rail_voltages(board, dead={"Q1"})["+5"].volts) < 0.1


@given(st.integers(0, 10**6))
def test_no_fault_breaks_the_solution(seed: int) -> None:
    """Any fault on any board gives finite voltages, none beyond the supplies."""
    rng = random.Random(seed)
    board = rng.choice((BOARD, random_board(seed % 30, chips=3, nets=12)))
    elements = [(pins[0], pins[1], ref) for ref, pins in board.pins_of.items() if len(pins) > 1]
    edit = random_edit(board, rng, tuple(elements))
    removed = frozenset(rng.sample(sorted(board.parts), rng.choice((0, 1, 2))))
    solved = power_network(board, removed).solve(edit)
    for net, rail in solved.rails.items():
        assert -12.5 <= rail.volts <= 12.5, (net, rail)
    for pin, value in solved.pins.items():
        assert -12.5 <= value <= 12.5, (pin, value)
