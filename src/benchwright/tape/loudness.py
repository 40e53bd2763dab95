"""How loud a recording is from moment to moment, noted while it is read."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FAINTEST = 0.06
"""Below this share of what is usual around there is nothing to read."""
STEP = 0.01
"""Seconds of one note."""


class Loudness:
    """The greatest amplitude of each hundredth of a second, against what is usual there."""

    def __init__(self) -> None:
        self.share = np.zeros(0, np.float32)
        self.end = 0.0

    def note(self, start: float, rate: float, amplitude: npt.NDArray[np.float32], usual: float) -> None:
        """Note a stretch.

        Parameters
        ----------
        start : float
            In seconds.
        rate : float
            Samples a second.
        amplitude : float32 array (n,)
        usual : float
            Amplitude of what is loud around there.
        """
        if not len(amplitude):
            return
        first = int(start / STEP)
        cells = first + np.arange(int((start + (len(amplitude) - 1) / rate) / STEP) - first + 1)
        begins = np.clip((cells * STEP - start) * rate, 0, len(amplitude) - 1).astype(int)
        loudest = np.maximum.reduceat(amplitude, begins) / np.float32(max(usual, 1e-12))
        more = int(cells[-1]) + 1 - len(self.share)
        if more > 0:
            # Room for some minutes, so that it need not grow with every stretch.
            self.share = np.concatenate((self.share, np.zeros(more + 20_000, np.float32)))
        self.share[cells] = np.maximum(self.share[cells], loudest)
        self.end = max(self.end, start + len(amplitude) / rate)

    def silent(self, first: float, last: float) -> bool:
        """Whether there is nothing between two times, in seconds, that was noted to be worth reading."""
        if last > self.end + STEP:
            return False
        # Not the moments at either end, where something else may begin.
        return bool(np.all(self.share[int(first / STEP) + 1 : int(last / STEP)] < FAINTEST))
