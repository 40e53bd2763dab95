"""Encodings that the tape may be in, before any is proved: symbols, and their division into bytes."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass

import numpy as np

from ..encoding import Encoding
from .bit_rows import BitRows, directions, evened, read_rows, with_bit_from_sync
from .build_encoding import build_encoding, with_preamble
from .bursts import Burst
from .byte_frames import Frame, find_frames
from .clusters import Lettered
from .symbols import Code

ENOUGH_BITS = 3500
"""Bits that are held against all ways of dividing them into bytes."""


@dataclass
class Candidate:
    """Symbols and frames, before they are proved."""

    code: Code
    frame: Frame
    phase: bool
    encoding: Encoding
    bits_a_half: float
    gain: float
    share: float


def find_candidates(code: Code, bursts: list[Burst], lettered: Lettered, usual: float) -> list[Candidate]:
    """Candidates with one kind of symbols; `usual` is the leader's half-wave in seconds, 0 if none."""
    rows = read_rows(code, bursts, lettered, usual)
    total = np.cumsum([len(row) for row in rows.bits])
    enough = max(3, int(np.searchsorted(total, ENOUGH_BITS)) + 1)
    rows.bits = rows.bits[:enough]
    found = _of_rows(code, rows)
    if found and usual and found[0].frame.left_everywhere:
        # Bits left over at every end are a bit lost at every start, likelier than not.
        longer = with_bit_from_sync(code, rows)
        found += _of_rows(code, longer) if longer else []
    return found


def _of_rows(code: Code, rows: BitRows) -> list[Candidate]:
    """Candidates that divide rows of bits into bytes in different ways, best first."""
    texts = rows.lettered.texts
    enough = len(rows.bits)
    whole = sum(len(text) - begin for text, begin in zip(texts[:enough], rows.begins, strict=False))
    halves = sum(stop - begin for begin, stop in zip(rows.begins[:enough], rows.stops, strict=False))
    phase = not rows.usual
    if halves < 60 or (phase and not code.is_two_to_one):
        return []
    if phase:
        rows.bits = evened(directions(code, rows))
        rows.share = halves / max(1, whole)
    one_by_one = _bits_one_by_one(texts)
    found = []
    for frame in find_frames(rows.bits, code.per_byte if code.marker else 0, phase)[:4]:
        if phase and frame.free:
            continue
        if phase:
            frame = with_preamble(frame)
        encoding = build_encoding(code, frame, phase, rows)
        per_half = (frame.bits + (one_by_one + 1) * max(0, whole - halves)) / max(1, whole)
        # Bytes of symbols that are half of the true ones repeat themselves, and so seem cheap.
        per_half += code.bits
        gain = (one_by_one * halves - frame.bits) * math.log(2) * min(1.0, rows.share / 0.9)
        found.append(Candidate(code, frame, phase, encoding, per_half, gain, rows.share))
    return found


def _bits_one_by_one(texts: list[str]) -> float:
    """Bits a half-wave that telling the classes one by one would take."""
    counts = np.array(list(Counter("".join(texts)).values()), float)
    share = counts / counts.sum()
    return float(-np.sum(share * np.log2(share)))


def without_repeats(candidates: list[Candidate]) -> list[Candidate]:
    """Candidates that do not read the same bytes as a better one."""
    kept: list[Candidate] = []
    for c in candidates:
        if not any(
            c.frame.blocks == k.frame.blocks and c.phase == k.phase and c.frame.data_bits == k.frame.data_bits
            for k in kept
        ):
            kept.append(c)
    return kept
