"""Blocks that belong together, and what the blocks of one group may be written in."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from .answer import Discovery, FoundLeader
from .bursts import Burst, like_the_longest
from .candidates import Candidate, find_candidates, without_repeats
from .clusters import STRANGE, Lettered, letters_of, with_near_merged
from .proof import Proved, prove
from .stretches import Stretch
from .sureness import weigh
from .symbols import Code, find_codes
from .wording import counted, lengths_in_words

Progress = Callable[[float], None]

SHORT_LEADER = 0.2
"""Seconds below which a leader may be none."""


def groups_of(bursts: list[Burst]) -> list[list[Burst]]:
    """Bursts that belong together: with the leader that lasts longest in all, and those without a leader."""
    led = [b for b in bursts if b.leader[1] > 0 and len(b.body) >= 30]
    groups = []
    if led:
        weights = Counter[int]()
        for burst in led:
            weights[round(math.log(burst.leader_half) / 0.1)] += int(1000 * burst.leader_seconds)
        usual = math.exp(0.1 * weights.most_common(1)[0][0])
        same = [b for b in led if abs(math.log(b.leader_half / usual)) < 0.17]
        if same:
            groups.append(same)
    # Many like bits in a row may look like a short leader.
    bare = [
        replace(b, leader=(0, 0), leader_half=0.0) if b.leader_seconds < SHORT_LEADER else b
        for b in bursts
        if b.leader_seconds < SHORT_LEADER and len(b.lengths) >= 100
    ]
    if bare:
        groups.append(like_the_longest(bare))
    return groups


def look_at_group(bursts: list[Burst], stretch: Stretch, tell: Progress) -> Discovery | None:
    """Candidates for one group of bursts, and their proof."""
    led = bursts[0].leader[1] > 0
    usual = float(np.median([b.leader_half for b in bursts])) if led else 0.0
    factors = [b.leader_half / usual if led else 1.0 for b in bursts]
    highs = [b.first_high == (b.leader[1] % 2 == 0) for b in bursts]
    lettered = letters_of([b.body for b in bursts], factors, highs)
    if lettered is None or len(lettered.classes) < 2:
        return None
    leader = (
        FoundLeader(usual, float(np.median([b.leader_seconds for b in bursts])), len(bursts)) if led else None
    )
    lettered, codes = _with_codes(lettered)
    tell(0.15)
    candidates: list[Candidate] = []
    for code in codes[:4]:
        if code.cover > 0.6:
            candidates += find_candidates(code, bursts, lettered, usual)
    proved = _proved(candidates, bursts, stretch, tell)
    tell(0.85)
    proposals = weigh(proved, bursts, stretch)
    notes = _notes(lettered, leader)
    return Discovery(proposals, tuple(lettered.classes), leader, notes, stretch.start, stretch.end)


def _with_codes(lettered: Lettered) -> tuple[Lettered, list[Code]]:
    """Symbols, and the half-waves as sorted for them: classes that are near each other may be one."""
    codes = find_codes(lettered.texts, [c.seconds for c in lettered.classes])
    merged = with_near_merged(lettered)
    if merged is None or len(merged.classes) < 2:
        return lettered, codes
    others = find_codes(merged.texts, [c.seconds for c in merged.classes])
    if others and (not codes or others[0].cover > codes[0].cover + 0.04):
        return merged, others
    return lettered, codes


def _proved(
    candidates: list[Candidate], bursts: list[Burst], stretch: Stretch, tell: Progress
) -> list[Proved]:
    """What reading with the best candidates gives, until one reads that the others cannot come near."""
    candidates = without_repeats(sorted(candidates, key=lambda c: c.bits_a_half))[:3]
    proved: list[Proved] = []
    for number, candidate in enumerate(candidates):
        tell(0.2 + 0.6 * number / len(candidates))
        better = [
            p for p in proved
            if p.structure > 0.9
            and (candidate.bits_a_half - p.candidate.bits_a_half) * candidate.frame.told > 60
        ]  # fmt: skip
        if better:
            break
        proved += prove(candidate, bursts, stretch)
    return proved


def _notes(lettered: Lettered, leader: FoundLeader | None) -> tuple[str, ...]:
    """The half-waves of a group in words."""
    notes = []
    if leader:
        notes.append(
            f"{counted(leader.count, 'leader')} of {leader.half_seconds * 1e6:.0f} us half-waves "
            f"({0.5 / leader.half_seconds:.0f} Hz), {leader.seconds:.1f} s long."
        )
    notes.append(lengths_in_words([c for c in lettered.classes if c.share > 0.01]))
    strange = sum(t.count(STRANGE) for t in lettered.texts) / max(1, sum(map(len, lettered.texts)))
    if strange > 0.05:
        notes.append(
            f"{100 * strange:.0f} % of the half-waves belong to no class: the tape is damaged or noisy."
        )
    return tuple(notes)
