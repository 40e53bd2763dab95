"""Parts lists as people keep them."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright.board import Board, ImportReport
from benchwright.board.netlist_data import PartRow
from benchwright.board.parts_list import read_parts_list
from benchwright.errors import BadFile


def _read(text: str) -> tuple[dict[str, PartRow], ImportReport]:
    report = ImportReport()
    return read_parts_list(text, "parts.csv", report), report


def test_usual_columns_in_any_order() -> None:
    """Columns are found by heading, and those that mean nothing to us are kept as they are."""
    rows, report = _read(
        "Pin_Count,REF,Rotation,Y,X,Value,Footprint,Supplier,Socket\n"
        '40,U1,90,20.5,10.25,"MC6821P, white",DIP-40,drawer 7,yes\n'
    )
    assert rows["U1"] == PartRow(
        "U1",
        "MC6821P, white",
        "DIP-40",
        (10.25, 20.5),
        90.0,
        "",
        40,
        True,
        extra={"Supplier": "drawer 7"},
        line=2,
    )
    assert report.remarks == []


@pytest.mark.parametrize(
    "text",
    [
        "Designator;Val;Package\nR1;4k7;axial\n", "Reference\tComment\tFootprint\nR1\t4k7\taxial\n",
        "\ufeffref,value,footprint\r\nR1,4k7,axial\r\n", 'sep=;\n"Ref";"Value";"Case"\n"R1";"4k7";"axial"\n',
        "made on a Sunday\n\nPackage,Part,Value\naxial,R1,4k7\n", "R1,4k7,axial\n", "R1;4k7;axial",
    ],
)  # fmt: skip
def test_delimiters_headings_and_marks(text: str) -> None:
    """Comma, semicolon, tab, byte-order mark, quotes, other headings, a preamble, no headings: one answer."""
    rows, _ = _read(text)
    assert [(row.ref, row.value, row.footprint) for row in rows.values()] == [("R1", "4k7", "axial")]


@pytest.mark.parametrize(
    ("cell", "refs"),
    [
        ("R1", ["R1"]), ("R1, R2, R3", ["R1", "R2", "R3"]), ("R1 R2;R3", ["R1", "R2", "R3"]),
        ("R1-R4", ["R1", "R2", "R3", "R4"]), ("R9 - R11, C2", ["R9", "R10", "R11", "C2"]),
        ("R1..4", ["R1", "R2", "R3", "R4"]), ("R4-R1", ["R4-R1"]), ("R1-R999999", ["R1-R999999"]),
    ],
)  # fmt: skip
def test_grouped_references(cell: str, refs: list[str]) -> None:
    """Lists and ranges of references become one row each; a range that makes no sense stays a name."""
    rows, _ = _read(f'ref,value\n"{cell}",100n\n')
    assert list(rows) == refs
    assert {row.value for row in rows.values()} == {"100n"}


def test_duplicates_are_told_and_fill_each_other() -> None:
    """A reference listed twice is one part; gaps are filled, and what contradicts is refused by line."""
    rows, report = _read("ref,value,footprint\nU1,6502,\nU1,6522,DIP-40\nU2,555,\nU2,555,DIP-8\n")
    assert (rows["U1"].value, rows["U1"].footprint) == ("6502", "DIP-40")
    (refused,) = report.of("refused")
    assert refused.line == 3
    assert "6502" in refused.text
    assert "6522" in refused.text
    (repaired,) = report.of("repaired")
    assert repaired.line == 5


@pytest.mark.parametrize(
    ("heading", "cell", "wanted"),
    [
        ("x", "12.7", 12.7), ("x", "12.7mm", 12.7), ("x", "500mil", 12.7), ("x", "0.5in", 12.7),
        ("Center-X(mm)", "12.7", 12.7), ("X (mil)", "500", 12.7), ("Pos X", "-1e1", -10.0),
    ],
)  # fmt: skip
def test_units_of_places(heading: str, cell: str, wanted: float) -> None:
    """Places are millimetres unless the cell or the heading says otherwise."""
    rows, _ = _read(f"ref,{heading},y\nU1,{cell},0\n")
    at = rows["U1"].at
    assert at is not None
    assert at[0] == pytest.approx(wanted)


@pytest.mark.parametrize(("column", "cell"), [
    ("x", "nan"), ("x", "inf"), ("x", "1e999"), ("x", "left"), ("rotation", "NaN"), ("pin_count", "many"),
    ("pin_count", "-3"), ("pin_count", "99999"), ("socket", "perhaps"), ("side", "edge"),
])  # fmt: skip
def test_cells_that_mean_nothing_are_refused_by_name(column: str, cell: str) -> None:
    """A cell that is no number, flag or side is left out, told with line and column; the part stays."""
    rows, report = _read(f"ref,y,{column}\nU1,0,{cell}\n")
    row = rows["U1"]
    assert (row.at, row.turn, row.pin_count, row.socket, row.side) == (None, None, None, None, "")
    (refused,) = report.of("refused")
    assert refused.line == 2
    assert column in refused.text
    assert cell in refused.text


@pytest.mark.parametrize(
    ("cell", "wanted"),
    [("yes", True), ("1", True), ("TRUE", True), ("x", True), ("no", False), ("0", False), ("", None)],
)
def test_socket_column(cell: str, wanted: bool | None) -> None:
    """Sockets are marked in the ways people mark them; an empty cell says nothing."""
    rows, _ = _read(f"ref,socket\nU1,{cell}\n")
    assert rows["U1"].socket is wanted


def test_quote_that_never_closes_swallows_nothing() -> None:
    """A stray quote costs no row, and its line is told."""
    text = 'ref,value\nU1,"6502\n' + "".join(f"R{n},1k\n" for n in range(1, 60))
    rows, report = _read(text)
    assert len(rows) == 60
    assert rows["U1"].value == "6502"
    assert [remark.line for remark in report.of("repaired")] == [2]


def test_inch_marks_and_line_ends_in_cells() -> None:
    """An inch mark inside a cell is plain text, and a quoted cell may run over lines."""
    rows, _ = _read('ref,value,note\nSW1,slide 0.1",a\nU1,6502,"first\nsecond"\nR1,0.2" long,b\n')
    assert [(row.ref, row.value) for row in rows.values()] == [
        ("SW1", 'slide 0.1"'), ("U1", "6502"), ("R1", '0.2" long'),
    ]  # fmt: skip
    assert rows["U1"].extra == {"note": "first second"}


def test_no_references_is_one_clear_error() -> None:
    """A table without a column of references is refused with what was expected."""
    with pytest.raises(BadFile, match=r"parts\.csv, line 1: no headings found: expected"):
        _read("colour,weight\nred,3\n")


@given(
    st.dictionaries(
        st.from_regex(r"[A-Z]{1,3}[1-9]\d{0,3}", fullmatch=True),
        st.tuples(st.text(st.characters(exclude_categories=("C", "Z"), exclude_characters='"#'), max_size=12),
                  st.integers(1, 64)),
        min_size=1, max_size=20,
    ),
    st.sampled_from(",;\t"),
)  # fmt: skip
def test_any_list_reads_back(parts: dict[str, tuple[str, int]], mark: str) -> None:
    """Whatever the values hold, quoted cells come back whole and every part is there."""
    lines = [mark.join(("ref", "value", "pin_count"))]
    lines += [mark.join((ref, f'"{value}"', str(count))) for ref, (value, count) in parts.items()]
    rows, report = _read("\n".join(lines))
    assert {ref: (row.value, row.pin_count) for ref, row in rows.items()} == parts
    assert report.remarks == []


# -- together with a netlist -------------------------------------------------------------------------

NETS = "net,ref,pin\n+5V,U1,20\nGND,U1,10\nA0,U1,2\nA0,CONN12,1\nGND,CONN12,2\n+5V,C1,1\nGND,C1,2\nGND,Q9,4\n"


def _board(tmp_path: Path, parts: str | bytes | None, nets: str = NETS) -> Board:
    table = tmp_path / "nets.csv"
    table.write_text(nets, encoding="utf-8")
    if parts is None:
        return Board.from_net_table(table)
    listed = tmp_path / "parts.csv"
    listed.write_bytes(parts if isinstance(parts, bytes) else parts.encode())
    return Board.from_net_table(table, listed)


def _told(board: Board, words: str) -> list[str]:
    assert board.report is not None
    return [remark.text for remark in board.report.remarks if words in remark.text]


def test_kinds_come_from_values(tmp_path: Path) -> None:
    """A parts list gives parts their kinds, sizes, sockets, and keeps its other columns."""
    board = _board(
        tmp_path,
        "ref,value,socket,drawer\nU1,SN74LS245N,yes,3\nC1,100n ceramic,,\n",
    )
    assert board.parts["U1"].kind == "74LS245"
    assert board.parts["U1"].socket
    assert board.parts["U1"].extra == {"drawer": "3"}
    assert board.parts["C1"].size == pytest.approx(100e-9)
    assert board.ground == "GND"
    assert board.rails["+5V"].nominal == 5.0


def test_cut_references_find_their_row(tmp_path: Path) -> None:
    """A reference of six letters that only one longer row begins with gets its full name."""
    board = _board(tmp_path, "ref,value\nCONN12345,header 1x2\nU1,74LS245\n")
    assert "CONN12345" in board.parts
    assert "CONN12" not in board.parts
    assert board.net_of[board.pin("CONN12345.1")] == "A0"
    assert _told(board, "CONN12 of the netlist is CONN12345")


def test_list_and_netlist_that_differ_are_told(tmp_path: Path) -> None:
    """Parts only in the list, and parts only in the netlist, are told in one remark each; the latter stay."""
    board = _board(tmp_path, "ref,value\nU1,74LS245\nU7,6502\nH1,screw\n")
    assert _told(board, "left out: H1, U7")
    (told,) = _told(board, "not in the parts list")
    assert told.endswith(": C1, CONN12, Q9")
    assert "C1" in board.parts
    assert board.kind_of("C1").category == "capacitor"


def test_pin_that_the_kind_lacks_is_told_and_kept(tmp_path: Path) -> None:
    """A pin number that the recognised kind does not have stays on its net and is told."""
    board = _board(tmp_path, "ref,value,pin_count\nQ9,TIP31,3\n")
    pin = board.pin("Q9.4")
    assert board.net_of[pin] == "GND"
    assert _told(board, "Q9: TIP31 has no pin 4")


def test_kind_with_too_few_pins_becomes_generic(tmp_path: Path) -> None:
    """If the netlist uses more pins than the kind has, the part is generic with those pins, and told."""
    nets = "net,ref,pin\n" + "".join(f"N{n},U1,{n}\n" for n in range(1, 21))
    board = _board(tmp_path, "ref,value,kind\nU1,odd,555\n", nets)
    assert board.kind_of("U1").generic
    assert [pin.number for pin in board.kind_of("U1").pins] == [str(n) for n in range(1, 21)]
    assert _told(board, "the netlist uses 20")


def test_pins_named_by_function_get_their_numbers(tmp_path: Path) -> None:
    """Pins written as A, K, +, C, B, E are those of the kind with that function."""
    nets = "net,ref,pin\nA,D1,A\nB,D1,K\nGND,Q1,E\nB,Q1,B\nC,Q1,C\n"
    board = _board(tmp_path, "ref,value\nD1,1N4148\nQ1,BC547\n", nets)
    assert board.net_of[board.pin("D1.2")] == "A"  # anode
    assert board.net_of[board.pin("Q1.3")] == "GND"  # emitter
    assert _told(board, "named by function")


def test_latin_1_list(tmp_path: Path) -> None:
    """A list that is not UTF-8 is read as Latin-1: the micro sign arrives."""
    board = _board(tmp_path, "ref,value\nC1,10µ\n".encode("latin-1"))
    assert board.parts["C1"].value == "10µ"
    assert board.parts["C1"].size == pytest.approx(10e-6)


def test_no_parts_list_still_gives_a_board(tmp_path: Path) -> None:
    """Without a list the letters of the references give the kinds, and the report says so."""
    board = _board(tmp_path, None)
    assert board.kind_of("C1").category == "capacitor"
    assert _told(board, "no parts list")
