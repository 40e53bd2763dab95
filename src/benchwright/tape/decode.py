"""From a recording to the bytes on the tape, each with how sure it is."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from .blocks import Block, ByteRow, blocks_of
from .conditioned import Conditioner, Window
from .encoding import Encoding, encoding_named
from .follower import FULL, NOTHING_LEFT, Follower, Piece, Settings
from .grammar import ENDED, Grammar, grammar_of
from .starts import Start, find_start

FloatArray = npt.NDArray[np.float64]
Progress = Callable[[float], None]


@dataclass(frozen=True)
class Tape:
    """What was read from one recording.

    Attributes
    ----------
    encoding : Encoding
    blocks : tuple of Block
        In the order of the tape.
    speed_times, speed : float64 arrays (n,)
        Seconds into the recording, and tape speed there, 1 being nominal.
    polarity : int
        -1 if the recording is upside down, 1 if not, 0 if that cannot be told.
    asymmetry : float
        How much longer than their share half-waves above the middle last, from -1 to 1.
    duration : float
        Seconds of recording read.
    warnings : tuple of str
    edges, nominal : float64 arrays (m,)
        Only when asked for: when each half-wave ended, in seconds, and how long it should have been at nominal
        speed (NaN where a new run of reading begins).
    """

    encoding: Encoding
    blocks: tuple[Block, ...]
    speed_times: FloatArray
    speed: FloatArray
    polarity: int
    asymmetry: float
    duration: float
    warnings: tuple[str, ...] = ()
    edges: FloatArray = field(default_factory=lambda: np.empty(0), repr=False)
    nominal: FloatArray = field(default_factory=lambda: np.empty(0), repr=False)

    @property
    def data(self) -> bytes:
        """All bytes of all blocks."""
        return b"".join(block.data for block in self.blocks)


@dataclass
class _Stretch:
    """One run of reading, from a start until the signal is lost."""

    start: Start
    polarity: int
    pieces: list[Piece] = field(default_factory=list)
    cost: float = 0.0
    end: float = 0.0


class Reader:
    """Reads one recording in one encoding.

    Parameters
    ----------
    recording : Recording
    encoding : Encoding
    channel : int or "mean"
        Which channel to read.
    """

    SLICE = 0.06
    """Seconds between two looks at whether the signal is lost."""
    LONGEST_GAP = 0.35
    """Seconds of nothing that a block may hold."""

    def __init__(self, recording: Any, encoding: Encoding, channel: Any = "mean") -> None:
        self.recording, self.encoding, self.channel = recording, encoding, channel
        self.grammar: Grammar = grammar_of(encoding)
        self.conditioner = Conditioner(encoding, recording.rate)
        self.rate = self.conditioner.rate
        self.short = encoding.shortest * self.rate
        self.reach = 3.0 * encoding.longest * self.rate + 16
        self.loudest = 0.0
        self.stretches: list[_Stretch] = []
        self.follower: Follower | None = None
        self.history: list[tuple[float, float]] = []
        self.now = 0.0
        self.hunt = 0.0

    def read(self, progress: Progress | None = None) -> list[ByteRow]:
        """Read it all."""
        rows: list[ByteRow] = []
        polarities = (1, -1) if self.encoding.is_phase else (1,)
        for window in self.conditioner.windows(self.recording, self.channel):
            if len(window.amplitude):
                self.loudest = max(0.9 * self.loudest, float(np.percentile(window.amplitude, 95)))
            self._window(window, polarities)
            rows += self._finished()
            if progress is not None and self.recording.frames:
                progress(min(1.0, window.stop / self.rate * self.recording.rate / self.recording.frames))
            last = window
        if self.follower is not None:
            self._lose(last)
            rows += self._finished()
        return rows

    def _finished(self) -> list[ByteRow]:
        done = [s for s in self.stretches if s.end]
        self.stretches = [s for s in self.stretches if not s.end]
        return [ByteRow.of(s.pieces, self.grammar, self.encoding, self.rate, s.start, s.polarity)
                for s in done if s.pieces]  # fmt: skip

    def _window(self, window: Window, polarities: tuple[int, ...]) -> None:
        while True:
            if self.follower is None:
                start = find_start(
                    window, self.encoding, self.grammar, self.rate, self.hunt, 0.06 * self.loudest
                )
                if start is None:
                    self.hunt = max(self.hunt, window.stop - 0.3 * self.rate)
                    return
                self._begin(start, polarities[0])
            if not self._follow(window):
                return

    def _begin(self, start: Start, polarity: int) -> None:
        settings = Settings(noise=start.noise, amplitude=start.amplitude, polarity=polarity)
        offsets = np.zeros((len(self.grammar.to), 2))
        offsets[:, 1] = start.lead / 2
        offsets[:, 0] = -start.lead / 2
        self.follower = Follower(
            self.grammar, self.rate, self.encoding.shortest, self.encoding.longest, settings,
            self.conditioner.high_hertz, offsets,
        )  # fmt: skip
        self.follower.begin(start.seeds)
        self.stretches.append(_Stretch(start, polarity))
        self.now = start.time
        self.history = [(start.time, 0.0)]

    def _follow(self, window: Window) -> bool:
        """Follow to the end of the window (False) or of the signal (True)."""
        assert self.follower is not None
        last = window.stop - self.reach
        stretch = self.stretches[-1]
        while self.now < last:
            until = min(self.now + self.SLICE * self.rate, last)
            state = self.follower.run(window, until)
            if state == FULL:
                piece = self.follower.commit((self.LONGEST_GAP + 0.1) * self.rate)
                if piece is None:
                    self._lose(window)
                    return True
                stretch.pieces.append(piece)
                continue
            self.now = until
            living = self.follower.living()
            if state == NOTHING_LEFT or not len(living) or self._lost(window, living):
                self._lose(window)
                return True
        piece = self.follower.commit((self.LONGEST_GAP + 0.1) * self.rate)
        if piece is not None:
            stretch.pieces.append(piece)
        return False

    def _lost(self, window: Window, living: npt.NDArray[np.int32]) -> bool:
        assert self.follower is not None
        f = self.follower
        best = living[int(np.argmin(f.cost[living]))]
        self.history.append((float(f.edge_at[best]), float(f.cost[best])))
        amplitude = f.settings.amplitude
        gap = int(self.LONGEST_GAP * self.rate)
        here = int(self.now - window.start)
        recent = window.amplitude[max(0, here - gap) : here]
        if len(recent) >= gap and float(np.max(recent)) < 0.12 * amplitude:
            return True
        span = max(0.12 * self.rate, 80 * self.short)
        for time, cost in reversed(self.history):
            if self.history[-1][0] - time >= span:
                rate = (self.history[-1][1] - cost) / ((self.history[-1][0] - time) / self.short)
                return rate > 1.0
        return False

    def _lose(self, window: Window) -> None:
        """The signal is lost: choose where the block ends, and go on looking from there."""
        assert self.follower is not None
        f, stretch = self.follower, self.stretches[-1]
        ends = f.ends()
        ends = ends[f.edge_at[ends] >= f.edge_at[0]]
        began = stretch.start.time
        if len(ends):
            present = np.concatenate(
                ([0.0], np.cumsum(window.amplitude > 0.3 * f.settings.amplitude) / self.short)
            )
            place = np.clip((f.edge_at[ends] - window.start).astype(int), 0, len(present) - 1)
            # Good reading earns more than it costs, so the least of this is where good reading stops.
            score = f.cost[ends] - 0.9 * present[place]
            score -= np.where(f.grammar.kind[f.node[ends]] == ENDED, 4.0, 0.0)
            last = int(ends[int(np.argmin(score))])
            piece = f.final(last)
            stretch.pieces.append(piece)
            stretch.end = float(f.edge_at[last])
        else:
            stretch.end = began
        stretch.end = max(stretch.end, began + 1)
        self.hunt = max(stretch.end, began + 0.02 * self.rate)
        self.follower = None


def decode(
    recording: Any,
    encoding: Encoding | str,
    *,
    channel: Any = "mean",
    progress: Progress | None = None,
    keep_edges: bool = False,
) -> Tape:
    """Read the blocks on a recording.

    Parameters
    ----------
    recording : Recording
    encoding : Encoding or str
        Or the name of one.
    channel : int or "mean", optional
        Channel of a stereo recording.
    progress : callable, optional
        Called with the share done, 0 to 1.
    keep_edges : bool, optional
        Keep every half-wave in the answer (about 80 kB a second of tape).

    Returns
    -------
    Tape

    Raises
    ------
    UnknownName
        There is no encoding of that name.
    """
    if isinstance(encoding, str):
        encoding = encoding_named(encoding)
    reader = Reader(recording, encoding, channel)
    rows = reader.read(progress)
    blocks: list[Block] = []
    for row in rows:
        blocks += blocks_of(row, encoding)
    times = [row.speed_times for row in rows if len(row.speed_times)]
    speeds = [row.speed for row in rows if len(row.speed)]
    leads = [row.asymmetry for row in rows if row.count]
    return Tape(
        encoding=encoding,
        blocks=tuple(blocks),
        speed_times=np.concatenate(times) if times else np.empty(0),
        speed=np.concatenate(speeds) if speeds else np.empty(0),
        polarity=0,
        asymmetry=float(np.median(leads)) if leads else 0.0,
        duration=recording.frames / recording.rate,
        warnings=tuple(recording.warnings),
        edges=np.concatenate([r.edges for r in rows]) if keep_edges and rows else np.empty(0),
        nominal=np.concatenate([r.nominal for r in rows]) if keep_edges and rows else np.empty(0),
    )
