"""Ranks checks by what they are expected to tell, for each bench minute they take."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.special import entr

from .outcomes import CELLS, Outcome, Sizes, Spread, cell_chances, free_edges, soft_shift
from .reading import Spot

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

PLACE_SHARE = 0.7
"""How much telling places apart counts against telling single faults apart: faults of one place share a
remedy, but the exact spot still saves time (own)."""
FORGET = 1.0e-5
"""Faults below this probability do not count in the ranking."""


_BITS = 1.0 / np.log(2.0)


def _entropy_rows(p: Floats) -> Floats:
    return np.asarray(np.asarray(entr(p)).sum(axis=-1) * _BITS)


class CheckTable:
    """Outcome chances of many checks, kept only for the faults that change them.

    Parameters
    ----------
    spots : sequence of Spot
    outcomes : sequence of Outcome
        One for each spot.
    groups : ndarray of int, shape (faults,)
        The place of each fault.
    offsets : ndarray, shape (checks, 2), optional
        For each check, how far this board's junctions are off the model, and how sure that is.
    """

    def __init__(
        self,
        spots: Sequence[Spot],
        outcomes: Sequence[Outcome],
        groups: Ints,
        offsets: Floats | None = None,
        sizes: Sizes | None = None,
    ) -> None:
        self.spots = list(spots)
        self.outcomes = list(outcomes)
        self.groups = groups
        count = len(self.spots)
        counts = np.array([len(o.faults) for o in outcomes], dtype=np.int64)
        self.check = np.repeat(np.arange(count), counts)
        self.fault: Ints = (
            np.concatenate([o.faults for o in outcomes]) if count else np.zeros(0, dtype=np.int64)
        )
        self.start = np.concatenate([[0], np.cumsum(counts)])
        self.sound = np.zeros((count, CELLS))
        self.under = np.zeros((len(self.fault), CELLS))
        spreads = [(i, o) for i, o in enumerate(outcomes) if isinstance(o, Spread)]
        for index, outcome in enumerate(outcomes):
            if not isinstance(outcome, Spread):
                self.sound[index], self.under[self.start[index] : self.start[index + 1]] = outcome.cells()
        # Everything about measured checks that the present offsets do not change, in one piece each.
        self._which = np.array([i for i, _ in spreads], dtype=np.int64)
        self._sound = np.array([(o.mean0, o.sd0, o.soft0) for _, o in spreads]).reshape(-1, 3)
        self._rows = np.flatnonzero(np.isin(self.check, self._which))
        self._row_of = np.repeat(np.arange(len(spreads)), counts[self._which])
        self._first_row = np.concatenate([[0], np.cumsum(counts[self._which])[:-1]]).astype(np.int64)
        if spreads:
            self._mean = np.concatenate([o.mean for _, o in spreads])
            self._sd = np.concatenate([o.sd for _, o in spreads])
            self._soft = np.concatenate([o.soft for _, o in spreads])
            self._gain = np.concatenate([o.gain for _, o in spreads])
            self._edges = np.array([o.cell_edges() for _, o in spreads])
            self._free = np.array([len(o.edges) == 0 for _, o in spreads], dtype=bool)
            self._top = np.array([o.top for _, o in spreads])
        self.settle(offsets if offsets is not None else np.zeros((count, 2)), sizes)

    def settle(
        self,
        offsets: Floats,
        sizes: Sizes | None = None,
        tied: Sequence[tuple[int, int, float, float]] = (),
    ) -> None:
        """Work out the outcome chances for what is known by now.

        Parameters
        ----------
        offsets : ndarray, shape (checks, 2)
            Of the board's junctions.
        sizes : Sizes, optional
            Of the faults.
        tied : sequence of (check, fault, x, spread)
            Readings that a fault predicts from another reading, such as a bridged line's.
        """
        if len(self._which):
            mean0, sd0, soft0 = self._sound.T
            shift, unsure = offsets[self._which].T
            moved, loose = soft_shift(soft0, shift, unsure)
            centre, spread = mean0 + moved, np.hypot(sd0, loose)
            edges = np.where(self._free[:, None], free_edges(centre, spread, self._top), self._edges)
            of = self._row_of
            means, spreads = self._mean.copy(), np.zeros(len(self._mean))
            self._tie(tied, edges, means, spreads)
            self.sound[self._which] = cell_chances(centre, spread, soft0, edges)
            known, wide = sizes.of(self.fault[self._rows]) if sizes is not None else (0.0, 1.0)
            moved, loose = soft_shift(self._soft, shift[of], unsure[of])
            free = spreads == 0.0
            self.under[self._rows] = cell_chances(
                means + np.where(free, moved + self._gain * known, 0.0),
                np.where(
                    free,
                    np.sqrt(self._sd**2 + loose**2 + (self._gain * wide) ** 2),
                    spreads,
                ),
                np.where(free, self._soft, 0.0),
                edges[of],
            )
        self.sound_entropy = _entropy_rows(self.sound)
        self.under_entropy = _entropy_rows(self.under)

    def _tie(
        self, tied: Sequence[tuple[int, int, float, float]], edges: Floats, means: Floats, spreads: Floats
    ) -> None:
        """Put tied predictions in place, with narrow outcome cells about up to two of them a check."""
        levels: dict[int, list[tuple[float, float]]] = {}
        number = {int(check): row for row, check in enumerate(self._which)}
        for check, fault, x, spread in tied:
            row = number.get(check)
            if row is None:
                continue
            place = self._first_row[row] + np.flatnonzero(
                self.fault[self.start[check] : self.start[check + 1]] == fault
            )
            means[place], spreads[place] = x, spread
            known = levels.setdefault(row, [])
            if len(known) < 2 and all(abs(x - other) > 6.0 * spread for other, _ in known):
                known.append((x, spread))
        for row, found in levels.items():
            own = edges[row]
            kept = [own[0], own[1], own[-1], float(np.median(own))]
            narrow = [x + side * 2.5 * spread for x, spread in found for side in (-1.0, 1.0)]
            edges[row] = np.sort(np.array([*narrow, *kept, *own[2:5]])[: CELLS - 1])

    def bits(self, chance: Floats) -> Floats:
        """Expected information of every check, shape (checks,), bits.

        Parameters
        ----------
        chance : ndarray, shape (faults,)
            Probability of each fault; what is left to one shows the sound board's outcomes.
        """
        count = len(self.spots)
        if count == 0:
            return np.zeros(0)
        weight = chance[self.fault]
        kept = np.flatnonzero(weight > FORGET)
        check, weight = self.check[kept], weight[kept]
        under = self.under[kept]
        weighted = under * weight[:, None]
        total = max(float(chance.sum()), 1.0)
        touched = np.bincount(check, weights=weight, minlength=count)
        rest = total - touched
        outcome = self.sound * rest[:, None]
        for cell in range(CELLS):
            outcome[:, cell] += np.bincount(check, weights=weighted[:, cell], minlength=count)
        outcome /= total
        seen = _entropy_rows(outcome)
        inside = np.bincount(check, weights=weight * self.under_entropy[kept], minlength=count)
        by_fault = seen - (inside + rest * self.sound_entropy) / total
        by_place = seen - self._inside_places(chance, kept, check, weight, weighted, total)
        return np.maximum(PLACE_SHARE * by_place + (1.0 - PLACE_SHARE) * by_fault, 0.0)

    def _inside_places(
        self, chance: Floats, kept: Ints, check: Ints, weight: Floats, weighted: Floats, total: float
    ) -> Floats:
        """Expected entropy of the outcome once the place is known, shape (checks,)."""
        count = len(self.spots)
        place_mass = np.bincount(self.groups, weights=chance)
        group = self.groups[self.fault[kept]]
        key = check * (int(self.groups.max(initial=0)) + 1) + group
        order = np.argsort(key, kind="stable")
        key = key[order]
        if len(key) == 0:
            return self.sound_entropy
        first = np.flatnonzero(np.concatenate([[True], key[1:] != key[:-1]]))
        mixed = np.add.reduceat(weighted[order], first, axis=0)
        mass = np.add.reduceat(weight[order], first)
        at_check, at_group = check[order][first], group[order][first]
        whole = place_mass[at_group]
        mixed += self.sound[at_check] * np.maximum(whole - mass, 0.0)[:, None]
        mixed /= np.maximum(whole, 1e-300)[:, None]
        known = np.bincount(at_check, weights=whole * _entropy_rows(mixed), minlength=count)
        covered = np.bincount(at_check, weights=whole, minlength=count)
        return np.asarray((known + np.maximum(total - covered, 0.0) * self.sound_entropy) / total)

    def rows(self, index: int) -> tuple[Ints, Floats]:
        """Faults and their outcome chances for one check."""
        span = slice(self.start[index], self.start[index + 1])
        return self.fault[span], self.under[span]
