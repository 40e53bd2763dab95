"""How quick the bench's records are at 1,000 jobs and 100,000 readings, on SQLite and PostgreSQL.

The bench is filled through the import's own bulk path, so everything derived is as the program derives it.
Then lists, searches and jobs are read, and events recorded, each many times. Printed in ms: median and p95 by
the clock, p95 of the processor time of this process (without the server's).

    python benchmarks/bench_records.py                     # SQLite, in a folder made for it
    python benchmarks/bench_records.py --bench postgresql+psycopg://USER@HOST/EMPTY_DATABASE
"""

from __future__ import annotations

import argparse
import os
import platform
import random
import tempfile
import time
import uuid
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any

from sqlalchemy import insert, update

from benchwright.jobs import Bench, Event, bodies, open_bench, schema
from benchwright.jobs.archive import _insert, _write_events
from benchwright.jobs.bench import summary_of
from benchwright.jobs.state import derive

START = datetime(2020, 1, 1, tzinfo=UTC)
KINDS = ("6522", "6502", "4164", "74LS157", "74LS244", "2114", "7805", "2732", "74LS00", "555")
WORDS = tuple(
    """
    corroded socket pin lifted pad cold joint burnt track bent leg dirty edge connector loose lead crack
    residue missing screw yellowed case spilled drink battery leak dry electrolytic hum flicker no sound
    """.split()  # noqa: SIM905
)


def price(rng: random.Random) -> bodies.Price:
    return bodies.Price(Decimal(rng.randint(20, 3000)) / 100, "EUR")


def story(rng: random.Random, readings: int) -> list[Any]:
    """What is recorded of one job."""

    def text() -> str:
        return " ".join(rng.choices(WORDS, k=rng.randint(3, 9)))

    said: list[Any] = [
        bodies.Opened(title=f"{rng.choice(WORDS)} machine {rng.randint(1, 999)}", currency="EUR"),
        bodies.Identity(serial=f"SN{rng.randint(10_000, 99_999)}", board_file="invented.toml"),
        bodies.TakenIn(source="market", price=price(rng), declared=text(), came_with=("lead", "tapes")),
        bodies.Symptom(text=text()),
        bodies.Symptom(text=text()),
    ]
    for _ in range(readings):
        part, pin = f"U{rng.randint(1, 60)}", rng.randint(1, 40)
        value = f"{rng.uniform(0, 5):.2f}"
        said.append(
            bodies.Reading(
                entry=f"{part}.{pin} gnd {value}", quantity="voltage", a=f"{part}.{pin}", b="GND",
                value=value, state=bodies.State(power=True), note=text() if rng.random() < 0.05 else "",
            )
        )  # fmt: skip
    middle: list[Any] = []
    for _ in range(5):
        middle.append(bodies.Action(deed="cleaned", where=f"U{rng.randint(1, 60)}", note=text()))
    middle += [bodies.PartUsed(lot=f"L{rng.randint(1, 500)}", quantity=1) for _ in range(rng.randint(0, 5))]
    middle += [
        bodies.Cost(kind="postage", price=price(rng)),
        bodies.Time(minutes=Decimal(rng.randint(5, 200))),
    ]
    middle += [
        bodies.OpenPoint(text=text()),
        bodies.Note(text=text()),
        bodies.LikelyPrice(value=Decimal(150)),
    ]
    if rng.random() < 0.3:
        middle.append(bodies.PartWanted(kind=rng.choice(KINDS), quantity=1))
    for one in middle:
        said.insert(rng.randint(5, len(said)), one)
    if rng.random() < 0.6:
        said += [bodies.Confirmed(part_kind=rng.choice(KINDS), mode="dead", place="U3")]
        said += [bodies.Acceptance(what="memory", result="passed")]
        said += [bodies.Income(kind="sale", price=bodies.Price(Decimal(150), "EUR"))]
        said += [bodies.Closed(outcome="sold")]
    return said


def fill(bench: Bench, jobs: int, readings: int, rng: random.Random) -> None:
    """Jobs of unequal length, some with undone events, and a stock of 500 lots received three times over."""
    weights = [rng.lognormvariate(0, 0.6) for _ in range(jobs)]
    share = readings / sum(weights)
    counts = [max(1, round(weight * share)) for weight in weights]
    counts[-1] = max(1, counts[-1] + readings - sum(counts))
    last = 0

    def event(job: str, moment: datetime, body: Any, supersedes: str = "") -> Event:
        return Event(0, uuid.UUID(int=rng.getrandbits(128)).hex, job, moment, moment, supersedes, body)

    with bench.place.writing() as connection:
        received = [
            Event(
                n, uuid.uuid4().hex, "", START, START, "",
                bodies.StockReceived(
                    lot=f"L{1 + n % 500}", kind=KINDS[n % 500 % len(KINDS)], quantity=20, price=price(rng)
                ),
            )
            for n in range(1, 1501)
        ]  # fmt: skip
        _insert(connection, None, received, {e.uid for e in received}, {e.uid: e.number for e in received})
        last = len(received)
        prices = {
            e.body.lot: e.body.price
            for e in received
            if isinstance(e.body, bodies.StockReceived) and e.body.price is not None
        }
        for number, count in enumerate(counts, start=1):
            uid = uuid.UUID(int=rng.getrandbits(128)).hex
            moment = START + timedelta(days=2 * number)
            events: list[Event] = []
            for body in story(rng, count):
                moment += timedelta(seconds=rng.randint(5, 90))
                events.append(event(uid, moment, body))
                if isinstance(body, bodies.Reading) and rng.random() < 0.01:
                    events.append(event(uid, moment, bodies.Undone(), events[-1].uid))
            connection.execute(insert(schema.job).values(number=number, uid=uid))
            _write_events(connection, number, last, [], events)
            last += len(events)
            summary = summary_of(derive(uid, events), prices)
            connection.execute(update(schema.job).where(schema.job.c.number == number).values(**summary))
    with bench.place.engine.connect() as connection:
        # As a bench that was filled over years would have done of itself.
        again = connection.execution_options(isolation_level="AUTOCOMMIT")
        again.exec_driver_sql("ANALYZE")


def timed(times: int, act: Callable[[], Any]) -> tuple[float, float, float]:
    """Milliseconds: median and p95 by the clock, p95 of this process's processor time."""
    spent, worked = [], []
    for _ in range(times):
        start, work = time.perf_counter(), time.process_time()
        act()
        spent.append(1000 * (time.perf_counter() - start))
        worked.append(1000 * (time.process_time() - work))
    last = min(times - 1, int(0.95 * times))
    return sorted(spent)[times // 2], sorted(spent)[last], sorted(worked)[last]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--bench", help="an empty PostgreSQL database, or a new folder")
    parser.add_argument("--jobs", type=int, default=1000)
    parser.add_argument("--readings", type=int, default=100_000)
    parser.add_argument("--times", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    rng = random.Random(options.seed)
    with tempfile.TemporaryDirectory(prefix="bench-records-") as folder:
        bench = open_bench(options.bench or folder)
        if not bench.jobs(limit=1):
            start = time.perf_counter()
            fill(bench, options.jobs, options.readings, rng)
            print(f"filled in {time.perf_counter() - start:.0f} s")
        measure(bench, options.jobs, options.times, rng)
        bench.close()


def measure(bench: Bench, jobs: int, times: int, rng: random.Random) -> None:
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else float("nan")
    print(f"{bench.place.engine.dialect.name}, Python {platform.python_version()}, load {load:.1f}")

    def any_job() -> int:
        return rng.randint(1, jobs)

    def search(make: Callable[[], str]) -> Callable[[], Any]:
        return lambda: bench.search(make())

    def anew(act: Callable[[], Any]) -> Callable[[], Any]:
        """As after something was recorded: the stock is kept from one event to the next."""

        def forgetful() -> Any:
            bench._kept_lots = None
            return act()

        return forgetful

    reading: dict[str, Callable[[], Any]] = {
        "list, all": bench.jobs,
        "list, one stage": lambda: bench.jobs("being mended"),
        "job view": lambda: bench.job(any_job()),
        "job view with prices": lambda: bench.prices(bench.job(any_job())),
        "search: a pin (U3.14)": search(lambda: f"U{rng.randint(1, 60)}.{rng.randint(1, 40)}"),
        "search: a chip": search(lambda: rng.choice(KINDS)),
        "search: two words": search(lambda: " ".join(rng.choices(WORDS, k=2))),
        "search: in every reading (gnd)": search(lambda: "gnd"),
        "search: two of every reading (gnd voltage)": search(lambda: "gnd voltage"),
        "search: one letter (u)": search(lambda: "u"),
        "search: nothing found": search(lambda: "xylophone"),
        "stock": anew(bench.stock),
        "stock again": bench.stock,
        "shopping list": anew(bench.shopping),
        "confirmed faults": bench.confirmed,
    }
    # Not those that an earlier run made: there is little to take back in them.
    open_jobs = [line.number for line in bench.jobs() if line.stage != "sold" and line.number <= jobs]
    count = iter(range(10**9))
    writing: dict[str, Callable[[], Any]] = {
        "record a reading": lambda: bench.record(
            rng.choice(open_jobs),
            bodies.Reading(entry="U3.14 gnd 0R8", quantity="resistance", a="U3.14", b="GND", value="0.8"),
        ),
        "record a part used": lambda: bench.record(
            rng.choice(open_jobs), bodies.PartUsed(lot=f"L{rng.randint(1, 500)}", quantity=1)
        ),
        "undo": lambda: bench.undo(rng.choice(open_jobs)),
        "new job": lambda: bench.new_job(f"new {next(count)}", "EUR", bodies.Symptom(text="no picture")),
    }
    for table in (reading, writing):
        for name, act in table.items():
            median, p95, worked = timed(times, act)
            print(f"| {name} | {median:.1f} | {p95:.1f} | {worked:.1f} |", flush=True)


if __name__ == "__main__":
    main()
