"""How likely bytes are to be what a home computer keeps on tape, in bits.

Text and programs use some bytes far more often than others, and the low bits of a number vary more
than the high ones; that tells a byte from the same byte read backwards or upside down. The weights
are by hand: printable text first, then noughts and small numbers.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

_TEXT_WEIGHTS = ((" ", 12.0), ("ETAOINSR", 3.0), ("LDCUMPGHFBYWVKXJQZ", 1.4), ("0123456789", 1.5))


@lru_cache(maxsize=1)
def _tables() -> tuple[FloatArray, FloatArray]:
    text = np.full(256, 0.01)
    text[32:127] = 0.25
    for letters, weight in _TEXT_WEIGHTS:
        for letter in letters:
            text[ord(letter)] = weight
            text[ord(letter.lower())] = max(text[ord(letter.lower())], 0.6 * weight)
    text[[10, 13]] = 1.5
    text[0] = 1.0
    code = np.full(256, 1.0)
    code[1:32] = 1.6
    code[32:128] = 1.2
    code[[0, 255]] = (12.0, 4.0)
    code[32] = 4.0
    tables = []
    for weights in (text, code):
        share = weights / weights.sum()
        tables.append(-np.log2(0.97 * share + 0.03 / 256))
    return tables[0], tables[1]


def bits_of_kind(data: bytes) -> float:
    """Bits to tell a block, as text, as program or as bytes of no kind, whichever is fewest."""
    if not data:
        return 0.0
    values = np.frombuffer(data, np.uint8)
    text, code = _tables()
    # In pieces, since a block may hold some of each.
    total = 0.0
    for at in range(0, len(values), 64):
        piece = values[at : at + 64]
        total += 1.6 + min(float(text[piece].sum()), float(code[piece].sum()), 8.0 * len(piece))
    return total


def bits_by_habit(blocks: Sequence[bytes]) -> float:
    """Bits to tell blocks when the bytes seen most often so far are told shortest."""
    from scipy.special import gammaln

    counts = np.bincount(np.frombuffer(b"".join(blocks), np.uint8), minlength=256)
    total = float(counts.sum())
    # Half a count for each byte before the first is seen (Krichevsky and Trofimov 1981, from memory).
    nats = gammaln(total + 128.0) - gammaln(128.0) - float(np.sum(gammaln(counts + 0.5) - gammaln(0.5)))
    return float(nats) / math.log(2)


_MIRROR = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))


def mirrored(data: bytes, bits: int = 8) -> bytes:
    """Each byte with its bits in the other order."""
    turned = data.translate(_MIRROR)
    return turned if bits == 8 else bytes(value >> (8 - bits) for value in turned)
