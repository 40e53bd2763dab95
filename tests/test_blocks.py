"""Blocks of the machine, and the symptoms they show."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright.board import Block, Board, ImportReport, Kind, Part, Pin, Rail
from benchwright.board.blocks import (
    blocks_of,
    depends,
    match_symptom,
    net_blocks,
    part_blocks,
    symptoms,
    with_blocks,
)
from benchwright.board.infer import infer
from benchwright.board.kinds import load_kinds


def _wire(parts: dict[str, str], nets: dict[str, str], **more: object) -> Board:
    """A board from kinds and nets, pins by function."""
    kinds: dict[str, Kind] = {name: load_kinds()[name] for name in parts.values()}
    bare = Board(parts={ref: Part(ref, kind) for ref, kind in parts.items()}, kinds=kinds)
    made = {}
    for net, points in nets.items():
        pins: list[Pin] = []
        for point in points.split():
            ref, _, name = point.partition(".")
            numbers = kinds[parts[ref]].numbers_named(name) or (name,)
            pins += [Pin(ref, number) for number in numbers]
        made[net] = tuple(pins)
    return bare.with_(nets=made, **more)


def _machine() -> Board:
    """A small invented machine: processor, EPROM, multiplexed memory, keyboard port, tape, serial."""
    parts = {
        "U1": "6502",
        "U2": "2764",
        "U3": "4164",
        "U4": "74LS157",
        "U5": "74LS138",
        "U6": "6821",
        "U7": "LM358",
        "U8": "1488",
        "U9": "74LS04",
        "U10": "6850",
        "U11": "555",
        "U12": "74LS245",
        "Y1": "crystal",
        "J1": "connector",
        "J2": "connector",
        "J3": "connector",
        "J4": "connector",
        "REG1": "7805",
        "REG2": "7912",
        "R1": "resistor",
        "R2": "resistor",
        "R3": "resistor",
        "C1": "ceramic_capacitor",
    }
    parts["C1"] = next(name for name in load_kinds() if load_kinds()[name].category == "capacitor")
    nets = {
        "GND": "U1.VSS U2.GND U3.VSS U4.GND U5.GND U6.VSS U7.V- U8.GND U9.GND U10.VSS U11.GND U12.GND "
               "REG1.GND REG2.GND J1.2 J2.9 J3.2 J4.2 C1.2",
        "+5V": "U1.VCC U2.VCC U3.VCC U4.VCC U5.VCC U6.VCC U7.V+ U9.VCC U10.VCC U11.VCC U12.VCC REG1.OUT C1.1",
        "-12V": "U8.VEE REG2.OUT", "RAW": "REG1.IN J1.1", "NRAW": "REG2.IN J1.3",
        "D0": "U1.D0 U2.D0 U3.D U3.Q U6.D0 U12.A1", "BD0": "U12.B1 U10.D0",
        "A0": "U1.A0 U2.A0 U4.1A", "A8": "U1.A8 U2.A8 U4.1B", "A15": "U1.A15 U5.A", "MA0": "U4.1Y U3.A0",
        "ROMCS": "U5.Y0# U2.CE#", "PIACS": "U5.Y1# U6.CS2#",
        "PHI0": "U9.2Y U1.PHI0IN", "OSC": "U9.1Y U9.2A Y1.2", "X": "U9.1A Y1.1 R1.1", "X2": "R1.2",
        "RES": "U1.RES# U6.RESET# U9.3Y", "TRIP": "U9.3A U11.OUT R2.1",
        "KBD0": "U6.PB0 J2.1", "CASIN": "J3.1 R3.1", "AMP": "R3.2 U7.1IN-", "CMP": "U7.1OUT U6.CA1",
        "TXD": "U10.TXD U8.A", "LINE": "U8.AY J4.1",
    }  # fmt: skip
    return with_blocks(infer(_wire(parts, nets), ImportReport()))


def _refs(board: Board, block: str) -> set[str]:
    return {need for need in board.blocks[block].needs if need in board.parts}


def test_chips_and_their_surroundings_find_their_blocks() -> None:
    """Each function of a small machine gets the parts a restorer would name."""
    board = _machine()
    assert _refs(board, "CPU") >= {"U1"}
    assert _refs(board, "ROM") == {"U2"}
    assert {"U3", "U4"} <= _refs(board, "RAM")
    assert "U5" in _refs(board, "address decode")
    assert {"Y1", "U9", "R1"} <= _refs(board, "clock")
    assert {"U9", "U11", "R2"} <= _refs(board, "reset")
    assert "Y1" not in _refs(board, "reset")
    assert "U11" not in _refs(board, "clock")
    assert {"U6", "J2"} <= _refs(board, "keyboard")
    assert {"U7", "R3", "J3"} <= _refs(board, "tape")
    assert {"U10", "U8", "J4", "U12"} <= _refs(board, "serial") | _refs(board, "CPU")
    assert {"REG1", "J1"} <= _refs(board, "supply")
    assert "U1" not in _refs(board, "keyboard")


def test_rails_reach_only_what_they_feed() -> None:
    """Losing -12 V stops serial and nothing else; losing +5 V stops all."""
    board = _machine()
    needs = depends(board)
    hit = {name for name, needed in needs.items() if "-12V" in needed}
    assert "serial" in hit
    assert not hit & {"CPU", "RAM", "ROM", "supply", "keyboard"}
    assert {"CPU", "RAM", "ROM", "keyboard", "tape", "serial", "clock"} <= {
        name for name, needed in needs.items() if "+5V" in needed and "supply" in needed and "REG1" in needed
    }


def test_needs_run_through_blocks() -> None:
    """The keyboard needs the crystal, because it needs the processor and that needs the clock."""
    assert {"Y1", "clock", "CPU", "U1"} <= depends(_machine())["keyboard"]


def test_nets_belong_to_the_blocks_of_their_parts() -> None:
    """A data line belongs to everything on it, a memory address line to the memory, ground to all."""
    of = blocks_of(_machine())
    assert {"CPU", "ROM", "RAM", "keyboard"} <= of["D0"]
    assert of["MA0"] == {"RAM"}
    assert {"CPU", "ROM", "RAM", "tape", "serial"} <= of["GND"]
    assert "REG1" in of


def test_a_diode_and_a_data_line_of_one_name_are_told_apart() -> None:
    """D1 the part is not blamed for what D1 the net does, though the short list knows only the name."""
    board = _machine()
    parts = {**board.parts, "D0": Part("D0", "resistor")}
    nets = {**board.nets, "LINE": (*board.nets["LINE"], Pin("D0", "1"))}
    board = with_blocks(board.with_(parts=parts, nets=nets, blocks={}))
    assert part_blocks(board)["D0"] == {"serial"}
    assert {"CPU", "ROM", "RAM"} <= net_blocks(board)["D0"]
    assert blocks_of(board)["D0"] == part_blocks(board)["D0"] | net_blocks(board)["D0"]


def test_a_shared_glue_chip_does_not_spread_its_blocks() -> None:
    """The reset line through one gate of an inverter does not belong to the clock on another gate."""
    of = net_blocks(_machine())
    assert "clock" not in of["TRIP"]
    assert "reset" not in of["OSC"]


def test_a_board_keeps_its_own_blocks() -> None:
    """A block that the file names is not derived again, whatever the case of its name."""
    own = Block("cpu", ("U1",), ("dead",))
    board = with_blocks(_machine().with_(blocks={"cpu": own}))
    assert board.blocks["cpu"] == own
    assert "CPU" not in board.blocks
    assert "cpu" in depends(board)["keyboard"]
    assert symptoms()["black screen"].causes.get("cpu", 0.0) == symptoms()["black screen"].causes["CPU"] > 0


@pytest.mark.parametrize(
    ("text", "phrase"),
    [
        ("No picture", "no picture"),
        ("no video at all", "no picture"),
        ("screen full of garbage", "garbage on the screen"),
        ("garbeled screen", "garbage on the screen"),
        ("dead, no power light", "dead"),
        ("nothing at all", "dead"),
        ("blank screen", "white screen"),
        ("It shows a black screen.", "black screen"),
        ("no color", "no colour"),
        ("some keys don't work", "some keys dead"),
        ("keyboard is dead", "no keys"),
        ("keeps resetting", "resets by itself"),
        ("locks up", "hangs"),
        ("can't load tapes", "tape does not load"),
        ("RS232 does not work", "serial does not work"),
        ("the fuse blows at once", "fuse blows"),
        ("picture rolls", "unstable picture"),
        ("WORKS", "works"),
        ("sound does not work", "no sound"),
        ("the chip gets very hot", "hot part"),
        ("draws too much current", "high current"),
    ],
)
def test_free_text_finds_its_symptom(text: str, phrase: str) -> None:
    """What owners say is understood, with its spelling slips."""
    assert match_symptom(text) == phrase


@pytest.mark.parametrize("text", ["", "does not work", "blue", "the keyboard", "0.8 V", "no"])
def test_vague_text_is_not_guessed(text: str) -> None:
    """Words that could mean anything are not taken for a symptom."""
    assert match_symptom(text) is None


def test_every_phrase_and_synonym_means_itself() -> None:
    """No way of saying a symptom is taken for another one."""
    for phrase, symptom in symptoms().items():
        for saying in (phrase, *symptom.synonyms):
            assert match_symptom(saying) == phrase, saying


@given(st.text(max_size=60))
def test_any_text_is_read(text: str) -> None:
    """Whatever is typed gives a known phrase or nothing."""
    found = match_symptom(text)
    assert found is None or found in symptoms()


def test_chances_are_chances_of_known_blocks() -> None:
    """Every cause names a derived block and has a chance between 0 and 1."""
    known = {"clock", "reset", "CPU", "ROM", "RAM", "address decode", "video", "keyboard", "sound", "tape",
             "serial", "ports", "supply"}  # fmt: skip
    for symptom in symptoms().values():
        assert set(symptom.causes) <= known
        assert all(0 < chance <= 1 for chance in symptom.causes.values())
        assert 0 < symptom.seen_without < 1


def test_blocks_that_need_each_other_do_not_loop() -> None:
    """Two blocks that name each other as needs are both found, without end."""
    board = Board(blocks={"a": Block("a", ("b", "U1")), "b": Block("b", ("a",))})
    assert depends(board) == {"a": {"b", "U1"}, "b": {"a", "U1"}}


def test_an_empty_board_has_no_blocks() -> None:
    """Nothing is derived from nothing; a lone unknown part gives no block either."""
    assert not with_blocks(Board()).blocks
    rails = {"GONE": Rail("GONE", 5, (4, 6))}
    lone = Board(parts={"U1": Part("U1")}, nets={"GND": (Pin("U1", "1"),)}, rails=rails)
    assert set(with_blocks(lone).blocks) <= {"supply"}
