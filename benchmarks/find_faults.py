"""How well and how fast the finder finds: against a random order, and against the usual routine.

Plays make-believe units (benchwright.demo.virtual_unit) of at least three boards against the finder and
against two other ways of working, and prints who needed how many checks and minutes, how often
the true place stood first at the end and among the first three after eight checks, and how far the stated
probabilities can be trusted.

    python benchmarks/find_faults.py --cases 300
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import time
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path

import numpy as np

from benchwright import Board, FaultFinder, Reading
from benchwright.demo.virtual_unit import Harm, VirtualUnit, draw_harm
from benchwright.finding.candidates import Points, removal_minutes
from benchwright.finding.finder import WITH_PROBE
from benchwright.finding.words import Suspect

HERE = Path(__file__).parent
MOST_CHECKS = (200, 500)
SYMPTOMS = True


@lru_cache(maxsize=8)
def board_named(name: str) -> Board:
    if name == "fulmar65":
        from benchwright.demo import fulmar65

        return fulmar65.board()
    folder = HERE / "boards"
    overlay = folder / f"{name}-overlay.toml"
    return Board.from_ipc356(
        folder / f"{name}.ipc", folder / f"{name}-parts.csv", overlay if overlay.exists() else None
    )


@lru_cache(maxsize=8)
def _finder(name: str) -> FaultFinder:
    return FaultFinder(board_named(name), quantities=WITH_PROBE)


def finder_for(name: str) -> FaultFinder:
    """A finder that knows the board and nothing of the unit."""
    finder = _finder(name)
    finder.start_over()
    return finder


def boards() -> list[str]:
    return ["fulmar65", *sorted(path.stem for path in (HERE / "boards").glob("*.ipc"))]


def is_hit(suspect: Suspect, harm: Harm) -> bool:
    """Whether a suspect names the true place: the part, the two nets, or the net and a pin at the break."""
    if harm.kind == "bridge":
        return (
            suspect.mode in ("bridge", "leakage")
            and set(harm.nets) & set(suspect.nets)
            == {net for net in harm.nets if "." not in net or net in suspect.nets}
            and bool(set(map(str, harm.pins)) & set(suspect.pins))
        )
    if harm.kind in ("joint", "track", "contact"):
        return (
            suspect.mode in ("open", "poor contact")
            and harm.nets[0] in suspect.nets
            and bool(set(map(str, harm.pins)) & set(suspect.pins))
        )
    return (
        suspect.mode not in ("bridge", "leakage", "open", "poor contact")
        and suspect.parts[:1] == harm.parts[:1]
    ) or (suspect.parts[:1] == harm.parts[:1] and len(suspect.parts) == 1 and len(suspect.nets) != 1)


@dataclass
class Bench:
    """Keeps the clock: half a minute a reading, a minute a look, and what pulling parts costs."""

    board: Board
    minutes: float = 0.0
    out: frozenset[str] = frozenset()

    def charge(self, quantity: str, removed: frozenset[str]) -> None:
        self.minutes += 1.0 if quantity == "look" else 0.5
        for ref in removed - self.out:
            self.minutes += removal_minutes(self.board, ref)
        self.out = removed


@dataclass
class Result:
    board: str
    kind: str
    player: str
    checks: int
    minutes: float
    first: bool
    early: bool
    stated: float
    steps: list[tuple[float, bool, float]] = field(default_factory=list)
    """After each check: what was stated of the first suspect, whether it was right, minutes so far."""
    cut_off: bool = False
    """Whether the limit of checks ended it, rather than the finder."""
    told: str = ""
    """The true fault and what was named instead, for the list of misses."""
    slowest_next: float = 0.0
    slowest_record: float = 0.0


def play(name: str, seed: int, most_checks: int, log: bool = False) -> Result:
    """One unit against the finder."""
    board = board_named(name)
    rng = np.random.default_rng(seed)
    harm = draw_harm(board, rng)
    unit = VirtualUnit(board, [harm], rng)
    finder = finder_for(name)
    if SYMPTOMS:
        finder.record(Reading("symptom", value=unit.symptom(), power=True))
    bench = Bench(board)
    early = False
    steps = []
    slow_next = slow_record = 0.0
    checks = 0
    if log:
        print(
            f"   truth: {harm.kind} {harm.parts} {list(map(str, harm.pins))} {harm.nets} "
            f"{harm.ohms:.3g} {harm.seen}"
        )
    cut_off = True
    while checks < most_checks:
        start = time.perf_counter()
        proposed = finder.next_checks(1)
        slow_next = max(slow_next, time.perf_counter() - start)
        if not proposed:
            cut_off = False
            break
        check = proposed[0]
        value = unit.answer(check.quantity, check.a, check.b, check.power, check.removed)
        bench.charge(check.quantity, frozenset(check.removed))
        start = time.perf_counter()
        finder.record(Reading(check.quantity, check.a, check.b, value, check.power, check.removed))
        slow_record = max(slow_record, time.perf_counter() - start)
        checks += 1
        top = finder.suspects(3)
        if log:
            print(
                f"   {checks:3} {check.quantity:10} {check.a:10} {check.b:10} {check.removed or ''} "
                f"-> {value}   bits {check.bits:.3f} | {top[0].probability:.3f} {top[0].text[:70]} | "
                f"none {finder.none_of_these:.3f}"
            )
        steps.append((top[0].probability, is_hit(top[0], harm), bench.minutes))
        if checks == 8:
            early = any(is_hit(s, harm) for s in top)
    top = finder.suspects(3)
    if checks < 8:
        early = any(is_hit(s, harm) for s in top)
    return Result(
        name,
        harm.kind,
        "finder",
        checks,
        bench.minutes,
        is_hit(top[0], harm),
        early,
        top[0].probability,
        steps,
        cut_off,
        f"{harm.kind} {' '.join(harm.parts)} {' '.join(map(str, harm.pins))} {' '.join(harm.nets)} "
        f"{harm.ohms:.3g}{' seen' if harm.seen else ''} | {top[0].probability:.2f} {top[0].text}",
        slow_next,
        slow_record,
    )


def within(result: Result, most_checks: int) -> Result:
    """What a game would have come to with a lower limit of checks."""
    if result.player != "finder" or result.checks <= most_checks:
        return result
    steps = result.steps[:most_checks]
    stated, hit, minutes = steps[-1]
    return replace(
        result, checks=most_checks, minutes=minutes, first=hit, stated=stated, steps=steps, cut_off=True
    )


def routine(name: str, seed: int, shuffled: bool = False) -> Result:
    """The usual routine, or its checks in random order: stops once a check points at the true place.

    Rails to ground, supply pins, every line to ground and to its neighbours, along every line, socketed
    parts out, then look at each part. It is given the benefit of the doubt: it stops as soon as a reading
    is one that only the true fault gives.
    """
    board = board_named(name)
    rng = np.random.default_rng(seed)
    harm = draw_harm(board, rng)
    unit = VirtualUnit(board, [harm], rng)
    sound = VirtualUnit(board, [], np.random.default_rng(seed))
    bench = Bench(board)
    order = list(_routine_checks(board))
    if shuffled:
        np.random.default_rng(seed + 1).shuffle(order)  # type: ignore[arg-type]
    checks = 0
    found = False
    suspicious = False
    for quantity, a, b, removed, about in order:
        value = unit.answer(quantity, a, b, False, removed)
        bench.charge(quantity, frozenset(removed))
        checks += 1
        if quantity == "look":
            if value != "nothing" and a in harm.parts and harm.seen:
                found = True
                break
            continue
        good = sound.answer(quantity, a, b, False, removed)
        odd = _odd(value, good)
        if odd and about & set(harm.nets):
            if harm.kind in ("bridge",) and len(about & set(harm.nets)) == 2 and value < 10:
                found = True
                break
            if (
                harm.kind in ("joint", "track", "contact", "part open", "drift")
                and quantity == "resistance"
                and a.partition(".")[0] in harm.parts
            ):
                found = True
                break
            suspicious = True
        if suspicious and removed and harm.parts and harm.parts[0] in removed and not odd:
            found = True
            break
    return Result(
        name, harm.kind, "random order" if shuffled else "routine", checks, bench.minutes, found, False, 0.0
    )


def _odd(value: object, good: object) -> bool:
    if not isinstance(value, float) or not isinstance(good, float):
        return value != good
    if math.isinf(value) or math.isinf(good):
        return math.isinf(value) != math.isinf(good)
    return abs(math.log((value + 0.5) / (good + 0.5))) > 1.0


def _routine_checks(board: Board):  # type: ignore[no-untyped-def]
    points = Points(board)
    ground = board.ground
    for rail in board.rails:
        yield "resistance", rail, ground, (), {rail, ground}
    seen = set()
    for ref in board.parts:
        for pin in board.pins_of.get(ref, ()):
            net = board.net_of.get(pin)
            if net in board.rails and len(board.pins_of[ref]) > 3:
                yield "resistance", str(pin), ground, (), {net, ground}
    for net in board.nets:
        if net == ground or net in board.rails or len(board.nets[net]) < 2:
            continue
        pin = points.best(net)
        yield "resistance", str(pin), ground, (), {net, ground}
    from benchwright.board.neighbours import neighbours

    for pair in neighbours(board):
        key = frozenset((pair.net_a, pair.net_b))
        if key in seen or pair.net_a not in board.nets or pair.net_b not in board.nets or ground in key:
            continue
        seen.add(key)
        yield "resistance", str(points.best(pair.net_a)), str(points.best(pair.net_b)), (), set(key)
    for net, pins in board.nets.items():
        if net == ground or len(pins) < 2:
            continue
        start = points.best(net)
        for pin in pins:
            if pin != start:
                yield "resistance", str(pin), str(start), (), {net}
    for ref, part in board.parts.items():
        if part.socket:
            for rail in board.rails:
                yield "resistance", rail, ground, (ref,), {rail, ground}
    for ref in board.parts:
        yield "look", ref, "", (), set()


def _one(job: tuple[str, int, str, int]) -> Result:
    name, seed, player, most_checks = job
    if player == "finder":
        return play(name, seed, most_checks)
    return routine(name, seed, shuffled=player == "random order")


def calibration(
    pairs: list[tuple[float, bool]], bins: int = 10
) -> tuple[float, list[tuple[float, float, int]]]:
    """Expected calibration error with equal-count bins, and the reliability table."""
    pairs = sorted(pairs)
    table = []
    error = 0.0
    for part in np.array_split(np.array(pairs, dtype=float), bins):
        if len(part):
            stated, true = float(part[:, 0].mean()), float(part[:, 1].mean())
            table.append((stated, true, len(part)))
            error += abs(stated - true) * len(part) / len(pairs)
    return error, table


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--cases", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--boards", nargs="*", default=None)
    parser.add_argument("--players", nargs="*", default=["finder", "routine", "random order"])
    parser.add_argument(
        "--most-checks", type=int, nargs="+", default=MOST_CHECKS,
        help="stop the finder after so many checks; with several, it is reported at each of them",
    )  # fmt: skip
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    parser.add_argument("--misses", action="store_true", help="list what was not found")
    parser.add_argument("--log", action="store_true", help="print every step (one process)")
    parser.add_argument("--json", type=Path, default=None)
    args = parser.parse_args()
    names = args.boards or boards()
    jobs = [
        (names[i % len(names)], args.seed * 100_000 + i, p, max(args.most_checks))
        for p in args.players
        for i in range(args.cases)
    ]
    if args.log:
        for name, seed, _, most_checks in jobs[: args.cases]:
            print(name, seed)
            result = play(name, seed, most_checks, log=True)
            print(
                "  ",
                "FOUND" if result.first else "MISSED",
                result.checks,
                "checks",
                result.minutes,
                "minutes",
            )
        return
    results: list[Result] = []
    with ProcessPoolExecutor(args.jobs) as pool:
        for index, result in enumerate(pool.map(_one, jobs, chunksize=4)):
            results.append(result)
            if sys.stderr.isatty():
                print(f"\r{index + 1}/{len(jobs)}", end="", file=sys.stderr)
    for most_checks in sorted(args.most_checks):
        print(f"\n== the finder stops after {most_checks} checks at most")
        report([within(r, most_checks) for r in results], names)
    if args.misses:
        print("\nmissed: truth | stated, named")
        for r in results:
            if r.player == "finder" and not r.first:
                print(f"  {r.board:9} {r.checks:4}{'+' if r.cut_off else ' '} {r.told}")
    if args.json:
        args.json.write_text(json.dumps([r.__dict__ for r in results], default=float))


def report(results: list[Result], names: list[str]) -> None:
    import platform

    print(f"machine: {platform.platform()}, Python {platform.python_version()}; boards: {', '.join(names)}")
    print(
        "\nplayer         cases  place first at end  in three after 8"
        "   checks mean/median   minutes mean/median"
    )
    by_player = defaultdict(list)
    for result in results:
        by_player[result.player].append(result)
    for player, rows in by_player.items():
        checks = [r.checks for r in rows]
        minutes = [r.minutes for r in rows]
        print(
            f"{player:13} {len(rows):6}  {np.mean([r.first for r in rows]):17.1%}"
            f"  {np.mean([r.early for r in rows]):16.1%}"
            f"   {np.mean(checks):8.1f} {np.median(checks):8.1f}"
            f"   {np.mean(minutes):10.1f} {np.median(minutes):8.1f}"
        )
    mine = by_player.get("finder", [])
    if not mine:
        return
    print("\nby kind of fault     cases  first  early  checks  minutes")
    for kind in sorted({r.kind for r in mine}):
        rows = [r for r in mine if r.kind == kind]
        print(
            f"{kind:20} {len(rows):5}  {np.mean([r.first for r in rows]):5.0%}"
            f"  {np.mean([r.early for r in rows]):5.0%}"
            f"  {np.mean([r.checks for r in rows]):6.1f}  {np.mean([r.minutes for r in rows]):7.1f}"
        )
    print(f"\nended by the limit of checks: {np.mean([r.cut_off for r in mine]):.0%}")
    for title, pairs in (
        ("at the end", [(r.stated, r.first) for r in mine]),
        ("after every check", [step[:2] for r in mine for step in r.steps]),
    ):
        error, table = calibration(pairs)
        print(f"\ncalibration {title}: ECE {error:.3f}\n  stated   true    n")
        for stated, true, count in table:
            print(f"  {stated:6.3f} {true:6.3f} {count:5}")
    print(
        f"\nslowest: next check {max(r.slowest_next for r in mine) * 1e3:.0f} ms, "
        f"record {max(r.slowest_record for r in mine) * 1e3:.0f} ms (first of each board includes set-up)"
    )


if __name__ == "__main__":
    main()
