"""A measured value that carries its uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass

_MOST_DECIMALS = 9


@dataclass(frozen=True, slots=True)
class Figure:
    """One measured value.

    Attributes
    ----------
    value : float
        In `unit`; not-a-number if it could not be measured.
    uncertainty : float
        One standard deviation, in `unit`; infinite or not-a-number if it is not known.
    unit : str
        As printed: ``"%"``, ``"dB"``, ``"dBFS"``, ``"Hz"``, ``"µs"``; empty for a bare number.
    """

    value: float
    uncertainty: float
    unit: str = ""

    def text(self, signed: bool = False) -> str:
        """Write value, unit and uncertainty with no more digits than the uncertainty allows.

        Parameters
        ----------
        signed : bool
            Whether a positive value gets its plus sign: for errors and differences.

        Returns
        -------
        str
            Such as ``"+0.42 % ± 0.03"``; ``"not measured"`` if the value is not a number.

        Notes
        -----
        The uncertainty keeps two digits if they start with 1, else one; the value is rounded to the same
        place. Common practice, no source.
        """
        if math.isnan(self.value):
            return "not measured"
        sign = "+" if signed else ""
        unit = f" {self.unit}" if self.unit else ""
        if math.isinf(self.value):
            return f"{'-' if self.value < 0 else '+'}infinite{unit}"
        if not math.isfinite(self.uncertainty):
            return f"{self.value:{sign}.3g}{unit} (uncertainty not known)"
        if self.uncertainty <= 0.0:
            return f"{self.value:{sign}.6g}{unit}"
        decimals = _decimals(self.uncertainty)
        if decimals > _MOST_DECIMALS:
            return f"{self.value:{sign}.6g}{unit} ± {self.uncertainty:.1g}"
        places = max(0, decimals)
        # Adding zero turns a rounded -0.0 into 0.0.
        value = round(self.value, decimals) + 0.0
        return f"{value:{sign}.{places}f}{unit} ± {round(self.uncertainty, decimals):.{places}f}"


def _decimals(uncertainty: float) -> int:
    exponent = math.floor(math.log10(uncertainty))
    leading = uncertainty / 10.0**exponent
    if leading >= 9.5:
        return -(exponent + 1) + 1  # 0.097 is rounded to 0.10
    return -exponent + (1 if leading < 1.95 else 0)
