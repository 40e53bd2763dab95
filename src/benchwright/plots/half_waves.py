"""How long the half-waves of data lasted, and how far from the thresholds of the decisions."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from .paper import DASHES, HATCHES, INK, SHADES, Picture, clean_name, finished, key_below, paper, sheet

Floats = npt.NDArray[np.float64]

_BINS_A_LENGTH = 60
_SAME = 1.02
_MOST_SHOWN = 5


class HalfWaveCounts:
    """Counts half-waves by their length, fed piece by piece, in constant memory.

    Parameters
    ----------
    nominal_s : sequence of float
        The lengths that half-waves are decided to have, s; empty if nothing is decided.
    longest_s : float, optional
        Up to where to count; twice the longest nominal length if left out.
    bins : int, optional
        Number of steps; 60 up to the shortest nominal length if left out.

    Attributes
    ----------
    edges : array, shape (bins + 1,)
        Of the steps, s.
    counts : array, shape (max(1, len(nominal_s)), bins)
        One row for each nominal length.
    beyond : array, shape (len(nominal_s),)
        How many lay beyond the threshold of their decision: nearer to another length.
    """

    def __init__(self, nominal_s: Sequence[float], longest_s: float = 0.0, bins: int = 0) -> None:
        self.nominal = np.array(sorted(nominal_s), np.float64)
        longest = longest_s or 2.0 * float(self.nominal[-1])
        if not bins:
            bins = round(longest / float(self.nominal[0]) * _BINS_A_LENGTH) if len(self.nominal) else 400
        self.edges = np.linspace(0.0, longest, min(bins, 4000) + 1)
        self.counts = np.zeros((max(1, len(self.nominal)), len(self.edges) - 1), np.int64)
        self.beyond = np.zeros(len(self.nominal), np.int64)

    @property
    def thresholds(self) -> Floats:
        """Half-way between neighbouring nominal lengths, s."""
        return (self.nominal[1:] + self.nominal[:-1]) / 2

    def add(self, seconds: npt.ArrayLike, decided: npt.ArrayLike | None = None) -> None:
        """Take half-waves.

        Parameters
        ----------
        seconds : array_like, shape (n,)
            Their lengths; with speed errors taken out if they are to be held against thresholds.
        decided : array_like, shape (n,), optional
            The nominal length each was decided to have, s; others than those asked for are left out.
        """
        lengths = np.asarray(seconds, np.float64)
        if decided is None or not len(self.nominal):
            self.counts[0] += np.histogram(lengths, self.edges)[0]
            return
        said = np.asarray(decided, np.float64)
        for row, nominal in enumerate(self.nominal):
            mine = lengths[(said < nominal * _SAME) & (said > nominal / _SAME)]
            self.counts[row] += np.histogram(mine, self.edges)[0]
            nearest = np.searchsorted(self.thresholds, mine)
            self.beyond[row] += np.count_nonzero(nearest != row)

    def within(self, row: int, share: float) -> tuple[float, float]:
        """Between which lengths (s) the middle `share` of a nominal length's half-waves lie."""
        counts = self.counts[row]
        total = int(counts.sum())
        if not total:
            return float("nan"), float("nan")
        sums = np.concatenate([[0], np.cumsum(counts)]) / total
        rest = (1.0 - share) / 2.0
        low = np.interp(rest, sums, self.edges)
        # From the other end, so that empty steps in the middle fall on the near side.
        high = -np.interp(rest, (1.0 - sums)[::-1], -self.edges[::-1])
        return float(low), float(high)


def draw_half_waves(counts: HalfWaveCounts, *, name: str = "", encoding: str = "") -> Picture:
    """Draw how many half-waves there are of each length.

    Parameters
    ----------
    counts : HalfWaveCounts
    name : str
        Of the recording.
    encoding : str
        Its name; the lengths are then those at nominal speed.
    """
    total = int(counts.counts.sum())
    beyond = int(counts.beyond.sum())
    title = f"Half-wave lengths: {total:,} half-waves".replace(",", "\u2009")
    if len(counts.nominal) > 1:
        title += f", {beyond or 'none'} beyond the threshold of its decision"
    with paper():
        figure, (axes,) = sheet(title, height_mm=82.0)
        edges = 1e6 * counts.edges
        used = np.flatnonzero(counts.counts.sum(axis=0))
        low, high = (edges[used[0]], edges[used[-1] + 1]) if len(used) else (0.0, edges[-1])
        if len(counts.nominal):
            low, high = min(low, 0.8e6 * counts.nominal[0]), max(high, 1.2e6 * counts.nominal[-1])
        if len(counts.nominal):
            for row, nominal in enumerate(counts.nominal):
                look = row % _MOST_SHOWN
                axes.stairs(
                    np.maximum(counts.counts[row], 0.5), edges, baseline=0.5, fill=True, alpha=0.85,
                    facecolor=SHADES[look], hatch=HATCHES[look], edgecolor=INK, linewidth=0.0,
                    label=f"decided as {_micro(nominal)} µs",
                )  # fmt: skip
                axes.stairs(np.maximum(counts.counts[row], 0.5), edges, baseline=0.5, color=INK,
                            linewidth=0.5)  # fmt: skip
        else:
            axes.stairs(np.maximum(counts.counts[0], 0.5), edges, baseline=0.5, fill=True, color=SHADES[0])
        axes.set_yscale("log")
        peak = max(10, int(counts.counts.max()))
        axes.set_ylim(0.5, peak * 4.0)
        axes.set_xlim(low - 0.03 * (high - low), high + 0.03 * (high - low))
        for number, limit in enumerate(counts.thresholds):
            axes.axvline(1e6 * limit, color=INK, linewidth=1.0, linestyle=DASHES[1],
                         label="threshold" if number == 0 else "")  # fmt: skip
            axes.text(1e6 * limit, peak * 2.2, f" {_micro(limit)} µs", fontsize=7.5, ha="left")
        if len(counts.nominal):
            axes.plot(
                1e6 * counts.nominal, np.full(len(counts.nominal), 0.0), transform=axes.get_xaxis_transform(),
                linestyle="none", marker="^", color="white", markeredgecolor=INK, markeredgewidth=0.7,
                markersize=5, clip_on=False, zorder=6, label="nominal length",
            )  # fmt: skip
            key_below(axes, 4)
        _plain_counts(axes)
        axes.set_ylabel(f"Half-waves in each {1e6 * (counts.edges[1] - counts.edges[0]):.2g} µs")
        axes.set_xlabel(
            "Length of the half-wave (µs" + (", at nominal speed)" if len(counts.nominal) else ", as played)")
        )
        under = clean_name(name) + (f"; {encoding}" if encoding else "; by plain zero crossings")
        axes.set_title(under.lstrip("; "))
        finished(figure)
    return Picture(figure, "half-waves", title, f"{title}. {_words(counts)}".strip())


def _plain_counts(axes: object) -> None:
    from matplotlib.axes import Axes
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    assert isinstance(axes, Axes)
    axes.yaxis.set_major_locator(LogLocator(numticks=12))
    axes.yaxis.set_minor_formatter(NullFormatter())
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:,.0f}".replace(",", "\u2009")))
    axes.grid(False, axis="x")


def _micro(seconds: float) -> str:
    return f"{1e6 * seconds:.4g}"


def _words(counts: HalfWaveCounts) -> str:
    said = []
    for row, nominal in enumerate(counts.nominal):
        low, high = counts.within(row, 0.98)
        if low == low:
            said.append(
                f"98 in 100 of those decided as {_micro(nominal)} µs lie from {_micro(low)} to "
                f"{_micro(high)} µs"
            )
    return ("; ".join(said) + ".") if said else ""
