"""Readings typed in one line, as people at a bench write them."""

from __future__ import annotations

import contextlib
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright.board import Board
from benchwright.circuit import BoardState
from benchwright.demo import fulmar65
from benchwright.errors import BadReading, BenchwrightError, UnknownName
from benchwright.finding import Reading
from benchwright.finding.entry import HELP, StateChange, parse_entry
from benchwright.finding.reading import understand

BOARD = fulmar65.board()
OFF, ON = BoardState.of(False), BoardState.of(True)


def read(line: str, state: BoardState = OFF, board: Board = BOARD) -> tuple[object, ...]:
    """Quantity, points, value (understood), power and parts out of a typed reading."""
    entry = parse_entry(board, line, state)
    assert isinstance(entry, Reading)
    spot, value = understand(board, entry)
    a = spot.part or (str(spot.pin_a) if spot.pin_a else spot.net_a) or spot.phrase
    b = str(spot.pin_b) if spot.pin_b else spot.net_b or ""
    return spot.quantity, a, b, value, spot.state.powered, tuple(sorted(spot.state.removed))


@pytest.mark.parametrize(
    ("line", "meant"),
    [
        ("U3.14 GND 0R8", ("resistance", "U3.14", "GND", 0.8, False, ())),
        ("U3.14 4k7", ("resistance", "U3.14", "GND", 4700.0, False, ())),
        ("U3.14: 4k7", ("resistance", "U3.14", "GND", 4700.0, False, ())),
        ("U3.14 = 4k7", ("resistance", "U3.14", "GND", 4700.0, False, ())),
        ("U3.14, U5.2, 4,7k", ("resistance", "U3.14", "U5.2", 4700.0, False, ())),
        ("U3.14,U5.2,0.4", ("resistance", "U3.14", "U5.2", 0.4, False, ())),
        ("u3.14 ma5 OL", ("resistance", "U3.14", "MA5", math.inf, False, ())),
        ("U3.14 U5.2 open", ("resistance", "U3.14", "U5.2", math.inf, False, ())),
        ("resistance U3.14 GND 12 ohm", ("resistance", "U3.14", "GND", 12.0, False, ())),
        ("U3.14 U5.2 beep", ("continuity", "U3.14", "U5.2", 1.0, False, ())),
        ("U3.14 U5.2 no beep", ("continuity", "U3.14", "U5.2", math.inf, False, ())),
        ("beep U3.14 U5.2 yes", ("continuity", "U3.14", "U5.2", 1.0, False, ())),
        ("+5V 5.18", ("voltage", "+5V", "GND", 5.18, True, ())),
        ("-12V -11.8", ("voltage", "-12V", "GND", -11.8, True, ())),
        ("+5V GND 0R8", ("resistance", "+5V", "GND", 0.8, False, ())),
        ("+5V 220", ("resistance", "+5V", "GND", 220.0, False, ())),
        ("+5V GND 4.9 V", ("voltage", "+5V", "GND", 4.9, True, ())),
        ("U3.14 2.1V", ("voltage", "U3.14", "GND", 2.1, True, ())),
        ("v U3.14 2.1", ("voltage", "U3.14", "GND", 2.1, True, ())),
        ("U3.14 1 MHz", ("frequency", "U3.14", "GND", 1e6, True, ())),
        ("current 0.9 A", ("current", "", "", 0.9, True, ())),
        ("diode GND U3.14 0.62", ("diode", "GND", "U3.14", 0.62, False, ())),
        ("U3.14 toggling", ("logic", "U3.14", "GND", "toggling", True, ())),
        ("logic U3.14 0", ("logic", "U3.14", "GND", "low", True, ())),
        ("look U5 debris", ("look", "U5", "", "debris", False, ())),
        ("U5 debris", ("look", "U5", "", "debris", False, ())),
        ("looked U5: debris", ("look", "U5", "", "debris", False, ())),
        ("look U5.3 dry joint", ("look", "U5", "", "cracked", False, ())),
        ("look U5", ("look", "U5", "", "nothing", False, ())),
        ("U5 hot", ("heat", "U5", "", "hot", True, ())),
        ("smell burnt", ("smell", "", "", "burnt", False, ())),
        ("shows no picture", ("symptom", "no picture", "", "yes", True, ())),
        ("symptom: black screen", ("symptom", "black screen", "", "yes", True, ())),
        ("cleaned U5", ("cleaned", "U5", "", "cleaned", False, ())),
        ("reflowed U5.3", ("reflowed", "U5", "", "reflowed", False, ())),
        ("reseated U5", ("reseated", "U5", "", "reseated", False, ())),
        ("swapped u5", ("replaced", "U5", "", "replaced", False, ())),
    ],
)
def test_a_line_means_what_a_person_means(line: str, meant: tuple[object, ...]) -> None:
    """Each way of writing a reading gives its quantity, points, value and board state."""
    assert read(line) == meant


def test_the_help_shows_only_lines_that_are_understood() -> None:
    """Every example in the help is read without an error (state changes included)."""
    out = BoardState.of(False, ["U5", "U7"])
    lines = [line.split("  ")[0].strip() for line in HELP.splitlines() if line.strip()]
    examples = [part for line in lines for part in line.replace(" / ", ", ").split(", ") if part]
    assert len(examples) > 12
    for example in examples:
        entry = parse_entry(BOARD, example, out)
        if isinstance(entry, Reading):
            understand(BOARD, entry)


def test_parts_go_out_and_come_back() -> None:
    """What is out is remembered for the readings that follow, and the power is off while it is pulled."""
    change = parse_entry(BOARD, "out U5 u7", ON)
    assert isinstance(change, StateChange)
    assert change.state == BoardState.of(False, ["U5", "U7"])
    assert read("U3.14 4k7", change.state)[-1] == ("U5", "U7")
    back = parse_entry(BOARD, "in U7", change.state)
    assert isinstance(back, StateChange)
    assert back.state == BoardState.of(False, ["U5"])
    everything = parse_entry(BOARD, "back", change.state)
    assert isinstance(everything, StateChange)
    assert everything.state == OFF


def test_with_the_power_on_a_bare_number_is_volts() -> None:
    """After 'power on' a number without a unit is a voltage; an ohm value still is a resistance."""
    change = parse_entry(BOARD, "power on", OFF)
    assert isinstance(change, StateChange)
    assert read("U3.14 2.4", change.state)[0] == "voltage"
    assert read("U3.14 4R7", change.state)[:4] == ("resistance", "U3.14", "GND", 4.7)
    assert read("U3.14 4k7", change.state)[:4] == ("resistance", "U3.14", "GND", 4700.0)
    assert read("U3.14 OL", change.state)[0] == "resistance"
    change = parse_entry(BOARD, "power off", change.state)
    assert isinstance(change, StateChange)
    assert change.state == OFF


def test_nets_may_be_called_in_and_out() -> None:
    """On a board with nets OUT and IN a reading of them is no pulling of parts."""
    names = {"MA5": "OUT", "MA6": "IN"}
    nets = {names.get(net, net): pins for net, pins in BOARD.nets.items()}
    board = BOARD.with_(nets=nets)
    assert read("out GND 4k7", board=board)[:4] == ("resistance", "OUT", "GND", 4700.0)
    assert read("IN 4k7", board=board)[:4] == ("resistance", "IN", "GND", 4700.0)
    assert isinstance(parse_entry(board, "out U5", OFF), StateChange)


@pytest.mark.parametrize(
    ("line", "error", "words"),
    [
        ("", BadReading, "nothing was typed.*U3.14 GND 0R8"),
        (" : , = ", BadReading, "expected points and a value"),
        ("hello", BadReading, "hello.*expected points and a value"),
        ("U3.14 GND lots", BadReading, "lots.*4k7"),
        ("U3.14 GND", BadReading, "expected a number"),
        ("diode GND", BadReading, "no value.*diode U3.14 GND"),
        ("out", BadReading, "names no part.*out U7"),
        ("in", BadReading, "no part is out"),
        ("out U99", UnknownName, "U99"),
        ("U3.99 GND 4k7", UnknownName, "99"),
        ("MA55 GND 4k7", UnknownName, "MA5"),
        ("look U99 debris", UnknownName, "U99"),
        ("resistance U3.14 GND 5 V", BadReading, "5 V.*volt, expected ohm"),
        ("look U5 purple", BadReading, "purple.*debris"),
        ("shows purple rain", BadReading, "purple rain.*no picture"),
        ("shows", BadReading, "no picture"),
        ("logic U3.14 maybe", BadReading, "maybe.*toggling"),
    ],
)
def test_a_bad_line_is_refused_with_words_that_help(
    line: str, error: type[BenchwrightError], words: str
) -> None:
    """The error says what was seen and shows what was expected."""
    with pytest.raises(error, match=words):
        read(line)


WORDS = st.sampled_from(
    ["U3.14", "U5", "GND", "+5V", "MA5", "U99", "U3.99", ".", "out", "in", "look", "shows", "r", "v", "a",
     "hot", "diode", "cleaned", "current", "logic", "smell", "power", "on", "4k7", "OL", "0R8", "-3", "5 V",
     "1e999", "debris", "toggling", "beep", "no", ":", "=", ",", "nan", "4,7k", "symptom", "no picture"]
)  # fmt: skip


@given(line=st.one_of(st.text(max_size=40), st.lists(WORDS, max_size=5).map(" ".join)), powered=st.booleans())
def test_any_text_is_a_reading_or_one_clear_error(line: str, powered: bool) -> None:
    """Whatever is typed, there is an entry that can be recorded, or an error of our own with words in it."""
    try:
        entry = parse_entry(BOARD, line, BoardState.of(powered))
        value = understand(BOARD, entry)[1] if isinstance(entry, Reading) else "changed"
    except BenchwrightError as problem:
        value = str(problem)
    assert value != ""
    assert isinstance(value, float | str)
    assert not (isinstance(value, float) and math.isnan(value))


@given(line=st.lists(WORDS, min_size=1, max_size=4).map(" ".join))
def test_state_changes_name_only_parts_of_the_board(line: str) -> None:
    """Nothing that is not on the board can be out."""
    with contextlib.suppress(BenchwrightError):
        entry = parse_entry(BOARD, line, OFF)
        if isinstance(entry, StateChange):
            assert entry.state.removed <= set(BOARD.parts)
