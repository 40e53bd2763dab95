"""The belt to order, its pull, and what an old one tells."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright.transport import (
    BadBelt,
    Pulley,
    Section,
    UnknownPart,
    load_of,
    material,
    order_belt,
    read_old_belt,
    run_belt,
)
from benchwright.transport.materials import all_materials, all_shapes, young_modulus
from benchwright.transport.order import permanent_set, pitch_length, true_stretch
from benchwright.transport.tension import explain_load, slip_ratio, slip_torque, tension
from benchwright.transport.uncertain import Uncertain

SQUARE = Section("square", 1.2)
EPDM = material("epdm")
PATH = run_belt([Pulley(0, 0, 60, name="flywheel"), Pulley(65, 0, 8, name="motor")], thickness=1.2)


@given(st.floats(50, 2000), st.floats(0, 30), st.lists(st.floats(40, 2000), max_size=8))
def test_every_size_offered_fits_its_own_figures(length, stretch, sizes):
    """Stretch, shortening and size of each offer agree, the choice is usual, and no usual size beats it."""
    made = order_belt(length, SQUARE, EPDM, stretch=stretch, sizes=sizes)
    assert made.inside_circumference.value * (1 + stretch / 100) == pytest.approx(length)
    assert list(made.sizes) == sorted(made.sizes, key=lambda size: size.inside_circumference)
    for size in made.sizes:
        assert size.inside_circumference * (1 + size.stretch / 100) == pytest.approx(length)
        assert length * (1 - size.shorter / 100) == pytest.approx(size.inside_circumference)
        within = EPDM.stretch[0] <= size.stretch <= EPDM.stretch[2]
        assert (size.verdict == "usual") == within
    usual = [abs(size.stretch - stretch) for size in made.sizes if size.verdict == "usual"]
    if usual:
        assert made.choice is not None
        assert abs(made.choice.stretch - stretch) == min(usual)
    else:
        assert made.choice is None


def test_sizes_come_in_the_step_asked_for():
    """Without a list, multiples of the step stand around the ideal length."""
    made = order_belt(300.0, SQUARE, EPDM, shorter=6, step=7)
    sizes = [size.inside_circumference for size in made.sizes]
    assert all(size % 7 == 0 for size in sizes)
    assert sizes[0] < 282 < sizes[-1]


def test_the_uncertainty_of_the_path_reaches_the_order():
    """A string read to ±1 mm leaves the belt as uncertain, less the stretch."""
    made = order_belt(Uncertain.of(300, 0.5, "string"), SQUARE, EPDM, stretch=10)
    assert made.inside_circumference.sigma == pytest.approx(0.5 / 1.1)


@pytest.mark.parametrize(
    "options",
    [
        {"stretch": 5, "shorter": 5}, {"shorter": 100}, {"shorter": -1}, {"stretch": -1}, {"stretch": 80},
        {"sizes": [0.0]}, {"step": 0.0}, {"stretch": math.nan},
    ],
)  # fmt: skip
def test_orders_that_make_no_sense_are_refused(options):
    """Two stretches at once, impossible ones, and sizes that are none."""
    with pytest.raises(BadBelt):
        order_belt(300.0, SQUARE, EPDM, **options)


def test_stretch_of_the_middle_is_less_than_that_of_the_inner_side():
    """The middle of the relaxed belt is longer by pi t, and so is its path: the ratio is nearer to one."""
    fitted = order_belt(PATH.string_length, SQUARE, EPDM, stretch=10).inside_circumference.value
    middle = true_stretch(PATH, fitted)
    assert middle == pytest.approx(100 * (PATH.length / pitch_length(fitted, 1.2) - 1))
    assert 9.5 < middle < 10


@given(st.floats(0.2, 3), st.floats(0.5, 15), st.sampled_from(sorted(all_materials())))
def test_pull_grows_with_section_and_stretch_and_falls_with_days(size, stretch, name):
    """Double the area or the stretch doubles the pull; a settled belt pulls less than a new one."""
    stuff = material(name)
    one = tension(Section("square", size), stuff, stretch)
    assert tension(Section("flat", size, 2 * size), stuff, stretch).value == pytest.approx(2 * one.value)
    assert tension(Section("square", size), stuff, 2 * stretch).value == pytest.approx(2 * one.value)
    settled = tension(Section("square", size), stuff, stretch, settled=True)
    assert 0 < settled.value < one.value
    assert settled.sigma / settled.value > one.sigma / one.value
    assert tension(Section("square", size), stuff, -3).value == 0


@given(st.floats(0.1, 1.5), st.floats(0.3, 6), st.floats(1, 40))
def test_slip_torque_is_where_both_runs_reach_the_slip_ratio(friction, wrap, radius):
    """With T1 + T2 = 2 T0 and T1/T2 = e^(mu theta), the torque is (T1 - T2) r."""
    ratio = slip_ratio(friction, wrap)
    slack = 2.0 / (1 + ratio)
    expected = (2.0 - 2 * slack) * radius
    made = slip_torque(Uncertain(1.0), Uncertain.of(friction, 0.1, "friction"), wrap, radius)
    assert made.value == pytest.approx(expected, rel=1e-9)
    # the carried uncertainty is the slope of that with the friction
    step = 1e-6
    slope = (math.tanh((friction + step) * wrap / 2) - math.tanh((friction - step) * wrap / 2)) / (2 * step)
    assert made.sigma == pytest.approx(0.1 * abs(slope) * 2 * radius, rel=1e-4)


def _load(section: Section, stretch: float):
    path = run_belt(PATH.pulleys, thickness=section.thickness)
    return path, load_of(path, section, EPDM, stretch)


def test_a_heavy_belt_is_called_too_tight_and_a_thin_one_too_slack():
    """The words follow the numbers: over the bearing's 3 N, under the torque needed, or neither."""
    path, load = _load(Section("square", 3.0), 12.0)
    told = " ".join(explain_load(load, path))
    assert load.pulleys[1].bearing_new.value > 3
    assert "too tight" in told
    assert "too slack" not in told
    path, load = _load(Section("square", 0.5), 2.0)
    told = " ".join(explain_load(load, path, needed=1.5))
    assert load.pulleys[1].torque_settled.value < 1.5
    assert "too slack" in told
    assert "too tight" not in told
    path, load = _load(SQUARE, 7.0)
    told = " ".join(explain_load(load, path, needed=0.8))
    assert "too tight" not in told
    assert "too slack" not in told
    # (8 + 1.4)/(60 + 1.4) over (8 + 1.2)/(60 + 1.2), by hand
    assert "0.2 mm more makes the flywheel run 1.8 % faster, if the motor drives it" in told
    assert f"{load.pulleys[1].torque_settled.value / 0.8:.1f} times" in told
    path, load = _load(SQUARE, -1.0)
    assert "hangs loose" in explain_load(load, path)[-1]


def test_the_pulley_with_least_wrap_slips_first():
    """On equal friction the smaller wrap gives way."""
    _, load = _load(SQUARE, 7.0)
    assert load.slips_first == "motor"
    assert load.pulleys[0].wrap > load.pulleys[1].wrap


def test_permanent_set():
    """0 for a belt that springs back, 100 for one that stays out, 50 half-way."""
    assert permanent_set(100, 110, 100) == pytest.approx(0)
    assert permanent_set(100, 110, 110) == pytest.approx(100)
    assert permanent_set(100, 110, 105) == pytest.approx(50)
    with pytest.raises(BadBelt):
        permanent_set(110, 100, 105)


def test_an_old_belt_tells_its_stretch_and_the_shops_rule():
    """A loose belt, a tired one and a good one are told apart, and the path goes before the shops' rule."""
    loose = read_old_belt(255, 250, EPDM)
    assert loose.stretch_left is not None
    assert loose.stretch_left < 0
    assert "hang loose" in loose.text
    tired = read_old_belt(246, 250, EPDM, when_new=234)
    assert tired.set_percent == pytest.approx(75)
    assert "75 %" in tired.text
    unknown = read_old_belt(246, None, EPDM)
    assert unknown.stretch_left is None
    assert unknown.new_length == pytest.approx((0.90 * 246, 0.95 * 246))
    with pytest.raises(BadBelt):
        read_old_belt(0, 250, EPDM)


def test_sections_know_their_area_and_refuse_what_they_are_not():
    """pi d^2/4, a^2, w t; a flat belt needs a width and the others have none of their own."""
    assert Section("round", 2.0).area == pytest.approx(math.pi)
    assert Section("square", 1.2).area == pytest.approx(1.44)
    assert Section("flat", 0.5, 4.0).area == pytest.approx(2.0)
    for bad in (("flat", 0.5, 0.0), ("square", 1.2, 3.0), ("round", 0.0, 0.0), ("round", math.nan, 0.0)):
        with pytest.raises(BadBelt):
            Section(*bad)
    with pytest.raises(UnknownPart, match="did you mean round"):
        Section("rund", 1.0)


def test_a_small_pulley_is_named_with_the_section_it_would_bear():
    """An O-ring belt wants pulleys of 4 times its section (seal maker's design guide)."""
    advice = " ".join(Section("round", 3.0).groove_advice(8.0))
    assert "8 mm, is less than 4 times" in advice
    assert "2 mm at most" in advice
    assert "less than" not in " ".join(Section("round", 2.0).groove_advice(8.0))
    assert "measure again" in " ".join(Section("square", 4.0).groove_advice(60.0))


def test_every_material_and_shape_has_a_source_and_sane_figures():
    """Each row says where it comes from; figures are in order."""
    for stuff in all_materials().values():
        assert stuff.source
        assert 0 < stuff.stretch[0] < stuff.stretch[1] < stuff.stretch[2] < 25
        assert 0 < stuff.keeps.value < 1
        assert 1 < stuff.modulus.value < 500
    assert all(shape.source for shape in all_shapes().values())
    with pytest.raises(UnknownPart, match="EPDM"):
        material("EPMD")
    with pytest.raises(BadBelt):
        young_modulus(100)
