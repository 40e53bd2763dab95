"""Plans of tests and repairs against worked examples with exact answers.

Sources: Kadane & Simon 1977 (order of repairs) and Ottosen & Jensen 2012, arXiv 1203.3502 (clusters) for the
rules; Balakrishnan & Semmelbauer 1999 for the staircase tables. The numbers of the worked examples were found
by trying every order or every tree, in exact fractions, apart from this project; the matrix of the five-state
test tree is from memory of the test-sequencing literature.
"""

from __future__ import annotations

import math
from itertools import permutations

import numpy as np
import pytest

from benchwright.finding.plan import (
    Problem,
    Step,
    expected_cost_of_repair,
    lower_bound,
    optimal,
    plan,
    repair_order,
)

DEAR = 1.0e6
"""Minutes of a repair in a problem that is only about telling faults apart: never tried on suspicion."""


def shown_by(faults: int, *detected: set[int]) -> list[np.ndarray]:
    """Outcome tables of tests that fail for certain under the faults named."""
    return [np.array([[0.0, 1.0] if f in under else [1.0, 0.0] for f in range(faults)]) for under in detected]


def telling_apart(p: list[float], rows: list[str], minutes: list[float]) -> Problem:
    """Faults with their rows of test outcomes; the plan's minutes are the tests' plus `DEAR`."""
    tests = [{f for f, row in enumerate(rows) if row[t] == "1"} for t in range(len(minutes))]
    n = len(p)
    return Problem(
        np.array(p), np.arange(n), np.full(n, DEAR), shown_by(n, *tests), np.array(minutes, dtype=float)
    )


P5 = [0.30, 0.25, 0.20, 0.15, 0.10]
C5 = [6.0, 20.0, 5.0, 2.0, 3.0]


def cost_of(order: tuple[int, ...], p: list[float], c: list[float]) -> float:
    left, total = 1.0, 0.0
    for k in order:
        total += left * c[k]
        left -= p[k]
    return total


def test_five_repairs_go_by_chance_over_minutes() -> None:
    """The order of repairs and its cost are the best of all 120."""
    assert (repair_order(P5, C5) + 1).tolist() == [4, 1, 3, 5, 2]
    assert expected_cost_of_repair(P5, C5) == pytest.approx(15.9)
    costs = sorted(cost_of(order, P5, C5) for order in permutations(range(5)))
    assert costs[:2] == pytest.approx([15.9, 16.0])
    assert costs[-1] == pytest.approx(28.5)


@pytest.mark.parametrize(
    ("give_up", "minutes"),
    # 16: stopping at the first dip of the cost along the order would give 15.6
    [(12.0, 12.0), (16.0, 14.9), (30.0, 15.9)],
)
def test_every_moment_to_give_up_is_tried(give_up: float, minutes: float) -> None:
    """Giving up is placed at the lowest of several dips, in the helper and in the plan."""
    assert expected_cost_of_repair(P5, C5, give_up) == pytest.approx(minutes)
    problem = Problem(np.array(P5), np.arange(5), np.array(C5), [], np.zeros(0), give_up)
    found = plan(problem)
    assert found.expected_minutes == pytest.approx(minutes)
    assert optimal(problem) == pytest.approx(minutes)
    assert (found.first == Step("give up")) == (give_up == 12.0)


def test_cluster_that_must_be_opened() -> None:
    """Two repairs behind an opening of 30 min come as a block at their ratio of chance to minutes."""
    c, setup, opening = [5.0, 5.0, 10.0, 12.0, 4.0], [0, 0, -1, -1, -1], [30.0]
    assert (repair_order(P5, c, setup, opening) + 1).tolist() == [5, 3, 1, 2, 4]
    assert expected_cost_of_repair(P5, c, None, setup, opening) == pytest.approx(41.3)
    # what it costs to go by the plain ratios and open on the way: 1, 2, 5, 3, 4
    assert cost_of((0, 1, 4, 2, 3), P5, c) + 30 == pytest.approx(45.6)
    problem = Problem(
        np.array(P5),
        np.arange(5),
        np.array(c),
        [],
        np.zeros(0),
        setup_minutes=np.array(opening),
        repair_setup=np.array(setup),
    )
    assert plan(problem).expected_minutes == pytest.approx(41.3)
    assert optimal(problem) == pytest.approx(41.3)


def test_one_by_one_with_the_system_test_each_time() -> None:
    """Three actions of 1 min with a system test of 5 min after each cost 10.2 min."""
    assert expected_cost_of_repair([0.5, 0.3, 0.2], [6.0, 6.0, 6.0]) == pytest.approx(10.2)


FIVE = ["00000", "01001", "00110", "10011", "11000"]
FIVE_P = [0.70, 0.01, 0.02, 0.10, 0.17]


@pytest.mark.parametrize(
    ("minutes", "tests_cost"),
    [([1, 1, 1, 1, 1], 2.12), ([1, 2, 3, 4, 5], 5.15), ([5, 1, 1, 2, 1], 2.72)],
)
def test_five_state_tree(minutes: list[float], tests_cost: float) -> None:
    """The plan finds the best test tree, where the greediest start costs up to 28 % more."""
    problem = telling_apart(FIVE_P, FIVE, minutes)
    assert plan(problem).expected_minutes - DEAR == pytest.approx(tests_cost, abs=1e-6)
    assert optimal(problem) - DEAR == pytest.approx(tests_cost, abs=1e-6)


def test_five_state_tree_starts_with_the_second_test_not_with_the_most_telling_one() -> None:
    """The most informative first test leads to 2.71 at best; the best plan begins with another."""
    problem = telling_apart(FIVE_P, FIVE, [1, 1, 1, 1, 1])
    assert plan(problem).first == Step("test", 1)
    p = np.array(FIVE_P)
    fails = [sum(p[f] for f in range(5) if FIVE[f][t] == "1") for t in range(5)]
    assert int(np.argmax([-q * math.log(q) - (1 - q) * math.log(1 - q) for q in fails])) == 0
    after_t1 = 1.0
    for side in ("0", "1"):
        kept = [f for f in range(5) if FIVE[f][0] == side]
        q = p[kept] / p[kept].sum()
        rest = telling_apart(list(q), [FIVE[f] for f in kept], [1, 1, 1, 1, 1])
        after_t1 += p[kept].sum() * (optimal(rest) - DEAR)
    assert after_t1 == pytest.approx(2.71, abs=1e-6)


def test_code_length_bounds_the_tests() -> None:
    """The Huffman lengths of the two examples, with unequal costs charged cheapest first."""
    # W* = 1.46, one of them being the repair itself: 0.46 of the cheapest action on top of the repairs
    assert lower_bound(telling_apart(FIVE_P, FIVE, [1, 2, 3, 4, 5])) - DEAR == pytest.approx(0.46, abs=1e-6)
    rows = ["0000", "0001", "0011", "0111", "1111"]
    bound = lower_bound(telling_apart([0.1, 0.1, 0.5, 0.2, 0.1], rows, [3, 1, 2, 4]))
    assert bound - DEAR == pytest.approx(1.0, abs=1e-6)  # W* = 2.0


@pytest.mark.parametrize(("p", "tests"), [([0.2] * 5, 12 / 5), ([0.1, 0.1, 0.5, 0.2, 0.1], 2.2)])
def test_staircase(p: list[float], tests: float) -> None:
    """Five defects that four tests split like stairs need 2.4 and 2.2 tests on average."""
    problem = telling_apart(p, ["0000", "0001", "0011", "0111", "1111"], [1, 1, 1, 1])
    assert plan(problem).expected_minutes - DEAR == pytest.approx(tests, abs=1e-6)


@pytest.mark.parametrize(("links", "tests"), [(10, 3.4), (100, 6.72), (300, 8.29333333)])
def test_chain_of_equal_opens_is_halved(links: int, tests: float) -> None:
    """An open anywhere along a chain is found by halving: the average of the published lengths."""
    # 300 = 2^8 + 44: 212 places at 8 tests and 88 at 9 (same formula as the others)
    tables = [
        np.stack([np.arange(links) <= cut, np.arange(links) > cut], axis=1).astype(float)
        for cut in range(links - 1)
    ]
    problem = Problem(
        np.full(links, 1 / links), np.arange(links), np.full(links, DEAR), tables, np.ones(links - 1)
    )
    assert plan(problem, "quick").expected_minutes - DEAR == pytest.approx(tests, abs=1e-5)


FOUR = Problem(
    np.array([0.4, 0.3, 0.2, 0.1]),
    np.arange(4),
    np.array([30.0, 20.0, 25.0, 60.0]),
    shown_by(4, {0, 1}, {0, 2}, {3}),
    np.array([4.0, 6.0, 3.0]),
)


def test_four_faults_with_tests_and_repairs() -> None:
    """The plan starts with the first test at 38.1 min and goes on as the exact tree does."""
    found = plan(FOUR)
    assert found.exact
    assert found.first == Step("test", 0)
    assert found.expected_minutes == pytest.approx(38.1)
    after = {found.tree[b].outcome: found.tree[b] for b in found.tree[0].branches}
    assert (after[1].step, after[0].step) == (Step("test", 1), Step("test", 2))
    assert after[1].expected_minutes == pytest.approx(31.714, abs=5e-4)
    assert after[0].expected_minutes == pytest.approx(39.667, abs=5e-4)


@pytest.mark.parametrize(
    ("first", "minutes"),
    [
        (Step("test", 0), 38.1),
        (Step("test", 1), 38.6),
        (Step("test", 2), 39.8),
        (Step("repair", 1), 46.7),
        (Step("repair", 0), 50.3),
        (Step("repair", 2), 55.0),
        (Step("repair", 3), 90.8),
    ],
    ids=str,
)
def test_four_faults_every_first_step(first: Step, minutes: float) -> None:
    """Each first step followed by the best plan costs what the exact table says."""
    p, index = np.asarray(FOUR.probability), first.index or 0
    if first.kind == "test":
        total, sides = FOUR.test_minutes[index], [FOUR.outcomes[index][:, cell] > 0 for cell in (0, 1)]
    else:
        total, sides = FOUR.repair_minutes[index], [np.arange(4) != index]
    for side in sides:
        rest = Problem(p * side, FOUR.repair_class, FOUR.repair_minutes, FOUR.outcomes, FOUR.test_minutes)
        total += p[side].sum() * plan(rest).expected_minutes
    assert total == pytest.approx(minutes)


def test_four_faults_repairs_only_and_fault_known() -> None:
    """Without tests the best order costs 54.5 min; no plan beats 29.0 min plus what telling apart takes."""
    assert expected_cost_of_repair(FOUR.probability, FOUR.repair_minutes) == pytest.approx(54.5)
    assert (repair_order(FOUR.probability, FOUR.repair_minutes) + 1).tolist() == [2, 1, 3, 4]
    # Huffman length of .4 .3 .2 .1 is 1.9: 0.9 of the cheapest action, 3 min
    assert lower_bound(FOUR) == pytest.approx(29.0 + 0.9 * 3.0)
