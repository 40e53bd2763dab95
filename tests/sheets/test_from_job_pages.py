"""The other sheets of a recorded job, photos, lists and labels; and every page as it is printed."""

from __future__ import annotations

import io
from decimal import Decimal

import pytest
from made_job import BOARD, ON, Diary, euro, fulmar_job, photo, reading
from PIL import Image
from printed import Printed, bare
from test_pages import readable

from benchwright.jobs import Bench, bodies, open_bench
from benchwright.money import Amount
from benchwright.sheets import Suspect, make_pdf
from benchwright.sheets.from_job import (
    change_sheet,
    condition_report,
    job_label,
    job_sheet,
    lot_label,
    shopping_list,
    stock_list,
)
from benchwright.sheets.from_photos import LONGEST_SIDE, photos_of, printable
from benchwright.sheets.told import History


@pytest.fixture
def bench(tmp_path):
    with open_bench(tmp_path / "bench") as opened:
        yield opened


def sheets_of(bench: Bench, job: int) -> dict[str, object]:
    state, lots = bench.job(job), bench.stock()
    photos, _ = photos_of(History(state, lots), bench.attachment)
    return {
        "condition": condition_report(state, job, lots=lots, photos=photos, bench="The back-room bench"),
        "job": job_sheet(
            state, job, lots=lots, prices=bench.prices(state), photos=photos,
            suspects=[Suspect("U4 is weak", 0.2, (7,))], bench="The back-room bench",
        ),
        "change": change_sheet(state, job, lots=lots, bench="The back-room bench"),
    }  # fmt: skip


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_every_page_of_a_whole_job_can_be_read(bench, paper):
    """Nothing runs off a page or over its neighbour."""
    job = fulmar_job(bench)
    for sheet in sheets_of(bench, job).values():
        readable(Printed(make_pdf(sheet, paper)))


@pytest.mark.parametrize(
    "text", ["W" * 150, "A long note, which wants telling in full. " * 7, "π 🖫 <b>#x</b> $"]
)
def test_whatever_people_typed_is_printed(bench, text):
    """Long words, signs that the fonts lack, and what looks like markup, in every field."""
    say = Diary(bench, text, bodies.Identity(case_label=text), bodies.Symptom(text=text))
    say(reading("resistance", text, text, text, text, "memory", note=text, instrument=text))
    say(bodies.Look(where=text, seen=text))
    say(bodies.Action(deed="changed", where=text, note=text, why=text, undo=text))
    say(bodies.Acceptance(what=text, result="passed", found=text, function="sound"))
    say(bodies.Confirmed(part_kind=text, mode=text, place=text, note=text))
    say(bodies.OpenPoint(text=text))
    say(bodies.Note(text=text))
    for sheet in sheets_of(bench, say.job).values():
        readable(Printed(make_pdf(sheet)))


def test_what_was_left_empty_is_no_hindrance(bench):
    """Events of which hardly anything was said."""
    say = Diary(bench, "Fulmar 65", bodies.Identity(), bodies.TakenIn())
    say(bodies.Reading(entry="", quantity="", function="sound"))
    say(bodies.Reading(entry="", quantity="look", function="case"))
    say(bodies.Reading(entry="", quantity="voltage"))
    say(bodies.Look(where="", seen=""))
    say.all(
        [
            bodies.Action(deed=deed, function="tape_deck")
            for deed in ("done", "removed", "changed", "replaced")
        ]
    )
    say(bodies.Acceptance(what="a", result="passed", function="memory"))
    say(bodies.Confirmed(part_kind="", mode=""))
    bench.attach(say.job, photo(), " ", "image/jpeg", what="photo", caption=" ")
    for sheet in sheets_of(bench, say.job).values():
        readable(Printed(make_pdf(sheet)))


def test_a_job_that_was_only_opened_gives_every_sheet(bench):
    """Nothing tested, nothing done, no money."""
    job = bench.new_job("Fulmar 65", "EUR")
    texts = {name: Printed(make_pdf(sheet)).bare for name, sheet in sheets_of(bench, job).items()}
    assert bare("Nothing was tested.") in texts["condition"]
    assert bare("None is recorded.") in texts["change"]
    assert bare("Account") not in texts["job"]


# -- changes -------------------------------------------------------------------------------------------


def test_changes_stand_with_why_undo_and_the_readings_that_prove_them(bench):
    """The board file says what a change must read; before and after are the readings taken there."""
    job = fulmar_job(bench)
    changes = {change.kind: change for change in sheets_of(bench, job)["change"].changes}
    assert list(changes) == ["replace", "cut", "link", "remove"]
    (cut,) = changes["cut"].proofs
    assert (cut.wanted_before, cut.wanted_after) == ("beeps", "does not beep")
    assert (cut.before.value, cut.after.value) == ("beeps", "does not beep")
    assert cut.before.event < changes["cut"].event < cut.after.event
    (link,) = changes["link"].proofs
    assert (link.before.value, link.after.value) == ("does not beep", "beeps")
    assert changes["cut"].undo == "Bridge the cut: solder a wire from U7.3 to M1.2"
    assert changes["link"].undo == "Take the wire from U7.3 to J3.2 out"
    assert changes["link"].why == "composite picture on the socket"
    assert [change.proved for change in changes.values()] == ["yes", "yes", "yes", "no"]


def test_a_change_without_why_or_undo_says_that_none_is_recorded(bench):
    """Nothing is made up."""
    say = Diary(bench)
    say(bodies.Action(deed="changed", where="composite video out"))
    (change,) = change_sheet(bench.job(say.job), say.job).changes
    assert (change.what, change.why, change.undo) == (
        "Changed composite video out", "Not recorded", "Not recorded",
    )  # fmt: skip
    assert change.proved == "no"


@pytest.mark.parametrize(
    ("where", "kind", "value", "changed"),
    [
        ("C14", "capacitor", "22u 25V electrolytic", True),
        ("C14", "capacitor", "22u tantalum", False),
        ("U7", "74HCT00", "", True),
        ("U7", "SN74LS00N", "", False),
        ("R4", "resistor", "10k", True),
        ("R4", "resistor", "4k7", False),
        ("U99", "74LS00", "", False),
        ("U7", "something from the drawer", "", False),
    ],
)
def test_a_part_of_another_kind_is_a_change(bench, where, kind, value, changed):
    """Only where board file and stock say so for sure."""
    bench.record(None, bodies.StockReceived(lot="L", kind=kind, value=value, quantity=1))
    say = Diary(bench, "Fulmar 65", bodies.Identity(board_file="f.toml", board_text=BOARD))
    say(bodies.Action(deed="replaced", where=where))
    say(bodies.PartUsed(lot="L", quantity=1, where=where))
    report = condition_report(bench.job(say.job), say.job, lots=bench.stock())
    assert (len(report.changes), len(report.work)) == ((1, 0) if changed else (0, 1))


def test_what_was_taken_out_and_put_back_is_no_change(bench):
    """A part that was removed and replaced later."""
    say = Diary(bench)
    say(bodies.Action(deed="removed", where="U7"))
    assert len(change_sheet(bench.job(say.job), say.job).changes) == 1
    say(bodies.Action(deed="replaced", where="U7"))
    assert change_sheet(bench.job(say.job), say.job).changes == ()


def test_a_board_file_that_cannot_be_read_does_not_keep_a_sheet_from_being_printed(bench):
    """The change stands in its words."""
    say = Diary(bench, "Fulmar 65", bodies.Identity(board_text="no [board at all"))
    say(bodies.Action(deed="changed", where="cut U7.3 | M1.2"))
    (change,) = change_sheet(bench.job(say.job), say.job).changes
    assert (change.kind, change.what) == ("cut", "Cut U7.3 | M1.2")


# -- money and time ------------------------------------------------------------------------------------


def test_the_account_adds_up_to_the_ledger(bench):
    """Lines in the job's currency add up to cost and income; hours to the minute."""
    say = Diary(bench, "Fulmar 65", bodies.TakenIn(price=euro("35.00"), postage=euro("6.90")))
    bench.record(None, bodies.StockReceived(lot="B3", kind="capacitor", quantity=9, price=euro("0.35")))
    say(bodies.PartUsed(lot="B3", quantity=3, where="C1 C2 C3"))
    say(bodies.Cost(kind="materials", price=bodies.Price(Decimal(10), "EUR", tax_percent=Decimal(19),
                                                         tax_included=False)))  # fmt: skip
    say(bodies.Fee(percent=Decimal("11.5")))
    say(bodies.Fee(percent=Decimal("2.9"), note="payment"))
    say(bodies.Income(kind="sale", price=euro("129.03")))
    for _ in range(3):
        say(bodies.Time(minutes=Decimal("20.5")))
    state = bench.job(say.job)
    prices = bench.prices(state)
    sheet = job_sheet(state, say.job, lots=bench.stock(), prices=prices)
    statement = state.ledger(prices).statement()
    spent = sum((line.amount for line in sheet.money if line.amount.value < 0), Amount.zero("EUR"))
    assert -spent == statement.cost_to_date
    assert dict(sheet.sums)["Profit to date"] == statement.profit
    assert dict(sheet.sums)["Profit less the hours"] == statement.profit_with_hours
    assert [spent.minutes for spent in sheet.time] == [21, 20, 21]
    assert sheet.minutes == 62


def test_another_currency_stands_with_its_rate_and_what_it_comes_to(bench):
    """Price and account: 41.00 GBP at 1.17 are 47.97 EUR, and the lines add up to the totals."""
    pounds = bodies.Price(Decimal("41.00"), "GBP", rate=Decimal("1.17"))
    say = Diary(bench, "Fulmar 65", bodies.TakenIn(price=pounds, came_with=("a tape lead",)))
    say(bodies.Cost(kind="materials", price=euro("1.75")))
    sheet = sheets_of(bench, say.job)["job"]
    bought, wick = sheet.money
    assert str(bought.converted.amount) == "-47.97 EUR"
    assert wick.converted is None
    assert bought.converted.amount + wick.amount == dict(sheet.sums)["Cost to date"]
    printed = Printed(make_pdf(sheet)).bare
    assert bare("Price 41.00 GBP at 1.17, 47.97 EUR") in printed
    assert bare("−47.97 EUR −41.00 GBP at 1.17") in printed


# -- photos --------------------------------------------------------------------------------------------


def with_location() -> bytes:
    """A photo that lies on its side and tells where it was taken, by whom and with what."""
    exif = Image.Exif()
    exif[0x0112] = 6  # orientation: turn by 90 degrees clockwise to see it upright
    exif[0x010F] = "SECRETCAMERA"
    gps = exif.get_ifd(0x8825)
    gps[1], gps[2], gps[29] = "N", (51.0, 30.0, 26.0), "SECRETPLACE"
    return photo(120, 80, exif=exif, comment=b"SECRETREMARK", icc_profile=b"SECRETPROFILE")


def test_no_photo_tells_where_it_was_taken(bench):
    """Neither the picture made anew nor the sheet holds what the camera or a person wrote into it."""
    taken = with_location()
    assert all(word in taken for word in (b"SECRETCAMERA", b"SECRETPLACE", b"SECRETREMARK", b"SECRETPROFILE"))
    made = printable(taken)
    assert b"SECRET" not in made
    assert b"Exif" not in made
    with Image.open(io.BytesIO(made)) as picture:
        assert not picture.getexif()
        assert set(picture.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}
    say = Diary(bench)
    bench.attach(say.job, taken, "SECRETNAME.jpg", "image/jpeg", what="photo", caption="C14")
    pdf = make_pdf(sheets_of(bench, say.job)["condition"])
    assert b"SECRET" not in pdf
    assert made in pdf


def test_a_photo_is_printed_upright(bench):
    """What the camera noted of how it was held is heeded: the dark left half comes to be the upper half."""
    with Image.open(io.BytesIO(printable(with_location()))) as picture:
        assert picture.size == (80, 120)
        assert max(picture.getpixel((40, 20))) < 60
        assert min(picture.getpixel((40, 100))) > 150


@pytest.mark.parametrize("mode", ["RGB", "L", "P", "RGBA", "LA", "CMYK", "1", "I;16"])
@pytest.mark.parametrize("kind", ["PNG", "TIFF", "JPEG", "WEBP"])
def test_every_kind_of_picture_becomes_a_small_jpeg(mode, kind):
    """Large ones are made smaller; nothing shows through."""
    file = io.BytesIO()
    try:
        Image.new(mode, (2 * LONGEST_SIDE, 40)).save(file, kind)
    except (OSError, ValueError):
        return  # this kind of file has no such pictures
    with Image.open(io.BytesIO(printable(file.getvalue()))) as picture:
        assert (picture.format, picture.mode, picture.size) == ("JPEG", "RGB", (LONGEST_SIDE, 20))


@pytest.mark.parametrize("damaged", [b"", b"RIFF", b"\xff\xd8\xff", photo()[:200], b"<svg/>"])
def test_a_photo_that_cannot_be_read_is_named_and_left_out(bench, damaged):
    """The sheet is printed without it."""
    say = Diary(bench)
    bench.attach(say.job, damaged, "a.jpg", "image/jpeg", what="photo", caption="the ring")
    bench.attach(say.job, photo(), "b.jpg", "image/jpeg", what="photo", caption="the board")
    photos, left_out = photos_of(History(bench.job(say.job)), bench.attachment)
    assert [one.caption for one in photos] == ["the board"]
    (told,) = left_out
    assert "photo 'the ring'" in told
    assert "attach it as JPEG or PNG" in told


def test_more_photos_than_asked_for_are_left_out_with_a_word(bench):
    """The latest are kept, in order; what is no photo is not among them."""
    say = Diary(bench)
    for number in range(4):
        bench.attach(say.job, photo(60 + number), f"{number}.jpg", "image/jpeg", what="photo")
    bench.attach(say.job, b"rom", "rom.bin", "application/octet-stream")
    photos, left_out = photos_of(History(bench.job(say.job)), bench.attachment, most=3)
    assert [one.caption for one in photos] == ["1.jpg", "2.jpg", "3.jpg"]
    assert len(left_out) == 1
    assert "'0.jpg'" in left_out[0]


# -- lists and labels ----------------------------------------------------------------------------------


def test_lists_and_labels_of_the_stock(bench):
    """Where it was bought before, what can stand in, what is left; boxes of jobs and lots."""
    job = fulmar_job(bench)
    bench.record(None, bodies.StockReceived(lot="K1", kind="key cap", value="right shift", quantity=1,
                                            source="Keys by post", price=euro("2.20")))  # fmt: skip
    say = Diary(bench)
    say(bodies.PartUsed(lot="K1", quantity=1))
    lots, state = bench.stock(), bench.job(job)
    shopping = shopping_list(state.opened.date(), bench.shopping(), lots, bench.numbers())
    lines = {line.what: line for line in shopping.lines}
    cap = lines["key cap right shift"]
    assert (cap.how_many, cap.jobs, cap.bought_before, str(cap.price)) == (
        1, (str(job),), "Keys by post", "2.20 EUR",
    )  # fmt: skip
    assert lines["4132"].instead == ("4164 (lot A2, 4 on hand)",)
    assert shopping_list(state.opened.date(), bench.shopping(), lots, bench.numbers(), jobs=(99,)).lines == ()
    stock = stock_list(state.opened.date(), lots.values())
    assert {line.what: line.how_many for line in stock.lines} == {
        "4116 (lot A1)": 10, "4164 (lot A2)": 4, "capacitor (lot B3)": 9,
    }  # fmt: skip
    for sheet in (shopping, stock):
        readable(Printed(make_pdf(sheet)))
    assert job_label(state, job).title == f"Job {job}"
    assert "Fulmar 65, Issue 3 C" in job_label(state, job).lines
    assert lot_label(lots["A1"]).lines == ("4116", "used, tested", "drawer A1")


# -- the job sheet -------------------------------------------------------------------------------------


def test_everything_recorded_is_on_the_job_sheet(bench):
    """Each reading, look, deed, part and note that stands, with its number."""
    job = fulmar_job(bench)
    state = bench.job(job)
    sheet = sheets_of(bench, job)["job"]
    shown = {one.event for one in (*sheet.readings, *sheet.looks, *sheet.actions, *sheet.noted)}
    kinds = (bodies.Reading, bodies.Look, bodies.Action, bodies.Note, bodies.Confirmed)
    listed = (*state.readings, *state.looks, *state.actions, *state.notes, *state.confirmed)
    assert shown == {event.number for event in listed if isinstance(event.body, kinds)}
    printed = Printed(make_pdf(sheet)).bare
    for words in ("U4 is weak", "20 %", "Stage", "waiting for parts", "129.00 EUR", "0.35 EUR", "3 h 6 min"):
        assert bare(words) in printed, words


def test_a_closed_job_says_how_it_ended(bench):
    """Outcome and day."""
    say = Diary(bench)
    say(reading("voltage", "+5V", "5", state=ON))
    say(bodies.Closed(outcome="sold", note="to a collector"))
    sheet = job_sheet(bench.job(say.job), say.job)
    assert (sheet.outcome.kind, sheet.outcome.when, sheet.stage) == ("sold", say.now.date(), "sold")
    assert sheet.readings[0].value == "5 V"


def test_what_was_attached_undone_timed_and_tested_before_is_on_the_job_sheet(bench):
    """Takes and files by name, how to undo, the timer by its name, each result of a test, how it ended."""
    say = Diary(bench, "Fulmar 65", bodies.TakenIn(came_with=("a tape lead",)))
    bench.attach(say.job, b"RIFF", "side-a.wav", "audio/wav", what="take", caption="as it was read")
    bench.attach(say.job, b"rom", "basic.bin", "application/octet-stream")
    say(bodies.Action(deed="linked", where="U7.3 J3.2", undo="take the wire out"))
    say(bodies.Acceptance(what="Memory", result="failed", found="bit 3"))
    say(bodies.Acceptance(what="Memory", result="passed", found="20 passes"))
    say.all([bodies.TimerStarted(), bodies.TimerStopped(), bodies.Time(minutes=Decimal(5))])
    say(bodies.Closed(outcome="kept", note="the bench needs one"))
    sheet = sheets_of(bench, say.job)["job"]
    assert [(line.result, line.earlier) for line in sheet.acceptance] == [("failed", True), ("passed", False)]
    assert [spent.what for spent in sheet.time] == ["timer", "noted by hand"]
    printed = Printed(make_pdf(sheet)).bare
    for words in (
        "Take side-a.wav as it was read", "File basic.bin", "To undo: take the wire out",
        "Earlier: failed bit 3", "✓ Passed 20 passes", f"Kept, {sheet.outcome.when}; the bench needs one",
    ):  # fmt: skip
        assert bare(words) in printed, words


def test_a_link_measured_in_ohms_is_read_before_and_after(bench):
    """An ohmmeter proves a link as well as a beep does."""
    say = Diary(bench, "Fulmar 65", bodies.Identity(board_file="f.toml", board_text=BOARD))
    say(reading("resistance", "U7.3", "OL", "J3.2"))
    say(bodies.Action(deed="linked", where="U7.3 J3.2"))
    say(reading("resistance", "J3.2", "0.2", "U7.3"))
    (change,) = change_sheet(bench.job(say.job), say.job).changes
    (proof,) = change.proofs
    assert (proof.before.value, proof.after.value) == ("OL", "0.2 Ω")
    assert change.proved == "yes"
