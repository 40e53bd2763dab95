"""Belief about a board's lines: repeats are no new witnesses, and the order of readings hides nothing."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright import FaultFinder, Reading
from benchwright.board import Board
from benchwright.demo import fulmar65
from benchwright.finding.outcomes import Spread, bend_of, soft_shift


@pytest.fixture(scope="module")
def board() -> Board:
    return fulmar65.board()


@pytest.fixture(scope="module")
def finder(board: Board) -> FaultFinder:
    return FaultFinder(board)


@given(st.floats(1.0, 1e5), st.floats(1.0, 1e5), st.floats(1.0, 1e5), st.floats(-5.0, 5.0))
def test_soft_shift_is_exact_for_a_resistor_in_series_with_a_shunted_junction(
    series: float, shunt: float, junction: float, off: float
) -> None:
    """R(t) = A + (B parallel to t S): the closed form of two resistors and one junction."""

    def ohms(t: float) -> float:
        return series + shunt * junction * t / (shunt + junction * t)

    # dR/dt at t = 1 by hand: B^2 S / (B + S)^2.
    soft = shunt**2 * junction / (shunt + junction) ** 2 / ohms(1.0)
    bend = bend_of(np.array([soft]), np.array([ohms(1.0)]), np.array([series + shunt]))
    moved, _ = soft_shift(np.array([soft]), off, 0.0, bend)
    assert float(moved[0]) == pytest.approx(math.log(ohms(math.exp(off)) / ohms(1.0)), abs=1e-6)


def alike_lines(finder: FaultFinder, least: int) -> list[str]:
    kinds: dict[str, list[str]] = {}
    for net in finder.board.nets:
        if net != finder.board.ground and net not in finder.board.rails:
            kinds.setdefault(finder.predictor._line_key(net), []).append(net)
    return next(nets for nets in kinds.values() if len(nets) >= least)


@pytest.mark.parametrize("stuck_first", [True, False])
def test_a_stuck_line_stands_out_among_alike_lines_whenever_it_was_read(
    finder: FaultFinder, stuck_first: bool
) -> None:
    """A line at 40 ohms, read twice, and seven alike at some kilohms: a short on it, in either order."""
    finder.start_over()
    stuck, *others = alike_lines(finder, 8)[:8]
    readings = [Reading("resistance", net, "GND", f"{4.1 + 0.05 * n:.2f}k") for n, net in enumerate(others)]
    twice = [Reading("resistance", str(pin), "GND", "40") for pin in finder.board.nets[stuck][:2]]
    readings = [*twice, *readings] if stuck_first else [*readings, *twice]
    for reading in readings:
        finder.record(reading)
    low = [
        f
        for f in range(len(finder.faults))
        if stuck in finder.faults[f].nets and finder.faults[f].edit.action == "add"
    ]
    assert finder.place_chances()[1][low].sum() > 0.6


def test_a_rail_read_at_many_parts_is_one_witness(finder: FaultFinder, board: Board) -> None:
    """A rail somewhat below the model, read at six more pairs of pins, is no likelier shorted than at one."""
    finder.start_over()
    rail = next(net for net in board.rails if len(board.nets[net]) > 20)
    sound = finder._entry(Reading("resistance", rail, "GND", "100")).outcome
    assert isinstance(sound, Spread)
    value = f"{(math.exp(sound.mean0) - 0.5) / 3.0:.1f}"
    shorts = [
        f
        for f, fault in enumerate(finder.faults)
        if fault.edit.action == "add" and {rail, board.ground} <= set(fault.nets)
    ]
    finder.record(Reading("resistance", rail, "GND", value))
    once = float(finder.place_chances()[1][shorts].sum())
    parts = [
        ref
        for ref, pins in board.pins_of.items()
        if len(pins) == 2 and {board.net_of.get(pin) for pin in pins} == {rail, board.ground}
    ][:6]
    assert len(parts) == 6
    for ref in parts:
        one, two = (str(pin) for pin in board.pins_of[ref])
        finder.record(Reading("resistance", one, two, value))
    again = float(finder.place_chances()[1][shorts].sum())
    assert again < 1.5 * once + 0.02


def test_a_rail_that_stays_low_with_a_part_out_frees_that_part(finder: FaultFinder, board: Board) -> None:
    """A hard short that stays with a capacitor out was not in it; one that goes was."""
    rail = next(net for net in board.rails if len(board.nets[net]) > 20)
    ref = next(
        ref
        for ref, pins in board.pins_of.items()
        if board.kind_of(ref).category == "capacitor"
        and {board.net_of.get(pin) for pin in pins} == {rail, board.ground}
    )
    place = finder.places.index(("part", ref))
    shown = {}
    for value in ("1.1", "48"):
        finder.start_over()
        for _ in range(2):
            finder.record(Reading("resistance", rail, "GND", "1.1"))
        before = float(finder.place_chances()[0][place])
        finder.record(Reading("resistance", rail, "GND", value, removed=(ref,)))
        shown[value] = float(finder.place_chances()[0][place])
    assert shown["1.1"] < 0.1 * before
    assert shown["48"] > 0.9


def test_a_short_read_from_two_ends_of_a_rail_is_no_break_in_it(finder: FaultFinder, board: Board) -> None:
    """Tracks have ohms: a short reads one ohm less at the end that is nearer to it, and no track is open."""
    finder.start_over()
    rail = next(net for net in board.rails if len(board.nets[net]) > 20)
    placed = sorted(
        (pin for pin in board.nets[rail] if pin in board.pads_of), key=lambda pin: sum(board.pads_of[pin].at)
    )
    finder.record(Reading("resistance", str(placed[0]), "GND", "2.2"))
    finder.record(Reading("resistance", str(placed[-1]), "GND", "1.4"))
    finder.record(Reading("resistance", str(placed[0]), "GND", "2.1"))
    chance = finder.place_chances()[1]
    opens = [
        f for f, fault in enumerate(finder.faults) if fault.edit.action == "split" and rail in fault.nets
    ]
    assert chance[opens].sum() < 0.1
