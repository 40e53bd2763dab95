"""A bench filled with the demo's invented jobs: always the same, to the last identity."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from functools import cache
from pathlib import Path

from ..board.board_file import write_board_file
from ..jobs import Bench, bodies
from ..jobs.entry import Desk, read_line
from ..jobs.errors import BenchError
from ..jobs.history import Event, standing
from ..jobs.opening import open_place
from .bench_files import demo_board
from .bench_jobs import MACHINES, PARTS, Machine, Visit
from .bench_jobs.steps import Attach, Correct, FromDonor, Redo, Step, Undo


@dataclass
class _Ticker:
    """A clock that stands where it was put, and identities in a fixed order."""

    now: datetime = datetime(2024, 1, 1, tzinfo=UTC)
    given: int = 0
    job: str = ""
    """Key of the job that gets the next identity."""

    def clock(self) -> datetime:
        return self.now

    def identity(self) -> str:
        self.given += 1
        said, self.job = self.job or str(self.given), ""
        return _identity(said)


def _identity(said: str) -> str:
    return hashlib.sha256(f"benchwright demo {said}".encode()).hexdigest()[:32]


@dataclass
class _Played:
    """Jobs as they are played: their numbers and what their lines are understood against."""

    numbers: dict[str, int] = field(default_factory=dict)
    desks: dict[str, Desk] = field(default_factory=dict)


def numbers(bench: Bench) -> dict[str, int]:
    """Number of each of the demo's jobs on its bench, by `Machine.key`."""
    there = bench.numbers()
    by_key = {machine.key: there.get(_identity(machine.key)) for machine in MACHINES}
    return {key: number for key, number in by_key.items() if number is not None}


def moment_of(bench: Bench, number: int, line: str) -> int:
    """Number of the event by which a line of the demo was recorded, for `job suspects --at`.

    Parameters
    ----------
    bench : Bench
    number : int
        Of the job.
    line : str
        As it stands in the demo's jobs.
    """
    key = next(key for key, known in numbers(bench).items() if known == number)
    machine = next(machine for machine in MACHINES if machine.key == key)
    at = next(
        _moment(visit.at) + timedelta(minutes=visit.minutes * visit.steps.index(line))
        for visit in machine.visits if line in visit.steps
    )  # fmt: skip
    return next(event.number for event in bench.events(number) if event.recorded == at)


def fill(folder: Path, told: Callable[[float], object] = lambda share: None) -> bool:
    """Fill a bench with the demo's jobs, unless it holds them already.

    Parameters
    ----------
    folder : Path
        Of the bench; made if it is not there.
    told : callable
        Hears, as it goes on, what share is done.

    Returns
    -------
    bool
        Whether it was filled now.

    Raises
    ------
    BenchError
        There are other records in it, or only a part of the demo's; nothing was touched.
    """
    ticker = _Ticker()
    with Bench(open_place(folder), ticker.clock, ticker.identity) as bench:
        if bench.numbers() or bench.events(None):
            if not _is_filled(bench):
                raise BenchError(
                    f"{folder}: there are records in it that are not the demo's, or the demo was stopped "
                    "while it wrote them: nothing was touched. Name another folder with --out"
                )
            return False
        _play(bench, ticker, told)
    return True


def _is_filled(bench: Bench) -> bool:
    """Whether the demo's records are there to the last; others may have been added since."""
    known = numbers(bench)
    if len(known) < len(MACHINES):
        return False
    ends = {machine.key: _ends(machine.visits[-1]) for machine in MACHINES}
    last = max(ends, key=lambda key: ends[key])
    return any(event.recorded == ends[last] for event in bench.events(known[last]))


def _ends(visit: Visit) -> datetime:
    """When the last step of a visit is recorded."""
    return _moment(visit.at) + timedelta(minutes=visit.minutes * (len(visit.steps) - 1))


def _moment(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def _play(bench: Bench, ticker: _Ticker, told: Callable[[float], object]) -> None:
    """Everything in the order in which it happened, so that numbers of events follow time."""
    played = _Played()
    due: list[tuple[datetime, int, Machine | None, Visit | None]] = []
    for machine in MACHINES:
        due.append((_moment(machine.at), len(due), machine, None))
        due += [(_moment(visit.at), len(due) + n, machine, visit) for n, visit in enumerate(machine.visits)]
    due += [(_moment(visit.at), len(due) + n, None, visit) for n, visit in enumerate(PARTS)]
    for done, (at, _, of, visit) in enumerate(sorted(due, key=lambda one: one[:2])):
        told(done / len(due))
        ticker.now = at
        if visit is not None:
            _play_visit(bench, ticker, of, visit, played)
        elif of is not None:
            ticker.job = of.key
            played.numbers[of.key] = _begin(bench, of)


def _begin(bench: Bench, machine: Machine) -> int:
    first = machine.first
    if machine.board:
        kept = bodies.Identity(board_file="fulmar65.toml", board_text=_board_text())
        first = (*first, kept)
    return bench.new_job(machine.title, machine.currency, *first, rate_per_hour=Decimal(machine.rate))


@cache
def _board_text() -> str:
    return write_board_file(demo_board())


def _play_visit(
    bench: Bench, ticker: _Ticker, machine: Machine | None, visit: Visit, played: _Played
) -> None:
    begun = ticker.now
    for place, step in enumerate(visit.steps):
        ticker.now = begun + timedelta(minutes=visit.minutes * place)
        if machine is None:
            _stock_step(bench, step, played)
        else:
            _job_step(bench, machine, step, visit.meter, played)


def _stock_step(bench: Bench, step: Step, played: _Played) -> None:
    if isinstance(step, FromDonor):
        job = bench.job(played.numbers[step.machine])
        step = bodies.StockReceived(
            lot=step.lot, kind=step.kind, quantity=step.quantity, value=step.value, condition="used",
            source=f"out of job {played.numbers[step.machine]}, {job.title}", where=step.where, donor=job.uid,
        )  # fmt: skip
    assert isinstance(step, bodies.STOCK_ONLY)
    bench.record(None, step)


def _job_step(bench: Bench, machine: Machine, step: Step, meter: str, played: _Played) -> None:
    number = played.numbers[machine.key]
    match step:
        case str():
            bench.record(number, *_understood(bench, number, machine, step, meter, played))
        case Attach():
            bench.attach(
                number, step.make(), step.name, step.media_type, what=step.what, caption=step.caption
            )
        case Undo():
            bench.undo(number, step.why)
        case Redo():
            bench.redo(number)
        case Correct():
            old = _typed(bench.events(number), step.old)
            (body,) = _understood(bench, number, machine, step.new, meter, played)
            bench.record(number, body, at=old.at, supersedes=old.uid)
        case FromDonor():
            raise AssertionError("parts of a donor come into stock")
        case _:
            bench.record(number, step)


def _understood(
    bench: Bench, number: int, machine: Machine, line: str, meter: str, played: _Played
) -> tuple[bodies.AnyBody, ...]:
    job = bench.job(number)
    desk = played.desks.setdefault(machine.key, Desk(job, job.board_state))
    desk.job, desk.state, desk.instrument = job, job.board_state, meter
    if line.startswith("test"):
        from ..sheets.condition import names_of_functions

        desk.functions = names_of_functions()
    return read_line(line, desk).said


def _typed(events: list[Event], line: str) -> Event:
    """The reading that was typed so."""
    return next(
        event for event in reversed(standing(events))
        if isinstance(event.body, bodies.Reading) and event.body.entry == line
    )  # fmt: skip


__all__ = ["fill", "moment_of", "numbers"]
