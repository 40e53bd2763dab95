"""Lines as people jot them down at the bench, and the events that they become."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright.errors import BenchwrightError
from benchwright.jobs import bodies
from benchwright.jobs.bodies import AnyBody, Price, State
from benchwright.jobs.entry import BadEntry, Desk, read_line, read_lines
from benchwright.jobs.experience import key_of
from benchwright.jobs.state import JobState
from benchwright.jobs.telling import tell, tell_value

BOARD = """
[board]
name = "Small"
[parts]
U5 = { kind = "74LS157", socket = true }
U7 = { kind = "4116" }
R1 = { kind = "resistor", value = "4k7" }
[nets]
GND = ["U5.8", "U7.16"]
"+5V" = ["U5.16", "R1.1", "U7.9"]
TEST = ["U5.2", "R1.2"]
OUT = ["U5.4", "U7.2"]
"""


def desk(board: str = "", power: bool = False, removed: tuple[str, ...] = ()) -> Desk:
    job = JobState("uid", [], currency="EUR", board_file="small.toml" if board else "", board_text=board)
    return Desk(job, State(power, removed), {"keyboard": "keyboard"})


def said(line: str, board: str = "", power: bool = False) -> tuple[AnyBody, ...]:
    return read_line(line, desk(board, power)).said


def price(value: str, code: str = "EUR", rate: str | None = None) -> Price:
    return Price(Decimal(value), code, None if rate is None else Decimal(rate))


ANYWHERE: list[tuple[str, AnyBody]] = [
    ("note smells of smoke", bodies.Note(text="smells of smoke")),
    ("Note: smells of smoke", bodies.Note(text="smells of smoke")),
    ("symptom no picture", bodies.Symptom(text="no picture")),
    ("shows no picture", bodies.Symptom(text="no picture")),
    ("25 min", bodies.Time(minutes=Decimal(25))),
    ("25 min cleaning", bodies.Time(minutes=Decimal(25), note="cleaning")),
    ("1 h 20 min", bodies.Time(minutes=Decimal(80))),
    ("1h20 soldering", bodies.Time(minutes=Decimal(80), note="soldering")),
    ("1,5 h", bodies.Time(minutes=Decimal(90))),
    ("2:05 h", bodies.Time(minutes=Decimal(125))),
    ("spent 40 min on probing", bodies.Time(minutes=Decimal(40), note="probing")),
    ("spent 12.50 postage", bodies.Cost(kind="postage", price=price("12.50"))),
    ("spent 12,50 EUR shipping", bodies.Cost(kind="postage", price=price("12.50"), note="shipping")),
    ("spent €3 on flux", bodies.Cost(kind="materials", price=price("3"), note="flux")),
    ("spent 5 GBP at 1.17 parts: two chips",
     bodies.Cost(kind="parts", price=price("5", "GBP", "1.17"), note="two chips")),
    ("spent 20 all sorts", bodies.Cost(kind="other", price=price("20"), note="all sorts")),
    ("sold 120 EUR", bodies.Income(kind="sale", price=price("120"))),
    ("sold for 120 to the club", bodies.Income(kind="sale", price=price("120"), note="to the club")),
    ("got 5 refund", bodies.Income(kind="other income", price=price("5"), note="refund")),
    ("fee 12%", bodies.Fee(percent=Decimal(12))),
    ("fee 12,5 % auction", bodies.Fee(percent=Decimal("12.5"), note="auction")),
    ("fee 0.35", bodies.Cost(kind="fee", price=price("0.35"))),
    ("likely 120 60%", bodies.LikelyPrice(value=Decimal(120), chance=Decimal(60))),
    ("likely 90", bodies.LikelyPrice(value=Decimal(90))),
    ("open: key cap on order", bodies.OpenPoint(text="key cap on order")),
    ("test keyboard passed: all keys",
     bodies.Acceptance(what="keyboard", result="passed", found="all keys", function="keyboard")),
    ("tested memory failed, bit 3", bodies.Acceptance(what="memory", result="failed", found="bit 3")),
    ("test serial port not tested", bodies.Acceptance(what="serial port", result="not tested")),
    ("want 2 x 4116 150 ns", bodies.PartWanted(kind="4116", value="150 ns", quantity=2)),
    ("want 4116", bodies.PartWanted(kind="4116", quantity=1)),
    ("want 2 4116 for U7", bodies.PartWanted(kind="4116", quantity=2, note="for U7")),
    ("want capacitor 100 uF 25 V", bodies.PartWanted(kind="capacitor", value="100 uF 25 V", quantity=1)),
    ("want 555 timer", bodies.PartWanted(kind="555", value="timer", quantity=1)),
    ("want 0 x 4116", bodies.PartWanted(kind="4116", quantity=0)),
    ("used 2 x 4116-1 for U7", bodies.PartUsed(lot="4116-1", quantity=2, where="U7")),
    ("used 4116-1", bodies.PartUsed(lot="4116-1", quantity=1)),
    ("power on", bodies.BoardState(state=State(True), entry="power on")),
    ("out U5 U7", bodies.BoardState(state=State(False, ("U5", "U7")), entry="out U5 U7")),
    ("look: brown stain near J3", bodies.Look(where="", seen="brown stain near J3")),
    ("look U5 brown all over", bodies.Look(where="U5", seen="brown all over")),
    ("serial: 004711", bodies.Identity(serial="004711")),
    ("revision: C", bodies.Identity(board_revision="C")),
    ("cleaned keyboard contacts", bodies.Action(deed="cleaned", where="keyboard contacts")),
    ("adjusted: azimuth screw", bodies.Action(deed="adjusted", where="azimuth screw")),
    ("ordered: two key caps", bodies.Action(deed="ordered", where="two key caps")),
    ("changed: composite video out; why no monitor; undo unsolder C9",
     bodies.Action(deed="changed", where="composite video out", why="no monitor", undo="unsolder C9")),
]  # fmt: skip


@pytest.mark.parametrize("board", ["", BOARD], ids=["no board", "board"])
@pytest.mark.parametrize(("line", "meant"), ANYWHERE, ids=lambda value: str(value)[:40])
def test_lines_mean_the_same_with_and_without_a_board(line: str, meant: AnyBody, board: str) -> None:
    assert said(line, board) == (meant,)


@pytest.mark.parametrize("board", ["", BOARD], ids=["no board", "board"])
@pytest.mark.parametrize(
    ("line", "quantity", "a", "b", "value", "power"),
    [
        ("U5.2 GND 0R8", "resistance", "U5.2", "GND", "0R8", False),
        ("U5.2 4k7", "resistance", "U5.2", "", "4k7", False),
        ("U5.2 U7.2 OL", "resistance", "U5.2", "U7.2", "OL", False),
        ("U5.2 U7.2 no beep", "continuity", "U5.2", "U7.2", "no beep", False),
        ("+5V 5.18", "voltage", "+5V", "", "5.18", True),
        ("+5V GND 0.9", "resistance", "+5V", "GND", "0.9", False),
        ("U5.2 2.1V", "voltage", "U5.2", "", "2.1V", True),
        ("U5.2 toggling", "logic", "U5.2", "", "toggling", True),
        ("diode GND U5.2 0.62", "diode", "GND", "U5.2", "0.62", False),
        ("U5 debris", "look", "U5", "", "debris", False),
        ("look U5 debris", "look", "U5", "", "debris", False),
        ("U5 hot", "heat", "U5", "", "hot", True),
    ],
)
def test_readings_are_understood(
    line: str, quantity: str, a: str, b: str, value: str, power: bool, board: str
) -> None:
    """The best that can be made of a line without a board is what a board would have made of it."""
    (body,) = said(line, board)
    assert isinstance(body, bodies.Reading)
    assert (body.quantity, body.a, body.b, body.value, body.state.power) == (quantity, a, b, value, power)
    assert body.entry == line


def test_a_deed_is_an_action_and_tells_the_finder() -> None:
    """The action comes first, and its reading right after it; the part used goes with its place."""
    assert said("replaced U7 with 4164 from ram-3: was dead", BOARD) == (
        bodies.Action(deed="replaced", where="U7", note="with 4164; was dead"),
        bodies.Reading(entry="replaced U7 with 4164 from ram-3: was dead", quantity="replaced", a="U7"),
        bodies.PartUsed(lot="ram-3", quantity=1, where="U7"),
    )
    deeds = said("cleaned u5, u7", BOARD)
    assert [(type(body).__name__, getattr(body, "where", getattr(body, "a", ""))) for body in deeds] == [
        ("Action", "U5"), ("Reading", "U5"), ("Action", "U7"), ("Reading", "U7"),
    ]  # fmt: skip
    assert said("reseated U5 socket", BOARD)[1].a == "U5"  # type: ignore[union-attr]


def test_a_net_with_the_name_of_a_word_is_still_a_net() -> None:
    """TEST and OUT are nets of this board: a value after them makes it a reading."""
    assert said("TEST 4k7", BOARD)[0].a == "TEST"  # type: ignore[union-attr]
    assert said("OUT 2.1V", BOARD)[0].a == "OUT"  # type: ignore[union-attr]
    assert isinstance(said("out U7", BOARD)[0], bodies.BoardState)
    assert isinstance(said("test TEST passed", BOARD)[0], bodies.Acceptance)


def test_what_follows_is_taken_in_the_state_that_was_told() -> None:
    """With the power on a bare number is volts; parts that are out stay out until they are back."""
    for board in ("", BOARD):
        entries = read_lines(["out U7", "power on", "U5.2 2.1", "in", "U5.2 2.1"], desk(board))
        first, second = entries[2].said[0], entries[4].said[0]
        assert isinstance(first, bodies.Reading)
        assert isinstance(second, bodies.Reading)
        assert (first.quantity, first.state) == ("voltage", State(True, ("U7",)))
        assert (second.quantity, second.state) == ("resistance", State())


def test_a_fault_is_named_as_the_tables_name_it() -> None:
    """Part kind from the board, or as recognised; the way of failing as in the tables of faults."""
    assert said("found shorted 74LS157 U9: no +5 V") == (
        bodies.Confirmed(part_kind="74LS157", mode="supply short", place="U9", note="no +5 V"),
    )
    assert said("found shorted to ground 74LS157 U9.4")[0].mode == "pin shorted to ground"  # type: ignore[union-attr]
    assert said("found shorted capacitor_tantalum C4")[0].mode == "short"  # type: ignore[union-attr]
    for which in ("found shorted 74LS157 U9: pin 4", "found shorted 74LS157 U9.4"):
        with pytest.raises(BenchwrightError, match="what is the pin shorted to"):
            said(which)
    assert said("found shorted SN74LS157N U9")[0].part_kind == "74LS157"  # type: ignore[union-attr]
    assert said("found bad bit U7", BOARD) == (
        bodies.Confirmed(part_kind="4116", mode="bad memory", place="U7", board="Small"),
    )
    assert said("found open joint U5.3", BOARD)[0].place == "U5.3"  # type: ignore[union-attr]
    with pytest.raises(BenchwrightError, match="what failed"):
        said("found dead")


@pytest.mark.parametrize("board", ["", BOARD])
def test_a_colon_makes_a_deed_of_what_no_part_is_named_in(board: str) -> None:
    """Parts by their references stay a state of the board, and a number an open point."""
    assert said("removed: eight memories; why to test them", board) == (
        bodies.Action(deed="removed", where="eight memories", why="to test them"),
    )
    assert said("done: 8 sockets fitted", board) == (bodies.Action(deed="done", where="8 sockets fitted"),)
    assert isinstance(said("removed: U7", board)[0], bodies.BoardState)
    for line in ("done: 3", "done 8 sockets fitted"):
        with pytest.raises(BenchwrightError, match="no open point"):
            said(line, board)


@pytest.mark.parametrize("board", ["", BOARD])
def test_a_broken_track_is_no_fault_of_the_part_it_ends_at(board: str) -> None:
    (body,) = said("found broken track R1.1 to U5.16: under the glue", board)
    assert isinstance(body, bodies.Confirmed)
    assert (body.part_kind, body.mode, body.place) == ("track", "open", "R1.1 to U5.16")
    assert tell(body) == "fault proved: open, track R1.1 to U5.16: under the glue"
    assert isinstance(key_of(body, [("resistor", "open")], {"R1": "resistor"}), str)


@pytest.mark.parametrize(
    ("value", "quantity", "told"),
    [
        ("11.95", "voltage", "11.95 V"), ("13.02k", "resistance", "13.02 kΩ"), ("0R8", "resistance", "0.8 Ω"),
        ("4k70", "resistance", "4.70 kΩ"), ("0.40", "continuity", "0.40 Ω"),
        ("no beep", "continuity", "no beep"),
        ("OL", "resistance", "OL"), ("toggling", "logic", "toggling"), ("1", "logic", "1"),
    ],
)  # fmt: skip
def test_a_value_is_told_with_the_digits_that_were_typed(value: str, quantity: str, told: str) -> None:
    body = bodies.Reading(entry="", quantity=quantity, a="U5.1", value=value)
    assert tell_value(body) == told


def test_all_wrong_lines_are_told_at_once() -> None:
    with pytest.raises(BadEntry) as caught:
        read_lines(["note fine", "blah foo", "", "U77.1 5k", "U5.2 9k1"], desk(BOARD))
    assert [number for number, _, _ in caught.value.problems] == [2, 4]


def test_a_meter_goes_with_measurements_only() -> None:
    bench = desk(BOARD)
    bench.instrument = "bench meter"
    assert read_line("U5.2 4k7", bench).said[0].instrument == "bench meter"  # type: ignore[union-attr]
    assert read_line("U5 debris", bench).said[0].instrument == ""  # type: ignore[union-attr]


WORDS = """
U5.2 GND +5V U5 power on out in look spent 12.50 EUR postage test passed found shorted want 2 x 4116 replaced
from lot : ; why note open done 1 fee 12% likely 25 min h % - # good: serial: 0R8 timer start used for
"""
TYPED = st.lists(st.sampled_from(WORDS.split()), max_size=7).map(" ".join)


@given(st.one_of(st.text(max_size=40), TYPED), st.sampled_from(["", BOARD]))
def test_any_line_is_understood_or_refused(line: str, board: str) -> None:
    """Whatever is typed becomes events that can be told and stored, or one of our own errors."""
    try:
        found = said(line.strip(), board)
    except BenchwrightError:
        return
    assert found
    for body in found:
        assert tell(body).strip()
        assert "\n" not in tell(body)
        assert bodies.from_json(bodies.to_json(body)) == body
