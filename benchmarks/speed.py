"""How quick the finder is: belief updates and next checks at 10,000 faults and 3,000 checks, and start-up.

python benchmarks/speed.py
"""

from __future__ import annotations

import os
import platform
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))

from benchwright import FaultFinder, Reading
from benchwright.demo.virtual_unit import VirtualUnit, draw_harm
from random_boards import random_board


def processor() -> str:
    try:
        for line in Path("/proc/cpuinfo").read_text().splitlines():
            if line.startswith("model name"):
                return line.partition(":")[2].strip()
    except OSError:
        pass
    return platform.processor() or "unknown processor"


def finder_times(games: int = 6, checks: int = 40) -> None:
    board = random_board(8, chips=55, nets=400, passives=240)
    start = time.perf_counter()
    finder = FaultFinder(board)
    finder.next_checks(1)
    ready = time.perf_counter() - start
    faults, table = len(finder.faults), len(finder.proposals.table.spots)
    record, ask, out = [], [], []

    def timed(action: Callable[[], Any]) -> tuple[Any, tuple[float, float]]:
        wall, busy = time.perf_counter(), time.process_time()
        done = action()
        return done, (time.perf_counter() - wall, time.process_time() - busy)

    for seed in range(games):
        rng = np.random.default_rng(seed)
        unit = VirtualUnit(board, [draw_harm(board, rng)], rng)
        finder.start_over()
        for _ in range(checks):
            proposed, took = timed(lambda: finder.next_checks(1))
            ask.append(took)
            if not proposed:
                break
            check = proposed[0]
            value = unit.answer(check.quantity, check.a, check.b, check.power, check.removed)
            reading = Reading(check.quantity, check.a, check.b, value, check.power, check.removed)
            _, took = timed(lambda reading=reading: finder.record(reading))  # type: ignore[misc]
            record.append(took)
            if check.removed:
                out.append(took)
    print(
        f"board: {len(board.parts)} parts, {len(board.nets)} nets, {faults} faults, {table} checks; "
        f"ready in {ready:.2f} s"
    )
    standing = [took for took in record if took not in out]
    for name, times, target in (
        ("belief update after one reading", record, 20),
        ("  of these, no part out", standing, 20),
        ("  of these, with a part out", out, 20),
        ("next check", ask, 100),
    ):
        if not times:
            continue
        wall, busy = np.array(times).T * 1e3
        print(
            f"{name:34} median {np.median(wall):6.1f} ms   p95 {np.percentile(wall, 95):6.1f} ms   "
            f"(processor: {np.median(busy):6.1f}, {np.percentile(busy, 95):6.1f})   "
            f"target p95 {target} ms   ({len(wall)} of them)"
        )


def start_up() -> None:
    def best(command: list[str]) -> float:
        times = []
        for _ in range(7):
            start = time.perf_counter()
            subprocess.run(command, check=True, capture_output=True)
            times.append(time.perf_counter() - start)
        return min(times)

    bare = best([sys.executable, "-c", "pass"])
    imported = best([sys.executable, "-c", "import benchwright"])
    helped = best([sys.executable, "-m", "benchwright", "--help"])
    print(f"python alone                       {bare:.3f} s")
    print(f"import benchwright                 {imported:.3f} s   target 0.15 s")
    print(f"benchwright --help                 {helped:.3f} s   target 0.40 s")


if __name__ == "__main__":
    print(
        f"machine: {processor()}, {os.cpu_count()} cores, {platform.platform()}, "
        f"Python {platform.python_version()}; load {os.getloadavg()[0]:.1f}"
    )
    start_up()
    finder_times()
