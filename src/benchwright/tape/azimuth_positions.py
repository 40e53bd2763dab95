"""Where to turn the azimuth screw, from stereo takes at several of its positions."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..errors import BadReading
from .azimuth_takes import TakeLevels
from .figure import Figure

_LEAST_DOUBT = 0.2
"""Arc-minutes; a good tape wanders by 600 µrad peak to peak, 2 minutes (AES paper 3710, abstract), of which a
take of some seconds averages most away (by hand)."""


_BELOW_LOUDEST_BAND = 25.0
"""dB; data and leaders hold no more in a band of a third of an octave than a cassette's noise (by hand)."""


@dataclass(frozen=True, slots=True)
class ScrewLine:
    """The angle of the head over the position of its screw.

    Attributes
    ----------
    best : Figure
        Position at which the angle is nought, in the unit of the positions.
    turn : Figure
        From the last take to there; positive is the way in which positions grow.
    direction : str
        ``"onward"``, ``"back"``, or empty if it cannot be told.
    angle : Figure
        At the last take, arc-minutes.
    per_unit : Figure
        Arc-minutes that one unit of position tilts the head.
    """

    best: Figure
    turn: Figure
    direction: str
    angle: Figure
    per_unit: Figure


def audible_bands(takes: Sequence[TakeLevels]) -> list[TakeLevels]:
    """Leave out bands in which no take holds more than noise, for noise knows nothing of the azimuth.

    Parameters
    ----------
    takes : sequence of TakeLevels
        With the same frequencies.
    """
    top = np.max([take.decibels for take in takes], axis=0)
    kept = top > top.max() - _BELOW_LOUDEST_BAND
    return [TakeLevels(take.hertz[kept], take.decibels[kept]) for take in takes]


def best_position(positions: Sequence[float], angles: Sequence[Figure], unit: str = "turns") -> ScrewLine:
    """Fit a straight line through angles and find where it is nought.

    Parameters
    ----------
    positions : sequence of float
        Of the screw at each take; the last is where it stands now.
    angles : sequence of Figure
        Arc-minutes, as many.
    unit : str
        Of the positions.

    Raises
    ------
    BadReading
        Fewer than two different positions, or a head that does not move with the screw.
    """
    places = np.array(positions, np.float64)
    values = np.array([angle.value for angle in angles])
    if (
        len(places) != len(values)
        or len(np.unique(places)) < 2
        or not np.all(np.isfinite([*places, *values]))
    ):
        raise BadReading(
            f"{len(values)} takes at {len(np.unique(places))} positions of the screw: expected two different "
            "positions or more, one for each take"
        )
    doubts = np.array([angle.uncertainty if math.isfinite(angle.uncertainty) else 60.0 for angle in angles])
    weights = 1.0 / (doubts**2 + _LEAST_DOUBT**2)
    middle = float(np.average(places, weights=weights))
    spread = float(weights @ (places - middle) ** 2)
    slope = float(weights @ ((places - middle) * values)) / spread
    height = float(np.average(values, weights=weights))
    slope_variance, height_variance = 1.0 / spread, 1.0 / float(weights.sum())
    if len(places) > 2:
        rest = values - height - slope * (places - middle)
        scatter = max(1.0, float(weights @ rest**2) / (len(places) - 2))
        slope_variance, height_variance = scatter * slope_variance, scatter * height_variance
    if slope == 0.0 or abs(slope) < 2.0 * math.sqrt(slope_variance):
        raise BadReading(
            "the angle does not follow the screw: turn it further between takes, and see that it is the "
            "azimuth screw"
        )
    best = middle - height / slope
    doubt = math.sqrt(height_variance + (height / slope) ** 2 * slope_variance) / abs(slope)
    turn = best - float(places[-1])
    now = height + slope * (float(places[-1]) - middle)
    now_doubt = math.sqrt(height_variance + (float(places[-1]) - middle) ** 2 * slope_variance)
    return ScrewLine(
        Figure(best, doubt, unit),
        Figure(turn, doubt, unit),
        "" if abs(turn) < doubt else ("onward" if turn > 0.0 else "back"),
        Figure(now, now_doubt, "arc-minutes"),
        Figure(slope, math.sqrt(slope_variance), f"arc-minutes per {unit}"),
    )
