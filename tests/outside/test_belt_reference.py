"""Outside check: belt lengths, wraps, stretches, rotation and spools against published worked examples.

Formulas of the belt's length: Encyclopaedia Britannica, 11th edition, "Mechanics", sections 59 and 60,
equation 32. The on-line text prints the crossed belt with a minus before the arcsine; the plus used here is
the only sign with which a belt on touching pulleys is 2 pi (R + r) long.
"""

from __future__ import annotations

import math

import pytest

from benchwright.transport import (
    Belt,
    Deck,
    Over,
    Pulley,
    RoundPart,
    Section,
    load_of,
    material,
    order_belt,
    run_belt,
    spool_table,
    tape_named,
    turning,
)
from benchwright.transport.materials import young_modulus
from benchwright.transport.order import shorter_from_stretch, stretch_from_shorter
from benchwright.transport.spools import position_after, spool_row
from benchwright.transport.tension import bearing_load, slip_ratio, speed_change, tension
from benchwright.transport.uncertain import Uncertain


def _two(large: float, small: float, centres: float, crossed: bool = False):
    return run_belt([Pulley(0, 0, large), Pulley(centres, 0, small)], crossed=crossed)


def _britannica(large: float, small: float, centres: float, crossed: bool) -> float:
    """Encyclopaedia Britannica, 11th ed., "Mechanics", equation 32 A (open), B (crossed, sign mended)."""
    big, little = large / 2, small / 2
    if crossed:
        both = big + little
        return 2 * math.sqrt(centres**2 - both**2) + both * (math.pi + 2 * math.asin(both / centres))
    off = big - little
    straight = 2 * math.sqrt(centres**2 - off**2)
    return straight + math.pi * (big + little) + 2 * off * math.asin(off / centres)


@pytest.mark.parametrize(
    ("large", "small", "centres"),
    [(1600, 500, 12000), (450, 200, 1950), (10, 2, 24), (60, 8, 95), (70, 10, 60)],
)
@pytest.mark.parametrize("crossed", [False, True])
def test_two_pulleys_follow_the_encyclopaedia(large, small, centres, crossed):
    """Open and crossed belts round two pulleys have the length of the published formula."""
    made = _two(large, small, centres, crossed).length
    assert made == pytest.approx(_britannica(large, small, centres, crossed), rel=1e-12)


def test_the_textbook_open_belt():
    """Pulleys of 1600 and 500 mm, 12 m apart: published answer 27.32 m (textbook problem)."""
    assert _two(1600, 500, 12000).length / 1000 == pytest.approx(27.32, abs=0.005)


def test_the_textbook_crossed_belt():
    """Pulleys of 450 and 200 mm, 1.95 m apart, crossed: 4.975 m and 199 degrees (textbook, from memory)."""
    path = _two(450, 200, 1950, crossed=True)
    assert path.length / 1000 == pytest.approx(4.975, abs=0.0005)
    assert [math.degrees(wrap) for wrap in path.wraps] == pytest.approx([199, 199], abs=0.5)


def test_wraps_of_a_short_drive():
    """70 and 10 mm, 60 mm apart: 240 and 120 degrees, from 180 ± 2 asin((D - d)/2C) (from memory)."""
    assert [math.degrees(wrap) for wrap in _two(70, 10, 60).wraps] == pytest.approx([240, 120], abs=1e-9)


def test_the_equivalent_form_of_the_workshop_note():
    """L = 2R(pi - a + tan a) + 2r(a - tan a), a = arccos((R - r)/C), is the same length (workshop note)."""
    big, little, centres = 5.0, 1.0, 24.0
    a = math.acos((big - little) / centres)
    said = 2 * big * (math.pi - a + math.tan(a)) + 2 * little * (a - math.tan(a))
    assert _two(10, 2, 24).length == pytest.approx(said, rel=1e-12)


@pytest.mark.parametrize(("shorter", "stretch"), [(5, 5.26), (6, 6.38), (10, 11.1)])
def test_shorter_is_not_stretch(shorter, stretch):
    """5 % shorter is 5.26 % stretch, 6 % 6.38 %, 10 % 11.1 %: 100/(100 - x), by hand."""
    assert stretch_from_shorter(shorter) == pytest.approx(stretch, abs=0.05 if shorter == 10 else 0.005)
    assert shorter_from_stretch(stretch_from_shorter(shorter)) == pytest.approx(shorter, rel=1e-12)


@pytest.mark.parametrize(
    ("stretch", "relaxed"), [(5, 285.7), (6, 283.0), (8, 277.8), (10, 272.7), (12, 267.9)]
)
def test_relaxed_length_for_a_path(stretch, relaxed):
    """A path of 300 mm at 5, 6, 8, 10, 12 % of stretch: 300/(1 + s), by hand."""
    made = order_belt(300.0, Section("square", 1.0), material("EPDM"), stretch=stretch)
    assert made.inside_circumference.value == pytest.approx(relaxed, abs=0.05)
    assert made.folded.value == pytest.approx(relaxed / 2, abs=0.05)


def test_urethane_pulls_as_its_maker_says():
    """1 mm2 of urethane 83A at 10 % pulls 1.38 N (200 lbf/in2), half of it after two days (belt maker)."""
    section = Section("flat", 0.5, 2.0)
    assert pytest.approx(1.38, abs=0.002) == 200 * 4.4482216 / 25.4**2  # lbf/in2 in MPa
    assert tension(section, material("urethane 83A"), 10).value == pytest.approx(1.38, abs=0.002)
    assert tension(section, material("urethane 83A"), 10, settled=True).value == pytest.approx(
        0.69, abs=0.002
    )


def test_hardness_gives_about_the_modulus_of_the_belt_maker():
    """Gent's formula at 83 Shore A comes within its usual 30 % of the belt maker's 13.8 MPa."""
    assert young_modulus(83) == pytest.approx(13.8, rel=0.30)


@pytest.mark.parametrize(("wrap", "load"), [(180, 2.00), (150, 1.93), (120, 1.73)])
def test_bearing_load_of_equal_runs(wrap, load):
    """Two runs of 1 N load the bearing with 2.00, 1.93, 1.73 N at 180, 150, 120 degrees (law of cosines)."""
    assert bearing_load(1, 1, math.radians(wrap)) == pytest.approx(load, abs=0.005)


@pytest.mark.parametrize(
    ("friction", "wrap", "ratio"), [(0.5, 150, 3.70), (0.5, 180, 4.81), (0.8, 150, 8.12)]
)
def test_slip_limit(friction, wrap, ratio):
    """e^(mu theta): 3.70, 4.81, 8.12 (Euler and Eytelwein, from memory)."""
    assert slip_ratio(friction, math.radians(wrap)) == pytest.approx(ratio, abs=0.005)


def test_half_a_turn_of_urethane_loads_the_bearing():
    """1 mm2 of urethane 83A at 10 %, half a turn: 2.8 N new, 1.4 N after two days (belt maker)."""
    path = run_belt([Pulley(0, 0, 20), Pulley(50, 0, 20)], thickness=0.5)
    load = load_of(path, Section("flat", 0.5, 2.0), material("urethane 83A"), 10.0)
    assert load.pulleys[0].bearing_new.value == pytest.approx(2.8, abs=0.05)
    assert load.pulleys[0].bearing_settled.value == pytest.approx(1.4, abs=0.05)


def _deck(thickness: float, **more: RoundPart) -> Deck:
    parts = {
        "capstan": RoundPart("capstan", "capstan", 2.0),
        "flywheel": RoundPart("flywheel", "flywheel", 60.0, turns_with="capstan"),
        "motor": RoundPart("motor", "motor", 8.0),
        **more,
    }
    belt = Belt("main", (Over("motor"), Over("flywheel")), thickness=thickness,
                string_length=320 - math.pi * thickness)  # fmt: skip
    return Deck("worked example", parts=parts, belts={"main": belt})


def _hertz(deck: Deck, name: str) -> float:
    turn = turning(deck).of(name)
    assert turn is not None
    return turn.hertz.value


@pytest.mark.parametrize(
    ("diameter", "hertz"), [(1.5, 10.11), (2.0, 7.580), (2.2, 6.891), (2.5, 6.064), (3.0, 5.053)]
)
def test_capstan_frequencies(diameter, hertz):
    """v/(pi d) at 47.625 mm/s (1 7/8 in/s, IEC 60094-1); rule: Handbook for Sound Engineers, ch. 28."""
    deck = Deck("bare", parts={"capstan": RoundPart("capstan", "capstan", diameter)})
    assert _hertz(deck, "capstan") == pytest.approx(hertz, abs=0.0006 if hertz < 10 else 0.006)


@pytest.mark.parametrize(("diameter", "hertz"), [(11, 1.378), (12, 1.263), (13, 1.166), (14, 1.083)])
def test_pinch_roller_frequencies(diameter, hertz):
    """The same rule for the roller."""
    roller = RoundPart("pinch roller", "pinch roller", diameter)
    assert _hertz(_deck(1.0, **{"pinch roller": roller}), "pinch roller") == pytest.approx(hertz, abs=0.0006)


def test_belt_drive_with_a_belt_of_no_thickness():
    """2 mm capstan, 60 mm flywheel, 8 mm pulley, 320 mm of belt: 56.85 Hz and 4.465 Hz, by hand."""
    deck = _deck(0.0)
    assert _hertz(deck, "motor") == pytest.approx(56.85, abs=0.005)
    assert _hertz(deck, "belt main") == pytest.approx(4.465, abs=0.0005)


def test_belt_drive_with_a_belt_of_one_millimetre():
    """The same with pitch diameters D + t: motor 51.37 Hz, belt 4.539 Hz, by hand."""
    deck = _deck(1.0)
    assert _hertz(deck, "motor") == pytest.approx(51.37, abs=0.005)
    assert _hertz(deck, "belt main") == pytest.approx(4.539, abs=0.0005)
    # the motor now turns 56.85/51.37 times too slowly for the speed, so at its old speed the deck is fast
    assert speed_change(8, 60, 0.0, 1.0) == pytest.approx(100 * (56.848 / 51.374 - 1), abs=0.01)


@pytest.mark.parametrize(
    ("name", "full", "turns", "slow", "middle"),
    [
        ("C15", 15.27, 267, 0.497, 13.31),
        ("C46", 21.38, 649, 0.355, 17.00),
        ("C60", 24.07, 817, 0.315, 18.71),
        ("C90", 24.37, 1215, 0.311, 18.90),
        ("C120", 25.23, 1581, 0.300, 19.46),
    ],
)
def test_spools_along_the_tape(name, full, turns, slow, middle):
    """R = sqrt(r0^2 + L t/pi) with a hub of 11 mm: radius, turns and frequencies, by hand."""
    rows = spool_table(tape_named(name), 3)
    assert rows[0].supply_radius.value == pytest.approx(full, abs=0.006)
    assert rows[0].supply_hertz.value == pytest.approx(slow, abs=0.0006)
    assert rows[0].take_up_hertz.value == pytest.approx(0.689, abs=0.0006)
    assert rows[1].supply_radius.value == pytest.approx(middle, abs=0.006)
    assert rows[1].take_up_radius.value == pytest.approx(middle, abs=0.006)
    assert rows[2].turns == pytest.approx(turns, abs=0.6)


@pytest.mark.parametrize(("name", "minutes"), [("C30", 15), ("C60", 30), ("C90", 45), ("C120", 60)])
def test_a_side_lasts_as_long_as_it_says(name, minutes):
    """Minutes per side of US Federal Specification W-C-1684 (1977) are on the tape, at most 7 % to spare."""
    whole = spool_row(tape_named(name), 1.0).minutes
    assert minutes <= whole <= 1.07 * minutes
    assert 0.93 <= position_after(tape_named(name), minutes) <= 1.0


def test_eccentric_capstan():
    """An axis 5 um off on a radius of 1 mm makes ±0.5 % of speed error: e/r, from memory."""
    from benchwright.transport import Line, assign_lines

    deck = _deck(1.0)
    (found,) = assign_lines(deck, [Line(7.58, 0.5, 0.01)], speed_sigma=0.002)
    assert "5 µm off centre" in found.sentence


def test_uncertain_speed_goes_through_to_the_capstan():
    """DIN 45 500 allows ±1.5 % of speed: so much, and no more, may an exact capstan's line be off."""
    speed = Uncertain.of(47.625, 47.625 * 0.015 / 2, "tape speed")
    hertz = speed / (2.0 * math.pi)
    assert 2 * hertz.sigma / hertz.value == pytest.approx(0.015, rel=1e-9)
