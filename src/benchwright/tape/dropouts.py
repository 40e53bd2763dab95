"""Dropouts: short losses of level against what stood around them, fed piece by piece."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .figure import Figure

Samples = npt.NDArray[np.float32]
Envelope = npt.NDArray[np.float64]

DEPTH_DB = 12.0
"""A dropout is a fall by at least 12 dB, to a quarter (a dictionary of information technology, read) ..."""
SHORTEST_S = 0.004
"""... for more than 4 ms (the same)."""
LONGEST_S = 0.5
"""A longer loss is a pause or an erased stretch (by hand: leaders and gaps of data tapes are longer)."""
LOWEST_HZ = 600.0
"""The lowest tone that the envelope has to follow (by hand: half the lower tone of a 1200 Hz encoding)."""
_HOP_S = 0.00025
_REFERENCE_HOP_S = 0.05
_REFERENCE_S = 1.05
_MARGIN_S = 1.1
_CORE_S = 20.0
_SIGNAL_BELOW_LOUDEST = 0.03
_MOST_KEPT = 10_000


@dataclass(frozen=True, slots=True)
class Dropout:
    """One loss of level.

    Attributes
    ----------
    start, length : float
        Seconds, each good to `DropoutReport.resolution`.
    depth : float
        How far the level fell below what stood around it, in dB.
    """

    start: float
    length: float
    depth: float


@dataclass(frozen=True, slots=True)
class DropoutReport:
    """The dropouts of one channel.

    Attributes
    ----------
    per_minute : Figure
        Number per minute of signal, with its chance scatter.
    count : int
        All that were found.
    dropouts : tuple of Dropout
        The first ten thousand of them, by time.
    lost : Figure
        Share of the signal's time in them, in %.
    signal : float
        Seconds in which there was a signal to lose.
    resolution : float
        Seconds; one standard deviation of a start or a length.
    depth_db, shortest, longest : float
        What counted: at least so deep, longer than and up to so many seconds.
    """

    per_minute: Figure
    count: int
    dropouts: tuple[Dropout, ...]
    lost: Figure
    signal: float
    resolution: float
    depth_db: float
    shortest: float
    longest: float


class DropoutFinder:
    """Finds dropouts in one channel of a recording of any length.

    Parameters
    ----------
    rate : int
        Sampling rate in Hz.
    depth_db : float
        Least depth.
    shortest, longest : float
        Seconds; a fall counts if it lasts more than the one and no more than the other.
    lowest_hz : float
        Lowest frequency of the signal: the level is the highest crest within half its period.
    """

    def __init__(
        self, rate: int, depth_db: float = DEPTH_DB, shortest: float = SHORTEST_S,
        longest: float = LONGEST_S, lowest_hz: float = LOWEST_HZ,
    ) -> None:  # fmt: skip
        self.rate, self.depth_db, self.shortest, self.longest = rate, depth_db, shortest, longest
        self._hop = max(1, round(rate * _HOP_S))
        self._hop_s = self._hop / rate
        self._width = max(1, math.ceil(0.5 / lowest_hz / self._hop_s))
        self._rest = np.zeros(0, np.float32)
        self._crests: list[Envelope] = []
        self._held = 0
        self._first_hop = 0
        self._margin = round(_MARGIN_S / self._hop_s)
        self._core = round(_CORE_S / self._hop_s)
        self._started = False
        self._loudest = 0.0
        self._found: list[Dropout] = []
        self._count = 0
        self._lost = 0.0
        self._lost_squares = 0.0
        self._signal = 0.0

    def add(self, samples: Samples) -> None:
        """Take the next samples, shape (n,)."""
        joined = np.concatenate([self._rest, samples]) if len(self._rest) else samples
        whole = len(joined) // self._hop * self._hop
        if whole:
            crests = np.abs(joined[:whole]).reshape(-1, self._hop).max(axis=1).astype(np.float64)
            self._crests.append(crests)
            self._held += len(crests)
        self._rest = joined[whole:].copy()
        if self._held >= self._core + 2 * self._margin:
            self._search(last=False)

    def report(self) -> DropoutReport:
        """What was found; nothing can be added after this."""
        if self._held:
            self._search(last=True)
            self._crests, self._held = [], 0
        minutes = self._signal / 60.0
        if minutes <= 0.0:
            unknown = Figure(math.nan, math.nan, "per minute")
            share = Figure(math.nan, math.nan, "%")
        else:
            # The square root of a count, and one for none found: no fewer than none can be seen.
            unknown = Figure(self._count / minutes, math.sqrt(max(1, self._count)) / minutes, "per minute")
            share = Figure(
                100.0 * self._lost / self._signal,
                100.0 * math.sqrt(max(self._lost_squares, self.shortest**2)) / self._signal,
                "%",
            )
        return DropoutReport(
            unknown, self._count, tuple(self._found), share, self._signal,
            self._hop_s * math.sqrt((self._width**2 + 1.0) / 12.0),
            self.depth_db, self.shortest, self.longest,
        )  # fmt: skip

    def _search(self, last: bool) -> None:
        crests = np.concatenate(self._crests)
        begin = self._margin if self._started else 0
        end = len(crests) if last else len(crests) - self._margin
        self._search_in(crests, begin, end)
        if not last:
            kept = crests[end - self._margin :]
            self._first_hop += len(crests) - len(kept)
            self._crests, self._held, self._started = [kept], len(kept), True

    def _search_in(self, crests: Envelope, begin: int, end: int) -> None:
        """Search a stretch of crests; what starts between `begin` and `end` counts."""
        level = envelope(crests, self._width)
        reference = self._reference(crests)
        self._loudest = max(self._loudest, float(np.percentile(reference, 90.0)))
        present = reference > _SIGNAL_BELOW_LOUDEST * self._loudest
        if self._loudest <= 0.0:
            return
        self._signal += float(np.count_nonzero(present[begin:end])) * self._hop_s
        fall = 10.0 ** (-self.depth_db / 20.0)
        low = present & (level < fall * reference)
        edges = np.diff(low.astype(np.int8), prepend=0, append=0)
        starts, stops = np.flatnonzero(edges > 0), np.flatnonzero(edges < 0)
        for start, stop in zip(starts, stops, strict=True):
            # A loss that runs into the end of the recording, or out of its beginning, is no dropout.
            if not begin <= start < end or start == 0 or stop >= len(crests):
                continue
            # Nor is the edge of a pause, where it is the reference that falls or has not yet risen.
            if min(level[start - 1], level[stop]) < fall * float(reference[start:stop].max()):
                continue
            # The sliding maximum narrows every loss by its own width, and the steps it goes in by one more.
            length = (stop - start + self._width) * self._hop_s
            if not self.shortest < length <= self.longest:
                continue
            deepest = float(level[start:stop].min())
            around = float(np.median(reference[start:stop]))
            depth = 20.0 * math.log10(around / max(deepest, around * 1e-5))
            self._count += 1
            self._lost += length
            self._lost_squares += length**2
            if len(self._found) < _MOST_KEPT:
                at = (self._first_hop + start - self._width / 2.0) * self._hop_s
                self._found.append(Dropout(max(0.0, at), length, depth))

    def _reference(self, crests: Envelope) -> Envelope:
        """The level that stood around each place: the middle of a second's crests."""
        from scipy.ndimage import median_filter

        step = max(1, round(_REFERENCE_HOP_S / self._hop_s))
        whole = len(crests) // step * step
        if whole == 0:
            return np.full(len(crests), np.percentile(crests, 75.0))
        steps = np.percentile(crests[:whole].reshape(-1, step), 75.0, axis=1)
        width = min(len(steps), round(_REFERENCE_S / _REFERENCE_HOP_S))
        smooth = median_filter(steps, size=max(1, width), mode="nearest")
        middles = (np.arange(len(smooth)) + 0.5) * step
        return np.interp(np.arange(len(crests)), middles, smooth)


def envelope(crests: Envelope, width: int) -> Envelope:
    """The highest crest within `width` hops around each."""
    from scipy.ndimage import maximum_filter1d

    found: Envelope = maximum_filter1d(crests, size=width, mode="nearest")
    return found
