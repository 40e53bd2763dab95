"""Bytes to a clean recording: exact in time, so that a machine or a solid-state player loads it."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt

from ..errors import BenchwrightError
from .encoding import Encoding

FloatArray = npt.NDArray[np.float64]


class CannotRender(BenchwrightError, ValueError):
    """Bytes or settings that cannot be written as a recording."""


def half_waves(data: bytes, encoding: Encoding, *, add_check: bool = False) -> tuple[FloatArray, int]:
    """The half-waves of one block, leader and all.

    Parameters
    ----------
    data : bytes
        What the block carries; its check is part of it unless `add_check` is set.
    encoding : Encoding
    add_check : bool
        Put the check behind the data.

    Returns
    -------
    lengths : float64 array (n,)
        In seconds.
    sign : int
        Sign of the first half-wave, 1 or -1.

    Raises
    ------
    CannotRender
        A byte does not fit in the encoding's bits.
    """
    if add_check:
        if encoding.check is None:
            raise CannotRender(f"encoding {encoding.name} has no check to add")
        data = encoding.check.append(data)
    if encoding.data_bits < 8 and data and max(data) >> encoding.data_bits:
        raise CannotRender(
            f"byte {max(data):#04x} does not fit: {encoding.name} has {encoding.data_bits} bits a byte"
        )
    leader: list[float] = []
    if encoding.leader and encoding.leader_seconds:
        cycle = sum(encoding.leader)
        leader = list(encoding.leader) * max(1, round(encoding.leader_seconds / cycle))
    if encoding.is_phase:
        lengths, sign = _phase(data, encoding)
        return np.array(leader + lengths), sign * (-1 if len(leader) % 2 else 1)
    symbol = {"0": encoding.zero, "1": encoding.one}
    halves = list(leader)
    before = len(halves)
    halves += encoding.sync
    for bit in encoding.preamble:
        halves += symbol[bit]
    for byte in data:
        halves += encoding.marker
        for bit in frame_bits(byte, encoding):
            halves += symbol[bit]
    for bit in encoding.postamble:
        halves += symbol[bit]
    halves += encoding.trailer
    if encoding.idle and encoding.leader:
        # Something for the last stop bit to end against.
        halves += list(encoding.leader) * max(2, round(0.02 / sum(encoding.leader)))
    first = encoding.begins or 1
    return np.array(halves), first * (-1 if before % 2 else 1)


def frame_bits(byte: int, encoding: Encoding) -> str:
    """Start, data, parity and stop bits of one byte in their order on the tape."""
    bits = f"{byte:0{encoding.data_bits}b}"
    if encoding.least_first:
        bits = bits[::-1]
    parity = ""
    if encoding.parity != "none":
        odd_ones = bits.count("1") % 2
        parity = str(odd_ones if encoding.parity == "even" else 1 - odd_ones)
    return encoding.start + bits + parity + encoding.stop


def _phase(data: bytes, encoding: Encoding) -> tuple[list[float], int]:
    bits = encoding.preamble + "".join(frame_bits(b, encoding) for b in data) + encoding.postamble
    half = encoding.cell / 2
    if not bits:
        return [], 1

    def before(bit: str) -> int:
        return -1 if (bit == "1") == encoding.one_rises else 1

    levels: list[int] = []
    for bit in bits:
        levels += [before(bit), -before(bit)]
    lengths: list[float] = [half]
    for earlier, later in itertools.pairwise(levels):
        if earlier == later:
            lengths[-1] += half
        else:
            lengths.append(half)
    return lengths, levels[0]


def waveform(
    lengths: Sequence[float] | FloatArray,
    sign: int,
    rate: float,
    *,
    shape: str = "square",
    level: float = 0.7,
    offset: float = 0.0,
) -> npt.NDArray[np.float32]:
    """Half-waves as samples.

    Each sample is the mean of the wave over its own interval, so that a transition between two samples keeps
    its place to a small part of a sample.

    Parameters
    ----------
    lengths : array (n,)
        Half-waves in seconds; signs alternate from `sign` on.
    rate : float
        Samples a second.
    shape : str
        ``"square"`` or ``"sine"``.
    level : float
        Peak, full scale being 1.
    offset : float
        When the first half-wave begins, in samples after the first sample's own beginning.

    Returns
    -------
    float32 array
    """
    edges = offset + np.concatenate(([0.0], np.cumsum(np.asarray(lengths, float)))) * rate
    count = int(np.ceil(edges[-1]))
    at = np.arange(count + 1, dtype=float)
    # Integral of the wave up to each edge, then between edges.
    signs = sign * np.where(np.arange(len(edges) - 1) % 2 == 0, 1.0, -1.0)
    spans = np.diff(edges)
    area = spans * signs * (1.0 if shape == "square" else 2 / np.pi)
    sums = np.concatenate(([0.0], np.cumsum(area)))
    k = np.clip(np.searchsorted(edges, at, side="right") - 1, 0, len(spans) - 1)
    into = np.clip((at - edges[k]) / spans[k], 0.0, 1.0)
    if shape == "square":
        integral = sums[k] + signs[k] * spans[k] * into
    else:
        integral = sums[k] + signs[k] * spans[k] / np.pi * (1 - np.cos(np.pi * into))
    return np.asarray(level * np.diff(integral), np.float32)


def render(
    blocks: Sequence[bytes],
    encoding: Encoding,
    rate: int = 44100,
    *,
    level: float = 0.7,
    shape: str | None = None,
    add_check: bool = False,
) -> npt.NDArray[np.float32]:
    """A clean recording of blocks of bytes.

    Parameters
    ----------
    blocks : sequence of bytes
    encoding : Encoding
    rate : int
        Samples a second, at least one and a half for the shortest half-wave.
    level : float
        Peak, full scale being 1.
    shape : str, optional
        ``"square"`` or ``"sine"``; the encoding's own by default.
    add_check : bool
        The blocks come without their check: put it behind each.

    Returns
    -------
    float32 array (n,)

    Raises
    ------
    CannotRender
        The rate is too low for the encoding, or a byte does not fit.
    """
    if rate * encoding.shortest < 1.5:
        least = int(np.ceil(1.5 / encoding.shortest / 1000)) * 1000
        raise CannotRender(f"rate {rate} Hz is too low for {encoding.name}: expected {least} Hz or more")
    if not 0 < level <= 1:
        raise CannotRender(f"level {level}: expected more than 0 and at most 1")
    pause = np.zeros(round(encoding.pause * rate), np.float32)
    parts = [pause[: rate // 10]]
    at = float(len(parts[0]))
    for data in blocks:
        lengths, sign = half_waves(data, encoding, add_check=add_check)
        wave = waveform(lengths, sign, rate, shape=shape or encoding.shape, level=level)
        parts += [wave, pause]
        at += len(wave) + len(pause)
    return np.concatenate(parts)


def write_recording(path: Path, samples: npt.NDArray[np.float32], rate: int, bits: int = 16) -> None:
    """Write a recording as WAV, FLAC, AIFF or Ogg, by the path's ending.

    Raises
    ------
    CannotRender
        The ending is none of these.
    OSError
        It cannot be written there.
    """
    import soundfile

    kinds = {".wav": "WAV", ".flac": "FLAC", ".aiff": "AIFF", ".aif": "AIFF", ".ogg": "OGG"}
    kind = kinds.get(path.suffix.lower())
    if kind is None:
        raise CannotRender(f"{path}: expected a name that ends in {', '.join(kinds)}")
    if not path.parent.is_dir():
        raise FileNotFoundError(2, "No such folder", str(path.parent))
    subtype = "VORBIS" if kind == "OGG" else {8: "PCM_U8", 16: "PCM_16", 24: "PCM_24"}[bits]
    if bits == 8 and kind != "WAV":
        subtype = "PCM_S8"
    try:
        soundfile.write(str(path), samples, rate, format=kind, subtype=subtype)
    except soundfile.LibsndfileError as problem:
        raise CannotRender(f"{path}: {problem.error_string}") from None
