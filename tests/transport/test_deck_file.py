"""The deck file: read, written, changed in place, and what it says when something in it is wrong."""

from __future__ import annotations

import contextlib
from importlib.resources import files
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright.errors import BadFile, BenchwrightError
from benchwright.transport import Belt, Deck, Over, RoundPart, read_deck_file, turning, write_deck_file
from benchwright.transport.deck import part_kinds
from benchwright.transport.deck_file import note_in_deck_file
from benchwright.transport.materials import all_materials

HERON = Path(str(files("benchwright.demo").joinpath("decks", "heron-deck.toml")))

SMALL = """\
[deck]
name = "Small"
tape = "c15"

[parts.capstan]
diameter = "2.00 ± 0.02"

[parts.flywheel]
turns_with = "Capstan"
diameter = 60
at = [0.0, 0.0]

[parts.drive]      # not a kind by its name
kind = "Motor"
diameter = 8.0
at = [65.0, 0.0]

[belts.main]
over = ["drive", "flywheel"]
thickness = 1.2
"""


def _read(tmp: Path, text: str) -> Deck:
    path = tmp / "deck.toml"
    path.write_text(text, encoding="utf-8")
    return read_deck_file(path)


def test_a_small_deck_reads(tmp_path):
    """Names in any case, kinds from names, ± as two standard deviations."""
    deck = _read(tmp_path, SMALL)
    assert (deck.name, deck.tape, deck.tape_speed) == ("Small", "C15", 47.625)
    assert deck.parts["capstan"] == RoundPart("capstan", "capstan", 2.0, 0.01)
    assert deck.parts["flywheel"].turns_with == "capstan"
    assert deck.parts["drive"].kind == "motor"
    assert deck.belts["main"] == Belt("main", (Over("drive"), Over("flywheel")), thickness=1.2)


def test_the_invented_deck_reads_and_turns_without_remarks():
    """The demo's deck is complete and consistent."""
    deck = read_deck_file(HERON)
    found = turning(deck)
    assert found.unknown == ()
    assert found.remarks == ()
    assert {turn.name for turn in found.turns} == {*deck.parts, *(f"belt {name}" for name in deck.belts)}
    for belt in deck.belts.values():
        if belt.string_length is None:
            assert deck.path(belt).remarks == ()


names = st.text(
    st.characters(codec="utf-8", exclude_categories=("C", "Z")), min_size=1, max_size=8
).filter(lambda text: text.strip() == text)  # fmt: skip
lengths = st.floats(0.01, 1000)


def _sigma(draw, value: float | None) -> float | None:
    share = draw(st.none() | st.floats(0.0001, 0.4))
    return None if value is None or share is None else share * value


@st.composite
def decks(draw) -> Deck:
    called = draw(st.lists(names, min_size=2, max_size=6, unique_by=str.casefold))
    parts = {}
    for number, name in enumerate(called):
        diameter = draw(st.none() | lengths)
        parts[name] = RoundPart(
            name,
            draw(st.sampled_from(sorted(part_kinds()))),
            diameter,
            _sigma(draw, diameter),
            turns_with=draw(st.sampled_from(["", *called[:number]])),
            runs_against=draw(st.sampled_from(["", *called])),
            teeth=draw(st.integers(0, 50)),
            at=draw(st.none() | st.tuples(st.floats(-500, 500), st.floats(-500, 500))),
            segments=draw(st.integers(0, 12)),
            poles=draw(st.integers(0, 12)),
            mains=draw(st.sampled_from([0.0, 50.0, 60.0])),
            torque=draw(st.none() | st.floats(0.01, 10)),
        )
    belts = {}
    for name in draw(st.lists(names, max_size=2, unique_by=str.casefold)):
        shape = draw(st.sampled_from(["square", "round", "flat"]))
        string = draw(st.none() | lengths)
        belts[name] = Belt(
            name,
            tuple(
                draw(
                    st.lists(st.builds(Over, st.sampled_from(called), st.booleans()), min_size=2, max_size=5)
                )
            ),
            draw(st.booleans()),
            shape,
            draw(st.none() | st.floats(0.1, 10)),
            draw(st.floats(0.1, 10)) if shape == "flat" else 0.0,
            draw(st.sampled_from(sorted(all_materials()))),
            string,
            _sigma(draw, string),
            draw(st.none() | lengths),
        )
    return Deck("A \"deck\" # no\\comment", draw(st.floats(10, 400)), draw(st.floats(0, 0.1)),
                draw(st.sampled_from(["", "C15", "C90"])), parts, belts)  # fmt: skip


@given(decks())
def test_a_written_deck_reads_back_the_same(tmp_path_factory, deck):
    """Writing and reading again loses nothing, whatever the names."""
    read = _read(tmp_path_factory.mktemp("deck"), write_deck_file(deck))
    assert read.speed_sigma == pytest.approx(deck.speed_sigma, rel=1e-12)
    assert read.parts == deck.parts
    assert read.belts == deck.belts
    assert (read.name, read.tape_speed, read.tape) == (deck.name, deck.tape_speed, deck.tape)


@pytest.mark.parametrize(
    ("old", "new", "line", "wanted"),
    [
        ("diameter = 60", "diametre = 60", 10, "did you mean diameter?"),
        ("diameter = 60", 'diameter = "sixty"', 10, "60 ± 0.1"),
        ("diameter = 60", "diameter = -60", 10, "above 0"),
        ("diameter = 60", "diameter = true", 10, "is not millimetres"),
        ("diameter = 60", 'diameter = "60 ± 200"', 10, "larger than the thing itself"),
        ('turns_with = "Capstan"', 'turns_with = "capstone"', 9, "did you mean capstan?"),
        ('kind = "Motor"', 'kind = "motr"', 14, "did you mean motor"),
        ('kind = "Motor"', "", 13, "needs its kind"),
        ("at = [65.0, 0.0]", "at = 65.0", 16, "expected two numbers"),
        ("at = [65.0, 0.0]", "segments = 2.5", 16, "whole number"),
        ('over = ["drive", "flywheel"]', 'over = ["drive", "flywheeel"]', 19, "did you mean flywheel?"),
        ('over = ["drive", "flywheel"]', 'over = ["drive"]', 19, "expected the parts it runs over"),
        ('over = ["drive", "flywheel"]', 'over = ["drive", 3]', 19, "neither a part's name"),
        ("thickness = 1.2", "thickness = 0", 20, "above 0"),
        ("thickness = 1.2", 'section = "triangle"', 20, "expected one of square, round, flat"),
        ("thickness = 1.2", 'material = "EPMD"', 20, "did you mean EPDM"),
        ("thickness = 1.2", "width = 3", 20, "width is for flat belts"),
        ('tape = "c15"', 'tape = "C16"', 3, "did you mean C60, C46, C15"),
        ("[belts.main]", "[belt.main]", 18, "did you mean belts?"),
        ('turns_with = "Capstan"', 'turns_with = "flywheel"', None, "turns with"),
        ("[parts.capstan]", "[parts.capstan", 5, "not TOML"),
    ],
)
def test_errors_name_line_and_key(tmp_path, old, new, line, wanted):
    """What was seen, on which line, what was expected, and the near name."""
    assert old in SMALL
    with pytest.raises(BadFile) as caught:
        _read(tmp_path, SMALL.replace(old, new, 1))
    assert caught.value.line == line
    assert wanted in str(caught.value)
    assert "deck.toml" in str(caught.value)


def test_an_empty_file_and_one_without_parts_say_what_is_missing(tmp_path):
    """Nothing to read is no deck."""
    with pytest.raises(BadFile, match=r"expected \[deck\]"):
        _read(tmp_path, "")
    with pytest.raises(BadFile, match=r"no parts"):
        _read(tmp_path, '[deck]\nname = "x"\n')


@given(st.integers(0, len(SMALL)), st.binary(max_size=6), st.integers(0, 20))
def test_spoilt_files_give_a_deck_or_a_plain_error(tmp_path_factory, at, junk, cut):
    """Whatever bytes are changed: a deck that can be worked with, or an error of this package."""
    path = tmp_path_factory.mktemp("spoilt") / "deck.toml"
    data = SMALL.encode()
    path.write_bytes(data[:at] + junk + data[at + cut :])
    with contextlib.suppress(BenchwrightError):
        turning(read_deck_file(path))


def test_a_noted_value_leaves_the_rest_of_the_file_alone(tmp_path):
    """Comments, order and spacing of the person's file stay; only the value changes."""
    path = tmp_path / "deck.toml"
    path.write_text(SMALL, encoding="utf-8")
    note_in_deck_file(path, "parts", "drive", "diameter", "8.10 ± 0.12")
    assert path.read_text(encoding="utf-8") == SMALL.replace("diameter = 8.0", 'diameter = "8.10 ± 0.12"')
    assert read_deck_file(path).parts["drive"].diameter_sigma == pytest.approx(0.06)
    with pytest.raises(BadFile):
        note_in_deck_file(path, "parts", "nothing", "diameter", 3.0)
