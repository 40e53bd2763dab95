"""The stock as a person works with it in a browser: each form by a plain post, as without scripting."""

from __future__ import annotations

import html
import re
from typing import Any

import pytest
from starlette.testclient import TestClient

from benchwright.jobs import Bench

LOT = "4116-1"
"""A lot of the demo bench: 150 ns, drawer 3, ten on hand, two of them set aside for job 10."""


def bench_of(client: TestClient) -> Bench:
    bench: Bench = client.app.state.records.bench()  # type: ignore[attr-defined]
    return bench


def once(client: TestClient, path: str = "/stock/add") -> str:
    found = re.search(r'name="once" value="(\w+)"', client.get(path).text)
    assert found
    return found[1]


def post(client: TestClient, path: str, **fields: Any) -> Any:
    return client.post(path, data={"once": once(client), **fields}, follow_redirects=False)


def problem_in(answer: Any) -> str:
    assert answer.status_code == 422, answer.text
    found = re.search(r'id="problem">(.*?)</p>', answer.text, re.DOTALL)
    assert found
    return html.unescape(found[1])


def test_lots_are_listed_with_place_and_price(client: TestClient) -> None:
    """What, how many, free, where, for which job, what one cost."""
    text = client.get("/stock", params={"about": "4116"}).text
    row = text[text.index("/stock/lots/4116-1") :].partition("</tr>")[0]
    for part in ("4116 150 ns", ">10<", "/jobs/10", ">8<", "drawer 3", "2.50 EUR", "4116-1"):
        assert part in row
    assert "74LS157" not in text


def test_a_list_without_finds_says_what_to_do(client: TestClient) -> None:
    """And what was asked stays in the field, escaped."""
    text = client.get("/stock", params={"about": '"><b>zebra'}).text
    assert "Nothing is like that" in text
    assert 'value="&#34;&gt;&lt;b&gt;zebra"' in text


def test_used_up_lots_are_shown_when_asked_for(client: TestClient) -> None:
    """They are out of the way otherwise."""
    post(client, "/stock/add", kind="valve", lot="old-box", quantity=1)
    post(client, "/stock/count/old-box", quantity=0)
    assert "/lots/old-box" not in client.get("/stock").text
    assert "/lots/old-box" in client.get("/stock?gone=1").text


def test_parts_are_put_into_stock(client: TestClient) -> None:
    """Everything that can be said of them is recorded; the name is chosen; the page of the lot follows."""
    answer = post(
        client, "/stock/add", kind="2114", quantity=6, value="200 ns", price="3.10 GBP", exchange="1,17",
        condition="used, tested", source="swap meet", where="box 4", replaces="2148, 9114",
    )  # fmt: skip
    assert (answer.status_code, answer.headers["location"]) == (303, "/stock/lots/2114-1")
    lot = bench_of(client).stock()["2114-1"]
    assert (lot.kind, lot.on_hand, lot.value, lot.condition) == ("2114", 6, "200 ns", "used, tested")
    assert (lot.source, lot.where, lot.replaces) == ("swap meet", "box 4", ("2148", "9114"))
    assert lot.price is not None
    price = (str(lot.price.value), lot.price.currency, str(lot.price.rate), lot.price.rate_in)
    assert price == ("3.10", "GBP", "1.17", "EUR")
    text = client.get("/stock/lots/2114-1").text
    assert "3.10 GBP" in text
    assert "2148, 9114" in text


def test_a_form_that_is_sent_twice_counts_once(client: TestClient) -> None:
    """As after a network that failed at the wrong moment."""
    form = {"once": once(client), "kind": "6545", "quantity": "3"}
    first, again = (client.post("/stock/add", data=form, follow_redirects=False) for _ in range(2))
    assert first.headers["location"] == again.headers["location"] == "/stock/lots/6545-1"
    assert [lot for lot in bench_of(client).stock() if lot.startswith("6545")] == ["6545-1"]
    assert bench_of(client).stock()["6545-1"].on_hand == 3


@pytest.mark.parametrize(
    ("fields", "says"),
    [
        ({"quantity": "0"}, "from 1 to 999999"),
        ({"quantity": "two"}, "expected a whole number"),
        ({"quantity": "1000000"}, "from 1 to 999999"),
        ({"kind": " "}, "Its kind is needed"),
        ({"price": "2.50 XYZ"}, "Price of one: no currency 'XYZ'"),
        ({"price": "-1"}, "a price is 0 or more"),
        ({"price": "1 USD", "exchange": "many"}, "Exchange rate: many: expected a number above 0"),
    ],
)
def test_what_cannot_be_stored_is_named_and_kept(
    client: TestClient, fields: dict[str, str], says: str
) -> None:
    """The page tells what is wrong, shows what was typed, and nothing is recorded."""
    before = len(bench_of(client).events(None))
    answer = post(client, "/stock/add", **{"kind": "2764", "quantity": "1", "source": "attic", **fields})
    assert says in problem_in(answer)
    assert "attic" in answer.text
    assert len(bench_of(client).events(None)) == before


def test_a_lot_is_counted_and_moved(client: TestClient) -> None:
    """Both stand in its history."""
    post(client, f"/stock/count/{LOT}", quantity=9, note="one has bent legs")
    post(client, f"/stock/move/{LOT}", where="drawer 12")
    lot = bench_of(client).stock()[LOT]
    assert (lot.on_hand, lot.where) == (9, "drawer 12")
    text = client.get(f"/stock/lots/{LOT}").text
    assert "one has bent legs" in text
    assert "moved to drawer 12" in text


def test_parts_are_used_and_set_aside_for_a_job(client: TestClient) -> None:
    """By its number, with its title behind it as the list of jobs offers it; never more than there are."""
    answer = post(client, f"/stock/use/{LOT}", job="10. Turnstone 64", quantity=1, where="U5")
    assert answer.status_code == 303
    post(client, f"/stock/set-aside/{LOT}", job="6", quantity=4)
    lot = bench_of(client).stock()[LOT]
    uids = {number: uid for uid, number in bench_of(client).numbers().items()}
    assert (lot.on_hand, lot.reserved) == (9, {uids[10]: 1, uids[6]: 4})
    assert "free for this job" in problem_in(post(client, f"/stock/use/{LOT}", job="10", quantity=99))
    assert "expected the number of a job" in problem_in(post(client, f"/stock/use/{LOT}", job="U5"))
    assert post(client, f"/stock/use/{LOT}", job="9999").status_code == 404
    assert bench_of(client).stock()[LOT].on_hand == 9


def receipts(client: TestClient, lot: str) -> list[str]:
    return re.findall(r'href="/stock/receipts/(\w+)/', client.get(f"/stock/lots/{lot}").text)


def test_a_receipt_is_corrected_in_its_place(client: TestClient) -> None:
    """The form has what was recorded; what came with it and is not in the form stays."""
    post(client, "/stock/donor", job=10, parts="3 x 6850 1 MHz", where="box 9")
    (event,) = receipts(client, "6850-1")
    form = client.get(f"/stock/receipts/{event}/6850-1").text
    assert 'value="1 MHz"' in form
    post(client, f"/stock/receipts/{event}/6850-1", kind="6850", quantity=2, value="1 MHz", price="1.50")
    lot = bench_of(client).stock()["6850-1"]
    assert (lot.on_hand, bench_of(client).numbers()[lot.donor]) == (2, 10)
    assert lot.price is not None
    assert str(lot.price.value) == "1.50"
    assert client.get(f"/stock/receipts/{event}/6850-1").status_code == 404  # it does not stand any more


def test_one_thing_in_a_history_is_taken_back(client: TestClient) -> None:
    """Of the stock or of a job; the second time it is told that it is gone."""
    post(client, f"/stock/use/{LOT}", job="10", quantity=3)
    page = client.get(f"/stock/lots/{LOT}").text
    found = re.search(r"/stock/deeds/(\w+)/take-back/", page)  # the latest stands first
    assert found
    there = f"/stock/deeds/{found[1]}/take-back/{LOT}"
    assert post(client, there).status_code == 303
    assert bench_of(client).stock()[LOT].on_hand == 10
    assert "taken back or corrected already" in problem_in(post(client, there))


def test_the_parts_of_a_donor_come_in_and_go_back_together(client: TestClient) -> None:
    """One kind on a line; the last entry of the stock is all of them."""
    before = set(bench_of(client).stock())
    post(client, "/stock/donor", job=10, parts="8 x 6116\n\n2 x 6850 1 MHz\n", where="box 9")
    lots = bench_of(client).stock()
    new = {(lots[name].kind, lots[name].on_hand, lots[name].condition) for name in set(lots) - before}
    assert new == {("6116", 8, "used"), ("6850", 2, "used")}
    post(client, "/stock/undo")
    assert set(bench_of(client).stock()) == before


def test_a_name_with_signs_has_its_page_and_is_escaped(client: TestClient) -> None:
    """Slashes, question marks and markup are but text."""
    name = 'a/b?c#<i>"&%'
    there = post(client, "/stock/add", kind="<b>odd</b>", lot=name, quantity=2).headers["location"]
    text = client.get(there).text
    assert "&lt;b&gt;odd&lt;/b&gt;" in text
    assert "<b>odd" not in text
    assert "<i>" not in text
    post(client, there.replace("/lots/", "/count/"), quantity=5)
    assert bench_of(client).stock()[name].on_hand == 5
    assert client.get("/stock/4116-1").url.path == "/stock/lots/4116-1"


def test_what_is_not_there_has_no_page(client: TestClient) -> None:
    """A lot nobody named, an event that is none."""
    for path in ("/stock/lots/nothing", f"/stock/receipts/{'0' * 32}/{LOT}", "/stock/sheets/other.pdf"):
        assert client.get(path).status_code == 404


def test_the_shopping_list_says_for_whom_and_what_could_stand_in(client: TestClient) -> None:
    """What a job wants, and takes off again."""
    post(client, "/stock/add", kind="4164", quantity=4, lot="sixty-fours", replaces="4132")
    post(client, "/stock/shopping", job="10", parts="7 x 4132 200 ns for U7")
    text = client.get("/stock/shopping").text
    row = text[text.index("4132 200 ns</th>") :].partition("</tr>")[0]
    for part in (">7<", "/jobs/10", "4164 (lot sixty-fours, 4 on hand)"):
        assert part in row
    post(client, "/stock/shopping", job="10", parts="0 x 4132 200 ns")
    assert "4132 200 ns</th>" not in client.get("/stock/shopping").text


@pytest.mark.parametrize(
    "path",
    ["list.pdf", "shopping.pdf", "labels.pdf", f"labels.pdf?lot={LOT}", "labels.pdf?labels=a4-21&first=3"],
)
def test_lists_and_labels_are_printed(client: TestClient, path: str) -> None:
    """As files to keep."""
    answer = client.get(f"/stock/sheets/{path}")
    assert answer.content.startswith(b"%PDF-")
    assert answer.headers["content-disposition"].startswith("attachment")


def test_labels_that_do_not_fit_are_told(client: TestClient) -> None:
    """The sheet's own words."""
    assert "cannot go on place 99" in problem_in(client.get("/stock/sheets/labels.pdf?labels=a4-21&first=99"))
    assert "expected a number above 0" in problem_in(client.get("/stock/sheets/labels.pdf?width=wide"))
    assert "there is no lot 'x'" in problem_in(client.get("/stock/sheets/labels.pdf?lot=x"))
