"""A job out of a bench into one file, and out of the file into any bench, with the same identities.

All of the file is checked before anything is written, and then all of it is recorded or nothing. A job that
is here already is continued if the file's history goes on from it; if the two went different ways, neither
is touched.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import uuid
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, BinaryIO, Literal

import msgspec
from sqlalchemy import Connection, func, insert, select, update

from . import bodies, schema
from .archive_file import (
    JOB,
    README,
    STOCK,
    Archive,
    LotUsed,
    as_received,
    attachment_name,
    job_text,
    lots_named,
    open_archive,
    safe_name,
    stock_text,
    write_archive,
)
from .archive_words import readme
from .bench import Bench, summary_of
from .errors import BadEvent, BenchError
from .history import Event, places, standing, to_iso
from .state import JobState, derive
from .stock import Lot, lot_for
from .words import drop_words, put_words, words_of


@dataclass(frozen=True)
class Imported:
    """What came of an import.

    Attributes
    ----------
    number : int
        The job's number on this bench.
    title : str
    events : int
        How many were added.
    what : str
        "new", "continued", "known" (nothing to add) or "longer here" (nothing to add: the file is older).
    lots : list of str
        Names of lots that came with it from another bench.
    """

    number: int
    title: str
    events: int
    what: Literal["new", "continued", "known", "longer here"]
    lots: list[str]


# -- out -----------------------------------------------------------------------------------------------------


def export_job(bench: Bench, number: int, out: Path, *, overwrite: bool = False) -> JobState:
    """Write a job into one file; the same job gives the same bytes. The job as written.

    Parameters
    ----------
    bench : Bench
    number : int
    out : Path
    overwrite : bool
        Take the place of a file of that name.

    Raises
    ------
    NoSuchJob
    BenchError
        An attachment is missing, the file is there already, or it cannot be written.
    """
    if out.exists() and not overwrite:
        raise BenchError(f"{out} is there already: name another file with --out, or say --overwrite")
    try:
        with _complete(out) as stream:
            return write_job(bench, number, stream)
    except OSError as problem:
        raise BenchError(f"{out}: cannot be written: {(problem.strerror or str(problem)).lower()}") from None


def write_job(bench: Bench, number: int, out: BinaryIO) -> JobState:
    """Write a job's file into a stream; see `export_job`."""
    with bench.place.reading() as connection:
        uid = bench._uid(connection, number)
        events = bench._events(connection, number)
        state = derive(uid, events)
        lots = _lots_used(bench._lots(connection), bench._events(connection, None), uid, events)
        attached = {e.body.sha256: e.body for e in reversed(events) if isinstance(e.body, bodies.Attachment)}
        files = {sha256: attachment_name(sha256, attached[sha256].name) for sha256 in sorted(attached)}

        def parts() -> Iterator[tuple[str, bytes]]:
            prices = {lot.lot: lot.price for lot in lots if lot.price is not None}
            yield README, readme(state, prices, files).encode()
            yield JOB, job_text(uid, events, [(h, attached[h].size, files[h]) for h in files])
            yield STOCK, stock_text(lots)
            if state.board_text:
                yield f"board/{safe_name(state.board_file or 'board.toml')}", state.board_text.encode()
            for sha256, name in files.items():
                data = bench.place.attachments.get(connection, sha256)
                if hashlib.sha256(data).hexdigest() != sha256:
                    raise BenchError(
                        f"attachment {attached[sha256].name!r} of job {number} is damaged, its SHA-256 is "
                        "another: `benchwright bench verify` lists all; bring it back from a backup"
                    )
                yield name, data

        write_archive(out, parts())
    return state


def _lots_used(
    lots: Mapping[str, Lot], stock: Sequence[Event], job: str, events: Sequence[Event]
) -> list[LotUsed]:
    """What a job took or set aside, as this bench knows it."""
    received: dict[str, list[Event]] = {}
    for event in stock:
        if isinstance(event.body, bodies.StockReceived) and not event.body.of_job:
            received.setdefault(event.body.lot, []).append(event)
    found = []
    for name in lots_named(events):
        lot = lot_for(lots, job, name)
        first = received.get(name, [])
        origin = lot.origin if lot is not None and lot.of_job else (first[0].uid if first else "")
        if lot is None:
            # Its receipt was taken back since: what it was is still known, its price no longer counts.
            last = first[-1].body if first else None
            kind = last.kind if isinstance(last, bodies.StockReceived) else "unknown"
            found.append(LotUsed(lot=name, kind=kind, origin=origin))
        else:
            found.append(
                LotUsed(
                    lot=name, kind=lot.kind, value=lot.value, condition=lot.condition, source=lot.source,
                    price=lot.price, donor=lot.donor, replaces=lot.replaces, origin=origin,
                )
            )  # fmt: skip
    return found


@contextlib.contextmanager
def _complete(out: Path) -> Iterator[BinaryIO]:
    """A file that appears under its name when all of it is written, or not at all."""
    coming = out.with_name(f".{out.name[:40]}-{uuid.uuid4().hex}")
    try:
        with coming.open("xb") as stream:
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
        coming.replace(out)
    except BaseException:
        with contextlib.suppress(OSError):
            coming.unlink()
        raise


# -- in ------------------------------------------------------------------------------------------------------


def import_job(bench: Bench, path: Path, *, as_new: bool = False) -> Imported:
    """Take a job's file into a bench: all of it or nothing.

    Parameters
    ----------
    bench : Bench
    path : Path
    as_new : bool
        Keep it as another job with identities of its own, whatever is here.

    Raises
    ------
    BadFile
        The file is damaged, altered or no job's file.
    BadEvent
        The histories here and in the file went different ways, or the file's cannot stand on this bench.
    BenchError
        It cannot be written.
    """
    with open_archive(path) as archive:
        return take_in(bench, archive, as_new=as_new)


def take_in(bench: Bench, archive: Archive, *, as_new: bool = False) -> Imported:
    """Take an open archive into a bench; see `import_job`."""
    job, events = (archive.job, archive.events) if not as_new else _renewed(archive)
    with bench.place.writing() as connection:
        return _take_in(bench, connection, archive, job, events, as_new)


def _take_in(
    bench: Bench, connection: Connection, archive: Archive, job: str, events: list[Event], as_new: bool
) -> Imported:
    number = connection.execute(select(schema.job.c.number).where(schema.job.c.uid == job)).scalar()
    here = [] if number is None else bench._events(connection, number)
    title = derive(job, events).title
    if number is not None:
        _refuse_fork(archive.path, number, here, events)
        if len(here) >= len(events):
            longer = len(here) > len(events)
            return Imported(number, title, 0, "longer here" if longer else "known", [])
    _refuse_known(connection, archive.path, events[len(here) :])
    lots = bench._lots(connection)
    last = int(connection.execute(select(func.coalesce(func.max(schema.event.c.number), 0))).scalar_one())
    brought = _brought(connection, archive, job, here, lots, as_new)
    last = _write_stock(connection, last, brought)
    if number is None:
        number = 1 + int(
            connection.execute(select(func.coalesce(func.max(schema.job.c.number), 0))).scalar_one()
        )
        connection.execute(insert(schema.job).values(number=number, uid=job))
    _write_events(connection, number, last, here, events[len(here) :])
    _refuse_overdraft(archive.path, lots, bench._lots(connection))
    after = bench._events(connection, number)
    try:
        summary = summary_of(derive(job, after), bench._prices(connection, after))
    except (BadEvent, ArithmeticError) as problem:
        raise BadEvent(
            f"{archive.path}: its money does not add up, nothing was taken in: {problem}"
        ) from None
    connection.execute(update(schema.job).where(schema.job.c.number == number).values(**summary))
    for sha256 in sorted(
        {e.body.sha256 for e in after[len(here) :] if isinstance(e.body, bodies.Attachment)}
    ):
        with archive.open_attachment(sha256) as stream:
            if bench.place.attachments.put(connection, stream)[0] != sha256:
                raise BenchError(f"{archive.path} was changed while it was read: nothing was taken in")
    return Imported(
        number, title, len(events) - len(here), "continued" if here else "new", [b.lot for b in brought]
    )


def _renewed(archive: Archive) -> tuple[str, list[Event]]:
    """The same history under new identities, and a note of where it came from."""
    job, new = uuid.uuid4().hex, {event.uid: uuid.uuid4().hex for event in archive.events}
    events = [
        replace(e, uid=new[e.uid], job=job, supersedes=new.get(e.supersedes, ""), body=_pointed(e.body, new))
        for e in archive.events
    ]
    begun = next(e.body for e in archive.events if isinstance(e.body, bodies.Opened))
    origin = begun.origin or archive.job
    events = [
        replace(e, body=msgspec.structs.replace(e.body, origin=origin))
        if isinstance(e.body, bodies.Opened)
        else e
        for e in events
    ]
    now = datetime.now(UTC)
    note = bodies.Note(text=f"Copied as a job of its own from the file of job {archive.job}.")
    return job, [*events, Event(len(events) + 1, uuid.uuid4().hex, job, now, now, "", note)]


def _pointed(body: Any, new: Mapping[str, str]) -> Any:
    """A body that points at the renewed events."""
    if isinstance(body, bodies.PointClosed):
        return msgspec.structs.replace(body, point=new.get(body.point, body.point))
    if isinstance(body, bodies.Acceptance):
        return msgspec.structs.replace(body, evidence=tuple(new.get(uid, uid) for uid in body.evidence))
    return body


def _refuse_fork(path: str, number: int, here: Sequence[Event], there: Sequence[Event]) -> None:
    for place, (ours, theirs) in enumerate(zip(here, there, strict=False)):
        if (ours.uid, ours.digest()) != (theirs.uid, theirs.digest()):
            raise BadEvent(
                f"{path}: job {number} here and the job in this file went different ways after their first "
                f"{place} {'event' if place == 1 else 'events'} (here: {ours.kind} of "
                f"{ours.at:%Y-%m-%d %H:%M}, in the file: {theirs.kind} of {theirs.at:%Y-%m-%d %H:%M}, UTC). "
                "Nothing was changed. "
                "To keep both, take it in with --as-new"
            )


def _refuse_known(connection: Connection, path: str, events: Sequence[Event]) -> None:
    """No event is in two jobs."""
    table = schema.event
    for start in range(0, len(events), 500):
        uids = [event.uid for event in events[start : start + 500]]
        row = connection.execute(select(table.c.job).where(table.c.uid.in_(uids))).first()
        if row is not None:
            where = "the stock" if row.job is None else f"job {row.job}"
            raise BadEvent(
                f"{path}: an event of it is here already, in {where}: nothing was changed. "
                "To keep it as a job of its own, take it in with --as-new"
            )


def _brought(
    connection: Connection, archive: Archive, job: str, here: Sequence[Event], lots: Mapping[str, Lot],
    as_new: bool,
) -> list[bodies.StockReceived]:  # fmt: skip
    """Lots that this bench does not know and the job needs, as events of the stock."""
    named_here, table = set(lots_named(here)), schema.event
    found = []
    for name, lot in archive.lots.items():
        mine = lots.get(name)
        came = lot_for(lots, job, name)
        known = came is not None and bool(came.of_job)
        row = None
        if lot.origin and not as_new and not known:
            row = connection.execute(
                select(table.c.body).where(table.c.uid == lot.origin, table.c.job.is_(None))
            ).first()
        if row is not None and mine is not None:
            body = bodies.from_json(row.body)
            if isinstance(body, bodies.StockReceived) and body.lot == name and not body.of_job:
                continue  # this bench's own lot: what the job took came out of it
        if name in named_here and not known:
            raise BadEvent(
                f"{archive.path}: lot {name} of this job is other parts here than in the file. Nothing was "
                "changed. To keep both, take it in with --as-new"
            )
        body = as_received(lot, job)
        if came is None or not known or as_received(_as_used(came), job) != body:
            found.append(body)
    return found


def _as_used(lot: Lot) -> LotUsed:
    return LotUsed(
        lot=lot.lot, kind=lot.kind, value=lot.value, condition=lot.condition, source=lot.source,
        price=lot.price, donor=lot.donor, replaces=lot.replaces, origin=lot.origin,
    )  # fmt: skip


def _write_stock(connection: Connection, last: int, brought: Sequence[bodies.StockReceived]) -> int:
    """Record the lots; the highest number of an event then."""
    now = datetime.now(UTC)
    events = [Event(last + n, uuid.uuid4().hex, "", now, now, "", b) for n, b in enumerate(brought, start=1)]
    _insert(connection, None, events, {e.uid for e in events}, {e.uid: e.number for e in events})
    return last + len(events)


def _write_events(
    connection: Connection, number: int, last: int, here: Sequence[Event], more: Sequence[Event]
) -> None:
    """Record the events that are not here, and bring what is derived from all of them in line."""
    new = [replace(event, number=last + n) for n, event in enumerate(more, start=1)]
    stood, after = {e.uid for e in standing(here)}, [*here, *new]
    stand = {e.uid for e in standing(after)}
    _insert(connection, number, new, stand, places(after))
    table = schema.event
    for e in here:
        if (e.uid in stood) != (e.uid in stand):
            connection.execute(
                update(table).where(table.c.number == e.number).values(stands=int(e.uid in stand))
            )
    drop_words(connection, [e.number for e in here if e.uid in stood - stand])
    put_words(connection, [(e.number, words_of(e.body)) for e in here if e.uid in stand - stood])


def _insert(
    connection: Connection,
    job: int | None,
    events: Sequence[Event],
    stand: set[str],
    place: Mapping[str, int],
) -> None:
    rows = [
        {
            "number": e.number, "uid": e.uid, "job": job, "at": to_iso(e.at), "recorded": to_iso(e.recorded),
            "supersedes": e.supersedes or None, "kind": e.kind, "body": bodies.to_json(e.body),
            "sha256": e.digest(), "stands": int(e.uid in stand), "place": place[e.uid],
        }
        for e in events
    ]  # fmt: skip
    if rows:
        connection.execute(insert(schema.event), rows)
    put_words(connection, [(e.number, words_of(e.body)) for e in events if e.uid in stand])


def _refuse_overdraft(path: str, before: Mapping[str, Lot], after: Mapping[str, Lot]) -> None:
    for name, lot in after.items():
        if lot.on_hand < 0 and (name not in before or lot.on_hand < before[name].on_hand):
            raise BadEvent(
                f"{path}: the job took parts of lot {name}, of which this bench would then have "
                f"{lot.on_hand}. Nothing was changed. Correct the stock first, or take it in with --as-new"
            )


__all__ = ["Imported", "export_job", "import_job", "take_in", "write_job"]
