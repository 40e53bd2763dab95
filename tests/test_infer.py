"""What an import works out from names and parts."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright.board import Board, ImportReport, Kind, KindPin, Part, Pin, Rail, Supply
from benchwright.board.infer import infer, volts_of_name

KINDS = {
    kind.name: kind for kind in (
        Kind("chip", category="logic", family="ls", supplies=(Supply("VCC", 5.0),),
             pins=(KindPin("1", "A", "I"), KindPin("2", "GND", "G"), KindPin("3", "Y", "O"),
                   KindPin("4", "VCC", "P"))),
        Kind("ram", category="dynamic_ram", supplies=(Supply("VBB", -5.0), Supply("VDD", 12.0)),
             pins=(KindPin("1", "VBB", "P"), KindPin("2", "VSS", "G"), KindPin("3", "VDD", "P"))),
        Kind("7805", title="+5 V regulator, 1 A", category="regulator", supplies=(Supply("IN", 0.0),),
             pins=(KindPin("1", "IN", "P"), KindPin("2", "GND", "G"), KindPin("3", "OUT", "P"))),
        Kind("7912", title="-12 V regulator", category="regulator",
             pins=(KindPin("1", "GND", "G"), KindPin("2", "IN", "P"), KindPin("3", "OUT", "P"))),
        Kind("fuse", category="fuse"), Kind("connector", category="connector"),
    )
}  # fmt: skip


def _board(parts: dict[str, str], nets: dict[str, str], **more: object) -> Board:
    return Board(
        parts={ref: Part(ref, kind) for ref, kind in parts.items()}, kinds=KINDS,
        nets={net: tuple(Pin(*point.split(".")) for point in points.split()) for net, points in nets.items()},
        **more,  # type: ignore[arg-type]
    )  # fmt: skip


def _inferred(board: Board) -> tuple[Board, str]:
    report = ImportReport()
    return infer(board, report), "\n".join(map(str, report.remarks))


@pytest.mark.parametrize(
    ("name", "volts"),
    [("+5V", 5), ("5V", 5), ("/+5V", 5), ("-5V", -5), ("12V0", 12), ("3V3", 3.3), ("+12V", 12), ("N12V", -12),
     ("P5V", 5), ("+5V_A", 5), ("+5VA", 5), ("VCC5", 5),
     ("VCC3V3", 3.3), ("+5", 5), ("-12", -12), ("+3.3V", 3.3),
     ("D5", None), ("A12", None), ("VIDEO", None), ("0V", None), ("VCC", None), ("12", None), ("MA5", None)],
)  # fmt: skip
def test_names_give_volts(name: str, volts: float | None) -> None:
    """The usual ways to name a rail are read, and signals are not taken for rails."""
    assert volts_of_name(name) == volts


def test_supply_chain_from_inlet_to_rail() -> None:
    """A regulator makes its output a rail with a source, and its input an unregulated one with an inlet."""
    board, told = _inferred(_board(
        {"U1": "chip", "REG1": "7805", "F1": "fuse", "J1": "connector", "J2": "connector"},
        {"GND": "U1.2 REG1.2 J1.2 J2.2",
         "NET7": "REG1.3 U1.4 J2.1", "NET8": "REG1.1 F1.2",
         "NET9": "F1.1 J1.1",
         "SIG": "U1.1 J2.3"},
    ))  # fmt: skip
    assert board.rails["NET7"] == Rail("NET7", 5.0, (4.75, 5.25), "REG1.3")
    raw = board.rails["NET8"]
    assert (raw.nominal, raw.limits, raw.source) == (9.0, (7.0, 35.0), "J1.1")
    assert board.inlets == ("J1",)
    assert "SIG" not in board.rails
    assert all(word in told for word in ("NET7", "NET8", "J1"))


def test_negative_regulator_and_three_rail_memory() -> None:
    """A negative regulator gives negative rails, and supply pins of memories give theirs."""
    board, _ = _inferred(_board(
        {"REG1": "7912", "U1": "ram", "J1": "connector"},
        {"GND": "REG1.1 U1.2 J1.1", "NEG": "REG1.3 J1.2", "IN": "REG1.2 J1.5",
         "B": "U1.1 J1.3", "D": "U1.3 J1.4"},
    ))  # fmt: skip
    assert {net: rail.nominal for net, rail in board.rails.items()} == {
        "NEG": -12,
        "IN": -16,
        "B": -5,
        "D": 12,
    }
    assert board.rails["NEG"].limits == (-13.2, -10.8)
    assert board.rails["IN"].limits == (-35.0, -14.0)


def test_conflicts_are_told() -> None:
    """A net named +12V with logic on it keeps its name's voltage, and the conflict is told."""
    board, told = _inferred(_board({"U1": "chip", "U2": "chip"}, {"GND": "U1.2 U2.2", "+12V": "U1.4 U2.4"}))
    assert board.rails["+12V"].nominal == 12
    assert "speaks against" in told


def test_largest_ground_wins() -> None:
    """Of several grounds the one with most pins is used, and the others are named."""
    board, told = _inferred(_board(
        {"U1": "chip", "U2": "chip", "U3": "chip", "J1": "connector"},
        {"AGND": "U3.2 J1.1", "VSS": "U1.2 U2.2 J1.2"},
    ))  # fmt: skip
    assert board.ground == "VSS"
    assert "AGND" in told


def test_ground_without_a_name() -> None:
    """Ground pins find a ground whose net has no telling name."""
    board, told = _inferred(_board({"U1": "chip", "U2": "chip"}, {"N1": "U1.2 U2.2", "N2": "U1.4 U2.4"}))
    assert board.ground == "N1"
    assert "N1" in told
    assert set(board.rails) == {"N2"}


def test_a_driven_net_is_no_rail() -> None:
    """A supply pin strapped to a signal does not make the signal a rail."""
    board, _ = _inferred(_board({"U1": "chip", "U2": "chip"}, {"GND": "U1.2 U2.2", "X": "U1.4 U2.3"}))
    assert "X" not in board.rails


def test_sockets_need_a_hint() -> None:
    """A footprint that says socket makes a part pullable; a socket strip is a connector; others are not."""
    board = _board({"U1": "chip", "U2": "chip", "J1": "connector"}, {"GND": "U1.2 U2.2 J1.1"})
    prints = {"U1": "DIP-4_Socket", "U2": "DIP-4", "J1": "PinSocket_1x04"}
    parts = {ref: Part(ref, part.kind, footprint=prints[ref]) for ref, part in board.parts.items()}
    board, told = _inferred(board.with_(parts=parts))
    assert [ref for ref, part in board.parts.items() if part.socket] == ["U1"]
    assert "U1" in told


def test_given_rails_and_inlets_stay() -> None:
    """What the board already says is not overruled."""
    given_rail = Rail("NET7", 6.0, (5.0, 7.0), "J9.1")
    board, _ = _inferred(_board(
        {"U1": "chip", "REG1": "7805", "J1": "connector"},
        {"GND": "U1.2 REG1.2 J1.2", "NET7": "REG1.3 U1.4", "NET8": "REG1.1 J1.1"},
        rails={"NET7": given_rail}, inlets=("J9",),
    ))  # fmt: skip
    assert board.rails["NET7"] == given_rail
    assert board.inlets == ("J9",)


_POINTS = st.tuples(st.sampled_from(["U1", "REG1", "J1", "X", "F1"]), st.sampled_from("1234"))


@given(st.dictionaries(st.text(max_size=6), st.lists(_POINTS, max_size=5), max_size=6))
def test_inference_never_fails(nets: dict[str, list[tuple[str, str]]]) -> None:
    """Whatever the nets, inference gives a board whose rails are nets of it and not its ground."""
    kinds = {"U1": "chip", "REG1": "7805", "J1": "connector", "F1": "fuse"}
    parts = {ref: Part(ref, kind) for ref, kind in kinds.items()}
    made = {net: tuple(Pin(*point) for point in points) for net, points in nets.items()}
    board, _ = _inferred(Board(parts=parts, kinds=KINDS, nets=made))
    assert set(board.rails) <= set(board.nets) - {board.ground}
