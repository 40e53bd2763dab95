"""A bench's records: jobs, stock, search. Everything recorded is an event, and is there for good."""

from __future__ import annotations

import hashlib
import io
import itertools
import uuid
from collections.abc import Callable, Mapping, Sequence, Set
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, BinaryIO

import msgspec
from sqlalchemy import Connection, Row, func, insert, or_, select, update

from ..money import BadAccount, BadAmount
from . import bodies, rules, schema
from .bodies import AnyBody
from .errors import BadEvent, BenchError, NoSuchJob
from .history import (
    Event,
    digest,
    from_iso,
    last_to_undo,
    last_undo,
    not_superseded,
    places,
    rivals,
    standing,
    to_iso,
    up_to,
)
from .opening import Place, open_place
from .state import JobState, derive
from .stock import ENDS, KINDS, Lot, Shortage, StockLine, free_name, lot_for, shopping_list, stock_of
from .words import drop_all_words, drop_words, find_words, put_words, snippet, words_of


@dataclass(frozen=True)
class JobLine:
    """A job in a list; see `state.JobState`."""

    number: int
    uid: str
    title: str
    stage: str
    waiting_for: str
    open_points: int
    board: str
    currency: str
    profit: str
    minutes: str
    opened: str
    updated: str


@dataclass(frozen=True)
class Found:
    """An event found by its words."""

    job: int | None
    title: str
    event: Event
    snippet: str


_NO_JOB = 2**31
"""Databases can look for no job of this number and above."""
_MOST_NAMED = 20
"""Lots looked up by name; with more, it is quicker to read the stock as a whole."""


class Bench:
    """Records of one bench.

    Parameters
    ----------
    place : Place
        See `open_bench`.
    clock : callable, optional
        Tells the moment at which an event is written down, UTC; by default now.
    identity : callable, optional
        Gives each job and each event its identity, 32 hexadecimal digits that no other has; random by
        default. With a clock and identities of one's own, the same records can be made again.
    """

    def __init__(
        self,
        place: Place,
        clock: Callable[[], datetime] | None = None,
        identity: Callable[[], str] | None = None,
    ) -> None:
        self.place = place
        self._clock = clock or _now
        self._identity = identity or _random_identity
        self._kept_lots: tuple[str, dict[str, Lot]] | None = None

    def close(self) -> None:
        """Let go of the records."""
        self.place.close()

    def __enter__(self) -> Bench:
        return self

    def __exit__(self, *problem: object) -> None:
        self.close()

    # -- writing ---------------------------------------------------------------------------------------------

    def new_job(
        self, title: str, currency: str, *first: AnyBody, rate_per_hour: Any = None, known_as: str = ""
    ) -> int:
        """Begin a job, with what is known at once; its number.

        Parameters
        ----------
        title : str
        currency : str
            ISO 4217.
        first : bodies
            Recorded in the same breath: identity, take-in, symptoms.
        rate_per_hour : Decimal, optional
        known_as : str
            See `record`; a job that was begun under this name is not begun again.
        """
        opened = bodies.Opened(title=title, currency=currency, rate_per_hour=rate_per_hour)
        identity = self._identities(known_as)
        with self.place.writing() as connection:
            uid = identity()
            if known_as:
                query = select(schema.job.c.number).where(schema.job.c.uid == uid)
                if (known := connection.execute(query).scalar()) is not None:
                    return int(known)
            number = int(
                connection.execute(select(func.coalesce(func.max(schema.job.c.number), 0))).scalar_one()
            )
            connection.execute(insert(schema.job).values(number=number + 1, uid=uid))
            for body in (opened, *first):
                self._write(connection, number + 1, uid, body, identity=identity)
        return number + 1

    def record(
        self, job: int | None, *said: AnyBody, at: datetime | None = None, supersedes: str = "",
        known_as: str = "",
    ) -> list[Event]:  # fmt: skip
        """Record events; all of them or none. When this returns they are there for good.

        Parameters
        ----------
        job : int or None
            Number of the job; None for the stock.
        said : bodies
        at : datetime, optional
            When it happened; by default when it is recorded.
        supersedes : str
            Identity of the event that the (one) body corrects.
        known_as : str
            A name of one's own for the deed, at least as hard to meet by chance as 128 random bits: what was
            recorded under it is not recorded again but given back as it was. So whoever did not hear the
            answer can ask again. Without one, it is recorded as often as it is asked for.

        Raises
        ------
        BadEvent
            It makes no sense now; nothing was recorded.
        NoSuchJob, NoSuchEvent
        BenchError
            It cannot be written.
        """
        if supersedes and len(said) != 1:
            raise BadEvent("one event is corrected by one event")
        return self.record_each(job, [(body, at, supersedes) for body in said], known_as=known_as)

    def record_each(
        self, job: int | None, said: Sequence[tuple[AnyBody, datetime | None, str]], *, known_as: str = ""
    ) -> list[Event]:
        """Record events and corrections, each with its own moment and what it supersedes; all or none.

        Parameters
        ----------
        job : int or None
        said : sequence of (body, datetime or None, str)
            As the parameters of `record`.
        known_as : str
            See `record`.

        Notes
        -----
        All are written down at one moment: what was recorded together is known by it.
        """
        with self.place.writing() as connection:
            uid, now = "" if job is None else self._uid(connection, job), self._clock()
            identity = self._identities(known_as)
            return self._known(connection, known_as) or [
                self._write(
                    connection, job, uid, body, at=at, supersedes=supersedes, now=now, identity=identity
                )
                for body, at, supersedes in said
            ]

    def receive(self, *said: bodies.StockReceived, known_as: str = "") -> list[Event]:
        """Record parts that come into stock, as `record`; a lot without a name gets one that is free.

        The name is chosen when nobody else can write, so that two who add parts at once get two lots.
        """
        with self.place.writing() as connection:
            if known := self._known(connection, known_as):
                return known
            names, now, events = set(self._lots(connection)), self._clock(), []
            identity = self._identities(known_as)
            for body in said:
                if not body.lot:
                    body = msgspec.structs.replace(body, lot=free_name(body.kind, names))
                names.add(body.lot)
                events.append(self._write(connection, None, "", body, now=now, identity=identity))
            return events

    def attach(
        self, job: int, source: Path | BinaryIO | bytes, name: str, media_type: str, *,
        what: Any = "file", caption: str = "", at: datetime | None = None, known_as: str = "",
    ) -> Event:  # fmt: skip
        """Store a file and record it with the job; `known_as` as in `record`."""
        stream: BinaryIO
        if isinstance(source, bytes):
            stream = io.BytesIO(source)
        else:
            try:
                stream = source.open("rb") if isinstance(source, Path) else source
            except OSError as problem:
                raise BenchError(f"{source}: {(problem.strerror or str(problem)).lower()}") from None
        with stream, self.place.writing() as connection:
            uid = self._uid(connection, job)
            if known := self._known(connection, known_as):
                return known[0]
            sha256, size = self.place.attachments.put(connection, stream)
            body = bodies.Attachment(
                sha256=sha256, name=name, media_type=media_type, size=size, what=what, caption=caption
            )
            return self._write(connection, job, uid, body, at=at, identity=self._identities(known_as))

    def undo(self, job: int, why: str = "") -> Event:
        """Take back the latest event of a job that stands; the event taken back."""
        return self._take_back(job, last_to_undo, "there is nothing to take back", why)

    def redo(self, job: int) -> Event:
        """Take back the latest undo; the undo taken back."""
        return self._take_back(job, last_undo, "nothing was taken back", "")

    def _take_back(self, job: int, choose: Any, nothing: str, why: str) -> Event:
        with self.place.writing() as connection:
            uid = self._uid(connection, job)
            target: Event | None = choose(self._events(connection, job))
            if target is None:
                raise BadEvent(f"job {job}: {nothing}")
            self._write(connection, job, uid, bodies.Undone(why=why), supersedes=target.uid)
            return target

    def _write(
        self, connection: Connection, job: int | None, uid: str, body: AnyBody, *,
        at: datetime | None = None, supersedes: str = "", now: datetime | None = None,
        identity: Callable[[], str] | None = None,
    ) -> Event:  # fmt: skip
        """One event, with all that is derived from it, in the transaction at hand."""
        now = now or self._clock()
        moment = at or now
        rules.check_moment(moment, now)
        text = _json_of(body)
        body = bodies.from_json(text)  # numbers as they will be read
        before = self._events(connection, job)
        touched = _lots_touched(body, supersedes, before)
        lots = self._lots(connection, touched) if touched else {}
        if touched and not lots and not isinstance(body, bodies.StockReceived):
            known = self._lots(connection)  # to tell which lots there are
        else:
            known = lots
        if supersedes:
            target = next((event for event in not_superseded(before) if event.uid == supersedes), None)
            if target is not None and isinstance(body, bodies.Opened):
                origin = getattr(target.body, "origin", "")  # a title is corrected, not where it came from
                body = msgspec.structs.replace(body, origin=origin)
                text = _json_of(body)
            state = None
            if job is not None and target is not None and not isinstance(body, bodies.Undone):
                state = derive(uid, before, target)
            if isinstance(body, bodies.StockReceived):
                known = self._lots(connection, {body.lot}, supersedes)
            rules.check_correction(body, target, known, state, moment)
        elif before or not isinstance(body, bodies.Opened):
            rules.check(body, derive(uid, before) if job is not None else None, known, moment)
        else:
            rules.plain_fields(body)
        fields = ((identity or self._identity)(), uid, to_iso(moment), to_iso(now), supersedes)
        number = (
            int(connection.execute(select(func.coalesce(func.max(schema.event.c.number), 0))).scalar_one())
            + 1
        )
        event = Event(
            number,
            fields[0],
            uid,
            from_iso(fields[2]),
            from_iso(fields[3]),
            supersedes,
            bodies.from_json(text),
        )
        connection.execute(
            insert(schema.event).values(
                number=number, uid=event.uid, job=job, at=fields[2], recorded=fields[3],
                supersedes=supersedes or None, kind=event.kind, body=text,
                sha256=digest(*fields, text), stands=1, place=number,
            )
        )  # fmt: skip
        after = [*before, event]
        if supersedes:
            _refuse_rivals(before, after)
            rules.check_timer(before, after)
        _derive_standing(connection, before, after)
        if touched:
            self._check_stock(connection, lots, touched, body)
        if job is not None:
            _summarise(connection, job, derive(uid, after), self._prices(connection, after))
        return event

    def _check_stock(
        self, connection: Connection, before: dict[str, Lot], names: Set[str], body: AnyBody
    ) -> None:
        """Refuse a stock of fewer than none; bring jobs in line with a price that was corrected."""
        after = self._lots(connection, names)
        _refuse_overdraft(after, before)
        if not isinstance(body, bodies.StockCounted):  # what was counted is so, whatever was set aside
            _refuse_promises(after, before)
        changed = {
            name
            for name, lot in before.items()
            if name not in after or (after[name].price, after[name].kind) != (lot.price, lot.kind)
        }
        if not changed:
            return
        jobs: dict[str, None] = {}
        for use in self._stock_lines(connection, ("part-used",), names):
            assert isinstance(use.body, bodies.PartUsed)
            name = use.body.lot
            lot, was = lot_for(after, use.job, name), before.get(name)
            if lot is None and name in changed:
                raise BadEvent(f"parts of lot {name} were used: correct that first")
            if lot is not None and was is not None and not lot.of_job and lot.kind != was.kind:
                raise BadEvent(
                    f"parts of lot {name} were used as {was.kind}: correct that first, or receive what came "
                    "as another lot"
                )
            jobs.setdefault(use.job)
        rows = connection.execute(select(schema.job.c.number, schema.job.c.uid)).all()
        for number, uid in rows:
            if uid in jobs:
                events = self._events(connection, number)
                _summarise(connection, number, derive(uid, events), self._prices(connection, events))

    # -- deeds that are known by a name ----------------------------------------------------------------------

    def recorded(self, known_as: str) -> list[Event]:
        """What was recorded under a name (see `record`), whatever became of it since; nothing, if nothing."""
        with self.place.reading() as connection:
            return self._known(connection, known_as)

    def _identities(self, known_as: str) -> Callable[[], str]:
        """Gives an identity for each event of a deed, in order."""
        if not known_as:
            return self._identity
        numbers = itertools.count()
        return lambda: _named(known_as, next(numbers))

    def _known(self, connection: Connection, known_as: str) -> list[Event]:
        found: list[Event] = []
        while known_as:
            query = (
                select(schema.event, schema.job.c.uid.label("job_uid"))
                .outerjoin(schema.job, schema.event.c.job == schema.job.c.number)
                .where(schema.event.c.uid == _named(known_as, len(found)))
            )
            row = connection.execute(query).first()
            if row is None:
                break
            found.append(_event(row, row.job_uid or ""))
        return found

    # -- reading ---------------------------------------------------------------------------------------------

    def newest(self) -> int:
        """Number of the latest event; 0 if there is none."""
        with self.place.reading() as connection:
            return int(
                connection.execute(select(func.coalesce(func.max(schema.event.c.number), 0))).scalar_one()
            )

    def changed_since(self, number: int) -> list[int | None]:
        """The jobs that have later events than the one of that number; None among them is the stock."""
        query = select(schema.event.c.job).where(schema.event.c.number > number).distinct()
        with self.place.reading() as connection:
            return [None if job is None else int(job) for job in connection.execute(query).scalars()]

    def jobs(self, stage: str = "", limit: int | None = None) -> list[JobLine]:
        """Jobs, the latest touched first."""
        columns = [schema.job.c[field.name] for field in fields(JobLine)]
        query = select(*columns).order_by(schema.job.c.updated.desc(), schema.job.c.number.desc())
        if stage:
            query = query.where(schema.job.c.stage == stage)
        with self.place.reading() as connection:
            return [JobLine(*row) for row in connection.execute(query.limit(limit))]

    def job(self, number: int, moment: int | None = None) -> JobState:
        """A job as it is, or as it was when the event of number `moment` had been recorded."""
        with self.place.reading() as connection:
            uid = self._uid(connection, number)
            events = self._events(connection, number)
        return derive(uid, events if moment is None else up_to(events, moment))

    def events(self, job: int | None) -> list[Event]:
        """All events of a job, or of the stock, superseded ones among them, in order."""
        with self.place.reading() as connection:
            if job is not None:
                self._uid(connection, job)
            return self._events(connection, job)

    def attachment(self, sha256: str) -> bytes:
        """What was attached."""
        with self.place.reading() as connection:
            return self.place.attachments.get(connection, sha256)

    def prices(self, state: JobState) -> dict[str, bodies.Price]:
        """What one of each lot cost that a job used."""
        with self.place.reading() as connection:
            return self._prices(connection, state.events)

    def stock(self) -> dict[str, Lot]:
        """Every lot, by name."""
        with self.place.reading() as connection:
            return self._lots_now(connection)

    def shopping(self) -> list[Shortage]:
        """What open jobs want and the stock has not; jobs by identity."""
        ends = ("kept", "sold", "broken for parts", "returned")
        with self.place.reading() as connection:
            query = (
                select(schema.event, schema.job.c.uid.label("job_uid"))
                .join(schema.job, schema.event.c.job == schema.job.c.number)
                .where(schema.event.c.kind == "part-wanted", schema.event.c.stands == 1)
                .where(schema.job.c.stage.not_in(ends))
                .order_by(schema.event.c.place, schema.event.c.number)
            )
            wanted = [_event(row, str(row.job_uid)) for row in connection.execute(query)]
            return shopping_list(wanted, self._lots_now(connection))

    def numbers(self) -> dict[str, int]:
        """Numbers of all jobs by their identity."""
        with self.place.reading() as connection:
            rows = connection.execute(select(schema.job.c.uid, schema.job.c.number))
            return {str(uid): int(number) for uid, number in rows}

    def search(self, wanted: str, limit: int = 50) -> list[Found]:
        """Events in which all the words occur: whole words first, then words that begin so; newest first."""
        with self.place.reading() as connection:
            found = find_words(connection, wanted, limit)
            query = (
                select(schema.event, schema.job.c.uid.label("job_uid"), schema.job.c.title)
                .outerjoin(schema.job, schema.event.c.job == schema.job.c.number)
                .where(schema.event.c.number.in_(found))
            )
            rows = {row.number: row for row in connection.execute(query)}
        events = [(rows[n], _event(rows[n], rows[n].job_uid or "")) for n in found if n in rows]
        return [
            Found(row.job, row.title or "", event, snippet(words_of(event.body), wanted))
            for row, event in events
        ]

    def confirmed(self) -> list[Event]:
        """Every proved fault that stands, of all jobs."""
        with self.place.reading() as connection:
            return self._standing_of(connection, ("confirmed",))

    # -- within a transaction --------------------------------------------------------------------------------

    def _uid(self, connection: Connection, job: int) -> str:
        row = None
        if 0 < job < 1 << 31:  # what a column can hold
            query = select(schema.job.c.uid).where(schema.job.c.number == job)
        row = connection.execute(query).first() if 0 < job < _NO_JOB else None
        if row is None:
            raise NoSuchJob(f"there is no job {job}: `benchwright job list` shows all")
        return str(row[0])

    def _events(self, connection: Connection, job: int | None) -> list[Event]:
        uid = "" if job is None else self._uid(connection, job)
        where = schema.event.c.job.is_(None) if job is None else schema.event.c.job == job
        query = select(schema.event).where(where).order_by(schema.event.c.number)
        return [_event(row, uid) for row in connection.execute(query)]

    def _standing_of(self, connection: Connection, kinds: Sequence[str]) -> list[Event]:
        query = (
            select(schema.event, schema.job.c.uid.label("job_uid"))
            .outerjoin(schema.job, schema.event.c.job == schema.job.c.number)
            .where(schema.event.c.kind.in_(kinds), schema.event.c.stands == 1)
            .order_by(schema.event.c.place, schema.event.c.number)
        )
        return [_event(row, row.job_uid or "") for row in connection.execute(query)]

    def _lots(
        self, connection: Connection, names: Set[str] | None = None, without: str = ""
    ) -> dict[str, Lot]:
        """Every lot, or those of certain names; without one event, if its identity is given."""
        return stock_of(self._stock_lines(connection, KINDS, names, without))

    def _lots_now(self, connection: Connection) -> dict[str, Lot]:
        """Every lot; worked out once for each newest event, for all of years' events tell of the stock."""
        table = schema.event
        query = select(table.c.number, table.c.uid).order_by(table.c.number.desc()).limit(1)
        row = connection.execute(query).first()
        newest = "" if row is None else f"{row.number} {row.uid}"
        known = self._kept_lots
        if known is None or known[0] != newest:
            self._kept_lots = known = (newest, self._lots(connection))
        return {name: lot.copy() for name, lot in known[1].items()}

    def _stock_lines(
        self, connection: Connection, kinds: Sequence[str], names: Set[str] | None = None, without: str = ""
    ) -> list[StockLine]:
        """What stands of these kinds, in order; of certain lots alone, if names are given."""
        table = schema.event
        query = (
            select(schema.job.c.uid, table.c.body, table.c.number, table.c.kind)
            .select_from(table.outerjoin(schema.job, table.c.job == schema.job.c.number))
            .where(table.c.kind.in_(kinds), table.c.stands == 1)
            .order_by(table.c.place, table.c.number)
        )
        if names is not None and len(names) <= _MOST_NAMED:
            # As `bodies.to_json` writes it; a text that holds the same has its quotes escaped.
            within = func.instr if connection.dialect.name == "sqlite" else func.strpos
            said = [f'"lot":{msgspec.json.encode(name).decode()}' for name in sorted(names)]
            of_lots = (within(table.c.body, one) > 0 for one in said)
            query = query.where(or_(*of_lots, table.c.kind.in_(ENDS)))
        if without:
            query = query.where(table.c.uid != without)
        return [StockLine(uid or "", _body(row)) for row in connection.execute(query) for uid in (row[0],)]

    def _prices(self, connection: Connection, events: Sequence[Event]) -> dict[str, bodies.Price]:
        used = {event.body.lot for event in events if isinstance(event.body, bodies.PartUsed)}
        if not used:
            return {}
        return prices_of(events, stock_of(self._stock_lines(connection, ("stock-received",), used)))


def open_bench(where: str | Path | None = None, *, create: bool = True) -> Bench:
    """Open a bench; see `opening.open_place`."""
    return Bench(open_place(where, create=create))


def _now() -> datetime:
    return datetime.now(UTC)


def _named(known_as: str, place: int) -> str:
    """The identity of one event, or job, of a deed with a name."""
    return hashlib.sha256(f"{known_as} {place}".encode()).hexdigest()[:32]


def _random_identity() -> str:
    return uuid.uuid4().hex


def _event(row: Row[Any], uid: str) -> Event:
    return Event(
        row.number, row.uid, uid, from_iso(row.at), from_iso(row.recorded), row.supersedes or "", _body(row)
    )


def _body(row: Any) -> AnyBody:
    try:
        return bodies.from_json(row.body)
    except msgspec.MsgspecError as problem:
        raise BenchError(
            f"event {row.number} ({row.kind}) cannot be read: {problem}. A newer Benchwright may have "
            "recorded it: update this one; `benchwright bench verify` tells whether it is damaged"
        ) from None


def _json_of(body: AnyBody) -> str:
    """The body as JSON, sure to be read again.

    Raises
    ------
    BadEvent
        A field is of the wrong type, or a text cannot be stored.
    """
    try:
        text = bodies.to_json(body)
        bodies.from_json(text)
    except (msgspec.MsgspecError, TypeError, ValueError) as problem:
        raise BadEvent(f"{type(body).__name__} cannot be recorded: {problem}") from None
    if "\x00" in words_of(body):
        raise BadEvent(f"{bodies.kind_of(body)}: a text holds a zero byte, which cannot be stored")
    return text


def _lots_touched(body: AnyBody, supersedes: str, events: Sequence[Event]) -> set[str]:
    """Lots whose stock may change by what is recorded: also by an undo, and by the undo of an undo."""
    names, by_uid = set(), {event.uid: event for event in events} if supersedes else {}
    while True:
        if isinstance(body, (*bodies.STOCK_ONLY, bodies.PartUsed, bodies.PartReserved)):
            names.add(body.lot)
        elif by_uid and isinstance(body, bodies.Closed | bodies.Reopened):
            # Without the end of the job its parts are set aside again.
            names |= {e.body.lot for e in events if isinstance(e.body, bodies.PartReserved)}
        if supersedes not in by_uid:
            return names
        body, supersedes = by_uid[supersedes].body, by_uid[supersedes].supersedes


def _refuse_overdraft(after: dict[str, Lot], before: dict[str, Lot]) -> None:
    """A correction may not leave fewer than no parts."""
    for name, lot in after.items():
        if lot.on_hand < 0 and (name not in before or lot.on_hand < before[name].on_hand):
            raise BadEvent(f"that would leave {lot.on_hand} of {name}: correct the stock first")


def _refuse_promises(after: dict[str, Lot], before: dict[str, Lot]) -> None:
    """A correction may not leave more set aside than is there."""
    for name, lot in before.items():
        if name not in after and any(lot.reserved.values()):
            raise BadEvent(f"parts of lot {name} are set aside for a job: let them go first")
    for name, lot in after.items():
        if lot.free < 0 and (name not in before or lot.free < before[name].free):
            raise BadEvent(
                f"that would leave {sum(lot.reserved.values())} of {name} set aside, and {lot.on_hand} on "
                "hand: let some go first, or count again"
            )


def _refuse_rivals(before: Sequence[Event], after: Sequence[Event]) -> None:
    """What is brought back may not stand beside what has taken its place since."""
    known = rivals(before)
    for uid, several in rivals(after).items():
        if len(several) > len(known.get(uid, [])):
            first = next(event for event in after if event.uid == uid)
            raise BadEvent(
                f"event {first.number} was corrected otherwise since, by event {several[-1].number}: take "
                f"that back before event {several[0].number} is brought back"
            )


def _derive_standing(connection: Connection, before: Sequence[Event], after: Sequence[Event]) -> None:
    """Bring flags, places and words in line with what now stands."""
    stood = {event.number for event in standing(before)}
    kept = standing(after)
    stand = {event.number for event in kept}
    new = after[-1].number
    table = schema.event
    for number in (stood - stand) | ({new} - stand):
        connection.execute(update(table).where(table.c.number == number).values(stands=0))
    for number in stand - stood - {new}:
        connection.execute(update(table).where(table.c.number == number).values(stands=1))
    if after[-1].supersedes:
        place = places(after)[after[-1].uid]
        connection.execute(update(table).where(table.c.number == new).values(place=place))
    drop_words(connection, sorted(stood - stand))
    put_words(connection, [(e.number, words_of(e.body)) for e in kept if e.number in stand - stood])


def _summarise(connection: Connection, job: int, state: JobState, prices: dict[str, bodies.Price]) -> None:
    """The job's line in the list."""
    connection.execute(
        update(schema.job).where(schema.job.c.number == job).values(**summary_of(state, prices))
    )


def prices_of(events: Sequence[Event], lots: Mapping[str, Lot]) -> dict[str, bodies.Price]:
    """What one of each lot cost that a job used, by the events of that job and the stock."""
    used = {event.body.lot: event.job for event in events if isinstance(event.body, bodies.PartUsed)}
    found = {name: lot_for(lots, job, name) for name, job in used.items()}
    return {name: lot.price for name, lot in found.items() if lot is not None and lot.price is not None}


def summary_of(state: JobState, prices: dict[str, bodies.Price]) -> dict[str, Any]:
    """What a list shows of a job: columns of table `job`."""
    try:
        profit = str(state.ledger(prices).statement().profit.value)
    except (BadAccount, BadAmount) as problem:
        raise BadEvent(str(problem)) from None
    return {
        "title": state.title,
        "stage": state.stage,
        "waiting_for": state.waiting_for,
        "open_points": len(state.open_points),
        "board": state.board_file,
        "currency": state.currency,
        "profit": profit,
        "minutes": str(state.minutes),
        "opened": to_iso(state.opened) if state.opened else "",
        "updated": to_iso(state.updated) if state.updated else "",
    }


def rederive(bench: Bench, connection: Connection) -> None:
    """Make all that is derived anew, from the events alone."""
    table = schema.event
    bench._kept_lots = None
    connection.execute(update(table).values(stands=0, place=table.c.number))
    drop_all_words(connection)
    numbers: list[int | None] = [None, *connection.execute(select(schema.job.c.number)).scalars()]
    states = []
    for number in numbers:
        events = bench._events(connection, number)
        kept = standing(events)
        stand = {event.number for event in kept}
        place = places(events)
        for event in events:
            connection.execute(
                update(table).where(table.c.number == event.number)
                .values(stands=int(event.number in stand), place=place[event.uid])
            )  # fmt: skip
        put_words(connection, [(e.number, words_of(e.body)) for e in kept])
        if number is not None and events:
            states.append((number, derive(events[0].job, events)))
    for number, state in states:
        _summarise(connection, number, state, bench._prices(connection, state.events))


__all__ = ["Bench", "Found", "JobLine", "open_bench", "prices_of", "rederive", "summary_of"]
