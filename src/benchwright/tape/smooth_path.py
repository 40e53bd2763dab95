"""The likeliest smooth path through a table of scores, where each step has its own stiffness."""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit

Array = Any


@njit(cache=True, nogil=True)
def smoothest_path(score: Array, looseness: Array) -> tuple[Array, float]:
    """The row of columns with the greatest sum of scores, less what its steps cost.

    Moving by k columns between rows r - 1 and r costs ``k**2 / (2 * looseness[r]**2)``, however large k is:
    the lower envelope of parabolas finds the best in time that grows with the columns alone.

    Parameters
    ----------
    score : float32 array (rows, columns)
    looseness : float64 array (rows,)
        Standard deviation of a step, in columns; the first is not used.

    Returns
    -------
    path : int64 array (rows,)
    total : float
        Its scores less its costs.

    Notes
    -----
    Felzenszwalb and Huttenlocher, "Distance Transforms of Sampled Functions", Theory of Computing 8 (2012).
    """
    rows, columns = score.shape
    best = np.empty(columns)
    for c in range(columns):
        best[c] = score[0, c]
    came = np.zeros((rows, columns), np.int32)
    apex = np.empty(columns, np.int32)
    edge = np.empty(columns + 1)
    new = np.empty(columns)
    for r in range(1, rows):
        a = 0.5 / (looseness[r] * looseness[r])
        count = 0
        apex[0] = 0
        edge[0] = -1e300
        edge[1] = 1e300
        for q in range(1, columns):
            while True:
                v = apex[count]
                cross = ((a * q * q - best[q]) - (a * v * v - best[v])) / (2 * a * (q - v))
                if cross <= edge[count] and count > 0:
                    count -= 1
                else:
                    break
            count += 1
            apex[count] = q
            edge[count] = cross
            edge[count + 1] = 1e300
        k = 0
        for c in range(columns):
            while edge[k + 1] < c:
                k += 1
            v = apex[k]
            new[c] = best[v] - a * (c - v) * (c - v) + score[r, c]
            came[r, c] = v
        best, new = new, best
    at = 0
    for c in range(columns):
        if best[c] > best[at]:
            at = c
    total = best[at]
    path = np.empty(rows, np.int64)
    path[rows - 1] = at
    for r in range(rows - 1, 0, -1):
        at = came[r, at]
        path[r - 1] = at
    return path, total
