"""What the bench's records must hold to, in a folder as on a server."""

from __future__ import annotations

import io
from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal

import pytest
from sqlalchemy import text, update
from sqlalchemy.exc import IntegrityError

from benchwright.jobs import BadEvent, BenchError, NoSuchEvent, NoSuchJob, bodies, open_bench, schema
from benchwright.jobs.attachments import PIECE
from benchwright.jobs.verify import verify

NOTE = bodies.Note(text="cleaned the edge connector")


def _eur(value: str) -> bodies.Price:
    return bodies.Price(value=Decimal(value), currency="EUR")


def _reading(entry: str) -> bodies.Reading:
    a, b, value = entry.split()
    return bodies.Reading(entry=entry, quantity="resistance", a=a, b=b, value=value)


def _lot(bench, lot="C220", quantity=5, price="0.40"):
    body = bodies.StockReceived(lot=lot, kind="capacitor", value="220u", quantity=quantity, price=_eur(price))
    return bench.record(None, body)[0]


def test_what_was_recorded_is_read_again_by_another_opening(where):
    """Events come back as they were recorded, byte for byte, after the bench was closed."""
    with open_bench(where) as bench:
        job = bench.new_job("Faulty, no picture", "EUR", bodies.Symptom(text="no picture"))
        recorded = bench.record(job, _reading("U3.14 GND 0R8"), NOTE)
    with open_bench(where, create=False) as bench:
        events = bench.events(job)
        assert [e.kind for e in events] == ["opened", "symptom", "reading", "note"]
        assert events[2:] == recorded
        assert [e.digest() for e in events[2:]] == [e.digest() for e in recorded]
        assert bench.jobs()[0].title == "Faulty, no picture"


def test_all_or_nothing(bench):
    """If one of several events makes no sense, none is recorded, and no number is lost."""
    job = bench.new_job("One", "EUR")
    with pytest.raises(BadEvent):
        bench.record(job, NOTE, bodies.TimerStopped())
    with pytest.raises(BadEvent):
        bench.new_job("Two", "EUR", bodies.TimerStopped())
    assert [e.kind for e in bench.events(job)] == ["opened"]
    assert bench.new_job("Two", "EUR") == 2
    assert [e.number for e in bench.events(2)] == [2]


def test_jobs_and_events_that_are_not_there(bench):
    """What is not there is said, and nothing is written."""
    with pytest.raises(NoSuchJob, match="no job 7"):
        bench.record(7, NOTE)
    with pytest.raises(NoSuchJob):
        bench.events(7)
    job = bench.new_job("One", "EUR")
    with pytest.raises(NoSuchEvent):
        bench.record(job, NOTE, supersedes="0" * 32)
    with pytest.raises(BadEvent, match="nothing to take back"):
        bench.undo(job)
    with pytest.raises(BadEvent, match="nothing was taken back"):
        bench.redo(job)
    assert len(bench.events(job)) == 1


# What a person types, and which of the texts below it must find.
TEXTS = (
    "U3.14 GND 0R8",
    "SN74LS157N on order",
    "no 74LS157, fitted a 74HCT157",
    "+5V rail reads 4.71 V",
    "-12V is fine",
    "kleiner Käfer unter R7",
    "R31 reads 10 kΩ instead of 4k7",
    "1/4W resistor",
    "U30 warm",
)
FINDS = {
    "U3.14": {0},
    "u3.14": {0},
    "U3": {0, 8},
    "0R8": {0},
    "0r": {0},
    "74LS157": {1, 2},
    "LS157": {1, 2},
    "sn74": {1},
    "157": {1, 2},
    "HCT157": {2},
    "+5V": {3},
    "5V": {3},
    "-12V": {4},
    "12V": {4},
    "kaf": {5},
    "KÄFER": {5},
    "10 kω": {6},
    "10 k\u2126": {6},
    "4k7": {6},
    "k7": {6},
    "1/4w": {7},
    "4.71": {3},
    "reads R31": {6},
    "reads nothing": set(),
    "eads": set(),
    '"': set(),
    "": set(),
    "* OR NOT (": set(),
    "' & | ! :* \\": set(),
}


@pytest.mark.parametrize("wanted", FINDS)
def test_search_finds_part_numbers_points_and_rails(texts_on_both, wanted):
    """Words are found whole, by their beginning, and where letters and digits meet; alike on both."""
    for bench, numbers in texts_on_both:
        found = {numbers.index(hit.event.number) for hit in bench.search(wanted)}
        assert found == FINDS[wanted], bench.place.name


@pytest.fixture(scope="module")
def texts_on_both(server, tmp_path_factory):
    benches = []
    for where in (str(tmp_path_factory.mktemp("words") / "bench"), server.bench()):
        bench = open_bench(where)
        job = bench.new_job("Words", "EUR")
        noted = bench.record(job, *(bodies.Note(text=t) for t in TEXTS))
        benches.append((bench, [event.number for event in noted]))
    yield benches
    for bench, _ in benches:
        bench.close()


def test_the_same_is_found_in_the_same_order_on_both(texts_on_both):
    """Order and snippets do not depend on the database; whole words come before beginnings."""
    (folder, _), (server, _) = texts_on_both
    for wanted in ("u3", "5", "157", "re"):
        told = [[(hit.event.number, hit.snippet) for hit in b.search(wanted)] for b in (folder, server)]
        assert told[0] == told[1]
    assert [hit.snippet for hit in folder.search("U3")] == ["[U30] warm", "[U3.14] GND 0R8"]
    assert [hit.snippet for hit in folder.search("U3", limit=1)] == ["[U30] warm"]


def test_a_word_typed_as_a_whole_comes_first(bench):
    """The part asked for stands before the parts whose names only begin so, however new they are."""
    job = bench.new_job("Words", "EUR")
    bench.record(job, bodies.Note(text="C1 leaks"), bodies.Note(text="C10 fine"), bodies.Note(text="C12 too"))
    assert [hit.event.number for hit in bench.search("C1")] == [2, 4, 3]


def test_only_what_stands_is_found(bench):
    """A corrected or taken back event is not found; taken again, it is."""
    job = bench.new_job("One", "EUR")
    bench.record(job, bodies.Note(text="capacitor C7 bulged"))
    (wrong,) = bench.record(job, bodies.Note(text="resistor R9 burnt"))
    bench.record(job, bodies.Note(text="resistor R90 burnt"), supersedes=wrong.uid)
    assert [hit.event.number for hit in bench.search("R9")] == [4]
    bench.undo(job)
    assert [hit.event.number for hit in bench.search("R9")] == [wrong.number]
    bench.redo(job)
    assert [hit.event.number for hit in bench.search("R9")] == [4]


def test_very_long_and_very_odd_texts(bench):
    """A note of a book's length, control characters, half a character: kept, or refused in words."""
    job = bench.new_job("One", "EUR")
    long = " ".join(f"word{n}x{n}" for n in range(15_000))
    kept = bench.record(
        job, bodies.Note(text=long), bodies.Note(text="a" * 300_000), bodies.Note(text="\x01 \U0001f50c ﬁne")
    )
    assert [e.body for e in bench.events(job)[1:]] == [e.body for e in kept]
    assert [hit.event.number for hit in bench.search("word77")]
    assert [hit.event.number for hit in bench.search("fine")] == [kept[2].number]
    for bad in ("zero \x00 byte", "half \ud83d of one"):
        with pytest.raises(BadEvent, match="cannot be"):
            bench.record(job, bodies.Note(text=bad))
    assert verify(bench).problems == []


@pytest.mark.parametrize(
    "body",
    [
        bodies.Note(text=7),
        bodies.Time(minutes="long"),
        bodies.Time(minutes=Decimal("NaN")),
        bodies.Time(minutes=Decimal(-3)),
        bodies.Closed(outcome="lost"),
        bodies.LikelyPrice(value=Decimal("sNaN")),
        bodies.LikelyPrice(value=Decimal(80), chance=Decimal(101)),
        bodies.Cost(kind="parts", price=bodies.Price(value=Decimal("NaN"), currency="EUR")),
        bodies.Cost(kind="parts", price=bodies.Price(value=Decimal(3), currency="XYZ")),
        bodies.Cost(kind="parts", price=bodies.Price(value=Decimal(3), currency="USD")),
        bodies.PartUsed(lot="none", quantity=1),
        bodies.PartWanted(kind="eprom", quantity=-1),
        bodies.OpenPoint(text="  "),
        bodies.PointClosed(point="0" * 32),
        bodies.Reopened(),
        bodies.Undone(),
        bodies.Opened(title="Again", currency="EUR"),
        bodies.StockReceived(lot="A", kind="resistor", quantity=1),
        object(),
    ],
    ids=lambda body: type(body).__name__,
)
def test_what_makes_no_sense_is_refused_in_words(bench, body):
    """Whatever is handed over, the answer is a plain refusal, and nothing is recorded."""
    job = bench.new_job("One", "EUR")
    with pytest.raises(BadEvent) as refused:
        bench.record(job, body)
    assert len(str(refused.value)) > 10
    assert len(bench.events(job)) == 1


def test_times(bench):
    """A time may lie before the job was begun, but not in the future, not before 1970, not without a zone."""
    job = bench.new_job("One", "EUR")
    now = datetime.now(UTC)
    (old,) = bench.record(
        job, NOTE, at=datetime(2026, 3, 29, 2, 30, tzinfo=timezone(timedelta(hours=5, minutes=30)))
    )
    assert old.at == datetime(2026, 3, 28, 21, 0, tzinfo=UTC)
    assert bench.events(job)[-1].at == old.at
    bench.record(job, NOTE, at=now + timedelta(seconds=30))  # clocks differ
    for moment in (
        now + timedelta(hours=1),
        datetime(1969, 12, 31, tzinfo=UTC),
        datetime.min.replace(tzinfo=UTC),
        datetime.max.replace(tzinfo=UTC),
        datetime(2026, 1, 1),
    ):
        with pytest.raises(BadEvent):
            bench.record(job, NOTE, at=moment)
    bench.record(job, bodies.TimerStarted(), at=now - timedelta(minutes=30))
    with pytest.raises(BadEvent, match="started later"):
        bench.record(job, bodies.TimerStopped(), at=now - timedelta(minutes=31))
    bench.record(job, bodies.TimerStopped(), at=now - timedelta(minutes=10))
    assert bench.job(job).minutes == 20
    assert len(bench.events(job)) == 5


def test_what_may_be_corrected_and_by_what(bench):
    """Corrections are checked like everything else; the beginning of a job cannot be taken back."""
    job = bench.new_job("One", "EUR")
    begun = bench.events(job)[0]
    (note,) = bench.record(job, NOTE)
    undo = bodies.Undone()
    for body, target in (
        (undo, begun.uid),
        (NOTE, begun.uid),
        (bodies.Opened(title="Two", currency="EUR"), note.uid),
        (bodies.Note(text=" "), note.uid),
        (bodies.StockCounted(lot="A", quantity=1), note.uid),
        (bodies.PartUsed(lot="A", quantity=1), note.uid),
    ):
        with pytest.raises(BadEvent):
            bench.record(job, body, supersedes=target)
    bench.undo(job)
    taken_back = bench.events(job)[-1]
    with pytest.raises(BadEvent, match="not corrected"):
        bench.record(job, NOTE, supersedes=taken_back.uid)
    with pytest.raises(NoSuchEvent):
        bench.record(job, NOTE, supersedes=note.uid)
    bench.redo(job)
    with pytest.raises(NoSuchEvent):
        bench.record(job, undo, supersedes=taken_back.uid)
    bench.record(job, bodies.Opened(title="Better", currency="EUR"), supersedes=begun.uid)
    assert bench.jobs()[0].title == "Better"


def test_a_closed_point_stays_closed_however_often_its_words_are_corrected(bench):
    """An open point is the same point after two corrections."""
    job = bench.new_job("One", "EUR")
    (point,) = bench.record(job, bodies.OpenPoint(text="key cap on ordr"))
    (first,) = bench.record(job, bodies.OpenPoint(text="key cap on orde"), supersedes=point.uid)
    bench.record(job, bodies.OpenPoint(text="key cap on order"), supersedes=first.uid)
    bench.record(job, bodies.PointClosed(point=bench.job(job).open_points[0].event.uid))
    assert bench.job(job).open_points == []
    bench.undo(job)
    (again,) = bench.job(job).open_points
    assert again.text == "key cap on order"


def test_a_corrected_price_reaches_the_jobs_that_used_the_lot(bench):
    """The list shows a job's profit with the price of its parts as it is known now."""
    received = _lot(bench)
    job = bench.new_job("One", "EUR")
    bench.record(job, bodies.PartUsed(lot="C220", quantity=2))
    assert bench.jobs()[0].profit == "-0.80"
    right = bodies.StockReceived(lot="C220", kind="capacitor", value="220u", quantity=5, price=_eur("0.55"))
    (corrected,) = bench.record(None, right, supersedes=received.uid)
    assert bench.jobs()[0].profit == "-1.10"
    bench.record(None, bodies.Undone(), supersedes=corrected.uid)
    assert bench.jobs()[0].profit == "-0.80"
    assert verify(bench).problems == []


def test_a_delivery_at_another_price_is_another_lot(bench):
    """A job's cost does not change because the next delivery is dearer."""
    _lot(bench)
    with pytest.raises(BadEvent, match="another price"):
        _lot(bench, price="0.90")
    _lot(bench, quantity=2)
    assert bench.stock()["C220"].on_hand == 7


def test_stock_never_falls_below_nothing(bench):
    """No use, correction or undo leaves fewer than no parts, nor a use without its lot."""
    received = _lot(bench, quantity=3)
    job = bench.new_job("One", "EUR")
    with pytest.raises(BadEvent, match="3 on hand"):
        bench.record(job, bodies.PartUsed(lot="C220", quantity=4))
    (used,) = bench.record(job, bodies.PartUsed(lot="C220", quantity=3))
    with pytest.raises(BadEvent, match="-1 of C220"):
        bench.record(job, bodies.PartUsed(lot="C220", quantity=4), supersedes=used.uid)
    with pytest.raises(BadEvent, match="were used"):
        bench.record(None, bodies.Undone(), supersedes=received.uid)
    fewer = bodies.StockReceived(lot="C220", kind="capacitor", value="220u", quantity=2, price=_eur("0.40"))
    with pytest.raises(BadEvent, match="-1 of C220"):
        bench.record(None, fewer, supersedes=received.uid)
    assert bench.stock()["C220"].on_hand == 0
    later = _lot(bench, lot="C220-2", quantity=5)
    bench.record(job, bodies.PartUsed(lot="C220-2", quantity=4), supersedes=used.uid)
    stock = bench.stock()
    assert (stock["C220"].on_hand, stock["C220-2"].on_hand) == (3, 1)
    assert later.number > used.number
    assert verify(bench).problems == []


def test_an_event_of_a_newer_kind_is_told_in_words(bench):
    """A body this program does not know gives an error that says what to do, wherever it is met."""
    job = bench.new_job("One", "EUR")
    (note,) = bench.record(job, NOTE)
    with bench.place.writing() as connection:
        connection.execute(
            update(schema.event)
            .where(schema.event.c.number == note.number)
            .values(kind="hologram", body='{"type":"hologram","text":"edge"}')
        )
    for meet in (
        lambda: bench.job(job),
        lambda: bench.events(job),
        lambda: bench.search("edge"),
        lambda: bench.record(job, NOTE),
        lambda: bench.undo(job),
    ):
        with pytest.raises(BenchError, match=r"event 2 \(hologram\) cannot be read.*update"):
            meet()
    assert any("event 2" in problem for problem in verify(bench).problems)


def test_attachments_are_stored_once_and_read_whole(bench):
    """Small, empty and large files come back; the same file twice is stored once."""
    job = bench.new_job("One", "EUR")
    large = bytes(range(256)) * (PIECE // 256) * 2 + b"and a bit"
    for data in (b"", b"small", large, large, large[:PIECE]):
        event = bench.attach(job, io.BytesIO(data), "x.bin", "application/octet-stream")
        assert event.body.size == len(data)
        assert bench.attachment(event.body.sha256) == data
    with bench.place.reading() as connection:
        assert len(list(bench.place.attachments.stored(connection))) == 4
    found = verify(bench)
    assert (found.attachments, found.problems, found.remarks) == (4, [], [])
    with pytest.raises(BenchError, match="missing"):
        bench.attachment("0" * 64)


def test_a_file_that_fails_while_it_is_read_leaves_nothing(bench, tmp_path):
    """A source that breaks off, is a folder or is not there, is told; nothing of it is kept."""

    class Broken(io.RawIOBase):
        given = 0

        def read(self, size=-1):
            self.given += 1
            if self.given > 2:
                raise OSError(5, "Input/output error")
            return b"x" * size

    job = bench.new_job("One", "EUR")
    for source in (Broken(), tmp_path, tmp_path / "none.jpg"):
        with pytest.raises(BenchError):
            bench.attach(job, source, "x", "image/jpeg")
    assert len(bench.events(job)) == 1
    found = verify(bench)
    assert (found.attachments, found.problems, found.remarks) == (0, [], [])


def test_the_database_itself_refuses_what_is_no_event(bench):
    """Times that are no times, flags that are no flags, links to nothing are refused below our code."""
    job = bench.new_job("One", "EUR")
    for column, value in (
        ("at", "yesterday"), ("recorded", ""), ("stands", 2), ("sha256", "short"), ("job", 99),
        ("supersedes", "nobody"), ("body", None),
    ):  # fmt: skip
        with (
            pytest.raises(BenchError),
            bench.place.writing() as connection,
        ):
            connection.execute(update(schema.event).values({column: value}))
    with pytest.raises((BenchError, IntegrityError)), bench.place.writing() as connection:
        connection.execute(text("DELETE FROM job"))
    assert verify(bench).problems == []
    assert bench.job(job).title == "One"
