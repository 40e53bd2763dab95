"""Distributions of what a check shows."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright.finding.outcomes import Sizes, Spread, cell_chances, free_edges, soft_shift


@given(st.floats(0.0, 1.0), st.floats(-4.0, 4.0))
def test_soft_shift_is_that_of_two_resistors_in_parallel(share: float, off: float) -> None:
    """A reading with a share of its conductance in junctions moves as the parallel formula says."""
    hard, soft = 1.0 - share, share
    expected = -math.log(hard + soft * math.exp(-off))
    moved, _ = soft_shift(np.array([share]), off, 0.0)
    assert moved[0] == pytest.approx(expected, abs=1e-9)


@given(
    st.lists(st.floats(-2.0, 16.0), min_size=1, max_size=6),
    st.floats(0.05, 3.0),
    st.floats(0.0, 1.0),
)
def test_outcome_chances_sum_to_one(means: list[float], sd: float, soft: float) -> None:
    """Whatever the prediction, the outcome cells cover everything once."""
    mean = np.array(means)
    spread = np.full(len(means), sd)
    edges = free_edges(mean, spread, np.full(len(means), 16.8))
    chances = cell_chances(mean, spread, np.full(len(means), soft), edges)
    assert np.all(chances >= -1e-12)
    assert chances.sum(axis=1) == pytest.approx(np.ones(len(means)), abs=1e-9)


def spread() -> Spread:
    return Spread(
        8.0, 0.5, 0.0, np.array([0]), np.array([1.0]), np.array([0.05]), np.array([0.0]), gain=np.array([1.0])
    )


def test_a_second_reading_of_the_same_fault_is_no_second_witness_of_its_size() -> None:
    """After one reading of a short, the next one must agree with it closely."""
    outcome, sizes = spread(), Sizes(1)
    before = outcome.log_likelihood(2.0, sizes=sizes)[1][0]
    sizes.learn(outcome, 2.0, 0.0, 0.0)
    same = outcome.log_likelihood(2.0, sizes=sizes)[1][0]
    other = outcome.log_likelihood(0.2, sizes=sizes)[1][0]
    assert same > before
    assert other < before - 2.0


def test_a_slip_cannot_kill_the_truth() -> None:
    """A reading far from every prediction costs each fault the same bounded amount."""
    outcome = spread()
    sound, rows = outcome.log_likelihood(13.0)
    assert sound > -15.0
    assert rows[0] > -15.0
