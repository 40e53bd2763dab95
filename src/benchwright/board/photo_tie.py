"""A photo tied to the board: from a few pins found on it, where all others fall.

Board points are millimetres, y up; photo points are pixels, y down. Three pins give an affine map, four or
more a homography, which also follows a camera that was held askew.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import BenchwrightError

Floats = NDArray[np.float64]
THIN = 0.02
"""Points whose spread across is below this share of that along lie in a line: no map can be made of them."""
ODD_PIXELS = 6.0
"""A point that is off by less is never called odd: a finger is no finer."""
ODD_TIMES = 4.0
"""Odd points are off by this many times what the others are."""


class BadTie(BenchwrightError):
    """The points do not tie the photo to the board; the reason in plain words."""


@dataclass(frozen=True)
class Tie:
    """How board points fall on a photo.

    Attributes
    ----------
    matrix : ndarray, shape (3, 3)
        Homography from millimetres to pixels.
    off_pixels, off_mm : tuple of float
        How far each point is from where the others put it on the photo, and what that is on the board.
    rms_pixels, rms_mm : float
    odd : tuple of int
        Numbers of the points that do not fit the rest.
    spare : int
        Points more than the map needs: with none, the residual is zero and says nothing.
    """

    matrix: Floats
    off_pixels: tuple[float, ...]
    off_mm: tuple[float, ...]
    rms_pixels: float
    rms_mm: float
    odd: tuple[int, ...]
    spare: int

    def on_photo(self, points: Floats) -> Floats:
        """Where board points fall, in pixels."""
        return mapped(self.matrix, points)


def mapped(matrix: Floats, points: Floats) -> Floats:
    """Points through a homography."""
    there = np.column_stack([points, np.ones(len(points))]) @ matrix.T
    out: Floats = there[:, :2] / there[:, 2:]
    return out


def tie(
    board: Sequence[tuple[float, float]], photo: Sequence[tuple[float, float]], names: Sequence[str] = ()
) -> Tie:
    """Tie a photo to the board.

    Parameters
    ----------
    board : sequence of (float, float)
        Where the pins are on the board, millimetres.
    photo : sequence of (float, float)
        Where they are on the photo, pixels.
    names : sequence of str, optional
        What they are called, for messages.

    Raises
    ------
    BadTie
        Fewer than three points, or points from which no map follows.
    """
    if len(board) != len(photo):
        raise BadTie(f"{len(board)} pins and {len(photo)} places on the photo: expected a place for each pin")
    if len(board) < 3:
        raise BadTie(f"{len(board)} of 3 pins are found on the photo: find at least three that lie apart")
    a, b = np.asarray(board, dtype=float), np.asarray(photo, dtype=float)
    if not (np.isfinite(a).all() and np.isfinite(b).all()):
        raise BadTie("a point has no place: expected numbers")
    for points, where in ((a, "on the board"), (b, "on the photo")):
        if _thin(points):
            raise BadTie(
                f"the pins lie in one line or in one place {where}: choose another that lies well aside, "
                "best near the corners of the board"
            )
    matrix = _fit(a, b)
    off = np.hypot(*(mapped(matrix, a) - b).T)
    spare = len(a) - (3 if len(a) == 3 else 4)
    pixels_per_mm = _scale(matrix, a)
    odd = _odd(a, b) if spare > 0 else ()
    mm = off / pixels_per_mm
    return Tie(
        matrix, tuple(map(float, off)), tuple(map(float, mm)), _rms(off), _rms(mm), odd, spare
    )  # fmt: skip


def _rms(values: Floats) -> float:
    return float(math.sqrt(float(np.mean(values**2))))


def _thin(points: Floats) -> bool:
    sizes = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
    return bool(sizes[0] == 0 or sizes[1] < THIN * sizes[0])


def _normal(points: Floats) -> Floats:
    """The similarity that brings points to mean zero and mean distance root two."""
    centre = points.mean(axis=0)
    size = math.sqrt(2.0) / float(np.mean(np.hypot(*(points - centre).T)))
    return np.array([[size, 0.0, -size * centre[0]], [0.0, size, -size * centre[1]], [0.0, 0.0, 1.0]])


def _fit(a: Floats, b: Floats) -> Floats:
    to_a, to_b = _normal(a), _normal(b)
    p, q = mapped(to_a, a), mapped(to_b, b)
    ones = np.ones(len(p))
    if len(p) == 3:
        rows = np.linalg.solve(np.column_stack([p, ones]), q)
        inner = np.vstack([rows.T, [0.0, 0.0, 1.0]])
    else:
        zeros = np.zeros((len(p), 3))
        first = np.column_stack([p, ones])
        top = np.hstack([first, zeros, -q[:, :1] * first])
        low = np.hstack([zeros, first, -q[:, 1:] * first])
        _, sizes, right = np.linalg.svd(np.vstack([top, low]))
        if sizes[7] < 1e-7 * sizes[0]:
            raise BadTie(
                "three of the four pins lie in one line: choose pins no three of which are in a "
                "row, best near the corners of the board"
            )
        inner = right[-1].reshape(3, 3)
    matrix: Floats = np.linalg.inv(to_b) @ inner @ to_a
    depth = np.column_stack([a, ones]) @ matrix[2]
    if np.any(depth * depth[0] <= 0) or abs(np.linalg.det(inner)) < 1e-9:
        raise BadTie("the places on the photo cannot be those of these pins: look whether two were exchanged")
    scaled: Floats = matrix / depth[0]
    return scaled


def _scale(matrix: Floats, a: Floats) -> Floats:
    """Pixels to a millimetre at each point."""
    here = mapped(matrix, a)
    across = mapped(matrix, a + np.array([0.01, 0.0])) - here
    up = mapped(matrix, a + np.array([0.0, 0.01])) - here
    area = np.abs(across[:, 0] * up[:, 1] - across[:, 1] * up[:, 0]) / 1e-4
    out: Floats = np.sqrt(np.maximum(area, 1e-12))
    return out


def _odd(a: Floats, b: Floats) -> tuple[int, ...]:
    """The point without which the rest fits far better, if there is one; then the next."""
    left, found = list(range(len(a))), []
    while len(left) > 5:
        trials = []
        for out in left:
            rest = [n for n in left if n != out]
            try:
                matrix = _fit(a[rest], b[rest])
            except BadTie:
                continue
            miss = float(np.hypot(*(mapped(matrix, a[[out]]) - b[[out]])[0]))
            trials.append((_rms(np.hypot(*(mapped(matrix, a[rest]) - b[rest]).T)), miss, out))
        if not trials:
            break
        around, miss, out = min(trials)
        if miss < max(ODD_PIXELS, ODD_TIMES * around):
            break
        found.append(out)
        left.remove(out)
    return tuple(sorted(found))
