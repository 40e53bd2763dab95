"""What a WAV file holds when its header is damaged: where its samples lie and how they are written.

The layout of RIFF/WAVE is that of the Multimedia Programming Interface and Data Specifications 1.0 (1991)
and its later extensible format; the repairs are common practice, no source.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
import numpy.typing as npt

PCM, FLOAT, EXTENSIBLE = 1, 3, 0xFFFE
ASSUMED_RATE = 44100
_SEARCHED_BYTES = 1 << 20
_MOST_CHUNKS = 2000
_TAIL_WORTH_READING = 4096
_SPECIMEN_BYTES = 1 << 16
_SMOOTH_ENOUGH = 0.7
"""Share of a sampled sound's power that its steps may have; steps of random bytes have 1.0."""


@dataclass(frozen=True, slots=True)
class WavLayout:
    """Where the samples are and how they are written.

    Attributes
    ----------
    start, frames : int
        First byte of the samples; number of whole frames.
    rate, channels : int
        Hz; channels side by side in a frame.
    sample_bytes : int
        Bytes that one sample takes: 1, 2, 3, 4 or 8.
    is_float, big_endian : bool
        How a sample is written; one byte means unsigned.
    repairs : tuple of str
        What was wrong and what was done about it; empty if the header is sound.
    """

    start: int
    frames: int
    rate: int
    channels: int
    sample_bytes: int
    is_float: bool
    big_endian: bool
    repairs: tuple[str, ...]

    @property
    def format(self) -> str:
        return f"WAV, {8 * self.sample_bytes} bit{' float' if self.is_float else ''}"

    def read(self, path: Path, start: int, count: int) -> npt.NDArray[np.float32]:
        """Read `count` frames from frame `start`, shape (n, channels), full scale 1; fewer at the end."""
        count = max(0, min(count, self.frames - start))
        frame = self.sample_bytes * self.channels
        with path.open("rb") as file:
            file.seek(self.start + start * frame)
            data = file.read(count * frame)
        data = data[: len(data) // frame * frame]
        return decode(data, self.sample_bytes, self.is_float, self.big_endian).reshape(-1, self.channels)


@dataclass(slots=True)
class _Format:
    code: int
    channels: int
    rate: int
    align: int
    bits: int


def inspect(path: Path) -> WavLayout | None:
    """Find the samples of a RIFF/WAVE file without trusting its header.

    Returns
    -------
    WavLayout or None
        None if this is no WAV file, holds no samples, or holds compressed ones.

    Raises
    ------
    OSError
        The file cannot be read.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(12)
        if head[:4] not in (b"RIFF", b"RIFX", b"RF64"):
            return None
        order = ">" if head[:4] == b"RIFX" else "<"
        repairs: list[str] = []
        found, data = _walk(file, size, order, repairs)
        if data is None:
            found, data = _search(file, size, order, found, repairs)
        if data is None:
            return None
        start, declared = data
        form = _usable_format(found, repairs)
        available = size - start
        if form is None:
            if found is not None and found.code not in (PCM, FLOAT, EXTENSIBLE, 0):
                return None  # compressed: only the library can read it
            guess = guess_samples(file, start, available)
            if guess is None:
                return None
            sample_bytes, channels = guess
            form = _Format(PCM, channels, ASSUMED_RATE, sample_bytes * channels, 8 * sample_bytes)
            repairs.append(_assumed("its format fields are missing or senseless", form))
        frame = form.align
        length = _data_length(file, start, declared, available, form, order, repairs)
    return WavLayout(
        start, length // frame, form.rate, form.channels, frame // form.channels,
        form.code == FLOAT, order == ">", tuple(repairs),
    )  # fmt: skip


def assume_samples(path: Path) -> WavLayout | None:
    """Take a file without any header for bare samples, if they look like a sampled sound."""
    size = path.stat().st_size
    with path.open("rb") as file:
        guess = guess_samples(file, 0, size)
    if guess is None:
        return None
    sample_bytes, channels = guess
    form = _Format(PCM, channels, ASSUMED_RATE, sample_bytes * channels, 8 * sample_bytes)
    return WavLayout(
        0, size // form.align, form.rate, channels, sample_bytes, False, False,
        (_assumed("the header is missing", form),),
    )  # fmt: skip


def decode(data: bytes, sample_bytes: int, is_float: bool, big_endian: bool) -> npt.NDArray[np.float32]:
    """Turn bytes of samples into numbers of full scale 1."""
    order = ">" if big_endian else "<"
    if is_float:
        with np.errstate(over="ignore", invalid="ignore"):
            return np.frombuffer(data, f"{order}f{sample_bytes}").astype(np.float32)
    if sample_bytes == 1:
        return (np.frombuffer(data, np.uint8).astype(np.float32) - 128.0) / np.float32(128.0)
    if sample_bytes == 3:
        triples = np.frombuffer(data, np.uint8).reshape(-1, 3)
        wide = np.zeros((len(triples), 4), np.uint8)
        if big_endian:
            wide[:, :3] = triples
        else:
            wide[:, 1:] = triples
        whole = wide.reshape(-1).view(f"{order}i4")
        return (whole.astype(np.float64) / 2.0**31).astype(np.float32)
    whole = np.frombuffer(data, f"{order}i{sample_bytes}")
    return (whole.astype(np.float64) / 2.0 ** (8 * sample_bytes - 1)).astype(np.float32)


def guess_samples(file: BinaryIO, start: int, available: int) -> tuple[int, int] | None:
    """Whether bytes look like a sampled sound, and as (bytes per sample, channels).

    Sound recorded well within its band changes less from sample to sample than its size; bytes of
    programs, texts or compressed sound do not.
    """
    count = min(_SPECIMEN_BYTES, available) // 24 * 24
    if count < 480:
        return None
    # The middle of the file is past any silence before the sound.
    offset = start + max(0, (available - count) // 2) // 24 * 24
    file.seek(offset)
    data = file.read(count)
    if _is_text(data) or _mostly_still(data):
        return None
    best: tuple[float, int, int] | None = None
    for sample_bytes, channels in ((2, 1), (2, 2), (1, 1), (3, 1), (3, 2), (1, 2)):
        usable = len(data) // (sample_bytes * channels) * sample_bytes * channels
        samples = decode(data[:usable], sample_bytes, False, False).reshape(-1, channels)
        rough = _roughness(samples)
        # A simpler reading is given up only for a clearly smoother one.
        if rough < _SMOOTH_ENOUGH and (best is None or rough < 0.5 * best[0]):
            best = rough, sample_bytes, channels
    return None if best is None else best[1:]


def _is_text(data: bytes) -> bool:
    letters = np.frombuffer(data, np.uint8)
    printable = ((letters >= 32) & (letters < 127)) | ((letters >= 9) & (letters <= 13))
    return bool(np.mean(printable) > 0.97)


def _mostly_still(data: bytes) -> bool:
    """Whether the bytes stand still over more than half of the length, as in padded or empty files."""
    pieces = np.frombuffer(data[: len(data) // 8 * 8], np.uint8).reshape(8, -1)
    return int(np.count_nonzero(np.ptp(pieces, axis=1) > 1)) < 4


def _roughness(samples: npt.NDArray[np.float32]) -> float:
    centred = samples - samples.mean(axis=0)
    power = float(np.mean(np.square(centred, dtype=np.float64)))
    if power < 1e-9:
        return 1.0
    return float(np.mean(np.square(np.diff(centred, axis=0), dtype=np.float64))) / (2.0 * power)


def _assumed(why: str, form: _Format) -> str:
    channels = {1: "mono", 2: "stereo"}[form.channels]
    return (
        f"{why}: assumed {form.bits} bit {channels} at {form.rate} Hz; "
        "every time and frequency is wrong by as much as that rate is"
    )


def _chunk(file: BinaryIO, at: int, order: str) -> tuple[bytes, int] | None:
    file.seek(at)
    head = file.read(8)
    if len(head) < 8:
        return None
    return head[:4], struct.unpack(f"{order}I", head[4:])[0]


def _is_name(name: bytes) -> bool:
    return all(32 <= letter < 127 for letter in name) and name[:1] != b" "


def _walk(
    file: BinaryIO, size: int, order: str, repairs: list[str]
) -> tuple[_Format | None, tuple[int, int] | None]:
    """Follow the chunks to the samples; stop where the chain breaks."""
    found: _Format | None = None
    at = 12
    for _ in range(_MOST_CHUNKS):
        chunk = _chunk(file, at, order)
        if chunk is None or not _is_name(chunk[0]):
            return found, None
        name, length = chunk
        if name == b"data":
            return found, (at + 8, length)
        if name == b"fmt ":
            found = _read_format(file, at + 8, min(length, size - at - 8), order)
        after = at + 8 + length
        if length % 2:
            padded = _chunk(file, after + 1, order)
            bare = _chunk(file, after, order)
            if bare is not None and bare[0] in (b"data", b"fmt ") and (
                padded is None or not _is_name(padded[0]) or bare[0] == b"data"
            ):  # fmt: skip
                repairs.append(f"the padding byte after chunk {name.decode('ascii')!r} is missing")
            else:
                after += 1
        if after >= size:
            return found, None
        at = after
    return found, None


def _search(
    file: BinaryIO, size: int, order: str, found: _Format | None, repairs: list[str]
) -> tuple[_Format | None, tuple[int, int] | None]:
    """Look for the chunks by their names where the chain is broken."""
    file.seek(0)
    start = file.read(_SEARCHED_BYTES)
    if found is None:
        at = start.find(b"fmt ")
        if at >= 0:
            found = _read_format(file, at + 8, size - at - 8, order)
    at = start.find(b"data")
    if at >= 0 and at + 8 < size:
        chunk = _chunk(file, at, order)
        repairs.append("the chain of chunks is broken: the samples were found by searching for them")
        return found, None if chunk is None else (at + 8, chunk[1])
    if size <= 44:
        return found, None
    repairs.append("no chunk of samples is marked: everything after the header was taken for samples")
    return found, (36 if found is not None and start[12:16] == b"fmt " else 12, 0)


def _read_format(file: BinaryIO, at: int, length: int, order: str) -> _Format | None:
    if length < 14:
        return None
    file.seek(at)
    data = file.read(min(length, 40))
    if len(data) < 14:
        return None
    code, channels, rate, _, align = struct.unpack(f"{order}HHIIH", data[:14])
    bits = struct.unpack(f"{order}H", data[14:16])[0] if len(data) >= 16 else 0
    if code == EXTENSIBLE and len(data) >= 26:
        code = struct.unpack(f"{order}H", data[24:26])[0]
    return _Format(code, channels, rate, align, bits)


def _usable_format(found: _Format | None, repairs: list[str]) -> _Format | None:
    """Complete the fields from each other, or None if too few make sense."""
    if found is None or found.code not in (PCM, FLOAT):
        return None
    code, channels, rate, align, bits = found.code, found.channels, found.rate, found.align, found.bits
    widths = (4, 8) if code == FLOAT else (1, 2, 3, 4)
    wanted = (bits + 7) // 8
    if 1 <= channels <= 1024 and align % channels == 0 and align // channels in widths:
        width = align // channels
        if bits == 0 or wanted > width:
            repairs.append(f"bits per sample {bits} do not fit: taken as {8 * width}")
    elif wanted in widths and 1 <= channels <= 64:
        width = wanted
        repairs.append(f"frame of {align} bytes does not fit: taken as {width * channels}")
    elif wanted in widths and align % wanted == 0 and 1 <= align // wanted <= 64:
        width = wanted
        repairs.append(f"{channels} channels do not fit: taken as {align // wanted}")
        channels = align // wanted
    else:
        return None
    if not 100 <= rate <= 10_000_000:
        repairs.append(
            f"a rate of {rate} Hz makes no sense: assumed {ASSUMED_RATE} Hz; every time and frequency is "
            "wrong by as much as that is"
        )
        rate = ASSUMED_RATE
    return _Format(code, channels, rate, width * channels, 8 * width)


def _data_length(
    file: BinaryIO, start: int, declared: int, available: int, form: _Format, order: str, repairs: list[str]
) -> int:
    """Bytes of samples, from what the header says and what is there."""
    frame = form.align
    if declared > available:
        if declared >= 0x7FFFF000:
            repairs.append("the header was never given the length: read to the end of the file")
        else:
            repairs.append(
                f"the header promises {declared} bytes of samples and {available} are there: the file was "
                "cut off, and was read to its end"
            )
        return available
    tail = available - declared
    if tail < frame or _chunks_to_end(file, start + declared, start + available, order):
        return declared
    if declared == 0 or (
        tail >= _TAIL_WORTH_READING
        and _goes_on(file, start + declared + (-declared) % frame, tail - frame, form, order)
    ):
        repairs.append(
            f"the header promises {declared} bytes of samples and {available} are there: "
            "read to the end of the file"
        )
        return available
    if tail > 1024:
        repairs.append(f"{tail} bytes after the samples belong to nothing: left out")
    return declared


def _chunks_to_end(file: BinaryIO, at: int, end: int, order: str) -> bool:
    """Whether proper chunks fill what follows the samples, or nearly."""
    for first in (at + at % 2, at):
        place, good = first, False
        for _ in range(_MOST_CHUNKS):
            chunk = _chunk(file, place, order)
            if chunk is None or not _is_name(chunk[0]) or place + 8 + chunk[1] > end + 1:
                break
            good = True
            place += 8 + chunk[1] + chunk[1] % 2
        if good and end - place < 1024:
            return True
    return False


def _goes_on(file: BinaryIO, at: int, tail: int, form: _Format, order: str) -> bool:
    """Whether sound goes on after the samples that the header promises."""
    file.seek(at)
    data = file.read(min(tail, _SPECIMEN_BYTES) // form.align * form.align)
    samples = decode(data, form.align // form.channels, form.code == FLOAT, order == ">")
    with np.errstate(over="ignore", invalid="ignore"):
        return _roughness(samples.reshape(-1, form.channels)) < _SMOOTH_ENOUGH
