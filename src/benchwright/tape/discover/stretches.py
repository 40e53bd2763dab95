"""Which stretches of a recording are looked at: those with signal, one after the other."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

STRETCH_SECONDS = 75.0
"""How much of a tape is looked at in one go."""
MOST_STRETCHES = 4


@dataclass(frozen=True)
class Stretch:
    """Samples of a part of the recording.

    Attributes
    ----------
    samples : float64 array (n,)
    rate : float
        Samples a second.
    start : float
        Where it begins, in seconds of the recording.
    """

    samples: FloatArray
    rate: float
    start: float = 0.0

    @property
    def end(self) -> float:
        """Where it ends, in seconds of the recording."""
        return self.start + len(self.samples) / self.rate


def stretches_with_signal(recording: Any, channel: Any) -> list[tuple[int, int]]:
    """Parts of the recording to look at, in samples: those with signal."""
    size = max(1, int(0.2 * recording.rate))
    loud: list[float] = []
    for piece in recording.blocks(frames=size * 256):
        mono = piece.mean(axis=1) if channel == "mean" else piece[:, channel]
        whole = len(mono) // size * size
        parts = mono[:whole].reshape(-1, size)
        loud += (parts - parts.mean(axis=1, keepdims=True)).std(axis=1).tolist() if whole else []
    if not loud:
        return [(0, recording.frames)]
    levels = np.array(loud)
    signal = np.flatnonzero(levels > 0.1 * np.percentile(levels, 98))
    found: list[tuple[int, int]] = []
    long = int(STRETCH_SECONDS * recording.rate)
    at = 0
    for place in signal * size:
        if place < at or len(found) >= MOST_STRETCHES:
            continue
        first = max(0, int(place) - size)
        found.append((first, min(recording.frames, first + long)))
        at = first + long
    return found or [(0, min(recording.frames, long))]
