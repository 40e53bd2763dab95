"""The overlay beside a netlist."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright.board import Board, ImportReport, Kind, Part, Pin
from benchwright.board.infer import infer
from benchwright.board.kinds import generic_kind, load_kinds
from benchwright.board.overlay import apply_overlay
from benchwright.errors import BadFile

ODD = generic_kind(("1", "2"), "ODD1")


def _board() -> Board:
    kinds: dict[str, Kind] = {
        name: load_kinds()[name] for name in ("6502", "switch", "connector", "resistor")
    }
    parts = {
        "U1": Part("U1", "6502", "6502"), "U2": Part("U2", "ODD1", "ODD1"),
        "U12": Part("U12", "ODD1", "ODD1"),
        "SW1": Part("SW1", "switch"), "J1": Part("J1", "connector"),
        "R1": Part("R1", "resistor", "4k7", 4700.0),
    }  # fmt: skip
    nets = {
        "GND": (Pin("U1", "1"), Pin("U2", "1"), Pin("J1", "1")), "N7": (Pin("U1", "8"), Pin("J1", "2")),
        "N8": (Pin("U2", "2"), Pin("SW1", "1"), Pin("R1", "1")),
    }  # fmt: skip
    return Board(parts=parts, nets=nets, kinds={**kinds, "ODD1": ODD})


def _apply(tmp: Path, text: str, board: Board | None = None) -> tuple[Board, ImportReport]:
    path = tmp / "board-overlay.toml"
    path.write_text(text, encoding="utf-8")
    report = ImportReport()
    return apply_overlay(board or _board(), path, report), report


def test_overlay_corrects_and_completes(tmp_path: Path) -> None:
    """Names, ground, inlets, sockets, switches, rails, parts and blocks are taken from the overlay."""
    board, report = _apply(
        tmp_path,
        """
[board]
name = "Fulmar 65"
revision = "C"
inlets = ["J1"]
sockets = ["U[1..2]"]
closed = ["SW1"]
[rails]
N7 = { nominal = 5, from = "J1.2" }
[parts.R1]
value = "10k"
[parts.u1]
at = [3, 4]
turn = 90
[blocks.video]
needs = ["U2", "clock", "N8"]
""",
    )
    assert (board.name, board.revision, board.inlets) == ("Fulmar 65", "C", ("J1",))
    assert board.parts["U1"].socket
    assert board.parts["U2"].socket
    assert not board.parts["R1"].socket
    assert board.parts["SW1"].closed is True
    assert (board.rails["N7"].nominal, board.rails["N7"].limits) == (5.0, (4.75, 5.25))
    assert board.parts["R1"].size == pytest.approx(10_000)
    assert (board.parts["U1"].at, board.parts["U1"].turn) == ((3.0, 4.0), 90.0)
    assert board.parts["U1"].kind == "6502"
    assert board.blocks["video"].needs == ("U2", "clock", "N8")
    assert board.nets == _board().nets
    assert any("overlay" in str(remark) for remark in report.remarks)


def test_own_kinds_reach_the_parts_of_their_value(tmp_path: Path) -> None:
    """A kind described in the overlay is used for every unknown part with its name as value, and told."""
    board, report = _apply(tmp_path, '[kinds.ODD1]\ncategory = "video"\npins = "VSS:G VCC:P"\n')
    assert board.kind_of("U2").category == board.kind_of("U12").category == "video"
    assert board.kind_pin(Pin("U2", "2")).name == "VCC"
    assert any("U12" in str(remark) for remark in report.remarks)


def test_a_kind_given_to_a_part_guides_inference(tmp_path: Path) -> None:
    """Correcting the kind of a part before inference gives the rails that follow from it."""
    kinds = '[kinds.K2]\npins = "GND:G V:P"\nsupplies = [{ pin = "V", nominal = 12 }]\n'
    board, report = _apply(tmp_path, kinds + '[parts.U2]\nkind = "K2"\n')
    assert infer(board, report).rails["N8"].nominal == 12.0
    assert "N8" not in infer(_board(), report).rails


def test_an_unknown_kind_keeps_the_parts_pins(tmp_path: Path) -> None:
    """A kind nobody knows works: its pins are those of the netlist, and that is told."""
    board, report = _apply(tmp_path, '[parts.U2]\nkind = "MYSTERY77"\n')
    assert [pin.number for pin in board.kind_of("U2").pins] == ["1", "2"]
    assert any("MYSTERY77" in str(remark) for remark in report.remarks)


@pytest.mark.parametrize(
    ("text", "line", "told"),
    [
        ('[parts.U11]\nkind = "6502"', 1, "did you mean U1"),
        ('[board]\nname = "x"\n[parts.U1]\nkid = "6502"', 4, "did you mean kind"),
        ('[board]\nsockets = [\n "U1",\n "U99",\n]', 4, "U99"),
        ('[board]\ngrund = "GND"', 2, "did you mean ground"),
        ('[board]\nground = "GNDD"', 2, "did you mean GND"),
        ('[board]\nclosed = ["U1"]', 2, "not a switch"),
        ("[rails]\nN9 = { nominal = 5 }", 2, "did you mean N8"),
        ("[rails]\nN7 = { limits = [4, 6] }", 2, "nominal is missing"),
        ('[rails]\nN7 = { nominal = 5, from = "J9.1" }', 2, "J9"),
        ('[blocks.video]\nneeds = ["U1", "U77"]', 2, "U77"),
        ('[kinds.K]\ncategory = "cpuu"', 1, "did you mean cpu"),
        ("[nets]\n", 1, "unknown key 'nets'"),
        ("[board]\nname = \n", 2, "not TOML"),
    ],
)
def test_mistakes_name_line_and_key(tmp_path: Path, text: str, line: int, told: str) -> None:
    """Unknown keys, parts, nets and kinds are errors with the line, and near names where there are any."""
    with pytest.raises(BadFile, match=told) as seen:
        _apply(tmp_path, text)
    assert f"line {line}" in str(seen.value)


@given(
    st.dictionaries(
        st.sampled_from(["board", "rails", "parts", "kinds", "blocks", "x"]), st.text(max_size=30)
    )
)
def test_any_overlay_is_applied_or_refused(
    tmp_path_factory: pytest.TempPathFactory, tables: dict[str, str]
) -> None:
    """Whatever stands in the tables, the nets stay as they are or the file is refused by name."""
    text = "\n".join(f"[{name}]\n{body}" for name, body in tables.items())
    try:
        board, _ = _apply(tmp_path_factory.mktemp("o"), text)
    except BadFile:
        return
    assert board.nets == _board().nets
