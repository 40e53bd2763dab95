"""The condition report of a recorded job: every statement stands on an event that stands."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace
from datetime import timedelta
from decimal import Decimal

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from made_job import ON, START, Diary, euro, fulmar_job, reading
from printed import Printed, bare

from benchwright.jobs import BadEvent, Bench, Event, bodies, open_bench
from benchwright.jobs.history import standing
from benchwright.jobs.state import derive
from benchwright.sheets import ConditionReport, all_functions, make_pdf
from benchwright.sheets.from_job import condition_report


@pytest.fixture
def bench(tmp_path):
    with open_bench(tmp_path / "bench") as opened:
        yield opened


def report_of(bench: Bench, job: int, **more: object) -> ConditionReport:
    return condition_report(bench.job(job), job, lots=bench.stock(), **more)  # type: ignore[arg-type]


def text_of(bench: Bench, job: int) -> str:
    return Printed(make_pdf(report_of(bench, job))).bare


def verdict(bench: Bench, job: int, function: str) -> str:
    test = report_of(bench, job).standing.get(function)
    return "not tested" if test is None else test.verdict


def trial(what: str, result: str, function: str, found: str = "", evidence: tuple[str, ...] = ()):
    return bodies.Acceptance(what=what, result=result, function=function, found=found, evidence=evidence)


def test_each_record_on_the_report_is_an_event_that_stands(bench):
    """Number, time and words of each are those of the event; none was corrected or taken back."""
    job = fulmar_job(bench)
    state = bench.job(job)
    superseded = {event.supersedes for event in state.events if event.supersedes}
    standing = {event.number: event for event in state.events if event.uid not in superseded}
    report = report_of(bench, job)
    assert len(report.records) > 20
    for one in (*report.records, *report.others):
        assert one.when == standing[one.event].at
    printed = text_of(bench, job)
    records = printed[printed.index(bare("The records that this report stands on")) :]
    for one in (*report.records, *report.others):
        assert records.count(bare(f"{one.when:%Y-%m-%d %H:%M} {one.recorded}")) >= 1


def test_what_was_tested_and_what_was_not(bench):
    """Each function as the events leave it, and every other one as not tested."""
    job = fulmar_job(bench)
    report = report_of(bench, job)
    assert {key: test.verdict for key, test in report.standing.items()} == {
        "power": "works", "supply": "works", "picture": "works", "modulator": "absent", "keyboard": "fails",
        "memory": "works", "joystick": "part", "case": "seen",
    }  # fmt: skip
    assert {one.key for one in report.not_tested} == set(all_functions()) - set(report.standing)
    assert [(one.function, one.verdict) for one in report.tests if one.earlier] == [
        ("supply", "off"), ("memory", "fails"),
    ]  # fmt: skip


def test_undoing_a_test_takes_its_claim_away(bench):
    """The function goes back under not tested, and its words are gone from the pages."""
    say = Diary(bench)
    say(trial("Power on, 20 times", "passed", "power", "comes on"))
    say(trial("Three voices", "passed", "sound", "all clear"))
    assert verdict(bench, say.job, "sound") == "works"
    assert bare("All clear") in text_of(bench, say.job)
    bench.undo(say.job)
    assert verdict(bench, say.job, "sound") == "not tested"
    assert bare("All clear") not in text_of(bench, say.job)
    assert bare(all_functions()["sound"].asks) in text_of(bench, say.job)
    bench.redo(say.job)
    assert verdict(bench, say.job, "sound") == "works"


def test_what_was_corrected_is_never_printed(bench):
    """Of a mistyped reading only the right value is on the sheet."""
    printed = text_of(bench, fulmar_job(bench))
    assert "49.8V" not in printed
    assert "1.2V" in printed


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        ([trial("a", "passed", "sound")], "works"),
        ([trial("a", "failed", "sound")], "fails"),
        ([trial("a", "not tested", "sound")], "not tested"),
        ([trial("a", "passed", "sound"), trial("a", "failed", "sound")], "fails"),
        ([trial("a", "failed", "sound"), trial("a", "passed", "sound")], "works"),
        ([trial("a", "passed", "sound"), trial("b", "failed", "sound")], "fails"),
        ([trial("b", "failed", "sound"), trial("a", "passed", "sound")], "fault"),
        ([trial("a", "passed", "sound"), trial("b", "not tested", "sound")], "part"),
        ([trial("a", "passed", "sound"), trial("a", "not tested", "sound")], "not tested"),
        ([trial("a", "passed", "sound"), reading("symptom", "", "no sound", function="sound")], "off"),
        ([reading("symptom", "", "no sound", function="sound"), trial("a", "passed", "sound")], "works"),
        ([reading("voltage", "X", "5.0", expected="4.75 to 5.25 V", function="supply")], "read"),
        ([reading("voltage", "X", "1.2", expected="4.75 to 5.25 V", function="supply")], "off"),
        ([reading("voltage", "X", "1.2", function="supply")], "read"),
        (
            [
                trial("rails", "passed", "supply"),
                reading("voltage", "X", "1.2", expected="4.75 to 5.25 V", function="supply"),
            ],
            "off",
        ),
        ([reading("voltage", "X", "5.0", function="supply", good_unit=True)], "not tested"),
        ([reading("voltage", "X", "5.0", function="no such function")], "not tested"),
        ([bodies.Action(deed="cleaned", where="contacts", function="cartridge")], "done"),
        ([bodies.Action(deed="removed", where="M1", function="modulator")], "absent"),
        (
            [
                bodies.Action(deed="removed", where="M1", function="modulator"),
                trial("picture by aerial", "passed", "modulator"),
            ],
            "works",
        ),
    ],
)
def test_how_a_function_stands(bench, said, expected):
    """Later failures outweigh earlier passes; a test counts by its last result."""
    say = Diary(bench)
    say.all(said)
    report = report_of(bench, say.job)
    found = {key: test.verdict for key, test in report.standing.items()}
    assert list(found.values()) == ([] if expected == "not tested" else [expected])


def test_a_correction_counts_where_the_mistake_stood(bench):
    """A failure that is corrected later on does not outweigh the pass that came after it."""
    say = Diary(bench)
    failed = say(trial("20 passes", "failed", "memory", "bit 3 stukc"))
    say(trial("20 passes", "passed", "memory", "no error"))
    say(trial("20 passes", "failed", "memory", "bit 3 stuck"), instead_of=failed)
    report = report_of(bench, say.job)
    assert report.standing["memory"].verdict == "works"
    printed = text_of(bench, say.job)
    assert bare("Bit 3 stuck") in printed
    assert "stukc" not in printed


def test_a_pass_whose_evidence_was_taken_back_is_no_pass(bench):
    """It names a reading; when that is undone, nothing was tested."""
    say = Diary(bench)
    rails = say(reading("voltage", "+5V", "5.01", state=ON))
    say(trial("Rails", "passed", "supply", evidence=(rails.uid,)))
    assert verdict(bench, say.job, "supply") == "works"
    assert rails.number in [one.event for one in report_of(bench, say.job).standing["supply"].evidence]
    say(bodies.Undone(why="wrong machine"), instead_of=rails)
    assert verdict(bench, say.job, "supply") == "not tested"


def test_a_corrected_reading_stays_the_evidence(bench):
    """The test stands on the reading that took the mistyped one's place."""
    say = Diary(bench)
    rails = say(reading("voltage", "+5V", "50.1", state=ON))
    say(trial("Rails", "passed", "supply", evidence=(rails.uid,)))
    right = say(reading("voltage", "+5V", "5.01", state=ON), instead_of=rails)
    evidence = report_of(bench, say.job).standing["supply"].evidence
    assert right.number in [one.event for one in evidence]
    assert "50.1" not in text_of(bench, say.job)


def test_readings_without_a_function_are_records_and_test_nothing(bench):
    """They are listed at the end; readings of another, good unit are not about this machine."""
    say = Diary(bench)
    mine = say(reading("resistance", "U3.14", "4k7", "GND"))
    say(reading("resistance", "U3.14", "4k9", "GND", good_unit=True))
    report = report_of(bench, say.job)
    assert report.tests == ()
    assert [one.event for one in report.others] == [mine.number]
    printed = text_of(bench, say.job)
    assert bare("U3.14 to GND: 4.7 kΩ") in printed
    assert bare("4.9 kΩ") not in printed


def test_a_symptom_after_the_last_pass_is_told_as_such(bench):
    """A buyer sees that nothing was passed since it was seen."""
    say = Diary(bench)
    say(bodies.Symptom(text="black picture"))
    say(trial("Picture", "passed", "picture"))
    say(bodies.Symptom(text="picture goes green when warm"))
    assert [one.text for one in report_of(bench, say.job).symptoms] == [
        "Black picture", "Picture goes green when warm (no acceptance test was passed since)",
    ]  # fmt: skip


def test_nothing_about_money_or_the_seller_is_on_the_buyers_pages(bench):
    """No price, profit, hour, source or private note; all of them are on the job sheet."""
    from benchwright.sheets.from_job import job_sheet

    say = Diary(
        bench, "Fulmar 65",
        bodies.TakenIn(source="Widow Tarrant", price=euro("35.55"), postage=euro("6.91"), declared="as is"),
    )  # fmt: skip
    bench.record(None, bodies.StockReceived(lot="B3", kind="capacitor", quantity=9, price=euro("0.37")))
    say(bodies.Action(deed="replaced", where="C14", undo="fit a tantalum"))
    say(bodies.PartUsed(lot="B3", quantity=1, where="C14"))
    say(bodies.Cost(kind="materials", price=euro("1.77"), note="solder wick"))
    say(bodies.Time(minutes=Decimal(77), note="swearing"))
    say(bodies.Note(text="do not go below 120"))
    say(bodies.LikelyPrice(value=Decimal(140)))
    say(bodies.Income(kind="sale", price=euro("129.03")))
    secret = (
        "35.55", "6.91", "0.37", "1.77", "129.03", "EUR", "Profit", "Tarrant", "swearing", "1 h 17 min",
        "do not go below", "solder wick",
    )  # fmt: skip
    report, state = text_of(bench, say.job), bench.job(say.job)
    sheet = job_sheet(state, say.job, lots=bench.stock(), prices=bench.prices(state))
    own = Printed(make_pdf(sheet)).bare
    for words in secret:
        assert bare(words) not in report, words
        assert bare(words) in own, words


def test_what_came_with_it_is_told_with_its_event_and_without_the_sellers_words(bench):
    """A buyer asks about leads and manuals; what the seller promised is no record of the bench."""
    say = Diary(bench, "Fulmar 65", bodies.TakenIn(declared="works like new", came_with=("a lead", "manual")))
    report = report_of(bench, say.job)
    taken = bench.job(say.job).taken_in_event
    assert [one.event for one in report.came_with.evidence] == [taken.number]
    printed = text_of(bench, say.job)
    assert bare(f"Came with a lead, manual (event {taken.number})") in printed
    assert bare("taken in; came with a lead, manual") in printed
    assert bare("like new") not in printed


def test_how_is_told_only_where_it_says_more_than_the_function(bench):
    """Power, tested by "power", leaves the column out; a test with a name of its own brings it back."""
    say = Diary(bench)
    say(trial("power", "passed", "power", "comes on"))
    say(trial("tape load", "passed", "tape_load", "two games"))
    head = bare("Function Result What came out When Events")
    assert head in text_of(bench, say.job)
    assert bare("Power ✓ Works Comes on") in text_of(bench, say.job)
    say(trial("Three voices", "passed", "sound", "all clear"))
    printed = text_of(bench, say.job)
    assert head not in printed
    assert bare("Power ✓ Works Comes on") in printed
    assert bare("Sound ✓ Works Three voices All clear") in printed


def test_work_names_the_parts_that_went_in(bench):
    """What was done and the part from stock are one statement on two events; its condition is told."""
    job = fulmar_job(bench)
    work = {claim.text: [one.event for one in claim.evidence] for claim in report_of(bench, job).work}
    assert len(work["Replaced U9: from stock; fitted at U9: 1\u00a0×\u00a04116 (used, tested)"]) == 2
    assert any(text.startswith("Fault found at C14") for text in work)
    assert not any("ordered" in text.lower() for text in work)


def test_open_points_and_wanted_parts_are_told_until_they_are_settled(bench):
    """A settled point is gone."""
    say = Diary(bench)
    point = say(bodies.OpenPoint(text="key cap on order"))
    say(bodies.PartWanted(kind="4116", quantity=2))
    assert [one.text for one in report_of(bench, say.job).open_points] == [
        "key cap on order",
        "Wanted: 2\u00a0×\u00a04116",
    ]
    say(bodies.PointClosed(point=point.uid))
    say(bodies.PartWanted(kind="4116", quantity=0))
    assert report_of(bench, say.job).open_points == ()
    assert bare("key cap") not in text_of(bench, say.job)


def test_a_deed_that_also_tells_the_fault_finder_is_told_once(bench):
    """One replacement recorded as an action and a reading is one line."""
    say = Diary(bench)
    bench.record(say.job, bodies.Action(deed="replaced", where="U5"), reading("replaced", "U5", ""), at=START)
    assert [claim.text for claim in report_of(bench, say.job).work] == ["Replaced U5"]


def moved(events: list[Event], number: int = 0, days: int = 0) -> list[Event]:
    """The same history where events have other numbers, or of other days."""
    by = timedelta(days=days)
    return [replace(e, number=e.number + number, at=e.at + by, recorded=e.recorded + by) for e in events]


def test_the_same_history_gives_the_same_bytes(bench):
    """Twice on one bench; and on another, where its events have other numbers, if they are counted by job."""
    job = fulmar_job(bench)
    state, lots = bench.job(job), bench.stock()
    there = derive(state.uid, moved(state.events, number=1000))
    first = make_pdf(condition_report(state, 14, lots=lots))
    assert make_pdf(condition_report(bench.job(job), 14, lots=lots)) == first
    assert make_pdf(condition_report(there, 14, lots=lots)) != first
    own = make_pdf(condition_report(state, 14, lots=lots, own_numbers=True))
    assert make_pdf(condition_report(there, 14, lots=lots, own_numbers=True)) == own


def test_the_date_is_that_of_the_latest_event(bench):
    """Not that of the day on which it is printed."""
    say = Diary(bench)
    say(trial("Power", "passed", "power"))
    state = bench.job(say.job)
    today = condition_report(state, say.job).on
    assert today == max(event.recorded for event in state.events).date()
    earlier = derive(state.uid, moved(state.events, days=-400))
    assert condition_report(earlier, say.job).on == today - timedelta(days=400)


_FUNCTIONS = ("power", "sound", "memory", "")
_SAID = st.one_of(
    st.builds(
        trial, st.sampled_from("ab"), st.sampled_from(["passed", "failed", "not tested"]),
        st.sampled_from(_FUNCTIONS), st.sampled_from(["", "found"]),
    ),
    st.builds(
        lambda value, key: reading("voltage", "+5V", value, expected="4.75 to 5.25 V", function=key),
        st.sampled_from(["5", "1.2 V", "OL"]), st.sampled_from(_FUNCTIONS),
    ),
    st.builds(
        lambda deed, function: bodies.Action(deed=deed, where="U5", function=function),
        st.sampled_from(["cleaned", "removed", "replaced", "changed"]), st.sampled_from(_FUNCTIONS),
    ),
    st.sampled_from([bodies.Look(where="", seen="dust"), bodies.Symptom(text="black"), "undo", "redo"]),
)  # fmt: skip


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(said=st.lists(_SAID, max_size=12))
def test_any_history_gives_a_report_on_what_stands(bench, said):
    """Whatever was recorded, taken back and brought back: every statement names events that stand, nothing is
    said to work without a pass, and a function without an event that stands is not tested."""
    say = Diary(bench)
    for one in said:
        if isinstance(one, str):
            with suppress(BadEvent):  # there may be nothing to take back
                (bench.undo if one == "undo" else bench.redo)(say.job)
        else:
            say(one)
    state = bench.job(say.job)
    report = condition_report(state, say.job)
    stand = {event.number: event for event in state.events if event in standing(state.events)}
    assert all(one.event in stand for one in (*report.records, *report.others))
    for key, found in report.standing.items():
        mine = [e.body for e in stand.values() if getattr(e.body, "function", "") == key]
        assert mine
        passes = [body for body in mine if isinstance(body, bodies.Acceptance) and body.result == "passed"]
        assert passes or found.verdict not in ("works", "fault", "part")
    named = {getattr(event.body, "function", "") for event in stand.values()}
    assert set(report.standing) <= named
