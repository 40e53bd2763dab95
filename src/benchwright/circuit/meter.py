"""How an ordinary digital multimeter reads: lead resistance, ranges, digits, over-limit.

The figures are those of a plain 3 1/2-digit handheld: 0.8 % + 2 digits on the ohm ranges and leads
of 0.1 to 0.2 ohm (published multimeter specifications, read in manuals); 0.5 % + 2 digits and 10 Mohm
input on volts (common practice, from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Meter:
    """A multimeter.

    Attributes
    ----------
    lead_ohms : float
        Resistance of both leads and tips together.
    lead_spread : float
        Standard deviation of that, tip pressure included, ohms.
    top_ohms : float
        Highest resistance it shows; above that, OL.
    ohm_share, volt_share : float
        Accuracy as a share of the reading (half-width).
    digits : float
        Accuracy in steps of the last digit (half-width).
    counts : int
        Steps of one range.
    beep_ohms : float
        Continuity beeps below this.
    test_amps, test_volts : float
        Diode test current and open-circuit voltage.
    volt_input_ohms : float
        Input resistance on volts.
    """

    lead_ohms: float = 0.2
    lead_spread: float = 0.1
    top_ohms: float = 2.0e7
    ohm_share: float = 0.008
    volt_share: float = 0.005
    digits: float = 2.0
    counts: int = 2000
    beep_ohms: float = 50.0
    test_amps: float = 1.0e-3
    test_volts: float = 2.8
    volt_input_ohms: float = 1.0e7

    def step(self, value: Floats | float, lowest_range: float = 200.0) -> Floats:
        """Size of the last digit on the range that shows `value`, in the value's unit."""
        size = np.maximum(np.abs(np.asarray(value, dtype=float)), lowest_range * 0.1)
        decade = np.ceil(np.log10(size / (lowest_range * 0.995)))
        return np.asarray(lowest_range / self.counts * 10.0 ** np.maximum(decade, 0.0))

    def ohm_error(self, ohms: Floats | float) -> Floats:
        """Standard deviation of a resistance reading, ohms.

        The accuracy is taken as the half-width of a rectangular distribution (divide by the
        square root of 3), with the lead resistance added.
        """
        ohms = np.asarray(ohms, dtype=float)
        half = self.ohm_share * np.abs(ohms) + self.digits * self.step(ohms)
        return np.hypot(half / math.sqrt(3.0), self.lead_spread)

    def volt_error(self, volts: Floats | float) -> Floats:
        """Standard deviation of a voltage reading, volts."""
        volts = np.asarray(volts, dtype=float)
        half = self.volt_share * np.abs(volts) + self.digits * self.step(volts, 2.0)
        return half / math.sqrt(3.0)

    def show_ohms(self, ohms: float) -> float:
        """What the display shows for a true resistance: leads added, OL above the top range."""
        seen = ohms + self.lead_ohms
        if not seen < self.top_ohms:
            return math.inf
        step = float(self.step(seen))
        return round(seen / step) * step
