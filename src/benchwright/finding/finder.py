"""The fault finder: takes readings as they come, tells the suspects and the next best checks."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from ..board import Board, Pin
from ..circuit import BoardState, Meter
from ..faults import Fault, universe
from ..faults.universe import table
from .belief import Belief, Cure, Note
from .calibrate import OWN_SD, Calibration, Features, Likeness
from .candidates import Points, key_of, minutes_for, removal_minutes, standing
from .choose import CheckTable
from .outcomes import JUNCTION_FLOOR, Outcome, Sizes, Spread
from .predict import Predictor, measured
from .reading import EVENTS, Reading, Spot, understand, value_text
from .ties import Ties, same_sd
from .weigh import weigh
from .words import Advice, Check, Suspect, check_cautions, describe_check, describe_outcomes, suspect_of

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

METER_AND_EYES = ("resistance", "voltage", "look")
WITH_PROBE = (*METER_AND_EYES, "logic")
SURE = 0.97
"""A place this likely is the answer; only its exact spot may still be worth a look."""
LEAST_BITS = 0.008
"""A check expected to tell less than this is not worth the walk to the bench."""
DEAR_MINUTES = 5.0
"""A part that takes longer than this to unsolder is not taken out on a small suspicion (own)."""
GOOD_UNIT_SD = 0.30
"""Spread of ln R between two good units of one board (own)."""


Ranked = tuple[float, float, CheckTable, int]
"""A check worth making: bits, minutes, and its table with its number there."""


@dataclass(slots=True)
class Entry:
    """A recorded reading with what it is about."""

    reading: Reading
    spot: Spot
    value: float | str
    outcome: Outcome | None
    likeness: Likeness | None = None


class FaultFinder:
    """Finds what is wrong with one board.

    Parameters
    ----------
    board : Board
    meter : Meter, optional
        The meter in use.
    history : Mapping of (kind, mode) to float, optional
        The bench's own experience, as factors on published failure rates.
    quantities : collection of str, optional
        The kinds of check that may be proposed: by default those of a meter and a pair of eyes. Add
        ``logic`` where there is a logic probe or a scope. What may be recorded is not limited.

    Examples
    --------
    >>> finder = FaultFinder(board)                                    # doctest: +SKIP
    >>> finder.record(Reading("resistance", "U3.14", "GND", "0R8"))    # doctest: +SKIP
    >>> finder.suspects(3)[0].text                                     # doctest: +SKIP
    """

    def __init__(
        self,
        board: Board,
        meter: Meter | None = None,
        history: Mapping[tuple[str, str], float] | None = None,
        quantities: Iterable[str] = METER_AND_EYES,
    ) -> None:
        self.board = board
        self.faults: tuple[Fault, ...] = universe(board, history)
        self.predictor = Predictor(board, self.faults, meter)
        self.quantities = frozenset(quantities)
        places: dict[tuple[str, ...], int] = {}
        self.groups: Ints = np.array(
            [places.setdefault(fault.place, len(places)) for fault in self.faults], dtype=np.int64
        )
        self.places = list(places)
        self.entries: list[Entry] = []
        self.features = Features()
        self.calibration = Calibration(self.features, [], np.zeros(0), np.zeros(0))
        bridges: dict[str, list[tuple[int, str]]] = {}
        for index, fault in enumerate(self.faults):
            if fault.place[0] == "bridge" and board.ground not in fault.nets and len(fault.nets) == 2:
                for net, other in (fault.nets, fault.nets[::-1]):
                    bridges.setdefault(net, []).append((index, other))
        self.ties = Ties(bridges)
        self.sizes = Sizes(len(self.faults))
        self._settled_sizes = self.sizes.mean
        self._settled_ties = 0
        self.belief = Belief(np.array([fault.rate for fault in self.faults], dtype=float), self._joint)
        self._points = Points(board)
        self._cannot: set[tuple[object, ...]] = set()
        self._good: dict[tuple[object, ...], float] = {}
        self._step_entry: list[int] = []
        self._settled: Floats | None = None

    # -- taking readings in ---------------------------------------------------------------------------

    @property
    def readings(self) -> tuple[Reading, ...]:
        """What has been recorded, in order."""
        return tuple(entry.reading for entry in self.entries)

    def record(self, reading: Reading) -> None:
        """Take in one reading, observation or action.

        Raises
        ------
        UnknownName
            A point or part is not on this board.
        BadReading
            Quantity, points and value make no sense together.
        """
        entry = self._entry(reading)
        self.entries.append(entry)
        self._work_out()

    def record_all(self, readings: Iterable[Reading]) -> None:
        """Take in many readings at once; none is recorded if one cannot be understood."""
        self.entries.extend([self._entry(reading) for reading in readings])
        self._work_out()

    def undo(self) -> Reading | None:
        """Forget the last reading; None if there is none."""
        if not self.entries:
            return None
        gone = self.entries.pop()
        self._work_out()
        return gone.reading

    def cannot(self, check: Check) -> None:
        """Note that a check cannot be made here, so that it is not proposed again."""
        self._cannot.add(key_of(check.spot))

    def _entry(self, reading: Reading) -> Entry:
        spot, value = understand(self.board, reading)
        if spot.quantity in EVENTS:
            return Entry(reading, spot, value, None)
        outcome = self.predictor.outcome(spot)
        likeness = self.predictor.likeness(spot) if spot.quantity in ("resistance", "continuity") else None
        return Entry(reading, spot, value, outcome, likeness)

    # -- belief ------------------------------------------------------------------------------------------

    def _work_out(self) -> None:
        """Belief from all entries: calibrate on what looks sound, then weigh every reading."""
        self._good = {
            key_of(e.spot): float(x)
            for e in self.entries
            if e.reading.good_unit and isinstance(x := measured(e.spot, e.value), float)
        }
        offsets = self._calibrate(self.belief.posterior()[0])
        self.sizes = Sizes(len(self.faults))
        self.ties.restart()
        belief = self.belief
        belief.restart()
        self._step_entry = []
        for index, entry in enumerate(self.entries):
            if entry.reading.good_unit:
                continue
            if entry.outcome is None:
                belief.add(self._cure(entry.spot), grow=False)
            else:
                belief.add(self._note(entry, *offsets.get(index, (0.0, 0.0))), grow=False)
            self._step_entry.append(index)
        belief.grow()

    def _calibrate(self, previous: Floats) -> dict[int, tuple[float, float]]:
        """Fit this board's junctions, and tell for each entry what the earlier ones led to expect."""
        soft: list[int] = []
        other: list[int] = []
        residuals, weights, lows = [], [], []
        for index, entry in enumerate(self.entries):
            outcome = entry.outcome
            if not isinstance(outcome, Spread) or entry.likeness is None or key_of(entry.spot) in self._good:
                continue
            x = measured(entry.spot, entry.value)
            if outcome.soft0 < 0.3 or not isinstance(x, float) or math.isinf(x):
                other.append(index)
                continue
            affected = float(previous[outcome.faults].sum()) if len(outcome.faults) else 0.0
            soft.append(index)
            residuals.append((x - outcome.mean0) / outcome.soft0)
            lows.append(x < JUNCTION_FLOOR)
            # A reading that a leading suspect explains teaches nothing about sound lines. Short of that it
            # counts in full: half-suspecting it would let a suspicion feed on itself.
            weights.append(1.0 if affected < 0.5 else max(0.02, 1.0 - affected))
        r = np.array(residuals)
        w = np.array(weights)
        if len(r):
            # The board's own offset is about one; what is far off both it and the rest is no sound line.
            middle = float(np.clip(np.median(r), -2.5, 2.5))
            w = w * np.exp(-0.5 * ((r - middle) / 1.7) ** 2)
            w = np.where(np.array(lows), 1e-3, w)
        noise = OWN_SD / np.sqrt(np.maximum(w, 1e-4))
        likenesses = [self._like(index) for index in soft]
        self.calibration = Calibration(self.features, likenesses, r, noise)
        found: dict[int, tuple[float, float]] = {}
        mean, sd = self.calibration.before(noise)
        for row, index in enumerate(soft):
            found[index] = float(mean[row]), math.hypot(float(sd[row]), OWN_SD)
        if other:
            rows = self.features.rows([self.features.entries(self._like(index)) for index in other])
            for index, m, s in zip(other, *self.calibration.offsets(rows), strict=True):
                found[index] = float(m), math.hypot(float(s), OWN_SD)
        return found

    def _like(self, index: int) -> Likeness:
        likeness = self.entries[index].likeness
        assert likeness is not None
        return likeness

    def _note(self, entry: Entry, offset: float, offset_sd: float) -> Note:
        outcome = self._placed(entry.spot, entry.outcome)
        value = measured(entry.spot, entry.value)
        if isinstance(outcome, Spread) and isinstance(value, float):
            sound, rows = outcome.log_likelihood(value, offset, offset_sd, self.sizes)
            self.sizes.learn(outcome, value, offset, offset_sd)
            line = self._line(entry.spot)
            if line is not None and entry.likeness is not None:
                kind, removed = entry.likeness.kind, entry.spot.state.removed
                slip = outcome.slip_log(value)
                sound, rows = self.ties.weigh(line, kind, removed, value, sound, slip, outcome.faults, rows)
                self.ties.learn(line, kind, removed, value)
        else:
            sound, rows = outcome.log_likelihood(value)  # type: ignore[arg-type]
        return Note(sound, outcome.slip_log(value), outcome.faults, rows - sound)  # type: ignore[arg-type]

    def _line(self, spot: Spot) -> str | None:
        """The net of a resistance reading to ground."""
        if spot.quantity not in ("resistance", "continuity"):
            return None
        ends = (spot.net_a, spot.net_b)
        if self.board.ground not in ends or None in ends:
            return None
        return spot.net_a if spot.net_b == self.board.ground else spot.net_b

    def _placed(self, spot: Spot, outcome: Outcome | None) -> Outcome:
        """An outcome, re-centred on a good unit's reading if there is one."""
        assert outcome is not None
        good = self._good.get(key_of(spot))
        if good is None or not isinstance(outcome, Spread) or math.isinf(good):
            return outcome
        shift = good - outcome.mean0
        sd0 = min(outcome.sd0, max(GOOD_UNIT_SD * outcome.soft0, 0.05))
        return replace(
            outcome, mean0=good, sd0=sd0, soft0=0.0, mean=outcome.mean + shift * outcome.soft,
            soft=np.zeros_like(outcome.soft),
        )  # fmt: skip

    def _cure(self, spot: Spot) -> Cure:
        chances = table("remedies")["events"][spot.quantity]
        faults, success = [], []
        for index, fault in enumerate(self.faults):
            chance = chances.get(fault.remedy, 0.0)
            if chance <= 0.0 or not self._treats(fault, spot):
                continue
            faults.append(index)
            success.append(chance)
        return Cure(np.array(faults, dtype=np.int64), np.array(success))

    @staticmethod
    def _treats(fault: Fault, spot: Spot) -> bool:
        if fault.remedy in ("reflow", "reseat"):
            return bool(fault.pins) and fault.pins[0].ref == spot.part
        return spot.part in fault.parts

    def _joint(self, members: tuple[int, ...], step: int) -> float | None:
        """Log likelihood ratio of one reading with two faults at once, by a 2 x 2 solve."""
        entry = self.entries[self._step_entry[step]]
        note = self.belief.steps[step]
        if len(members) != 2 or not isinstance(entry.outcome, Spread) or not isinstance(note, Note):
            return None
        if entry.spot.quantity not in ("resistance", "continuity"):
            return None
        prepared = self.predictor.prepared(entry.spot.state.removed)
        i, j = self.predictor.probes(entry.spot)
        ohms = prepared.pair_resistance(members[0], members[1], i, j)
        spread = self.predictor.spread_of(
            prepared, i, j, prepared.network.resistance(i.node, j.node),
            np.array(members[:1]), np.array([ohms]), prepared.sides(i, j)[list(members[:1])],
        )  # fmt: skip
        x = measured(entry.spot, entry.value)
        if len(spread.faults) == 0:
            return 0.0
        _, rows = spread.log_likelihood(x)  # type: ignore[arg-type]
        return float(rows[0] - note.sound)

    @property
    def state(self) -> BoardState:
        """The state the board was left in: that of the last reading."""
        for entry in reversed(self.entries):
            if entry.outcome is not None and entry.spot.quantity not in ("look", "symptom", "smell"):
                return entry.spot.state
        return BoardState()

    # -- suspects ----------------------------------------------------------------------------------------

    def place_chances(self) -> tuple[Floats, Floats, float]:
        """Probability of each place, of each fault, and of none of these."""
        chance, none, _ = self.belief.posterior()
        places = np.bincount(self.groups, weights=chance, minlength=len(self.places))
        return np.minimum(places, 1.0), chance, none

    def suspects(self, limit: int = 10) -> list[Suspect]:
        """The likeliest places of the fault, best first.

        Parameters
        ----------
        limit : int
            How many at most.

        Returns
        -------
        list of Suspect
            With two faults at once, each has its own line and the probabilities may sum to more than one.
        """
        places, chance, _ = self.place_chances()
        found = []
        for place in self._leading(limit):
            members = np.flatnonzero(self.groups == place)
            members = members[np.argsort(chance[members])[::-1]]
            found.append(
                suspect_of(
                    self.board, [self.faults[i] for i in members], chance[members], float(places[place]),
                    self._carried_by(int(members[0])),
                )
            )  # fmt: skip
        return found

    @property
    def none_of_these(self) -> float:
        """Probability that the trouble is none of the faults considered."""
        return self.belief.posterior()[1]

    def _carried_by(self, fault: int) -> tuple[str, ...]:
        """The readings that speak most for a fault, in words."""
        votes = []
        for index, note in self.belief.notes():
            place = np.flatnonzero(note.faults == fault)
            if len(place) and note.delta[place[0]] > 0.7:
                votes.append((float(note.delta[place[0]]), self._told(index)))
        return tuple(text for _, text in sorted(votes, key=lambda vote: -vote[0])[:4])

    def _told(self, step: int) -> str:
        entry = self.entries[self._step_entry[step]]
        reading = entry.reading
        if entry.spot.quantity == "symptom":
            return f"it {'shows' if entry.value == 'yes' else 'does not show'} {entry.spot.phrase}"
        points = " to ".join(p for p in (reading.a, reading.b or ("GND" if _two(entry.spot) else "")) if p)
        return f"{entry.spot.quantity} {points} = {value_text(entry.spot, entry.value)}".replace("  ", " ")

    def odd_readings(self) -> list[tuple[Reading, str]]:
        """Readings that fight all the others: worth taking again.

        Returns
        -------
        list of (Reading, str)
            Each with why it stands out.
        """
        _, chance, _ = self.place_chances()
        if not self.belief.steps:
            return []
        best_sets = self.belief.sets()
        best_single = int(np.argmax(self.belief.there))
        members: tuple[int, ...] = (best_single,)
        if best_sets and best_sets[0][1] > float(np.max(chance)) * 0.5:
            members = best_sets[0][0]
        found = []
        for index in self.belief.unexplained(members):
            entry = self.entries[self._step_entry[index]]
            found.append(
                (
                    entry.reading,
                    f"{self._told(index)} does not fit what the other readings say: take it again",
                )
            )
        return found

    # -- next checks --------------------------------------------------------------------------------------

    @cached_property
    def _table(self) -> CheckTable:
        spots = [s for s in standing(self.board, self.faults) if s.quantity in self.quantities]
        return self._table_of(spots)

    def _table_of(self, spots: Sequence[Spot]) -> CheckTable:
        ohms = [s for s in spots if s.quantity == "resistance"]
        by_spot = dict(zip(map(id, ohms), self.predictor.resistance_many(ohms), strict=True))
        outcomes = [by_spot.get(id(s)) or self.predictor.outcome(s) for s in spots]
        return CheckTable(spots, outcomes, self.groups)

    @cached_property
    def _table_features(self) -> tuple[Ints, sparse.csr_array]:
        """For the resistance checks of the table: their numbers, and their rows of the mixed model."""
        which = [i for i, spot in enumerate(self._table.spots) if spot.quantity == "resistance"]
        entries = [self.features.entries(self.predictor.likeness(self._table.spots[i])) for i in which]
        return np.array(which, dtype=np.int64), self.features.rows(entries)

    def _tied_rows(self) -> list[tuple[int, int, float, float]]:
        """What bridges predict for lines whose neighbour was read: (check, fault, x, its spread)."""
        nothing: frozenset[str] = frozenset()
        found = []
        for net, check in self._line_checks.items():
            for fault, other in self.ties.bridges.get(net, ()):
                level = self.ties.levels.get((nothing, other))
                if level is not None and math.isfinite(level) and (nothing, net) not in self.ties.levels:
                    found.append((check, fault, level, math.sqrt(2.0) * same_sd(level)))
        return found

    @cached_property
    def _line_checks(self) -> dict[str, int]:
        """For each net, the check of it to ground."""
        found: dict[str, int] = {}
        for index, spot in enumerate(self._table.spots):
            line = self._line(spot)
            if line is not None and not spot.state.removed and spot.net_a != spot.net_b:
                found.setdefault(line, index)
        return found

    def _settle(self) -> None:
        """Bring the table of checks up to date with what is known of this board's junctions."""
        which, features = self._table_features
        rows = np.zeros((len(self._table.spots), 2))
        if len(which):
            mean, sd = self.calibration.offsets(features)
            rows[which, 0], rows[which, 1] = mean, np.hypot(sd, OWN_SD)
        moved = self._settled is None or float(np.max(np.abs(rows - self._settled), initial=0.0)) > 0.3
        grown = np.abs(self.sizes.mean - self._settled_sizes) > 0.5
        tied = len(self.ties.levels) > self._settled_ties
        if moved or tied or bool(np.any(grown & (self.belief.posterior()[0] > 2e-3))):
            self._table.settle(rows, self.sizes, self._tied_rows())
            self._settled, self._settled_sizes = rows, self.sizes.mean.copy()
            self._settled_ties = len(self.ties.levels)

    def next_checks(self, limit: int = 5) -> list[Check]:
        """The checks that tell most for the minutes they take, best first.

        Parameters
        ----------
        limit : int
            How many at most.

        Returns
        -------
        list of Check
            Empty when nothing more can be learnt by measuring, or no more is needed: see `advice`.
        """
        return [self._check(row) for row in self._worth_making()[: max(limit, 0)]]

    def _worth_making(self) -> list[Ranked]:
        """The checks worth making, best first; none once the answer is plain enough."""
        places, chance, _ = self.place_chances()
        return [] if self._enough(places, chance) else self._ranked(chance)

    def _check(self, row: Ranked) -> Check:
        """A ranked check with its words."""
        bits, minutes, table_, index = row
        spot = table_.spots[index]
        leads = self._leads(table_, index, self.place_chances()[1])
        return Check(
            spot=spot,
            minutes=minutes,
            bits=bits,
            text=describe_check(self.board, spot),
            cautions=check_cautions(self.board, spot),
            outcomes=describe_outcomes(self.board, spot, table_.outcomes[index], leads),
        )

    def _enough(self, places: Floats, chance: Floats) -> bool:
        top = int(np.argmax(places)) if len(places) else -1
        return top >= 0 and bool(places[top] >= SURE) and not self._spot_open(top, chance)

    def _spot_open(self, place: int, chance: Floats) -> bool:
        """Whether the exact spot of a settled place could still be found by looking."""
        members = np.flatnonzero(self.groups == place)
        mine = chance[members] / max(float(chance[members].sum()), 1e-300)
        spots: dict[tuple[str, ...], float] = {}
        for index, p in zip(members, mine, strict=True):
            spots[self.faults[index].parts] = spots.get(self.faults[index].parts, 0.0) + float(p)
        if max(spots.values()) > 0.6:
            return False
        done = {entry.spot.part for entry in self.entries if entry.spot.quantity == "look"}
        return any(p > 0.08 and any(ref not in done for ref in parts) for parts, p in spots.items())

    def _ranked(self, chance: Floats) -> list[Ranked]:
        """All checks that tell something, best bits a minute first."""
        self._settle()
        done = self._done()
        waiting = self._rails_to_measure()
        found: list[Ranked] = []
        held_back = 0.0
        powered = not waiting and self._may_power(chance)
        for table_ in (self._table, *self._pulled(chance)):
            bits = table_.bits(chance)
            for index in np.argsort(bits)[::-1][:400]:
                if bits[index] < LEAST_BITS:
                    break
                spot = table_.spots[index]
                if key_of(spot) in done:
                    continue
                if spot.state.powered and not powered:
                    held_back = max(held_back, float(bits[index]))
                    continue
                minutes = minutes_for(self.board, spot, self.state)
                found.append((float(bits[index]), minutes, table_, int(index)))
        if waiting and held_back > 0.0:
            found.extend(self._rail_checks(waiting, held_back, found, done))
        found.sort(key=lambda item: -item[0] / item[1])
        return found

    def _rail_checks(
        self, waiting: set[str], held_back: float, found: list[Ranked], done: set[tuple[object, ...]]
    ) -> list[Ranked]:
        """Rails to ground, credited with their share of what the power-on checks behind them would tell."""
        rows = []
        for index, spot in enumerate(self._table.spots):
            if spot.quantity != "resistance" or spot.net_b != self.board.ground or spot.net_a not in waiting:
                continue
            if key_of(spot) in done:
                continue
            known = [f for f in found if f[2] is self._table and f[3] == index]
            own = known[0][0] if known else 0.0
            for row in known:
                found.remove(row)
            minutes = minutes_for(self.board, spot, self.state)
            rows.append((own + held_back / len(waiting), minutes, self._table, index))
            waiting = waiting - {spot.net_a}
        return rows

    def _rails_to_measure(self) -> set[str]:
        """Rails not yet measured against ground; none once the board has been powered."""
        left = {net for net in self.board.rails if net in self.board.nets}
        for entry in self.entries:
            if entry.spot.state.powered and entry.spot.quantity != "symptom":
                return set()
            if entry.spot.quantity == "resistance" and self.board.ground in (
                entry.spot.net_a,
                entry.spot.net_b,
            ):
                left -= {entry.spot.net_a, entry.spot.net_b}
        return left

    def _done(self) -> set[tuple[object, ...]]:
        """Checks that need no repeating: made since the board was last worked on, or not possible."""
        done = set(self._cannot)
        for entry in reversed(self.entries):
            if entry.outcome is None:
                break
            if not entry.reading.good_unit:
                done.add(key_of(entry.spot))
                if entry.spot.quantity == "continuity":
                    # A beep, or none, answers the resistance check of the same two points.
                    done.add(key_of(replace(entry.spot, quantity="resistance")))
        return done

    def _may_power(self, chance: Floats) -> bool:
        """Powered checks wait until no rail is likely to be shorted."""
        rails = set(self.board.rails)
        shorted = sum(
            float(chance[i])
            for i, f in enumerate(self.faults)
            if f.edit.action == "add" and chance[i] > 0.01 and {*f.nets} & rails
        )
        return shorted < 0.2

    def _pulled(self, chance: Floats) -> list[CheckTable]:
        """Checks with one suspected part out: whether a short goes with it.

        For ranking, pulling a part is taken to make its own faults vanish and nothing else; the
        reading itself is judged on the full network of that state.
        """
        if "resistance" not in self.quantities:
            return []
        inside: dict[str, float] = {}
        for index in np.flatnonzero(chance > 0.004):
            fault = self.faults[index]
            if fault.edit.part and fault.edit.action in ("add", "change"):
                inside[fault.edit.part] = inside.get(fault.edit.part, 0.0) + float(chance[index])
        # Unsoldering a big part only to measure is as dear as changing it: not before it is the likely one.
        refs = [
            ref for ref in inside if removal_minutes(self.board, ref) <= DEAR_MINUTES or inside[ref] > 0.4
        ]
        refs = sorted(refs, key=lambda ref: -inside[ref] / removal_minutes(self.board, ref))[:12]
        if not refs:
            return []
        spots: list[Spot] = []
        outcomes: list[Outcome] = []
        already = self.state.removed
        for ref in refs:
            if ref in already:
                continue
            for spot in self._reading_of(ref, chance):
                moved = self._moved(spot, ref)
                if moved is None:
                    continue
                outcome = self.predictor.resistance(spot)
                own = np.array([self.faults[i].edit.part == ref for i in outcome.faults], dtype=bool)
                spots.append(moved)
                outcomes.append(
                    replace(
                        outcome, faults=outcome.faults[~own], mean=outcome.mean[~own], sd=outcome.sd[~own],
                        soft=outcome.soft[~own], gain=outcome.gain[~own],
                    )
                )  # fmt: skip
        if not spots:
            return []
        features = self.features.rows([self.features.entries(self.predictor.likeness(s)) for s in spots])
        mean, sd = self.calibration.offsets(features)
        offsets = np.stack([mean, np.hypot(sd, OWN_SD)], axis=1)
        return [CheckTable(spots, outcomes, self.groups, offsets, self.sizes)]

    def _reading_of(self, ref: str, chance: Floats) -> list[Spot]:
        """The readings that would show the likeliest short inside a part."""
        members = [i for i in np.flatnonzero(chance > 0.002) if self.faults[i].edit.part == ref]
        members.sort(key=lambda i: -float(chance[i]))
        found: dict[tuple[object, ...], Spot] = {}
        for index in members[:2]:
            edit = self.faults[index].edit
            if edit.a is None or edit.b is None:
                continue
            net_a, net_b = self.board.net_of.get(edit.a), self.board.net_of.get(edit.b)
            if net_a is None or net_b is None or net_a == net_b:
                continue
            if net_a == self.board.ground:
                net_a, net_b = net_b, net_a
            spot = Spot("resistance", None, net_a, None, net_b)
            found.setdefault(key_of(spot), spot)
        return list(found.values())

    def _moved(self, spot: Spot, ref: str) -> Spot | None:
        out = self.state.removed | {ref}
        pins: list[Pin | None] = []
        for net in (spot.net_a, spot.net_b):
            if net == self.board.ground:
                pins.append(None)
                continue
            left = [pin for pin in self.board.nets[net or ""] if pin.ref not in out]
            if not left:
                return None
            pins.append(min(left, key=self._points.rank))
        return replace(spot, pin_a=pins[0], pin_b=pins[1], state=BoardState.of(False, out))

    def _leads(self, table_: CheckTable, index: int, chance: Floats) -> list[tuple[float, list[str]]]:
        """For each outcome cell of a check: its chance, and the suspects it would lead to."""
        faults, rows = table_.rows(index)
        sound = table_.sound[index]
        found = []
        total = max(float(chance.sum()), 1.0)
        rest = total - float(chance[faults].sum())
        for cell in range(len(sound)):
            inside = chance[faults] * rows[:, cell]
            mass = (float(inside.sum()) + rest * float(sound[cell])) / total
            posterior = chance * float(sound[cell])
            posterior[faults] = inside
            by_place = np.bincount(self.groups, weights=posterior, minlength=len(self.places))
            best = np.argsort(by_place)[::-1][:2]
            names = [
                self._place_name(int(place)) for place in best if by_place[place] > 0.15 * posterior.sum()
            ]
            found.append((mass, names))
        return found

    def _place_name(self, place: int) -> str:
        key = self.places[place]
        if key[0] == "part":
            return key[1]
        if key[0] == "bridge":
            return f"{key[1]} bridged to {key[2]}"
        return f"{key[1]} open at {', '.join(key[2:4])}"

    # -- what to do ----------------------------------------------------------------------------------------

    def advice(self) -> Advice:
        """Check on, or mend: what is due now, and why."""
        suspects = self.suspects(5)
        ranked = self._worth_making()
        checks = [self._check(row) for row in ranked[:1]]
        if checks:
            weighed = weigh(self, ranked)
            if weighed is not None and weighed[0].first.kind == "repair":
                made, mended = weighed
                place = mended[made.first.index or 0]
                best = next(
                    (s for s, key in zip(suspects, self._leading(5), strict=False) if key == place),
                    suspects[0],
                )
                return Advice.mend_first(best, suspects, made.expected_minutes, checks[0])
        return Advice.of(checks, suspects, self.none_of_these)

    def _leading(self, limit: int) -> list[int]:
        """Numbers of the likeliest places, best first."""
        return [int(place) for place in np.argsort(self.place_chances()[0])[::-1][: max(limit, 0)]]


def _two(spot: Spot) -> bool:
    return spot.quantity in ("resistance", "continuity", "voltage", "diode")
