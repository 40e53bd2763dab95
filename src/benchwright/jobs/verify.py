"""A whole bench looked through: all is there and unchanged, and what is derived follows from it."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, TypeAlias

import msgspec
from sqlalchemy import Connection, select, text
from sqlalchemy.exc import DBAPIError

from . import bodies, schema
from .attachments import FolderAttachments
from .bench import Bench, prices_of, summary_of
from .errors import BadEvent, BenchError, DamagedBench
from .history import Event, digest, from_iso, places, rivals, standing
from .state import derive
from .stock import KINDS, stock_of
from .words import index_words, stored_words, words_of

Files: TypeAlias = Literal["hashes", "sizes", "none"]
Progress: TypeAlias = Callable[[float], None]
_MOST_TOLD = 200


@dataclass
class Verdict:
    """What was found.

    Attributes
    ----------
    jobs, events, attachments : int
        How many were looked at.
    problems : list of str
        What is wrong.
    remarks : list of str
        What is left over and does no harm.
    """

    jobs: int = 0
    events: int = 0
    attachments: int = 0
    problems: list[str] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)

    @property
    def clean(self) -> bool:
        """Nothing is wrong."""
        return not self.problems

    def wrong(self, what: str) -> None:
        """Add a problem; after very many, only that there are more."""
        if len(self.problems) < _MOST_TOLD:
            self.problems.append(what)
        elif len(self.problems) == _MOST_TOLD:
            self.problems.append("and more of the kind")


def verify(bench: Bench, files: Files = "hashes", progress: Progress | None = None) -> Verdict:
    """Check a bench against its own hashes, links and derivations.

    Parameters
    ----------
    bench : Bench
    files : {"hashes", "sizes", "none"}
        How far to look at what was attached; every byte by default.
    progress : callable, optional
        Called with the share done, from 0 to 1.

    Raises
    ------
    BenchError
        It cannot be read at all.
    """
    found, tell = Verdict(), progress or (lambda share: None)
    place = bench.place
    with place.reading() as connection:
        steps: list[Callable[[], None]] = []
        if place.folder is not None:
            steps.append(lambda: _sqlite(connection, found))
        histories: dict[str, list[Event]] = {}
        steps += [
            lambda: _events(connection, found, histories, tell),
            lambda: _derived(connection, found, histories),
            lambda: _attached(bench, connection, found, histories, files, tell),
        ]
        for step in steps:
            try:
                step()
            except DBAPIError as problem:
                if problem.connection_invalidated or place.folder is None:
                    raise
                found.wrong(f"bench.sqlite is damaged: {str(problem.orig).splitlines()[0]}")
    if place.folder is not None and not place.read_only:
        _search_index(bench, found)
    tell(1.0)
    return found


def _sqlite(connection: Connection, found: Verdict) -> None:
    """SQLite's own looks at its file."""
    for (said,) in connection.exec_driver_sql("PRAGMA integrity_check"):
        if said != "ok":
            found.wrong(f"bench.sqlite is damaged: {said}")
    for row in connection.exec_driver_sql("PRAGMA foreign_key_check"):
        found.wrong(f"a row of {row[0]} speaks of one of {row[2]} that is not there")


def _search_index(bench: Bench, found: Verdict) -> None:
    try:
        with bench.place.writing() as connection:
            connection.execute(text("INSERT INTO words (words) VALUES ('integrity-check')"))
    except DamagedBench:
        found.wrong("the index for searching is damaged: --rederive makes it anew")
    except BenchError as problem:
        found.remarks.append(f"the index for searching was not looked at: {problem}")


def _events(
    connection: Connection, found: Verdict, histories: dict[str, list[Event]], tell: Progress
) -> None:
    """Every event is what it was when it was recorded, and none is missing."""
    jobs = {int(n): str(uid) for n, uid in connection.execute(select(schema.job.c.number, schema.job.c.uid))}
    found.jobs = len(jobs)
    for number in sorted(set(range(1, max(jobs, default=0) + 1)) - set(jobs)):
        found.wrong(f"job {number} is missing")
    histories.update({"": []}, **{uid: [] for uid in jobs.values()})
    last = 0
    place_of: dict[str, str] = {}
    rows = connection.execute(select(schema.event).order_by(schema.event.c.number)).all()
    for row in rows:
        found.events += 1
        if found.events % 1000 == 0:
            tell(0.4 * found.events / len(rows))
        if row.number != last + 1:
            found.wrong(f"events {last + 1} to {row.number - 1} are missing")
        last = row.number
        uid = "" if row.job is None else jobs.get(row.job, "?")
        event = _event(row, uid, found)
        if row.supersedes is not None and place_of.get(row.supersedes) != uid:
            found.wrong(f"event {row.number} corrects one that is not there before it in the same history")
        place_of[row.uid] = uid
        if event is not None:
            histories.setdefault(uid, []).append(event)
            if isinstance(event.body, bodies.Undone) and not event.supersedes:
                found.wrong(f"event {row.number} takes nothing back")
    for number, uid in sorted(jobs.items()):
        if not histories[uid]:
            found.wrong(f"job {number} has no events")
        elif histories[uid][0].kind != "opened":
            found.wrong(f"job {number} does not begin with its beginning")


def _event(row: Any, uid: str, found: Verdict) -> Event | None:
    name = f"event {row.number} ({row.kind})"
    if digest(row.uid, uid, row.at, row.recorded, row.supersedes or "", row.body) != row.sha256:
        found.wrong(f"{name} is not what was recorded: its hash differs")
    try:
        event = Event(
            row.number, row.uid, uid, from_iso(row.at), from_iso(row.recorded), row.supersedes or "",
            bodies.from_json(row.body),
        )  # fmt: skip
    except (msgspec.MsgspecError, ValueError) as problem:
        found.wrong(f"{name} cannot be read by this Benchwright: {problem}")
        return None
    if event.kind != row.kind:
        found.wrong(f"{name} says that it is {event.kind}")
    return event


def _derived(connection: Connection, found: Verdict, histories: Mapping[str, list[Event]]) -> None:
    """Flags, places, words and the list of jobs are what follows from the events."""
    table = schema.event
    query = select(table.c.number, table.c.stands, table.c.place)
    stored = {int(n): (int(stands), int(at)) for n, stands, at in connection.execute(query)}
    written = stored_words(connection)
    stocked: list[tuple[int, Event]] = []
    for events in histories.values():
        # Harmless to all else, and mended by an undo: no reason to refuse a backup.
        found.remarks += [
            f"events {' and '.join(str(e.number) for e in several)} correct the same event: take one back"
            for several in rivals(events).values()
        ]
        place = places(events)
        stand = {event.number: event for event in standing(events)}
        for event in events:
            if stored.get(event.number) != (int(event.number in stand), place[event.uid]):
                found.wrong(f"event {event.number}: whether and where it stands is not as derived")
            wanted = set(index_words(words_of(event.body))) if event.number in stand else set()
            if written.pop(event.number, set()) != wanted:
                found.wrong(f"event {event.number}: the words it is found by are not as derived")
        stocked += [(place[e.uid], e) for e in stand.values() if e.kind in KINDS]
    for number in sorted(set(written)):
        found.wrong(f"words are kept of event {number}, which is not there")
    lots = stock_of(event for _, event in sorted(stocked, key=lambda one: (one[0], one[1].number)))
    for row in connection.execute(select(schema.job).order_by(schema.job.c.number)):
        events = histories.get(row.uid, [])
        try:
            wanted_line = summary_of(derive(row.uid, events), prices_of(events, lots)) if events else {}
        except BadEvent as problem:
            found.wrong(f"job {row.number} cannot be added up: {problem}")
            continue
        differ = [name for name, value in wanted_line.items() if row._mapping[name] != value]
        if differ:
            found.wrong(f"job {row.number} in the list is not as derived: {', '.join(differ)}")


def _attached(
    bench: Bench, connection: Connection, found: Verdict, histories: Mapping[str, list[Event]], files: Files,
    tell: Progress,
) -> None:  # fmt: skip
    """What was attached is there, and unchanged; nothing else is."""
    table, store = schema.attachment, bench.place.attachments
    rows = {str(h): int(size) for h, size in connection.execute(select(table.c.sha256, table.c.size))}
    found.attachments = len(rows)
    wanted: dict[str, bodies.Attachment] = {}
    for events in histories.values():
        for event in events:
            if isinstance(event.body, bodies.Attachment):
                wanted[event.body.sha256] = event.body
                if rows.get(event.body.sha256) != event.body.size:
                    found.wrong(f"event {event.number}: {_named(event.body)} is not noted with its size")
    for sha256 in sorted(set(rows) - set(wanted)):
        found.remarks.append(f"attachment {sha256[:12]} is stored, and no event speaks of it")
    if files == "none":
        return
    all_bytes, seen = max(1, sum(rows.values())), 0
    for sha256 in sorted(rows):
        problem = _look_at(bench, connection, sha256, rows[sha256], files)
        if problem:
            name = _named(wanted[sha256]) if sha256 in wanted else sha256[:12]
            found.wrong(f"attachment {name} {problem}")
        seen += rows[sha256]
        tell(0.5 + 0.5 * seen / all_bytes)
    if isinstance(store, FolderAttachments):
        extra = sorted(set(store.stored(connection)) - set(rows))
        found.remarks += [f"file {h[:12]} in attachments belongs to no event" for h in extra]
        left = len(store.left_over())
        if left:
            found.remarks.append(f"{left} unfinished files in attachments: the next attachment clears them")


def _look_at(bench: Bench, connection: Connection, sha256: str, size: int, files: Files) -> str:
    store = bench.place.attachments
    try:
        if files == "sizes" and isinstance(store, FolderAttachments):
            path = store.path_of(sha256)
            if not path.exists():
                return f"is missing: {path}"
            return "" if path.stat().st_size == size else f"is not {size} bytes long"
        hashed, length = hashlib.sha256(), 0
        if files == "hashes":
            for piece in store.pieces(connection, sha256):
                hashed.update(piece)
                length += len(piece)
        else:
            query = text("SELECT coalesce(sum(length(data)), 0) FROM piece WHERE sha256 = :h")
            length = int(connection.execute(query, {"h": sha256}).scalar_one())
    except (BenchError, OSError) as problem:
        return f"cannot be read: {problem}"
    if length != size:
        return f"is {length} bytes long and not {size}"
    return (
        ""
        if files != "hashes" or hashed.hexdigest() == sha256
        else "is not what was stored: its hash differs"
    )


def _named(body: bodies.Attachment) -> str:
    return f"{body.name!r} ({body.sha256[:12]})"
