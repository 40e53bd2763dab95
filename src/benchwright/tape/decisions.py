"""What a machine decides on: half-waves, whole cycles or bits, and the speed it takes them for."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Literal

import numpy as np
import numpy.typing as npt

from .encoding import Encoding
from .timing import NoMargin, Timing, inside

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]
Decision = Literal["half-waves", "cycles", "bits"]
Machine = Literal["fixed", "leader", "follows"]

DECISIONS: tuple[Decision, ...] = ("half-waves", "cycles", "bits")
MACHINES: tuple[Machine, ...] = ("fixed", "leader", "follows")
_SMOOTH = 0.03
"""Seconds (standard deviation) over which the speed of the tape is smoothed."""


@dataclass
class Units:
    """What the machine decides on, one row each.

    Attributes
    ----------
    value, nominal : float64 arrays (n,)
        Measured, and what it should be, in seconds.
    ratio : float64 array (n,)
        How long it lasted against what it should have: 1.1 on a slow tape.
    seconds : float64 array (n,)
        How long it should have lasted.
    time : float64 array (n,)
        When it ended, in seconds.
    lost : bool array (n,)
        The comparator did not see it.
    segment : int64 array (n,)
        Those of one number follow each other without a gap.
    phase : int64 array (n,)
        Parts the two kinds of half-wave.
    leader_ratio : float64 array (segments,)
        `ratio` of the leader before each segment; NaN where there was none.
    """

    value: Floats
    nominal: Floats
    ratio: Floats
    seconds: Floats
    time: Floats
    lost: Flags
    segment: Ints
    phase: Ints
    leader_ratio: Floats


def usual_decision(encoding: Encoding) -> Decision:
    """Whole cycles where bits are made of them, half-waves elsewhere."""
    return "cycles" if whole_cycles(encoding) else "half-waves"


def whole_cycles(encoding: Encoding) -> bool:
    if encoding.is_phase:
        return False
    rows = (encoding.zero, encoding.one, encoding.marker)
    return all(
        len(row) % 2 == 0 and all(abs(a - b) < 1e-3 * a for a, b in zip(row[::2], row[1::2], strict=True))
        for row in rows
    )


def units_of(timing: Timing, encoding: Encoding, decision: Decision) -> Units:
    """Gather what the machine decides on.

    Raises
    ------
    NoMargin
        There is nothing of the kind.
    """
    edges, nominal = timing.edges, timing.nominal
    length = np.concatenate(([math.nan], np.diff(edges)))
    real = np.isfinite(nominal)
    middle = edges - 0.5 * np.where(real, nominal, 0.0)
    place = np.flatnonzero(real & inside(edges, timing.spans) & inside(middle, timing.spans))
    if not len(place):
        raise NoMargin("no half-wave of data was read, so there are no decisions to look at")
    run = np.cumsum(~real)
    key = run * (len(timing.spans) + 1) + np.searchsorted(timing.spans[:, 0], middle, side="right")
    turns = np.flatnonzero((np.diff(key[place]) != 0) | (np.diff(place) != 1)) + 1
    rows: list[Units] = []
    for at in np.split(place, turns):
        groups = _group(nominal[at], encoding, decision)
        if not len(groups):
            continue
        first, after = groups[:, 0], groups[:, 1]
        broken = np.concatenate(([0], np.cumsum(timing.lost[at])))
        measured = np.concatenate(([0.0], np.cumsum(length[at])))
        wanted = np.concatenate(([0.0], np.cumsum(nominal[at])))
        rows.append(
            Units(
                value=_values(length[at], groups, encoding, decision),
                nominal=_values(nominal[at], groups, encoding, decision),
                ratio=(measured[after] - measured[first]) / (wanted[after] - wanted[first]),
                seconds=wanted[after] - wanted[first],
                time=edges[at[after - 1]],
                lost=broken[after] > broken[first],
                segment=np.full(len(groups), len(rows), np.int64),
                phase=first % 2 if decision == "half-waves" else np.zeros(len(groups), np.int64),
                leader_ratio=np.array([_leader_ratio(length, timing, run, int(at[0]), encoding)]),
            )
        )
    if not rows:
        raise NoMargin(f"no {decision} found in what was read")
    return Units(*(np.concatenate([getattr(row, part.name) for row in rows]) for part in fields(Units)))


def _leader_ratio(length: Floats, timing: Timing, run: Ints, first: int, encoding: Encoding) -> float:
    """Median length of the leader's cycles in the last second before a block, against nominal."""
    if not encoding.leader:
        return math.nan
    edges, wanted = timing.edges, encoding.leader[0]
    at = np.arange(int(np.searchsorted(edges, edges[first] - 1.0)), first)
    at = at[(run[at] == run[first]) & (np.abs(timing.nominal[at] - wanted) < 1e-3 * wanted)]
    # Whole cycles, so that uneven halves do not count.
    if len(at) < 40:
        return math.nan
    return float(np.median(length[at[: len(at) // 2 * 2]].reshape(-1, 2).sum(axis=1))) / (2 * wanted)


def _group(wanted: Floats, encoding: Encoding, decision: Decision) -> Ints:
    """First half-wave of each decision, and the one after its last."""
    count = len(wanted)
    if decision == "half-waves":
        return np.stack((np.arange(count), np.arange(1, count + 1)), axis=1)
    if decision == "cycles":
        first = np.arange(0, count - 1, 2)
        first = first[np.abs(wanted[first] - wanted[first + 1]) < 1e-3 * wanted[first]]
        return np.stack((first, first + 2), axis=1)
    lengths = np.array(encoding.lengths)

    def classes(values: Sequence[float] | Floats) -> bytes:
        return bytes(np.argmin(np.abs(np.asarray(values)[:, None] - lengths), axis=1).astype(np.uint8))

    said, marker = classes(wanted), classes(encoding.marker) if encoding.marker else b""
    bits = [classes(encoding.zero), classes(encoding.one)]
    groups, at = [], 0
    while at < count:
        bit = next((bit for bit in bits if said.startswith(bit, at)), None)
        if bit is not None:
            groups.append((at, at + len(bit)))
            at += len(bit)
        else:
            at += len(marker) if marker and said.startswith(marker, at) else 1
    return np.array(groups, np.int64).reshape(-1, 2)


def _by_order(encoding: Encoding) -> bool:
    """Whether 0 and 1 last as long and have as many half-waves, and only their order tells them apart."""
    zero, one = np.mean(encoding.zero), np.mean(encoding.one)
    return bool(abs(zero - one) < 1e-3 * zero)


def _values(lengths: Floats, groups: Ints, encoding: Encoding, decision: Decision) -> Floats:
    """What the machine measures, from the lengths of half-waves."""
    first, after = groups[:, 0], groups[:, 1]
    sums = np.concatenate(([0.0], np.cumsum(lengths)))
    if decision != "bits":
        return np.asarray(sums[after] - sums[first])
    if not _by_order(encoding):
        return np.asarray((sums[after] - sums[first]) / (after - first))
    middle = (first + after) // 2
    return np.asarray(
        (sums[middle] - sums[first]) / (middle - first) - (sums[after] - sums[middle]) / (after - middle)
    )


def data_classes(encoding: Encoding, decision: Decision) -> list[float]:
    """Nominal values between which the machine must decide."""
    if decision == "half-waves":
        if encoding.is_phase:
            found = {encoding.cell / 2, encoding.cell}
        else:
            found = {*encoding.zero, *encoding.one, *encoding.marker}
    elif decision == "cycles":
        rows = (encoding.zero, encoding.one, encoding.marker)
        found = {2 * row[k] for row in rows for k in range(0, len(row), 2)}
    elif _by_order(encoding):
        found = {
            float(np.mean(row[: len(row) // 2]) - np.mean(row[len(row) // 2 :]))
            for row in (encoding.zero, encoding.one)
        }
    else:
        found = {float(np.mean(encoding.zero)), float(np.mean(encoding.one))}
    merged: list[float] = []
    for value in sorted(found):
        if not merged or value - merged[-1] > 1e-3 * max(abs(value), abs(merged[-1])):
            merged.append(value)
    return merged


def own_speed(units: Units) -> Floats:
    """How slow the tape itself is at each decision: 1.1 for a tenth more time.

    A centred mean over neighbours of one segment, weighted by their lengths: where an edge is late, one
    decision gains what the next one loses.
    """
    from scipy.ndimage import gaussian_filter1d

    out = np.empty(len(units.ratio))
    for segment in np.unique(units.segment):
        at = np.flatnonzero(units.segment == segment)
        ratio = units.ratio[at].copy()
        usual = float(np.median(ratio))
        wide = 6 * 1.4826 * float(np.median(np.abs(ratio - usual))) + 0.02
        wrong = units.lost[at] | (np.abs(ratio - usual) > wide)
        ratio[wrong] = usual
        weight = np.where(wrong, 1e-3, 1.0) * units.seconds[at]
        sigma = max(1.0, _SMOOTH / max(1e-6, float(np.mean(units.seconds[at]))))
        whole = gaussian_filter1d(weight, sigma, mode="reflect")
        out[at] = gaussian_filter1d(ratio * weight, sigma, mode="reflect") / whole
    return out


def machine_speed(units: Units, own: Floats, machine: Machine, memory: float) -> Floats:
    """What the machine takes for the slowness at each decision."""
    if machine == "fixed":
        return np.ones(len(own))
    from scipy.signal import lfilter

    out = np.empty(len(own))
    for segment in np.unique(units.segment):
        at = np.flatnonzero(units.segment == segment)
        leader = units.leader_ratio[segment]
        if machine == "leader":
            out[at] = leader if np.isfinite(leader) else float(np.median(own[at[:40]]))
            continue
        before = leader if np.isfinite(leader) else float(np.median(own[at[:8]]))
        step = max(1e-6, float(np.median(np.diff(units.time[at]))) if len(at) > 1 else memory)
        share = 1.0 - math.exp(-step / memory)
        ratio = np.where(
            units.lost[at] | (np.abs(units.ratio[at] / own[at] - 1) > 0.3), own[at], units.ratio[at]
        )
        past, _ = lfilter([share], [1.0, share - 1.0], ratio, zi=[(1.0 - share) * before])
        out[at] = np.concatenate(([before], past[:-1]))
    return out
