"""Which rule makes the last bytes of blocks follow from those before."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

from ..checks import Check

CRC8 = (0x07, 0x31, 0x1D, 0x9B, 0x2F, 0xD5, 0x39, 0x8D)
CRC16 = (0x1021, 0x8005, 0x3D65, 0x8BB7, 0xA097, 0xC867, 0x0589)
CRC32 = (0x04C11DB7,)
"""Generators in common use, from memory; 0x1021 and 0x8005 are by far the most frequent."""
MOST_BLOCKS = 8
MOST_BYTES = 1500
LEAST_EVIDENCE = 4.6
"""Nats: a rule that luck alone would let through once in a hundred searches."""


@dataclass(frozen=True)
class FoundCheck:
    """A rule that holds.

    Attributes
    ----------
    check : Check
    holds, blocks : int
        On how many of how many blocks.
    luck : float
        Chance that some rule of those tried would hold so often on random bytes.
    trailing : int
        Bytes after the check that belong to no block.
    """

    check: Check
    holds: int
    blocks: int
    luck: float
    trailing: int = 0

    @property
    def evidence(self) -> float:
        """In nats: minus the logarithm of the luck."""
        return -math.log(max(self.luck, 1e-300))


@lru_cache(maxsize=1)
def rules() -> tuple[Check, ...]:
    """All rules that are tried, the usual ones first."""
    return tuple(dict.fromkeys((*_usual(), *_all())))


def _usual() -> Iterator[Check]:
    """Rules found on most tapes that have any; common practice, no source."""
    yield Check("xor")
    yield Check("sum")
    yield Check("negative sum")
    for polynomial, reflected in ((0x1021, False), (0x8005, True)):
        for start in (0, 0xFFFF):
            for low in (False, True):
                yield Check("crc", 16, polynomial, start, 0, reflected, low)
    yield Check("xor", skip=1)
    yield Check("sum", skip=1)


def _all() -> Iterator[Check]:
    for skip in (0, 1, 2):
        for start, final in ((0, 0), (255, 0), (0, 255)):
            yield Check("xor", start=start, final=0 if start else final, skip=skip)
            yield Check("sum", start=start, final=final, skip=skip)
        yield Check("negative sum", skip=skip)
        for low in (False, True):
            for final in (0, 0xFFFF):
                yield Check("sum", 16, final=final, low_byte_first=low, skip=skip)
            yield Check("negative sum", 16, low_byte_first=low, skip=skip)
        for polynomial in CRC8:
            for reflected in (False, True):
                for start, final in ((0, 0), (255, 0), (255, 255), (0, 255)):
                    yield Check("crc", 8, polynomial, start, final, reflected, skip=skip)
        for polynomial in CRC16:
            for reflected in (False, True):
                for start, final in ((0, 0), (0xFFFF, 0), (0xFFFF, 0xFFFF), (0, 0xFFFF), (0x1D0F, 0)):
                    for low in (reflected, not reflected):
                        yield Check("crc", 16, polynomial, start, final, reflected, low, skip)
        for polynomial in CRC32:
            for start, final in ((0xFFFFFFFF, 0xFFFFFFFF), (0, 0)):
                for low in (True, False):
                    yield Check("crc", 32, polynomial, start, final, True, low, skip)


def find_check(blocks: Sequence[bytes]) -> list[FoundCheck]:
    """Rules that hold on more of the blocks than luck would have it, best first.

    Parameters
    ----------
    blocks : sequence of bytes
        As they were read, check included; some may be wrong.
    """
    usable = [block for block in dict.fromkeys(blocks) if 4 <= len(block) <= MOST_BYTES]
    usable = sorted(usable, key=len)[:MOST_BLOCKS]
    # Bytes that are all alike satisfy many rules.
    usable = [block for block in usable if len(set(block)) > 2]
    if not usable:
        return []
    found: list[FoundCheck] = []
    usual = len(tuple(_usual()))
    for trailing in (0, 1, 2):
        bodies = [block[: len(block) - trailing] for block in usable]
        for number, check in enumerate(rules()):
            # The usual rules are a search of their own, and come first.
            tried = 2 * usual if number < usual else 2 * len(rules())
            holds = 0
            for place, body in enumerate(bodies):
                holds += check.holds(body)
                # Damaged blocks may fail, but not nearly all.
                if place >= 3 and holds == 0:
                    break
            if not holds:
                continue
            chances = math.comb(len(usable), holds) * 0.5 ** (check.width * holds)
            luck = tried * 4.0**trailing * chances
            if -math.log(max(luck, 1e-300)) >= LEAST_EVIDENCE:
                found.append(FoundCheck(check, holds, len(usable), min(1.0, luck), trailing))
    # Of rules that hold equally often the plainest is taken: they are tried in that order.
    return sorted(found, key=lambda f: -f.evidence + 0.7 * f.check.skip)
