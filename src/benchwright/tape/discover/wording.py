"""What speaks for an encoding, in words."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

from ..encoding import Encoding, Halves
from .candidates import Candidate
from .check_search import FoundCheck
from .clusters import HalfWaveClass


def counted(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def lengths_in_words(classes: list[HalfWaveClass]) -> str:
    parts = ", ".join(
        f"{c.seconds * 1e6:.0f} us ({100 * c.share:.0f} %, spread {100 * c.spread:.1f} %)" for c in classes
    )
    return f"Half-waves of {counted(len(classes), 'length')} in the data: {parts}."


def _waves_in_words(halves: Halves) -> str:
    parts = []
    for value, group in itertools.groupby(halves):
        many = len(list(group))
        parts.append(f"{counted(many, 'half-wave')} of {value * 1e6:.0f} us")
    return ", ".join(parts)


def reasons_for(
    candidate: Candidate, encoding: Encoding, check: FoundCheck | None, blocks: Sequence[bytes], cover: float
) -> tuple[list[str], list[str]]:
    """What speaks for a candidate, and what the tape leaves open."""
    frame = candidate.frame
    reasons, doubts = [], []
    if candidate.phase:
        reasons.append(
            f"phase encoding in cells of {encoding.cell * 1e6:.0f} us: short half-waves come in pairs"
        )
    else:
        reasons.append(
            f"a 0 is {_waves_in_words(encoding.zero)}; a 1 is {_waves_in_words(encoding.one)} "
            f"({100 * min(1.0, candidate.code.cover):.0f} % of the data fits)"
        )
    if encoding.marker:
        reasons.append(f"before each byte: {_waves_in_words(encoding.marker)}")
    if encoding.sync:
        reasons.append(f"between leader and data: {_waves_in_words(encoding.sync)}")
    if frame.fixed_bits:
        parts = [f"start {encoding.start}" if encoding.start else "", f"{encoding.data_bits} data bits",
                 f"{encoding.parity} parity" if encoding.parity != "none" else "",
                 f"stop {encoding.stop}" if encoding.stop else ""]  # fmt: skip
        count = sum(map(len, frame.blocks))
        reasons.append(f"each byte: {', '.join(p for p in parts if p)}; held on {counted(count, 'byte')}")
    if encoding.preamble:
        reasons.append(f"before the first byte the bits {encoding.preamble}")
    if check:
        reasons.append(check_in_words(check))
    else:
        doubts.append("no usual check rule holds on the blocks")
    reasons.append(
        f"reading with it gives {counted(len(blocks), 'block')} and {100 * min(1.0, cover):.0f} % of the data"
    )
    return reasons, doubts


def check_in_words(check: FoundCheck) -> str:
    return (
        f"the check {_rule_in_words(check)} holds on {check.holds} of {counted(check.blocks, 'block')}; "
        f"by luck once in {1 / max(check.luck, 1e-99):.2g} tapes"
    )


def _rule_in_words(found: FoundCheck) -> str:
    check = found.check
    name = {"xor": "XOR of all bytes", "sum": "sum of all bytes", "negative sum": "bytes add up to nought",
            "crc": f"CRC with polynomial {check.polynomial:#x}"}[check.rule]  # fmt: skip
    more = [f"{check.width} bits"]
    if check.start or check.final:
        more.append(f"start {check.start:#x}, final {check.final:#x}")
    if check.reflected:
        more.append("reflected")
    if check.width > 8:
        more.append("low byte first" if check.low_byte_first else "high byte first")
    if check.skip:
        more.append(f"without the first {counted(check.skip, 'byte')}")
    return f"({name}, {', '.join(more)})"
