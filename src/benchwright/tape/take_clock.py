"""Where on the tape each moment of a take lies, as far as the take itself tells: from the speed of its data.

Two takes of a tape run at speeds of their own. On the tape's own clock they differ by what was not known of
their speeds, which grows in dropouts and pauses and hardly at all where data was read.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .blocks import ByteRow

FloatArray = npt.NDArray[np.float64]

STEP = 0.004
"""Seconds between two points of a clock."""
CONFIDENT = 0.95
"""Confidence in a byte from which the speed at which it was read is believed."""
ASTRAY = 0.025
"""Share by which a believable speed may differ from those within a quarter of a second."""
READ, GUESSED, UNREAD = 0.0005, 0.0025, 0.012
"""Standard deviation of the place gained in a second, as if gained in independent steps.

A judgement, no source: what is read follows the speed to a few tenths of a percent; through a dropout it is
guessed to a few percent.
"""


@dataclass(frozen=True)
class TakeClock:
    """Places on the tape against times in a take.

    Attributes
    ----------
    times : float64 array (n,)
        Seconds into the take, evenly spaced.
    places : float64 array (n,)
        Seconds of tape at its nominal speed, from any origin.
    doubt : float64 array (n,)
        Variance of the place gained since the beginning, in seconds squared.
    """

    times: FloatArray
    places: FloatArray
    doubt: FloatArray

    def place(self, seconds: FloatArray) -> FloatArray:
        """Places on the tape of times in the take; straight on beyond its ends."""
        return _through(seconds, self.times, self.places)

    def time(self, places: FloatArray) -> FloatArray:
        """Times in the take of places on the tape."""
        return _through(places, self.places, self.times)

    def doubt_at(self, seconds: FloatArray) -> FloatArray:
        """Variance gained up to these times in the take."""
        return np.asarray(np.interp(seconds, self.times, self.doubt))


def _through(at: FloatArray, x: FloatArray, y: FloatArray) -> FloatArray:
    """Straight lines between points, and straight on at the slope of one beyond the ends."""
    inside = np.interp(at, x, y)
    return np.asarray(inside + np.minimum(0.0, at - x[0]) + np.maximum(0.0, at - x[-1]))


def clock_of(rows: Sequence[ByteRow], duration: float) -> TakeClock:
    """The clock of a take, from what was read of it.

    Parameters
    ----------
    rows : sequence of ByteRow
    duration : float
        Seconds of the take.
    """
    times = np.arange(0.0, duration + 2 * STEP, STEP)
    spread = np.full(len(times), UNREAD)
    at: list[FloatArray] = []
    speed: list[FloatArray] = []
    for row in rows:
        if not len(row.speed_times):
            continue
        believed = _believed(row)
        at.append(row.speed_times[believed])
        speed.append(row.speed[believed])
        first, last = np.searchsorted(times, (row.speed_times[0], row.speed_times[-1]))
        near = np.interp(times[first:last], row.speed_times, believed.astype(float)) > 0.99
        spread[first:last] = np.where(near, READ, GUESSED)
    ratio = np.ones(len(times))
    if at and sum(map(len, at)):
        when, what = np.concatenate(at), np.concatenate(speed)
        order = np.argsort(when, kind="stable")
        ratio = np.interp(times, when[order], what[order])
    gained = np.concatenate(([0.0], np.cumsum(0.5 * (ratio[1:] + ratio[:-1]) * STEP)))
    doubt = np.concatenate(([0.0], np.cumsum(spread[1:] ** 2 * STEP)))
    return TakeClock(times, gained, doubt)


def _believed(row: ByteRow) -> npt.NDArray[np.bool_]:
    """Which speeds of a run of reading belong to what was read with certainty, or to a steady leader."""
    from scipy.ndimage import median_filter

    believed = np.ones(len(row.speed), bool)
    for block in row.blocks:
        for n in np.flatnonzero(block.confidence < CONFIDENT).tolist():
            since = block.byte_times[n]
            until = block.byte_times[n + 1] if n + 1 < len(block.byte_times) else block.end
            first, last = np.searchsorted(row.speed_times, (since, until))
            believed[max(0, first - 1) : last + 1] = False
    around = median_filter(row.speed, 61, mode="nearest")
    return believed & (np.abs(row.speed / around - 1) < ASTRAY)
