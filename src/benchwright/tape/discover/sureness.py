"""How sure a proposal is: what was proved is weighed, one against the other."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from ..blocks import Block
from ..encoding import Encoding
from .answer import Proposal
from .bursts import Burst
from .check_search import find_check
from .proof import PHASE_PROOF_SECONDS, Proved, read_excerpt
from .same_encoding import named_if_known
from .stretches import STRETCH_SECONDS, Stretch
from .wording import check_in_words

TELLING = 3.0
"""Nats: what bytes have to say, at least, to be evidence; one in twenty."""


def weigh(proved: list[Proved], bursts: list[Burst], stretch: Stretch) -> tuple[Proposal, ...]:
    """Weigh what was proved, best first, and read the stretch with the best."""
    if not proved:
        return ()
    # How few bits a half-wave takes compares candidates; how well the reading went compares them too.
    least = min(p.candidate.bits_a_half for p in proved)
    weights = []
    for p in proved:
        halves = p.candidate.frame.told
        worse = min(40.0, 0.3 * (p.candidate.bits_a_half - least) * halves)
        weights.append(p.evidence + p.custom + math.log(max(1e-9, p.structure)) * 4 - worse)
    array = np.exp(np.array(weights) - max(weights))
    share = array / array.sum()
    order = np.argsort(-share)
    found: list[Proposal] = []
    for rank, k in enumerate(order[:5]):
        p = proved[int(k)]
        chance = float(share[k]) * p.structure
        if rank and chance < 0.01:
            break
        encoding, known, words = named_if_known(p.encoding)
        reasons = ([words] if words else []) + p.reasons
        doubts = list(p.doubts)
        if (chance < 0.9 and share[k] < 0.9) or _order_is_custom(p, proved):
            doubts.append("bits may come in the other order, or mean the opposite: see the other proposals")
        blocks: tuple[Block, ...] = ()
        if rank == 0:
            encoding, read, more = _read_all(encoding, p, bursts, stretch)
            blocks = tuple(read)
            reasons += more
            if more:
                doubts = [d for d in doubts if "check" not in d]
        found.append(Proposal(encoding, chance, tuple(reasons), tuple(doubts), blocks, known))
    return tuple(found)


def _order_is_custom(chosen: Proved, proved: list[Proved]) -> bool:
    """Whether the bytes say next to nothing on how their bits are to be turned."""
    others = [p.evidence for p in proved if p.candidate is chosen.candidate and p is not chosen]
    return any(chosen.evidence - evidence < TELLING for evidence in others)


def _read_all(
    encoding: Encoding, proved: Proved, bursts: list[Burst], stretch: Stretch
) -> tuple[Encoding, list[Block], list[str]]:
    """Read the whole stretch with the best proposal; more blocks may show a check that few did not."""
    most = PHASE_PROOF_SECONDS if encoding.is_phase else STRETCH_SECONDS
    read, _, begin = read_excerpt(encoding, bursts, stretch, most)
    words: list[str] = []
    if encoding.check is None and encoding.data_bits == 8 and not encoding.is_phase:
        found = find_check([b.data for b in read if float(np.mean(b.confidence)) > 0.9])
        if found and found[0].evidence > 7 and not found[0].trailing:
            encoding = replace(encoding, check=found[0].check)
            words.append(check_in_words(found[0]))
            read, _, begin = read_excerpt(encoding, bursts, stretch, most)
    return encoding, [_moved(b, begin + stretch.start) for b in read], words


def _moved(block: Block, seconds: float) -> Block:
    return replace(
        block, start=block.start + seconds, end=block.end + seconds, byte_times=block.byte_times + seconds
    )
