"""A job's history in the browser: nothing is hidden, nothing is lost, what was wrong is corrected."""

from __future__ import annotations

import html
import re
import shutil
from pathlib import Path
from typing import Any

from click.testing import CliRunner
from starlette.testclient import TestClient

from benchwright.cli.main import cli
from benchwright.jobs import Bench, bodies, open_bench
from benchwright.jobs.entry import Desk, read_line
from benchwright.web.pages.history import typed

JOB = 9


def bench_of(client: TestClient) -> Bench:
    bench: Bench = client.app.state.records.bench()  # type: ignore[attr-defined]
    return bench


def page(client: TestClient, **asked: Any) -> str:
    return html.unescape(client.get(f"/jobs/{JOB}/history", params=asked).text)


def numbers(text: str) -> list[int]:
    return [int(found) for found in re.findall(r'id="event-(\d+)"', text)]


def test_every_entry_is_there_the_latest_first(client: TestClient) -> None:
    """Also what was taken back, which says so in a word."""
    bench = bench_of(client)
    (note,) = bench.record(JOB, bodies.Note(text="a <b>slip</b>"))
    bench.undo(JOB)
    text = client.get(f"/jobs/{JOB}/history").text
    assert numbers(text) == [event.number for event in reversed(bench.events(JOB))]
    row = text[text.index(f'id="event-{note.number}"') :].partition("</li>")[0]
    assert "taken back" in row
    assert "&lt;b&gt;slip&lt;/b&gt;" in row


def test_kinds_and_words_are_sorted_out(client: TestClient) -> None:
    """Readings alone; words alone; nothing found says how to see all again."""
    bench = bench_of(client)
    (note,) = bench.record(JOB, bodies.Note(text="zebra stripes"))
    assert numbers(page(client, kind="readings"))
    assert note.number not in numbers(page(client, kind="readings"))
    assert numbers(page(client, about="ZEBRA")) == [note.number]
    assert "Show everything" in page(client, about="xylophone")


def test_a_long_history_is_leafed_through(client: TestClient) -> None:
    """Each entry is on one page."""
    bench = bench_of(client)
    bench.record(JOB, *(bodies.Note(text=f"note {n}") for n in range(400)))
    seen: list[int] = []
    address = f"/jobs/{JOB}/history"
    while address:
        text = client.get(address).text
        seen += numbers(text)
        older = re.search(r'href="([^"]+from=\d+)"', text)
        address = html.unescape(older[1]) if older else ""
    assert seen == [event.number for event in reversed(bench.events(JOB))]


def test_an_entry_is_corrected_as_on_the_command_line(client: TestClient, tmp_path: Path) -> None:
    """The same line, the same result; sent twice, it counts once."""
    bench = bench_of(client)
    reading = bench.job(JOB).readings[0]
    address = f"/jobs/{JOB}/history/{reading.number}"
    assert isinstance(reading.body, bodies.Reading)
    assert html.escape(reading.body.entry) in client.get(address).text
    twin = tmp_path / "twin"
    shutil.copytree(Path(client.app.state.records.where), twin)  # type: ignore[attr-defined]
    line = f"{reading.body.a} {reading.body.b} 17R".replace("  ", " ")
    for _ in range(2):
        sent = client.post(address, data={"once": "a" * 32, "line": line}, follow_redirects=False)
        assert sent.status_code == 303
    words = ["job", "log", str(JOB), line, "--correct", str(reading.number), "--bench", str(twin)]
    done = CliRunner().invoke(cli, words)
    assert done.exit_code == 0, done.output
    with open_bench(twin) as other:
        here, there = (
            [(e.at, e.body, bool(e.supersedes)) for e in records.events(JOB)] for records in (bench, other)
        )
        assert here == there
    assert f"corrected by entry {bench.events(JOB)[-1].number}" in page(client)


def test_a_correction_that_makes_no_sense_keeps_what_was_typed(client: TestClient) -> None:
    """And nothing is recorded."""
    bench = bench_of(client)
    before = bench.newest()
    number = bench.job(JOB).readings[0].number
    sent = client.post(f"/jobs/{JOB}/history/{number}", data={"once": "b" * 32, "line": "U999.1 GND 1R"})
    assert sent.status_code == 422
    assert "U999.1 GND 1R" in sent.text
    assert bench.newest() == before
    assert client.get(f"/jobs/{JOB}/history/1").status_code == 404  # of another job


def test_what_is_offered_for_correction_says_the_same(client: TestClient) -> None:
    """Every line that is filled in beforehand means what was recorded."""
    bench = bench_of(client)
    seen = set()
    for job in bench.jobs():
        state = bench.job(job.number)
        for event in state.events:
            line = typed(event.body)
            if not line or isinstance(event.body, bodies.BoardState):
                continue
            before = event.body.state if isinstance(event.body, bodies.Reading) else state.board_state
            said = read_line(line, Desk(state, before)).said
            seen.add(event.kind)
            if isinstance(event.body, bodies.Reading):
                read = [(body.a, body.value) for body in said if isinstance(body, bodies.Reading)]
                assert (event.body.a, event.body.value) in read, line
            else:
                assert event.body in said, line
    assert {"reading", "note", "open-point", "time"} <= seen
