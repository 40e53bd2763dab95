"""SPICE netlists as boards."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchwright.board import Board, ImportReport, Pin
from benchwright.board.netlist_data import NetlistData
from benchwright.board.spice_read import read_spice, spice_number
from benchwright.errors import BadFile


def _read(body: str) -> tuple[NetlistData, ImportReport]:
    report = ImportReport()
    return read_spice(f"a title\n{body}", "test.cir", report), report


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("4.7k", 4700.0), ("10u", 10e-6), ("1meg", 1e6), ("1MEG", 1e6), ("1M", 1e-3), ("100nF", 100e-9),
        ("2.2K", 2200.0), ("1e3", 1000.0), ("1.5e-3k", 1.5), ("33pF", 33e-12), ("10Ohm", 10.0),
        ("4k7", 4700.0),
        ("1mil", 25.4e-6), ("-5", -5.0), (".5", 0.5), ("1e999", None), ("nan", None), ("BC547", None),
        ("", None), ("10f", 10e-15), ("2G", 2e9), ("3T", 3e12),
    ],
)  # fmt: skip
def test_numbers_have_the_letters_of_spice(text: str, value: float | None) -> None:
    """Letters scale as SPICE defines them (M is milli, MEG mega; SPICE 3 manual, from memory)."""
    seen = spice_number(text)
    assert seen is None if value is None else seen == pytest.approx(value, rel=1e-12)


def test_elements_become_parts_on_nets() -> None:
    """R, C, L, D, Q, M have their pins; nodes are joined ignoring capitals; 0 and gnd are the ground."""
    data, report = _read(
        "R1 in N1 4.7k\nC1 n1 0 100n\nL1 N1 out 10u\nD1 out K1 1N4148\n"
        "Q1 c1 b1 gnd 0 2N3904\nM1 c1 b1 0 0 BS170\n"
        ".end\nR9 x y 1\n"
    )
    assert data.nets["N1"] == (Pin("R1", "2"), Pin("C1", "1"), Pin("L1", "1"))
    assert data.nets["out"] == (Pin("L1", "2"), Pin("D1", "A"))
    assert data.nets["GND"] == (Pin("C1", "2"), Pin("Q1", "E"), Pin("M1", "S"))
    assert data.nets["c1"] == (Pin("Q1", "C"), Pin("M1", "D"))
    assert (data.rows["R1"].size, data.rows["C1"].size, data.rows["L1"].size) == (4700.0, 100e-9, 10e-6)
    assert (data.rows["D1"].value, data.rows["Q1"].value, data.rows["M1"].value) == (
        "1N4148",
        "2N3904",
        "BS170",
    )
    assert data.ground == "GND"
    assert report.of("refused") == []


def test_continuations_and_comments() -> None:
    """Plus signs go on, stars, semicolons and dollars start comments."""
    data, _ = _read("* C9 a b 1u\nR1 a\n* between\n+ b ; no\n+ 1k $ R2 a b 2k\n")
    assert list(data.rows) == ["R1"]
    assert data.rows["R1"].size == 1000.0


def test_first_line_is_the_title() -> None:
    """The first line is never an element; one that looks like it is told."""
    report = ImportReport()
    data = read_spice("R1 a b 1k\nR2 a b 2k\n", "f", report)
    assert list(data.rows) == ["R2"]
    assert any(remark.line == 1 for remark in report.of("noted"))


def test_subcircuits_are_parts() -> None:
    """Pins are named as defined, or numbered in order; what a definition holds is no part of the board."""
    data, report = _read(
        "XU1 a b y vcc 0 74LS00\nX2 a y cell\n.subckt cell in out\nR1 in out 1k\n.ends\nX3 a b c cell\n"
    )
    assert Pin("U1", "3") in data.nets["y"]
    assert Pin("X2", "out") in data.nets["y"]
    assert Pin("X3", "3") in data.nets["c"]
    assert "R1" not in data.rows
    assert any("its definition 2" in remark.text and remark.line == 7 for remark in report.of("repaired"))


def test_sources_feed_rails(tmp_path: Path) -> None:
    """A voltage source to ground makes its net a rail and itself the inlet, with the right sign."""
    path = tmp_path / "supply.cir"
    path.write_text(
        "supply\nV1 vcc 0 DC 5\nV2 0 vee 12\nR1 vcc vee 10k\nU 1 2\nK1 L1 L2 0.9\n", encoding="utf-8"
    )
    board = Board.from_spice(path)
    assert (board.rails["vcc"].nominal, board.rails["vcc"].source) == (5.0, "V1.1")
    assert (board.rails["vee"].nominal, board.rails["vee"].source) == (-12.0, "V2.2")
    assert set(board.inlets) == {"V1", "V2"}
    assert board.ground == "GND"
    assert board.report is not None
    assert [remark.line for remark in board.report.of("refused")] == [5, 6]


def test_models_give_kinds_to_unknown_names(tmp_path: Path) -> None:
    """A transistor of an unknown name has the kind of its model's type; a known name goes before it."""
    path = tmp_path / "q.cir"
    path.write_text(
        "t\nQ1 c b 0 mine\nQ2 c b 0 BC547\nD1 b c own\n.model mine PNP(BF=50)\n"
        ".model BC547 NPN\n.model own D\n",
        encoding="utf-8",
    )
    board = Board.from_spice(path)
    assert [board.parts[ref].kind for ref in ("Q1", "Q2", "D1")] == ["pnp", "BC547", "diode"]
    assert board.net_of[board.pin("Q2.C")] == "c"
    assert board.net_of[board.pin("D1.A")] == "b"


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("R2 a", "nodes"), ("E1 a 0 b 0 10", "no part"), (".include other.lib", "not read"),
        (".frobnicate", "unknown"),
        ("R1 c d 1k", "in line 2 already"),
        (".ends", ".subckt"), ("X1 a", "no nodes"), (".model x", ".model"),
    ],
)  # fmt: skip
def test_lines_that_cannot_be_used_are_refused_by_number(line: str, words: str) -> None:
    """Each line that is no part of the board is told with its number and the reason."""
    _, report = _read(f"R1 a b 1k\n{line}\n")
    (refused,) = report.of("refused")
    assert refused.line == 3
    assert words in refused.text


def test_no_element_is_one_clear_error() -> None:
    """A file without an element is refused with what was expected."""
    with pytest.raises(BadFile, match="expected a SPICE netlist"):
        _read("* nothing\n.end\n")
