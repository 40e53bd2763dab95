"""The whole of a recording at a glance: its waveform, its dropouts, its blocks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from .paper import DARK, INK, LIGHT, Picture, clean_name, finished, key_below, paper, sheet, time_axis

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = npt.NDArray[np.float64]

COLUMNS = 1600
"""More than a printed line can show apart: 170 mm at 240 dots an inch."""
_NUMBERED_BLOCKS = 24


@dataclass(frozen=True)
class Envelope:
    """Least and greatest sample of each of many equal stretches.

    Attributes
    ----------
    times : array, shape (n,)
        Middle of each stretch, s.
    low, high : arrays, shape (n,)
        Of full scale.
    start, stop : float
        What it covers, s.
    """

    times: Floats
    low: Floats
    high: Floats
    start: float
    stop: float


class EnvelopeMeter:
    """Reduces a channel of any length to an `Envelope`, fed piece by piece, in constant memory.

    Parameters
    ----------
    frames : int
        Samples to come; fewer may.
    rate : float
        Samples a second.
    start : float
        Time of the first, s.
    columns : int
        Most stretches.
    """

    def __init__(self, frames: int, rate: float, start: float = 0.0, columns: int = COLUMNS) -> None:
        self.rate, self.start = rate, start
        self.size = max(1, -(-frames // columns))
        self._low: list[npt.NDArray[np.float32]] = []
        self._high: list[npt.NDArray[np.float32]] = []
        self._rest = np.zeros(0, np.float32)
        self._taken = 0

    def add(self, samples: npt.NDArray[np.float32]) -> None:
        """Take the next samples, shape (n,)."""
        self._taken += len(samples)
        joined = np.concatenate([self._rest, samples]) if len(self._rest) else samples
        whole = len(joined) // self.size * self.size
        if whole:
            cut = joined[:whole].reshape(-1, self.size)
            self._low.append(cut.min(axis=1))
            self._high.append(cut.max(axis=1))
        self._rest = joined[whole:].copy()

    def envelope(self) -> Envelope:
        """What was gathered; nothing can be added after this."""
        if len(self._rest):
            self._low.append(self._rest.min(keepdims=True))
            self._high.append(self._rest.max(keepdims=True))
            self._rest = self._rest[:0]
        low = np.concatenate(self._low) if self._low else np.zeros(0, np.float32)
        high = np.concatenate(self._high) if self._high else np.zeros(0, np.float32)
        times = np.asarray(self.start + (np.arange(len(low)) + 0.5) * self.size / self.rate, np.float64)
        stop = self.start + self._taken / self.rate
        return Envelope(times, low.astype(np.float64), high.astype(np.float64), self.start, stop)


@dataclass(frozen=True)
class Trace:
    """One channel to be drawn.

    Attributes
    ----------
    channel : str
        Its name, such as ``"left"``.
    envelope : Envelope
    dropouts : sequence of (start, length, depth)
        Seconds, seconds, dB.
    dropout_count : int or None
        If there are more than were listed.
    """

    channel: str
    envelope: Envelope
    dropouts: Sequence[tuple[float, float, float]] = ()
    dropout_count: int | None = None

    @property
    def count(self) -> int:
        return len(self.dropouts) if self.dropout_count is None else self.dropout_count


def draw_waveform(
    traces: Sequence[Trace], blocks: Sequence[tuple[float, float, bool]] = (), *, name: str = "",
    what_is_a_dropout: str = "",
) -> Picture:  # fmt: skip
    """Draw channels below one another with their dropouts marked, and where the blocks of data lie.

    Parameters
    ----------
    traces : sequence of Trace
        At least one; all of the same stretch of time.
    blocks : sequence of (start, end, good)
        Seconds, seconds, and whether all its bytes are sure.
    name : str
        Of the recording.
    what_is_a_dropout : str
        Such as ``"a fall by 12 dB or more for more than 4 ms"``.
    """
    dropped = [trace for trace in traces if trace.dropouts]
    heights = [1.0] * len(traces) + ([0.14 if len(traces) == 1 else 0.22] if blocks else [])
    if dropped:
        heights.append(0.4)
    total = sum(trace.count for trace in traces)
    title = f"Level along the recording: {_counted(total, 'dropout')}"
    if blocks:
        good = sum(block[2] for block in blocks)
        title += f", {_counted(len(blocks), 'block')} of data, {good} of them good"
    start, stop = traces[0].envelope.start, traces[0].envelope.stop
    with paper():
        figure, panels = sheet(title, len(heights), tuple(heights), 34.0 + 38.0 * sum(heights))
        scale = time_axis(panels[-1], start, stop)
        top = max(0.02, *(_peak(trace.envelope) for trace in traces))
        for axes, trace in zip(panels, traces, strict=False):
            _draw_trace(axes, trace, scale, 1.12 * top)
            channel = trace.channel.capitalize()
            axes.set_ylabel(
                "Amplitude\n(of full scale)" if len(traces) == 1 else f"{channel}\n(of full scale)"
            )
        if blocks:
            _draw_blocks(panels[len(traces)], blocks, scale)
        if dropped:
            _draw_dropouts(panels[-1], dropped, scale, len(traces) > 1)
        under = clean_name(name)
        if len(traces) == 1 and traces[0].channel not in ("mono", ""):
            under += f", {traces[0].channel}"
        if what_is_a_dropout:
            under += f"; dropout: {what_is_a_dropout}"
        panels[0].set_title(under.lstrip("; ,"), pad=8.0 if dropped else None)
        for axes in panels[:-1]:
            axes.tick_params(labelbottom=False, bottom=False)
        finished(figure)
    words = title + f", from {start:.1f} to {stop:.1f} s."
    return Picture(figure, "waveform", title, words)


def _peak(envelope: Envelope) -> float:
    if not len(envelope.low):
        return 0.0
    return float(max(envelope.high.max(), -envelope.low.min()))


def _draw_trace(axes: Axes, trace: Trace, scale: float, top: float) -> None:
    wave = trace.envelope
    times = wave.times / scale
    if np.array_equal(wave.low, wave.high):
        axes.plot(times, wave.high, color=DARK, linewidth=0.7)
    else:
        axes.fill_between(times, wave.low, wave.high, color=DARK, linewidth=0.3)
    axes.set_ylim(-top, top)
    if top > 1.0:
        for rail in (-1.0, 1.0):
            axes.axhline(rail, color=INK, linewidth=0.6, linestyle="--")
    if trace.dropouts:
        at = np.array([start + length / 2 for start, length, _ in trace.dropouts]) / scale
        axes.plot(
            at, np.full(len(at), 1.0), transform=axes.get_xaxis_transform(), linestyle="none", marker="v",
            color=LIGHT, markeredgecolor=INK, markeredgewidth=0.4, markersize=4.5, clip_on=False, zorder=5,
        )  # fmt: skip


def _draw_blocks(axes: Axes, blocks: Sequence[tuple[float, float, bool]], scale: float) -> None:
    from matplotlib.patches import Patch

    looks = {True: {"facecolor": "white"}, False: {"facecolor": LIGHT, "hatch": "//////"}}
    for good, look in looks.items():
        bars = [(begin / scale, (end - begin) / scale) for begin, end, ok in blocks if ok == good]
        axes.broken_barh(bars, (0.0, 1.0), edgecolor=INK, linewidth=0.6, **look)  # type: ignore[arg-type]
    if len(blocks) <= _NUMBERED_BLOCKS:
        for number, (begin, end, _) in enumerate(blocks, start=1):
            axes.text(
                (begin + end) / 2 / scale, 0.5, str(number), ha="center", va="center", fontsize=7,
                clip_on=True, bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8},
            )  # fmt: skip
    axes.set_ylim(0.0, 1.0)
    axes.set_yticks([])
    axes.set_ylabel("Blocks", rotation="horizontal", ha="right", va="center")
    axes.grid(False)
    handles = [
        Patch(edgecolor=INK, linewidth=0.6, label="good" if good else "not good", **look)  # type: ignore[arg-type]
        for good, look in looks.items()
    ]
    axes.legend(handles=handles, loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=2, frameon=False,
                borderpad=0.0, borderaxespad=0.15)  # fmt: skip


def _draw_dropouts(axes: Axes, traces: Sequence[Trace], scale: float, named: bool) -> None:
    deepest = 20.0
    for trace, marker, shade in zip(traces, "vosD^P" * 8, (LIGHT, DARK) * 24, strict=False):
        at = np.array([start + length / 2 for start, length, _ in trace.dropouts]) / scale
        depth = np.array([each[2] for each in trace.dropouts])
        axes.vlines(at, 0.0, depth, color=INK, linewidth=0.6)
        axes.plot(
            at, depth, linestyle="none", marker=marker, color=shade, markeredgecolor=INK, clip_on=False,
            markeredgewidth=0.4, label=f"dropouts, {trace.channel}", markersize=4.5, zorder=5,
        )  # fmt: skip
        deepest = max(deepest, float(depth.max()))
    axes.set_ylim(1.1 * deepest, 0.0)
    axes.set_ylabel("Dropout\ndepth (dB)")
    if named:
        key_below(axes, 4)


def _counted(count: int, thing: str) -> str:
    return f"{count or 'no'} {thing}{'' if count == 1 else 's'}"
