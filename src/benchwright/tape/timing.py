"""Half-waves as they were read, and as a machine's comparator sees them."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ..errors import BenchwrightError
from .conditioned import Conditioner
from .decode import Tape, channel_to_read, decode
from .encoding import Encoding, encoding_named
from .half_waves import zero_crossings

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]


_NEARLY = 2.2
"""Nats: another reading is right once in ten."""


class NoMargin(BenchwrightError, ValueError):
    """Too little was read, or the decision asked for makes no sense in the encoding."""


@dataclass(frozen=True)
class Timing:
    """Half-waves as they were read, and as a machine's comparator sees them.

    Attributes
    ----------
    edges, nominal : float64 arrays (m,)
        When each half-wave ended for the comparator, in seconds, and how long it should have lasted; NaN
        where a run begins.
    spans : float64 array (k, 2)
        Where bytes lie, in seconds.
    lost : bool array (m,)
        The comparator misses the end of this half-wave, or turns more than once in it.
    count : int
        Bytes in all spans.
    warnings : tuple of str
    """

    edges: Floats
    nominal: Floats
    spans: Floats
    lost: Flags
    count: int
    warnings: tuple[str, ...] = ()


def read_timing(
    recording: Any,
    encoding: Encoding | str,
    *,
    channel: Any = "mean",
    comparator: float = 0.15,
    progress: Callable[[float], None] | None = None,
) -> tuple[Timing, Tape]:
    """Read a recording, and look at it a second time as a machine's comparator does.

    Parameters
    ----------
    recording : Recording
    encoding : Encoding or str
    channel : int or "mean"
    comparator : float
        How far from the middle the signal must go before the comparator turns, as a share of the usual
        amplitude of the data.
    progress : callable, optional
        Called with the share done, 0 to 1.

    Returns
    -------
    Timing, Tape

    Raises
    ------
    NoMargin
        No data was read.
    """
    if isinstance(encoding, str):
        encoding = encoding_named(encoding)

    def first_half(share: float) -> None:
        if progress is not None:
            progress(0.8 * share)

    tape = decode(recording, encoding, channel=channel, progress=first_half, keep_edges=True)
    blocks = [block for block in tape.blocks if len(block.data) > 1]
    if not blocks:
        raise NoMargin(
            f"{recording.path}: no data read in {encoding.name}, so there are no decisions to look at"
        )
    order = np.argsort([block.start for block in blocks])
    spans = np.array([(blocks[k].start, blocks[k].end) for k in order], float)
    own = channel_to_read(recording, encoding, channel)
    edges, lost = _compared(recording, encoding, own, tape, spans, comparator)
    if progress is not None:
        progress(1.0)
    for block in blocks:
        _doubtful_is_lost(tape, block, lost)
    warnings = []
    bad = sum(not block.good for block in blocks)
    if bad:
        warnings.append(
            f"{bad} of {len(blocks)} blocks were not read well: where a byte is in doubt, the machine is "
            "taken to fail"
        )
    if any(block.repaired for block in blocks):
        warnings.append(
            "bytes that were repaired by the check were read wrong at first: little is known there"
        )
    count = sum(len(block.data) for block in blocks)
    return Timing(edges, tape.nominal, spans, lost, count, tuple(warnings)), tape


def _doubtful_is_lost(tape: Tape, block: Any, lost: Flags) -> None:
    """Where another reading is nearly as likely, nobody knows how long the half-waves should have lasted."""
    for rival in block.rivals:
        if rival.cost < _NEARLY:
            first, last = np.searchsorted(tape.edges, (rival.begins - 1e-6, rival.ends + 1e-6))
            lost[first + 1 : last] = True


def _compared(
    recording: Any, encoding: Encoding, channel: Any, tape: Tape, spans: Floats, comparator: float
) -> tuple[Floats, Flags]:
    """When a comparator with hysteresis turns, and which half-waves it does not see as one."""
    edges, nominal = tape.edges.copy(), tape.nominal
    lost = np.zeros(len(edges), bool)
    conditioner = Conditioner(encoding, recording.rate)
    rate = conditioner.rate
    after = np.append(nominal[1:], math.nan)
    reach = 0.5 * np.fmin(np.fmin(nominal, after), encoding.longest)
    lag, seconds = 0.1, 8.0
    begun = -math.inf
    for window in conditioner.windows(recording, channel, seconds=seconds):
        start = window.start / rate
        first, last = np.searchsorted(tape.edges, (max(begun, start + lag), start + lag + seconds))
        begun = start + lag + seconds
        if last <= first or not len(window.amplitude):
            continue
        here = tape.edges[first:last]
        within = inside(here, spans)
        if not np.any(within):
            continue
        place = np.clip(((here - start) * rate).astype(int), 0, len(window.amplitude) - 1)
        level = float(np.median(window.amplitude[place[within]]))
        places, _ = zero_crossings(window.signal.astype(np.float64), comparator * level)
        times = start + places / rate
        low = np.searchsorted(times, here - reach[first:last], side="right")
        high = np.searchsorted(times, here + reach[first:last], side="right")
        one = high - low == 1
        edges[first:last][one] = times[low[one]]
        # Between two edges that are sure, as many turns as edges are those edges, however far they are off.
        sure = np.flatnonzero(one)
        count, turns = np.diff(sure), np.diff(low[sure])
        for a, b in zip(sure[:-1][count > 1], sure[1:][count > 1], strict=True):
            if low[b] - low[a] == b - a:
                edges[first + a + 1 : first + b] = times[low[a] + 1 : low[b]]
        for a, b in zip(sure[:-1][turns != count], sure[1:][turns != count], strict=True):
            lost[first + a + 1 : first + b + 1] = True
        if len(sure):
            lost[first : first + sure[0]] = True
            lost[first + sure[-1] + 1 : last] = True
        else:
            lost[first:last] = True
    # Two edges that share a turn of the comparator are none.
    lost[1:] |= np.diff(edges) <= 0
    return np.maximum.accumulate(edges), lost & np.isfinite(nominal)


def inside(times: Floats, spans: Floats) -> Flags:
    """Which times lie in one of the spans (ascending starts)."""
    if not len(spans):
        return np.zeros(len(times), bool)
    k = np.searchsorted(spans[:, 0], times + 1e-9, side="right") - 1
    ends = np.maximum.accumulate(spans[:, 1])
    return np.asarray((k >= 0) & (times <= ends[np.maximum(k, 0)] + 1e-9), bool)
