"""All that looks wrong with a board is said at once, with its place."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright.board import Board, Pin
from benchwright.board.problems import problems
from benchwright.demo import fulmar65
from random_boards import random_board

SOUND = """\
[board]
name = "Small"
ground = "GND"

[rails]
"+5V" = { nominal = 5.0, limits = [4.75, 5.25], from = "J1.1" }

[parts]
J1 = { kind = "connector", pin_count = 3 }
U1 = { kind = "74LS04" }
R1 = { kind = "resistor", value = "4k7" }

[nets]
"+5V" = ["J1.1", "U1.14", "R1.1"]
GND = ["J1.2", "U1.7"]
A = ["J1.3", "R1.2", "U1.1"]
B = ["U1.2", "U1.3"]
"""


def board(tmp_path: Path, *changes: tuple[str, str]) -> Board:
    """The small sound board with some of its text changed."""
    text = SOUND
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    path = tmp_path / "small.toml"
    path.write_text(text, encoding="utf-8")
    return Board.load(path)


def test_a_sound_board_has_none(tmp_path: Path) -> None:
    """Nothing is said where nothing is wrong; the Fulmar 65 is sound as well."""
    assert problems(board(tmp_path)) == []
    assert problems(fulmar65.board()) == []


MISTAKES = [
    ([(', "U1.3"', "")], "net B has one pin only, U1.2"),
    ([('"U1.14", ', "")], "supply pin U1.14 (VCC) of 74LS04 is not connected"),
    ([('"U1.14", ', ""), ('"U1.7"', '"U1.7", "U1.14"')], "supply pin U1.14 (VCC) is on ground GND: is the"),
    ([(', "U1.7"', ""), ('"U1.14"', '"U1.14", "U1.7"')], "ground pin U1.7 (GND) is on rail +5V: is the"),
    ([('"U1.3"', '"U1.4"')], "net B joins 2 outputs: U1.2, U1.4"),
    ([("R1 = {", 'C9 = { kind = "capacitor" }\nR1 = {')], "C9 is on no net"),
    ([("R1 = {", 'U2 = { value = "XQ9000" }\nR1 = {')], "U2 (XQ9000) is not recognised: give its kind"),
    ([("R1 = {", "U2 = {}\nR1 = {")], "U2 (no value) is not recognised: give its kind"),
]


@pytest.mark.parametrize(("changes", "words"), MISTAKES, ids=[words for _, words in MISTAKES])
def test_each_mistake_is_said_with_its_place(
    tmp_path: Path, changes: list[tuple[str, str]], words: str
) -> None:
    """A pin or a part put wrong gives the complaint that names it."""
    found = problems(board(tmp_path, *changes))
    assert any(line.startswith(words) for line in found), found


def test_rails_and_ground_must_be_nets() -> None:
    """A rail or a ground that no pin is on, and a pin of a part that is not there, are named."""
    whole = random_board(3, chips=3, nets=14, passives=6)
    nets = {net: pins for net, pins in whole.nets.items() if net != whole.ground}
    rail = next(iter(whole.rails))
    del nets[rail]
    nets["STRAY"] = (Pin("U77", "1"), Pin("U77", "2"))
    found = problems(whole.with_(nets=nets))
    assert f"the ground net {whole.ground!r} has no pins: name the ground with [board] ground = ..." in found
    assert f"rail {rail} is not a net of this board" in found
    assert "net STRAY has pin U77.1, but there is no part U77" in found


@given(seed=st.integers(0, 10_000), lost=st.integers(0, 200))
def test_a_pin_cut_off_is_always_noticed_if_it_leaves_one_alone(seed: int, lost: int) -> None:
    """Whatever the board, a net cut down to one pin is among the problems, and nothing breaks."""
    whole = random_board(seed, chips=2, nets=10, passives=4)
    net = list(whole.nets)[lost % len(whole.nets)]
    cut = whole.with_(nets={**whole.nets, net: whole.nets[net][:1]})
    assert f"net {net} has one pin only, {whole.nets[net][0]}" in problems(cut)
