"""Whatever a file holds, a reader gives a board with remarks, or one clear error."""

from __future__ import annotations

import contextlib
import math
import random
import tempfile
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright.board import Board, ImportReport
from benchwright.board.ipc356 import read_ipc356
from benchwright.board.net_table import read_net_table
from benchwright.board.netlist_data import NetlistData
from benchwright.board.parts_list import read_parts_list
from benchwright.board.spice_read import read_spice
from benchwright.errors import BadFile

IPC = """\
P  JOB   demo
P  UNITS CUST 0
P  IMAGE PRIMARY
P  NNAME00001 A_LONG_NET_NAME_OF_A_BOARD
317+5V              J1    -1    D0400PA00X+001000Y+001000X0700Y0700R000 S0
317GND              J1    -2    D0400PA00X+002000Y+001000X0700Y0000R000 S0
017                       -     D0400PA00X+002000Y+001000
327NNAME00001       U1    -7          A02X+004500Y+003000X0250Y0600R000 S0
317NNAME00001       VIA   -    MD0150PA00X+004500Y+002500X0350Y0000R000 S3
307GND              VIA   -     D0150PA01X+004500Y+002500X0350Y0000R000 S3L01L02
327N/C              U1    -3          A02X+003500Y+003000X0250Y0600R000 S0
367N/C              H1    -1    D1250UA00X+005000Y+000500X1250Y0000R000 S0
370GND             A01 X+001000Y+001000 R 4.70E+3 4.60E+3 4.80E+3 RB1
070+5V             A01 X+002000Y+001000 X 001500 Y 001000
378GND            L02 X200 X2000Y1000 X4000 Y1500*X2000Y1000 Y3800
078                   X100Y100 X200
389BOARD_EDGE         X50 X0Y0 X5500 Y4000 X0 Y0
379GND +5V NNAME00001
309 MY R090 X+050000Y-001000
999
"""
PARTS = """\
ref,value,footprint,x,y,rotation,pin_count,socket
U1,"SN74LS245N",DIP-20,10,20,90,20,yes
R1-R4,4k7,,,,,2,
"""
TABLE = "net,ref,pin\n+5V,U1,20\nGND,U1,10\nA0,U1,2\nA0,J1,1\n"
SPICE = """\
title
V1 vcc 0 DC 5
R1 vcc n1 4.7k
+ tc=1
Q1 n1 b 0 QX
.model QX NPN(BF=100)
XU1 n1 b vcc 0 gate
.subckt gate a b v g
.ends
.end
"""
Reader = Callable[[str, str, ImportReport], object]
READERS: dict[str, tuple[Reader, str]] = {
    "ipc356": (read_ipc356, IPC),
    "parts list": (read_parts_list, PARTS),
    "net table": (read_net_table, TABLE),
    "spice": (read_spice, SPICE),
}
each_reader = pytest.mark.parametrize("name", READERS)

NASTY = st.one_of(
    st.text(max_size=30),
    st.sampled_from(
        [
            "\0", "nan", "inf", "-1e999", "9" * 400, "1" * 5000, "X+" + "9" * 50, "\u2028", "\x1a", '"',
            '"' * 7, "\r", "\n", "\t", "\ufeff", "٣٤", "²", "X" * 300, ",", ";", " " * 100, "-", "*",
            "+", "S9", "R-90", "NNAME", "999", "P  UNITS CUST 9", "P  IMAGE 2\n", ".ends\n", ".subckt\n",
            "=", "()", "R1-R9999999",
        ]
    ),
)  # fmt: skip


@st.composite
def _damaged(draw: st.DrawFn, good: str) -> str:
    text = good
    for _ in range(draw(st.integers(1, 6))):
        start = draw(st.integers(0, len(text)))
        end = min(len(text), start + draw(st.sampled_from((0, 0, 1, 3, 20, 200))))
        text = text[:start] + draw(NASTY) + text[end:]
    return text[: draw(st.integers(0, len(text)))] if draw(st.booleans()) else text


def _judge(reader: Reader, text: str) -> None:
    report = ImportReport()
    try:
        data = reader(text, "made.txt", report)
    except BadFile as error:
        if not str(error).startswith("made.txt"):
            pytest.fail(f"an error that does not name its file: {error}")
        return
    lines = text.count("\n") + text.count("\r") + 1
    assert all(remark.line is None or 1 <= remark.line <= lines for remark in report.remarks)
    if not isinstance(data, NetlistData):
        return
    pins = [pin for on in data.nets.values() for pin in on]
    assert len(pins) == len(set(pins))
    assert not set(pins) & set(data.unconnected)
    for pad in data.pads:
        assert all(map(math.isfinite, (*pad.at, *pad.size, pad.turn, pad.drill)))
        assert min(pad.size) > 0
        assert pad.drill >= 0
        assert pad.net is None or pad.net in data.nets
        assert pad.pin is None or pad.net is None or pad.pin in data.nets[pad.net]


@each_reader
@given(st.data())
def test_damaged_files_never_break_a_reader(name: str, data: st.DataObject) -> None:
    """A good file with pieces cut, swapped or filled with nonsense is read, or refused by name."""
    reader, good = READERS[name]
    _judge(reader, data.draw(_damaged(good)))


@each_reader
@given(text=st.text(max_size=200))
def test_any_text_never_breaks_a_reader(name: str, text: str) -> None:
    """Arbitrary text is read or refused by name."""
    _judge(READERS[name][0], text)


@each_reader
def test_every_truncation_is_read_or_refused(name: str) -> None:
    """A file cut short at any letter gives what is left of it, or one clear error."""
    reader, good = READERS[name]
    for end in range(len(good)):
        _judge(reader, good[:end])


@pytest.mark.parametrize("make", [Board.from_ipc356, Board.from_net_table, Board.from_spice])
@given(
    content=st.one_of(
        st.binary(max_size=200),
        *(
            _damaged(good).map(lambda text: text.encode("utf-8", "surrogatepass"))
            for good in (IPC, TABLE, SPICE)
        ),
        st.sampled_from(
            [text.encode(code) for text in (IPC, TABLE, SPICE) for code in ("utf-16", "cp037", "utf-8-sig")]
        ),
    ),
    parts=st.one_of(
        st.none(), st.binary(max_size=100), _damaged(PARTS).map(lambda text: text.encode("utf-8", "replace"))
    ),
)
def test_whole_imports_never_break(make: Callable[..., Board], content: bytes, parts: bytes | None) -> None:
    """From bytes to board, any netlist with any parts list gives a board with a connected pin or BadFile."""
    with tempfile.TemporaryDirectory() as folder:
        path, listed = Path(folder) / "net", Path(folder) / "parts"
        path.write_bytes(content)
        if parts is not None:
            listed.write_bytes(parts)
        with contextlib.suppress(BadFile):
            board = make(path, listed if parts is not None else None)
            assert any(board.nets.values())
            assert all(pin.ref in board.parts for pins in board.nets.values() for pin in pins)
            assert board.report is not None


@pytest.mark.parametrize("make", [Board.from_ipc356, Board.from_net_table, Board.from_spice])
def test_files_that_are_no_text(tmp_path: Path, make: Callable[..., Board]) -> None:
    """A binary file and a missing one are refused with their names."""
    path = tmp_path / "picture.ipc"
    path.write_bytes(b"\x89PNG\r\n\0\0\0")
    with pytest.raises(BadFile, match=r"picture\.ipc: this is not a text file"):
        make(path)
    with pytest.raises(BadFile, match=r"missing\.ipc: the file cannot be read"):
        make(tmp_path / "missing.ipc")


def test_nets_without_pins_are_not_enough(tmp_path: Path) -> None:
    """A netlist of vias only has nets but no pin, and is refused."""
    path = tmp_path / "vias.ipc"
    path.write_text(
        "P  UNITS CUST 1\n317A                VIA   -    MD0300PA00X+010000Y+020000X0600Y0000R000 S0\n999\n",
        encoding="utf-8",
    )
    with pytest.raises(BadFile, match="no pin is on any net"):
        Board.from_ipc356(path)


def test_a_hundred_thousand_pads() -> None:
    """A file of 100,000 records is read whole: every pin and pad arrives, and repairs share remarks."""
    rng = random.Random(7)
    lines = ["P  UNITS CUST 1", "P  IMAGE PRIMARY"]
    for index in range(100_000):
        pin, ref = index % 40 + 1, index // 40
        x, y = 100 * (index % 1000), 2540 * (index // 1000)
        net = f"N{rng.randrange(20_000)}"
        lines.append(f"317{net:<17}U{ref:<5}-{pin:<4} D0800PA00X+{x:06d}Y+{y:06d}X0060Y0000R000S0")
    lines[50_000] = lines[50_000].replace("X+", "X+0")
    report = ImportReport()
    data = read_ipc356("\n".join([*lines, "999"]), "big.ipc", report)
    assert sum(map(len, data.nets.values())) == 100_000
    assert len(data.pads) == 100_000
    assert [remark.line for remark in report.of("repaired")] == [50_001]
    assert len(report.remarks) < 20
