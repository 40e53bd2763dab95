"""What is changed and mended through the page stands on the change sheet and the condition report."""

from __future__ import annotations

import html
import re
from typing import Any

import pytest
from pypdfium2 import PdfDocument
from starlette.testclient import TestClient

from benchwright.board.board_file import write_board_file
from benchwright.caution import get as caution
from benchwright.demo import fulmar65
from benchwright.jobs import Bench, bodies
from benchwright.jobs.log import log_lines, take_back
from benchwright.sheets.from_job import change_sheet, condition_report

LOT = "4116-1"
"""A lot of the demo bench with parts that are free."""


def bench_of(client: TestClient) -> Bench:
    bench: Bench = client.app.state.records.bench()  # type: ignore[attr-defined]
    return bench


@pytest.fixture
def job(client: TestClient) -> int:
    """A job on the demo's board on which nothing was done yet."""
    bench = bench_of(client)
    number = bench.new_job("Plover 32", "EUR")
    bench.record(
        number, bodies.Identity(board_file="board.toml", board_text=write_board_file(fulmar65.board()))
    )
    return number


def once(client: TestClient, job: int) -> str:
    found = re.search(r'name="once" value="(\w+)"', client.get(f"/jobs/{job}/changes").text)
    assert found
    return found[1]


def post(client: TestClient, job: int, **fields: Any) -> Any:
    data = {"once": once(client, job), **fields}
    return client.post(f"/jobs/{job}/changes", data=data, follow_redirects=False)


def problem_in(answer: Any) -> str:
    assert answer.status_code == 422, answer.text
    found = re.search(r'id="problem">(.*?)</p>', answer.text, re.DOTALL)
    assert found
    return html.unescape(found[1])


def test_a_change_stands_on_the_page_and_on_both_sheets(client: TestClient, job: int) -> None:
    """With why, how to undo it, and that nothing proves it yet."""
    said = {"what": "video socket", "note": "composite; direct", "why": "no modulator; none to be had",
            "undo": "take the wire off"}  # fmt: skip
    assert post(client, job, deed="changed", **said).status_code == 303
    state = bench_of(client).job(job)
    (change,) = change_sheet(state, job).changes
    assert (change.what, change.why, change.undo, change.proved) == (
        "Changed video socket: composite; direct", "no modulator; none to be had", "take the wire off", "no",
    )  # fmt: skip
    (made,) = condition_report(state, job).changes
    assert (made.why, made.undo) == (change.why, change.undo)
    text = client.get(f"/jobs/{job}/changes").text
    for words in (change.what, change.why, change.undo, "Not proved"):
        assert words in text
    pdf = client.get(f"/jobs/{job}/sheets/change.pdf").content
    printed = " ".join(" ".join(page.get_textpage().get_text_bounded() for page in PdfDocument(pdf)).split())
    assert "take the wire off" in printed


def test_a_part_that_is_replaced_comes_out_of_stock_and_the_finder_hears_of_it(
    client: TestClient, job: int
) -> None:
    """One deed: it is taken back as one."""
    before = bench_of(client).stock()[LOT].on_hand
    post(client, job, deed="replaced", what="U5", why="dead", lot=LOT, quantity=1)
    state = bench_of(client).job(job)
    assert bench_of(client).stock()[LOT].on_hand == before - 1
    assert [(e.body.quantity, e.body.a) for e in state.readings] == [("replaced", "U5")]  # type: ignore[union-attr]
    assert any("U5" in claim.text for claim in condition_report(state, job).work)
    take_back(bench_of(client), job)
    assert bench_of(client).stock()[LOT].on_hand == before
    assert not bench_of(client).job(job).readings
    assert not bench_of(client).job(job).actions


def test_readings_before_and_after_prove_a_change(client: TestClient, job: int) -> None:
    """The board file says which; what was read stands beside what it must be."""
    board = fulmar65.board()
    a, b = next(pins for pins in board.nets.values() if len(pins) == 2)
    log_lines(bench_of(client), job, [f"beep {a} {b} beep"])
    post(client, job, deed="changed", what=f"cut {a} | {b}", why="to try it")
    (change,) = change_sheet(bench_of(client).job(job), job).changes
    assert change.proved == "no"
    assert change.undo != "Not recorded"
    log_lines(bench_of(client), job, [f"{a} {b} OL"])
    (change,) = change_sheet(bench_of(client).job(job), job).changes
    assert change.proved == "yes"
    text = client.get(f"/jobs/{job}/changes").text
    assert "Read before and after" in text
    assert "Readings that prove it" in text


def test_what_a_change_would_do_is_told_before_it_is_made(client: TestClient, job: int) -> None:
    """Nothing is recorded by asking, and what was typed stays in its fields."""
    before = len(bench_of(client).events(job))
    a, b = next(pins for pins in fulmar65.board().nets.values() if len(pins) == 2)
    asked = {"deed": "changed", "what": f"cut {a} | {b}", "why": 'so "that"'}
    text = client.get(f"/jobs/{job}/changes", params=asked).text
    assert "Take these readings before and after" in text
    assert 'value="so &#34;that&#34;"' in text
    text = client.get(f"/jobs/{job}/changes", params={"what": "a new socket"}).text
    assert "Nothing can be told of it from the board" in text
    assert len(bench_of(client).events(job)) == before


def test_a_form_that_is_sent_twice_counts_once(client: TestClient, job: int) -> None:
    """The part leaves the stock once."""
    form = {"once": once(client, job), "deed": "changed", "what": "memory", "lot": LOT, "quantity": "2"}
    before, events = bench_of(client).stock()[LOT].on_hand, len(bench_of(client).events(job))
    for _ in range(2):
        assert client.post(f"/jobs/{job}/changes", data=form, follow_redirects=False).status_code == 303
    assert bench_of(client).stock()[LOT].on_hand == before - 2
    assert len(bench_of(client).events(job)) == events + 2


@pytest.mark.parametrize(
    ("fields", "says"),
    [
        ({"deed": "exploded", "what": "U5"}, "What was done?"),
        ({"deed": "changed", "what": " "}, "What and where?"),
        ({"deed": "changed", "what": "x", "lot": LOT, "quantity": "0"}, "How many parts"),
        ({"deed": "changed", "what": "x", "lot": LOT, "quantity": "5000"}, "free for this job"),
        ({"deed": "changed", "what": "x", "lot": "no-such-lot"}, "no-such-lot"),
        ({"deed": "replaced", "what": "U999"}, "U999"),
    ],
)
def test_what_cannot_be_recorded_is_told_and_kept(
    client: TestClient, job: int, fields: dict[str, str], says: str
) -> None:
    """Nothing of it is recorded."""
    before = len(bench_of(client).events(job))
    answer = post(client, job, why="kept reason", **fields)
    assert says in problem_in(answer)
    assert "kept reason" in answer.text
    assert len(bench_of(client).events(job)) == before


@pytest.mark.parametrize("deed", ["changed", "cleaned"])
def test_hostile_text_is_escaped(client: TestClient, job: int, deed: str) -> None:
    """Also where it is read back from a line, and where it is only asked about."""
    bad = "<script>alert(1)</script>{{7*7}}"
    post(client, job, deed=deed, what="case", note=bad, why=bad, undo=bad)
    for page in (
        client.get(f"/jobs/{job}/changes"),
        client.get(f"/jobs/{job}/changes", params={"what": bad}),
    ):
        assert "<script>alert" not in page.text
        assert "&lt;script&gt;alert(1)" in page.text
        assert "{{7*7}}" in page.text


def test_cautions_stand_before_the_form(client: TestClient, job: int) -> None:
    """Of the work that can hurt."""
    text = client.get(f"/jobs/{job}/changes").text
    form = text.index('id="change-form"')
    for key in ("mains", "charged_capacitor", "solder", "solvent"):
        assert 0 < text.index(html.escape(caution(key).title)) < form
