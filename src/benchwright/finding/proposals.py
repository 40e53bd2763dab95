"""Which check to make next: of all the board's checks, those worth the walk, the best first."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..board import Pin
from ..circuit import BoardState
from .calibrate import OWN_SD, Rows
from .candidates import MINUTES, POWER_MINUTES, Points, key_of, minutes_for, removal_minutes, standing
from .choose import CheckTable, Ranked
from .outcomes import Outcome
from .reading import Spot
from .ties import same_sd
from .words import Check, check_cautions, describe_check, describe_outcomes

if TYPE_CHECKING:
    from .finder import FaultFinder

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SURE = 0.97
"""A place this likely is the answer; only its exact spot may still be worth a look."""
LEAST_BITS = 0.003
"""A check expected to tell less than this is not worth the walk to the bench (own)."""
DEAR_MINUTES, DEAR_CHANCE = 5.0, 0.15
"""A part that takes longer than this to unsolder is not taken out on a smaller suspicion than that (own)."""
SAFE_AMPERES = 0.5
"""What a short may draw on top of a board's own current without harm while one measures (own)."""
OUT_CHANCE, MOST_OUT = 0.001, 16
"""Parts less likely to hold a short than this are not thought of for taking out, nor more at a time (own)."""
STALE = 0.3
"""Outcomes are worked out again once what is known of a line moved them by this much, in ln R."""
_BATCH = 160
"""Checks weighed exactly at a time."""


class Proposals:
    """Ranks the checks of one board for a finder.

    Every check's outcomes are predicted once. After a reading, an upper bound of what each check can tell
    says which are worth weighing exactly, and only of those the outcomes are brought up to date.

    Parameters
    ----------
    finder : FaultFinder
    """

    def __init__(self, finder: FaultFinder) -> None:
        self.finder = finder
        self.board = finder.board
        self._points = Points(finder.board)
        self._out: dict[tuple[object, ...], tuple[Spot, Outcome] | None] = {}
        self.start_over()

    def start_over(self) -> None:
        """Forget what belongs to one unit of the board."""
        self._cannot: set[tuple[object, ...]] = set()
        self._closed: set[tuple[object, ...]] = set()
        self._settled: Floats | None = None
        self._settled_sizes = self.finder.sizes.mean.copy()
        self._settled_ties: dict[int, int] = {}
        self._settled_again: dict[int, float] = {}

    def cannot(self, spot: Spot) -> None:
        """Never propose a check again."""
        self._cannot.add(key_of(spot))

    # -- the table of checks ------------------------------------------------------------------------------

    @cached_property
    def table(self) -> CheckTable:
        """All checks of the board as it stands."""
        spots = [s for s in standing(self.board, self.finder.faults) if s.quantity in self.finder.quantities]
        return self._table_of(spots)

    def _table_of(self, spots: Sequence[Spot]) -> CheckTable:
        ohms = [s for s in spots if s.quantity == "resistance"]
        by_spot = dict(zip(map(id, ohms), self.finder.predictor.resistance_many(ohms), strict=True))
        outcomes = [by_spot.get(id(s)) or self.finder.predictor.outcome(s) for s in spots]
        return CheckTable(spots, outcomes, self.finder.groups)

    @cached_property
    def _likenesses(self) -> tuple[Ints, Rows]:
        """For the resistance checks of the table: their numbers, and their rows of the mixed model."""
        which = [i for i, spot in enumerate(self.table.spots) if spot.quantity == "resistance"]
        predictor = self.finder.predictor
        rows = self.finder.features.rows([predictor.likeness(self.table.spots[i]) for i in which])
        return np.array(which, dtype=np.int64), rows

    @cached_property
    def _numbers(self) -> dict[tuple[object, ...], int]:
        return {key_of(spot): index for index, spot in enumerate(self.table.spots)}

    @cached_property
    def _costs(self) -> tuple[Floats, NDArray[np.bool_], NDArray[np.bool_]]:
        """Of each check: minutes by itself, whether the power is on for it, and whether that matters."""
        spots = self.table.spots
        minutes = np.array([MINUTES[spot.quantity] for spot in spots])
        powered = np.array([spot.state.powered for spot in spots], dtype=bool)
        heeds = np.array([spot.quantity not in ("look", "symptom", "smell") for spot in spots], dtype=bool)
        return minutes, powered, heeds

    def _minutes(self) -> Floats:
        """What each check costs from the present state, shape (checks,)."""
        minutes, powered, heeds = self._costs
        return np.asarray(minutes + POWER_MINUTES * (heeds & (powered != self.finder.state.powered)))

    def _tied(self) -> dict[int, list[tuple[int, float, float]]]:
        """What bridges predict for lines whose neighbour was read: (fault, x, its spread) for each check."""
        nothing: frozenset[str] = frozenset()
        ties = self.finder.ties
        found: dict[int, list[tuple[int, float, float]]] = {}
        for removed, other in ties.levels:
            if removed:
                continue
            level = ties.levels[removed, other]
            if not math.isfinite(level):
                continue
            for fault, net in ties.bridges.get(other, ()):
                check = self._line_checks.get(net)
                if check is not None and (nothing, net) not in ties.levels:
                    row = (fault, level, math.sqrt(2.0) * same_sd(level))
                    found.setdefault(check, []).append(row)
        return found

    @cached_property
    def _line_checks(self) -> dict[str, int]:
        """For each net, the check of it to ground."""
        found: dict[str, int] = {}
        for index, spot in enumerate(self.table.spots):
            line = self.finder.line_of(spot)
            if line is not None and not spot.state.removed and spot.net_a != spot.net_b:
                found.setdefault(line, index)
        return found

    @cached_property
    def _between(self) -> dict[tuple[int, int], list[int]]:
        """For each two nodes, the checks between them."""
        found: dict[tuple[int, int], list[int]] = {}
        for index, spot in enumerate(self.table.spots):
            nets = self.finder.nets_of(spot)
            if nets is not None:
                found.setdefault(nets, []).append(index)
        return found

    def _again(self) -> dict[int, float]:
        """The checks between nets that were read before, with what was read."""
        return {
            check: x for nets, x in self.finder.repeats.readings() for check in self._between.get(nets, ())
        }

    def _drift(self, chance: Floats) -> tuple[Floats, Floats, dict[int, list[tuple[int, float, float]]]]:
        """What is known of each check's line by now, how far its outcomes lag behind that, and the ties."""
        finder, table_ = self.finder, self.table
        which, rows = self._likenesses
        offsets = np.zeros((len(table_.spots), 2))
        if len(which):
            mean, sd = finder.calibration.offsets(rows)
            offsets[which, 0], offsets[which, 1] = mean, np.hypot(sd, OWN_SD)
        tied = self._tied()
        if self._settled is None:
            return offsets, np.full(len(offsets), np.inf), tied
        lag = np.abs(offsets - self._settled).max(axis=1)
        grown = (np.abs(finder.sizes.mean - self._settled_sizes) > 0.5) & (chance > 2e-3)
        if grown.any():
            lag[table_.check[grown[table_.fault]]] = 1.0
        for check in {*tied, *self._settled_ties}:
            if len(tied.get(check, ())) != self._settled_ties.get(check, 0):
                lag[check] = max(lag[check], 1.0)
        again = self._again()
        for check in {*again, *self._settled_again}:
            if again.get(check) != self._settled_again.get(check):
                lag[check] = max(lag[check], 1.0)
        return offsets, lag, tied

    def _settle(self, which: Ints, offsets: Floats, tied: dict[int, list[tuple[int, float, float]]]) -> None:
        """Bring the outcomes of some checks up to date."""
        sizes = self.finder.sizes
        again = self._again()
        expected = {
            check: found
            for check in which.tolist()
            if check in again
            and (found := self.finder.expected(self.table.spots[check], self.table.outcomes[check]))
        }
        self.table.settle(offsets, sizes, tied, which, expected)
        if self._settled is None:
            self._settled = offsets.copy()
        self._settled[which] = offsets[which]
        for check in which.tolist():
            self._settled_ties[check] = len(tied.get(check, ()))
            self._settled_again.pop(check, None)
            if check in again:
                self._settled_again[check] = again[check]
        faults = self.table.fault[np.isin(self.table.check, which)]
        self._settled_sizes[faults] = sizes.mean[faults]

    # -- ranking ------------------------------------------------------------------------------------------

    def worth_making(self, limit: int) -> list[Ranked]:
        """The best checks, best first; none once the answer is plain enough.

        Parameters
        ----------
        limit : int
            How many are wanted at most.
        """
        places, chance, _ = self.finder.place_chances()
        if limit <= 0 or self._enough(places, chance):
            return []
        return self._ranked(chance, limit)

    def _enough(self, places: Floats, chance: Floats) -> bool:
        top = int(np.argmax(places)) if len(places) else -1
        return top >= 0 and bool(places[top] >= SURE) and not self._spot_open(top, chance)

    def _spot_open(self, place: int, chance: Floats) -> bool:
        """Whether the exact spot of a settled place could still be found by looking."""
        members = np.flatnonzero(self.finder.groups == place)
        mine = chance[members] / max(float(chance[members].sum()), 1e-300)
        spots: dict[tuple[str, ...], float] = {}
        for index, p in zip(members, mine, strict=True):
            spots[self.finder.faults[index].parts] = spots.get(self.finder.faults[index].parts, 0.0) + float(
                p
            )
        if max(spots.values()) > 0.6:
            return False
        done = {entry.spot.part for entry in self.finder.entries if entry.spot.quantity == "look"}
        return any(p > 0.08 and any(ref not in done for ref in parts) for parts, p in spots.items())

    def _ranked(self, chance: Floats, limit: int) -> list[Ranked]:
        """The checks that tell most for each minute."""
        table_ = self.table
        minutes, open_ = self._minutes(), self._open()
        waiting = self._rails_to_measure()
        _, on, _ = self._costs
        if waiting or not self._may_power(chance):
            ready = open_ & ~on
        else:
            ready = open_
        offsets, lag, tied = self._drift(chance)
        if self._settled is None:
            self._settle(np.arange(len(table_.spots)), offsets, tied)
            lag = np.zeros(len(lag))
        # Outcomes that lag behind may tell more than they seem to by now.
        most = table_.bounds(chance) * (1.0 + 2.0 * lag)

        def exact(order: Ints, value: Floats, enough: int) -> list[tuple[float, int]]:
            """Bits of the checks in `order`, as far as any may be among the best by bits / `value`."""
            found: list[tuple[float, float, int]] = []
            for start in range(0, len(order), _BATCH):
                part = np.sort(order[start : start + _BATCH])
                late = part[lag[part] > STALE]
                if len(late):
                    self._settle(late, offsets, tied)
                    lag[late] = 0.0
                bits = table_.bits(chance, part)
                found += [
                    (bit / value[index], bit, index)
                    for bit, index in zip(bits.tolist(), part.tolist(), strict=True)
                    if bit >= LEAST_BITS
                ]
                found.sort(key=lambda row: (-row[0], row[2]))
                after = order[start + _BATCH : start + _BATCH + 1]
                if len(found) >= enough and len(after):
                    index = int(after[0])
                    if found[enough - 1][0] >= most[index] / value[index]:
                        break
            return [(bit, index) for _, bit, index in found[:enough]]

        def by(value: Floats, among: NDArray[np.bool_]) -> Ints:
            which = np.flatnonzero(among & (most >= LEAST_BITS))
            return np.asarray(which[np.argsort(-most[which] / value[which], kind="stable")])

        ranked: list[Ranked] = [
            (bit, float(minutes[index]), table_, index)
            for bit, index in exact(by(minutes, ready), minutes, limit + len(waiting))
        ]
        for pulled in self._pulled(chance):
            for index, bit in enumerate(pulled.bits(chance).tolist()):
                if bit >= LEAST_BITS and key_of(pulled.spots[index]) not in self._closed:
                    cost = minutes_for(self.board, pulled.spots[index], self.finder.state)
                    ranked.append((bit, cost, pulled, index))
        if waiting:
            even = np.ones(len(minutes))
            behind = exact(by(even, open_ & on), even, 1)
            if behind:
                ranked.extend(self._rail_checks(waiting, behind[0][0], ranked, open_, minutes))
        ranked.sort(key=lambda row: -row[0] / row[1])
        return ranked[:limit]

    def _rail_checks(
        self,
        waiting: set[str],
        held_back: float,
        ranked: list[Ranked],
        open_: NDArray[np.bool_],
        minutes: Floats,
    ) -> list[Ranked]:
        """Rails to ground, credited with their share of what the power-on checks behind them would tell."""
        rows: list[Ranked] = []
        for net in sorted(waiting):
            index = self._line_checks.get(net)
            if index is None or not open_[index]:
                continue
            known = [row for row in ranked if row[2] is self.table and row[3] == index]
            own = known[0][0] if known else 0.0
            for row in known:
                ranked.remove(row)
            rows.append((own + held_back / len(waiting), float(minutes[index]), self.table, index))
        return rows

    def _rails_to_measure(self) -> set[str]:
        """Rails not yet measured against ground; none once the board has been powered."""
        left = {net for net in self.board.rails if net in self.board.nets}
        for entry in self.finder.entries:
            if entry.spot.state.powered and entry.spot.quantity != "symptom":
                return set()
            if entry.spot.quantity == "resistance" and self.board.ground in (
                entry.spot.net_a,
                entry.spot.net_b,
            ):
                left -= {entry.spot.net_a, entry.spot.net_b}
        return left

    def _open(self) -> NDArray[np.bool_]:
        """Which checks of the table are still to be made, shape (checks,)."""
        self._closed = self._done()
        found = np.ones(len(self.table.spots), dtype=bool)
        numbers = self._numbers
        found[[numbers[key] for key in self._closed if key in numbers]] = False
        return found

    def _done(self) -> set[tuple[object, ...]]:
        """Checks that need no repeating: made since the board was last worked on, or not possible."""
        done = set(self._cannot)
        for entry in reversed(self.finder.entries):
            if entry.outcome is None:
                break
            if not entry.reading.good_unit:
                done.add(entry.key)
                if entry.spot.quantity == "continuity":
                    # A beep, or none, answers the resistance check of the same two points.
                    done.add(key_of(replace(entry.spot, quantity="resistance")))
        return done

    @cached_property
    def _shorts_rail(self) -> dict[str, Ints]:
        """For each rail, the faults that may short it."""
        found: dict[str, list[int]] = {net: [] for net in self.board.rails}
        for index, fault in enumerate(self.finder.faults):
            if fault.edit.action == "add":
                for net in {*fault.nets} & found.keys():
                    found[net].append(index)
        return {net: np.array(faults, dtype=np.int64) for net, faults in found.items()}

    def _may_power(self, chance: Floats) -> bool:
        """Powered checks wait until no rail is likely to be shorted, or reads too high to draw much."""
        shorting: set[int] = set()
        for net, faults in self._shorts_rail.items():
            index = self._line_checks.get(net)
            nets = self.finder.nets_of(self.table.spots[index]) if index is not None else None
            last = self.finder.repeats.last(nets) if nets is not None else None
            if last is None or last.x < math.log(max(abs(self.board.rails[net].nominal), 1.0) / SAFE_AMPERES):
                shorting.update(faults[chance[faults] > 0.01].tolist())
        return float(chance[sorted(shorting)].sum()) < 0.2

    # -- with a part out ----------------------------------------------------------------------------------

    def _pulled(self, chance: Floats) -> list[CheckTable]:
        """Checks with one suspected part out: whether a short goes with it.

        For ranking, pulling a part is taken to make its own faults vanish and nothing else; the
        reading itself is judged on the full network of that state.
        """
        finder = self.finder
        if "resistance" not in finder.quantities:
            return []
        inside: dict[str, float] = {}
        for index in np.flatnonzero(chance > 0.3 * OUT_CHANCE):
            fault = finder.faults[index]
            if fault.edit.part and fault.edit.action in ("add", "change"):
                inside[fault.edit.part] = inside.get(fault.edit.part, 0.0) + float(chance[index])
        # Unsoldering a big part only to measure is nearly as dear as changing it, and may harm the board.
        refs = [
            ref
            for ref, inner in inside.items()
            if inner > (OUT_CHANCE if removal_minutes(self.board, ref) <= DEAR_MINUTES else DEAR_CHANCE)
        ]
        refs = sorted(refs, key=lambda ref: -inside[ref] / removal_minutes(self.board, ref))[:MOST_OUT]
        # What is out already is measured while it is: its reading is what it was taken out for.
        refs = [*sorted(finder.state.removed & self._inside.keys()), *refs]
        found = [
            row
            for ref in dict.fromkeys(refs)
            for spot in self._reading_of(ref, chance)
            if (row := self._without(spot, ref))
        ]
        if not found:
            return []
        spots, outcomes = [spot for spot, _ in found], [outcome for _, outcome in found]
        rows = finder.features.rows([finder.predictor.likeness(spot) for spot in spots])
        mean, sd = finder.calibration.offsets(rows)
        offsets = np.stack([mean, np.hypot(sd, OWN_SD)], axis=1)
        made = CheckTable(spots, outcomes, finder.groups, offsets, finder.sizes)
        again = {
            index: expected
            for index, (spot, outcome) in enumerate(found)
            if (expected := self.finder.expected(spot, outcome))
        }
        if again:
            made.settle(offsets, finder.sizes, again=again)
        return [made]

    def _without(self, spot: Spot, ref: str) -> tuple[Spot, Outcome] | None:
        """A check with a part out, and its outcome where that part's own faults leave a sound board."""
        key = (ref, self.finder.state.removed, key_of(spot))
        if key not in self._out:
            moved = self._moved(spot, ref)
            if moved is None:
                self._out[key] = None
            else:
                outcome = self.finder.predictor.resistance(spot)
                own = np.array([self.finder.faults[i].edit.part == ref for i in outcome.faults], dtype=bool)
                self._out[key] = (
                    moved,
                    replace(
                        outcome,
                        mean=np.where(own, outcome.mean0, outcome.mean),
                        sd=np.where(own, outcome.sd0, outcome.sd),
                        soft=np.where(own, outcome.soft0, outcome.soft),
                        bend=np.where(own, outcome.bend0, outcome.bend),
                        gain=np.where(own, 0.0, outcome.gain),
                    ),
                )
        return self._out[key]

    @cached_property
    def _inside(self) -> dict[str, list[int]]:
        """For each part, the faults inside it that a meter could show."""
        found: dict[str, list[int]] = {}
        for index, fault in enumerate(self.finder.faults):
            if fault.edit.part:
                found.setdefault(fault.edit.part, []).append(index)
        return found

    def _reading_of(self, ref: str, chance: Floats) -> list[Spot]:
        """The readings that would show the likeliest short inside a part."""
        members = [i for i in self._inside[ref] if chance[i] > 0.3 * OUT_CHANCE]
        members.sort(key=lambda i: -float(chance[i]))
        found: dict[tuple[object, ...], Spot] = {}
        for index in members[:2]:
            edit = self.finder.faults[index].edit
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
        out = self.finder.state.removed | {ref}
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

    # -- in words -----------------------------------------------------------------------------------------

    def check(self, row: Ranked) -> Check:
        """A ranked check with its words."""
        bits, minutes, table_, index = row
        spot = table_.spots[index]
        leads = self._leads(table_, index, self.finder.place_chances()[1])
        return Check(
            spot=spot,
            minutes=minutes,
            bits=bits,
            text=describe_check(self.board, spot),
            cautions=check_cautions(self.board, spot),
            outcomes=describe_outcomes(self.board, spot, table_.outcomes[index], leads),
        )

    def _leads(self, table_: CheckTable, index: int, chance: Floats) -> list[tuple[float, list[str]]]:
        """For each outcome cell of a check: its chance, and the suspects it would lead to."""
        faults, rows = table_.rows(index)
        sound = table_.sound[index]
        found = []
        total = max(float(chance.sum()), 1.0)
        rest = total - float(chance[faults].sum())
        places = np.bincount(self.finder.groups, weights=chance, minlength=len(self.finder.places))
        touched = self.finder.groups[faults]
        for cell in range(len(sound)):
            inside = chance[faults] * rows[:, cell]
            mass = (float(inside.sum()) + rest * float(sound[cell])) / total
            by_place = places * float(sound[cell])
            np.add.at(by_place, touched, inside - chance[faults] * float(sound[cell]))
            whole = float(by_place.sum())
            best = np.flatnonzero(by_place > 0.15 * whole)
            best = best[np.argsort(-by_place[best], kind="stable")][:2]
            found.append((mass, [self._place_name(int(place)) for place in best]))
        return found

    def _place_name(self, place: int) -> str:
        key = self.finder.places[place]
        if key[0] == "part":
            return key[1]
        if key[0] == "bridge":
            return f"{key[1]} bridged to {key[2]}"
        return f"{key[1]} open at {', '.join(key[2:4])}"
