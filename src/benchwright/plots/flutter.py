"""The spectrum of flutter, with its lines numbered and named."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from .paper import DARK, INK, LIGHT, Picture, clean_name, finished, paper, sheet

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_COLUMNS = 700
_LONGEST_NAME = 88
_CURVE_MM, _ROW_MM = 78.0, 4.6


@dataclass(frozen=True)
class NamedLine:
    """A line of the flutter spectrum.

    Attributes
    ----------
    hertz : float
    percent : float
        Zero-to-peak.
    name : str
        What it comes from; empty if not known.
    """

    hertz: float
    percent: float
    name: str = ""


def draw_flutter(
    hertz: npt.ArrayLike, percent: npt.ArrayLike, lines: Sequence[NamedLine] = (), *,
    weighted: str = "", name: str = "", deck: str = "",
) -> Picture:  # fmt: skip
    """Draw a flutter spectrum.

    Parameters
    ----------
    hertz, percent : array_like, shape (n,)
        Frequency, and zero-to-peak size of the sine that would reach this height.
    lines : sequence of NamedLine
        Those to point out.
    weighted : str
        Weighted peak flutter, as text with its unit.
    name : str
        Of the recording.
    deck : str
        Whose parts the lines are named after.
    """
    f, size = np.asarray(hertz, np.float64), np.asarray(percent, np.float64)
    shown = (f > 0.0) & (size > 0.0)
    f, size = f[shown], size[shown]
    named = sorted(lines, key=lambda line: line.hertz)
    title = "Flutter by frequency"
    if weighted:
        title += f": weighted peak flutter {weighted}"
    with paper():
        key = _ROW_MM * (len(named) + 1) if named else 0.0
        heights = (_CURVE_MM, key) if named else (_CURVE_MM,)
        figure, (axes, *below) = sheet(title, len(heights), heights, _CURVE_MM + key, share=False)
        f, size = _highest(f, size)
        axes.plot(f, size, color=DARK, linewidth=0.7)
        low, high = _limits(f)
        axes.set_xscale("log")
        axes.set_yscale("log")
        axes.set_xlim(low, high)
        _plain_ticks(axes)
        top = max([0.01, *(size[(f >= low)] if len(f) else []), *(line.percent for line in named)])
        least = float(np.percentile(size, 5.0)) if len(size) else top
        bottom = max(top / 5000.0, min(top / 30.0, 0.7 * least))
        axes.set_ylim(bottom, 2.6 * top)
        _mark(axes, named, (low, high), bottom)
        axes.set_ylabel("Peak flutter (± %)")
        axes.set_xlabel("Frequency of the flutter (Hz)")
        under = clean_name(name) + (
            f"; lines named after the parts of {clean_name(deck, 40)}" if deck else ""
        )
        axes.set_title(under.lstrip("; "))
        axes.grid(True, which="minor", axis="x", linewidth=0.25)
        for table in below:
            _key(table, named)
        finished(figure)
    told = "; ".join(f"{line.hertz:.3g} Hz {line.percent:.2g} % {line.name}".strip() for line in named)
    return Picture(figure, "flutter", title, f"{title}. Lines: {told or 'none'}.")


def _highest(
    f: npt.NDArray[np.float64], size: npt.NDArray[np.float64]
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Of the values that fall into one column of a logarithmic axis the highest: no line is lost."""
    if len(f) < 2:
        return f, size
    column = np.floor(np.log(f / f[0]) / np.log(f[-1] / f[0]) * _COLUMNS).astype(np.int64)
    order = np.lexsort((-size, column))
    kept = order[np.unique(column[order], return_index=True)[1]]
    return f[kept], size[kept]


def _limits(f: npt.NDArray[np.float64]) -> tuple[float, float]:
    if not len(f):
        return 0.1, 200.0
    # Flutter is judged from 0.1 Hz (IEC 60386); a short recording does not reach down so far.
    return max(0.1, float(f[0])), max(10.0, float(f[-1]))


def _plain_ticks(axes: Axes) -> None:
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    for axis, steps in ((axes.xaxis, (1.0, 2.0, 5.0)), (axes.yaxis, (1.0, 3.0))):
        axis.set_major_locator(LogLocator(subs=steps, numticks=30))
        axis.set_minor_locator(LogLocator(subs=tuple(range(1, 10)), numticks=100))
        axis.set_minor_formatter(NullFormatter())
        axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:.6f}".rstrip("0").rstrip(".")))


def _mark(axes: Axes, lines: Sequence[NamedLine], span: tuple[float, float], bottom: float) -> None:
    """Numbers above the lines, one row higher where two would touch."""
    width = math.log(span[1] / span[0])
    rows: list[float] = []
    for number, line in enumerate(lines, start=1):
        place = math.log(max(line.hertz, span[0]) / span[0]) / width
        row = next((r for r, last in enumerate(rows) if place - last > 0.026), len(rows))
        rows[row : row + 1] = [place]
        axes.plot([line.hertz], [line.percent], linestyle="none", marker="o", color=LIGHT,
                  markeredgecolor=INK, markeredgewidth=0.6, markersize=5, zorder=5)  # fmt: skip
        axes.vlines([line.hertz], bottom, line.percent, color=INK, linewidth=0.5, linestyle=":")
        axes.annotate(
            str(number), (line.hertz, line.percent), xytext=(0.0, 6.0 + 9.0 * row), ha="center", va="bottom",
            textcoords="offset points", fontsize=7.5, fontweight="bold", zorder=6,
        )  # fmt: skip


def _key(axes: Axes, lines: Sequence[NamedLine]) -> None:
    """A table of the numbered lines."""
    axes.set_axis_off()
    rows = [("", "Hz", "± %", "what it comes from")]
    for number, line in enumerate(lines, start=1):
        text = line.name or "cause not known"
        if len(text) > _LONGEST_NAME:
            text = text[: _LONGEST_NAME - 1].rstrip() + "…"
        rows.append((str(number), f"{line.hertz:.2f}", f"{line.percent:.2f}", text))
    for place, row in enumerate(rows):
        height = 1.0 - (place + 0.5) / len(rows)
        for column, (at, align) in enumerate(
            ((0.01, "right"), (0.09, "right"), (0.16, "right"), (0.19, "left"))
        ):
            axes.text(
                at, height, row[column], ha=align, va="center", transform=axes.transAxes, fontsize=7.5,
                fontweight="bold" if column == 0 or place == 0 else "normal",
            )  # fmt: skip
