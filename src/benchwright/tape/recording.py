"""A recording on file or in memory, read block by block whatever its format and condition."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Literal, Protocol

import numpy as np
import numpy.typing as npt

from ..errors import BadFile
from . import wav_salvage

Samples = npt.NDArray[np.float32]
Channel = int | Literal["mean"] | None

LOWEST_RATE, HIGHEST_RATE = 8_000, 192_000
_PIECE = 65_536
_SMALL_PIECE = 256
_SKIPS = (512, 1024, 2048, 4096, 8192, 16_384, 65_536)
_LARGEST_SENSIBLE = 1e10
"""A floating-point sample beyond this is damage, not sound: whole-number scales end at 2^31."""
_MOST_FRAMES = 1 << 40
_FORMATS = {
    "PCM_S8": "8 bit", "PCM_U8": "8 bit", "PCM_16": "16 bit", "PCM_24": "24 bit", "PCM_32": "32 bit",
    "FLOAT": "32 bit float", "DOUBLE": "64 bit float", "VORBIS": "Vorbis", "OPUS": "Opus",
    "ULAW": "µ-law", "ALAW": "A-law",
}  # fmt: skip


class _Source(Protocol):
    """Where frames come from: `read` gives fewer than asked at the end, and never raises for damage."""

    frames: int

    def read(self, start: int, count: int) -> Samples: ...

    def close(self) -> None: ...


class Recording:
    """One pass of a tape side, or any other recorded sound.

    Made by `Recording.open` or `Recording.from_array`. Damage is repaired as far as it goes and told in
    `warnings`, some of it only once the damaged place has been read.

    Attributes
    ----------
    path : str
        The file as the person named it, or the name given to an array.
    rate : int
        Sampling rate in Hz.
    channels : int
        Number of channels.
    format : str
        Container and sample format, such as ``"WAV, 16 bit"``.
    """

    path: str
    rate: int
    channels: int
    format: str

    def __init__(
        self, path: str, rate: int, channels: int, form: str, source: _Source, warnings: list[str]
    ) -> None:
        self.path, self.rate, self.channels, self.format = path, rate, channels, form
        self._source = source
        self._warnings = warnings
        if not LOWEST_RATE <= rate <= HIGHEST_RATE:
            warnings.append(
                f"a rate of {rate} Hz is outside {LOWEST_RATE} to {HIGHEST_RATE} Hz: read as it stands"
            )
        self._looked_at = 0  # frames whose bad samples are counted, so that reading twice counts once
        self._not_numbers = 0
        self._largest = 0.0

    @classmethod
    def open(cls, path: str | Path) -> Recording:
        """Open a sound file: WAV, FLAC, AIFF, Ogg and what else libsndfile reads.

        Parameters
        ----------
        path : str or Path
            The file. A damaged WAV header is repaired or replaced by stated assumptions.

        Raises
        ------
        BadFile
            It is a folder, is empty, or holds nothing that can be read as sound.
        OSError
            It does not exist or cannot be opened.
        """
        name, file = str(path), Path(path)
        if file.is_dir():
            raise BadFile(name, "this is a folder: expected a sound file (WAV, FLAC, AIFF, Ogg)")
        if file.stat().st_size == 0:
            raise BadFile(name, "the file is empty: expected a sound file (WAV, FLAC, AIFF, Ogg)")
        with file.open("rb") as opened:
            head = opened.read(12)
        warnings: list[str] = []
        if head[:4] in (b"RIFF", b"RIFX") and (layout := wav_salvage.inspect(file)) and layout.repairs:
            return cls._from_layout(name, file, layout)
        try:
            source = _LibrarySource(file, warnings)
        except _Unreadable as problem:
            layout = wav_salvage.inspect(file)
            if layout is None and (head[:4] == b"RIFF" or file.suffix.lower() in (".wav", ".wave", ".raw")):
                layout = wav_salvage.assume_samples(file)
            if layout is not None and layout.frames > 0:
                return cls._from_layout(name, file, layout)
            raise BadFile(
                name,
                f"this cannot be read as sound ({problem}): expected WAV, FLAC, AIFF or Ogg; "
                "record or export it again",
            ) from None
        if source.frames == 0:
            layout = wav_salvage.inspect(file)
            if layout is not None and layout.frames > 0:
                return cls._from_layout(name, file, layout)
            raise BadFile(name, "the file holds no samples: nothing was recorded, or it was cut off")
        warnings.extend(_cut_off(file, head))
        return cls(name, source.rate, source.channels, source.format, source, warnings)

    @classmethod
    def _from_layout(cls, name: str, file: Path, layout: wav_salvage.WavLayout) -> Recording:
        if layout.frames == 0:
            raise BadFile(name, "the file holds no samples: nothing was recorded, or it was cut off")
        source = _SalvageSource(file, layout)
        return cls(name, layout.rate, layout.channels, layout.format, source, list(layout.repairs))

    @classmethod
    def from_array(cls, samples: npt.ArrayLike, rate: int, name: str = "array") -> Recording:
        """Make a recording of samples in memory.

        Parameters
        ----------
        samples : array_like, shape (n,) or (n, channels)
            Floating-point samples with full scale 1, or whole numbers with the full scale of their type.
        rate : int
            Sampling rate in Hz.
        name : str
            Stands in `path`.

        Raises
        ------
        BadFile
            The array has another shape, no samples, or a rate that is not above zero.
        """
        array = np.asarray(samples)
        if array.ndim == 1:
            array = array[:, None]
        if array.ndim != 2 or array.size == 0:
            raise BadFile(name, f"shape {array.shape}: expected (samples,) or (samples, channels), not empty")
        if not (math.isfinite(rate) and rate >= 1):
            raise BadFile(name, f"a rate of {rate} Hz: expected a whole number above zero")
        if array.dtype.kind == "u":
            half = 2.0 ** (8 * array.dtype.itemsize - 1)
            array = (array.astype(np.float64) - half) / half
        elif array.dtype.kind == "i":
            array = array.astype(np.float64) / 2.0 ** (8 * array.dtype.itemsize - 1)
        elif array.dtype.kind not in "fb":
            raise BadFile(name, f"samples of type {array.dtype}: expected real numbers")
        with np.errstate(over="ignore"):
            held = array.astype(np.float32)
        return cls(name, int(rate), held.shape[1], "array", _ArraySource(held), [])

    @property
    def frames(self) -> int:
        """Samples of one channel; corrected if the file turns out shorter than it says."""
        return self._source.frames

    @property
    def duration(self) -> float:
        """Length in s."""
        return self.frames / self.rate

    @property
    def warnings(self) -> list[str]:
        """What was wrong with the file and what was done about it, as far as it has been read."""
        said = list(self._warnings)
        if self._not_numbers:
            plural = "s are" if self._not_numbers > 1 else " is"
            said.append(f"{self._not_numbers} sample{plural} not a number or endless: taken as 0")
        if self._largest > 1.0:
            said.append(f"samples reach {self._largest:.3g} times full scale: kept as they are")
        return said

    def blocks(
        self, frames: int = _PIECE, overlap: int = 0, start: int = 0, stop: int | None = None
    ) -> Iterator[Samples]:
        """Give the recording piece by piece.

        Parameters
        ----------
        frames : int
            Length of each piece; the last may be shorter.
        overlap : int
            Each piece after the first begins with so many frames of the one before.
        start, stop : int
            First frame, and the one after the last; the end if None.

        Yields
        ------
        array, shape (n, channels), float32
            Full scale is 1; a floating-point file may exceed it.

        Raises
        ------
        ValueError
            `frames` is not above `overlap`, or a number is negative.
        """
        if frames <= overlap or overlap < 0 or start < 0:
            raise ValueError(f"frames={frames}, overlap={overlap}, start={start}: need frames > overlap >= 0")
        return self._pieces(frames, overlap, start, stop)

    def _pieces(self, frames: int, overlap: int, start: int, stop: int | None) -> Iterator[Samples]:
        kept: Samples | None = None
        at = start
        while stop is None or at < stop:
            wanted = frames if kept is None else frames - overlap
            if stop is not None:
                wanted = min(wanted, stop - at)
            fresh = self._read(at, wanted)
            if len(fresh) == 0:
                return
            at += len(fresh)
            piece = fresh if kept is None else np.concatenate([kept, fresh])
            yield piece
            kept = piece[len(piece) - min(overlap, len(piece)) :].copy() if overlap else piece[:0].copy()

    def samples(self, start: int = 0, stop: int | None = None, channel: Channel = None) -> Samples:
        """Give a stretch of the recording as one array.

        Parameters
        ----------
        start, stop : int
            First frame, and the one after the last; the end if None.
        channel : int, "mean" or None
            A channel counted from 0, the mean of all, or all of them.

        Returns
        -------
        array, float32
            Shape (n,) for one channel or the mean, else (n, channels).

        Raises
        ------
        BadFile
            There is no such channel, or the stretch does not fit into memory.
        """
        if isinstance(channel, int) and not 0 <= channel < self.channels:
            raise BadFile(
                self.path,
                f"there is no channel {channel + 1}: the recording has {self.channels}",
            )
        pieces = [_choose(piece, channel) for piece in self.blocks(start=max(0, start), stop=stop)]
        try:
            if pieces:
                return np.concatenate(pieces)
        except MemoryError:
            raise BadFile(self.path, "the stretch does not fit into memory: choose a shorter one") from None
        return np.zeros((0, self.channels) if channel is None else 0, np.float32)

    def close(self) -> None:
        """Let go of the file; reading after this opens it again."""
        self._source.close()

    def __enter__(self) -> Recording:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def __repr__(self) -> str:
        sampled = f"{self.format}, {self.channels} x {self.rate} Hz, {self.duration:.1f} s"
        return f"<Recording {self.path!r}: {sampled}>"

    def _read(self, start: int, count: int) -> Samples:
        piece = self._source.read(start, count)
        if len(piece) == 0:
            return piece
        fresh = piece[max(0, self._looked_at - start) :]
        peak = float(np.max(np.abs(piece)))
        if not peak <= _LARGEST_SENSIBLE:
            good = np.abs(piece) <= _LARGEST_SENSIBLE  # False for what is not a number
            if len(fresh):
                self._not_numbers += int(np.count_nonzero(~good[len(piece) - len(fresh) :]))
            piece = np.where(good, piece, np.float32(0.0))
            peak = float(np.max(np.abs(piece)))
        self._largest = max(self._largest, peak)
        self._looked_at = max(self._looked_at, start + len(piece))
        return piece


def _choose(piece: Samples, channel: Channel) -> Samples:
    if channel is None:
        return piece
    if channel == "mean" and piece.shape[1] == 1:
        return piece[:, 0].copy()
    if channel == "mean":
        return np.asarray(piece.mean(axis=1), np.float32)
    return piece[:, channel].copy()


class _ArraySource:
    def __init__(self, samples: Samples) -> None:
        self.samples, self.frames = samples, len(samples)

    def read(self, start: int, count: int) -> Samples:
        return self.samples[start : start + count].copy()

    def close(self) -> None:
        pass


class _SalvageSource:
    def __init__(self, path: Path, layout: wav_salvage.WavLayout) -> None:
        self.path, self.layout, self.frames = path, layout, layout.frames

    def read(self, start: int, count: int) -> Samples:
        return self.layout.read(self.path, start, count)

    def close(self) -> None:
        pass


class _Unreadable(Exception):
    """The library's words for why it refuses."""


class _LibrarySource:
    """A file read by libsndfile, with damaged stretches replaced by silence so that times stay right."""

    def __init__(self, path: Path, warnings: list[str]) -> None:
        self.path, self.warnings = path, warnings
        self._file: Any = None
        self._at = 0
        opened = self._opened()
        self.rate, self.channels = int(opened.samplerate), int(opened.channels)
        if self.rate < 1 or self.channels < 1:
            raise _Unreadable(f"{self.channels} channels at {self.rate} Hz")
        subtype = _FORMATS.get(opened.subtype, opened.subtype.replace("_", " "))
        container = {"WAVEX": "WAV", "RF64": "WAV (RF64)", "W64": "Wave64"}.get(opened.format, opened.format)
        self.format = f"{container}, {subtype}"
        self.frames = int(opened.frames)
        if not 0 <= self.frames < _MOST_FRAMES:
            warnings.append("the file does not say how long it is: its length was found by reading it")
            self.frames = _MOST_FRAMES
            self._count()
        elif self.frames == 0:
            self.frames = _PIECE
            self.frames = len(self.read(0, _PIECE))
            if self.frames == _PIECE:
                self.frames = _MOST_FRAMES
                self._count()

    def _count(self) -> None:
        at = 0
        while len(piece := self.read(at, _PIECE)):
            at += len(piece)
        self.frames = at

    def _opened(self) -> Any:
        import soundfile

        if self._file is None:
            try:
                self._file = soundfile.SoundFile(str(self.path))
            except (soundfile.SoundFileError, TypeError, ValueError, RuntimeError) as problem:
                words = str(getattr(problem, "error_string", problem)).strip().rstrip(".")
                raise _Unreadable(words.lower() or "the sound library refuses it") from None
            self._at = 0
        return self._file

    def close(self) -> None:
        if self._file is not None:
            self._file.close()
            self._file = None

    def read(self, start: int, count: int) -> Samples:
        count = max(0, min(count, self.frames - start))
        parts: list[Samples] = []
        while count > 0:
            piece, sound = self._straight(start, count)
            if not sound:
                piece = self._small_pieces(start, count)
            parts.append(piece)
            start += len(piece)
            count -= len(piece)
            if count == 0:
                break
            silent = 0 if sound else self._gap(start)
            if silent == 0:
                self._ended(start)
                break
            filled = min(silent, count)
            parts.append(np.zeros((filled, self.channels), np.float32))
            start += filled
            count -= filled
        if not parts:
            return np.zeros((0, self.channels), np.float32)
        return parts[0] if len(parts) == 1 else np.concatenate(parts)

    def _straight(self, start: int, count: int) -> tuple[Samples, bool]:
        """Read in one go; False if the library stumbled."""
        import soundfile

        nothing = np.zeros((0, self.channels), np.float32)
        try:
            file = self._opened()
            if self._at != start:
                file.seek(start)
            piece: Samples = file.read(count, dtype="float32", always_2d=True)
        except (soundfile.SoundFileError, _Unreadable, RuntimeError, ValueError):
            self.close()
            return nothing, False
        self._at = start + len(piece)
        return piece, True

    def _small_pieces(self, start: int, count: int) -> Samples:
        parts = [np.zeros((0, self.channels), np.float32)]
        while count > 0:
            piece, sound = self._straight(start, min(count, _SMALL_PIECE))
            if not sound or len(piece) == 0:
                break
            parts.append(piece)
            start += len(piece)
            count -= len(piece)
        return np.concatenate(parts)

    def _gap(self, start: int) -> int:
        """Frames to leave out before the library can go on; 0 if it cannot."""
        for skip in _SKIPS:
            piece, sound = self._straight(start + skip, 1)
            if sound and len(piece):
                self.warnings.append(
                    f"damaged {start / self.rate:.3f} s from the start: {skip} samples replaced by silence"
                )
                return skip
        return 0

    def _ended(self, at: int) -> None:
        if self.frames != _MOST_FRAMES:
            self.warnings.append(
                f"the file promises {self.frames / self.rate:.3f} s and ends, or cannot be read further, "
                f"after {at / self.rate:.3f} s"
            )
        self.frames = at


def _cut_off(file: Path, head: bytes) -> list[str]:
    """What the library passes over in silence: the end that is missing."""
    size = file.stat().st_size
    if head[:4] == b"FORM" and int.from_bytes(head[4:8], "big") + 8 > size + 1:
        return ["the header promises more than the file holds: it was cut off, and was read to its end"]
    if head[:4] == b"OggS":
        with file.open("rb") as opened:
            opened.seek(max(0, size - 131_072))
            tail = opened.read()
        last = tail.rfind(b"OggS")
        # Bit 2 of a page's flags marks the end of the stream (RFC 3533).
        if last < 0 or len(tail) < last + 27 or not tail[last + 5] & 4:
            return ["the last page is missing: the file was cut off, and was read to its end"]
    return []
