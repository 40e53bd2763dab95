"""Ranks checks by what they are expected to tell, for each bench minute they take."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.special import entr, rel_entr

from .outcomes import CELLS, Outcome, Sizes, Spread, cell_chances, free_edges, soft_shift
from .reading import Spot
from .repeats import Expected

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
    sizes : Sizes, optional
        Of the faults.
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
        fault: Ints = np.concatenate([o.faults for o in outcomes]) if count else np.zeros(0, dtype=np.int64)
        # Within each check, faults of one place stand side by side.
        order = np.lexsort((groups[fault], self.check))
        self.fault = fault[order]
        self.group = groups[self.fault]
        self.start = np.concatenate([[0], np.cumsum(counts)])
        self.sound = np.zeros((count, CELLS))
        self.under = np.zeros((len(self.fault), CELLS))
        spreads = [(i, o) for i, o in enumerate(outcomes) if isinstance(o, Spread)]
        for index, outcome in enumerate(outcomes):
            if not isinstance(outcome, Spread):
                span = slice(self.start[index], self.start[index + 1])
                self.sound[index], rows = outcome.cells()
                self.under[span] = rows[order[span] - self.start[index]]
        # Everything about measured checks that the present offsets do not change, in one piece each.
        self.measured = np.array([i for i, _ in spreads], dtype=np.int64)
        self._number = np.full(count, -1, dtype=np.int64)
        self._number[self.measured] = np.arange(len(spreads))
        self._sound = np.array([(o.mean0, o.sd0, o.soft0, o.bend0) for _, o in spreads]).reshape(-1, 4)
        self._own = np.zeros((len(self.fault), 5))
        for index, o in spreads:
            span = slice(self.start[index], self.start[index + 1])
            self._own[span] = np.stack([o.mean, o.sd, o.soft, o.gain, o.bend], axis=1)[
                order[span] - self.start[index]
            ]
        self._edges = np.array([o.cell_edges() for _, o in spreads]).reshape(-1, CELLS - 1)
        self._free = np.array([len(o.edges) == 0 for _, o in spreads], dtype=bool)
        self._top = np.array([o.top for _, o in spreads])
        self.sound_entropy = np.zeros(count)
        self.under_entropy = np.zeros(len(self.fault))
        self.surprise = np.zeros(len(self.fault))
        self.settle(offsets if offsets is not None else np.zeros((count, 2)), sizes)

    def settle(
        self,
        offsets: Floats,
        sizes: Sizes | None = None,
        tied: Mapping[int, Sequence[tuple[int, float, float]]] | None = None,
        which: Ints | None = None,
        again: Mapping[int, Expected] | None = None,
    ) -> None:
        """Work out the outcome chances for what is known by now.

        Parameters
        ----------
        offsets : ndarray, shape (checks, 2)
            Of the board's junctions.
        sizes : Sizes, optional
            Of the faults.
        tied : Mapping of check to sequence of (fault, x, spread), optional
            Readings that a fault predicts from another reading, such as a bridged line's.
        which : ndarray of int, optional
            Numbers of the checks, in rising order; all of them if left out.
        again : Mapping of check to Expected, optional
            What a reading of the same two nets leads to expect.
        """
        if which is None:
            which = np.arange(len(self.spots))
        rows = self._rows_of(which)
        measured = which[self._number[which] >= 0]
        if len(measured):
            number = self._number[measured]
            mean0, sd0, soft0, bend0 = self._sound[number].T
            shift, unsure = offsets[measured].T
            moved, loose = soft_shift(soft0, shift, unsure, bend0)
            centre, spread = mean0 + moved, np.hypot(sd0, loose)
            repeated = (
                [(row, again[c]) for row, c in enumerate(measured.tolist()) if c in again] if again else []
            )
            for row, expected in repeated:
                if expected.repeats:
                    centre[row], spread[row] = self._shown(expected.mean0, number[row]), expected.sd0
            edges = np.where(
                self._free[number][:, None],
                free_edges(centre, spread, self._top[number]),
                self._edges[number],
            )
            own = self._rows_of(measured)
            of = np.repeat(np.arange(len(measured)), self.start[measured + 1] - self.start[measured])
            mean, sd, soft, gain, bend = self._own[own].T
            known, wide = sizes.of(self.fault[own]) if sizes is not None else (0.0, 1.0)
            moved, loose = soft_shift(soft, shift[of], unsure[of], bend)
            means = mean + moved + gain * known
            spreads = np.sqrt(sd**2 + loose**2 + (gain * wide) ** 2)
            soft = soft.copy()
            for row, expected in repeated:
                at = np.flatnonzero(of == row)
                place = np.searchsorted(expected.faults, self.fault[own[at]])
                known = ~np.isnan(expected.mean[place])
                at, place = at[known], place[known]
                means[at] = self._shown(expected.mean[place], number[row])
                spreads[at], soft[at] = expected.sd[place], 0.0
            for row, check in enumerate(measured.tolist()):
                if tied and check in tied:
                    edges[row] = self._tie(
                        tied[check], edges[row], of == row, self.fault[own], means, spreads, soft
                    )
            self.sound[measured] = cell_chances(centre, spread, soft0, edges)
            self.under[own] = cell_chances(means, spreads, soft, edges[of])
        self.sound_entropy[which] = _entropy_rows(self.sound[which])
        under = self.under[rows]
        self.under_entropy[rows] = _entropy_rows(under)
        self.surprise[rows] = rel_entr(under, self.sound[self.check[rows]]).sum(axis=1) * _BITS

    @staticmethod
    def _tie(
        tied: Sequence[tuple[int, float, float]],
        edges: Floats,
        mine: NDArray[np.bool_],
        faults: Ints,
        means: Floats,
        spreads: Floats,
        soft: Floats,
    ) -> Floats:
        """Put tied predictions in place; the edges, with narrow outcome cells about up to two of them."""
        known: list[tuple[float, float]] = []
        at = np.flatnonzero(mine)
        for fault, x, spread in tied:
            place = at[faults[at] == fault]
            means[place], spreads[place], soft[place] = x, spread, 0.0
            if len(known) < 2 and all(abs(x - other) > 6.0 * spread for other, _ in known):
                known.append((x, spread))
        kept = [edges[0], edges[1], edges[-1], float(np.median(edges))]
        narrow = [x + side * 2.5 * spread for x, spread in known for side in (-1.0, 1.0)]
        return np.sort(np.array([*narrow, *kept, *edges[2:5]])[: CELLS - 1])

    def _shown(self, x: Floats | float, number: int) -> Floats:
        """A reading that is OL as a number beyond the display's top."""
        return np.asarray(np.minimum(x, self._top[number] + 1.0))

    def _rows_of(self, which: Ints) -> Ints:
        """Numbers of the rows of some checks, one check after the other."""
        if len(which) == len(self.spots):
            return np.arange(len(self.fault))
        counts = self.start[which + 1] - self.start[which]
        ends = np.cumsum(counts)
        return np.asarray(
            np.arange(int(ends[-1]) if len(ends) else 0)
            + np.repeat(self.start[which] - ends + counts, counts)
        )

    def bounds(self, chance: Floats) -> Floats:
        """What every check can tell at most, shape (checks,), bits; far quicker than `bits`.

        The information is the mean divergence of the outcomes under each fault from their mixture, and no
        mixture is further from them in the mean than the sound board's own outcomes are.
        """
        weight = chance[self.fault] * self.surprise
        most = np.bincount(self.check, weights=weight, minlength=len(self.spots))
        return np.asarray(np.minimum(most / max(float(chance.sum()), 1.0), np.log2(CELLS)))

    def bits(self, chance: Floats, which: Ints | None = None) -> Floats:
        """Expected information of checks, shape (checks,), bits.

        Parameters
        ----------
        chance : ndarray, shape (faults,)
            Probability of each fault; what is left to one shows the sound board's outcomes.
        which : ndarray of int, optional
            Numbers of the checks; all of them if left out.
        """
        if which is None:
            which = np.arange(len(self.spots))
        count = len(which)
        if count == 0:
            return np.zeros(0)
        rows = self._rows_of(which)
        check = np.repeat(np.arange(count), self.start[which + 1] - self.start[which])
        weight = chance[self.fault[rows]]
        kept = np.flatnonzero(weight > FORGET)
        rows, check, weight = rows[kept], check[kept], weight[kept]
        weighted = self.under[rows] * weight[:, None]
        total = max(float(chance.sum()), 1.0)
        touched = np.bincount(check, weights=weight, minlength=count)
        rest = total - touched
        outcome = self.sound[which] * rest[:, None]
        for cell in range(CELLS):
            outcome[:, cell] += np.bincount(check, weights=weighted[:, cell], minlength=count)
        outcome /= total
        seen = _entropy_rows(outcome)
        inside = np.bincount(check, weights=weight * self.under_entropy[rows], minlength=count)
        by_fault = seen - (inside + rest * self.sound_entropy[which]) / total
        by_place = seen - self._inside_places(chance, which, rows, check, weight, weighted, total)
        return np.maximum(PLACE_SHARE * by_place + (1.0 - PLACE_SHARE) * by_fault, 0.0)

    def _inside_places(
        self,
        chance: Floats,
        which: Ints,
        rows: Ints,
        check: Ints,
        weight: Floats,
        weighted: Floats,
        total: float,
    ) -> Floats:
        """Expected entropy of the outcome once the place is known, shape (checks,)."""
        sound_entropy = self.sound_entropy[which]
        if len(rows) == 0:
            return sound_entropy
        place_mass = np.bincount(self.groups, weights=chance)
        group = self.group[rows]
        new = (check[1:] != check[:-1]) | (group[1:] != group[:-1])
        first = np.flatnonzero(np.concatenate([[True], new]))
        mixed = np.add.reduceat(weighted, first, axis=0)
        mass = np.add.reduceat(weight, first)
        at_check = check[first]
        whole = place_mass[group[first]]
        mixed += self.sound[which][at_check] * np.maximum(whole - mass, 0.0)[:, None]
        mixed /= np.maximum(whole, 1e-300)[:, None]
        known = np.bincount(at_check, weights=whole * _entropy_rows(mixed), minlength=len(which))
        covered = np.bincount(at_check, weights=whole, minlength=len(which))
        return np.asarray((known + np.maximum(total - covered, 0.0) * sound_entropy) / total)

    def rows(self, index: int) -> tuple[Ints, Floats]:
        """Faults and their outcome chances for one check."""
        span = slice(self.start[index], self.start[index + 1])
        return self.fault[span], self.under[span]


Ranked = tuple[float, float, CheckTable, int]
"""A check worth making: bits, minutes, and its table with its number there."""
