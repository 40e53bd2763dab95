"""The eye of the decisions: every half-wave laid over the others from its first zero crossing."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from .paper import DASHES, INK, LIGHT, Picture, clean_name, finished, key_below, paper, sheet

Floats = npt.NDArray[np.float64]

_TIMES, _HEIGHTS = 160, 120
_HIGHEST = 2.2
_BEFORE, _AFTER = 0.35, 1.75
_SAME = 1.02
_CHUNK = 4096
_LEVEL_OVER = 201
_MARKERS = "os^D"


class EyeCounts:
    """Lays half-waves over one another, fed piece by piece, in constant memory.

    Parameters
    ----------
    nominal_s : sequence of float
        Lengths that are told apart, s.

    Attributes
    ----------
    times : array, shape (t,)
        Middle of each step of time after the first zero crossing, s at nominal speed.
    heights : array, shape (h,)
        Middle of each step of height; 1 is the usual crest of the half-waves around.
    counts : array, shape (len(nominal_s), t, h)
    ends : list of array
        For each nominal length, when its half-waves ended: counts over the steps of time.
    """

    def __init__(self, nominal_s: Sequence[float]) -> None:
        self.nominal = np.array(sorted(nominal_s), np.float64)
        longest = float(self.nominal[-1])
        self._time_edges = np.linspace(-_BEFORE * longest, _AFTER * longest, _TIMES + 1)
        self._height_edges = np.linspace(-_HIGHEST, _HIGHEST, _HEIGHTS + 1)
        self.times = (self._time_edges[1:] + self._time_edges[:-1]) / 2
        self.heights = (self._height_edges[1:] + self._height_edges[:-1]) / 2
        self.counts = np.zeros((len(self.nominal), _TIMES, _HEIGHTS), np.int64)
        self.end_edges = np.linspace(0.0, _AFTER * longest, 2001)
        self.ends = np.zeros((len(self.nominal), 2000), np.int64)

    def add(
        self, samples: npt.ArrayLike, rate: float, starts: npt.ArrayLike, stops: npt.ArrayLike,
        decided: npt.ArrayLike, speed: npt.ArrayLike,
    ) -> None:  # fmt: skip
        """Take half-waves with the samples they lie in.

        Parameters
        ----------
        samples : array_like, shape (n,)
        rate : float
            Samples a second.
        starts, stops : array_like, shape (m,)
            Zero crossings, s after the first sample; in order of time, most of them neighbours.
        decided : array_like, shape (m,)
            Nominal lengths, s.
        speed : array_like, shape (m,)
            Tape speed, 1 being nominal.
        """
        wave = np.asarray(samples, np.float64)
        begin, end = np.asarray(starts, np.float64), np.asarray(stops, np.float64)
        said, pace = np.asarray(decided, np.float64), np.asarray(speed, np.float64)
        reach = self._time_edges[[0, -1]]
        inside = (begin + reach[0] / pace >= 0.0) & ((begin + reach[1] / pace) * rate < len(wave) - 1)
        begin, end, said, pace = begin[inside], end[inside], said[inside], pace[inside]
        if not len(begin):
            return
        middle = np.interp(rate * (begin + end) / 2, np.arange(len(wave)), wave)
        level = _local_level(np.abs(middle))
        sign = np.where(middle < 0.0, -1.0, 1.0) / np.maximum(level, 1e-12)
        for row, nominal in enumerate(self.nominal):
            mine = np.flatnonzero((said < nominal * _SAME) & (said > nominal / _SAME))
            self.ends[row] += np.histogram((end - begin)[mine] * pace[mine], self.end_edges)[0]
            for first in range(0, len(mine), _CHUNK):
                these = mine[first : first + _CHUNK]
                at = rate * (begin[these, None] + self.times[None, :] / pace[these, None])
                whole = at.astype(np.int64)
                left, right = wave[whole], wave[whole + 1]
                height = (left + (at - whole) * (right - left)) * sign[these, None]
                step = np.floor((height + _HIGHEST) / (2 * _HIGHEST) * _HEIGHTS).astype(np.int64)
                step = np.clip(step, 0, _HEIGHTS - 1) + _HEIGHTS * np.arange(_TIMES)
                self.counts[row] += np.bincount(step.ravel(), minlength=_TIMES * _HEIGHTS).reshape(
                    _TIMES, _HEIGHTS
                )

    def quantile(self, row: int, share: float) -> Floats:
        """Height below which `share` of a nominal length's waves lie at each time, shape (t,)."""
        sums = np.cumsum(self.counts[row], axis=1, dtype=np.float64)
        found = np.full(_TIMES, np.nan)
        for place in range(_TIMES):
            total = sums[place, -1]
            if total:
                found[place] = np.interp(
                    share * total, np.concatenate([[0.0], sums[place]]), self._height_edges
                )
        return found

    def end(self, row: int, share: float) -> float:
        """When `share` of a nominal length's half-waves have ended, s at nominal speed."""
        counts = self.ends[row]
        total = counts.sum()
        if not total:
            return float("nan")
        return float(np.interp(share * total, np.concatenate([[0], np.cumsum(counts)]), self.end_edges))


def _local_level(crests: Floats) -> Floats:
    """The usual crest of the half-waves around each."""
    from scipy.ndimage import uniform_filter1d

    width = min(_LEVEL_OVER, max(1, len(crests)))
    return np.asarray(uniform_filter1d(crests, size=width, mode="nearest"))


def draw_eye(eye: EyeCounts, *, name: str = "", encoding: str = "") -> Picture:
    """Draw the eye: how open it stands between the ends of short and long half-waves.

    Parameters
    ----------
    eye : EyeCounts
    name : str
        Of the recording.
    encoding : str
        Its name.
    """
    rows = [row for row in range(len(eye.nominal)) if eye.counts[row].any()]
    gaps = [(eye.end(a, 0.99), eye.end(b, 0.01)) for a, b in pairwise(rows)]
    title = "Eye of the decisions"
    if gaps:
        late, soon = min(gaps, key=lambda gap: gap[1] - gap[0])
        if soon > late:
            title += f": open for {1e6 * (soon - late):.0f} µs between short and long half-waves"
        else:
            title += f": closed, short and long half-waves overlap by {1e6 * (late - soon):.0f} µs"
    with paper():
        figure, (axes,) = sheet(title, height_mm=100.0)
        shown = eye.counts.sum(axis=0).astype(np.float64)
        peak = shown.max(initial=1.0)
        # The root shows the rare strays as well; white stays white.
        tone = 0.75 * np.sqrt(shown.T / peak)
        reach = 1e6 * eye._time_edges[[0, -1]]
        axes.imshow(
            1.0 - tone, cmap="gray", vmin=0.0, vmax=1.0, origin="lower", aspect="auto", zorder=0,
            extent=(float(reach[0]), float(reach[1]), -_HIGHEST, _HIGHEST), interpolation="bilinear",
        )  # fmt: skip
        axes.set_axisbelow(False)
        axes.grid(False)
        micro = 1e6 * eye.times
        for place, row in enumerate(rows):
            dashes = DASHES[place % len(DASHES)]
            upto = micro <= 1.12e6 * eye.nominal[row]
            ink = INK if place % 2 == 0 else LIGHT
            middle = eye.quantile(row, 0.5)
            if ink == LIGHT:
                axes.plot(micro[upto], middle[upto], color=INK, linewidth=3.2, zorder=2)
            axes.plot(
                micro[upto], middle[upto], color=ink, linewidth=1.8, zorder=3,
                label=f"middle of those decided as {1e6 * eye.nominal[row]:.4g} µs",
                marker=_MARKERS[place % len(_MARKERS)], markevery=(4 + 5 * place, 15), markersize=4,
                markeredgecolor=INK, markeredgewidth=0.5,
            )  # fmt: skip
            for share in (0.05, 0.95):
                edge = eye.quantile(row, share)
                axes.plot(micro[upto], edge[upto], color=INK, linewidth=0.7, zorder=2,
                          linestyle=dashes if place else "-")  # fmt: skip
        for number, (a, b) in enumerate(pairwise(rows)):
            limit = 0.5e6 * (eye.nominal[a] + eye.nominal[b])
            axes.axvline(limit, color=INK, linewidth=1.0, linestyle="--", zorder=1,
                         label="threshold" if number == 0 else "")  # fmt: skip
            late, soon = gaps[number]
            if soon > late:
                axes.annotate(
                    "", (1e6 * soon, 0.0), (1e6 * late, 0.0), zorder=6,
                    arrowprops={"arrowstyle": "<->", "linewidth": 1.0, "shrinkA": 0, "shrinkB": 0},
                )  # fmt: skip
                axes.text(
                    0.5e6 * (late + soon), -0.12, f"{1e6 * (soon - late):.0f} µs", ha="center", va="top",
                    fontsize=7.5, zorder=6, bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0},
                )  # fmt: skip
        axes.axhline(0.0, color=INK, linewidth=0.5, zorder=1)
        axes.axvline(0.0, color=INK, linewidth=0.5, zorder=1)
        axes.set_xlim(float(reach[0]), float(reach[1]))
        axes.set_ylim(-1.7, 1.7)
        axes.set_xlabel("Time from the first zero crossing (µs, at nominal speed)")
        axes.set_ylabel("Height (usual crest = 1)")
        under = clean_name(name) + (f"; {encoding}" if encoding else "")
        if rows:
            under += "\n9 in 10 waves lie between the thin lines; the arrow leaves out 1 in 100 on each side"
        axes.set_title(under.lstrip("; "))
        if rows:
            key_below(axes, 3)
        finished(figure)
    return Picture(figure, "eye", title, title + ".")
