"""What a faulty machine is worth: asking, and the answer with its reasons."""

from __future__ import annotations

import tempfile
import uuid
from decimal import Decimal
from pathlib import Path

from starlette.datastructures import FormData, UploadFile
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from ...errors import BadFile
from ...jobs.bidding import Answer, Asked, BadField, told_history, told_terms
from ...money.history_file import History, read_history
from ..bid_picture import risk_picture
from ..bids import Bids, KeptBid, make
from ..machine_form import DEMO_BOARD, BadForm, board_of_form
from ..page import bench_of, go, known_as, page, records_of, shows, takes, text_of
from ..records import NoBench

USUAL = "EUR"
LABELS = {
    "working": "What it sells for mended", "for_parts": "What its parts bring", "fees": "Selling fees",
    "hourly": "An hour at the bench is worth", "postage_in": "Postage to get it here",
    "postage_out": "Postage to send it", "chance_of_loss": "How often a loss may happen",
    "bids": "Bids to judge", "part_prices": "Prices of parts", "currency": "Currency",
    "euro": "What one euro is in that currency",
}  # fmt: skip
"""What the page calls each field of `Asked`."""
_LONGEST_HISTORY = 2_000_000


def bids_of(request: Request) -> Bids:
    """The app's bids."""
    state = request.app.state
    if not hasattr(state, "bids"):
        state.bids = Bids()
    found: Bids = state.bids
    return found


@shows
def form(request: Request) -> Response:
    currency, hourly = _usual(request)
    asked = Asked("", "", hourly=hourly, currency=currency)
    return _form(request, KeptBid("", asked, with_bench=_has_bench(request)))


def _form(request: Request, bid: KeptBid, problem: str = "") -> Response:
    return page(
        request, "bid/form.html", bid=bid, asked=bid.asked, problem=problem, demo_board=DEMO_BOARD,
        bench_there=_has_bench(request), earlier=_earlier(request),
    )  # fmt: skip


def _has_bench(request: Request) -> bool:
    try:
        bench_of(request)
    except NoBench:
        return False
    return True


def _usual(request: Request) -> tuple[str, str]:
    """Currency and hourly rate of the machine that was touched last."""
    if not _has_bench(request):
        return USUAL, "0"
    bench = bench_of(request)
    latest = bench.jobs(limit=1)
    if not latest:
        return USUAL, "0"
    rate = bench.job(latest[0].number).rate_per_hour
    return latest[0].currency, "0" if rate is None else f"{rate:f}"


def _earlier(request: Request) -> list[tuple[str, str]]:
    return [
        (bid.key, f"{bid.answer.made.most}, {bid.answer.board}") for bid in bids_of(request).latest()[:8]
        if bid.answer is not None
    ]  # fmt: skip


@takes(files=4)
def ask(request: Request, form: FormData) -> Response:
    bids = bids_of(request)
    key = known_as(form)[:32] or uuid.uuid4().hex
    bid = bids.get(key)
    if bid is None:
        bid = _asked(request, form, key)
        bids.keep(bid)
    tasks = request.app.state.tasks
    task = tasks.get(bid.task)
    if bid.answer is not None:
        return go(request, f"/bid/{key}")
    if task is None or task.over:
        there = f"/bid/{key}"

        def take(made: Answer) -> str:
            bid.answer = made
            return there

        bid.task = tasks.start("Working out the most to pay", make, bid, back=there, finish=take)
    return go(request, f"/tasks/{bid.task}")


def _asked(request: Request, form: FormData, key: str) -> KeptBid:
    asked = Asked(
        working=text_of(form, "working"), for_parts=text_of(form, "for_parts"),
        symptoms=_lines(form, "symptoms"), fees=_lines(form, "fees"), hourly=text_of(form, "hourly") or "0",
        postage_in=text_of(form, "postage_in") or "0", postage_out=text_of(form, "postage_out") or "0",
        chance_of_loss=text_of(form, "chance_of_loss") or "20%", bids=_lines(form, "bids"),
        part_prices=_lines(form, "part_prices"), currency=text_of(form, "currency"),
        euro=text_of(form, "euro"), seed=_whole(form, "seed", 1, 0, 2**31 - 1, "Seed"),
        draws=_whole(form, "draws", 40_000, 100, 2_000_000, "Make-believe repairs"),
    )  # fmt: skip
    try:
        asked.read()
    except BadField as problem:
        raise BadForm(f"{LABELS[problem.field]}: {problem.said}") from None
    before = bids_of(request).get(text_of(form, "before"))
    bid = KeptBid(key, asked, bench=records_of(request).where)
    bid.with_bench = bool(text_of(form, "with_bench")) and _has_bench(request)
    bid.history_name, bid.history = _history(form)
    if before is not None and bid.history is None and text_of(form, "same_history"):
        bid.history_name, bid.history = before.history_name, before.history
    if (given := board_of_form(form)) is not None:
        bid.board_name, bid.board_text = given
    elif number := text_of(form, "job"):
        bid.board_name, bid.board_text = _board_of_job(request, number)
    elif before is not None and text_of(form, "same_board"):
        bid.board_name, bid.board_text = before.board_name, before.board_text
    return bid


def _board_of_job(request: Request, number: str) -> tuple[str, str]:
    from ...jobs.kept_board import board_of

    if not number.isdecimal() or len(number) > 9:
        raise BadForm(f"Board of job: expected the number of a job, such as 14, not {number[:20]!r}")
    state = bench_of(request).job(int(number))
    board_of(state, int(number))
    return state.board_file or "board", state.board_text


def _history(form: FormData) -> tuple[str, History | None]:
    file = form.get("history")
    if not isinstance(file, UploadFile) or not file.filename:
        return "", None
    name = Path(file.filename.replace("\\", "/")).name[:80]
    file.file.seek(0)
    text = file.file.read(_LONGEST_HISTORY + 1)
    if len(text) > _LONGEST_HISTORY:
        raise BadForm(f"{name}: expected a history of at most {_LONGEST_HISTORY // 1_000_000} MB")
    with tempfile.TemporaryDirectory(prefix="benchwright-history-") as folder:
        path = Path(folder) / "history.toml"
        path.write_bytes(text)
        try:
            return name, read_history(path)
        except BadFile as problem:
            raise BadForm(str(problem).replace(str(path), name)) from None


def _lines(form: FormData, name: str) -> tuple[str, ...]:
    return tuple(line.strip() for line in text_of(form, name).splitlines() if line.strip())


def _whole(form: FormData, name: str, usual: int, least: int, most: int, label: str) -> int:
    text = text_of(form, name).replace(" ", "")
    if not text:
        return usual
    if not text.isdecimal() or len(text) > 12 or not least <= int(text) <= most:
        raise BadForm(f"{label}: expected a whole number from {least} to {most}, not {text[:20]!r}")
    return int(text)


@shows
def shown(request: Request) -> Response:
    from ...money.words import ENDS, by_cost, percent, reasons

    key = request.path_params["key"]
    bid = bids_of(request).get(key)
    if bid is None:
        return page(request, "bid/gone.html", 404)
    if bid.answer is None:
        task = request.app.state.tasks.get(bid.task)
        if task is not None and not task.over:
            return go(request, f"/tasks/{bid.task}")
        return _form(request, bid, "" if task is None else task.problem)
    found = bid.answer
    made = found.made
    ends = [
        (text, float(chance), float(error))
        for text, chance, error in zip(ENDS, made.ends, made.ends_error, strict=True)
        if chance > 0
    ]
    spreads = (
        ("Hours at the bench", "h", 1, made.hours),
        ("Repair, hours and parts", made.currency, 2, made.cost),
        ("Leaves, unpaid", made.currency, 2, made.leaves),
    )
    return page(
        request, "bid/answer.html", bid=bid, asked=bid.asked, found=found, made=made, ends=ends,
        spreads=spreads, picture=risk_picture(made), groups=by_cost(made, 8), reasons=reasons(made),
        share=percent,
        terms=told_terms(found.terms), history=told_history(found.past_jobs, found.proved_faults),
        even_pays=made.even.value > Decimal(0), demo_board=DEMO_BOARD, bench_there=_has_bench(request),
        earlier=[one for one in _earlier(request) if one[0] != key], problem="",
    )  # fmt: skip


routes = [
    Route("/bid", form),
    Route("/bid", ask, methods=["POST"]),
    Route("/bid/{key}", shown),
]
