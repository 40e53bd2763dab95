"""Ranges in names."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright.board.ranges import escape, expand, fan_out
from benchwright.errors import BadFile


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("D[0..2]", ["D0", "D1", "D2"]),
        ("A[3..1]", ["A3", "A2", "A1"]),
        ("A[0..4..2]", ["A0", "A2", "A4"]),
        ("A[5..0..2]", ["A5", "A3", "A1"]),
        ("D[08..10]", ["D08", "D09", "D10"]),
        ("U[1..2].D[0..1]", ["U1.D0", "U1.D1", "U2.D0", "U2.D1"]),
        ("A[0..1]B[0..1]x", ["A0B0x", "A0B1x", "A1B0x", "A1B1x"]),
        ("D[3]", ["D[3]"]),
        ("VCC", ["VCC"]),
        (r"D\[0..7]", ["D[0..7]"]),
        ("[1..1]", ["1"]),
    ],
)
def test_ranges_expand(text: str, names: list[str]) -> None:
    """Counting up, down and in steps, several ranges, and brackets that are no range."""
    assert expand(text) == names


@pytest.mark.parametrize(
    "text", ["D[0..]", "D[a..b]", "D[0..7..0]", "D[0..99999]", "A[0..99]B[0..99]", "D[..]"]
)
def test_bad_ranges_name_the_place(text: str) -> None:
    """A range that makes no sense is an error with file, line and the text."""
    with pytest.raises(BadFile, match=r"board\.toml, line 7") as told:
        expand(text, "board.toml", 7)
    assert text in str(told.value)


@given(st.text(alphabet="D[].0127\\ \n-", max_size=20))
def test_escaped_names_stand_for_themselves(name: str) -> None:
    """Any name, however odd, can be written so that it reads back."""
    assert expand(escape(name)) == [name]


@given(st.integers(0, 300), st.integers(0, 300))
def test_a_range_has_both_ends(first: int, last: int) -> None:
    """A range runs from its first to its last number with every number between, once."""
    names = expand(f"N[{first}..{last}]")
    assert (names[0], names[-1]) == (f"N{first}", f"N{last}")
    assert len(set(names)) == len(names) == abs(last - first) + 1


def test_nets_fan_out() -> None:
    """Each net of a range gets its own pin of every point; a single net takes all of them."""
    assert fan_out("D[0..1]", ["U1.D[0..1]", "U2.Q[1..0]"]) == [
        ("D0", ["U1.D0", "U2.Q1"]),
        ("D1", ["U1.D1", "U2.Q0"]),
    ]
    assert fan_out("+5V", ["U[1..2].16", "C1.1"]) == [("+5V", ["U1.16", "U2.16", "C1.1"])]
    with pytest.raises(BadFile, match="3 pins"):
        fan_out("D[0..1]", ["U1.D[0..2]"])
    with pytest.raises(BadFile, match="1 pin,"):
        fan_out("D[0..1]", ["U1.5"])
