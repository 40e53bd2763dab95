"""The encoding that symbols and a division into bytes stand for, with the lengths measured on the tape."""

from __future__ import annotations

import itertools
import math
from collections import Counter
from dataclasses import replace
from typing import Any

import numpy as np

from ..encoding import Encoding, Halves
from .bit_rows import BitRows
from .byte_frames import BitArray, Frame
from .clusters import LETTERS, Lettered
from .symbols import Code


def with_preamble(frame: Frame) -> Frame:
    """A frame whose first bytes, alternating bits in every block, are part of the preamble."""
    while frame.data_bits == 8 and not frame.fixed_bits and frame.blocks:
        heads = Counter(block[:1] for block in frame.blocks).most_common(1)[0]
        if heads[0] not in (b"\xaa", b"\x55") or heads[1] < 0.6 * len(frame.blocks):
            break
        if len(frame.preamble) >= 64 or min(map(len, frame.blocks)) < 2:
            break
        frame = replace(
            frame, preamble=frame.preamble + f"{heads[0][0]:08b}", blocks=tuple(b[1:] for b in frame.blocks)
        )
    return frame


def _rounded(seconds: float) -> float:
    return round(seconds * 1e7) / 1e7


def _mean_lengths(lettered: Lettered) -> dict[str, float]:
    """Mean half-wave of each class."""
    found = {}
    everything = np.concatenate(lettered.scaled)
    letters = np.array(list("".join(lettered.texts)))
    for k in range(len(lettered.classes)):
        mine = everything[letters == LETTERS[k]]
        if len(mine):
            found[LETTERS[k]] = float(np.mean(mine))
    return found


def build_encoding(code: Code, frame: Frame, phase: bool, rows: BitRows) -> Encoding:
    """The encoding a candidate stands for, the first symbol being a nought."""
    length = _mean_lengths(rows.lettered)
    first, second = _symbol_lengths(code, length, phase)
    common: dict[str, Any] = {
        "name": "unknown", "data_bits": frame.data_bits, "parity": frame.parity, "start": frame.start,
        "stop": frame.stop, "least_first": False, "block_gap": round(_block_gap(rows), 3),
    }  # fmt: skip
    if phase:
        return Encoding(
            **common,
            cell=_rounded(_cell(code, length)),
            preamble=frame.preamble or "10",
            postamble=_postamble(frame, rows.bits),
        )
    leader = _leader(rows.usual, length)
    # A clock-driven sender fills its pauses with stop bits where the leader is the tone of a stop bit.
    resting = code.first if frame.stop[:1] == "0" else code.second
    idle = bool(
        leader and frame.start and frame.stop and frame.start[-1] != frame.stop[0] and len(set(resting)) == 1
        and abs(leader[0] / length[resting[0]] - 1) < 0.08
    )  # fmt: skip
    return Encoding(
        **common,
        zero=tuple(map(_rounded, first)),
        one=tuple(map(_rounded, second)),
        leader=leader,
        leader_seconds=round(rows.leader_seconds, 2) if rows.usual else 0.0,
        sync=_sync(rows) if rows.usual else (),
        marker=tuple(_rounded(length[c]) for c in code.marker),
        preamble=frame.preamble,
        idle=idle,
        trailer=() if idle else _trailer(rows.lettered, rows.stops, frame),
    )


def _symbol_lengths(code: Code, length: dict[str, float], phase: bool) -> tuple[list[float], list[float]]:
    """Half-waves of the two symbols; `length` is corrected where one clock makes both."""
    first, second = ([length.get(c, 0.0) for c in word] for word in (code.first, code.second))
    whole_first, whole_second = sum(first), sum(second)
    if 0.96 < whole_first / whole_second < 1.04 and not phase and len(first) != len(second):
        # Symbols of equal time, as when one clock makes both tones.
        middle = (whole_first + whole_second) / 2
        first = [f * middle / whole_first for f in first]
        second = [s * middle / whole_second for s in second]
        for letter, value in ((code.first[0], first[0]), (code.second[0], second[0])):
            length[letter] = value
    return first, second


def _block_gap(rows: BitRows) -> float:
    """Seconds without a byte that end a block: less than any silence between two stretches of signal."""
    gaps = [
        later.edges[0] - earlier.edges[-1]
        for earlier, later in itertools.pairwise(rows.bursts)
        if later.edges[0] > earlier.edges[-1]
    ]
    smallest = min([0.25, *(0.4 * float(g) for g in gaps if g > 0.02)])
    return 0.25 if rows.usual and rows.leader_seconds > 0.3 else max(0.02, smallest)


def _leader(usual: float, length: dict[str, float]) -> Halves:
    """Half-waves of the leader, of the length of a symbol's if it is nearly that."""
    if not usual:
        return ()
    lead = usual
    for value in length.values():
        if abs(math.log(value / usual)) < 0.06:
            lead = value
    return (_rounded(lead),) * 2


def _sync(rows: BitRows) -> Halves:
    return tuple(
        _rounded(float(np.median([row[k] for row in rows.lettered.scaled if len(row) > k])))
        for k in range(rows.sync)
    )


def _cell(code: Code, length: dict[str, float]) -> float:
    """A bit cell: one long half-wave, or two short ones."""
    words = sorted((code.first, code.second), key=len)
    return (length[words[0][0]] + 2 * length[words[1][0]]) / 2


def _postamble(frame: Frame, bits: list[BitArray]) -> str:
    """Bits that end every block and alternate."""
    if len(frame.blocks) < 2:
        return ""
    ends = Counter(
        "".join(map(str, row[len(row) - left - 8 : len(row) - left]))
        for row, left in zip(bits, frame.left, strict=False)
    )
    word, times = ends.most_common(1)[0]
    return word if word in ("10101010", "01010101") and times >= 0.6 * len(frame.blocks) else ""


def _trailer(lettered: Lettered, stops: list[int], frame: Frame) -> Halves:
    """Half-waves that come after the last byte every time."""
    if any(frame.left) or len(stops) < 2:
        return ()
    ends = [
        row[stop : stop + 5]
        for row, stop in zip(lettered.scaled, stops, strict=True)
        if len(row) - stop <= 12
    ]
    halves: list[float] = []
    for k in range(4):
        here = np.array([row[k] for row in ends if len(row) > k])
        if len(here) < max(2, 0.6 * len(stops)):
            break
        middle = float(np.median(here))
        if np.mean(np.abs(here / middle - 1) < 0.12) < 0.7 or middle > 3e-3:
            break
        halves.append(_rounded(middle))
    # The very last half-wave runs into the silence, so its length says little.
    return tuple(halves[:-1]) if len(halves) > 1 else tuple(halves)
