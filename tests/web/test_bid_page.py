"""What a faulty machine is worth, asked and answered in a browser."""

from __future__ import annotations

import html
import re
import time
from typing import Any

import pytest
from starlette.testclient import TestClient

from benchwright.jobs.bidding import Asked, answer

PRICES = {"working": "90..120..150", "for_parts": "35", "currency": "EUR", "hourly": "8", "draws": "2000"}


def once(client: TestClient) -> str:
    found = re.search(r'name="once" value="(\w+)"', client.get("/bid").text)
    assert found
    return found[1]


def ask(client: TestClient, **fields: str) -> Any:
    return client.post("/bid", data={"once": once(client), **PRICES, **fields}, follow_redirects=False)


def answered(client: TestClient, task: str) -> str:
    """Where a work leads once it is over."""
    until = time.monotonic() + 60
    while time.monotonic() < until:
        text = client.get(task).text
        stage, to = (re.search(rf'data-{name}="([^"]*)"', text) for name in ("stage", "leads-to"))
        assert stage
        assert to
        if stage[1] in ("done", "failed"):
            return to[1]
        time.sleep(0.05)
    raise AssertionError("no answer in a minute")


def test_the_page_tells_what_the_engine_says(client: TestClient) -> None:
    """Most to pay, judged bids, reasons and what it rests on; the figures stand in the form again."""
    sent = ask(client, fees="12%\n0.35", symptoms="no picture", bids="20\n80", seed="3")
    assert sent.status_code == 303
    there = answered(client, sent.headers["location"])
    text = html.unescape(client.get(there).text)
    made = answer(
        Asked(
            "90..120..150", "35", ("no picture",), ("12%", "0.35"), "8", bids=("20", "80"), seed=3, draws=2000
        )
    ).made
    assert f"{made.most}</p>" in text
    for one in made.at:
        assert str(one.expected_profit) in text
    assert "no picture" in text
    assert "None of your own" in text
    assert "seed 3" in text
    assert 'value="90..120..150"' in text
    assert "12%\n0.35</textarea>" in text


def test_the_history_in_the_records_counts_if_wanted(client: TestClient) -> None:
    """The demo bench has proved faults."""
    there = answered(client, ask(client, with_bench="1").headers["location"])
    assert "Your own history counts:" in client.get(there).text


def test_the_same_form_is_worked_out_once(client: TestClient) -> None:
    """Sent again, it leads to the same work, and then to the answer."""
    form = {"once": once(client), **PRICES}
    first, again = (client.post("/bid", data=form, follow_redirects=False) for _ in range(2))
    assert first.headers["location"] == again.headers["location"]
    there = answered(client, first.headers["location"])
    assert client.post("/bid", data=form, follow_redirects=False).headers["location"] == there
    assert there in client.get("/bid").text  # among those worked out before


@pytest.mark.parametrize(
    ("fields", "says"),
    [
        ({"working": "12x"}, "What it sells for mended: no currency 'x'"),
        ({"for_parts": ""}, "What its parts bring: cannot read"),
        ({"fees": "120%"}, "Selling fees:"),
        ({"hourly": "eight"}, "An hour at the bench is worth: cannot read"),
        ({"part_prices": "4164"}, "Prices of parts: '4164': expected PART=PRICE"),
        ({"currency": "GBP"}, "What one euro is in that currency: part prices are in euro"),
        ({"draws": "5"}, "Make-believe repairs: expected a whole number from 100 to 2000000"),
        ({"seed": "-1"}, "Seed: expected a whole number from 0"),
        ({"job": "x"}, "Board of job: expected the number of a job"),
    ],
)
def test_what_cannot_be_used_is_named_by_its_field(
    client: TestClient, fields: dict[str, str], says: str
) -> None:
    """At once, before anything is worked out; what was typed is shown."""
    said = ask(client, symptoms="no colour", **fields)
    assert said.status_code == 422
    assert says in html.unescape(said.text)
    assert "no colour" in said.text


def test_a_symptom_that_is_not_known_comes_back_with_the_form(client: TestClient) -> None:
    """The work fails in plain words, and its page leads back to what was typed."""
    there = answered(client, ask(client, symptoms="makes coffee").headers["location"])
    text = html.unescape(client.get(there).text)
    assert "symptom 'makes coffee'" in text
    assert "makes coffee</textarea>" in text


def test_a_board_may_be_that_of_a_job_and_stays_for_the_next_try(client: TestClient) -> None:
    """The board's name and its number of parts are told."""
    lines = client.app.state.records.bench().jobs()  # type: ignore[attr-defined]
    job = next(line.number for line in lines if line.board)
    there = answered(client, ask(client, job=str(job)).headers["location"])
    told = client.get(there).text
    assert "Machine of no board" not in told
    key = there.rpartition("/")[2]
    again = answered(client, ask(client, before=key, same_board="1", seed="2").headers["location"])
    parts = [re.search(r"<dt>Machine</dt><dd>(.*?)</dd>", text) for text in (told, client.get(again).text)]
    assert parts[0]
    assert parts[1]
    assert parts[0][1] == parts[1][1]


def test_a_history_file_counts_and_a_bad_one_is_told(client: TestClient) -> None:
    """With its name, not that of a temporary file."""
    good = b"[[job]]\nhours = 3.5\nmended = false\n"
    for text, says in ((good, ""), (b"[[job]]\nhours = 0\nmended = true\n", "above 0")):
        sent = client.post(
            "/bid", data={"once": once(client), **PRICES}, files={"history": ("own.toml", text)},
            follow_redirects=False,
        )  # fmt: skip
        if says:
            assert sent.status_code == 422
            assert "own.toml" in sent.text
            assert says in sent.text
        else:
            assert "1 past job" in client.get(answered(client, sent.headers["location"])).text


def test_a_bid_that_is_not_kept_says_so(client: TestClient) -> None:
    """After the program was ended, say."""
    said = client.get("/bid/0123")
    assert said.status_code == 404
    assert "not kept any more" in said.text
