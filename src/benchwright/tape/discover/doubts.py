"""What speaks against a candidate that no check proves; each doubt lowers how sure it is."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .candidates import Candidate
from .wording import counted

LEAST_VARIETY = 1.5
"""Bits a byte below which bytes are too much alike to be taken for data; by hand."""
LEAST_SHARE = 0.5
LONGEST_SYNC = 4
"""Half-waves; a longer one is likelier to be data that could not be read."""


@dataclass(frozen=True)
class Doubt:
    """Something that a right candidate seldom shows.

    Attributes
    ----------
    factor : float
        How much it leaves of the sureness, 0 to 1; by hand.
    words : str
    """

    factor: float
    words: str


def doubts_of(candidate: Candidate, blocks: Sequence[bytes]) -> list[Doubt]:
    """Doubts about symbols and frames.

    Parameters
    ----------
    candidate : Candidate
    blocks : sequence of bytes
        As its symbols give them.
    """
    frame = candidate.frame
    found = []
    if _variety(blocks) < LEAST_VARIETY:
        # A held note repeats itself as well as data do, and says nothing.
        found.append(Doubt(0.3, "the bytes are nearly all alike"))
    if not frame.says_where_bytes_begin and not candidate.code.marker:
        found.append(Doubt(0.85, "only the likeliness of the bytes says where a byte begins"))
    if frame.left_everywhere:
        left = counted(frame.left_everywhere, "bit")
        found.append(Doubt(0.5, f"{left} left over after the last byte of the blocks"))
    if candidate.share < LEAST_SHARE:
        share = 100 * candidate.share
        found.append(Doubt(0.5, f"no more than {share:.0f} % of the data is read without a break"))
    if len(candidate.encoding.sync) > LONGEST_SYNC:
        many = len(candidate.encoding.sync)
        found.append(Doubt(0.5, f"the {many} half-waves between leader and data may be data too"))
    return found


def _variety(datas: Sequence[bytes]) -> float:
    """Entropy of the bytes' frequencies, in bits a byte."""
    counts = np.array(list(Counter(b"".join(datas)).values()), float)
    share = counts / max(1.0, counts.sum())
    return float(-np.sum(share * np.log2(share)))
