"""A candidate is proved by reading the tape with it, and by a check that holds on its blocks."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..blocks import Block
from ..decode import decode
from ..encoding import Encoding
from ..recording import Recording
from .bit_order import habit, oriented, turned_bytes
from .bursts import Burst
from .candidates import Candidate
from .check_search import FoundCheck, find_check
from .doubts import Doubt, doubts_of
from .likely_bytes import bits_of_kind
from .stretches import Stretch
from .wording import reasons_for

PROOF_SECONDS, PHASE_PROOF_SECONDS = 12.0, 4.0
"""How much of it a candidate has to read as a proof."""


@dataclass
class Proved:
    """A candidate, one way of turning its bits, and what reading the tape with it gave.

    Attributes
    ----------
    encoding : Encoding
    evidence : float
        What the bytes and the check say for turning the bits this way, in nats.
    custom : float
        What other senders do, in nats.
    structure : float
        How sure symbols and frames are, 0 to 1.
    check : FoundCheck or None
    reasons, doubts : list of str
    blocks : tuple of Block
    candidate : Candidate
    """

    encoding: Encoding
    evidence: float
    custom: float
    structure: float
    check: FoundCheck | None
    reasons: list[str]
    doubts: list[str]
    blocks: tuple[Block, ...]
    candidate: Candidate


def _excerpt(bursts: list[Burst], stretch: Stretch, most: float) -> tuple[float, float]:
    """Seconds from where to where a proof reads: whole bursts."""
    first = max(0.0, float(bursts[0].edges[0]) - 0.15)
    last = float(bursts[0].edges[-1])
    for burst in bursts:
        if burst.edges[-1] - first > most:
            break
        last = float(burst.edges[-1])
    return first, min(last + 0.3, len(stretch.samples) / stretch.rate)


def read_excerpt(
    encoding: Encoding, bursts: list[Burst], stretch: Stretch, most: float
) -> tuple[tuple[Block, ...], float, float]:
    """Blocks, the share of the data's time that they cover, and where the excerpt begins."""
    first, last = _excerpt(bursts, stretch, most)
    # A leader may be long; its end is enough.
    begin = max(first, float(bursts[0].edges[bursts[0].leader[1]]) - 1.5) if bursts[0].leader[1] else first
    last = min(max(last, begin + 1.0), begin + 2 * most)
    rate = stretch.rate
    piece = stretch.samples[int(begin * rate) : int(last * rate)]
    with Recording.from_array(piece.astype(np.float32), int(rate)) as take:
        tape = decode(take, encoding)
    data = covered = 0.0
    for burst in bursts:
        start, stop = float(burst.edges[burst.leader[1]]) - begin, float(burst.edges[-1]) - begin
        if stop > last - begin:
            continue
        spans = [(max(start, b.start), min(stop, b.end)) for b in tape.blocks]
        within = sum(max(0.0, b - a) for a, b in spans)
        if encoding.idle:
            # What follows the last byte may be idle tone.
            stop = max([start + 0.3 * (stop - start), *(b for a, b in spans if b > a)])
        data += stop - start
        covered += min(within, stop - start)
    return tape.blocks, covered / data if data else 0.0, begin


def _structure(blocks: Sequence[Block], cover: float, gain: float) -> float:
    """Chance that the symbols and frames are right."""
    if not blocks:
        return 0.0
    weights = np.array([len(b.data) for b in blocks], float)
    sure = float(np.sum(weights * [float(np.mean(b.confidence)) for b in blocks]) / max(1.0, weights.sum()))
    quality = min(1.0, cover) * sure
    return _logistic(25 * (quality - 0.72)) * _logistic((gain - 25) / 6)


def prove(candidate: Candidate, bursts: list[Burst], stretch: Stretch) -> list[Proved]:
    """Read with a candidate, and find how its bits are to be turned and what check holds."""
    own = [_without_end(data, candidate) for data in candidate.frame.blocks]
    if candidate.phase:
        # Which way up, and so where the first bit lies, is not known yet: the letters have to do.
        blocks: tuple[Block, ...] = ()
        cover = candidate.share
        structure = _logistic(25 * (cover - 0.72)) * _logistic((candidate.gain - 25) / 6)
    else:
        blocks, cover, _ = read_excerpt(candidate.encoding, bursts, stretch, PROOF_SECONDS)
        structure = _structure(blocks, cover, candidate.gain)
    if structure < 0.01:
        return []
    full = [b.data for b in blocks if len(b.data) >= 4 and float(np.mean(b.confidence)) > 0.9] or own
    return [
        _proved_turned(candidate, least, turned, own, full, blocks, cover, structure)
        for least, turned in itertools.product((False, True), (False, True))
    ]


def _proved_turned(
    candidate: Candidate, least: bool, turned: bool, own: list[bytes], full: list[bytes],
    blocks: tuple[Block, ...], cover: float, structure: float,
) -> Proved:  # fmt: skip
    """A candidate with its bits turned one way: the check that holds then, and how likely the bytes are."""
    frame = candidate.frame
    check = _best_check(candidate, least, turned, (full, own) if full is not own else (own,))
    # The bytes read from the letters are the same stretch of tape for every candidate; what a check
    # explains need not look like text.
    end = check.check.size + check.trailing if check else 0
    bits = sum(
        bits_of_kind(turned_bytes(data[: len(data) - end], frame.data_bits, least, turned)) for data in own
    )
    nats = -0.5 * math.log(2) * bits
    made = oriented(candidate.encoding, candidate, least, turned)
    reasons, doubts = reasons_for(candidate, made, check, full, cover)
    if check:
        nats += min(60.0, check.evidence)
        made = replace(made, check=check.check)
    against = [] if check else doubts_of(candidate, own)
    doubts += [doubt.words for doubt in against]
    sure = _sure(structure, check, against)
    return Proved(
        made, nats, habit(candidate, least, turned), sure, check, reasons, doubts, blocks, candidate
    )


def _sure(structure: float, check: FoundCheck | None, against: list[Doubt]) -> float:
    """How sure symbols and frames are."""
    if check:
        # A check that holds proves symbols and frames, however badly they were read.
        return max(structure, 1 - 10 * check.luck)
    return structure * math.prod(doubt.factor for doubt in against)


def _best_check(
    candidate: Candidate, least: bool, turned: bool, sources: Sequence[Sequence[bytes]]
) -> FoundCheck | None:
    """The check with the best evidence on any of the readings of the blocks."""
    bits = candidate.frame.data_bits
    if bits != 8:
        return None
    found = [
        best
        for source in sources
        for best in find_check([turned_bytes(data, bits, least, turned) for data in source])[:1]
    ]
    return max(found, key=lambda check: check.evidence, default=None)


def _without_end(data: bytes, candidate: Candidate) -> bytes:
    """The bytes of a block as read from the letters, a postamble left out."""
    return data[:-1] if candidate.encoding.postamble and len(data) > 1 else data


def _logistic(value: float) -> float:
    return 1 / (1 + math.exp(-max(-60.0, min(60.0, value))))
