"""Deliberate changes, and the rules they may break."""

from __future__ import annotations

import copy
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright.board import Board, Kind, Pad, Part, Pin, Rail
from benchwright.board.changes import Cut, Fit, Lift, Link, Remove, apply, parse_change
from benchwright.board.kinds import load_kinds
from benchwright.board.rules import check_changes
from benchwright.errors import BadChange, UnknownName
from random_boards import random_board

P = Pin


def _board() -> Board:
    """Three gates in a row, supplies, a capacitor and a memory on two rails."""
    kinds: dict[str, Kind] = {
        name: load_kinds()[name] for name in ("74LS00", "resistor", "connector", "4164")
    }
    kinds["capacitor"] = Kind("capacitor", category="capacitor", family="passive")
    parts = {
        "U1": Part("U1", "74LS00", "74LS00"), "U2": Part("U2", "74LS00", "74LS00"),
        "J1": Part("J1", "connector"),
        "R1": Part("R1", "resistor", "10k", 10e3),
        "C1": Part("C1", "capacitor", "10u 16V", 1e-5, style="tantalum"),
    }  # fmt: skip
    nets = {
        "GND": (P("U1", "7"), P("U2", "7"), P("J1", "1"), P("C1", "2")),
        "+5V": (P("U1", "14"), P("U2", "14"), P("J1", "2"), P("R1", "1"), P("C1", "1")),
        "+12V": (P("J1", "3"), P("J1", "4")),
        "A": (P("U1", "3"), P("U2", "1"), P("U2", "4"), P("J1", "5")),
        "B": (P("U2", "3"), P("U1", "1"), P("R1", "2")),
        "C": (P("U2", "6"), P("J1", "6")),
    }  # fmt: skip
    places = {P("U1", "3"): 0.0, P("U2", "1"): 30.0, P("U2", "4"): 33.0, P("J1", "5"): 40.0}
    pads = (*(Pad(pin, "A", (x, 0.0)) for pin, x in places.items()), Pad(None, "A", (36.0, 1.0)))
    rails = {"+5V": Rail("+5V", 5.0, (4.75, 5.25), "J1.2"), "+12V": Rail("+12V", 12.0, (10.8, 13.2), "J1.3")}
    return Board(parts=parts, nets=nets, kinds=kinds, pads=pads, rails=rails, inlets=("J1",))


def _made(text: str, board: Board | None = None) -> Board:
    start = board or _board()
    return apply(start, [parse_change(start, text)])


def _rules(text: str) -> list[str]:
    return [found.rule for found in check_changes(_board(), _made(text))]


def test_a_cut_parts_the_net_between_its_pins() -> None:
    """Pins that are not named go with the nearer side, and pads and vias with their pins."""
    board = _made("cut U1.3 | U2.1")
    assert board.net_of[P("U2", "4")] == board.net_of[P("U2", "1")] == board.net_of[P("J1", "5")]
    assert board.net_of[P("U1", "3")] not in (board.net_of[P("U2", "1")], None)
    assert {pad.net for pad in board.pads if pad.at[0] > 20} == {board.net_of[P("U2", "1")]}


def test_a_cut_between_close_pins_leaves_the_far_ones_where_they_are() -> None:
    """Cutting between two neighbours takes along only what lies beyond."""
    board = _made("cut U2.1 | U2.4")
    assert board.net_of[P("U1", "3")] == board.net_of[P("U2", "1")] != board.net_of[P("U2", "4")]
    assert board.net_of[P("J1", "5")] == board.net_of[P("U2", "4")]


def test_named_sides_decide() -> None:
    """Pins named on a side are on it, wherever they lie."""
    board = _made("cut U1.3 J1.5 | U2.1 U2.4")
    assert board.net_of[P("U1", "3")] == board.net_of[P("J1", "5")]
    assert board.net_of[P("U2", "1")] == board.net_of[P("U2", "4")] != board.net_of[P("U1", "3")]


def test_a_cut_rail_keeps_its_name_where_it_is_fed() -> None:
    """The side with the source stays the rail; what is cut off loses its supply."""
    board = _made("cut J1.2 | U1.14 U2.14 R1.1 C1.1")
    assert board.nets["+5V"] == (P("J1", "2"),)
    assert _rules("cut J1.2 R1.1 C1.1 U2.14 | U1.14") == ["supply lost"]


def test_link_joins_nets_pads_and_loose_pins() -> None:
    """A wire makes one net of two under the weightier name, and puts a loose pin on a net."""
    board = _made("link U1.3 C")
    assert set(board.nets["A"]) == set(_board().nets["A"]) | set(_board().nets["C"])
    assert "C" not in board.nets
    assert _made("link U1.12 A").net_of[P("U1", "12")] == "A"
    loose = _made("link U1.12 U2.12")
    assert loose.net_of[P("U1", "12")] == loose.net_of[P("U2", "12")]
    assert "GND" in _made("link A GND").nets


def test_lift_takes_one_pin_off_and_leaves_its_pad() -> None:
    """A lifted pin is on no net; the bare pad stays copper of the net."""
    board = _made("lift U2.4")
    assert P("U2", "4") not in board.net_of
    assert len([pad for pad in board.pads if pad.net == "A"]) == 5


def test_fit_adds_a_part_by_pins_in_order_or_by_name() -> None:
    """A fitted part is of the kind its value says and sits on the points named."""
    board = _made("fit R90 10k U1.12 +5V")
    assert board.parts["R90"].size == pytest.approx(10_000)
    assert board.net_of[P("R90", "2")] == "+5V"
    assert board.net_of[P("R90", "1")] == board.net_of[P("U1", "12")]
    gate = _made("fit U9 74LS04 VCC=+5V GND=GND 1=A")
    assert (gate.net_of[P("U9", "14")], gate.net_of[P("U9", "7")]) == ("+5V", "GND")
    assert gate.kind_of("U9").name == "74LS04"


def test_fit_in_place_changes_the_kind_and_keeps_the_pins() -> None:
    """A substitute goes where the old part was; one with other pins does not fit."""
    board = _made("fit U1 74HCT00")
    assert board.kind_of("U1").family == "hct"
    assert board.nets == _board().nets
    with pytest.raises(BadChange, match="no pin"):
        _made("fit U1 7805")


def test_remove_takes_a_part_with_all_its_pins() -> None:
    """A removed part is on no net and in no block; its pads are bare copper."""
    board = _made("remove U2")
    assert "U2" not in board.parts
    assert all(pin.ref != "U2" for pin in board.net_of)
    assert len([pad for pad in board.pads if pad.net == "A"]) == 5


def test_plus_and_minus_are_pins_of_a_polarised_part() -> None:
    """C1.- is the minus of a capacitor, by the practice that pin 1 is the plus."""
    change = parse_change(_board(), "link C C1.-")
    assert change == Link("C", "C1.2")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "not a change"),
        ("solder U1.3", "not a change"),
        ("cut U1.3", "either side"),
        ("cut A", "4 pins"),
        ("cut U1.3 | U2.3", "not on one net"),
        ("cut U1.3 | U1.3", "no pin on both"),
        ("cut U1.12 | U1.3", "no net"),
        ("link A", "two points"),
        ("link U1.3 U2.1", "joined already"),
        ("lift U1.12", "changes nothing"),
        ("fit R1 10k A B", "already"),
        ("fit U8 74LS04", "no U8"),
        ("fit R90", "reference, value"),
        ("fit R90 10k 1=A 1=B", "named twice"),
        ("remove U1 U2", "one reference"),
    ],
)
def test_what_cannot_be_done_is_said(text: str, told: str) -> None:
    """A change that makes no sense on this board is refused, with the reason."""
    with pytest.raises(BadChange, match=told):
        _made(text)


@pytest.mark.parametrize(
    "text", ["lift U77.1", "link A NOWHERE", "remove U77", "cut U1.3 | U77.1", "lift U1.99"]
)
def test_unknown_names_are_said(text: str) -> None:
    """A part, pin or net that is not there is named."""
    with pytest.raises(UnknownName):
        _made(text)


@pytest.mark.parametrize(
    ("text", "rule"),
    [
        ("link U1.3 U2.6", "outputs joined"),
        ("link C +5V", "outputs joined"),
        ("lift U2.1", "input floating"),
        ("cut U1.3 J1.5 | U2.1 U2.4", "input floating"),
        ("link +5V GND", "rails joined"),
        ("link +5V +12V", "rails joined"),
        ("fit C9 10uF/25V GND +5V", "polarity"),
        ("fit C9 10u/10V +12V GND", "rating"),
        ("fit R9 100 +12V GND", "rating"),
        ("fit U9 74LS04 VCC=+12V GND=GND", "rating"),
        ("lift U1.7", "supply lost"),
    ],
)
def test_rules_tell_what_a_change_breaks(text: str, rule: str) -> None:
    """Each rule is told for a change that breaks it."""
    board = _made(text)
    if rule == "polarity":  # the parts list's words for a tantalum differ; the style decides
        parts = {**board.parts, "C9": Part("C9", board.parts["C9"].kind, "10u 25V", 1e-5, style="tantalum")}
        board = board.with_(parts=parts)
    found = {violation.rule for violation in check_changes(_board(), board)}
    assert rule in found


@pytest.mark.parametrize(
    "text", ["cut U2.6 | J1.6", "link U1.12 GND", "fit R9 4k7 C +5V", "fit C9 100n +5V GND", "fit U1 74HCT00"]
)
def test_sound_changes_break_no_rule(text: str) -> None:
    """A pull-up, a decoupling capacitor, a tied-off input, a cut to a connector, a substitute are fine."""
    assert check_changes(_board(), _made(text)) == []


def test_every_change_says_how_it_is_proved_and_undone() -> None:
    """Each change lists readings with what they show before and after, and how to put it back."""
    board = _board()
    for text in (
        "cut U1.3 | U2.1",
        "link U1.3 C",
        "lift U2.4",
        "fit R90 10k C +5V",
        "remove U2",
        "fit U1 74HCT00",
    ):
        change = parse_change(board, text)
        assert change.undo_text
        for _, first, _, was, will_be in change.proof(board):
            assert first
            assert was != will_be
        assert parse_change(board, change.text) == change


def _drawn(seed: int, verb: str) -> tuple[Board, Cut | Link | Lift | Remove | Fit]:
    """A random board and a change of one sort that can be made on it."""
    rng = random.Random(seed)
    board = random_board(seed, chips=3, nets=10, passives=6)
    net = rng.choice([net for net, pins in board.nets.items() if len(pins) > 1])
    one, two = rng.sample(board.nets[net], 2)
    other = rng.choice([name for name in board.nets if name != net])
    made: dict[str, Cut | Link | Lift | Remove | Fit] = {
        "cut": Cut((one,), (two,)), "link": Link(net, other), "lift": Lift(one), "remove": Remove(one.ref),
        "fit": Fit("R900", "10k", (("1", net), ("2", other))),
    }  # fmt: skip
    return board, made[verb]


@given(st.integers(0, 10**6), st.sampled_from(["cut", "link", "lift", "remove", "fit"]))
def test_changes_leave_the_board_before_alone(seed: int, verb: str) -> None:
    """Nothing is edited in place, each pin stays on one net at most, and no other pin is lost."""
    board, change = _drawn(seed, verb)
    kept = copy.deepcopy(board)
    after = apply(board, [change])
    assert board == kept
    pins = [pin for pins in after.nets.values() for pin in pins]
    assert len(pins) == len(set(pins))
    lost = {
        "lift": {pin for pin in board.net_of if isinstance(change, Lift) and pin == change.pin},
        "remove": {pin for pin in board.net_of if isinstance(change, Remove) and pin.ref == change.ref},
    }.get(verb, set())
    assert set(board.net_of) - set(after.net_of) == lost
    assert set(after.rails) <= set(after.nets)


@given(st.integers(0, 10**6))
def test_a_cut_is_undone_by_a_link(seed: int) -> None:
    """Linking across a cut gives the same connections as before, under the same names."""
    board, change = _drawn(seed, "cut")
    assert isinstance(change, Cut)
    parted = apply(board, [change])
    assert len(parted.nets) == len(board.nets) + 1
    after = apply(parted, [Link(str(change.a[0]), str(change.b[0]))])
    assert {net: set(pins) for net, pins in after.nets.items()} == {
        net: set(pins) for net, pins in board.nets.items()
    }
