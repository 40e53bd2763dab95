"""Tables of net, ref, pin."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright.board import Board, ImportReport, Pad, Pin
from benchwright.board.net_table import read_net_table, write_net_table
from benchwright.board.netlist_data import NetlistData
from benchwright.errors import BadFile


def _read(text: str) -> tuple[NetlistData, ImportReport]:
    report = ImportReport()
    return read_net_table(text, "nets.csv", report), report


@pytest.mark.parametrize(
    "text",
    [
        "net,ref,pin\nCLK,U1,3\nCLK,U2,37\n", "Pin;Part;Signal\n3;U1;CLK\n37;U2;CLK\n",
        "net,point\nCLK,U1.3\nCLK,U2.37\n", "net,points\nCLK,U1.3 U2.37\n",
        'Net Name,Nodes\nCLK,"U1-3, U2-37"\n',
        "CLK,U1,3\nCLK,U2,37\n", "\ufeffNET\tREFDES\tPIN\r\nCLK\tU1\t3\r\nCLK\tU2\t37\r\n",
    ],
)  # fmt: skip
def test_forms_of_a_net_table(text: str) -> None:
    """Columns in any order, points in one cell or many, with or without headings: the same net."""
    data, _ = _read(text)
    assert data.nets == {"CLK": (Pin("U1", "3"), Pin("U2", "37"))}


def test_row_without_a_net_is_an_unconnected_pin() -> None:
    """An empty net, or N/C, joins nothing."""
    data, _ = _read("net,ref,pin\n,U1,1\nN/C,U1,2\nA,U1,3\n")
    assert data.nets == {"A": (Pin("U1", "3"),)}
    assert data.unconnected == (Pin("U1", "1"), Pin("U1", "2"))


def test_rows_that_cannot_be_used_are_told_by_line() -> None:
    """A row without a pin, a second net for a pin, and a word that is no point are refused by line."""
    data, report = _read("net,ref,pin\nA,U1,1\nA,U2,\nB,U1,1\nB,U3,1\n")
    assert data.nets == {"A": (Pin("U1", "1"),), "B": (Pin("U3", "1"),)}
    assert [remark.line for remark in report.of("refused")] == [3, 4]
    _, report = _read("net,point\nA,U1.1\nA,nonsense\n")
    assert [remark.line for remark in report.of("refused")] == [3]


def test_no_pin_at_all_is_one_clear_error() -> None:
    """A table without a usable row is refused with an example of what was expected."""
    with pytest.raises(BadFile, match=r"\+5V,U3,14"):
        _read("net,ref,pin\n")


@given(
    st.dictionaries(
        st.tuples(st.from_regex(r"[A-Z]{1,3}\d{1,3}", fullmatch=True), st.integers(1, 99).map(str)),
        st.text(st.characters(exclude_categories=("C", "Z")), min_size=1, max_size=12),
        min_size=1, max_size=30,
    )
)  # fmt: skip
def test_written_table_reads_back(on: dict[tuple[str, str], str]) -> None:
    """Whatever the nets are called, all pins come back on the same nets, in the same order."""
    nets: dict[str, list[Pin]] = {}
    for (ref, number), net in on.items():
        if net.lower() not in ("n/c", "nc", "n.c.", "-") and not net.startswith("#"):
            nets.setdefault(net, []).append(Pin(ref, number))
    board = Board(
        nets={net: tuple(pins) for net, pins in nets.items()}, pads=(Pad(Pin("X1", "100"), None, (0.0, 0.0)),)
    )
    data, _ = _read(write_net_table(board))
    assert data.nets == board.nets
    assert list(data.nets) == list(board.nets)
    assert data.unconnected == (Pin("X1", "100"),)
