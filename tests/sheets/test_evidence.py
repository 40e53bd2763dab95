"""Nothing stands on a condition report that no recorded event shows."""

from __future__ import annotations

from dataclasses import fields, replace
from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_sheets import DAY, FULMAR, at, condition_report, evidence, png, trials
from printed import Printed, bare

from benchwright.errors import BenchwrightError
from benchwright.sheets import (
    Acceptance,
    BadSheet,
    ChangeMade,
    Claim,
    ConditionReport,
    Evidence,
    FunctionTest,
    NoEvidence,
    OpenPoint,
    Photo,
    Reading,
    all_functions,
    make_pdf,
)

ONE = (evidence(3, "power: on 20 of 20 times"),)


@pytest.mark.parametrize(
    "claim",
    [
        lambda: FunctionTest("power", "works", "bench supply", "comes on", ()),
        lambda: Claim("All capacitors were replaced", ()),
        lambda: ChangeMade("Modulator taken out", "", "put it back", ()),
        lambda: condition_report(identified=()),
        lambda: condition_report(open_points=(OpenPoint("A key cap is wanting"),)),
        lambda: Acceptance("Every key", "passed"),
    ],
)
def test_a_statement_without_evidence_cannot_be_made(claim):
    """The error is for the person: it names the statement and says what to do."""
    with pytest.raises(NoEvidence, match="name at least one event") as raised:
        claim()
    assert isinstance(raised.value, BenchwrightError)
    assert raised.value.statement in str(raised.value) or "…" in str(raised.value)


def test_no_field_of_the_report_takes_free_text_about_the_machine():
    """Every field is an identity, a statement with evidence, a key, or says whose report and times it is."""
    plain = {one.name for one in fields(ConditionReport) if one.type in ("str", "tuple[str, ...]")}
    assert plain == {"job", "bench", "cautions", "times"}
    for statement in (FunctionTest, Claim, ChangeMade, OpenPoint):
        assert "evidence" in {one.name for one in fields(statement)}


@settings(max_examples=30)
@given(st.sets(st.sampled_from(sorted(all_functions()))))
def test_what_was_not_tested_is_the_list_less_what_was(tested):
    """Whatever was tested: the two lists share nothing and together are the whole list."""
    report = condition_report(
        tests=tuple(FunctionTest(key, "works", "tried", "good", ONE) for key in sorted(tested))
    )
    not_tested = [function.key for function in report.not_tested]
    assert set(not_tested) == set(all_functions()) - tested
    assert not_tested == [key for key in all_functions() if key in set(not_tested)]


def test_both_lists_are_printed():
    """Each function stands under tested or under not tested."""
    report = condition_report()
    text = Printed(make_pdf(report)).bare
    start, end = text.index(bare("What was not tested")), text.index(bare("Work done"))
    tested = {test.function for test in report.tests}
    for key, function in all_functions().items():
        assert (bare(function.asks) in text[start:end]) == (key not in tested), key
    assert bare("Tested only in part") in text[start:end]
    assert bare("52 of 53 keys answer") in text[start:end]


def test_each_statement_names_its_events_and_each_event_is_told_at_the_end():
    """The records at the end are those that the statements stand on, once each, with their times."""
    report = condition_report()
    text = Printed(make_pdf(report)).bare
    records = text[text.index(bare("The records that this report stands on")) :]
    assert [one.event for one in report.records] == sorted({one.event for one in report.records})
    for one in report.records:
        assert records.count(bare(f"{one.when:%Y-%m-%d %H:%M} {one.recorded}")) == 1
    for test in report.tests:
        assert bare(test.result) in text
        assert all(one in report.records for one in test.evidence)
    assert bare("2026-11-09 20, 23") in text


def test_the_last_test_is_what_stands():
    """A fault that was mended is told as earlier, and does not count."""
    report = condition_report()
    assert report.standing["memory"].verdict == "works"
    assert [test.verdict for test in report.tests_in_order if test.function == "memory"] == ["fails", "works"]
    turned = condition_report(tests=tuple(reversed(trials())))
    assert turned.standing["memory"].verdict == "works"
    assert bare("Earlier: does not work") in Printed(make_pdf(report)).bare


def test_one_event_has_one_record():
    """Two statements that tell one event differently are found out."""
    claims = (Claim("A", (evidence(5, "C14 replaced"),)), Claim("B", (evidence(5, "C15 replaced"),)))
    with pytest.raises(BadSheet, match="event 5 is told in two ways"):
        condition_report(work=claims)


def test_a_report_cannot_stand_on_what_had_not_happened():
    """An event after the date of the report is refused, and both dates are named."""
    with pytest.raises(BadSheet, match=r"2026-11-22.*2026-11-21"):
        condition_report(work=(Claim("A", (Evidence(5, at(0) + timedelta(days=20), "replaced"),)),))


@pytest.mark.parametrize(
    ("make", "told"),
    [
        (
            lambda: FunctionTest("teleport", "works", "a", "b", ONE),
            "'teleport' is not known; expected one of power",
        ),
        (lambda: FunctionTest("power", "perfect", "a", "b", ONE), "expected one of works"),
        (lambda: FunctionTest("power", "works", " ", "b", ONE), "how it was tested is empty"),
        (lambda: condition_report(cautions=("dragons",)), "caution: 'dragons' is not known"),
        (lambda: Evidence(0, at(1), "x"), "not an event number"),
        (lambda: Evidence(1, at(1), ""), "what was recorded is empty"),
        (lambda: Reading("voltage", "U1.8", "4.98", at(1), 1), "'4.98' has no unit"),
        (lambda: Reading("voltage", "U1.8", "±5,0", at(1), 1), "has no unit"),
        (lambda: Reading("voltage", "U1.8", "5 V", at(1), 1, "5"), "expected reading at U1.8"),
    ],
)
def test_errors_say_what_and_what_was_expected(make, told):
    """Bad data gives a message that names the place and what would do."""
    with pytest.raises(BadSheet) as raised:
        make()
    assert told in str(raised.value)


def test_a_photo_is_a_record_too():
    """Its event is told at the end like any other, and cannot lie after the report."""
    photo = Photo(png(), "Board, upper side", at(29), 29)
    text = Printed(make_pdf(condition_report(photos=(photo,)))).bare
    assert bare(f"29 {at(29):%Y-%m-%d %H:%M} photo: Board, upper side") in text
    with pytest.raises(BadSheet, match="event 29"):
        condition_report(photos=(photo,), on=at(27).date())


def test_cautions_come_from_their_one_table():
    """The texts are those of `benchwright.caution`, word for word, each once."""
    from benchwright import caution

    text = Printed(make_pdf(condition_report(cautions=("mains", "tantalum", "mains")))).bare
    assert text.count(bare(caution.get("mains").text)) == 1
    assert bare(caution.get("tantalum").text) in text


def test_a_report_on_an_untested_machine_says_so():
    """Nothing tested, nothing done: every function is listed as not tested."""
    report = ConditionReport("9", date(2026, 12, 1), FULMAR, ONE)
    text = Printed(make_pdf(report)).bare
    assert bare("Nothing was tested.") in text
    assert all(bare(function.asks) in text for function in all_functions().values())
    assert replace(report, on=DAY).not_tested == tuple(all_functions().values())


def test_everything_tested_leaves_nothing_open():
    """With evidence for each function the second list is empty and says so."""
    tests = tuple(FunctionTest(key, "works", "tried", "good", ONE) for key in all_functions())
    text = Printed(make_pdf(condition_report(tests=tests))).bare
    assert bare("Everything on the list was tested.") in text
    assert bare("nothing is known") not in text
