"""Histories against a plain model written on its own: whatever is recorded, corrected, undone and redone.

The model knows three sentences. An event is in force unless an undo in force takes it back. It is replaced if
a correction in force supersedes it, and by one only. It stands if it is in force, not replaced, and no undo;
and it stands in the place of the first event of its line of corrections.
"""

from __future__ import annotations

import shutil
import tempfile
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)
from sqlalchemy import delete, select, text

from benchwright.jobs import BadEvent, NoSuchEvent, bodies, open_bench, schema
from benchwright.jobs.bench import rederive
from benchwright.jobs.verify import verify

WORDS = ("leaks", "U3.14", "LS157", "+5V", "burnt")
LOTS = ("C220", "R10k")
EUR = "EUR"


@dataclass
class Kept:
    """One event as the model remembers it."""

    number: int
    uid: str
    job: int | None
    kind: str
    said: tuple
    of: str  # uid of what it supersedes


class Model:
    """A list of events, and the three sentences."""

    def __init__(self) -> None:
        self.events: list[Kept] = []

    def later(self, event: Kept, undo: bool) -> list[Kept]:
        return [e for e in self.events if e.of == event.uid and (e.kind == "undone") == undo]

    def in_force(self, event: Kept) -> bool:
        return not any(self.in_force(undo) for undo in self.later(event, True))

    def current(self, event: Kept) -> bool:
        return self.in_force(event) and not any(self.in_force(c) for c in self.later(event, False))

    def stands(self, event: Kept) -> bool:
        return event.kind != "undone" and self.current(event)

    def first(self, event: Kept) -> int:
        return next((self.first(e) for e in self.events if event.of and e.uid == event.of), event.number)

    def standing(self, *kinds: str) -> list[Kept]:
        found = [e for e in self.events if self.stands(e) and e.kind in kinds]
        return sorted(found, key=lambda e: (self.first(e), e.number))

    def on_hand(self) -> dict[str, int]:
        stock = {e.said[0]: 0 for e in self.standing("stock-received")}
        for e in self.standing("stock-received", "stock-counted", "part-used"):
            lot, quantity = e.said[:2]
            if lot in stock:
                stock[lot] = quantity if e.kind == "stock-counted" else (
                    stock[lot] + (quantity if e.kind == "stock-received" else -quantity)
                )  # fmt: skip
        return stock

    def prices(self) -> dict[str, int]:
        return {e.said[0]: e.said[2] for e in self.standing("stock-received")}

    def twice(self) -> bool:
        """Whether two corrections in force took the place of one event."""
        forced = [e.of for e in self.events if e.of and e.kind != "undone" and self.in_force(e)]
        return len(forced) != len(set(forced))

    def refuses(self, new: Kept) -> bool:
        """Whether a correction or undo leaves the stock with less than nothing, a use without its lot, or
        one event with two others in its place."""
        before = self.on_hand()
        self.events.append(new)
        after = self.on_hand()
        unknown = any(e.said[0] not in after and e.said[0] in before for e in self.standing("part-used"))
        twice = self.twice()
        self.events.pop()
        return unknown or twice or any(n < 0 and n < before.get(lot, 0) for lot, n in after.items())


def _body(kind: str, said: tuple):
    return {
        "opened": lambda title: bodies.Opened(title=title, currency=EUR),
        "note": lambda words: bodies.Note(text=words),
        "open-point": lambda words: bodies.OpenPoint(text=words),
        "time": lambda minutes: bodies.Time(minutes=Decimal(minutes)),
        "cost": lambda cents: bodies.Cost(kind="parts", price=_price(cents)),
        "part-used": lambda lot, n: bodies.PartUsed(lot=lot, quantity=n),
        "stock-received": lambda lot, n, cents: bodies.StockReceived(
            lot=lot, kind="part", quantity=n, price=_price(cents)
        ),
        "stock-counted": lambda lot, n: bodies.StockCounted(lot=lot, quantity=n),
        "undone": lambda: bodies.Undone(),
    }[kind](*said)


def _price(cents: int) -> bodies.Price:
    return bodies.Price(value=Decimal(cents) / 100, currency=EUR)


words = st.lists(st.sampled_from(WORDS), min_size=1, max_size=2).map(" ".join)
small, cents = st.integers(1, 4), st.sampled_from((40, 55))
job_numbers = st.sampled_from((1, 2))
past = st.none() | st.integers(0, 10_000).map(lambda m: datetime.now(UTC) - timedelta(minutes=m))
SAID = {
    "opened": st.tuples(st.sampled_from(("Title A", "Title B"))),
    "note": st.tuples(words),
    "open-point": st.tuples(words),
    "time": st.tuples(small),
    "cost": st.tuples(cents),
    "part-used": st.tuples(st.sampled_from(LOTS), small),
    "stock-received": st.tuples(st.sampled_from(LOTS), small, cents),
    "stock-counted": st.tuples(st.sampled_from(LOTS), st.integers(0, 4)),
}


class Histories(RuleBasedStateMachine):
    """Two jobs and a stock, handled at random."""

    where = ""

    @initialize()
    def begin(self) -> None:
        self.bench = open_bench(self.where)
        with self.bench.place.writing() as connection:
            connection.execute(text("DELETE FROM words"))
            for table in (schema.event, schema.job):
                connection.execute(delete(table))
        self.model = Model()
        for job in (1, 2):
            assert self.bench.new_job("Title A", EUR) == job
            self._keep(self.bench.events(job)[0], job, "opened", ("Title A",), "")

    def _keep(self, event, job, kind, said, of) -> None:
        assert event.number == len(self.model.events) + 1
        self.model.events.append(Kept(event.number, event.uid, job, kind, said, of))

    def _next(self, job, kind, said, of="") -> Kept:
        return Kept(len(self.model.events) + 1, "next", job, kind, said, of)

    @rule(
        job=job_numbers, at=past, what=st.sampled_from(("note", "open-point", "time", "cost")), data=st.data()
    )
    def record(self, job, at, what, data) -> None:
        said = data.draw(SAID[what])
        (event,) = self.bench.record(job, _body(what, said), at=at)
        if at is not None:
            assert event.at == at.replace(microsecond=at.microsecond)
        self._keep(event, job, what, said, "")

    @rule(said=SAID["stock-received"])
    def receive(self, said) -> None:
        known = self.model.prices()
        body = _body("stock-received", said)
        if known.get(said[0], said[2]) != said[2]:
            with pytest.raises(BadEvent, match="another price"):
                self.bench.record(None, body)
        else:
            self._keep(self.bench.record(None, body)[0], None, "stock-received", said, "")

    @rule(said=SAID["stock-counted"])
    def count(self, said) -> None:
        if said[0] not in self.model.on_hand():
            with pytest.raises(BadEvent, match="no lot"):
                self.bench.record(None, _body("stock-counted", said))
        else:
            (event,) = self.bench.record(None, _body("stock-counted", said))
            self._keep(event, None, "stock-counted", said, "")

    @rule(job=job_numbers, said=SAID["part-used"])
    def use(self, job, said) -> None:
        if self.model.on_hand().get(said[0], 0) < said[1]:
            with pytest.raises(BadEvent):
                self.bench.record(job, _body("part-used", said))
        else:
            (event,) = self.bench.record(job, _body("part-used", said))
            self._keep(event, job, "part-used", said, "")

    @rule(data=st.data(), undo=st.booleans())
    def supersede_any(self, data, undo) -> None:
        """Correct or take back any event there is, whether it still stands or not."""
        old = data.draw(st.sampled_from(self.model.events), label="old")
        kind = "undone" if undo else old.kind
        said = () if undo else data.draw(SAID.get(kind, st.just(())), label="said")
        new = self._next(old.job, kind, said, old.uid)
        body = _body(kind, said)
        if not self.model.current(old):
            expected = NoSuchEvent
        elif (
            (undo and old.kind == "opened")
            or (kind in ("part-used", "stock-counted") and said[0] not in self.model.on_hand())
            or self.model.refuses(new)
        ):
            expected = BadEvent
        else:
            (event,) = self.bench.record(old.job, body, supersedes=old.uid)
            self._keep(event, old.job, kind, said, old.uid)
            return
        with pytest.raises(expected):
            self.bench.record(old.job, body, supersedes=old.uid)

    @rule(job=job_numbers)
    def undo(self, job) -> None:
        can = [e for e in self.model.events if e.job == job and e.kind != "opened" and self.model.stands(e)]
        self._take_back(job, can, self.bench.undo)

    @rule(job=job_numbers)
    def redo(self, job) -> None:
        by_uid = {e.uid: e for e in self.model.events}
        undos = [e for e in self.model.events if e.job == job and e.kind == "undone"]
        can = [e for e in undos if self.model.current(e) and by_uid[e.of].kind != "undone"]
        self._take_back(job, can, self.bench.redo)

    def _take_back(self, job, can, deed) -> None:
        if not can or self.model.refuses(self._next(job, "undone", (), can[-1].uid)):
            with pytest.raises(BadEvent):
                deed(job)
            return
        assert deed(job).uid == can[-1].uid
        self._keep(self.bench.events(job)[-1], job, "undone", (), can[-1].uid)

    @precondition(lambda self: len(self.model.events) > 3)
    @rule(data=st.data(), job=job_numbers)
    def look_back(self, data, job) -> None:
        """A job as it was at any moment is what the history up to then makes of it."""
        then = Model()
        then.events = self.model.events[: data.draw(st.integers(job, len(self.model.events)))]
        state = self.bench.job(job, then.events[-1].number)
        self._same_state(then, job, state)

    def _same_state(self, model, job, state) -> None:
        mine = [e for e in model.standing("note", "open-point", "time", "cost", "part-used") if e.job == job]
        assert [e.body.text for e in state.notes] == [e.said[0] for e in mine if e.kind == "note"]
        assert [p.text for p in state.open_points] == [e.said[0] for e in mine if e.kind == "open-point"]
        assert state.minutes == sum(e.said[0] for e in mine if e.kind == "time")
        assert [e.body.quantity for e in state.parts] == [e.said[1] for e in mine if e.kind == "part-used"]
        assert state.title == next(e.said[0] for e in model.standing("opened") if e.job == job)

    @invariant()
    def all_that_is_derived_agrees(self) -> None:
        model, bench = self.model, self.bench
        with bench.place.reading() as connection:
            table = schema.event
            rows = connection.execute(
                select(table.c.number, table.c.stands, table.c.place).order_by(table.c.number)
            ).all()
        assert [tuple(row) for row in rows] == [
            (e.number, int(model.stands(e)), model.first(e)) for e in model.events
        ]
        for word in WORDS:
            found = {hit.event.number for hit in bench.search(word)}
            assert found == {
                e.number for e in model.standing("note", "open-point") if word in e.said[0].split()
            }
        assert {n: lot.on_hand for n, lot in bench.stock().items()} == model.on_hand()
        lines = {line.number: line for line in bench.jobs()}
        for job, line in lines.items():
            self._same_state(model, job, bench.job(job))
            spent = sum(e.said[0] for e in model.standing("cost") if e.job == job) + sum(
                e.said[1] * model.prices()[e.said[0]] for e in model.standing("part-used") if e.job == job
            )
            assert Decimal(line.profit) * 100 == -spent
            assert line.open_points == len([e for e in model.standing("open-point") if e.job == job])
            assert line.title == next(e.said[0] for e in model.standing("opened") if e.job == job)
            assert Decimal(line.minutes) == sum(e.said[0] for e in model.standing("time") if e.job == job)

    def teardown(self) -> None:
        if not hasattr(self, "bench"):
            return
        with self.bench:
            assert verify(self.bench).problems == []
            before = self._everything()
            with self.bench.place.writing() as connection:
                rederive(self.bench, connection)
            assert self._everything() == before

    def _everything(self):
        from benchwright.jobs.words import stored_words

        with self.bench.place.reading() as connection:
            tables = [
                [tuple(row) for row in connection.execute(select(table).order_by(table.c.number))]
                for table in (schema.job, schema.event)
            ]
            return tables, stored_words(connection)


@pytest.mark.parametrize("kind", ["folder", "server"])
def test_histories_follow_the_model(kind, request, made_folder):
    """On both kinds of bench, after every step, all agrees with the model and with deriving anew."""
    memory = Path("/dev/shm")
    scratch = Path(tempfile.mkdtemp(prefix="bw-history-", dir=memory if memory.is_dir() else None))
    if kind == "folder":
        shutil.copytree(made_folder, scratch / "bench")
        where = str(scratch / "bench")
    else:
        where = request.getfixturevalue("server").bench()
    machine = type("Histories", (Histories,), {"where": where})
    usual = settings.default
    share = 3 if kind == "folder" else 8
    try:
        run_state_machine_as_test(
            machine,
            settings=settings(usual, max_examples=usual.max_examples // share, stateful_step_count=25),
        )
    finally:
        shutil.rmtree(scratch, ignore_errors=True)
