"""Parts on hand: what, how many, where, for whom; what is short; labels and lists to print."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import TYPE_CHECKING
from urllib.parse import quote, urlencode

from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from ...jobs import bodies
from ...jobs.entry_deeds import want, wishes_of
from ...jobs.errors import BadEvent
from ...jobs.stages import ENDS
from ...jobs.stock_deeds import (
    MOST_PARTS,
    history_of,
    kept_for,
    lots_like,
    parts_of_donor,
    price_each,
    rate_of,
    received,
    take_back,
    usual_currency,
)
from ...jobs.telling import tell, tell_price
from ..machine_form import BadForm
from ..page import bench_of, go, known_as, page, shows, takes, text_of

if TYPE_CHECKING:
    from ...jobs import Bench, JobState
    from ...jobs.stock import Lot

AT_FIRST = 60
"""Lots shown before one asks for more."""
JOBS_OFFERED = 60
"""Open jobs offered by name, those touched last; any other can be typed."""
CONDITIONS = ("new", "new old stock", "used", "used, tested", "untested", "faulty")
"""Words offered for a condition; any other may be typed."""


@dataclass(frozen=True)
class Row:
    """A lot in the list."""

    lot: Lot
    set_aside: int
    jobs: list[tuple[int | None, int]]
    price: str


@dataclass(frozen=True)
class Happened:
    """Something that happened to a lot."""

    number: int
    uid: str
    at: datetime
    job: int | None
    told: str
    received: bool


# -- looking ----------------------------------------------------------------------------------------------


@shows
def listed(request: Request) -> Response:
    asked = request.query_params
    about, gone, every = asked.get("about", "").strip(), asked.get("gone") == "1", asked.get("all") == "1"
    bench = bench_of(request)
    lots, numbers = bench.stock(), bench.numbers()
    wanted = lots_like(lots, about, every=gone)
    shown = wanted if every else wanted[:AT_FIRST]
    query = {name: value for name, value in (("about", about), ("gone", "1" if gone else "")) if value}
    told = f"{len(shown)} of {len(wanted)} lots" if len(shown) < len(wanted) else (
        f"{len(wanted)} lot{'s' * (len(wanted) != 1)}"
    )  # fmt: skip
    return page(
        request, "stock/list.html", any_lots=any(not lot.of_job for lot in lots.values()), about=about,
        gone=gone, rows=[_row(lot, numbers) for lot in shown],
        shown=f"{told}, {sum(lot.on_hand for lot in wanted)} parts",
        again=f"/stock?{urlencode(query | ({'all': '1'} if every else {}))}",
        more=f"/stock?{urlencode({**query, 'all': '1'})}" if len(shown) < len(wanted) else "",
    )  # fmt: skip


def _row(lot: Lot, numbers: dict[str, int]) -> Row:
    price = tell_price(lot.price) if lot.price else ""
    return Row(lot, sum(lot.reserved.values()), kept_for(lot, numbers), price)


@shows
def one(request: Request) -> Response:
    bench = bench_of(request)
    lot = _lot(bench, request.path_params["lot"])
    happened = [
        Happened(
            event.number, event.uid, event.at, job, tell(event.body),
            isinstance(event.body, bodies.StockReceived),
        )
        for job, event in reversed(history_of(bench, lot.lot))
    ]  # fmt: skip
    numbers = bench.numbers()
    return page(
        request, "stock/lot.html", row=_row(lot, numbers), lot=lot, happened=happened,
        donor=numbers.get(lot.donor), jobs=_open_jobs(bench), most=MOST_PARTS,
    )  # fmt: skip


def _lot(bench: Bench, name: str) -> Lot:
    lot = bench.stock().get(name)
    if lot is None or lot.of_job:
        raise HTTPException(404)
    return lot


def _open_jobs(bench: Bench) -> list[tuple[int, str]]:
    latest = bench.jobs(limit=4 * JOBS_OFFERED)
    return [(line.number, line.title) for line in latest if line.stage not in ENDS][:JOBS_OFFERED]


def address(lot: str) -> str:
    """The page of a lot."""
    return f"/stock/lots/{quote(lot, safe='')}"


@shows
def shorter_address(request: Request) -> Response:
    return RedirectResponse(address(request.path_params["lot"]), 303)


@shows
def shopping(request: Request) -> Response:
    from ...sheets.from_stock import shopping_list

    bench = bench_of(request)
    found = shopping_list(datetime.now().date(), bench.shopping(), bench.stock(), bench.numbers())
    return page(
        request, "stock/shopping.html", lines=found.lines, total=found.total,
        unpriced=sum(line.price is None for line in found.lines), jobs=_open_jobs(bench),
    )  # fmt: skip


# -- putting in -------------------------------------------------------------------------------------------


@shows
def adding(request: Request) -> Response:
    bench = bench_of(request)
    return page(
        request, "stock/add.html", currency=usual_currency(bench), conditions=CONDITIONS,
        jobs=[(line.number, line.title) for line in bench.jobs(limit=JOBS_OFFERED)], most=MOST_PARTS,
        event=None, lot=None, price="", exchange="",
    )  # fmt: skip


@takes()
def add(request: Request, form: FormData) -> Response:
    bench = bench_of(request)
    body = _received(bench, form, text_of(form, "lot"), None)
    came = received(bench.receive(body, known_as=known_as(form)))
    request.app.state.feed.changed(None)
    return go(request, address(came[0].lot), f"In stock: {tell(came[0])}.")


@takes()
def add_from_donor(request: Request, form: FormData) -> Response:
    bench = bench_of(request)
    job, number = _job(bench, form)
    parts = [line.strip() for line in text_of(form, "parts").splitlines() if line.strip()]
    if not parts:
        raise BadForm("Parts: say what came out of it, one kind on a line, such as 8 x 4116 150 ns")
    condition = text_of(form, "condition") or "used"
    said = parts_of_donor(job, number, parts, text_of(form, "where"), condition)
    came = received(bench.receive(*said, known_as=known_as(form)))
    request.app.state.feed.changed(None)
    return go(request, "/stock", f"In stock, out of job {number}: {'; '.join(body.lot for body in came)}.")


def _received(
    bench: Bench, form: FormData, name: str, before: bodies.StockReceived | None
) -> bodies.StockReceived:
    kind = text_of(form, "kind")
    if not kind:
        raise BadForm("What is it? Its kind is needed, such as 4116, 74LS157 or capacitor")
    replaces = tuple(one for part in text_of(form, "replaces").split(",") if (one := part.strip()))
    return bodies.StockReceived(
        lot=name, kind=kind, quantity=_count(form, 1), value=text_of(form, "value"),
        condition=text_of(form, "condition") or "new", source=text_of(form, "source"),
        price=_price(bench, form, before), where=text_of(form, "where"), replaces=replaces,
        donor=before.donor if before else "",
    )  # fmt: skip


def _price(bench: Bench, form: FormData, before: bodies.StockReceived | None) -> bodies.Price | None:
    from ...money import BadAmount, parse_amount

    text = text_of(form, "price")
    if not text:
        return None
    old = before.price if before else None
    own = old.rate_in if old and old.rate_in else usual_currency(bench)
    try:
        amount = parse_amount(text, old.currency if old else own)
        rate = _rate(form)
        if old and (amount.value, amount.currency, rate) == (old.value, old.currency, old.rate):
            return old  # with its tax, as it was recorded
        return price_each(amount, own, rate)
    except (BadAmount, BadEvent) as problem:
        raise BadForm(f"Price of one: {problem}") from None


def _rate(form: FormData) -> Decimal | None:
    text = text_of(form, "exchange")
    if not text:
        return None
    try:
        return rate_of(text)
    except BadEvent as problem:
        raise BadForm(f"Exchange rate: {problem}") from None


def _count(form: FormData, least: int) -> int:
    text = text_of(form, "quantity", "1").replace(" ", "")
    if not text.isdecimal() or not text.isascii() or len(text) > 9 or not least <= int(text) <= MOST_PARTS:
        raise BadForm(f"How many: expected a whole number from {least} to {MOST_PARTS}, not {text[:20]!r}")
    return int(text)


def _job(bench: Bench, form: FormData) -> tuple[JobState, int]:
    """The job that was named, by its number, with its title behind it or not."""
    text = text_of(form, "job")
    head = text.partition(".")[0].strip()
    if not head.isdecimal() or not head.isascii() or len(head) > 9:
        raise BadForm(f"Job: expected the number of a job, such as 14, not {text[:30]!r}")
    return bench.job(int(head)), int(head)


# -- one lot ----------------------------------------------------------------------------------------------


@takes()
def count(request: Request, form: FormData) -> Response:
    quantity, note = _count(form, 0), text_of(form, "note")
    return _stock_deed(request, form, bodies.StockCounted(_name(request), quantity, note))


@takes()
def move(request: Request, form: FormData) -> Response:
    return _stock_deed(request, form, bodies.StockMoved(_name(request), text_of(form, "where")))


def _name(request: Request) -> str:
    return str(request.path_params["lot"])


def _stock_deed(request: Request, form: FormData, body: bodies.AnyBody) -> Response:
    bench_of(request).record(None, body, known_as=known_as(form))
    request.app.state.feed.changed(None)
    return go(request, address(_name(request)), f"Recorded: {tell(body)}.")


@takes()
def set_aside(request: Request, form: FormData) -> Response:
    return _job_deed(request, form, bodies.PartReserved(_name(request), _count(form, 0)))


@takes()
def use(request: Request, form: FormData) -> Response:
    used = bodies.PartUsed(
        lot=_name(request), quantity=_count(form, 1), where=text_of(form, "where"), rate=_rate(form)
    )
    return _job_deed(request, form, used)


def _job_deed(request: Request, form: FormData, body: bodies.AnyBody) -> Response:
    bench = bench_of(request)
    _, number = _job(bench, form)
    bench.record(number, body, known_as=known_as(form))
    _changed(request, number)
    return go(request, address(_name(request)), f"Job {number}: {tell(body)}.")


def _changed(request: Request, number: int | None) -> None:
    feed = request.app.state.feed
    feed.changed(None)
    if number is not None:
        feed.changed(number)


@shows
def correcting(request: Request) -> Response:
    bench = bench_of(request)
    number, event, body = _receipt(bench, request)
    price = body.price
    return page(
        request, "stock/correct.html", currency=usual_currency(bench), conditions=CONDITIONS, lot=body,
        event=event, number=number, most=MOST_PARTS,
        price=f"{price.value:f} {price.currency}" if price else "",
        exchange=f"{price.rate:f}" if price and price.rate is not None else "",
    )  # fmt: skip


@takes()
def correct(request: Request, form: FormData) -> Response:
    bench = bench_of(request)
    _, uid, old = _receipt(bench, request)
    body = _received(bench, form, old.lot, old)
    bench.record(None, body, supersedes=uid, known_as=known_as(form))
    _changed(request, None)
    return go(request, address(old.lot), f"Corrected: {tell(body)}.")


def _receipt(bench: Bench, request: Request) -> tuple[int, str, bodies.StockReceived]:
    """The receipt in the address, if it stands."""
    for _, event in history_of(bench, _name(request)):
        if event.uid == request.path_params["event"] and isinstance(event.body, bodies.StockReceived):
            return event.number, event.uid, event.body
    raise HTTPException(404)


@takes()
def take_one_back(request: Request, form: FormData) -> Response:
    """Something that happened to a lot never happened."""
    bench = bench_of(request)
    uid = request.path_params["event"]
    found = next(((job, e) for job, e in history_of(bench, _name(request)) if e.uid == uid), None)
    if found is None:
        raise BadForm("that was taken back or corrected already: load the lot's page again")
    job, event = found
    bench.record(job, bodies.Undone(), supersedes=uid, known_as=known_as(form))
    _changed(request, job)
    there = bench.stock().get(_name(request))
    return go(request, address(there.lot) if there else "/stock", f"Taken back: {tell(event.body)}.")


@takes()
def undo(request: Request, form: FormData) -> Response:
    gone = take_back(bench_of(request), text_of(form, "why"), known_as=known_as(form))
    _changed(request, None)
    return go(request, "/stock", f"Taken back: {'; '.join(tell(event.body) for event in reversed(gone))}.")


@takes()
def wanted(request: Request, form: FormData) -> Response:
    bench = bench_of(request)
    job, number = _job(bench, form)
    parts = [line.strip() for line in text_of(form, "parts").splitlines() if line.strip()]
    if not parts:
        raise BadForm("Parts: say what is needed, one kind on a line, such as 2 x 4116 150 ns")
    wishes = wishes_of(job)
    said = [want(text, wishes) for text in parts]
    bench.record(number, *said, known_as=known_as(form))
    _changed(request, number)
    return go(request, "/stock/shopping", f"Job {number}: {'; '.join(map(tell, said))}.")


# -- printing ---------------------------------------------------------------------------------------------


@shows
def sheets(request: Request) -> Response:
    from ...sheets.label import label_stocks
    from ...sheets.of_stock import LABEL_MM

    asked = request.query_params
    lots = lots_like(bench_of(request).stock())
    return page(
        request,
        "stock/sheets.html",
        stocks=label_stocks(),
        size=LABEL_MM,
        lot=asked.get("lot", ""),
        lots=lots,
    )


@shows
def sheet(request: Request) -> Response:
    from ...sheets import make_pdf
    from ...sheets.of_stock import KINDS, LABEL_MM, LabelPlace, sheet_of_stock
    from ...sheets.press import PAPERS

    kind, asked = request.path_params["kind"], request.query_params
    if kind not in KINDS:
        raise HTTPException(404)
    paper = asked.get("paper", "a4")
    place = LabelPlace(
        asked.get("labels") or None, int(_number(asked.get("first", ""), 1, "First free place")),
        _number(asked.get("width", ""), LABEL_MM[0], "Width"),
        _number(asked.get("height", ""), LABEL_MM[1], "Height"),
    )  # fmt: skip
    jobs = [int(text) for text in asked.getlist("job") if re.fullmatch(r"[0-9]{1,9}", text)]
    lots = [lot for lot in asked.getlist("lot") if lot]
    printed = sheet_of_stock(
        bench_of(request), kind, jobs, lots, place, paper if paper in PAPERS else "a4", asked.get("name", "")
    )
    return Response(
        make_pdf(printed, paper),
        media_type="application/pdf",
        headers={"Content-Disposition": f'attachment; filename="stock-{kind}.pdf"'},
    )


def _number(text: str, usual: float, label: str) -> float:
    if not text.strip():
        return usual
    try:
        found = float(text.replace(",", "."))
    except ValueError:
        found = -1.0
    if not 0 < found < 10_000:
        raise BadForm(f"{label}: expected a number above 0, not {text[:20]!r}")
    return found


routes = [
    Route("/stock", listed),
    Route("/stock/add", adding),
    Route("/stock/add", add, methods=["POST"]),
    Route("/stock/donor", add_from_donor, methods=["POST"]),
    Route("/stock/undo", undo, methods=["POST"]),
    Route("/stock/shopping", shopping),
    Route("/stock/shopping", wanted, methods=["POST"]),
    Route("/stock/sheets", sheets),
    Route("/stock/sheets/{kind}.pdf", sheet),
    Route("/stock/receipts/{event}/{lot:path}", correcting),
    Route("/stock/receipts/{event}/{lot:path}", correct, methods=["POST"]),
    Route("/stock/deeds/{event}/take-back/{lot:path}", take_one_back, methods=["POST"]),
    Route("/stock/count/{lot:path}", count, methods=["POST"]),
    Route("/stock/move/{lot:path}", move, methods=["POST"]),
    Route("/stock/set-aside/{lot:path}", set_aside, methods=["POST"]),
    Route("/stock/use/{lot:path}", use, methods=["POST"]),
    Route("/stock/lots/{lot:path}", one),
    Route("/stock/{lot:path}", shorter_address),
]
