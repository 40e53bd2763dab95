"""Tables of readings: written and read back, and every mistake told by line and column."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright.demo import fulmar65
from benchwright.errors import BadFile
from benchwright.finding import Reading
from benchwright.finding.reading import understand
from benchwright.finding.readings_csv import COLUMNS, read_readings, write_readings

BOARD = fulmar65.board()
HEAD = "quantity,a,b,value,power,removed,note\n"
POINTS = st.sampled_from(["U3.14", "u5.2", "U12.VCC", "MA5", "+5V", "-12V", "/RESET"])
OUT = st.lists(st.sampled_from(["U5", "U7", "C7"]), unique=True, max_size=3)
NOTES = st.text(
    st.characters(exclude_characters="\0", exclude_categories=["Cs"]), max_size=20
).map(str.strip)  # fmt: skip
OHMS = st.one_of(
    st.floats(0, 1e9), st.just(float("inf")), st.sampled_from(["4k7", "0R8", "OL", "1,5k", "> 20 M", "9 ohm"])
)  # fmt: skip
VOLTS = st.one_of(st.floats(-40, 40), st.sampled_from(["4.98 V", "5V1", "-12"]))


def reading(quantity, value, **more):
    """A strategy of readings of one kind."""
    fields = {"quantity": quantity, "value": value, "removed": OUT, "note": NOTES, "good_unit": st.booleans()}
    return st.builds(Reading, **{**fields, **more})


READINGS = st.one_of(
    reading(st.sampled_from(["resistance", "Ohms"]), OHMS, a=POINTS, b=st.just("GND")),
    reading(st.sampled_from(["voltage", "diode"]), VOLTS, a=POINTS, b=st.just(""), power=st.booleans()),
    reading(st.just("look"), st.sampled_from(["debris", "leaked", "nothing seen"]), a=st.just("C7")),
    reading(st.just("symptom"), st.sampled_from(["no picture", "black screen"]), power=st.just(True)),
    reading(st.sampled_from(["cleaned", "replaced"]), st.just(""), a=st.just("U5")),
)


@given(taken=st.lists(READINGS, max_size=5))
def test_what_was_written_is_read_back(taken: list[Reading]) -> None:
    """Readings come back with the same points, value, state and note, whatever the note holds."""
    back = read_readings(write_readings(taken), "readings.csv", BOARD)
    assert [understand(BOARD, r) for r in back] == [understand(BOARD, r) for r in taken]
    assert [(r.note, r.good_unit) for r in back] == [(r.note, r.good_unit) for r in taken]


def test_the_table_of_the_readme_is_read() -> None:
    """Values, states and notes are taken as people write them."""
    text = HEAD + (
        "symptom,,,garbage on the screen,yes,,\n"
        "voltage,+5V,GND,4.98 V,yes,,at the far corner\n"
        "resistance,U12.4,GND,4k7,no,,\n"
        "diode,GND,U3.14,0.62,no,U7,red probe on ground\n"
    )
    taken = read_readings(text, "readings.csv", BOARD)
    assert [r.value for r in taken] == ["garbage on the screen", "4.98 V", "4k7", "0.62"]
    assert [r.power for r in taken] == [True, True, False, False]
    assert taken[3].removed == ["U7"]
    assert taken[1].note == "at the far corner"


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_columns_may_stand_in_any_order(delimiter: str) -> None:
    """Order, case, delimiter, blank lines and comments are the writer's choice."""
    rows = [["Value", "B", "A", "Quantity "], ["4k7", "GND", "U3.14", "resistance"]]
    text = "# bench two\n\n" + "\n# again\n\n".join(delimiter.join(row) for row in rows) + "\n"
    (taken,) = read_readings(text, "readings.csv", BOARD)
    assert (taken.quantity, taken.a, taken.b, taken.value) == ("resistance", "U3.14", "GND", "4k7")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "readings.csv, line 1: the file is empty: expected a first line quantity,a,b"),
        ("# only this\n", "line 1: the file is empty"),
        ("a,b\n1,2\n", "line 1: the first line names the columns a, b: expected at least quantity and value"),
        ("quantity,value,value\n", "line 1, value: this column is there twice"),
        (HEAD + "resistance,U3.14,GND,4,7k,,,,\n", "line 2, power: '7k': expected yes or no"),
        (
            HEAD + "resistance,U3.14,GND,4k7,no,,a note, in two\n",
            "line 2: 8 cells under 7 columns.*in quotes",
        ),
        (HEAD + "\n\nresistance,U3.14,GND,lots,,,\n", "line 4, value: .*'lots'"),
        (HEAD + 'look,C7,,leaked,,,"two\nlines"\nlook,C7,,purple,,,\n', "line 4, value: .*'purple'.*leaked"),
        (HEAD + "taste,C7,,sour,,,\n", "line 2, quantity: .*'taste'.*resistance"),
        (HEAD + "resistance,U99.1,GND,1k,,,\n", "line 2, a: .*U99"),
        (HEAD + "resistance,U3.99,GND,1k,,,\n", "line 2, a: no pin on U3 '99'"),
        (HEAD + "resistance,,GND,1k,,,\n", "line 2, a: .*needs a point"),
        (HEAD + "resistance,U3.14,MA55,1k,,,\n", "line 2, b: .*MA55.*MA5"),
        (HEAD + "resistance,GND,GND,1k,,,\n", "line 2, b: .*different points"),
        (HEAD + "resistance,U3.14,GND,1k,yes,,\n", "line 2, power: .*power off"),
        (HEAD + "resistance,U3.14,GND,1k,perhaps,,\n", "line 2, power: 'perhaps': expected yes or no"),
        (HEAD + "resistance,U3.14,GND,1k,,U99,\n", "line 2, removed: .*U99"),
        (HEAD + "resistance,U3.14,GND,5 V,,,\n", "line 2, value: .*'5 V' is in volt, expected ohm"),
        (HEAD + "look,U99,,debris,,,\n", "line 2, a: .*U99"),
        (HEAD + "cleaned,U99,,,,,\n", "line 2, a: .*U99"),
        (HEAD + "symptom,,,purple rain,,,\n", "line 2, value: .*purple rain"),
        ("quantity,a,value,good_unit\nresistance,U3.14,1k,perhaps\n", "line 2, good_unit: 'perhaps'"),
        ("quantity,value\n" + "x" * 200_000 + ",1\n", "line 2: this is not a CSV table"),
        ("quantity\0", "not a text file"),
    ],
)
def test_a_mistake_is_told_by_line_and_column(text: str, words: str) -> None:
    """The error names the file, the line, the column, what stood there and what was expected."""
    with pytest.raises(BadFile, match=words) as told:
        read_readings(text, "readings.csv", BOARD)
    assert str(told.value).startswith("readings.csv")


CELLS = st.one_of(
    st.sampled_from(
        [*COLUMNS, "resistance", "look", "U3.14", "U99", "GND", "4k7", "yes", "U5", "", '"', "#", "\ufeff"]
    ),
    st.text(max_size=8),
)  # fmt: skip
ROWS = st.lists(st.lists(CELLS, max_size=8).map(",".join), max_size=5).map("\n".join)


@given(text=st.one_of(st.text(), ROWS, ROWS.map(lambda rows: HEAD + rows)))
def test_any_text_is_a_table_or_one_clear_error(text: str) -> None:
    """Whatever a file holds, there are readings that can be recorded, or a BadFile that names the file."""
    try:
        taken = read_readings(text, "any.csv", BOARD)
    except BadFile as problem:
        told = str(problem)
    else:
        told = "any.csv"
        for one in taken:
            understand(BOARD, one)
    assert told.startswith("any.csv")


ROW = st.sampled_from(["resistance", "U3.14", "GND", "4k7", "OL", "no", "U99", "lots"])


@given(row=st.lists(ROW, min_size=7, max_size=7))
def test_no_row_is_dropped_in_silence(row: list[str]) -> None:
    """A row with anything in it is a reading, or an error that names its line."""
    count, line = 0, None
    try:
        count = len(read_readings(HEAD + ",".join(row) + "\n", "any.csv", BOARD))
    except BadFile as problem:
        line = problem.line
    assert (count, line) in ((1, None), (0, 2))
