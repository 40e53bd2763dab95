"""Which half of the waves lasts longer, once it is known how long each should be."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from .half_waves import zero_crossings

if TYPE_CHECKING:
    from .blocks import ByteRow

FloatArray = npt.NDArray[np.float64]
LONGEST = 30.0
"""Seconds of tape that are looked at."""
FEWEST = 20
"""Pairs of half-waves that tell something."""


def asymmetry_of(recording: Any, row: ByteRow, channel: Any) -> float:
    """How much longer than their share half-waves above the middle last, in one run of reading.

    Parameters
    ----------
    recording : Recording
    row : ByteRow
        What was read of it.
    channel : int or "mean"

    Returns
    -------
    float
        (time above - time below) / (time above + time below), from -1 to 1, as `level` has it: the
        median over neighbouring half-waves that should be equally long. NaN if there are too few.

    Notes
    -----
    Reading needs no steady part of the signal and takes it out, and most of the asymmetry with it; so the
    crossings are looked up in the recording as it is.
    """
    last = row.edges[-1] if len(row.edges) else 0.0
    keep = row.edges > last - LONGEST
    edges, nominal, signs = row.edges[keep], row.nominal[keep], row.signs[keep]
    if len(edges) < FEWEST:
        return math.nan
    rate = recording.rate
    first = max(0, int((edges[0] - 0.01) * rate))
    wave = np.asarray(recording.samples(first, int((last + 0.01) * rate), channel), float)
    if not len(wave):
        return math.nan
    places, rising = zero_crossings(wave, 0.2 * float(np.std(wave)))
    times = (places + first) / rate
    seen = np.full(len(edges), np.nan)
    for sign in (1, -1):
        own = signs == sign
        seen[own] = _nearest(times[rising == (sign > 0)], edges[own], 0.5 * nominal[own])
    lasts = np.diff(seen)
    sides, should = -signs[1:], nominal[1:]
    pair = (sides[1:] == -sides[:-1]) & np.isclose(should[1:], should[:-1], rtol=1e-3)
    share = sides[:-1] * (lasts[:-1] - lasts[1:]) / (lasts[:-1] + lasts[1:])
    share = share[pair & np.isfinite(share)]
    return float(np.median(share)) if len(share) >= FEWEST else math.nan


def _nearest(times: FloatArray, wanted: FloatArray, reach: FloatArray) -> FloatArray:
    """Of ascending times the nearest to each one wanted; NaN where none is within reach."""
    if not len(times):
        return np.full(len(wanted), np.nan)
    after = np.minimum(np.searchsorted(times, wanted), len(times) - 1)
    before = np.maximum(after - 1, 0)
    earlier = np.abs(times[before] - wanted) < np.abs(times[after] - wanted)
    nearest = times[np.where(earlier, before, after)]
    return np.where(np.abs(nearest - wanted) < reach, nearest, np.nan)


class Asymmetries:
    """The asymmetry of some of a recording's rows: it hardly changes, and to look means reading again."""

    FIRST, SHARE = 10.0, 0.1
    """Seconds that are looked at in any case, and the share of what comes after."""
    LONGEST = 6.0
    """Seconds of one row."""

    def __init__(self, recording: Any, channel: Any) -> None:
        self.recording, self.channel = recording, channel
        self.spent = 0.0

    def look(self, row: ByteRow) -> None:
        """Note the asymmetry of a row, if it is worth the time."""
        if not row.count or len(row.edges) < 2 or not math.isnan(row.asymmetry):
            return
        if self.spent > self.FIRST + self.SHARE * row.last_edge:
            return
        first = int(np.searchsorted(row.edges, row.edges[-1] - self.LONGEST))
        part = replace(row, edges=row.edges[first:], nominal=row.nominal[first:], signs=row.signs[first:])
        row.asymmetry = asymmetry_of(self.recording, part, self.channel)
        self.spent += float(part.edges[-1] - part.edges[0])


def median_asymmetry(rows: Iterable[ByteRow]) -> float:
    """Of the rows that were looked at; NaN if there is none."""
    leans = [row.asymmetry for row in rows if row.count and math.isfinite(row.asymmetry)]
    return float(np.median(leans)) if leans else math.nan
