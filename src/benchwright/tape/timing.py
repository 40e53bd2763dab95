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
from .decode import Tape, decode
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
        When each half-wave ended, in seconds, and how long it should have lasted; NaN where a run begins.
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
    lost = _lost(recording, encoding, channel, tape, spans, comparator)
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
    return Timing(tape.edges, tape.nominal, spans, lost, count, tuple(warnings)), tape


def _doubtful_is_lost(tape: Tape, block: Any, lost: Flags) -> None:
    """Where another reading is nearly as likely, nobody knows how long the half-waves should have lasted."""
    for rival in block.rivals:
        if rival.cost < _NEARLY:
            first, last = np.searchsorted(tape.edges, (rival.begins - 1e-6, rival.ends + 1e-6))
            lost[first + 1 : last] = True


def _lost(
    recording: Any, encoding: Encoding, channel: Any, tape: Tape, spans: Floats, comparator: float
) -> Flags:
    """Which half-waves a comparator with hysteresis does not see as one."""
    edges = tape.edges
    lost = np.zeros(len(edges), bool)
    conditioner = Conditioner(encoding, recording.rate)
    rate = conditioner.rate
    near = 0.25 * encoding.shortest
    lag = 0.1
    begun = -math.inf
    seconds = 8.0
    for window in conditioner.windows(recording, channel, seconds=seconds):
        start = window.start / rate
        first, last = np.searchsorted(edges, (max(begun, start + lag), start + lag + seconds))
        begun = start + lag + seconds
        if last <= first or not len(window.amplitude):
            continue
        here = np.clip(((edges[first:last] - start) * rate).astype(int), 0, len(window.amplitude) - 1)
        within = inside(edges[first:last], spans)
        if not np.any(within):
            continue
        level = float(np.median(window.amplitude[here[within]]))
        places, _ = zero_crossings(window.signal.astype(np.float64), comparator * level)
        times = start + places / rate
        previous = np.concatenate(([edges[first - 1] if first else -math.inf], edges[first : last - 1]))
        turns = np.searchsorted(times, edges[first:last] + near, side="right") - np.searchsorted(
            times, previous + near, side="right"
        )
        lost[first:last] = (turns != 1) & np.isfinite(tape.nominal[first:last])
    return lost


def inside(times: Floats, spans: Floats) -> Flags:
    """Which times lie in one of the spans (ascending starts)."""
    if not len(spans):
        return np.zeros(len(times), bool)
    k = np.searchsorted(spans[:, 0], times + 1e-9, side="right") - 1
    ends = np.maximum.accumulate(spans[:, 1])
    return np.asarray((k >= 0) & (times <= ends[np.maximum(k, 0)] + 1e-9), bool)
