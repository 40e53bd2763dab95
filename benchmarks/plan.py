"""How far the plans of tests and repairs are from the exact optimum.

Draws seeded problems small enough to be solved by trying everything (`optimal`, written apart from the
planner) and prints for each way of planning the mean, 95th percentile and largest gap above the optimum,
the share of problems within 5 %, and the time of a plan. Four kinds share one set-up: 14 faults
in 7 repairs of 2, priors lognormal, 16 certain tests that each detect a fault with probability d, repairs of
6 to 61 min. The fifth has noisy tests.

    python benchmarks/plan.py --problems 375
"""

from __future__ import annotations

import argparse
import time
from concurrent.futures import ProcessPoolExecutor

import numpy as np

from benchwright.finding.plan import (
    Problem,
    expected_cost_of_repair,
    lower_bound,
    optimal,
    plan,
    policy_minutes,
)

CERTAIN = {
    "tests 1-6 min, d 0.35": (1.0, 6.0, 0.35),
    "tests 4-25 min, d 0.35": (4.0, 25.0, 0.35),
    "tests 1-6 min, d 0.12": (1.0, 6.0, 0.12),
    "tests 2-12 min, d 0.50": (2.0, 12.0, 0.50),
}
NOISY = "noisy, 9 faults, 6 tests"


def draw(kind: str, rng: np.random.Generator) -> Problem:
    if kind == NOISY:
        tables = []
        for _ in range(6):
            detects = (rng.random(9) < 0.4)[:, None]
            miss, alarm = rng.uniform(0.01, 0.1, 2)
            tables.append(np.where(detects, [miss, 1 - miss], [1 - alarm, alarm]))
        return Problem(
            rng.lognormal(0, 1, 9),
            rng.permutation(np.arange(9) % 5),
            rng.uniform(5, 60, 5) + 1,
            tables,
            rng.uniform(1, 6, 6),
        )
    low, high, detected = CERTAIN[kind]
    shows = (rng.random((16, 14)) < detected).astype(float)
    return Problem(
        rng.lognormal(0, 1, 14),
        np.arange(14) // 2,
        rng.uniform(5, 60, 7) + 1,
        [np.stack([1 - row, row], axis=1) for row in shows],
        rng.uniform(low, high, 16),
    )


def repairs_only(problem: Problem) -> float:
    mass = np.bincount(problem.repair_class, problem.probability, len(problem.repair_minutes))
    return expected_cost_of_repair(mass, problem.repair_minutes)


WAYS = {
    "plan (usual effort)": lambda problem: plan(problem).expected_minutes,
    "repairs only": repairs_only,
    "base policy": lambda problem: policy_minutes(problem),
    "first step rolled out": lambda problem: policy_minutes(problem, 1, 0),
    "rollout": lambda problem: policy_minutes(problem, 1, 1),
    "rollout, first step twice": lambda problem: policy_minutes(problem, 2, 1),
    "lower bound": lower_bound,
}


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--problems", type=int, default=375, help="in all, shared over the kinds")
    parser.add_argument("--jobs", type=int, default=2, help="processes; 1 for undisturbed times")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    kinds = [*CERTAIN, NOISY]
    each = -(-given.problems // len(kinds))
    print(f"{each} problems of each kind, seed {given.seed}; gaps above the optimum in percent")
    with ProcessPoolExecutor(given.jobs) as pool:
        waiting = [pool.submit(table, kind, [given.seed, n], each) for n, kind in enumerate(kinds)]
        for done in waiting:
            print(done.result(), flush=True)


def table(kind: str, seed: list[int], count: int) -> str:
    """The rows of one kind of problem."""
    rng = np.random.default_rng(seed)
    problems = [draw(kind, rng) for _ in range(count)]
    start = time.perf_counter()
    best = np.array([optimal(problem) for problem in problems])
    judged = (time.perf_counter() - start) / count
    lines = ["", f"{kind} (trying everything: {judged:.2f} s a problem)"]
    lines.append(f"  {'':26}{'mean':>8}{'p95':>8}{'max':>8}{'within 5 %':>12}{'ms':>8}")
    for way, minutes in WAYS.items():
        start = time.perf_counter()
        found = np.array([minutes(problem) for problem in problems])
        spent = 1000 * (time.perf_counter() - start) / count
        gap = 100 * (found / best - 1)
        gap[np.abs(gap) < 1e-6] = 0.0  # rounding
        row = f"{gap.mean():8.2f}{np.percentile(gap, 95):8.2f}{gap.max():8.2f}"
        lines.append(f"  {way:26}{row}{100 * np.mean(np.abs(gap) <= 5):11.1f}%{spent:8.1f}")
    return "\n".join(lines)


if __name__ == "__main__":
    main()
