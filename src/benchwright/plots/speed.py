"""How tape speed went along the recording."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from .paper import (
    DARK,
    FAINT,
    INK,
    Picture,
    clean_name,
    finished,
    key_below,
    paper,
    sheet,
    time_axis,
    with_minus,
)

Floats = npt.NDArray[np.float64]


def draw_speed(
    times_s: npt.ArrayLike, percent: npt.ArrayLike, *, mean: float | None = None, mean_text: str = "",
    good: float | None = None, bad: float | None = None, step_s: float | None = None, name: str = "",
    source: str = "",
) -> Picture:  # fmt: skip
    """Draw the speed error over time.

    Parameters
    ----------
    times_s : array_like, shape (n,)
    percent : array_like, shape (n,)
        Speed error; not-a-number leaves a gap.
    mean : float, optional
        Mean speed error, %.
    mean_text : str
        The same with its uncertainty.
    good, bad : float, optional
        Good within plus or minus the one, bad beyond the other, %.
    step_s : float, optional
        What each value is the mean of.
    name : str
        Of the recording.
    source : str
        What it was read from, such as ``"a tone of 3150 Hz"``.
    """
    times, values = np.asarray(times_s, np.float64), np.asarray(percent, np.float64)
    title = "Tape speed along the recording"
    if mean is not None:
        title += f": mean error {with_minus(mean_text or f'{mean:+.2f} %')}"
    with paper():
        figure, (axes,) = sheet(title, height_mm=80.0)
        step = step_s or (float(np.median(np.diff(times))) if len(times) > 1 else 0.1)
        begin, end = (times[0] - step / 2, times[-1] + step / 2) if len(times) else (0.0, 1.0)
        scale = time_axis(axes, float(begin), float(end))
        what = "speed error" if step_s is None else f"speed error, mean of each {_span(step_s)}"
        few = np.count_nonzero(np.isfinite(values)) < 40
        axes.plot(times / scale, values, color=DARK, linewidth=0.8, marker="." if few else "",
                  label=what)  # fmt: skip
        if mean is not None:
            axes.axhline(mean, color=INK, linewidth=0.9, linestyle="--", label="mean")
        axes.axhline(0.0, color=INK, linewidth=0.6)
        finite = values[np.isfinite(values)]
        reach = [0.0, *(finite if len(finite) else [0.0])]
        low, high = min(reach), max(reach)
        room = max(0.12 * (high - low), 0.05)
        low, high = low - room, high + room
        for limit, dashes, word in ((good, ":", "good within"), (bad, "-.", "bad beyond")):
            if limit is None:
                continue
            label = f"{word} ±{limit:g} %"
            for side in (-limit, limit):
                if low < side < high:
                    axes.axhline(side, color=FAINT, linewidth=1.0, linestyle=dashes, label=label)
                    label = ""
        axes.set_ylim(low, high)
        axes.set_ylabel("Speed error (%)")
        under = clean_name(name) + (f"; from {source}" if source else "")
        axes.set_title(under.lstrip("; "))
        key_below(axes, 4)
        finished(figure)
    words = title
    if len(finite):
        words += f"; from {finite.min():+.2f} % to {finite.max():+.2f} %"
    return Picture(figure, "speed", title, words + ".")


def _span(seconds: float) -> str:
    if seconds >= 0.9995:
        return f"{seconds:.3g} s"
    # Three digits: a step is a whole number of values.
    return f"{float(f'{seconds * 1000:.2g}'):g} ms" if math.isfinite(seconds) else "step"
