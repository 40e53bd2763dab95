"""How often jitter goes farther than was seen: counts, continued by a mixture of normal distributions."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

BIN, REACH, FARTHEST = 0.05, 12.0, 16.0
"""Bins of the jitter, the farthest of them, and the farthest threshold; in robust standard deviations."""
AT = np.arange(-REACH + BIN / 2, REACH, BIN)
"""Middles of the bins of the jitter."""
GRID = np.arange(-2.0, FARTHEST + BIN / 2, BIN)
"""Distances of thresholds."""


def gaussian_tail(z: npt.ArrayLike) -> Floats:
    """Chance that a standard normal variable exceeds `z` (Rappaport, Wireless Communications)."""
    from scipy.special import erfc

    return np.asarray(0.5 * erfc(np.asarray(z, float) / math.sqrt(2.0)), float)


def block_chance(wrong: float, decisions: float) -> float:
    """Chance that independent decisions are all right: (1 - p)^n."""
    return math.exp(decisions * math.log1p(-wrong)) if wrong < 1.0 else 0.0


@dataclass(frozen=True)
class Mixture:
    """Normal distributions with their weights, which add up to one."""

    weight: Floats
    centre: Floats
    width: Floats

    def turned(self) -> Mixture:
        """The same seen from the other side."""
        return Mixture(self.weight, -self.centre, self.width)

    def beyond(self, x: Floats) -> Floats:
        """Share beyond each of `x`."""
        z = (np.asarray(x)[:, None] - self.centre) / self.width
        return np.asarray(gaussian_tail(z) @ self.weight, float)


def fit_mixture(
    at: Floats, counts: Floats, parts: int, begin: Mixture | None = None, rounds: int = 400
) -> tuple[Mixture, float]:
    """Fit a mixture of normal distributions to binned data; also gives the logarithm of its likelihood."""
    total = float(np.sum(counts))
    if begin is None:
        mean = float(np.sum(counts * at) / total)
        spread = max(BIN, math.sqrt(float(np.sum(counts * (at - mean) ** 2) / total)))
        if parts == 1:
            begin = Mixture(np.ones(1), np.array([mean]), np.array([spread]))
        elif parts == 2:
            begin = Mixture(np.array([0.85, 0.15]), np.full(2, mean), spread * np.array([0.8, 1.7]))
        else:
            begin = Mixture(
                np.array([0.5, 0.4, 0.1]),
                mean + spread * np.array([-0.3, 0.3, 0.0]),
                spread * np.array([0.7, 0.8, 2.0]),
            )
    weight, centre, width = begin.weight.copy(), begin.centre.copy(), begin.width.copy()
    held = counts > 0
    x, n = at[held], counts[held]
    before = -math.inf
    likelihood = before
    for _ in range(rounds):
        z = (x[:, None] - centre) / width
        dense = weight * np.exp(-0.5 * z * z) / (width * math.sqrt(2 * math.pi))
        whole = np.maximum(np.sum(dense, axis=1), 1e-300)
        likelihood = float(np.sum(n * np.log(whole)))
        if likelihood - before < 1e-4 and before > -math.inf:
            break
        before = likelihood
        share = dense / whole[:, None] * n[:, None]
        sums = np.maximum(np.sum(share, axis=0), 1e-9)
        weight = sums / total
        centre = np.sum(share * x[:, None], axis=0) / sums
        width = np.sqrt(np.sum(share * (x[:, None] - centre) ** 2, axis=0) / sums + (BIN**2) / 12)
    return Mixture(weight, centre, width), likelihood


def best_fit(at: Floats, counts: Floats) -> Mixture:
    """One to three parts, as many as the data pays for (Schwarz's criterion)."""
    total = float(np.sum(counts))
    best, least = None, math.inf
    for parts in (1, 2, 3):
        fitted, likelihood = fit_mixture(at, counts, parts)
        price = -2 * likelihood + (3 * parts - 1) * math.log(max(2.0, total))
        if price < least:
            best, least = fitted, price
    assert best is not None
    return best


def tail(counts: Floats, mixture: Mixture) -> Floats:
    """Share of the jitter beyond each place of `GRID`, from counts at `AT`.

    As counted, up to where only so many lie beyond that chance rules; from there on as the mixture falls.
    """
    total = float(np.sum(counts))
    edges = np.append(AT - BIN / 2, REACH)
    above = np.concatenate((np.cumsum(counts[::-1])[::-1], [0.0]))
    seen = np.interp(GRID, edges, above / total, left=1.0, right=0.0)
    tie = float(np.clip(0.01 * total, 30, 400))
    place = int(np.searchsorted(-above, -tie, side="right")) - 1
    knot = edges[max(0, place)]
    here = above[max(0, place)] / total
    scale = here / max(1e-300, float(mixture.beyond(np.array([knot]))[0]))
    model = np.minimum(1.0, scale * mixture.beyond(GRID))
    return np.asarray(np.where(knot >= GRID, seen, model), float)
