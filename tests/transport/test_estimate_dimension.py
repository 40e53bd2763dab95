"""A dimension from a part's own line, and back."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright.transport import (
    BadDeck,
    Belt,
    Deck,
    Over,
    RoundPart,
    UnknownPart,
    estimate_dimension,
    turning,
)

DECK = Deck(
    "bench",
    tape="C60",
    parts={
        part.name: part
        for part in (
            RoundPart("capstan", "capstan", 2.0, 0.005),
            RoundPart("flywheel", "flywheel", 60.0, 0.05, turns_with="capstan"),
            RoundPart("motor", "motor", 8.0, 0.03),
            RoundPart("pinch roller", "pinch roller", 13.0, 0.1),
            RoundPart("drive", "pulley", 7.0, 0.03, turns_with="capstan"),
            RoundPart("wheel", "idler", 22.0, 0.1, runs_against="drive"),
            RoundPart("supply spool", "supply spool", 22.0),
            RoundPart("take-up spool", "take-up spool", 22.0),
        )
    },
    belts={"main": Belt("main", (Over("motor"), Over("flywheel")), thickness=1.0, string_length=320)},
)


@given(
    st.sampled_from(["capstan", "motor", "pinch roller", "wheel"]), st.floats(0.8, 1.25), st.integers(1, 3)
)
def test_a_line_gives_back_the_dimension_that_made_it(name, factor, times):
    """Whatever diameter made the line, the line tells it, whatever the deck file says."""
    part = DECK.parts[name]
    true = part.diameter * factor
    turn = turning(DECK.with_part(replace(part, diameter=true))).of(name)
    assert turn is not None
    for stated in (part, replace(part, diameter=None)):
        deck = DECK.with_part(stated)
        found = estimate_dimension(deck, name.upper(), times * turn.hertz.value, 0.01, times=times)
        assert found.value.value == pytest.approx(true, rel=1e-9)
        assert found.value.sigma > 0


def test_the_belts_length_comes_from_its_line():
    """The path a string would measure."""
    turn = turning(DECK).of("belt main")
    assert turn is not None
    found = estimate_dimension(DECK, "belt main", turn.hertz.value)
    assert found.value.value == pytest.approx(320)
    assert found.key == "string_length"
    assert estimate_dimension(DECK, "main", turn.hertz.value).value.value == pytest.approx(320)


def test_a_spools_line_tells_how_far_the_tape_has_run():
    """At 40 % of the side both spools' lines say 40 %."""
    found = turning(DECK, position=0.4)
    for name in ("supply spool", "take-up spool"):
        turn = found.of(name)
        assert turn is not None
        assert "run to 40 %" in estimate_dimension(DECK, name, turn.hertz.value).sentence


def test_the_uncertainty_holds_the_line_and_the_speed():
    """1 % of line and 2 % of speed make 2.2 % of a roller's diameter."""
    hertz = 1.166
    found = estimate_dimension(DECK, "pinch roller", hertz, 0.01 * hertz, speed_sigma=0.02)
    assert found.value.sigma / found.value.value == pytest.approx(0.02236, rel=1e-3)


def test_a_wrong_dimension_in_the_file_is_pointed_out():
    """9 mm measured where the file says 8: told, with the difference; 8 agrees."""
    turn = turning(DECK.with_part(replace(DECK.parts["motor"], diameter=9.0))).of("motor")
    assert turn is not None
    told = estimate_dimension(DECK, "motor", turn.hertz.value, speed_sigma=0.001).sentence
    assert "8 mm, which is 1 mm too small" in told
    right = turning(DECK).of("motor")
    assert right is not None
    assert "which agrees" in estimate_dimension(DECK, "motor", right.hertz.value).sentence


@pytest.mark.parametrize(
    ("name", "hertz", "problem", "wanted"),
    [
        ("flywheel", 7.58, BadDeck, "the same whatever its diameter"),
        ("motor", 5000.0, BadDeck, "belongs to something else"),
        ("supply spool", 3.0, BadDeck, "not possible with a C60"),
        ("motor", -1.0, BadDeck, "cannot be used"),
        ("motr", 50.0, UnknownPart, "did you mean motor"),
    ],
)
def test_what_a_line_cannot_tell_is_said(name, hertz, problem, wanted):
    """Why not, and what to do instead."""
    with pytest.raises(problem, match=wanted):
        estimate_dimension(DECK, name, hertz)


def test_a_part_that_nothing_drives_cannot_be_estimated():
    """Without a belt or rim there is no speed to divide by."""
    deck = DECK.with_part(RoundPart("lost", "pulley", 9.0))
    with pytest.raises(BadDeck, match="nothing whose speed is known drives it"):
        estimate_dimension(deck, "lost", 3.0)
