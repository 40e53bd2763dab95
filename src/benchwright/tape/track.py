"""Speed against time, evenly spaced, with its gaps and its noise: what speed figures are computed from."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from ..errors import BadReading

Floats = npt.NDArray[np.floating[Any]]
Singles = npt.NDArray[np.float32]
Flags = npt.NDArray[np.bool_]
Response = Callable[[Floats], Floats]

FLUTTER_TOP = 200.0
"""Hz; flutter is judged up to here (IEC 60386, amendment 1 of 1988)."""

SHORTEST = 1.0
"""Seconds of tone or data below which no figure is given; common practice, no source."""

_GRID = 1500.0
_CHUNK = 1 << 19
_SETTLING = 20.0


@dataclass(frozen=True, slots=True)
class Noise:
    """Spectral density that the measuring itself adds to the speed, one-sided.

    Attributes
    ----------
    white : float
        Part that is even in frequency, in 1/Hz (speed as a ratio).
    rising : float
        Factor of the part that rises with the square of the frequency, in 1/Hz³. Noise beside a tone
        shifts its phase, and frequency is the slope of phase.
    doubt : float
        Relative standard deviation of both.
    """

    white: float = 0.0
    rising: float = 0.0
    doubt: float = 1.0

    def density(self, hertz: Floats) -> Floats:
        """Density in 1/Hz at each of `hertz`."""
        return self.white + self.rising * hertz**2


@dataclass(frozen=True, slots=True)
class SpeedTrack:
    """Deviation from the wanted speed at even steps of time.

    Attributes
    ----------
    rate : float
        Values per second.
    start : float
        Time of the first value in the recording, s.
    deviation : ndarray of float32, shape (n,)
        Speed over wanted speed, less one. Where nothing could be read it is interpolated.
    valid : ndarray of bool, shape (n,)
        False where the value is interpolated.
    span : float
        Each value is the mean over this time, s.
    reach : float
        Flutter is shown faithfully up to this frequency, Hz.
    top : float
        Above this frequency the track shows nothing, Hz.
    noise : Noise
        What measuring adds.
    """

    rate: float
    start: float
    deviation: Singles
    valid: Flags
    span: float
    reach: float
    top: float
    noise: Noise = field(default_factory=Noise)

    @property
    def duration(self) -> float:
        """Seconds from the first to the last value."""
        return self.deviation.size / self.rate

    @property
    def times(self) -> Floats:
        """Time of each value, s."""
        return self.start + np.arange(self.deviation.size) / self.rate

    def filtered(self, response: Response, deviation: Singles | Floats | None = None) -> Singles:
        """Pass the deviation through a filter without phase shift.

        Parameters
        ----------
        response : callable
            Gain at each of an array of frequencies in Hz. The averaging over `span` is made good.
        deviation : ndarray, shape (n,), optional
            Take this in place of the track's own.

        Returns
        -------
        ndarray of float32, shape (n,)
            The ends are mirrored; about a second there is less certain.
        """
        values = self.deviation if deviation is None else deviation
        margin = int(_SETTLING * self.rate)
        result = np.empty(values.size, np.float32)
        # Pieces keep the memory of a long tape small; each is computed with what stands on either side.
        for begin in range(0, values.size, _CHUNK):
            end = min(begin + _CHUNK, values.size)
            left, right = max(0, begin - margin), min(values.size, end + margin)
            piece = values[left:right].astype(np.float64)
            front = min(margin - (begin - left), piece.size - 1)
            back = min(margin - (right - end), piece.size - 1)
            piece = np.pad(piece, (front, back), mode="reflect")
            mean = float(piece.mean())
            out = self._through(piece - mean, response) + mean * float(response(np.zeros(1))[0])
            offset = front + begin - left
            result[begin:end] = out[offset : offset + end - begin]
        return result

    def _through(self, piece: Floats, response: Response) -> Floats:
        from scipy.fft import irfft, next_fast_len, rfft

        size = next_fast_len(piece.size, real=True)
        hertz = np.fft.rfftfreq(size, 1.0 / self.rate)
        # Closing the circle with a straight line keeps a step out of the transform.
        joined = np.concatenate([piece, np.linspace(piece[-1], piece[0], size - piece.size + 2)[1:-1]])
        gain = response(hertz) / np.maximum(np.sinc(hertz * self.span), 0.3)
        return np.asarray(irfft(rfft(joined) * gain, size))[: piece.size]

    def usable(self, edge: float) -> Flags:
        """Where a filtered value rests on what was read, not on what was interpolated.

        Parameters
        ----------
        edge : float
            Seconds left out at either end.

        Returns
        -------
        ndarray of bool, shape (n,)
        """
        good = self.valid.copy()
        # A filled gap spoils its surroundings about as far as it is long.
        for begin, end in runs(~self.valid):
            reach = min(end - begin, int(0.5 * self.rate))
            good[max(0, begin - reach) : end + reach] = False
        cut = round(edge * self.rate)
        if cut:
            good[:cut] = False
            good[-cut:] = False
        return good


def runs(flags: Flags) -> npt.NDArray[np.intp]:
    """Begin and end (one past) of each stretch of true values; shape (k, 2)."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    return edges.reshape(-1, 2)


def filled(values: Floats, valid: Flags) -> Singles:
    """Values with straight lines across the gaps."""
    if valid.all():
        return values.astype(np.float32, copy=False)
    whole = values.astype(np.float32)
    for begin, end in runs(~valid):
        before = whole[begin - 1] if begin else whole[min(end, whole.size - 1)]
        after = whole[end] if end < whole.size else before
        whole[begin:end] = np.linspace(before, after, end - begin + 2)[1:-1]
    return whole


def mean_spectrum(track: SpeedTrack, seconds: float = 0.7) -> tuple[Floats, Floats, int]:
    """Average the spectral density over the stretches without gaps.

    Returns
    -------
    hertz, density : ndarray of float64
        Density in 1/Hz, one-sided, averaging over `span` made good.
    averages : int
        How many stretches, overlapping by half.
    """
    size = max(64, int(seconds * track.rate))
    window = np.hanning(size + 1)[:-1]
    hertz = np.fft.rfftfreq(size, 1.0 / track.rate)
    total, count = np.zeros(hertz.size), 0
    for begin in range(0, track.deviation.size - size + 1, size // 2):
        if track.valid[begin : begin + size].all():
            piece = track.deviation[begin : begin + size].astype(np.float64)
            total += np.abs(np.fft.rfft((piece - piece.mean()) * window)) ** 2
            count += 1
    scale = 2.0 / (track.rate * float(window @ window) * max(count, 1))
    return hertz, total * scale / np.maximum(np.sinc(hertz * track.span), 0.3) ** 2, count


def with_noise(
    track: SpeedTrack, white_is_noise: bool = False, band: tuple[float, float] = (0.65, 0.93)
) -> SpeedTrack:
    """Estimate what measuring adds from the spectrum above the flutter.

    Parameters
    ----------
    track : SpeedTrack
    white_is_noise : bool
        Whether an even floor above the flutter is noise too. Beside a tone noise only rises with the square
        of frequency, and an even floor is taken for true flutter.
    band : tuple of float
        Where to look if there is no room above the flutter, as shares of the track's `top`.

    Returns
    -------
    SpeedTrack
        The same with its `noise` set; unchanged if there is nothing to estimate it from.
    """
    longest = max(0.7, 200.0 / track.top)
    for seconds in (longest, 0.35 * longest, 0.14 * longest):
        hertz, density, averages = mean_spectrum(track, seconds)
        if averages >= 4:
            break
    low, high = (share * track.top for share in band)
    if track.top > 1.35 * track.reach:
        low, high = 1.05 * track.reach, 0.93 * track.top
    inside = (hertz > low) & (hertz < high)
    if averages < 2 or inside.sum() < 6:
        return track
    white, rising = _floor(hertz[inside], density[inside], averages, white_is_noise)
    # The shape is never exactly right; a tenth is common practice, no source.
    doubt = float(np.hypot(0.1, np.sqrt(2.0 / (averages * inside.sum()))))
    return replace(track, noise=Noise(white if white_is_noise else 0.0, rising, doubt))


def _floor(hertz: Floats, density: Floats, averages: int, even_too: bool) -> tuple[float, float]:
    """Even and rising part of the floor; unless wanted anyway, the even part only if clear of chance."""
    from scipy.optimize import nnls

    shapes = np.column_stack([np.ones_like(hertz), hertz**2])
    # A line of scrape flutter must not lift the floor.
    limit = 1.0 + 5.0 / np.sqrt(averages)

    def fit(columns: Floats) -> tuple[Floats, Floats]:
        model = np.full(hertz.size, np.median(density))
        keep = np.ones(hertz.size, bool)
        factors = np.zeros(columns.shape[1])
        for _ in range(6):
            weight = 1.0 / np.maximum(model[keep], 1e-30)
            factors, _ = nnls(columns[keep] * weight[:, None], density[keep] * weight)
            model = np.maximum(columns @ factors, 1e-30)
            keep = density < limit * model
            if keep.sum() < 4:
                break
        weighed = columns[keep] / model[keep][:, None]
        return factors, np.linalg.pinv(weighed.T @ weighed) / averages

    both, covariance = fit(shapes)
    if even_too or both[0] > 4.0 * np.sqrt(covariance[0, 0]):
        return float(both[0]), float(both[1])
    return 0.0, float(fit(shapes[:, 1:])[0][0])


def from_points(
    times_s: npt.ArrayLike,
    ratio: npt.ArrayLike,
    noise: npt.ArrayLike | None = None,
    *,
    span_s: float = 0.0,
) -> SpeedTrack:
    """Bring an unevenly spaced speed curve onto even steps.

    Parameters
    ----------
    times_s : array_like, shape (n,)
        Time of each value, s, in any order.
    ratio : array_like, shape (n,)
        Speed over wanted speed. Values that are not finite count as not read.
    noise : array_like, scalar or shape (n,), optional
        Standard deviation of each ratio from measuring; estimated from the curve's upper frequencies if left
        out.
    span_s : float
        Time over which each ratio is a mean, s; 0 for values at an instant.

    Returns
    -------
    SpeedTrack

    Raises
    ------
    BadReading
        Arrays that do not belong together, or too little to measure.
    """
    times, speeds = np.asarray(times_s, np.float64).ravel(), np.asarray(ratio, np.float64).ravel()
    if times.size != speeds.size:
        raise BadReading(
            f"a speed curve needs as many ratios as times: got {times.size} times, {speeds.size} ratios"
        )
    good = np.isfinite(times) & np.isfinite(speeds) & (speeds > 0.2) & (speeds < 5.0)
    times, speeds = times[good], speeds[good]
    if times.size < 16 or np.ptp(times) < SHORTEST:
        length = float(np.ptp(times)) if times.size else 0.0
        raise BadReading(
            f"the speed curve has {times.size} usable values over {length:.2f} s: expected at least 16 over "
            f"{SHORTEST:g} s; read a longer stretch"
        )
    order = np.argsort(times, kind="stable")
    times, speeds = times[order], speeds[order]
    step = float(np.median(np.diff(times)))
    if step <= 0.0:
        raise BadReading("most times of the speed curve are equal: expected seconds that grow")
    density = 1.0 / step
    deviation = speeds - 1.0
    if density > _GRID:
        track = _by_averaging(times, deviation, span_s)
    else:
        track = _by_interpolation(times, deviation, step, span_s)
    if noise is None:
        # A cubic through uneven points tires towards the top.
        track = with_noise(track, white_is_noise=True, band=(0.4, 0.7))
        return replace(track, noise=replace(track.noise, doubt=float(np.hypot(track.noise.doubt, 0.25))))
    sigma = np.broadcast_to(np.asarray(noise, np.float64), good.shape)[good][order]
    sigma = sigma[np.isfinite(sigma)]
    power = float(np.mean(sigma**2)) if sigma.size else 0.0
    return replace(track, noise=Noise(2.0 * power / density, 0.0, 0.3))


def _by_averaging(times: Floats, deviation: Floats, span_s: float) -> SpeedTrack:
    rate = _GRID
    at = np.floor((times - times[0]) * rate).astype(np.intp)
    count = np.bincount(at)
    valid = count > 0
    values = np.bincount(at, weights=deviation) / np.maximum(count, 1)
    return SpeedTrack(
        rate=rate,
        start=float(times[0]) + 0.5 / rate,
        deviation=filled(values, valid),
        valid=valid,
        span=float(np.hypot(1.0 / rate, span_s)),
        reach=FLUTTER_TOP,
        top=0.45 * rate,
    )


def _by_interpolation(times: Floats, deviation: Floats, step: float, span_s: float) -> SpeedTrack:
    from scipy.interpolate import CubicSpline

    rate = min(_GRID, 2.0 / step)
    keep = np.concatenate([[True], np.diff(times) > 0.05 * step])
    times, deviation = times[keep], deviation[keep]
    grid = np.arange(times[0], times[-1], 1.0 / rate)
    following = np.clip(np.searchsorted(times, grid, side="right"), 1, times.size - 1)
    wide = np.diff(times) > 4.0 * step
    valid = ~wide[following - 1]
    curve = CubicSpline(times, deviation)(grid)
    # Across a gap a cubic swings far out; a straight line does not.
    values = np.where(valid, curve, np.interp(grid, times, deviation))
    return SpeedTrack(
        rate=rate,
        start=float(grid[0]),
        deviation=values.astype(np.float32),
        valid=valid,
        span=span_s,
        reach=min(FLUTTER_TOP, 0.35 / step),
        top=0.48 / step,
    )
