"""What a diode test would show, sound and under each fault that matters."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from .outcomes import Spread

if TYPE_CHECKING:
    from .predict import Predictor
    from .reading import Spot

LEAST_SPREAD, FAULT_SPREAD = 0.03, 0.10
"""Volts: the least spread of a junction's drop from one part to the next, and that of a drop behind a
fault (own; reference for the drops themselves: circuit/junctions.toml)."""


def diode_outcome(predictor: Predictor, spot: Spot) -> Spread:
    """Diode test with red on the first point and black on the second, power off.

    Parameters
    ----------
    predictor : Predictor
    spot : Spot

    Returns
    -------
    Spread
        In volts; above the meter's open voltage it shows OL.
    """
    network = predictor.junctions(spot.state.removed)
    i, j = predictor.probes(spot)
    meter = predictor.meter
    sound = network.diode(i, j, meter)
    volts = network.diodes(i, j, meter, predictor.edits)
    top = meter.test_volts
    over = top + 0.5
    mean0 = over if math.isinf(sound) else sound
    mean = np.where(np.isinf(volts), over, volts)
    faults = np.flatnonzero(np.abs(mean - mean0) > 0.02)
    sd0 = max(LEAST_SPREAD, network.spread(i, j, meter) if math.isfinite(sound) else 0.2)
    edges = np.array([0.01, 0.05, 0.25, 0.45, 0.85, 1.4, top])
    return Spread(
        mean0,
        float(math.hypot(sd0, 0.01)),
        0.0,
        faults,
        mean[faults],
        np.full(len(faults), math.hypot(sd0, FAULT_SPREAD)),
        np.zeros(len(faults)),
        top=top,
        slip_density=1.0 / top,
        edges=edges,
    )
