"""What is tested through the page stands in the condition report; nothing else does."""

from __future__ import annotations

import html
import re
from typing import Any

import pytest
from starlette.testclient import TestClient

from benchwright.jobs import Bench
from benchwright.sheets import ConditionReport
from benchwright.sheets.from_job import condition_report


def bench_of(client: TestClient) -> Bench:
    bench: Bench = client.app.state.records.bench()  # type: ignore[attr-defined]
    return bench


@pytest.fixture
def job(client: TestClient) -> int:
    """A job of which nothing was tested yet."""
    return bench_of(client).new_job("Plover 32", "EUR")


def report(client: TestClient, job: int) -> ConditionReport:
    return condition_report(bench_of(client).job(job), job)


def post(client: TestClient, path: str, **fields: Any) -> Any:
    page = client.get(path.partition("/tests")[0] + "/tests").text
    found = re.search(r'name="once" value="(\w+)"', page)
    assert found
    return client.post(path, data={"once": found[1], **fields}, follow_redirects=False)


def problem_in(answer: Any) -> str:
    assert answer.status_code == 422, answer.text
    found = re.search(r'id="problem">(.*?)</p>', answer.text, re.DOTALL)
    assert found
    return html.unescape(found[1])


def test_a_result_stands_in_the_condition_report(client: TestClient, job: int) -> None:
    """With its function, its note and its verdict; the last result of a test holds."""
    assert len(report(client, job).not_tested) == 27
    assert (
        post(client, f"/jobs/{job}/tests/keyboard", result="passed", found="all 57 keys").status_code == 303
    )
    test = report(client, job).standing["keyboard"]
    assert (test.verdict, test.result) == ("works", "All 57 keys")
    post(client, f"/jobs/{job}/tests/keyboard", result="failed", found="E sticks")
    assert report(client, job).standing["keyboard"].verdict == "fails"
    post(client, f"/jobs/{job}/tests/keyboard", result="not tested")
    assert len(report(client, job).not_tested) == 27


def test_every_function_has_three_named_buttons(client: TestClient, job: int) -> None:
    """A thumb, or a screen reader, finds each by function and result."""
    text = client.get(f"/jobs/{job}/tests").text
    buttons = re.findall(
        r'<button name="result" value="([a-z ]+)"><span class="unseen">([^<]+): </span>', text
    )
    assert len(buttons) == len(set(buttons)) == 81
    assert ("passed", "Keyboard") in buttons


def test_a_pass_beside_a_failure_is_told_as_a_contradiction(client: TestClient, job: int) -> None:
    """As the report will have it."""
    post(client, f"/jobs/{job}/tests/sound", result="failed", what="loudspeaker", found="crackles")
    assert "another record says otherwise" not in client.get(f"/jobs/{job}/tests").text
    post(client, f"/jobs/{job}/tests/sound", result="passed", what="headphone socket")
    text = client.get(f"/jobs/{job}/tests").text
    assert "Sound: passed, and yet another record says otherwise" in text
    assert report(client, job).standing["sound"].verdict == "fault"


def test_a_form_that_is_sent_twice_counts_once(client: TestClient, job: int) -> None:
    """As after a network that failed at the wrong moment."""
    page = client.get(f"/jobs/{job}/tests").text
    found = re.search(r'name="once" value="(\w+)"', page)
    assert found
    before = len(bench_of(client).events(job))
    for _ in range(2):
        client.post(f"/jobs/{job}/tests/power", data={"once": found[1], "result": "passed"})
    assert len(bench_of(client).events(job)) == before + 1


def test_open_points_are_added_and_settled(client: TestClient, job: int) -> None:
    """Each by its own number, which stays."""
    for text in ("key cap on order", "belt on order"):
        post(client, f"/jobs/{job}/tests/points", text=text)
    post(client, f"/jobs/{job}/tests/points/1", text="fitted")
    state = bench_of(client).job(job)
    assert [point.text for point in state.open_points] == ["belt on order"]
    assert [point.text for point in report(client, job).open_points] == ["belt on order"]
    assert "no open point 1" in problem_in(post(client, f"/jobs/{job}/tests/points/1"))


def test_symptoms_are_added(client: TestClient, job: int) -> None:
    """They stand on the report with the remark that no test was passed since."""
    post(client, f"/jobs/{job}/tests/symptoms", text="no picture")
    (one,) = report(client, job).symptoms
    assert one.text == "No picture (no acceptance test was passed since)"


@pytest.mark.parametrize(
    ("path", "fields", "says"),
    [
        ("keyboard", {"result": "maybe", "found": "the note"}, "Expected passed, failed or not tested"),
        ("points", {"text": " ", "other": "the note"}, "What is still open?"),
        ("symptoms", {"text": "", "other": "the note"}, "What does it show?"),
    ],
)
def test_what_cannot_be_recorded_is_told_and_kept(
    client: TestClient, job: int, path: str, fields: dict[str, str], says: str
) -> None:
    """Nothing is recorded, and nothing that was typed is lost."""
    before = len(bench_of(client).events(job))
    answer = post(client, f"/jobs/{job}/tests/{path}", **fields)
    assert says in problem_in(answer)
    assert "the note" in answer.text
    assert len(bench_of(client).events(job)) == before


def test_hostile_text_is_escaped(client: TestClient, job: int) -> None:
    """Wherever a text may be typed."""
    bad = "<script>alert(1)</script>\"'{{7*7}}"
    post(client, f"/jobs/{job}/tests/sound", result="failed", found=bad, what=bad)
    post(client, f"/jobs/{job}/tests/points", text=bad)
    post(client, f"/jobs/{job}/tests/symptoms", text=bad)
    text = client.get(f"/jobs/{job}/tests").text
    assert "<script>alert" not in text
    assert text.count("&lt;script&gt;alert(1)") >= 4
    assert "{{7*7}}" in text


def test_a_function_that_is_not_on_the_list_is_not_found(client: TestClient, job: int) -> None:
    """And nothing is recorded."""
    assert post(client, f"/jobs/{job}/tests/coffee", result="passed").status_code == 404
