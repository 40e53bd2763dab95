"""Which of the known encodings a recording is in: each is tried, and what reads best is taken."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from .blocks import Block
from .decode import decode
from .encoding import Encoding
from .recording import Channel, Recording

_STRETCH = 15.0
"""Seconds that are tried at a time: a long leader and some bytes after it."""
_MOST_STRETCHES = 20
_FRAME = 0.1
_LEAST_BYTES = 4


@dataclass(frozen=True)
class Recognised:
    """What was found.

    Attributes
    ----------
    encoding : Encoding
    alike : tuple of str
        Names of encodings that read the very same bytes.
    start, stop : float
        Seconds of the recording that were tried.
    """

    encoding: Encoding
    alike: tuple[str, ...]
    start: float
    stop: float


def recognise(
    recording: Recording,
    encodings: Iterable[Encoding],
    *,
    channel: Channel = "mean",
    progress: Callable[[float], None] | None = None,
) -> Recognised | None:
    """Try encodings on the first stretch with a signal, then on the next, until one reads.

    Parameters
    ----------
    recording : Recording
    encodings : iterable of Encoding
    channel : int or "mean"
    progress : callable, optional
        Called with the share of a stretch that is done, 0 to 1.

    Returns
    -------
    Recognised or None
        None if none of them reads.

    Notes
    -----
    What counts is how many seconds of tape an encoding explains with bytes it is sure of. Of several that
    explain the same, the one with the fewest bytes is right: eight cycles that always come together are one
    bit, not several.
    """
    choices = list(encodings)
    at = _first_sound(recording, channel)
    for _ in range(_MOST_STRETCHES):
        stop = min(at + _STRETCH, recording.duration)
        if stop - at < 0.2:
            break
        piece = recording.samples(round(at * recording.rate), round(stop * recording.rate), channel)
        with Recording.from_array(piece, recording.rate) as part:
            read = []
            for number, encoding in enumerate(choices):
                if recording.rate * encoding.shortest > 1.5:
                    read.append((encoding, decode(part, encoding).blocks))
                if progress is not None:
                    progress((number + 1) / len(choices))
        found = _best(read)
        if found is not None:
            return Recognised(*found, at, stop)
        at = stop - 1.0 if stop < recording.duration else stop
    return None


def _best(read: list[tuple[Encoding, tuple[Block, ...]]]) -> tuple[Encoding, tuple[str, ...]] | None:
    explained = [sum(_seconds(block) for block in blocks) for _, blocks in read]
    most = max(explained, default=0.0)
    if most <= 0.0:
        return None
    near = [row for row, seconds in zip(read, explained, strict=True) if seconds >= 0.85 * most]
    encoding, blocks = min(near, key=lambda row: sum(len(block.data) for block in row[1]))
    same = tuple(
        other.name
        for other, theirs in near
        if other is not encoding and [b.data for b in theirs] == [b.data for b in blocks]
    )
    return encoding, same


def _seconds(block: Block) -> float:
    """Seconds of tape that a block explains; next to none if its own check speaks against it."""
    length = block.end - block.start
    if block.good and len(block.data) >= _LEAST_BYTES:
        return length
    if len(block.data) < _LEAST_BYTES or block.check == "fails":
        return 0.005 * length
    if block.check == "holds":
        return 0.7 * length
    return 0.5 * length * float(np.mean(np.asarray(block.confidence) > 0.9))


def _first_sound(recording: Recording, channel: Channel) -> float:
    """Where the first tenth of a second stands that has a tenth of the level of the loudest."""
    frame = max(1, round(_FRAME * recording.rate))
    levels = []
    for piece in recording.blocks(frames=frame * 64):
        mono = piece.mean(axis=1) if channel == "mean" or channel is None else piece[:, channel]
        whole = mono[: len(mono) // frame * frame].reshape(-1, frame)
        levels += np.std(whole, axis=1).tolist()
    if not levels or max(levels) <= 0.0:
        return 0.0
    first = int(np.argmax(np.asarray(levels) > 0.1 * max(levels)))
    return max(0.0, first * _FRAME - 0.5)
