"""The planner on problems of every kind: never below the best, and it costs what it says."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchwright.finding.plan import (
    BadProblem,
    Node,
    Plan,
    Problem,
    Step,
    expected_cost_of_repair,
    lower_bound,
    optimal,
    plan,
    policy_minutes,
    repair_order,
)


def draw_problem(rng: np.random.Generator, faults: int, classes: int, tests: int) -> Problem:
    """A problem with or without noise, giving up, uncertain repairs and setups."""
    noisy, cells = rng.random() < 0.5, int(rng.integers(2, 4))
    outcomes = [
        rng.dirichlet(np.full(cells, 0.3), faults)
        if noisy and rng.random() < 0.6
        else np.eye(cells)[rng.integers(0, cells, faults)]
        for _ in range(tests)
    ]
    extra: dict[str, Any] = {}
    if rng.random() < 0.5:
        extra["give_up_minutes"] = float(rng.uniform(5, 150))
        if rng.random() < 0.5:
            extra["success"] = np.clip(rng.uniform(-0.3, 1.5, classes), 0, 1)
    if rng.random() < 0.5:
        extra["setup_minutes"] = rng.uniform(1, 30, 2)
        extra["test_setup"] = rng.integers(-1, 2, tests)
        extra["repair_setup"] = rng.integers(-1, 2, classes)
    return Problem(
        rng.lognormal(0, 1, faults),
        rng.integers(0, classes, faults),
        rng.uniform(5, 60, classes),
        outcomes,
        rng.uniform(1, 10, tests),
        **extra,
    )


@st.composite
def small(draw: st.DrawFn) -> Problem:
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    faults = draw(st.integers(1, 6))
    return draw_problem(rng, faults, draw(st.integers(1, min(faults, 4))), draw(st.integers(0, 4)))


@st.composite
def middling(draw: st.DrawFn) -> Problem:
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    return draw_problem(rng, draw(st.integers(18, 40)), 18, draw(st.integers(1, 8)))


def cost_by_hand(found: Plan, problem: Problem, fault: int) -> float:
    """Expected minutes if this fault is the true one, by walking the plan as a person would."""
    assert problem.success is not None
    assert problem.setup_minutes is not None
    assert problem.test_setup is not None
    assert problem.repair_setup is not None

    def price(step: Step, opened: set[int]) -> float:
        if step.kind == "give up":
            return problem.give_up_minutes or 0.0
        minutes = problem.test_minutes if step.kind == "test" else problem.repair_minutes
        needs = problem.test_setup if step.kind == "test" else problem.repair_setup
        assert needs is not None
        assert problem.setup_minutes is not None
        setup = int(needs[step.index or 0])
        fresh = setup >= 0 and setup not in opened
        opened |= {setup} if setup >= 0 else set()
        return float(minutes[step.index or 0]) + (float(problem.setup_minutes[setup]) if fresh else 0.0)

    def walk(node: Node, chance: float, opened: set[int], uncurable: bool) -> float:
        opened = set(opened)
        step, cost = node.step, chance * price(node.step, opened)
        hit = step.kind == "repair" and step.index == problem.repair_class[fault] and not uncurable
        stays = 1.0 - float(problem.success[step.index or 0]) if hit else 1.0
        uncurable |= hit
        if step.kind == "give up":
            return cost
        for place in node.branches:
            below = found.tree[place]
            if step.kind == "test":
                share = float(cells(step.index or 0)[fault, below.outcome or 0])
            else:
                share = stays
            if chance * share > 0:
                cost += walk(below, chance * share, opened, uncurable)
        if node.onward:
            left = chance * stays
            for later in node.onward:
                cost += left * price(later, opened)
                if later.kind == "repair" and later.index == problem.repair_class[fault] and not uncurable:
                    left *= 1.0 - float(problem.success[later.index or 0])
                    uncurable = True
        return cost

    def cells(test: int) -> np.ndarray:
        # outcome numbers in a plan are the columns of the problem's table
        return problem.outcomes[test]

    return walk(found.tree[0], 1.0, set(), False)


@settings(max_examples=150, deadline=None)
@given(small())
def test_plan_is_optimal_and_bounded_where_everything_can_be_tried(problem: Problem) -> None:
    """On small problems of every kind the plan costs what trying everything finds, and no bound is above."""
    best = optimal(problem)
    for effort in ("quick", "usual"):
        found = plan(problem, effort)  # type: ignore[arg-type]
        assert found.exact
        assert found.expected_minutes == pytest.approx(best, rel=1e-9)
    assert lower_bound(problem) <= best * (1 + 1e-9)


@settings(max_examples=60, deadline=None)
@given(small())
def test_plan_costs_what_it_says(problem: Problem) -> None:
    """Walking the plan under each fault in turn adds up to its expected minutes."""
    found = plan(problem)
    p = np.asarray(problem.probability)
    by_hand = sum(p[f] * cost_by_hand(found, problem, f) for f in range(len(p)) if p[f] > 0)
    assert by_hand == pytest.approx(found.expected_minutes, rel=1e-9)


@settings(max_examples=25, deadline=None)
@given(middling())
def test_unsolved_plan_stays_between_bound_and_repairs_only(problem: Problem) -> None:
    """Beyond exact solution a plan costs no less than the bound, and no more than repairs without tests."""
    found = plan(problem, "quick")
    assert problem.success is not None
    by_class = np.bincount(problem.repair_class, problem.probability, len(problem.repair_minutes))
    setup, opening = problem.repair_setup, problem.setup_minutes
    blind = expected_cost_of_repair(
        by_class * problem.success, problem.repair_minutes, problem.give_up_minutes, setup, opening
    )
    assert found.lower_bound <= found.expected_minutes <= blind * (1 + 1e-9)


@settings(max_examples=100, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(1, 5))
def test_repair_order_is_the_best_order(seed: int, count: int) -> None:
    """With clusters to open and a way to give up, no order and no moment to stop is cheaper."""
    from itertools import permutations

    rng = np.random.default_rng(seed)
    p, c = rng.dirichlet(np.ones(count)), rng.uniform(1, 30, count)
    setup, opening = rng.integers(-1, 2, count), rng.uniform(0, 40, 2)
    give_up = float(rng.uniform(5, 100))

    def cost(order: tuple[int, ...], cut: int | None) -> float:
        left, total, opened = 1.0, 0.0, set()
        for k in order[:cut]:
            if setup[k] >= 0 and setup[k] not in opened:
                opened.add(setup[k])
                total += left * opening[setup[k]]
            total += left * c[k]
            left -= p[k]
        return total + (0.0 if cut is None else left * give_up)

    orders = list(permutations(range(count)))
    ours = tuple(repair_order(p, c, setup, opening).tolist())
    assert cost(ours, None) == pytest.approx(min(cost(order, None) for order in orders), rel=1e-9)
    assert expected_cost_of_repair(p, c, None, setup, opening) == pytest.approx(cost(ours, None), rel=1e-9)
    plain = min(cost(order, cut) for order in orders for cut in range(count + 1))
    assert expected_cost_of_repair(p, c, give_up, setup, opening) >= plain * (1 - 1e-9)
    setup[:] = -1
    plain = min(cost(order, cut) for order in orders for cut in range(count + 1))
    assert expected_cost_of_repair(p, c, give_up) == pytest.approx(plain, rel=1e-9)


def two_faults(**changes: Any) -> Problem:
    values: dict[str, Any] = {
        "probability": np.array([0.5, 0.5]),
        "repair_class": np.array([0, 1]),
        "repair_minutes": np.array([10.0, 20.0]),
        "outcomes": [np.eye(2)],
        "test_minutes": np.array([1.0]),
    }
    return Problem(**(values | changes))


def test_faults_of_one_repair_are_not_told_apart() -> None:
    """A test that only separates faults of one repair is never done, however cheap."""
    problem = two_faults(repair_class=np.array([1, 1]))
    found = plan(problem)
    assert found.first == Step("repair", 1)
    assert found.expected_minutes == pytest.approx(20.0)


def test_repair_without_test_when_the_test_is_dear() -> None:
    """A test that costs more than the repairs it saves is left out."""
    assert plan(two_faults(test_minutes=np.array([6.0]))).first == Step("repair", 0)
    assert plan(two_faults(test_minutes=np.array([4.0]))).first == Step("test", 0)


def test_opening_is_paid_once() -> None:
    """A test behind an opening is worth more when the repair has to open the same."""
    setups = {"setup_minutes": np.array([8.0]), "test_setup": np.array([0])}
    assert plan(two_faults(**setups, repair_setup=np.array([-1, -1]))).first == Step("repair", 0)
    shared = plan(two_faults(**setups, repair_setup=np.array([0, 0])))
    assert shared.first == Step("test", 0)
    assert shared.expected_minutes == pytest.approx(8 + 1 + 15)


def test_uncertain_repair_ends_in_giving_up() -> None:
    """What a repair left uncured is given up, and the plan counts it."""
    problem = two_faults(success=np.array([0.8, 1.0]), give_up_minutes=100.0, outcomes=[], test_minutes=[])
    # repair 0 (10), not cured 0.6; repair 1 (20), not cured 0.1; give up (100)
    assert plan(problem).expected_minutes == pytest.approx(10 + 0.6 * 20 + 0.1 * 100)


def test_outline_tells_steps_and_what_led_to_them() -> None:
    """The outline names the step, its minutes, and the outcome before it."""
    lines = plan(two_faults()).outline(names=lambda step: f"<{step}>")
    assert lines == [
        "<test 0>, 16.0 min",
        "  outcome 0 (50 %): <repair 0>, 10.0 min",
        "  outcome 1 (50 %): <repair 1>, 20.0 min",
    ]


def test_outcome_numbers_are_those_of_the_table() -> None:
    """An outcome that cannot happen keeps its number, so that the others keep theirs."""
    table = np.array([[0.0, 1.0, 0.0, 0.0], [0.0, 0.0, 0.0, 1.0]])
    found = plan(two_faults(outcomes=[table]))
    assert {found.tree[b].outcome: str(found.tree[b].step) for b in found.tree[0].branches} == {
        1: "repair 0",
        3: "repair 1",
    }


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"probability": np.array([0.5, -0.5])}, "0 or more"),
        ({"probability": np.array([np.nan, 0.5])}, "finite"),
        ({"probability": np.zeros(2)}, "more than 0 in all"),
        ({"repair_class": np.array([0, 2])}, "between 0 and 1"),
        ({"repair_minutes": np.array([0.0, 1.0])}, "above 0"),
        ({"test_minutes": np.array([1.0, 1.0])}, "1 outcome tables for 2 tests"),
        ({"outcomes": [np.ones((2, 2))]}, "sum to 1"),
        ({"outcomes": [np.eye(3)]}, "2 rows"),
        ({"success": np.array([0.5, 1.0])}, "give_up_minutes is needed"),
        ({"give_up_minutes": 0.0}, "above 0"),
        ({"setup_minutes": np.array([-1.0])}, "0 or more"),
        ({"test_setup": np.array([0])}, "between -1 and -1"),
    ],
)
def test_numbers_that_make_no_problem_are_refused(changes: dict[str, Any], words: str) -> None:
    """Each kind of impossible number is refused, and the message says which and why."""
    with pytest.raises(BadProblem, match=words):
        two_faults(**changes)


def noisy_problem(faults: int, classes: int, tests: int) -> Problem:
    """Tests that each say under each fault one of three things, and are wrong 1 % of the time."""
    rng = np.random.default_rng(4)
    tables = [0.985 * np.eye(3)[rng.integers(0, 3, faults)] + 0.005 for _ in range(tests)]
    return Problem(
        rng.lognormal(0, 1, faults),
        np.arange(faults) % classes,
        rng.uniform(5, 60, classes),
        tables,
        rng.uniform(1, 6, tests),
    )


def test_large_noisy_plan_is_an_estimate_and_says_so() -> None:
    """With many candidates in every outcome the cost is estimated, between bound and repairs only."""
    problem = noisy_problem(120, 40, 20)
    found = plan(problem, "quick")
    assert found.estimated
    assert not found.exact
    assert found.first.kind == "test"
    mass = np.bincount(problem.repair_class, problem.probability)
    assert found.lower_bound < found.expected_minutes
    # telling 40 repairs apart takes far less than half of what trying them takes
    assert found.expected_minutes < 0.5 * expected_cost_of_repair(mass, problem.repair_minutes)


def test_estimate_agrees_with_the_plan_followed_in_full() -> None:
    """Where every outcome can still be followed, the estimate is within 5 % of what that costs."""
    problem = noisy_problem(12, 12, 6)
    estimated = plan(problem, "quick")
    assert estimated.estimated
    assert estimated.expected_minutes == pytest.approx(policy_minutes(problem), rel=0.05)


@pytest.mark.parametrize("tests", [1, 12])
def test_chances_next_to_nothing_do_no_harm(tests: int) -> None:
    """Probabilities that vanish in floating point change nothing that can be seen."""
    table = np.array([[1.0, 1e-300], [1e-300, 1.0], [1.0 - 1e-200, 1e-200]])
    problem = Problem(
        np.array([1.0, 1.0, 1e-300]),
        np.arange(3),
        np.array([10.0, 20.0, 30.0]),
        [table] * tests,
        np.ones(tests),
    )
    for effort in ("quick", "usual", "thorough"):
        found = plan(problem, effort)  # type: ignore[arg-type]
        assert found.first.kind == "test"
        assert found.expected_minutes == pytest.approx(16.0)


def test_judge_says_when_a_problem_is_too_large() -> None:
    """Trying everything stops at its limit with a clear word instead of running on."""
    problem = draw_problem(np.random.default_rng(2), 12, 12, 8)
    with pytest.raises(BadProblem, match="too large"):
        optimal(problem, 50)
