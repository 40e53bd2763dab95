"""The finder as a whole: readings in, suspects and checks out."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchwright import FaultFinder, Reading
from benchwright.board import Board, Pin
from benchwright.demo.virtual_unit import Harm, VirtualUnit
from benchwright.errors import BadReading, UnknownName
from random_boards import random_board


@pytest.fixture(scope="module")
def board() -> Board:
    return random_board(11, chips=8, nets=40, passives=24)


def signal_nets(board: Board, least_pins: int = 3) -> list[str]:
    return [
        net
        for net, pins in board.nets.items()
        if len(pins) >= least_pins and net != board.ground and net not in board.rails
    ]


def soldered_pin(board: Board, net: str) -> Pin:
    return next(pin for pin in board.nets[net] if board.kind_of(pin.ref).category == "logic")


def test_open_joint_is_named_from_two_readings(board: Board) -> None:
    """A leg that does not beep to the rest of its net, while the rest beeps, is the first suspect."""
    net = next(
        n
        for n in signal_nets(board, 4)
        if any(board.kind_of(p.ref).category == "logic" for p in board.nets[n])
    )
    leg = soldered_pin(board, net)
    others = [pin for pin in board.nets[net] if pin != leg]
    finder = FaultFinder(board)
    finder.record(Reading("resistance", str(leg), str(others[0]), "OL"))
    finder.record(Reading("resistance", str(leg), str(others[1]), "OL"))
    for other in others[1:]:
        finder.record(Reading("resistance", str(others[0]), str(other), "0.3"))
    first = finder.suspects(1)[0]
    assert first.nets == (net,)
    assert str(leg) in first.pins
    assert first.mode in ("open", "poor contact")
    assert first.probability > 0.9
    assert any("OL" in because for because in first.because)


def test_bridge_is_named_by_its_two_nets(board: Board) -> None:
    """Two neighbouring nets that read half an ohm, neither low to ground, are told as bridged."""
    finder = FaultFinder(board)
    fault = next(
        f
        for f in finder.faults
        if f.mode == "bridge" and len(f.nets) == 2 and not {*f.nets} & {board.ground, *board.rails}
    )
    a, b = fault.nets
    pin_a, pin_b = board.nets[a][0], board.nets[b][0]
    finder.record(Reading("resistance", str(pin_a), str(pin_b), "0R6"))
    finder.record(Reading("resistance", str(pin_b), "GND", "25k"))
    first = finder.suspects(1)[0]
    assert set(first.nets) == {a, b}
    assert first.mode == "bridge"
    assert first.probability > 0.6


def test_undo_restores_the_belief(board: Board) -> None:
    """Undo brings back exactly the suspects from before the reading."""
    finder = FaultFinder(board)
    net = signal_nets(board)[0]
    finder.record(Reading("resistance", str(board.nets[net][0]), "GND", "22k"))
    before = [(s.text, s.probability) for s in finder.suspects(20)]
    finder.record(Reading("resistance", str(board.nets[net][1]), "GND", "0.4"))
    assert [(s.text, s.probability) for s in finder.suspects(20)] != before
    finder.undo()
    after = [(s.text, s.probability) for s in finder.suspects(20)]
    assert [text for text, _ in after] == [text for text, _ in before]
    assert [p for _, p in after] == pytest.approx([p for _, p in before], rel=1e-6)


def test_one_mistyped_reading_is_pointed_out(board: Board) -> None:
    """A dead short typed by mistake is outvoted by the readings around it, and named as odd."""
    finder = FaultFinder(board)
    net = next(n for n in signal_nets(board, 5))
    pins = board.nets[net]
    finder.record(Reading("resistance", str(pins[0]), "GND", "0.3"))
    for pin in pins[1:5]:
        finder.record(Reading("resistance", str(pin), "GND", "30k"))
        finder.record(Reading("resistance", str(pins[0]), str(pin), "0.2"))
    odd = finder.odd_readings()
    assert [reading.value for reading, _ in odd] == ["0.3"]
    assert "take it again" in odd[0][1]


def test_two_faults_at_once_are_both_found(board: Board) -> None:
    """Two unrelated hard faults end as the two leading suspects."""
    finder = FaultFinder(board)
    bridge = next(
        f
        for f in finder.faults
        if f.mode == "bridge" and len(f.nets) == 2 and not {*f.nets} & {board.ground, *board.rails}
    )
    net = next(n for n in signal_nets(board, 4) if n not in bridge.nets)
    leg, *others = board.nets[net]
    a, b = (board.nets[n][0] for n in bridge.nets)
    for _ in range(2):
        finder.record(Reading("resistance", str(a), str(b), "0.5"))
    for other in others:
        finder.record(Reading("resistance", str(leg), str(other), "OL"))
    top = finder.suspects(2)
    assert {frozenset(s.nets) for s in top} == {frozenset(bridge.nets), frozenset((net,))}
    assert min(s.probability for s in top) > 0.5


def test_cleaning_clears_a_suspicion_only_if_it_could_help(board: Board) -> None:
    """After the part was cleaned and the short is gone, the bridge is no longer believed to be there."""
    finder = FaultFinder(board)
    bridge = next(
        f
        for f in finder.faults
        if f.mode == "bridge" and len(f.nets) == 2 and not {*f.nets} & {board.ground, *board.rails}
    )
    a, b = (str(board.nets[n][0]) for n in bridge.nets)
    finder.record(Reading("resistance", a, b, "0.5"))
    finder.record(Reading("resistance", a, b, "0.5"))
    assert finder.suspects(1)[0].probability > 0.8
    finder.record(Reading("cleaned", bridge.parts[0]))
    finder.record(Reading("resistance", a, b, "300k"))
    assert finder.suspects(1)[0].probability < 0.3


def test_pulling_the_part_frees_it_of_suspicion(board: Board) -> None:
    """A short that stays when the chip is out is not inside that chip."""
    finder = FaultFinder(board)
    chip = next(
        f for f in finder.faults if f.mode == "pin shorted to ground" and len(board.nets[f.nets[0]]) >= 3
    )
    net = chip.nets[0]
    other = next(pin for pin in board.nets[net] if pin.ref != chip.parts[0])
    finder.record(Reading("resistance", str(other), "GND", "12"))
    finder.record(Reading("resistance", str(other), "GND", "12"))
    inside = _part_chance(finder, chip.parts[0])
    assert inside > 0.03
    finder.record(Reading("resistance", str(other), "GND", "12", removed=[chip.parts[0]]))
    assert _part_chance(finder, chip.parts[0]) < 0.2 * inside
    finder.undo()
    finder.record(Reading("resistance", str(other), "GND", "22k", removed=[chip.parts[0]]))
    assert _part_chance(finder, chip.parts[0]) > max(0.4, 2 * inside)


def _part_chance(finder: FaultFinder, ref: str) -> float:
    places, _, _ = finder.place_chances()
    return float(places[finder.places.index(("part", ref))])


def test_good_unit_reading_replaces_the_models_centre(board: Board) -> None:
    """A reading far from the model is no news if a good unit reads the same."""
    net = signal_nets(board, 4)[1]
    pin = str(board.nets[net][0])
    plain, taught = FaultFinder(board), FaultFinder(board)
    taught.record(Reading("resistance", pin, "GND", "900", good_unit=True))
    for finder in (plain, taught):
        finder.record(Reading("resistance", pin, "GND", "900"))

    def on_net(finder: FaultFinder) -> float:
        chance = finder.place_chances()[1]
        return sum(
            float(p)
            for p, f in zip(chance, finder.faults, strict=True)
            if net in f.nets and f.edit.action == "add"
        )

    assert on_net(taught) < on_net(plain)


def test_checks_are_complete_and_honest(board: Board) -> None:
    """Each proposed check says what, where, how long, and its outcomes' chances sum to one."""
    finder = FaultFinder(board)
    checks = finder.next_checks(12)
    assert len(checks) == 12
    for check in checks:
        assert check.minutes > 0
        assert check.bits > 0
        assert check.text
        assert sum(outcome.probability for outcome in check.outcomes) == pytest.approx(1.0, abs=0.02)
        value = {"look": "nothing", "logic": "toggling"}.get(check.quantity, "OL")
        finder.record(Reading(check.quantity, check.a, check.b, value, check.power, check.removed))
        finder.undo()


def test_a_check_is_not_proposed_twice(board: Board) -> None:
    """What was measured in this state is not proposed again; what cannot be done neither."""
    finder = FaultFinder(board)
    unit = VirtualUnit(board, [], np.random.default_rng(2))
    seen = set()
    for _ in range(12):
        check = finder.next_checks(1)[0]
        key = (check.quantity, check.a, check.b, tuple(check.removed))
        assert key not in seen
        seen.add(key)
        if len(seen) % 3 == 0:
            finder.cannot(check)
            continue
        value = unit.answer(check.quantity, check.a, check.b, check.power, check.removed)
        finder.record(Reading(check.quantity, check.a, check.b, value, check.power, check.removed))


@pytest.mark.parametrize("seed", range(6))
def test_planted_fault_is_found_by_following_the_proposals(board: Board, seed: int) -> None:
    """A make-believe unit with one planted fault, measured as proposed, gives up its fault."""
    rng = np.random.default_rng(seed)
    nets = signal_nets(board, 3)
    net = nets[seed * 5 % len(nets)]
    leg = board.nets[net][seed % 3]
    harm = Harm("joint", (leg.ref,), (leg,), (net,), 0.0, {leg.ref: "cracked"}, frozenset((leg,)))
    unit = VirtualUnit(board, [harm], rng)
    finder = FaultFinder(board)
    for _ in range(150):
        checks = finder.next_checks(1)
        if not checks:
            break
        check = checks[0]
        value = unit.answer(check.quantity, check.a, check.b, check.power, check.removed)
        finder.record(Reading(check.quantity, check.a, check.b, value, check.power, check.removed))
    first = finder.suspects(1)[0]
    assert first.nets == (net,)
    assert str(leg) in first.pins
    assert finder.advice().due == "mend"


def test_continuity_answers_the_resistance_check_of_the_same_points(board: Board) -> None:
    """Continuity recorded between two points takes the same resistance check off the list."""
    finder = FaultFinder(board, quantities=("resistance",))
    check = next(c for c in finder.next_checks(200) if c.spot.net_a == c.spot.net_b)
    finder.record(Reading("continuity", check.a, check.b, "no beep"))
    left = {frozenset((c.a, c.b)) for c in finder.next_checks(2000)}
    assert frozenset((check.a, check.b)) not in left


def test_powered_checks_wait_for_the_rails(board: Board) -> None:
    """No check with the power on is proposed before the rails were measured against ground."""
    finder = FaultFinder(board, quantities=("resistance", "voltage"))
    assert all(not check.power for check in finder.next_checks(200))


@pytest.mark.parametrize(
    ("reading", "error", "words"),
    [
        (Reading("resistance", "U99.1", "GND", "1k"), UnknownName, "U99"),
        (Reading("resistance", "U1.999", "GND", "1k"), UnknownName, "999"),
        (Reading("resistance", "GND", "GND", "1k"), BadReading, "different points"),
        (Reading("resistance", "U1.1", "GND", "lots"), BadReading, "lots"),
        (Reading("resistance", "U1.1", "GND", math.nan), BadReading, "nan"),
        (Reading("look", "U1", value="purple"), BadReading, "debris"),
        (Reading("taste", "U1", value="bad"), BadReading, "taste"),
        (Reading("logic", "U1.1", value="maybe"), BadReading, "toggling"),
        (Reading("resistance", "U1.1", "GND", "1k", power=True), BadReading, "power off"),
        (Reading("resistance", "U1.1", "GND", "-3"), BadReading, "discharge"),
        (Reading("resistance", "", "GND", "1k"), BadReading, "point"),
        (Reading("resistance", "U1.1", "GND", None), BadReading, "None"),  # type: ignore[arg-type]
    ],
)
def test_bad_readings_are_refused_with_words_that_help(
    board: Board, reading: Reading, error: type[Exception], words: str
) -> None:
    """A reading that makes no sense says what is wrong with it, and changes nothing."""
    finder = FaultFinder(board)
    with pytest.raises(error, match=words):
        finder.record(reading)
    assert finder.readings == ()


@pytest.mark.parametrize(("volts", "word"), [("0.3", "low"), ("1.4", "between"), ("3.6 V", "high")])
def test_volts_on_a_logic_line_say_what_the_probe_would(board: Board, volts: str, word: str) -> None:
    """A voltmeter on a signal is taken in: a line near ground speaks as low, near the supply as high."""
    point = str(board.nets[signal_nets(board)[0]][0])
    finder = FaultFinder(board)
    before = finder.belief.posterior()[0]
    finder.record(Reading("voltage", point, "GND", volts, power=True))
    outcome, note = finder.entries[0].outcome, finder.belief.steps[0]
    assert note.sound == outcome.log_likelihood(word)[0]
    assert (finder.belief.posterior()[0] != before).any()
