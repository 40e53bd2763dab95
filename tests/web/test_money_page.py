"""A job's money in the browser."""

from __future__ import annotations

import html
import re
from decimal import Decimal
from typing import Any

import pytest
from starlette.testclient import TestClient

from benchwright.jobs import Bench, bodies


def bench_of(client: TestClient) -> Bench:
    bench: Bench = client.app.state.records.bench()  # type: ignore[attr-defined]
    return bench


def send(client: TestClient, job: int, once: str = "", **fields: str) -> Any:
    found = re.search(r'name="once" value="(\w+)"', client.get(f"/jobs/{job}/money").text)
    assert found
    data = {"once": once or found[1], **fields}
    return client.post(f"/jobs/{job}/money", data=data, follow_redirects=False)


def cells(client: TestClient, job: int) -> dict[str, str]:
    text = client.get(f"/jobs/{job}/money").text
    rows = re.findall(r'<th scope="row"[^>]*>(.*?)</th><td class="number">(.*?)</td>', text)
    return {html.unescape(name): value for name, value in rows}


def test_a_job_by_hand(client: TestClient) -> None:
    """40 + 6.90 for the machine, 12.50 of parts, sold at 120 with 10 % fee: 120 - 12 - 59.40 = 48.60.

    With 1 h 30 min at 8.00 an hour: 36.60. Worked out by hand.
    """
    price = bodies.Price(value=Decimal(40), currency="EUR")
    post = bodies.Price(value=Decimal("6.90"), currency="EUR")
    taken = bodies.TakenIn(price=price, postage=post)
    job = bench_of(client).new_job("Brown one", "EUR", taken, rate_per_hour=Decimal(8))
    for fields in (
        {"do": "spent", "what": "parts", "amount": "12.50", "note": "two memories"},
        {"do": "spent", "what": "fee", "amount": "10%"},
        {"do": "time", "amount": "1 h 30 min", "note": "cleaning"},
        {"do": "sold", "amount": "120 EUR"},
    ):
        assert send(client, job, **fields).status_code == 303
    found = cells(client, job)
    assert found["Profit to date"] == "48.60"
    assert found["Profit with the hours paid"] == "36.60"
    assert (found["Purchase"], found["Parts"], found["Fee"]) == ("-40.00", "-12.50", "-12.00")


def test_what_a_sale_may_leave(client: TestClient) -> None:
    """150 at 30 % and 100 at 50 %, 20 spent: 130 and 80; if sold, on average (39 + 40) / 0.8 = 98.75."""
    job = bench_of(client).new_job("Brown one", "EUR")
    send(client, job, do="spent", what="other", amount="20")
    for amount, chance in (("150", "30"), ("100", "50 %")):
        assert send(client, job, do="likely", amount=amount, chance=chance).status_code == 303
    text = html.unescape(client.get(f"/jobs/{job}/money").text)
    assert "not sold" in text
    assert re.search(r"on average, if sold</th><td></td><td class=\"number\">98.75<", text)
    assert "No loss from 20.00 EUR on" in text


def test_the_same_form_counts_once(client: TestClient) -> None:
    """However often it is sent."""
    job = bench_of(client).new_job("Brown one", "EUR")
    for _ in range(2):
        send(client, job, once="a" * 32, do="spent", what="postage", amount="5")
    assert cells(client, job)["Profit to date"] == "-5.00"


@pytest.mark.parametrize("amount", ["", "plenty", "-5", "5 XYZ", "1e99"])
def test_what_is_no_amount_is_told_in_plain_words(client: TestClient, amount: str) -> None:
    """Nothing is recorded, and what was typed is there still."""
    bench = bench_of(client)
    before = bench.newest()
    sent = send(client, 10, do="spent", what="parts", amount=amount, note="<b>two</b> memories")
    assert sent.status_code == 422
    assert "&lt;b&gt;two&lt;/b&gt; memories" in sent.text
    assert bench.newest() == before
