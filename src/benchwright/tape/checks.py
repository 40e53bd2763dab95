"""Check values over the bytes of a block: XOR, sums and cyclic redundancy checks."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache, reduce
from operator import xor
from typing import Any

import numpy as np

from ..errors import BenchwrightError

LONG = 64
"""Bytes from which a cyclic check is worked out by a compiled loop."""


class BadCheck(BenchwrightError, ValueError):
    """A check rule that makes no sense."""


@dataclass(frozen=True)
class Check:
    """A rule by which the last bytes of a block follow from those before.

    Parameters
    ----------
    rule : str
        ``"xor"``, ``"sum"``, ``"negative sum"`` (all bytes with the check add up to nought) or ``"crc"``.
    width : int
        Bits in the check: 8 or 16 (32 for ``"crc"``).
    polynomial, start, final : int
        Of a CRC: generator without its top bit, register at the start, value it is XORed with at the end.
        `start` is the first value of an XOR or a sum as well.
    reflected : bool
        Bits of a byte enter the CRC least significant first, and the register is reflected.
    low_byte_first : bool
        Order of the check's bytes on the tape.
    skip : int
        Bytes at the start of the block that the check does not cover.
    """

    rule: str
    width: int = 8
    polynomial: int = 0
    start: int = 0
    final: int = 0
    reflected: bool = False
    low_byte_first: bool = False
    skip: int = 0

    def __post_init__(self) -> None:
        if self.rule not in ("xor", "sum", "negative sum", "crc"):
            raise BadCheck(f"check rule {self.rule!r}: expected 'xor', 'sum', 'negative sum' or 'crc'")
        if self.width not in (8, 16, 32):
            raise BadCheck(f"check width {self.width}: expected 8, 16 or 32 bits")
        if self.rule == "crc" and not 0 < self.polynomial < 1 << self.width:
            raise BadCheck(f"check polynomial {self.polynomial:#x}: expected {self.width} bits, not nought")
        if self.rule == "xor" and self.width != 8:
            raise BadCheck("a check by XOR has 8 bits")
        if self.skip < 0:
            raise BadCheck(f"check skips {self.skip} bytes: expected nought or more")

    @property
    def size(self) -> int:
        """Bytes that the check takes at the end of a block."""
        return self.width // 8

    def value(self, data: bytes) -> int:
        """The check over `data` (without the check itself, `skip` bytes left out)."""
        data = data[self.skip :]
        mask = (1 << self.width) - 1
        if self.rule == "xor":
            return reduce(xor, data, self.start) ^ self.final
        if self.rule == "sum":
            return (self.start + sum(data)) & mask ^ self.final
        if self.rule == "negative sum":
            return -(self.start + sum(data)) & mask ^ self.final
        if len(data) >= LONG:
            # Only then, because compiled loops take a while to load.
            from .kernels import cyclic

            table = _table_array(self.width, self.polynomial, self.reflected)
            start = _mirror(self.start, self.width) if self.reflected else self.start
            held = np.frombuffer(data, np.uint8)
            return int(cyclic(held, table, start, self.width, self.reflected)) ^ self.final
        table = _table(self.width, self.polynomial, self.reflected)
        register = _mirror(self.start, self.width) if self.reflected else self.start
        if self.reflected:
            for byte in data:
                register = (register >> 8) ^ table[(register ^ byte) & 255]
        else:
            for byte in data:
                register = ((register << 8) & mask) ^ table[(register >> (self.width - 8)) ^ byte]
        return register ^ self.final

    def append(self, data: bytes) -> bytes:
        """`data` with its check behind it, as a tape carries it."""
        return data + self.value(data).to_bytes(self.size, "little" if self.low_byte_first else "big")

    def holds(self, block: bytes) -> bool:
        """Whether the last bytes of `block` are the check of those before."""
        if len(block) <= self.size + self.skip:
            return False
        body = block[: -self.size]
        return self.append(body) == block

    def gap(self, block: bytes) -> int:
        """How far `block` is from holding: 0 if it holds.

        Gaps add up. For bytes that do not overlap and are changed to as many others, the gap grows by what
        each change alone makes of it: by XOR if `adds_by_xor`, else modulo 2^width.
        """
        body, check = block[: -self.size], block[-self.size :]
        stored = int.from_bytes(check, "little" if self.low_byte_first else "big")
        if self.adds_by_xor:
            return self.value(body) ^ stored
        return ((self.value(body) ^ self.final) - (stored ^ self.final)) % (1 << self.width)

    @property
    def adds_by_xor(self) -> bool:
        """Whether gaps add up by XOR. See `gap`."""
        return self.rule in ("xor", "crc")


def _mirror(value: int, width: int) -> int:
    return int(f"{value:0{width}b}"[::-1], 2)


@lru_cache(maxsize=32)
def _table(width: int, polynomial: int, reflected: bool) -> tuple[int, ...]:
    mask = (1 << width) - 1
    rows = []
    mirrored = _mirror(polynomial, width)
    for byte in range(256):
        register = byte if reflected else byte << (width - 8)
        for _ in range(8):
            if reflected:
                register = (register >> 1) ^ (mirrored if register & 1 else 0)
            else:
                register = ((register << 1) & mask) ^ (polynomial if register >> (width - 1) else 0)
        rows.append(register)
    return tuple(rows)


@lru_cache(maxsize=32)
def _table_array(width: int, polynomial: int, reflected: bool) -> Any:
    return np.array(_table(width, polynomial, reflected), np.int64)
