"""Plain writers of data tapes: bytes to half-waves, one small function an encoding.

Written from the published definitions and kept apart from the package's own way of writing a tape, so that
the reader is not marked by its own twin. The numbers of the two pulse encodings are invented.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray


class Pen:
    """Draws half-waves one after the other.

    Attributes
    ----------
    seconds, levels : list of float
        What has been drawn.
    sign : float
        Of the next half-wave.
    """

    def __init__(self, sign: float = 1.0) -> None:
        self.seconds: list[float] = []
        self.levels: list[float] = []
        self.sign = sign
        self.at = 0.0

    def half(self, seconds: float, times: int = 1) -> None:
        """Half-waves of one length."""
        for _ in range(times):
            self.seconds.append(seconds)
            self.levels.append(self.sign)
            self.sign = -self.sign
        self.at += seconds * times

    def cycle(self, hertz: float, times: int = 1) -> None:
        """Whole cycles of a frequency."""
        self.half(0.5 / hertz, 2 * times)

    def rest(self, seconds: float, level: float = 0.0) -> None:
        """Silence."""
        if seconds > 0:
            self.seconds.append(seconds)
            self.levels.append(level)
            self.at += seconds


@dataclass(frozen=True)
class Sent:
    """One block as it went onto the tape.

    Attributes
    ----------
    data : bytes
        What the sender meant.
    framed : bytes
        The same with what the encoding adds (flag, check).
    start, stop : float
        Where its bytes lie, seconds of undisturbed tape.
    """

    data: bytes
    framed: bytes
    start: float
    stop: float


@dataclass
class Written:
    """A whole tape: half-waves and the blocks in them."""

    seconds: NDArray[np.float64]
    levels: NDArray[np.float64]
    blocks: list[Sent] = field(default_factory=list)

    @property
    def duration(self) -> float:
        """Seconds."""
        return float(self.seconds.sum())


def _bits(byte: int, least_first: bool = True) -> list[int]:
    order = range(8) if least_first else range(7, -1, -1)
    return [byte >> place & 1 for place in order]


def xor_of(data: bytes) -> int:
    """XOR of all bytes."""
    total = 0
    for byte in data:
        total ^= byte
    return total


def crc16(data: bytes) -> int:
    """x^16 + x^15 + x^2 + 1, least significant bit first, start 0 (BB3Dh for "123456789")."""
    register = 0
    for byte in data:
        register ^= byte
        for _ in range(8):
            register = register >> 1 ^ (0xA001 if register & 1 else 0)
    return register


# -- the encodings -----------------------------------------------------------------------------------------


def _tones(
    pen: Pen, data: bytes, zero: Callable[[], None], one: Callable[[], None]
) -> tuple[bytes, float, float]:
    """Start bit 0, eight bits from the least, two stop bits 1."""
    start = pen.at
    for byte in data:
        for bit in (0, *_bits(byte), 1, 1):
            (one if bit else zero)()
    return data, start, pen.at


def kansas_city_300(pen: Pen, data: bytes, number: int) -> tuple[bytes, float, float]:
    """BYTE, February 1976: 1 = 8 cycles of 2400 Hz, 0 = 4 of 1200 Hz; mark before for 5 s (from memory)."""
    pen.cycle(2400, 12_000 if number == 0 else 7200)
    told = _tones(pen, data, lambda: pen.cycle(1200, 4), lambda: pen.cycle(2400, 8))
    pen.cycle(2400, 240)
    return told


def cuts_1200(pen: Pen, data: bytes, number: int) -> tuple[bytes, float, float]:
    """The same frame at 1200 bit/s: 1 = 2 cycles of 2400 Hz, 0 = 1 cycle of 1200 Hz."""
    pen.cycle(2400, 12_000 if number == 0 else 4800)
    told = _tones(pen, data, lambda: pen.cycle(1200, 1), lambda: pen.cycle(2400, 2))
    pen.cycle(2400, 240)
    return told


def msx_1200(pen: Pen, data: bytes, number: int) -> tuple[bytes, float, float]:
    """MSX2 Technical Handbook, 5.2: long header 16000 cycles of 2400 Hz, short 4000; low half first."""
    pen.sign = -1.0
    pen.cycle(2400, 16_000 if number == 0 else 4000)
    return _tones(pen, data, lambda: pen.cycle(1200, 1), lambda: pen.cycle(2400, 2))


def msx_2400(pen: Pen, data: bytes, number: int) -> tuple[bytes, float, float]:
    """The same, twice as quick: headers of 32000 and 8000 cycles of 4800 Hz."""
    pen.sign = -1.0
    pen.cycle(4800, 32_000 if number == 0 else 8000)
    return _tones(pen, data, lambda: pen.cycle(2400, 1), lambda: pen.cycle(4800, 2))


def phase_1500(pen: Pen, data: bytes, number: int) -> tuple[bytes, float, float]:
    """Phase encoding after ECMA-34: 800 bit/in at 1.875 in/s is 1500 bit/s.

    A transition in the middle of each cell, rising for a 1. Preamble and postamble 10101010, CRC-16 low byte
    first (from memory).
    """
    framed = data + crc16(data).to_bytes(2, "little")
    alternate = [1, 0] * 4
    bits = [*alternate, *(bit for byte in framed for bit in _bits(byte)), *alternate]
    half = 1 / 3000
    start = pen.at + 16 * half
    for bit in bits:
        for level in (-1.0, 1.0) if bit else (1.0, -1.0):
            if pen.levels and pen.levels[-1] == level:
                pen.seconds[-1] += half
            else:
                pen.seconds.append(half)
                pen.levels.append(level)
            pen.at += half
    return framed, start, pen.at - 16 * half


def pulse_width(pen: Pen, data: bytes, number: int) -> tuple[bytes, float, float]:
    """Invented numbers: leader 560 us, sync 170 + 200 us, 0 two of 230 us, 1 two of 460 us.

    Most significant bit first; a flag byte (0 for the first block, then 255), the data, the XOR of both.
    """
    pen.half(560e-6, 5000 if number == 0 else 3000)
    flagged = bytes([0 if number == 0 else 255]) + data
    framed = flagged + bytes([xor_of(flagged)])
    pen.half(170e-6)
    pen.half(200e-6)
    start = pen.at
    for byte in framed:
        for bit in _bits(byte, least_first=False):
            pen.half(460e-6 if bit else 230e-6, 2)
    stop = pen.at
    pen.half(320e-6)
    return framed, start, stop


def pulse_length(pen: Pen, data: bytes, number: int) -> tuple[bytes, float, float]:
    """Invented numbers: cycles of two 180, 260 or 340 us half-waves (short, medium, long).

    Before each byte long, medium; 0 = short, medium; 1 = medium, short; least significant bit first, then a
    bit of odd parity. Last comes the XOR of the data; long, short ends the block. The leader is short.
    """
    short, medium, long = 180e-6, 260e-6, 340e-6
    pen.half(short, 10_000 if number == 0 else 5000)
    framed = data + bytes([xor_of(data)])
    start = pen.at
    for byte in framed:
        pen.half(long, 2)
        pen.half(medium, 2)
        bits = _bits(byte)
        for bit in (*bits, 1 - sum(bits) % 2):
            pen.half(medium if bit else short, 2)
            pen.half(short if bit else medium, 2)
    stop = pen.at
    pen.half(long, 2)
    pen.half(short, 2)
    return framed, start, stop


@dataclass(frozen=True)
class Way:
    """One encoding as the benchmark knows it.

    Attributes
    ----------
    write : function of (pen, data, number of the block)
        Returns the bytes with frame, and where they start and stop.
    shape : str
        Half-waves as the computer drives them: ``square`` or ``sine``.
    low_hz, high_hz : float
        Where its signal lies: half-waves from longest to shortest, as frequencies.
    gap : tuple of float
        Least and most silence between blocks, seconds.
    definition : str
        The encoding file, where its numbers are the benchmark's own; empty: the package's of that name.
    """

    write: Callable[[Pen, bytes, int], tuple[bytes, float, float]]
    shape: str
    low_hz: float
    high_hz: float
    gap: tuple[float, float] = (0.6, 1.5)
    definition: str = ""


_PULSE_WIDTH = """
[encoding]
name = "pulse-width-bench"
[wave]
zero = "2 half-waves 230 us"
one = "2 half-waves 460 us"
[leader]
wave = "2 half-waves 560 us"
seconds = 2.8
[byte]
bits = 8
order = "most first"
[block]
sync = ["half-wave 170 us", "half-wave 200 us"]
trailer = "half-wave 320 us"
[check]
rule = "xor"
bits = 8
"""

WAYS: dict[str, Way] = {
    "kansas-city-300": Way(kansas_city_300, "sine", 1200, 2400),
    "cuts-1200": Way(cuts_1200, "square", 1200, 2400),
    "msx-1200": Way(msx_1200, "square", 1200, 2400),
    "msx-2400": Way(msx_2400, "square", 2400, 4800),
    "phase-1500": Way(phase_1500, "square", 750, 1500, gap=(0.3, 0.8)),
    "pulse-width": Way(pulse_width, "square", 893, 2941, definition=_PULSE_WIDTH),
    "pulse-length": Way(pulse_length, "square", 1471, 2778),
}
"""By name; phase encoding was driven by a square current, the tones of Kansas City through a filter."""


def write_tape(
    name: str,
    payloads: Sequence[bytes],
    rng: np.random.Generator,
    before: float = 0.5,
    rest_level: float = 0.0,
) -> Written:
    """Write blocks one after the other with silence around them.

    Parameters
    ----------
    name : str
        A key of `WAYS`.
    payloads : sequence of bytes
    rng : numpy Generator
        Draws the silences.
    before : float
        Seconds of silence before the first block.
    rest_level : float
        Level of the tape between blocks.

    Returns
    -------
    Written
    """
    way = WAYS[name]
    pen = Pen(float(rng.choice([-1.0, 1.0])))
    pen.rest(before, rest_level)
    blocks = []
    for number, data in enumerate(payloads):
        framed, start, stop = way.write(pen, data, number)
        blocks.append(Sent(data, framed, start, stop))
        pen.rest(float(rng.uniform(*way.gap)), rest_level)
    return Written(np.array(pen.seconds), np.array(pen.levels), blocks)


# -- what is written -----------------------------------------------------------------------------------------

_WORDS = (
    b"PRINT GOTO IF THEN FOR NEXT TO LET INPUT READ DATA REM THE OF AND A SCORE LIVES PRESS ANY KEY START "
    b"PLAYER ONE TWO GAME OVER HIGH LEVEL"
).split()


def payload(rng: np.random.Generator, kind: str, length: int) -> bytes:
    """Bytes such as tapes hold: ``text`` (lines of words), ``code`` (few values often, runs), ``random``."""
    if kind == "text":
        out = bytearray()
        line = 10
        while len(out) < length:
            words = [_WORDS[int(rng.integers(len(_WORDS)))] for _ in range(int(rng.integers(2, 7)))]
            out += str(line).encode() + b" " + b" ".join(words) + b"\r\n"
            line += 10
        return bytes(out[:length])
    if kind == "code":
        common = rng.integers(0, 256, 24)
        out = bytearray()
        while len(out) < length:
            if rng.random() < 0.08:
                out += bytes([int(rng.choice([0, 0, 255, 32]))]) * int(rng.integers(4, 24))
            elif rng.random() < 0.6:
                out.append(int(rng.choice(common)))
            else:
                out.append(int(rng.integers(256)))
        return bytes(out[:length])
    return rng.bytes(length)


def payloads(rng: np.random.Generator, most_bytes: int) -> list[bytes]:
    """Two or more blocks of 32 to 512 bytes, of all kinds, up to about `most_bytes` together."""
    out: list[bytes] = []
    left = most_bytes
    while left >= 32 or len(out) < 2:
        # Short blocks are as frequent as long ones: lengths even in the logarithm.
        length = int(np.exp(rng.uniform(np.log(32), np.log(min(512, max(64, left))))))
        out.append(payload(rng, str(rng.choice(["text", "code", "random"])), length))
        left -= length
    return out
