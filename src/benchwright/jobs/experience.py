"""What the bench's jobs teach: the rates of faults, from those that were proved, and how jobs went."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace

from ..errors import BadFile
from ..faults.learned_rates import Key, LearnedRates, Machine, Published, model_of
from ..money.troubles import PastJob
from . import bodies
from .bench import Bench, JobLine
from .history import Event
from .kept_board import published_of, read_kept
from .stages import ENDS

NO_PART = ("", "bridge", "board", "net", "nets")
"""What may stand in place of a part's kind where no part is at fault."""


TRACKS = ("track", "tracks")


@dataclass(frozen=True)
class Proof:
    """A proved fault of one job, as it was recorded."""

    event: Event
    body: bodies.Confirmed


@dataclass
class Proved:
    """What is known of one job that has proved faults.

    Attributes
    ----------
    uid : str
        The job's identity.
    board_text : str
        Empty if no board is kept.
    origin : str
        Identity of the job that it is a copy of; empty if of none.
    """

    uid: str
    board_text: str = ""
    origin: str = ""
    proofs: list[Proof] = field(default_factory=list)


@dataclass(frozen=True)
class Experience:
    """What a bench has learnt.

    Attributes
    ----------
    rates : LearnedRates
    left_out : tuple of (Event, str)
        Proved faults that could not be counted, each with the reason.
    unproved : int
        Closed jobs without a proved fault: they tell nothing of rates.
    """

    rates: LearnedRates
    left_out: tuple[tuple[Event, str], ...]
    unproved: int


def experience(bench: Bench, but: str = "", progress: Callable[[float], None] = lambda _: None) -> Experience:
    """What all jobs of a bench teach of the rates of faults.

    Parameters
    ----------
    bench : Bench
    but : str
        Identity of a job that is left out: what is asked about it must not rest on itself.
    progress : callable
        Called with the share done.
    """
    origins = _origins(bench)
    same = origins.get(but, but)
    proved = [one for one in proved_jobs(bench) if same != (one.origin or one.uid)]
    closed = {origins.get(line.uid, line.uid) for line in bench.jobs() if line.stage in ENDS} - {same}
    rates, left_out = learn(proved, progress)
    return Experience(rates, tuple(left_out), len(closed - {one.origin or one.uid for one in proved}))


def _origins(bench: Bench) -> dict[str, str]:
    """Identity of each job: that of the job that it is a copy of, or its own."""
    with bench.place.reading() as connection:
        events = bench._standing_of(connection, ("opened",))
    return {e.job: e.body.origin or e.job for e in events if isinstance(e.body, bodies.Opened)}


def proved_jobs(bench: Bench) -> list[Proved]:
    """All jobs with proved faults that stand, each with its board."""
    with bench.place.reading() as connection:
        events = bench._standing_of(connection, ("opened", "identity", "confirmed"))
    return fold(events)


def fold(events: Iterable[Event]) -> list[Proved]:
    """Jobs with proved faults from events that stand, of many jobs mixed, each job's in order.

    A job and its copies are one machine: each of its faults is counted once.
    """
    jobs: dict[str, Proved] = {}
    for event in events:
        job = jobs.setdefault(event.job, Proved(event.job))
        if isinstance(event.body, bodies.Opened):
            job.origin = event.body.origin
        elif isinstance(event.body, bodies.Identity) and event.body.board_text is not None:
            job.board_text = event.body.board_text
        elif isinstance(event.body, bodies.Confirmed):
            job.proofs.append(Proof(event, event.body))
    machines: dict[str, Proved] = {}
    for job in sorted((job for job in jobs.values() if job.proofs), key=lambda job: bool(job.origin)):
        first = machines.setdefault(job.origin or job.uid, job)
        if first is not job:
            known = {_fault(proof.body) for proof in first.proofs}
            first.proofs += [proof for proof in job.proofs if _fault(proof.body) not in known]
            first.board_text = first.board_text or job.board_text
    kept = {id(job) for job in machines.values()}
    return [job for job in jobs.values() if id(job) in kept]


def _fault(body: bodies.Confirmed) -> tuple[str, ...]:
    return tuple(" ".join(text.split()).casefold() for text in (body.part_kind, body.mode, body.place))


def learn(
    jobs: Iterable[Proved], progress: Callable[[float], None] = lambda _: None
) -> tuple[LearnedRates, list[tuple[Event, str]]]:
    """Rates from jobs with proved faults.

    Returns
    -------
    (LearnedRates, list of (Event, str))
        What could not be counted, with the reason.
    """
    jobs = list(jobs)
    machines: list[Machine] = []
    left_out: list[tuple[Event, str]] = []
    boards: dict[str, tuple[str, dict[Key, Published]]] = {}
    without = []
    for done, job in enumerate(jobs):
        progress(done / len(jobs))
        if not job.board_text.strip():
            without.append(job)
            continue
        try:
            board = read_kept(job.board_text)
            known = (model_of(board), published_of(job.board_text))
        except BadFile as problem:
            left_out += [
                (p.event, f"the board kept with its job is no board: {problem.problem}") for p in job.proofs
            ]
            continue
        for name in (known[0], board.name):
            boards.setdefault(name.casefold(), known)
        places = {ref: part.kind for ref, part in board.parts.items()}
        machines.append(_machine(known, places, job, left_out))
    for job in without:
        named = {" ".join(p.body.board.split()).casefold() for p in job.proofs if p.body.board.strip()}
        known_one = boards.get(next(iter(named))) if len(named) == 1 else None
        if known_one is None:
            why = "no board is kept with its job, so what else might have failed is not known"
            left_out += [(p.event, why) for p in job.proofs]
        else:
            machines.append(_machine(known_one, {}, job, left_out))
    progress(1.0)
    return LearnedRates(machines), left_out


def _machine(
    known: tuple[str, dict[Key, Published]], places: dict[str, str], job: Proved,
    left_out: list[tuple[Event, str]],
) -> Machine:  # fmt: skip
    model, rates = known
    keys = []
    for proof in job.proofs:
        key = key_of(proof.body, rates, places)
        if isinstance(key, str):
            left_out.append((proof.event, key))
        else:
            keys.append(key)
    return Machine(model, rates, tuple(keys))


def key_of(body: bodies.Confirmed, rates: Iterable[Key], places: dict[str, str]) -> Key | str:
    """What a proved fault is counted under; or why it cannot be counted.

    Parameters
    ----------
    body : bodies.Confirmed
    rates : iterable of (kind, mode)
        All that can happen to its board.
    places : dict
        Reference of each part: its kind.
    """
    kind, mode = body.part_kind.strip().casefold(), body.mode.strip().casefold()
    modes: dict[str, dict[str, Key]] = {}
    for key in rates:
        modes.setdefault(key[0].casefold(), {})[key[1].casefold()] = key
    if mode in modes.get("", {}):
        return modes[""][mode]
    if kind in TRACKS:
        return "a broken track belongs to no part, and rates are learnt of parts"
    if kind not in modes or kind in NO_PART:
        refs = {ref.casefold(): name.casefold() for ref, name in places.items()}
        kind = refs.get(body.place.strip().partition(".")[0].casefold(), kind)
    if kind in modes and mode in modes[kind]:
        return modes[kind][mode]
    if kind not in modes:
        return f"there is no part of kind {body.part_kind or '(none)'} on its board that could fail"
    ways = ", ".join(sorted(key[1] for key in modes[kind].values()))
    return f"{modes[kind][next(iter(modes[kind]))][0]} cannot be {body.mode!r}: expected {ways}"


def past_jobs(lines: Iterable[JobLine], proved: Iterable[str]) -> tuple[PastJob, ...]:
    """How closed jobs went, for the bid: see `money.troubles.learn`.

    A job with a proved fault that was kept, sold or returned was mended. One that was broken for parts
    without a proved fault was given up. Others may have been stopped because they did not pay, or were
    sound: they are left out, as are jobs without time.
    """
    found = set(proved)
    past = []
    for line in lines:
        hours = float(line.minutes) / 60
        if hours <= 0 or line.stage not in ENDS:
            continue
        if line.uid in found and line.stage != "broken for parts":
            past.append(PastJob(hours, True))
        elif line.uid not in found and line.stage == "broken for parts":
            past.append(PastJob(hours, False))
    return tuple(past)


def bid_history(bench: Bench, model: str) -> tuple[dict[Key, float], tuple[PastJob, ...], int]:
    """A bench's history for a bid on a machine of a board model.

    Returns
    -------
    (dict of (kind, mode) to float, tuple of PastJob, int)
        Factors on published rates, how past jobs went, and the number of proved faults behind the factors.
    """
    learnt = experience(bench)
    proved = {job.origin or job.uid for job in proved_jobs(bench)}
    origins = _origins(bench)
    # Of a job and its copies one tells how it went: the job itself, where it is here.
    lines: dict[str, JobLine] = {}
    for line in sorted(bench.jobs(), key=lambda line: origins.get(line.uid) != line.uid):
        origin = origins.get(line.uid, line.uid)
        lines.setdefault(origin, replace(line, uid=origin))
    return learnt.rates.factors(model), past_jobs(lines.values(), proved), learnt.rates.proved
