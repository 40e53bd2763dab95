"""Which bit of a byte comes first and which symbol is a nought: the four ways to turn the same bits."""

from __future__ import annotations

from dataclasses import replace

from ..encoding import Encoding
from .candidates import Candidate
from .likely_bytes import mirrored


def turned_bytes(data: bytes, bits: int, least: bool, turned: bool) -> bytes:
    mask = (1 << bits) - 1
    if turned:
        data = bytes(value ^ mask for value in data)
    return mirrored(data, bits) if least else data


def habit(candidate: Candidate, least: bool, turned: bool) -> float:
    """Nats for what is usual: stop bits are ones, least bit first with start bits, longer ones; by hand."""
    frame = candidate.frame
    if frame.data_bits < 8 and not (frame.start and frame.stop) and not candidate.code.marker:
        return -20.0 - (0.0 if least else 1.0) - (1.0 if turned else 0.0)
    if frame.stop or frame.start:
        stop_is_one = (frame.stop[:1] == "1") if frame.stop else frame.start[:1] == "0"
        # Serial chips send the least significant bit first, but not every sender is such a chip.
        return (0.0 if stop_is_one != turned else -15.0) - (0.0 if least else 2.2)
    if candidate.phase:
        return -(1.0 if turned else 0.0) - (0.0 if least else 0.7)
    if candidate.code.marker:
        return -(0.0 if least else 1.0) - (0.5 if turned else 0.0)
    return -(1.0 if least else 0.0) - (1.2 if turned else 0.0)


def flipped(bits: str) -> str:
    return bits.translate(str.maketrans("01", "10"))


def oriented(encoding: Encoding, candidate: Candidate, least: bool, turned: bool) -> Encoding:
    """The encoding with its bits in an order and with a meaning."""
    made = replace(encoding, least_first=least)
    if not turned:
        return made
    parity = made.parity
    if parity != "none" and (made.data_bits + 1) % 2:
        # All bits turned over, parity too: an odd number of them changes the parity.
        parity = "odd" if parity == "even" else "even"
    made = replace(
        made, start=flipped(made.start), stop=flipped(made.stop), preamble=flipped(made.preamble),
        postamble=flipped(made.postamble), parity=parity,
    )  # fmt: skip
    if candidate.phase:
        return replace(made, one_rises=not made.one_rises)
    return replace(made, zero=made.one, one=made.zero)
