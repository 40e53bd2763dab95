"""Which of several measured lines belongs to which of many expected ones, all lines considered together.

The logarithm of an expected frequency moves linearly with the unknown errors of dimensions and speed, each of
which has unit variance; a line that is given to a part narrows them for all the other lines. Hypotheses are
grown line by line, in order of frequency, and only the best are kept.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Whole = NDArray[np.intp]

KEEP = 80
"""Hypotheses carried on from line to line."""
FAR = 7.0
"""Standard deviations beyond which an expected line is not tried."""
RAISED = 4.0
"""How much likelier a multiple is where its first line was found (own estimate)."""
LOWERED = 0.5
"""And how much less likely where it was not (own estimate)."""


@dataclass(frozen=True, slots=True)
class Expected:
    """Lines that a deck may show.

    Attributes
    ----------
    log_hertz : ndarray, shape (C,)
    loading : ndarray, shape (C, K)
        Change of the logarithm when each of K independent errors moves by one standard deviation.
    chance : ndarray, shape (C,)
        That the line is there and noted down.
    first : ndarray of int, shape (C,)
        For a multiple, the index of the once-per-turn line of the same part; -1 for that line itself.
    """

    log_hertz: Floats
    loading: Floats
    chance: Floats
    first: Whole


@dataclass(frozen=True, slots=True)
class Measured:
    """Lines that were measured.

    Attributes
    ----------
    log_hertz, sigma : ndarray, shape (L,)
        Logarithm of the frequency and its standard deviation.
    size_density : ndarray, shape (L, C)
        Density of each line's size if it is the expected line c.
    stray_density : ndarray, shape (L,)
        Expected number of lines from nowhere per unit of log frequency, times the density of its size.
    """

    log_hertz: Floats
    sigma: Floats
    size_density: Floats
    stray_density: Floats


def associate(expected: Expected, measured: Measured, keep: int = KEEP) -> tuple[Floats, float]:
    """Probabilities of what each line is.

    Parameters
    ----------
    expected : Expected
    measured : Measured
    keep : int

    Returns
    -------
    posterior : ndarray, shape (L, C + 1)
        The last column is "none of these". Rows add up to 1.
    log_evidence : float
        Logarithm of the probability of all lines, up to a term that only depends on the chances.

    Notes
    -----
    An expected line is there with its chance and is given to one measured line at most; strays come at the
    density given. Errors are independent and normal (a Kalman update for every line given away).
    """
    lines, candidates = measured.size_density.shape
    errors = expected.loading.shape[1]
    alone, joined, parting = _odds(expected)
    mean = np.zeros((1, errors))
    spread = np.eye(errors)[None]
    weight = np.zeros(1)
    given = np.zeros((1, 0), dtype=np.intp)
    taken = np.zeros((1, candidates), dtype=bool)
    order = np.argsort(measured.log_hertz, kind="stable")
    prior_variance = np.sum(expected.loading**2, axis=1)
    with np.errstate(divide="ignore"):
        log_size = np.log(measured.size_density)
        log_stray = np.log(measured.stray_density)
    for line in order:
        at, noise = measured.log_hertz[line], measured.sigma[line] ** 2
        near = np.flatnonzero(np.abs(at - expected.log_hertz) <= FAR * np.sqrt(prior_variance + noise))
        loading = expected.loading[near]
        carried = np.einsum("ck,hkj->hcj", loading, spread)
        variance = np.einsum("hcj,cj->hc", carried, loading) + noise
        off = at - expected.log_hertz[near] - mean @ loading.T
        first = expected.first[near]
        has_first = (first >= 0) & taken[:, first]
        score = np.where(has_first, joined[near], alone[near]) + log_size[line, near]
        score = score + parting[near] - 0.5 * (off**2 / variance + np.log(2 * np.pi * variance))
        score = np.where(taken[:, near], -np.inf, score + weight[:, None])
        everything = np.concatenate([score, (weight + log_stray[line])[:, None]], axis=1)
        flat = everything.ravel()
        best = np.argsort(-flat, kind="stable")[:keep]
        best = best[flat[best] > flat[best[0]] - 30.0]
        parent, chosen = np.divmod(best, near.size + 1)
        stray = chosen == near.size
        mean, spread, weight = mean[parent], spread[parent], flat[best]
        taken = taken[parent].copy()
        real = np.flatnonzero(~stray)
        if real.size:
            p, c = parent[real], chosen[real]
            lean, var = carried[p, c], variance[p, c]
            mean[real] += lean * (off[p, c] / var)[:, None]
            spread[real] -= lean[:, :, None] * lean[:, None, :] / var[:, None, None]
            taken[real, near[c]] = True
        what = np.where(
            stray, candidates, near[np.minimum(chosen, near.size - 1)] if near.size else candidates
        )
        given = np.concatenate([given[parent], what[:, None]], axis=1)
    top = float(weight.max())
    share = np.exp(weight - top)
    posterior = np.zeros((lines, candidates + 1))
    for column, line in enumerate(order):
        np.add.at(posterior[line], given[:, column], share)
    total = float(share.sum())
    return posterior / total, top + float(np.log(total))


def _odds(expected: Expected) -> tuple[Floats, Floats, Floats]:
    """Log odds of each line without and with its first, and what a first given away does to its multiples."""
    multiple = expected.first >= 0
    without = np.where(multiple, LOWERED * expected.chance, expected.chance)
    together = np.where(multiple, np.minimum(RAISED * expected.chance, 0.6), expected.chance)
    alone = np.log(without / (1 - without))
    joined = np.log(together / (1 - together))
    parting = np.zeros(expected.chance.size)
    absent = np.log(1 - together) - np.log(1 - without)
    np.add.at(parting, expected.first[multiple], absent[multiple])
    return alone, joined, parting
