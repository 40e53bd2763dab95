"""Search over all jobs and the stock."""

from __future__ import annotations

import re

from starlette.testclient import TestClient

from benchwright.jobs import Bench, bodies


def bench_of(client: TestClient) -> Bench:
    bench: Bench = client.app.state.records.bench()  # type: ignore[attr-defined]
    return bench


def test_finds_are_grouped_by_job_with_links_to_their_events(client: TestClient) -> None:
    """Two notes of one job stand under its title; a lot leads to its page."""
    bench = bench_of(client)
    events = [bench.record(10, bodies.Note(text=text))[0] for text in ("zebra stripes", "no zebra now")]
    bench.receive(bodies.StockReceived(lot="", kind="zebra strip", quantity=2))
    text = client.get("/search?q=ZEBRA").text
    assert "3 finds in 2 places" in text
    job, stock = (text.index(mark) for mark in ('<h2><a href="/jobs/10">', '<h2><a href="/stock">'))
    for event in events:
        assert f'href="/jobs/10/history#event-{event.number}"' in text[job:]
    assert 'href="/stock/lots/zebra-strip-1"' in text[stock:]


def test_words_found_are_marked_and_all_is_escaped(client: TestClient) -> None:
    """Markup in a note or in the question is but text."""
    bench_of(client).record(10, bodies.Note(text="the <script>zebra</script> [sic] ran"))
    text = client.get("/search", params={"q": "zebra"}).text
    assert "<mark>&lt;script&gt;zebra&lt;/script&gt;</mark>" in text
    assert "[sic]" in text
    assert "<mark>[sic]</mark>" not in text
    asked = client.get("/search", params={"q": '"><img src=x>'}).text
    assert "<img" not in asked
    assert "Nothing has all of these words" in asked


def test_a_number_leads_to_the_job(client: TestClient) -> None:
    """Whatever else has that number in it."""
    title = bench_of(client).job(10).title
    assert f'<a href="/jobs/10">Job 10: {title}</a>' in client.get("/search?q=10").text
    assert "Job 9999:" not in client.get("/search?q=9999").text


def test_nothing_asked_teaches_what_can_be(client: TestClient) -> None:
    """And nothing found says how to find more."""
    assert "Everything written is found" in client.get("/search").text
    assert "Nothing has this word" in client.get("/search?q=xylophone").text


def test_more_is_shown_when_asked_for(client: TestClient) -> None:
    """The first sixty, then the rest."""
    bench_of(client).record(10, *(bodies.Note(text=f"zebra {n}") for n in range(75)))
    first, rest = (client.get(f"/search?q=zebra{more}").text for more in ("", "&all=1"))
    count = [len(re.findall(r"#event-\d+", text)) for text in (first, rest)]
    assert count == [60, 75]
    assert 'href="/search?q=zebra&amp;all=1"' in first
    assert "all=1" not in rest
