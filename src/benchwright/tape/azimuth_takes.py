"""Azimuth of a mono head from the treble of several takes, each at another position of the screw.

A tilted gap blurs short waves across the width of the track. The loss is lowest, and the same to either side,
where the head stands right; so its shape over the positions tells where that is, even if no take hit it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ..errors import BadReading
from .figure import Figure
from .track import Floats

_DEEPEST = -45.0
_FAITHFUL, _LOOSER = 12.0, 0.4
_USUAL_ANGLE = 20.0
_BANDS = (1000.0, 1260.0, 1587.0, 2000.0, 2520.0, 3175.0, 4000.0, 5040.0, 6350.0, 8000.0, 10079.0, 12699.0)


@dataclass(frozen=True, slots=True)
class TakeLevels:
    """Treble of one take.

    Attributes
    ----------
    hertz : ndarray, shape (k,)
        Frequencies, or middles of bands a third of an octave wide.
    decibels : ndarray, shape (k,)
        Level at each, against the sound from 250 Hz to 800 Hz if there is any, else against full scale.
    """

    hertz: Floats
    decibels: Floats


@dataclass(frozen=True, slots=True)
class ScrewReport:
    """Where to turn the azimuth screw.

    Attributes
    ----------
    best : Figure
        Position with the least loss, in the unit of the positions.
    turn : Figure
        From the last take to the best position; positive is the way in which positions grow.
    direction : str
        ``"onward"`` (the way in which positions grow), ``"back"``, or empty if it cannot be told.
    angle : Figure
        How far the head was out at the last take, arc-minutes.
    per_unit : Figure
        Arc-minutes by which one unit of position tilts the head.
    loss : Figure
        Loss at the highest frequency at the last take, dB (negative).
    warnings : tuple of str
    """

    best: Figure
    turn: Figure
    direction: str
    angle: Figure
    per_unit: Figure
    loss: Figure
    warnings: tuple[str, ...]


def azimuth_loss(
    arcminutes: npt.ArrayLike,
    hertz: npt.ArrayLike,
    *,
    track_width: float = 1.5e-3,
    speed: float = 0.047625,
) -> Floats:
    """Loss of a tilted gap, dB (0 or less).

    Parameters
    ----------
    arcminutes : array_like
        Angle between the gap and the recording.
    hertz : array_like
        Frequency; broadcast against `arcminutes`.
    track_width, speed : float
        m, m/s.

    Returns
    -------
    ndarray
        ``20 lg |sin x / x|`` with ``x = pi w tan(angle) / wavelength``.
    """
    tilt = np.tan(np.radians(np.asarray(arcminutes, np.float64) / 60.0))
    turns = track_width * tilt * np.asarray(hertz, np.float64) / speed
    return np.asarray(20.0 * np.log10(np.maximum(np.abs(np.sinc(turns)), 1e-9)))


def treble_of(
    samples: npt.ArrayLike | Iterable[npt.ArrayLike],
    rate: float,
    hertz: Sequence[float] | float | None = None,
) -> TakeLevels:
    """Levels of the treble of one take, to be compared with those of other takes.

    Parameters
    ----------
    samples : array_like, shape (n,), or iterable of such blocks
        One channel: a high tone, or data, leader, music, always the same stretch of tape.
    rate : float
        Samples per second.
    hertz : float or sequence of float, optional
        Frequencies of tones. Left out, bands a third of an octave wide from 1 kHz up.

    Returns
    -------
    TakeLevels

    Raises
    ------
    BadReading
        A silent or very short take, or tones above what the rate can hold.
    """
    size = 1 << max(8, round(math.log2(0.09 * rate)))
    window = np.hanning(size + 1)[:-1]
    power, count = np.zeros(size // 2 + 1), 0
    waiting = np.empty(0)
    plain = hasattr(samples, "__array__") or (
        isinstance(samples, list | tuple) and (not samples or isinstance(samples[0], int | float))
    )
    blocks: Iterable[npt.ArrayLike] = [samples] if plain else samples  # type: ignore[list-item,assignment]
    for block in blocks:
        waiting = np.concatenate([waiting, np.asarray(block, np.float64).ravel()])
        parts = waiting.size // size
        if parts:
            cut = waiting[: parts * size].reshape(parts, size)
            for part in cut:
                power += np.abs(np.fft.rfft((part - part.mean()) * window)) ** 2
            count += parts
            waiting = waiting[parts * size :]
    if count == 0 or not np.isfinite(power).all() or power.sum() <= 0.0:
        raise BadReading("the take is silent or too short: expected a second or more of sound")
    # A sine of full scale gives 0 dB.
    power *= 4.0 / (count * float(window.sum()) ** 2 * 1.5)
    grid = np.fft.rfftfreq(size, 1.0 / rate)

    def level(low: float, high: float) -> float:
        return float(power[(grid >= low) & (grid <= high)].sum())

    if hertz is None:
        chosen = np.array([band for band in _BANDS if band * 2.0 ** (1.0 / 6.0) < 0.46 * rate])
        edges = [(band / 2.0 ** (1.0 / 6.0), band * 2.0 ** (1.0 / 6.0)) for band in chosen]
    else:
        chosen = np.atleast_1d(np.asarray(hertz, np.float64))
        if chosen.size == 0 or chosen.max() > 0.47 * rate or chosen.min() <= 0.0:
            raise BadReading(
                f"tones of {chosen.tolist()} Hz at {rate:g} samples per second: expected frequencies above "
                f"nought and below {0.47 * rate:g} Hz"
            )
        half = np.maximum(0.03 * chosen, 4.0 * grid[1])
        edges = [(tone - width, tone + width) for tone, width in zip(chosen, half, strict=True)]
    levels = np.array([level(low, high) for low, high in edges])
    bass = level(250.0, 800.0)
    reference = bass if bass > 1e-4 * float(power.sum()) else 1.0
    return TakeLevels(chosen, 10.0 * np.log10(np.maximum(levels, 1e-15) / reference))


def from_takes(
    positions: npt.ArrayLike,
    levels_db: npt.ArrayLike | Sequence[TakeLevels],
    hertz: npt.ArrayLike | None = None,
    *,
    unit: str = "turns",
    track_width: float = 1.5e-3,
    speed: float = 0.047625,
    level_uncertainty: float = 0.3,
    arcminutes_per_unit: float | None = None,
) -> ScrewReport:
    """Find the right position of the azimuth screw from the treble of several takes.

    Parameters
    ----------
    positions : array_like, shape (n,)
        Position of the screw at each take, in any unit; the last is where it stands now.
    levels_db : array_like, shape (n,) or (n, k), or sequence of TakeLevels
        Level of the high tone (or of k tones or bands) at each take, dB against anything that azimuth leaves
        alone.
    hertz : array_like, scalar or shape (k,), optional
        Frequency of the tones; not needed with `TakeLevels`.
    unit : str
        Of the positions.
    track_width, speed : float
        m, m/s.
    level_uncertainty : float
        Standard deviation of one level, dB; the scatter about the curve counts if it is greater.
    arcminutes_per_unit : float, optional
        How far one unit tilts the head, if that is known; then two takes are enough.

    Returns
    -------
    ScrewReport

    Raises
    ------
    BadReading
        Too few takes or positions, or arrays that do not belong together.
    """
    places, levels, tones = _checked(positions, levels_db, hertz)
    needed = 2 if arcminutes_per_unit is not None else 3
    if np.unique(places).size < needed:
        raise BadReading(
            f"takes at {np.unique(places).size} positions of the screw: expected {needed} or more to differ"
        )
    span = float(np.ptp(places))
    middle = float(0.5 * (places.min() + places.max()))
    # The range again to either side; beyond that the takes say nothing.
    best_grid = middle + np.linspace(-1.5, 1.5, 241) * span
    if arcminutes_per_unit is not None:
        tilt_grid = np.array([abs(arcminutes_per_unit)])
    else:
        tilt_grid = np.geomspace(2.0, 150.0, 90) / span

    def parts(best: Floats, tilt: Floats) -> tuple[Floats, Floats]:
        # Takes and frequencies are the last two axes.
        angle = tilt[..., None] * (places - best[..., None])
        loss = np.maximum(
            azimuth_loss(angle[..., None], tones, track_width=track_width, speed=speed), _DEEPEST
        )
        # Far down the level is noise and leakage as much as tone: there it only says "much".
        wide = np.hypot(1.0, _LOOSER * np.maximum(-loss - _FAITHFUL, 0.0) / level_uncertainty)
        rest = levels - loss
        rest = rest - np.sum(rest / wide**2, axis=-2, keepdims=True) / np.sum(
            wide**-2.0, axis=-2, keepdims=True
        )
        scatter = np.sum((rest / wide) ** 2, axis=(-2, -1))
        unsaid = 2.0 * np.sum(np.log(wide), axis=(-2, -1)) + (np.abs(angle).max(axis=-1) / _USUAL_ANGLE) ** 2
        return np.asarray(scatter), np.asarray(unsaid * level_uncertainty**2)

    def misfit(best: Floats, tilt: Floats) -> Floats:
        scatter, unsaid = parts(best, tilt)
        return scatter + unsaid

    freedom = max(levels.size - tones.size - (1 if tilt_grid.size == 1 else 2), 1)

    def variance_at(mode: _Mode) -> float:
        scatter = float(parts(np.array(mode.best), np.array(mode.tilt))[0])
        return max(level_uncertainty**2, scatter / freedom)

    modes = _modes(misfit, best_grid, tilt_grid, lambda mode: 60.0 * variance_at(mode))
    best, tilt = modes[0].best, modes[0].tilt
    variance = variance_at(modes[0])
    # Each way in which the levels can be explained counts by how well it does and how much room it has.
    chance = np.array(
        [math.exp(-0.5 * (mode.misfit - modes[0].misfit) / variance) * mode.room for mode in modes]
    )
    chance /= chance.sum()
    last = float(places[-1])
    turn = best - last
    off = tilt * abs(turn)

    def spread(values: list[float], own: list[float], about: float) -> float:
        away = np.array(values) - about
        return math.sqrt(float(chance @ (away**2 + np.array(own) * variance)))

    doubt = spread([mode.best for mode in modes], [mode.best_variance for mode in modes], best)
    tilt_doubt = spread(
        [mode.tilt for mode in modes], [mode.tilt_variance * mode.tilt**2 for mode in modes], tilt
    )
    off_doubt = spread(
        [mode.tilt * abs(mode.best - last) for mode in modes],
        [mode.off_variance(last) for mode in modes],
        off,
    )
    top = float(tones.max())
    loss = float(azimuth_loss(off, top, track_width=track_width, speed=speed))
    worse = float(azimuth_loss(off + off_doubt, top, track_width=track_width, speed=speed))
    warnings = []
    if not places.min() <= best <= places.max():
        warnings.append(
            "the best position lies outside the range that was tried: turn further that way and take more"
        )
    if doubt > 0.25 * span:
        warnings.append(
            "the takes hardly tell where the best position is: take more, further apart, or use a higher tone"
        )
    return ScrewReport(
        best=Figure(best, doubt, unit),
        turn=Figure(turn, doubt, unit),
        direction="" if abs(turn) < doubt else ("onward" if turn > 0.0 else "back"),
        angle=Figure(off, off_doubt, "arc-minutes"),
        per_unit=Figure(tilt, tilt_doubt, f"arc-minutes per {unit}"),
        loss=Figure(loss, min(abs(loss - worse), 40.0), "dB"),
        warnings=tuple(warnings),
    )


def _checked(
    positions: npt.ArrayLike,
    levels_db: npt.ArrayLike | Sequence[TakeLevels],
    hertz: npt.ArrayLike | None,
) -> tuple[Floats, Floats, Floats]:
    places = np.asarray(positions, np.float64).ravel()
    if isinstance(levels_db, Sequence) and levels_db and isinstance(levels_db[0], TakeLevels):
        takes = [take for take in levels_db if isinstance(take, TakeLevels)]
        common = [
            tone for tone in takes[0].hertz if all(np.isclose(take.hertz, tone).any() for take in takes)
        ]
        if not common:
            raise BadReading("the takes have no frequency in common")
        tones = np.array(common)
        levels = np.array(
            [[take.decibels[int(np.argmin(np.abs(take.hertz - tone)))] for tone in tones] for take in takes]
        )
    else:
        if hertz is None:
            raise BadReading("levels without a frequency: give the frequency of the tone in Hz")
        tones = np.atleast_1d(np.asarray(hertz, np.float64))
        levels = np.asarray(levels_db, np.float64)
        if levels.ndim == 1:
            levels = levels[:, None]
    if levels.ndim != 2 or levels.shape != (places.size, tones.size):
        raise BadReading(
            f"{places.size} positions, levels of shape {levels.shape}, {tones.size} frequencies: expected a "
            "row of levels a position and one column a frequency"
        )
    if not (np.isfinite(places).all() and np.isfinite(levels).all() and (tones > 0.0).all()):
        raise BadReading("positions and levels must be numbers, and frequencies above nought")
    return places, levels, tones


@dataclass(frozen=True, slots=True)
class _Mode:
    """One way to explain the levels; variances are for levels of unit variance, of `tilt` relative."""

    misfit: float
    best: float
    tilt: float
    best_variance: float
    tilt_variance: float
    together: float
    room: float

    def off_variance(self, place: float) -> float:
        away = self.best - place
        both = self.best_variance + away**2 * self.tilt_variance + 2.0 * away * self.together
        return max(self.tilt**2 * both, 0.0)


def _modes(
    misfit: Callable[[Floats, Floats], Floats],
    best_grid: Floats,
    tilt_grid: Floats,
    worth: Callable[[_Mode], float],
) -> list[_Mode]:
    """Every low point of the misfit over the grid that is `worth` it, followed down; the lowest first."""
    from scipy.ndimage import minimum_filter
    from scipy.optimize import minimize

    errors = misfit(best_grid[:, None], tilt_grid[None, :])
    rows, columns = np.nonzero(errors <= minimum_filter(errors, size=3, mode="nearest"))
    order = np.argsort(errors[rows, columns])[:16]
    step = float(best_grid[1] - best_grid[0])
    known = tilt_grid.size == 1
    stride = 1.0 if known else math.log(float(tilt_grid[1] / tilt_grid[0]))
    modes: list[_Mode] = []
    for row, column in zip(rows[order], columns[order], strict=True):
        if modes and errors[row, column] > modes[0].misfit + worth(modes[0]):
            break
        best, tilt = float(best_grid[row]), float(tilt_grid[column])

        def told(values: Floats, best: float = best, tilt: float = tilt) -> float:
            turned = tilt if known else tilt * math.exp(stride * float(values[1]))
            return float(misfit(np.asarray(best + step * float(values[0])), np.asarray(turned)))

        size = 1 if known else 2
        found = minimize(
            told,
            np.zeros(size),
            method="Nelder-Mead",
            bounds=[(-1.5, 1.5)] * size,
            options={"maxfev": 80, "xatol": 3e-3, "fatol": 1e-6},
        )
        covariance = _covariance(told, found.x)
        modes.append(
            _Mode(
                misfit=float(found.fun),
                best=best + step * float(found.x[0]),
                tilt=tilt if known else tilt * math.exp(stride * float(found.x[1])),
                best_variance=float(covariance[0, 0]) * step**2,
                tilt_variance=0.0 if known else float(covariance[1, 1]) * stride**2,
                together=0.0 if known else float(covariance[0, 1]) * step * stride,
                room=math.sqrt(max(float(np.linalg.det(covariance)), 1e-12)),
            )
        )
    return sorted(modes, key=lambda mode: mode.misfit)


def _covariance(told: Callable[[Floats], float], at: Floats) -> Floats:
    """Twice the inverse curvature of the misfit, by finite steps of a fifth of the grid's."""
    size, step = at.size, 0.2
    unit = np.eye(size) * step
    curve = np.empty((size, size))
    for one in range(size):
        for other in range(one, size):
            corners = (
                told(at + unit[one] + unit[other])
                - told(at + unit[one] - unit[other])
                - told(at - unit[one] + unit[other])
                + told(at - unit[one] - unit[other])
            )
            curve[one, other] = curve[other, one] = corners / (4.0 * step**2)
    values, vectors = np.linalg.eigh(curve)
    # A flat stretch has low points of its own further on; this one stands for a few steps of the grid.
    values = np.maximum(values, 2.0 / 9.0)
    return np.asarray(2.0 * (vectors / values) @ vectors.T)
