"""Adding readings one at a time, taking them back, and ranking lazily must change nothing but the time."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchwright import FaultFinder, Reading
from benchwright.demo.virtual_unit import VirtualUnit, draw_harm
from benchwright.finding.belief import Belief, Note
from benchwright.finding.finder import WITH_PROBE
from benchwright.finding.proposals import LEAST_BITS, Proposals
from random_boards import random_board

BOARD = random_board(11, chips=8, nets=40, passives=24)


@lru_cache
def pool() -> tuple[Reading, ...]:
    """Readings of every kind: of two units with different faults, so that some of them quarrel."""
    rng = np.random.default_rng(5)
    found: list[Reading] = []
    nets = [net for net in BOARD.nets if len(BOARD.nets[net]) > 1 and net != BOARD.ground]
    for _ in range(2):
        unit = VirtualUnit(BOARD, [draw_harm(BOARD, rng)], rng)
        for net in rng.choice(nets, 14, replace=False):
            pins = BOARD.nets[net]
            value = unit.answer("resistance", str(pins[0]), "GND")
            found.append(Reading("resistance", str(pins[0]), "GND", value))
            value = unit.answer("resistance", str(pins[0]), str(pins[-1]))
            found.append(Reading("resistance", str(pins[0]), str(pins[-1]), value))
        for ref in rng.choice(list(BOARD.parts), 4, replace=False):
            found.append(Reading("look", str(ref), value=unit.answer("look", str(ref))))
    ref = next(iter(BOARD.parts))
    found += [
        Reading("symptom", value="no picture", power=True),
        Reading("resistance", nets[0], "GND", "0R6"),
        Reading("resistance", nets[1], "GND", "1k2", good_unit=True),
        Reading("resistance", nets[1], "GND", "0R9"),
        Reading("continuity", str(BOARD.nets[nets[2]][0]), str(BOARD.nets[nets[2]][-1]), "no"),
        Reading("cleaned", ref),
        Reading("resistance", nets[3], "GND", "3k3", removed=(ref,)),
    ]
    return tuple(found)


@lru_cache
def finders() -> tuple[FaultFinder, FaultFinder]:
    return FaultFinder(BOARD), FaultFinder(BOARD)


@settings(max_examples=30)
@given(st.data())
def test_any_way_of_getting_there_gives_the_same_belief(data: st.DataObject) -> None:
    """Readings taken singly, in batches and taken back again leave the belief of those that remain."""
    stepwise, afresh = finders()
    stepwise.start_over()
    kept: list[Reading] = []
    which = st.integers(0, len(pool()) - 1)
    for _ in range(data.draw(st.integers(1, 14))):
        action = data.draw(st.sampled_from(("one", "one", "many", "undo")))
        if action == "one":
            reading = pool()[data.draw(which)]
            stepwise.record(reading)
            kept.append(reading)
        elif action == "many":
            readings = [pool()[i] for i in data.draw(st.lists(which, max_size=5))]
            stepwise.record_all(readings)
            kept.extend(readings)
        elif kept:
            assert stepwise.undo() == kept.pop()
    afresh.start_over()
    afresh.record_all(kept)
    chance, none, cured = stepwise.belief.posterior()
    fresh_chance, fresh_none, fresh_cured = afresh.belief.posterior()
    np.testing.assert_allclose(chance, fresh_chance, rtol=0, atol=1e-9)
    assert (none, cured) == pytest.approx((fresh_none, fresh_cured), abs=1e-9)
    assert [s.members for s in stepwise.belief.several] == [s.members for s in afresh.belief.several]
    both = [finder.calibration.offsets(finder.proposals._likenesses[1]) for finder in finders()]
    np.testing.assert_allclose(both[0], both[1], rtol=0, atol=1e-9)


@given(st.data())
def test_order_of_notes_does_not_matter(data: st.DataObject) -> None:
    """Any order of notes, with some taken in and forgotten on the way, gives one belief."""
    faults = data.draw(st.integers(2, 12))
    real = st.floats(-9.0, 9.0, allow_nan=False)
    notes = []
    for _ in range(data.draw(st.integers(1, 8))):
        touched = data.draw(st.sets(st.integers(0, faults - 1), min_size=1))
        delta = data.draw(st.lists(real, min_size=len(touched), max_size=len(touched)))
        notes.append(Note(data.draw(real), -5.0, np.array(sorted(touched)), np.array(delta)))
    rates = np.array(data.draw(st.lists(st.floats(1e-6, 10.0), min_size=faults, max_size=faults)))
    order = data.draw(st.permutations(range(len(notes))))
    one, other = Belief(rates), Belief(rates)
    for note in notes:
        one.add(note)
    other.add(notes[0])
    other.restart()
    for index in order:
        other.add(notes[index], grow=False)
    other.grow()
    for mine, theirs in zip(one.posterior(), other.posterior(), strict=True):
        np.testing.assert_allclose(mine, theirs, rtol=0, atol=1e-9)


def test_sets_of_faults_asked_for_at_the_end_are_those_asked_for_on_the_way() -> None:
    """Readings that quarrel make sets of faults; that nobody looks at them in between changes nothing."""
    looked, unseen = FaultFinder(BOARD), FaultFinder(BOARD)
    most = 0
    for reading in pool():
        looked.record(reading)
        most = max(most, len(looked.belief.several))
        unseen.record(reading)
    assert most > 0
    assert unseen.belief.sets() == looked.belief.sets()
    for mine, theirs in zip(unseen.belief.posterior(), looked.belief.posterior(), strict=True):
        np.testing.assert_array_equal(mine, theirs)


@pytest.mark.parametrize("seed", range(4))
def test_lazy_ranking_finds_the_best_checks(seed: int) -> None:
    """Weighing only what may be among the best gives the order that weighing everything gives."""
    rng = np.random.default_rng(seed)
    finder = FaultFinder(BOARD, quantities=WITH_PROBE)
    readings = [pool()[i] for i in rng.choice(len(pool()), 3 * seed, replace=False)]
    finder.record_all([r for r in readings if not r.removed])
    fresh = Proposals(finder)
    chance = finder.place_chances()[1]
    ranked = fresh.worth_making(8)
    table = fresh.table
    bits, minutes = table.bits(chance), fresh._minutes()
    may = fresh._open()
    if fresh._rails_to_measure() or not fresh._may_power(chance):
        may &= ~fresh._costs[1]
    rates = sorted(bits[may & (bits >= LEAST_BITS)] / minutes[may & (bits >= LEAST_BITS)], reverse=True)
    credited = {fresh._line_checks.get(net) for net in fresh._rails_to_measure()}
    mine = [bit / cost for bit, cost, at, index in ranked if at is table and index not in credited]
    assert len(mine) >= 2
    rest = [rate for rate in rates if rate >= mine[-1] - 1e-12]
    uncredited = [
        rate
        for rate in rest
        if not any(math.isclose(rate, bits[i] / minutes[i]) for i in credited if i is not None)
    ]
    assert mine == pytest.approx(uncredited[: len(mine)], abs=1e-12)


@settings(max_examples=20)
@given(st.integers(0, 2**32 - 1))
def test_bounds_are_above_what_checks_tell(seed: int) -> None:
    """No check tells more than its bound, whatever is believed; and a part of the table is as the whole."""
    rng = np.random.default_rng(seed)
    finder = finders()[0]
    table = finder.proposals.table
    chance = rng.dirichlet(np.full(len(finder.faults), rng.choice([0.003, 0.05, 1.0])))
    offsets = np.stack([rng.normal(0, 1, len(table.spots)), rng.uniform(0.25, 1.5, len(table.spots))], axis=1)
    table.settle(offsets)
    bits = table.bits(chance)
    # Faults too unlikely to count in the exact sum may lift it above the bound by as little.
    assert np.all(bits <= table.bounds(chance) + 1e-3)
    which = np.flatnonzero(rng.random(len(table.spots)) < 0.3)
    np.testing.assert_allclose(table.bits(chance, which), bits[which], rtol=0, atol=1e-12)
    sound, under = table.sound.copy(), table.under.copy()
    table.settle(np.zeros_like(offsets))
    table.settle(offsets, which=which)
    rows = np.isin(table.check, which)
    np.testing.assert_allclose(table.sound[which], sound[which])
    np.testing.assert_allclose(table.under[rows], under[rows])
    finder.proposals.table.settle(np.zeros_like(offsets))
