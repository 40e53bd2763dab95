"""The fault finder: takes readings as they come, tells the suspects and the next best checks."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from ..board import Board
from ..circuit import BoardState, Meter
from ..faults import Fault, universe
from ..faults.universe import table
from .belief import Belief, Cure, Note
from .calibrate import OWN_SD, SOFT_SHARE, Calibration, Features, Likeness, SoftReadings
from .candidates import key_of
from .outcomes import JUNCTION_FLOOR, Outcome, Sizes, Spread
from .predict import Predictor, measured
from .proposals import Proposals
from .reading import EVENTS, Reading, Spot, understand, value_text
from .repeats import Expected, First, Repeats
from .ties import Tie, Ties
from .weigh import MOST_CHECKS, weigh
from .words import Advice, Check, Suspect, suspect_of

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

METER_AND_EYES = ("resistance", "voltage", "look")
WITH_PROBE = (*METER_AND_EYES, "logic")
GOOD_UNIT_SD = 0.30
"""Spread of ln R between two good units of one board (own)."""

MOVED = 0.12
"""An earlier reading is judged anew once what is expected of it moved by this much, in ln R."""

Lines = tuple[float, float, float, float]
"""How far the junctions that a reading hangs on are expected off the model, in ln R, and how sure that is:
for a sound board, and by readings of other lines alone."""
NOT_SOFT: Lines = (0.0, 0.0, 0.0, 0.0)


@dataclass(slots=True)
class Entry:
    """A recorded reading with what it is about."""

    reading: Reading
    spot: Spot
    key: tuple[object, ...]
    value: float | str
    outcome: Outcome | None
    likeness: Likeness | None = None
    lines: Lines = NOT_SOFT
    """What is expected of its lines by the other readings."""
    at_first: Lines = NOT_SOFT
    """The same when it was taken."""
    first: First | None = None
    """The reading of the same two nets before it."""
    again: Expected | None = None
    """What an earlier reading of the same two nets led to expect."""
    tie: Tie | None = None
    """What earlier readings of neighbours and of lines alike led to expect."""
    sizes: tuple[Floats, Floats] | None = None
    """What was known of the sizes of its faults."""
    soft: bool = False
    """Whether it tells of chips' junctions."""
    noise: Floats | None = None
    """If so, what each such reading up to it counted for then."""
    step: Note | Cure | None = None
    """What it said, as judged by now."""
    revised: list[tuple[int, Lines, Expected | None, Note]] = field(default_factory=list)
    """The earlier readings that were judged anew because of it, with how they were judged before."""


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
        self._soft = SoftReadings(self.features)
        self.calibration: Calibration = self._soft.fit(np.zeros(0))
        """How far this board's junctions are off the model, from the readings so far."""
        bridges: dict[str, list[tuple[int, str]]] = {}
        for index, fault in enumerate(self.faults):
            if fault.place[0] == "bridge" and board.ground not in fault.nets and len(fault.nets) == 2:
                for net, other in (fault.nets, fault.nets[::-1]):
                    bridges.setdefault(net, []).append((index, other))
        self.ties = Ties(bridges)
        self.repeats = Repeats()
        self.sizes = Sizes(len(self.faults))
        self.belief = Belief(np.array([fault.rate for fault in self.faults], dtype=float), self._joint)
        self._good: dict[tuple[object, ...], float] = {}
        self._step_entry: list[int] = []

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
        self.record_all([reading])

    def record_all(self, readings: Iterable[Reading]) -> None:
        """Take in many readings at once; none is recorded if one cannot be understood."""
        entries = [self._entry(reading) for reading in readings]
        if any(entry.reading.good_unit for entry in entries):
            self.entries.extend(entries)
            self._work_out()
            return
        for entry in entries:
            self.entries.append(entry)
            self._take_in(len(self.entries) - 1)
        self.belief.grow()

    def undo(self) -> Reading | None:
        """Forget the last reading; None if there is none."""
        if not self.entries:
            return None
        gone = self.entries.pop()
        if gone.reading.good_unit:
            self._work_out()
            return gone.reading
        for index, lines, again, step in reversed(gone.revised):
            entry = self.entries[index]
            entry.lines, entry.again, entry.step = lines, again, step
        self._restart()
        for index, entry in enumerate(self.entries):
            if entry.soft:
                self._learn_junctions(entry)
            self._put(index)
        noises = [entry.noise for entry in self.entries if entry.noise is not None and entry.soft]
        if noises:
            self.calibration = self._soft.fit(noises[-1])
        self.belief.grow()
        return gone.reading

    def start_over(self) -> None:
        """Forget all readings: another unit of the same board. What was worked out of the board is kept."""
        self.entries = []
        self._good = {}
        self._restart()
        self.proposals.start_over()

    def _entry(self, reading: Reading) -> Entry:
        spot, value = understand(self.board, reading)
        if spot.quantity in EVENTS:
            return Entry(reading, spot, key_of(spot), value, None)
        outcome = self.predictor.outcome(spot)
        likeness = self.predictor.likeness(spot) if spot.quantity in ("resistance", "continuity") else None
        return Entry(reading, spot, key_of(spot), value, outcome, likeness)

    # -- belief ------------------------------------------------------------------------------------------

    def _restart(self) -> None:
        """Back to knowing nothing of this unit."""
        self._soft.restart()
        self.calibration = self._soft.fit(np.zeros(0))
        self.sizes.restart()
        self.ties.restart()
        self.repeats.restart()
        self.belief.restart()
        self._step_entry = []

    def _work_out(self) -> None:
        """Belief from all entries afresh: a good unit's readings change what all others say."""
        self._good = {
            e.key: float(x)
            for e in self.entries
            if e.reading.good_unit and isinstance(x := measured(e.spot, e.value), float)
        }
        for entry in self.entries:
            entry.step, entry.soft, entry.noise = None, False, None
        self._restart()
        for index in range(len(self.entries)):
            self._take_in(index)
        self.belief.grow()

    def _take_in(self, index: int) -> None:
        """Judge one reading by what is known from those before it, and learn from it."""
        entry = self.entries[index]
        entry.revised = []
        if entry.reading.good_unit:
            return
        if entry.outcome is None:
            entry.step = self._cure(entry.spot)
            self._put(index)
            return
        placed = self._placed(entry)
        entry.first = entry.again = entry.tie = entry.sizes = None
        nets, line = self.nets_of(entry.spot), self.line_of(entry.spot)
        if isinstance(placed, Spread):
            entry.sizes = self.sizes.of(placed.faults)
            if nets is not None and entry.key not in self._good:
                entry.first = self.repeats.last(nets)
                entry.again = self._expected(entry.first, entry.spot, placed)
            if line is not None and entry.likeness is not None:
                entry.tie = self.ties.so_far(line, entry.likeness.kind, entry.spot.state.removed)
        entry.soft = self._tells_of_junctions(entry, placed)
        if entry.soft:
            self._learn_junctions(entry)
            entry.noise = self._soft.noise(self.belief.singles())
            self.calibration = self._soft.fit(entry.noise)
        entry.lines = NOT_SOFT
        if self._hangs_on_lines(entry):
            entry.lines = self._expected_lines([index])[0]
        entry.at_first = entry.lines
        entry.step = self._note(entry)
        self._put(index)
        if entry.soft:
            self._judge_anew(index)

    def _judge_anew(self, newest: int) -> None:
        """Judge earlier readings again where the newest moved what is expected of them.

        A line that reads as low as a short may stand for a board that does, until other lines are known.
        What was read before something was cured stays as it was judged.
        """
        first = 1 + max((n for n, step in enumerate(self.belief.steps) if isinstance(step, Cure)), default=-1)
        judged = [
            index
            for index in self._step_entry[first:]
            if index != newest and self._hangs_on_lines(self.entries[index])
        ]
        moved = {
            index
            for index, lines in zip(judged, self._expected_lines(judged), strict=True)
            if self._take_lines(index, lines, newest)
        }
        # What stands against a reading that is judged anew is to be judged anew as well.
        for index in self._step_entry[first:]:
            entry = self.entries[index]
            if entry.first is not None and entry.first.number in moved and isinstance(entry.step, Note):
                placed = self._placed(entry)
                assert isinstance(placed, Spread)
                self.entries[newest].revised.append((index, entry.lines, entry.again, entry.step))
                entry.again = self._expected(entry.first, entry.spot, placed)
                self._revise(index)
                moved.add(index)

    def _take_lines(self, index: int, lines: Lines, newest: int) -> bool:
        """Judge a reading by what is expected of its lines by now, if that moved."""
        entry = self.entries[index]
        if max(abs(x - y) for x, y in zip(lines, entry.lines, strict=True)) <= MOVED:
            return False
        assert isinstance(entry.step, Note)
        self.entries[newest].revised.append((index, entry.lines, entry.again, entry.step))
        entry.lines = lines
        self._revise(index)
        return True

    def _revise(self, index: int) -> None:
        entry = self.entries[index]
        entry.step = self._note(entry)
        self.belief.revise(self._step_entry.index(index), entry.step)

    def _expected(self, first: First | None, spot: Spot, placed: Spread) -> Expected | None:
        """What an earlier reading of the same two nets leads to expect."""
        if first is None:
            return None
        said = self.entries[first.number].step
        assert isinstance(said, Note)
        return Expected.of(first, said, placed, first.pins != _pins(spot))

    def _expected_lines(self, indices: Sequence[int]) -> list[Lines]:
        """What other readings lead to expect of the lines of some readings."""
        entries = [self.entries[index] for index in indices]
        found: dict[int, Lines] = {}
        if any(entry.soft for entry in entries):
            mean, sd, clean, clean_sd = self._soft.without(self.calibration)
            numbers = [i for i, entry in enumerate(self.entries) if entry.soft]
            for row, number in enumerate(numbers):
                found[number] = _lines(mean[row], sd[row], clean[row], clean_sd[row])
        others = [index for index in indices if index not in found]
        likenesses = [_likeness(self.entries[index]) for index in others]
        mean, sd = self.calibration.offsets(self.features.rows(likenesses))
        for row, index in enumerate(others):
            found[index] = _lines(mean[row], sd[row], mean[row], sd[row])
        return [found[index] for index in indices]

    def _hangs_on_lines(self, entry: Entry) -> bool:
        """Whether what is known of the board's junctions matters to a reading."""
        return (
            isinstance(entry.outcome, Spread)
            and entry.likeness is not None
            and entry.key not in self._good
            and not (entry.again is not None and entry.again.repeats)
        )

    def _tells_of_junctions(self, entry: Entry, placed: Outcome) -> bool:
        """Whether a reading says something new of the board's junctions."""
        value = measured(entry.spot, entry.value)
        return (
            self._hangs_on_lines(entry)
            and isinstance(placed, Spread)
            and placed.soft0 >= SOFT_SHARE
            and isinstance(value, float)
            and math.isfinite(value)
        )

    def _learn_junctions(self, entry: Entry) -> None:
        outcome = entry.outcome
        value = measured(entry.spot, entry.value)
        assert isinstance(outcome, Spread)
        assert isinstance(value, float)
        off = (value - outcome.mean0) / outcome.soft0
        self._soft.add(_likeness(entry), off, value < JUNCTION_FLOOR, outcome.faults)

    def _put(self, index: int) -> None:
        """Add what a judged reading says to the belief, and to what is known of sizes and ties."""
        entry = self.entries[index]
        if entry.step is None:
            return
        self.belief.add(entry.step, grow=False)
        self._step_entry.append(index)
        if entry.outcome is None:
            # What was worked on need not read as before.
            self.repeats.restart()
            return
        value = measured(entry.spot, entry.value)
        if not isinstance(entry.outcome, Spread) or not isinstance(value, float):
            return
        outcome = self._placed(entry)
        assert isinstance(outcome, Spread)
        nets, line = self.nets_of(entry.spot), self.line_of(entry.spot)
        if nets is not None and isinstance(entry.step, Note):
            self.repeats.learn(nets, First(index, _pins(entry.spot), value, outcome))
        if entry.again is not None and entry.again.repeats:
            return
        self.sizes.learn(outcome, value, *entry.at_first[2:])
        if line is not None and entry.likeness is not None:
            self.ties.learn(line, entry.likeness.kind, entry.spot.state.removed, value)

    def _note(self, entry: Entry) -> Note:
        outcome = self._placed(entry)
        value = measured(entry.spot, entry.value)
        if isinstance(outcome, Spread) and isinstance(value, float):
            sound, rows = outcome.log_likelihood(value, *entry.lines[:2], entry.sizes, entry.lines[2:])
            if entry.again is not None:
                slip = outcome.slip_log(value)
                sound, rows = entry.again.weigh(value, sound, rows)
                return Note(sound, slip, entry.again.faults, rows - sound)
            if entry.tie is not None:
                slip = outcome.slip_log(value)
                sound, rows = entry.tie.weigh(value, sound, slip, outcome.faults, rows)
        else:
            sound, rows = outcome.log_likelihood(value)  # type: ignore[arg-type]
        return Note(sound, outcome.slip_log(value), outcome.faults, rows - sound)  # type: ignore[arg-type]

    def expected(self, spot: Spot, outcome: Outcome) -> Expected | None:
        """What the last reading of the same two nets leads to expect of a check; None if there is none."""
        nets = self.nets_of(spot)
        if nets is None or not isinstance(outcome, Spread):
            return None
        return self._expected(self.repeats.last(nets), spot, outcome)

    def nets_of(self, spot: Spot) -> tuple[int, int] | None:
        """The two nodes that a resistance reading is between; None if they are one."""
        if spot.quantity != "resistance":
            return None
        i, j = (probe.node for probe in self.predictor.probes(spot))
        return None if i == j else (min(i, j), max(i, j))

    def line_of(self, spot: Spot) -> str | None:
        """The net of a resistance reading to ground."""
        if spot.quantity not in ("resistance", "continuity"):
            return None
        ends = (spot.net_a, spot.net_b)
        if self.board.ground not in ends or None in ends:
            return None
        return spot.net_a if spot.net_b == self.board.ground else spot.net_b

    def _placed(self, entry: Entry) -> Outcome:
        """An entry's outcome, re-centred on a good unit's reading if there is one."""
        outcome = entry.outcome
        assert outcome is not None
        good = self._good.get(entry.key)
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
        if entry.spot.quantity not in ("resistance", "continuity") or entry.again is not None:
            return None
        prepared = self.predictor.prepared(entry.spot.state.removed)
        i, j = self.predictor.probes(entry.spot)
        ohms = prepared.pair_resistance(members[0], members[1], i, j)
        spread = self.predictor.spread_of(
            prepared, i, j, prepared.network.resistance(i.node, j.node),
            np.array(members[:1]), np.array([ohms]), prepared.sides(i, j)[list(members[:1])],
            self.predictor.copper(entry.spot),
        )  # fmt: skip
        x = measured(entry.spot, entry.value)
        if len(spread.faults) == 0:
            return 0.0
        _, rows = spread.log_likelihood(x, *entry.lines[:2], clean=entry.lines[2:])  # type: ignore[arg-type]
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
        ratios = self.belief.ratios(fault)
        votes = [(ratio, self._told(step)) for step, ratio in ratios if ratio > 0.7]
        return tuple(text for _, text in sorted(votes, key=lambda vote: -vote[0])[:4])

    def weighed(self) -> list[tuple[int, str]]:
        """The readings that belief rests on: entries' numbers, and readings as `Suspect.because` has them."""
        return [(entry, self._told(step)) for step, entry in enumerate(self._step_entry)]

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
    def proposals(self) -> Proposals:
        """Which check to make next."""
        return Proposals(self)

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
        return [self.proposals.check(row) for row in self.proposals.worth_making(limit)]

    def cannot(self, check: Check) -> None:
        """Note that a check cannot be made here, so that it is not proposed again."""
        self.proposals.cannot(check.spot)

    # -- what to do ----------------------------------------------------------------------------------------

    def advice(self) -> Advice:
        """Check on, or mend: what is due now, and why."""
        suspects = self.suspects(5)
        ranked = self.proposals.worth_making(MOST_CHECKS)
        checks = [self.proposals.check(row) for row in ranked[:1]]
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


def _lines(mean: float, sd: float, clean: float, clean_sd: float) -> Lines:
    own = OWN_SD
    return float(mean), math.hypot(float(sd), own), float(clean), math.hypot(float(clean_sd), own)


def _likeness(entry: Entry) -> Likeness:
    assert entry.likeness is not None
    return entry.likeness


def _pins(spot: Spot) -> frozenset[str]:
    """Where the tips of a resistance reading stand."""
    return frozenset(str(pin or net) for pin, net in ((spot.pin_a, spot.net_a), (spot.pin_b, spot.net_b)))


def _two(spot: Spot) -> bool:
    return spot.quantity in ("resistance", "continuity", "voltage", "diode")
