"""What a block's own check, and its runners-up, say about the block."""

from __future__ import annotations

import heapq
import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .encoding import Encoding

FloatArray = npt.NDArray[np.float64]
MOST_TRIES = 20_000
MOST_COST = 45.0
UNSEEN = 1e-7
"""Chance that a byte is wrong in a way that no rival stands for."""
SURE = 0.9995
UNCHECKED = 1e-4
"""Doubt about a whole block that passes where no check can tell: one block in ten thousand."""
FEWEST = 3
"""Bytes that make a block where no check can tell."""


@dataclass(frozen=True)
class Rival:
    """Another reading of bytes `first` to `last` of a block, `cost` nats less likely.

    It leaves the reading that won at `begins` and comes back to it at `ends`, seconds into the recording.
    """

    first: int
    last: int
    data: bytes
    cost: float
    begins: float = 0.0
    ends: float = 0.0


@dataclass(frozen=True)
class Judged:
    """A block's bytes after the check had its say. See `Block`."""

    data: bytes
    good: bool
    confidence: FloatArray
    check: str
    repaired: tuple[str, ...]


def judge(data: bytes, rivals: list[Rival], whole: bool, encoding: Encoding) -> Judged:
    """Judge a block, and mend it if its check tells how.

    Parameters
    ----------
    data : bytes
        Best reading, check included.
    rivals : list of Rival
        Other readings, which may overlap.
    whole : bool
        The block has a beginning and an end that were seen.
    encoding : Encoding
    """
    doubt = np.full(len(data), UNSEEN)
    cheapest: dict[tuple[int, int, bytes], Rival] = {}
    for rival in sorted(rivals, key=lambda r: r.cost):
        cheapest.setdefault((rival.first, rival.last, rival.data), rival)
    rivals = list(cheapest.values())
    for rival in rivals:
        chance = 1 / (1 + math.exp(min(50.0, rival.cost)))
        if rival.last - rival.first == len(rival.data):
            for k in range(rival.first, rival.last):
                if rival.data[k - rival.first] != data[k]:
                    doubt[k] += chance
        else:
            # Bytes more or fewer: doubt falls on all of them, or on those beside the gap.
            doubt[max(0, min(rival.first, len(data) - 1)) : max(rival.last, rival.first + 1)] += chance
    confidence = 1 / (1 + doubt)
    wrong = float(np.sum(doubt))
    check = encoding.check
    if check is None:
        # A few bytes alone in a leader are more often a dropout than a block.
        good = whole and wrong < UNCHECKED and len(data) >= FEWEST
        return Judged(data, good, confidence, "none", ())
    if check.holds(data):
        # A wrong block passes by luck once in 2^width.
        left = wrong / (1 + wrong) / 2**check.width
        sure = np.maximum(confidence, 1 - left - 1e-9)
        good = left < 1 - SURE and (whole or check.width > 8)
        return Judged(data, good, sure, "holds", ())
    found = _mend(data, rivals, encoding)
    if found is None:
        return Judged(data, False, confidence * 0.98, "fails", ())
    mended, used, posterior = found
    words = tuple(
        f"bytes {r.first} to {r.last - 1}: {data[r.first : r.last].hex()} read as {r.data.hex()}"
        if r.last - r.first > 1
        else f"byte {r.first}: {data[r.first : r.last].hex()} read as {r.data.hex()}"
        for r in used
    )
    # A byte is right if the mended reading is, or if no rival touched it.
    sure = np.full(len(mended), posterior)
    if len(mended) == len(data):
        untouched = np.frombuffer(mended, np.uint8) == np.frombuffer(data, np.uint8)
        sure += np.where(untouched, (1 - posterior) * confidence * 0.98, 0.0)
    good = posterior > SURE and (whole or check.width > 8)
    return Judged(mended, good, sure, "holds", words)


def _mend(data: bytes, rivals: list[Rival], encoding: Encoding) -> tuple[bytes, list[Rival], float] | None:
    """The likeliest set of rivals with which the check holds, and how sure that is."""
    check = encoding.check
    assert check is not None
    rows = sorted(rivals, key=lambda r: r.cost)[:64]
    if not rows:
        return None
    # What each rival alone does to the check: for those of equal length it adds up, and is not worked out
    # anew for each set.
    by_xor, modulus = check.adds_by_xor, 1 << check.width
    gap = check.gap(data)
    equal = [len(r.data) == r.last - r.first for r in rows]
    moves = [
        _less(check.gap(_with(data, [r])), gap, by_xor) if e else 0 for r, e in zip(rows, equal, strict=True)
    ]
    overlaps = [sum(1 << j for j in range(len(rows)) if _overlap(rows, i, j)) for i in range(len(rows))]
    # Sets in the order of their cost: each is made from a cheaper one by adding or moving its last member.
    # With each goes what is known of all but the last: members as bits, whether two overlap, whether all are
    # of equal length, and the gap.
    heap: list[tuple[float, tuple[int, ...], int, bool, bool, int]] = [
        (rows[0].cost, (0,), 0, False, True, gap)
    ]
    found: list[tuple[float, bytes, list[Rival]]] = []
    tried = 1.0
    tries = 0
    while heap and tries < MOST_TRIES:
        cost, chosen, members, overlapping, even, left = heapq.heappop(heap)
        if cost > MOST_COST or (found and cost > found[0][0] + 12):
            break
        tries += 1
        last = chosen[-1]
        clash = overlapping or bool(members & overlaps[last])
        all_even = even and equal[last]
        now = left ^ moves[last] if by_xor else (left + moves[last]) % modulus
        if last + 1 < len(rows):
            more = rows[last + 1].cost
            heapq.heappush(
                heap,
                (cost - rows[last].cost + more, (*chosen[:-1], last + 1), members, overlapping, even, left),
            )
            heapq.heappush(
                heap, (cost + more, (*chosen, last + 1), members | 1 << last, clash, all_even, now)
            )
        if clash:
            continue
        tried += math.exp(-cost)
        if all_even and now:
            continue
        picked = sorted((rows[k] for k in chosen), key=lambda r: r.first)
        candidate = _with(data, picked)
        if check.holds(candidate):
            found.append((cost, candidate, picked))
    if not found:
        return None
    weights = np.array([math.exp(-cost) for cost, _, _ in found])
    # What was never tried is as likely again as a tenth of what was, and passes by luck as any other would.
    luck = tried / 2**check.width
    best = found[0]
    same = sum(w for w, f in zip(weights, found, strict=True) if f[1] == best[1])
    return best[1], best[2], float(same / (float(np.sum(weights)) + 0.1 * luck))


def _less(gap: int, before: int, by_xor: bool) -> int:
    """What a gap has grown by."""
    return gap ^ before if by_xor else gap - before


def _overlap(rows: list[Rival], i: int, j: int) -> bool:
    """Whether two rivals change the same bytes."""
    one, other = sorted((min(i, j), max(i, j)), key=lambda k: rows[k].first)
    return i != j and rows[one].last > rows[other].first


def _with(data: bytes, picked: list[Rival]) -> bytes:
    parts = []
    at = 0
    for rival in picked:
        parts += [data[at : rival.first], rival.data]
        at = rival.last
    parts.append(data[at:])
    return b"".join(parts)
