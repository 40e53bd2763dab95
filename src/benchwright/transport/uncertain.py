"""A number with its uncertainty, and where the uncertainty comes from.

Uncertainty is carried to first order, source by source: two speeds that both rest on the capstan's diameter
err together, and their ratio does not depend on it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field

from ..errors import BadQuantity

SIGMAS = 2.0
"""What is written after ± is two standard deviations (about 95 %), both as read and as told."""

_WRITTEN = re.compile(
    r"\s*([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?)\s*([A-Za-zµ%/]*)"
    r"(?:\s*(?:±|\+/-|\+-)\s*((?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?)\s*([A-Za-zµ%/]*))?\s*"
)


@dataclass(frozen=True, slots=True)
class Uncertain:
    """A value with the standard deviations that single sources give it.

    Attributes
    ----------
    value : float
    shares : mapping of str to float
        For each source, the signed change of the value when that source moves by one standard deviation.
    """

    value: float
    shares: Mapping[str, float] = field(default_factory=dict)

    @classmethod
    def of(cls, value: float, sigma: float, source: str) -> Uncertain:
        """A value with one source of uncertainty, given as a standard deviation."""
        return cls(value, {source: sigma} if sigma else {})

    @property
    def sigma(self) -> float:
        """Standard deviation."""
        return math.hypot(*self.shares.values())

    @property
    def relative(self) -> dict[str, float]:
        """Shares divided by the value: what each source does to the logarithm."""
        return {source: share / self.value for source, share in self.shares.items()}

    def __add__(self, other: Uncertain | float) -> Uncertain:
        other = _lift(other)
        return Uncertain(self.value + other.value, _sum(self.shares, 1.0, other.shares, 1.0))

    def __sub__(self, other: Uncertain | float) -> Uncertain:
        other = _lift(other)
        return Uncertain(self.value - other.value, _sum(self.shares, 1.0, other.shares, -1.0))

    def __mul__(self, other: Uncertain | float) -> Uncertain:
        other = _lift(other)
        return Uncertain(self.value * other.value, _sum(self.shares, other.value, other.shares, self.value))

    def __truediv__(self, other: Uncertain | float) -> Uncertain:
        other = _lift(other)
        ratio = self.value / other.value
        return Uncertain(ratio, _sum(self.shares, 1 / other.value, other.shares, -ratio / other.value))

    def apply(self, value: float, slope: float) -> Uncertain:
        """A function of this, from its value and its slope there."""
        return Uncertain(value, {source: share * slope for source, share in self.shares.items()})

    def without(self, source: str) -> Uncertain:
        """The same value as if one source were exact."""
        return Uncertain(self.value, {name: share for name, share in self.shares.items() if name != source})

    def told(self, unit: str = "") -> str:
        """``7.58 ± 0.05 Hz``: rounded to what the uncertainty allows, ± as two standard deviations."""
        return f"{rounded(self.value, SIGMAS * self.sigma)}{' ' + unit if unit else ''}"


def _lift(value: Uncertain | float) -> Uncertain:
    return value if isinstance(value, Uncertain) else Uncertain(float(value))


def _sum(a: Mapping[str, float], by: float, b: Mapping[str, float], times: float) -> dict[str, float]:
    made = {source: share * by for source, share in a.items()}
    for source, share in b.items():
        made[source] = made.get(source, 0.0) + share * times
    return made


def rounded(value: float, plus_minus: float) -> str:
    """A value and its ± with as many digits as the ± has meaning for; four figures if there is none."""
    if not plus_minus > abs(value) * 1e-9:
        return f"{value:.4g}"
    # two digits of a small leading figure, so that ±0.14 is not told as ±0.1
    digits = -math.floor(math.log10(plus_minus)) + (plus_minus / 10 ** math.floor(math.log10(plus_minus)) < 2)
    digits = min(max(digits, 0), 6)
    return f"{value:.{digits}f} ± {plus_minus:.{digits}f}"


def parse_uncertain(
    text: str, expected: str = "a number such as 60 or 60 ± 0.1"
) -> tuple[float, float | None]:
    """Read ``60``, ``60 ± 0.1``, ``60 mm +/- 0.1 mm`` or ``60 ± 1 %``.

    Returns
    -------
    value : float
    sigma : float or None
        Half of what stands after ±; None if nothing does.

    Raises
    ------
    BadQuantity
        The text is none of these.
    """
    match = _WRITTEN.fullmatch(text.replace("\u2212", "-"))
    if match is None or (match[4] not in ("", "%") and match[4] != match[2] and match[2]):
        raise BadQuantity(text, expected)
    value = float(match[1].replace(",", "."))
    if not math.isfinite(value):
        raise BadQuantity(text, expected)
    if match[3] is None:
        return value, None
    sigma = float(match[3].replace(",", ".")) / SIGMAS
    if match[4] == "%" and match[2] != "%":
        sigma *= abs(value) / 100
    return value, sigma


def typed_sigma(text: str) -> float:
    """Standard deviation that a number has from being typed with so many digits: half a unit of the last one.

    Parameters
    ----------
    text : str
        A number as `parse_uncertain` reads it; ``1.3`` means 1.25 to 1.35, all as likely.
    """
    digits = re.match(r"\s*[+-]?\d*(?:[.,](\d*))?", text)
    places = len(digits[1]) if digits is not None and digits[1] else 0
    return float(0.5 * 10.0**-places / math.sqrt(3))
