"""The belief against posteriors worked out by hand from the network of five resistors."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchwright.finding.belief import Belief, Note

# Five states of a 5 V divider of five resistors; node voltages are exact fractions, solved by hand from
# the 2 x 2 conductance matrix: sound, R2 open, R4 open, R3 open, R3 short.
VOLTS_A = (17 / 6, 85 / 22, 24 / 7, 10 / 3, 55 / 21)
VOLTS_B = (25 / 12, 30 / 11, 25 / 7, 5 / 6, 55 / 21)
PRIOR = (0.20, 0.20, 0.25, 0.20, 0.15)
SIGMA = 0.30


def note(volts: tuple[float, ...], seen: float) -> Note:
    logs = [-0.5 * ((seen - v) / SIGMA) ** 2 for v in volts]
    return Note(0.0, -20.0, np.arange(len(volts)), np.array(logs))


def among_faults(belief: Belief) -> np.ndarray:
    chance = belief.posterior()[0]
    return chance / chance.sum()


def entropy(p: np.ndarray) -> float:
    return float(-sum(x * math.log2(x) for x in p if x > 0))


def test_posterior_after_one_and_two_readings() -> None:
    """Bayes' rule with normal errors of 0.30 V: V_A = 3.40 V, then V_B = 3.20 V.

    Expected values by direct evaluation of Bayes' rule (no published source; worked example).
    """
    belief = Belief(np.array(PRIOR))
    belief.add(note(VOLTS_A, 3.40), grow=False)
    first = among_faults(belief)
    assert first == pytest.approx([0.061841, 0.111532, 0.458120, 0.359183, 0.009324], abs=2e-6)
    assert entropy(first) == pytest.approx(1.710662, abs=1e-5)
    belief.add(note(VOLTS_B, 3.20), grow=False)
    second = among_faults(belief)
    assert second == pytest.approx([0.000246, 0.130691, 0.863265, 0.0, 0.005798], abs=2e-6)
    assert entropy(second) == pytest.approx(0.612828, abs=1e-5)


def test_order_of_readings_does_not_matter() -> None:
    """The same readings in another order give the same posterior."""
    one, other = Belief(np.array(PRIOR)), Belief(np.array(PRIOR))
    a, b = note(VOLTS_A, 3.40), note(VOLTS_B, 3.20)
    for step in (a, b):
        one.add(step, grow=False)
    for step in (b, a):
        other.add(step, grow=False)
    assert among_faults(one) == pytest.approx(among_faults(other), abs=1e-12)
