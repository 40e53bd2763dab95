"""The board file: read, written, and what it says when something in it is wrong."""

from __future__ import annotations

import contextlib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright.board import Block, Board, Kind, KindPin, Pad, Part, Pin, Rail, Supply, Track
from benchwright.board.board_file import read_board_file, write_board_file
from benchwright.board.kinds import load_kinds
from benchwright.errors import BadFile

SMALL = """
[board]
name = "Fulmar 65"
revision = "C"

[parts]
U1 = { kind = "6502", socket = true, at = [30.5, 42.0], turn = 90 }
U2 = { kind = "2764" }
"U[3..4]" = { kind = "4164" }
REG1 = { kind = "7805" }
J1 = { kind = "connector", value = "DC in" }
R4 = { value = "4k7" }
C1 = { value = "100n" }
X1 = { kind = "ODD99" }

[nets]
GND = ["U1.VSS", "U2.GND", "U[3..4].VSS", "REG1.GND", "J1.2", "C1.2", "X1.1"]
"+5V" = ["U1.VCC", "U2.VCC", "U3.VCC", "U4.VCC", "REG1.OUT", "C1.1", "R4.1"]
RAW = ["REG1.IN", "J1.1"]
"D[0..7]" = ["U1.D[0..7]", "U2.D[0..7]"]
"D0" = ["U3.DIN", "U3.DOUT"]
NIRQ = [
  "U1.IRQ#",
  "R4.2",
  "X1.7",
]

[blocks.video]
needs = ["X1", "clock", "RAM", "+5V"]
shows = ["no picture"]
"""


def _load(tmp: Path, text: str) -> Board:
    path = tmp / "board.toml"
    path.write_text(text, encoding="utf-8")
    return read_board_file(path)


def test_a_small_board_reads(tmp_path: Path) -> None:
    """Kinds, ranges, pins by function, values and blocks of a hand-written file mean what they say."""
    board = _load(tmp_path, SMALL)
    assert (board.name, board.revision, board.ground) == ("Fulmar 65", "C", "GND")
    assert board.parts["U1"] == Part("U1", "6502", socket=True, at=(30.5, 42.0), turn=90.0)
    assert {Pin("U1", "1"), Pin("U1", "21")} <= set(board.nets["GND"])
    assert board.net_of[board.pin("U1.D3")] == "D3" == board.net_of[board.pin("U2.O3")]
    assert {Pin("U3", "2"), Pin("U3", "14")} <= set(board.nets["D0"])
    assert board.net_of[Pin("U1", "4")] == "NIRQ"
    assert board.parts["R4"].size == pytest.approx(4700)
    assert board.parts["C1"].size == pytest.approx(1e-7)
    assert board.blocks["video"] == Block("video", ("X1", "clock", "RAM", "+5V"), ("no picture",))


def test_what_the_file_leaves_out_is_inferred_and_told(tmp_path: Path) -> None:
    """Rails, inlet and blocks come from kinds and nets; an unknown kind works and is told."""
    board = _load(tmp_path, SMALL)
    assert board.rails["+5V"].source == "REG1.3"
    assert board.inlets == ("J1",)
    assert {"CPU", "ROM", "RAM", "supply"} <= set(board.blocks)
    assert board.kind_of("X1").generic
    assert set(board.pins_of["X1"]) == {Pin("X1", "1"), Pin("X1", "7")}
    assert board.report is not None
    assert any("ODD99" in str(remark) and "line 14" in str(remark) for remark in board.report.remarks)


@pytest.mark.parametrize(
    ("old", "new", "line", "told"),
    [
        ('"U1.VCC"', '"U11.VCC"', 18, "did you mean U1"),
        ('"U1.VCC"', '"U1.VCCX"', 18, "did you mean VCC"),
        ('"U1.VCC"', '"U1.99"', 18, "pins 1 to 40"),
        ('"U1.VCC"', "5", 18, "is not a pin"),
        ('"U1.VCC"', '"U1"', 18, "expected part, point and pin"),
        ('  "X1.7",', '  "X1.7",\n  "X9.7",', 26, "no part 'X9'"),
        ('"U2.D[0..7]"', '"U2.D[0..6]"', 20, "7 pins"),
        ('"U1.IRQ#"', '"U1.D0"', 23, "is on net 'D0' and on 'NIRQ'"),
        ("socket = true", "socked = true", 7, "did you mean socket"),
        ("socket = true", 'socket = "yes"', 7, "true nor false"),
        ("turn = 90", 'turn = "left"', 7, "left"),
        ("at = [30.5, 42.0]", "at = [30.5]", 7, "two numbers"),
        ("[nets]", "[nettts]", 16, "did you mean nets"),
        ('needs = ["X1"', 'needs = ["X11"', 29, "did you mean X1"),
        ("[board]", "[board", 2, "not TOML"),
        ("[blocks.video]", '[rails]\n"+5" = { nominal = 5 }\n[blocks.video]', 29, r"did you mean \+5V"),
        ("[blocks.video]", '[rails]\n"+5V" = { limits = [6, 4] }\n[blocks.video]', 29, "lowest"),
        ("[blocks.video]", '[kinds.K]\ncategory = "cpuu"\n[blocks.video]', 28, "did you mean cpu"),
    ],
)
def test_errors_name_the_line_and_what_to_do(
    tmp_path: Path, old: str, new: str, line: int, told: str
) -> None:
    """Each mistake in a file is an error with its line, what was expected, and near names."""
    assert old in SMALL
    with pytest.raises(BadFile, match=told) as seen:
        _load(tmp_path, SMALL.replace(old, new, 1))
    assert f"line {line}" in str(seen.value)


def test_ambiguous_functions_want_a_number(tmp_path: Path) -> None:
    """A function on several signal pins cannot be joined by name."""
    with pytest.raises(BadFile, match="by number"):
        _load(tmp_path, SMALL.replace('"U1.IRQ#"', '"U1.NC"'))


def test_own_kinds_come_before_shipped_ones(tmp_path: Path) -> None:
    """A kind of the file is used by name, and its pins by function."""
    own = '[kinds.ODD99]\ncategory = "video"\npins = "GND:G A0..A1:I VCC:P"\n'
    text = SMALL.replace('"X1.1"]', '"X1.GND"]').replace('"X1.7"', '"X1.A1"') + own
    board = _load(tmp_path, text)
    assert board.net_of[Pin("X1", "3")] == "NIRQ"
    assert board.kind_of("X1").category == "video"


def test_small_board_round_trip(tmp_path: Path) -> None:
    """A read board, written and read again, is the same, its inferences included."""
    board = _load(tmp_path, SMALL).with_(report=None)
    again = _load(tmp_path, write_board_file(board)).with_(report=None)
    assert again == board.with_(kinds=again.kinds)
    assert all(again.kind_of(ref) == board.kind_of(ref) for ref in board.parts)


NAMES = st.text(st.characters(exclude_categories=("Cs", "Cc")), min_size=1, max_size=6)
NUMBERS = st.floats(-1e6, 1e6, allow_nan=False)
PLACES = st.tuples(NUMBERS, NUMBERS)
SHIPPED = ("6502", "74LS245", "resistor", "7805", "74ALS04", "generic")


PARTS = st.builds(
    Part,
    NAMES,
    st.sampled_from((*SHIPPED, "own")),
    st.sampled_from(("", "4k7", "odd", "100n")),
    st.none() | st.floats(1e-12, 1e9),
    st.booleans(),
    st.none() | PLACES,
    NUMBERS,
    st.sampled_from(("top", "bottom")),
    st.sampled_from(("", "DIP-14")),
    st.none() | st.integers(0, 99),
    st.sampled_from(("", "film", "tantalum")),
    st.none() | st.booleans(),
    st.dictionaries(NAMES, NAMES, max_size=2),
)


@st.composite
def own_kinds(draw: st.DrawFn) -> Kind:
    """A kind that is not shipped, its pins named anyhow."""
    numbers = draw(st.lists(NAMES, unique=True, max_size=3))
    pins = tuple(KindPin(number, draw(NAMES), draw(st.sampled_from("PGIO?"))) for number in numbers)
    supplies = (Supply(pins[0].name, 5.0, 0.1, 0.2, "x"),) if pins else ()
    category = draw(st.sampled_from(("cpu", "generic", "video")))
    return Kind("own", draw(NAMES), category, "ls", "DIP-2", pins, supplies, minutes=3.0, skill=2)


@st.composite
def boards(draw: st.DrawFn) -> Board:
    """Any board at all, with the oddest names."""
    kinds = {name: kind for name in SHIPPED if (kind := load_kinds().get(name)) is not None}
    parts = {part.ref: part for part in draw(st.lists(PARTS, min_size=1, max_size=4))}
    refs = st.sampled_from(sorted(parts))
    names = draw(st.lists(NAMES | st.sampled_from(("D[0..7]", "+5V")), unique=True, min_size=1, max_size=4))
    net = st.sampled_from(names)
    nets: dict[str, list[Pin]] = {name: [] for name in names}
    for pin in draw(st.lists(st.builds(Pin, refs, NAMES), unique=True, max_size=8)):
        nets[draw(net)].append(pin)
    sides = st.sampled_from(("both", "top", "bottom", "inner"))
    pads = st.builds(
        Pad,
        st.none() | st.builds(Pin, refs, NAMES),
        st.none() | net,
        PLACES,
        PLACES,
        st.booleans(),
        NUMBERS,
        sides,
        NUMBERS,
        st.booleans(),
        st.booleans(),
    )
    points = st.lists(PLACES, max_size=3).map(tuple)
    low, high = sorted(draw(PLACES))
    one = min(parts)
    return Board(
        name=draw(NAMES),
        revision=draw(st.sampled_from(("", "C"))),
        ground=names[-1],
        parts=parts,
        nets={name: tuple(pins) for name, pins in nets.items()},
        rails={names[0]: Rail(names[0], draw(NUMBERS), (low, high), draw(st.sampled_from(("", one))))},
        blocks={"b": Block("b", (one, names[0], "clock"), ("no picture",))},
        kinds={**kinds, "own": draw(own_kinds())},
        pads=tuple(draw(st.lists(pads, max_size=4))),
        tracks=tuple(draw(st.lists(st.builds(Track, net, st.integers(0, 4), NUMBERS, points), max_size=2))),
        adjacency=frozenset({frozenset(names[:2])}),
        outline=draw(points),
        inlets=(one,),
    )


@given(boards())
def test_any_board_round_trips(tmp_path_factory: pytest.TempPathFactory, board: Board) -> None:
    """Whatever its names and numbers, a board that is written reads back the same."""
    again = _load(tmp_path_factory.mktemp("b"), write_board_file(board)).with_(report=None)
    assert again.with_(kinds={}) == board.with_(kinds={})
    for ref, part in board.parts.items():
        if part.kind in board.kinds:
            assert again.kind_of(ref) == board.kind_of(ref)


@given(st.data())
def test_a_damaged_file_gives_a_board_or_a_clear_error(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    """A good file cut off, spoilt by any bytes, or none at all gives a board or an error with its name."""
    good = SMALL.encode()
    start = data.draw(st.integers(0, len(good)))
    spoilt = good[:start] + data.draw(st.binary(max_size=30)) + good[start + data.draw(st.integers(0, 900)) :]
    path = tmp_path_factory.mktemp("b") / "any.toml"
    path.write_bytes(spoilt)
    with contextlib.suppress(BadFile):
        board = read_board_file(path)
        assert set(board.net_of) <= {pin for pins in board.nets.values() for pin in pins}


def test_a_missing_file_is_a_clear_error(tmp_path: Path) -> None:
    """A file that is not there is said to be so."""
    with pytest.raises(BadFile, match="cannot be opened"):
        read_board_file(tmp_path / "none.toml")
