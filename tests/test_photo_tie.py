"""A photo is tied to the board by pins found on it: every other pin is then where it is on the photo."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright.board.photo_tie import BadTie, tie

PLACES = [
    (0.0, 0.0),
    (200.0, 5.0),
    (190.0, 140.0),
    (10.0, 150.0),
    (90.0, 60.0),
    (140.0, 100.0),
    (40.0, 110.0),
]


def seen(camera: np.ndarray, place: tuple[float, float]) -> tuple[float, float]:
    """Where a camera sees a place of a flat board: a homography (Hartley and Zisserman, 2.3; from memory)."""
    x, y, depth = camera @ np.array([*place, 1.0])
    return float(x / depth), float(y / depth)


cameras = st.builds(
    lambda scale, turn, askew_x, askew_y, right, down: np.array(
        [
            [scale * np.cos(turn), scale * np.sin(turn), right],
            [scale * np.sin(turn), -scale * np.cos(turn), down],
            [askew_x, askew_y, 1.0],
        ]
    ),
    st.floats(3, 20), st.floats(-3.1, 3.1), st.floats(-1e-3, 1e-3), st.floats(-1e-3, 1e-3),
    st.floats(-500, 3000), st.floats(-500, 3000),
)  # fmt: skip


@given(camera=cameras, x=st.floats(0, 200), y=st.floats(0, 150))
def test_four_pins_or_more_follow_a_camera_held_askew(camera: np.ndarray, x: float, y: float) -> None:
    """Any place of the board falls where the camera sees it."""
    made = tie(PLACES[:5], [seen(camera, place) for place in PLACES[:5]])
    assert seen(np.asarray(made.matrix), (x, y)) == pytest.approx(seen(camera, (x, y)), abs=0.01)
    assert made.rms_pixels < 0.01


@given(camera=cameras)
def test_three_pins_follow_a_camera_held_straight(camera: np.ndarray) -> None:
    """Without perspective, three are enough."""
    camera[2, :2] = 0.0
    made = tie(PLACES[:3], [seen(camera, place) for place in PLACES[:3]])
    assert seen(np.asarray(made.matrix), PLACES[5]) == pytest.approx(seen(camera, PLACES[5]), abs=0.01)


@given(camera=cameras, wrong=st.integers(0, 6))
def test_the_place_that_is_wrong_is_named(camera: np.ndarray, wrong: int) -> None:
    """A finger that slipped by a hundred pixels."""
    points = [seen(camera, place) for place in PLACES]
    points[wrong] = (points[wrong][0] + 60.0, points[wrong][1] - 80.0)
    made = tie(PLACES, points)
    assert wrong in made.odd


@pytest.mark.parametrize(
    ("places", "points"),
    [
        (PLACES[:2], [(0, 0), (10, 10)]),
        ([(0, 0), (1, 1), (2, 2)], [(0, 0), (10, 10), (20, 20)]),
        ([(0, 0), (1, 1), (2, 2), (3, 3)], [(0, 0), (10, 10), (20, 20), (30, 30)]),
        (PLACES[:4], [(5, 5)] * 4),
    ],
)
def test_what_ties_nothing_is_refused(places: list, points: list) -> None:  # type: ignore[type-arg]
    """Too few, in a line, or all at one spot."""
    with pytest.raises(BadTie):
        tie(places, points)
