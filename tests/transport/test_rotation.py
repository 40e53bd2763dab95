"""Rotation of every part of a deck, and of the spools along the tape."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright.transport import BadDeck, Belt, Deck, Over, RoundPart, UnknownPart, tape_named, turning
from benchwright.transport.rotation import pulses
from benchwright.transport.spools import all_tapes, packs, position_after, spool_row

PARTS = (
    RoundPart("capstan", "capstan", 2.0, 0.005),
    RoundPart("flywheel", "flywheel", 60.0, 0.05, turns_with="capstan", at=(0, 0)),
    RoundPart("motor", "motor", 8.0, 0.03, at=(65, 0), segments=5, poles=2),
    RoundPart("pinch roller", "pinch roller", 13.0, 0.1),
    RoundPart("drive", "pulley", 7.0, 0.03, turns_with="flywheel"),
    RoundPart("wheel", "idler", 25.0, 0.1, runs_against="drive"),
    RoundPart("clutch", "clutch", 60.0, 0.1, runs_against="wheel"),
    RoundPart("supply spool", "supply spool", 22.0),
    RoundPart("take-up spool", "take-up spool", 22.0),
    RoundPart("counter gear", "gear", 10.0, turns_with="take-up spool", teeth=12),
    RoundPart("counter", "counter", 10.0, meshes_with="counter gear", teeth=36),
)
BELT = Belt("main", (Over("motor"), Over("flywheel")), thickness=1.2)


def deck_of(*parts: RoundPart, belts: tuple[Belt, ...] = (BELT,), **more) -> Deck:
    return Deck("bench", parts={p.name: p for p in parts}, belts={b.name: b for b in belts}, **more)


DECK = deck_of(*PARTS)


def _hertz(deck: Deck, name: str, **options) -> float:
    turn = turning(deck, **options).of(name)
    assert turn is not None, name
    return turn.hertz.value


def test_surfaces_that_touch_move_alike():
    """Belt, rims, gears and tape: what touches has one speed at the place of contact."""
    flywheel = _hertz(DECK, "flywheel")
    assert _hertz(DECK, "motor") * (8 + 1.2) == pytest.approx(flywheel * (60 + 1.2))
    assert _hertz(DECK, "drive") * 7 == pytest.approx(_hertz(DECK, "wheel") * 25)
    assert _hertz(DECK, "clutch") * 60 == pytest.approx(_hertz(DECK, "drive") * 7)
    assert _hertz(DECK, "counter") * 36 == pytest.approx(_hertz(DECK, "take-up spool") * 12)
    assert _hertz(DECK, "capstan") * math.pi * 2 == pytest.approx(47.625)
    assert _hertz(DECK, "pinch roller") * math.pi * 13 == pytest.approx(47.625)


def test_the_belt_comes_round_as_often_as_its_length_says():
    """Speed of the belt's middle over its length: computed path, string and size agree within their ±."""
    path = DECK.path(BELT)
    speed = _hertz(DECK, "motor") * math.pi * 9.2
    made = turning(DECK).of("belt main")
    assert made is not None
    assert made.hertz.value == pytest.approx(speed / path.length)
    string = replace(BELT, string_length=path.string_length)
    size = replace(BELT, inside_circumference=path.string_length / 1.07)
    no_place = [replace(part, at=None) for part in PARTS]
    for belt in (string, size):
        other = turning(deck_of(*no_place, belts=(belt,))).of("belt main")
        assert other is not None
        assert other.hertz.value == pytest.approx(made.hertz.value, rel=1e-4)
    unknown = turning(deck_of(*no_place))
    assert unknown.of("belt main") is None
    assert any("its length is not known" in text for text in unknown.unknown)


@given(st.floats(0.8, 1.25))
def test_a_speed_error_scales_every_line(ratio):
    """All frequencies follow the measured speed."""
    base = turning(DECK)
    for turn, usual in zip(turning(DECK, speed_ratio=ratio).turns, base.turns, strict=True):
        assert turn.hertz.value == pytest.approx(ratio * usual.hertz.value, rel=1e-12)


def test_uncertainty_agrees_with_drawn_dimensions(rng):
    """The stated spread of the motor's line is that of decks with dimensions drawn within their ±."""
    told = turning(DECK, speed_sigma=0.002).of("motor")
    assert told is not None
    drawn = []
    for _ in range(300):
        parts = [
            replace(p, diameter=p.diameter + p.diameter_sigma * rng.standard_normal())
            if p.diameter_sigma and p.diameter
            else p
            for p in PARTS
        ]
        belt = replace(BELT, thickness=1.2 + 0.05 * rng.standard_normal())
        value = _hertz(deck_of(*parts, belts=(belt,)), "motor", speed_ratio=1 + 0.002 * rng.standard_normal())
        drawn.append(value * (1 + 0.005 * rng.standard_normal()))
    assert told.hertz.value == pytest.approx(float(np.mean(drawn)), rel=0.003)
    assert told.hertz.sigma == pytest.approx(float(np.std(drawn)), rel=0.16)


def test_only_what_hangs_on_a_spool_moves_along_the_tape():
    """Spools, and the counter they drive; everything else stays."""
    moving = {turn.name for turn in turning(DECK).turns if turn.moves}
    assert moving == {"supply spool", "take-up spool", "counter gear", "counter"}
    take_up = turning(DECK, tape="C60").of("take-up spool")
    assert take_up is not None
    assert take_up.start > take_up.end
    assert _hertz(DECK, "take-up spool", position=0.0) == pytest.approx(take_up.start)


@given(st.sampled_from(sorted(all_tapes())), st.floats(0, 1), st.floats(0, 1))
def test_the_squares_of_both_radii_keep_their_sum(name, one, other):
    """What one pack loses the other gains."""
    a, b = packs(tape_named(name), one), packs(tape_named(name), other)
    assert a.supply.value**2 + a.take_up.value**2 == pytest.approx(b.supply.value**2 + b.take_up.value**2)


@given(st.sampled_from(sorted(all_tapes())), st.floats(0.01, 0.99))
def test_minutes_and_position_go_there_and_back(name, share):
    """The position after the minutes of a row is that row's position; the tape wound on is v t."""
    tape = tape_named(name)
    row = spool_row(tape, share)
    assert position_after(tape, row.minutes) == pytest.approx(share)
    # turns times mean circumference is the length wound on
    mean = math.pi * (row.take_up_radius.value + tape.hub.value)
    assert row.turns * mean == pytest.approx(share * tape.length.value, rel=1e-9)


def test_pulses_of_motor_and_teeth():
    """Segments, twice an odd number of them, poles, teeth; mains at twice its frequency."""
    found = turning(DECK)
    motor = _hertz(DECK, "motor")
    told = {(pulse.name, pulse.what): pulse.hertz.value for pulse in pulses(DECK, found)}
    assert told[("motor", "once per segment of its commutator")] == pytest.approx(5 * motor)
    assert told[("motor", "twice per segment (an odd number of them)")] == pytest.approx(10 * motor)
    assert told[("motor", "once per pole")] == pytest.approx(2 * motor)
    assert told[("counter", "once per tooth")] == pytest.approx(36 * _hertz(DECK, "counter"))
    fed = DECK.with_part(replace(DECK.parts["motor"], mains=50.0))
    assert any(pulse.hertz.value == 100 for pulse in pulses(fed, turning(fed)))


def test_a_second_capstan_follows_the_belt():
    """In a deck with two capstans the first sets the speed; the other turns as the belt says."""
    second = RoundPart("capstan 2", "capstan", 2.1)
    wheel = RoundPart("flywheel 2", "flywheel", 62.0, turns_with="capstan 2", at=(0, 90))
    belt = replace(BELT, over=(Over("motor"), Over("flywheel"), Over("flywheel 2")))
    deck = deck_of(*PARTS, second, wheel, belts=(belt,))
    assert _hertz(deck, "capstan 2") * (62 + 1.2) == pytest.approx(_hertz(deck, "capstan") * (60 + 1.2))


def test_contradictions_are_told():
    """A take-up spool driven hard by the belt cannot also follow the tape."""
    hard = RoundPart("take-up spool", "take-up spool", 22.0, runs_against="wheel")
    deck = deck_of(*(hard if part.name == "take-up spool" else part for part in PARTS))
    assert any("one of the two slips" in text for text in turning(deck).remarks)
    slow = DECK.with_part(replace(DECK.parts["motor"], diameter=80.0))
    remarks = turning(slow).remarks
    assert any(text.startswith("motor would turn at") for text in remarks)
    assert any("overlap" in text for text in remarks)


def test_what_is_not_known_is_said_and_the_rest_still_answers():
    """A missing diameter or drive leaves one part out, not all."""
    deck = DECK.with_part(replace(DECK.parts["motor"], diameter=None)).with_part(
        RoundPart("lost", "pulley", 9.0)
    )
    found = turning(deck)
    assert found.of("motor") is None
    assert found.of("clutch") is not None
    told = " ".join(found.unknown)
    assert "motor: its diameter is not known" in told
    assert "lost: nothing that turns is known to drive it" in told


def test_decks_that_cannot_answer_are_refused():
    """No capstan, a wrong cassette, a wrong place, a wrong speed."""
    with pytest.raises(BadDeck, match="no capstan"):
        turning(deck_of(PARTS[2], belts=()))
    with pytest.raises(UnknownPart, match="C60"):
        turning(DECK, tape="C61")
    with pytest.raises(BadDeck, match="0 \\(start"):
        turning(DECK, position=1.5)
    with pytest.raises(BadDeck, match="speed ratio"):
        turning(DECK, speed_ratio=47.6)
    with pytest.raises(BadDeck, match="turns with"):
        deck_of(
            RoundPart("a", "pulley", 1.0, turns_with="b"),
            RoundPart("b", "pulley", 1.0, turns_with="a"),
            belts=(),
        ).shaft_of("a")
