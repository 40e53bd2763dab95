"""The path of a belt: exact for any pulleys, and refused in plain words where there is none."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.spatial import ConvexHull

from benchwright.transport import BeltPath, ImpossiblePath, Pulley, run_belt

TRIANGLE = (
    Pulley(0, 0, 60, name="flywheel"), Pulley(80, 0, 8, name="motor"), Pulley(40, 55, 10, name="idler")
)  # fmt: skip


@st.composite
def rings(draw) -> list[Pulley]:
    """Pulleys evenly round a large circle, in order: each is touched by a belt round them all."""
    count = draw(st.integers(3, 7))
    radius = 100.0
    most = radius * math.sin(math.pi / count)
    return [
        Pulley(
            radius * math.cos(2 * math.pi * k / count),
            radius * math.sin(2 * math.pi * k / count),
            # equal sizes within what keeps every pulley on the hull
            draw(st.floats(0.2, 0.3)) * min(most, 40.0),
            name=f"p{k}",
        )
        for k in range(count)
    ]


def _hull_length(pulleys: list[Pulley], thickness: float, points: int = 1500) -> float:
    angle = np.linspace(0, 2 * np.pi, points, endpoint=False)
    cloud = np.concatenate(
        [
            np.column_stack(
                [
                    p.x + (p.diameter + thickness) / 2 * np.cos(angle),
                    p.y + (p.diameter + thickness) / 2 * np.sin(angle),
                ]
            )
            for p in pulleys
        ]
    )
    return float(ConvexHull(cloud).area)  # the perimeter, in a plane


def _path_or_problem(pulleys, **options) -> BeltPath | str:
    try:
        return run_belt(pulleys, **options)
    except ImpossiblePath as problem:
        return str(problem)


@given(rings(), st.floats(0, 2))
def test_a_belt_round_the_outside_is_the_convex_hull(pulleys, thickness):
    """Where every pulley is touched from inside the loop, the path is the hull of the thickened pulleys."""
    path = run_belt(pulleys, thickness=thickness)
    assert path.length == pytest.approx(_hull_length(pulleys, thickness), rel=1e-5)
    assert sum(path.wraps) == pytest.approx(2 * math.pi, abs=1e-9)


@given(rings(), st.floats(0, 6.3), st.floats(-50, 50), st.floats(0.2, 5), st.integers(0, 6), st.booleans())
def test_the_length_does_not_depend_on_how_the_deck_lies(pulleys, turn, shift, scale, start, backwards):
    """Turning, shifting, mirroring the order and starting elsewhere change nothing; scale scales."""
    cos, sin = math.cos(turn), math.sin(turn)
    moved = [
        replace(
            p, x=scale * (cos * p.x - sin * p.y) + shift, y=scale * (sin * p.x + cos * p.y) - shift,
            diameter=scale * p.diameter,
        )
        for p in pulleys
    ]  # fmt: skip
    start %= len(moved)
    moved = moved[start:] + moved[:start]
    if backwards:
        moved.reverse()
    assert run_belt(moved).length == pytest.approx(scale * run_belt(pulleys).length, rel=1e-9)


@given(
    st.floats(5, 60), st.floats(5, 60), st.floats(5, 60), st.floats(1.0, 40.0), st.floats(0.1, 0.9),
    st.floats(0.5, 12),
)  # fmt: skip
def test_spans_leave_and_meet_every_pulley_along_its_tangent(one, two, three, room, along, deep):
    """With an idler on the belt's outer side: span ends lie on the pulleys, square to the radius."""
    centres = (one + two) / 2 + three + room + 2
    flat = Pulley(0, 0, one), Pulley(centres, 0, two)
    # an idler pressed into the upper run, somewhere along it
    height = (one + (two - one) * along) / 2 + three / 2 - min(deep, three / 4)
    idler = Pulley(centres * along, height, three, reverse=True)
    for p in flat:
        assume(math.hypot(p.x - idler.x, p.y - idler.y) > (p.diameter + three) / 2 + 0.5)
    path = _path_or_problem([*flat, idler], thickness=0.3)
    if isinstance(path, str):
        # only one thing may be wrong here: the idler may stand off the slanting run
        assert "does not touch" in path
        return
    for i, span in enumerate(path.spans):
        run = np.subtract(span.end, span.start)
        for pulley, end in ((path.pulleys[i], span.start), (path.pulleys[(i + 1) % 3], span.end)):
            arm = np.subtract(end, (pulley.x, pulley.y))
            assert np.hypot(*arm) == pytest.approx((pulley.diameter + 0.3) / 2, rel=1e-9)
            assert float(arm @ run) == pytest.approx(0, abs=1e-6 * np.hypot(*run) * np.hypot(*arm) + 1e-9)
    turned = sum(sense * wrap for sense, wrap in zip(path.senses, path.wraps, strict=True))
    assert abs(turned) == pytest.approx(2 * math.pi, abs=1e-9)
    assert path.length > path.string_length > run_belt(flat).length


def test_a_crossed_belt_turns_by_nothing_in_all():
    """What a crossed belt bends one way on the first pulley it bends back on the second."""
    path = run_belt(TRIANGLE[:2], crossed=True)
    assert path.wraps[0] == pytest.approx(path.wraps[1], abs=1e-12)
    assert path.senses == (1, -1)


@pytest.mark.parametrize("key", ["diameter", "x", "y"])
@pytest.mark.parametrize("number", [0, 1, 2])
def test_uncertainty_of_the_length_is_that_of_moving_each_pulley(key, number):
    """The stated effect of one dimension agrees with moving it a little."""
    step = 1e-5
    idler = Pulley(40, 12, 10, reverse=True)
    pulleys = [*TRIANGLE[:2], idler]

    def moved(by: float) -> list[Pulley]:
        changed = replace(pulleys[number], **{key: getattr(pulleys[number], key) + by})
        return [*pulleys[:number], changed, *pulleys[number + 1 :]]

    slope = (run_belt(moved(step)).length - run_belt(moved(-step)).length) / (2 * step)
    sigmas = {"diameter_sigma": 0.1} if key == "diameter" else {"place_sigma": 0.1}
    told = run_belt([replace(p, **sigmas) if k == number else p for k, p in enumerate(pulleys)]).length_sigma
    if key == "diameter":
        assert told == pytest.approx(0.1 * abs(slope), rel=1e-4)
    else:
        assert told >= 0.1 * abs(slope) * (1 - 1e-4)


def _refused(pulleys, **options) -> str:
    with pytest.raises(ImpossiblePath) as caught:
        run_belt(pulleys, **options)
    return str(caught.value)


def test_pulleys_that_overlap_are_named_with_their_gap():
    """Two pulleys in the same place cannot both be there."""
    told = _refused([Pulley(0, 0, 60, name="flywheel"), Pulley(30, 0, 8, name="motor")])
    assert "motor" in told
    assert "flywheel" in told
    assert "30 mm apart" in told
    assert "34 mm" in told


def test_an_idler_that_stands_off_the_belt_is_named():
    """An idler that the belt would have to go almost round has the wrong side or place."""
    told = _refused([*TRIANGLE[:2], replace(TRIANGLE[2], reverse=True)])
    assert told.startswith("idler does not touch the belt")
    assert "without reverse" in told
    inside = _refused([*TRIANGLE[:2], Pulley(50, 0, 6, name="idler")])
    assert "idler does not touch the belt" in inside
    assert "with reverse" in inside


def test_a_belt_that_would_cross_itself_is_refused_unless_it_is_meant():
    """Pulleys that turn against each other need a crossed belt, and a crossed belt needs them."""
    reverse = [TRIANGLE[0], replace(TRIANGLE[1], reverse=True)]
    assert "cross itself" in _refused(reverse)
    assert run_belt(reverse, crossed=True).length == run_belt(TRIANGLE[:2], crossed=True).length
    assert "does not cross itself" in _refused(TRIANGLE, crossed=True)


def test_a_wrong_order_of_pulleys_is_refused():
    """Four pulleys given crosswise make a belt that crosses itself."""
    square = [Pulley(0, 0, 10), Pulley(100, 0, 10), Pulley(100, 100, 10), Pulley(0, 100, 10)]
    assert run_belt(square).length == pytest.approx(400 + 10 * math.pi)
    assert "order of the pulleys" in _refused([square[0], square[2], square[1], square[3]])


def test_a_pulley_in_the_way_is_named():
    """A span may not run through a pulley that it does not touch there."""
    wide = [Pulley(0, 0, 20, name="a"), Pulley(100, 0, 20, name="b"), Pulley(100, 60, 20, name="c"),
            Pulley(50, 30, 90, name="big", reverse=True)]  # fmt: skip
    told = _refused(wide)
    assert "between a and b would run through big (5 mm deep)" in told


@pytest.mark.parametrize(
    "pulleys",
    [
        [],
        [Pulley(0, 0, 10)],
        [Pulley(0, 0, 10), Pulley(50, 0, 0)],
        [Pulley(0, 0, 10), Pulley(math.nan, 0, 5)],
        [Pulley(0, 0, 10), Pulley(50, 0, -3)],
    ],
)
def test_what_is_no_pulley_is_refused(pulleys):
    """Too few pulleys and impossible numbers give the room's own error."""
    with pytest.raises(ImpossiblePath):
        run_belt(pulleys)


@given(
    st.lists(
        st.builds(
            Pulley, st.floats(-100, 100), st.floats(-100, 100), st.floats(0.5, 80), st.booleans(), st.just("")
        ),
        min_size=2, max_size=6,
    ),
    st.booleans(),
)  # fmt: skip
def test_any_pulleys_give_a_path_or_a_plain_error(pulleys, crossed):
    """Whatever is typed in: a path at least as long as the way between its centres needs, or a refusal."""
    path = _path_or_problem(pulleys, crossed=crossed)
    if isinstance(path, str):
        assert len(path) > 20
        return
    assert math.isfinite(path.length)
    far = max(math.hypot(a.x - b.x, a.y - b.y) for a in pulleys for b in pulleys)
    assert path.length >= 2 * far - max(p.diameter for p in pulleys) * 2
