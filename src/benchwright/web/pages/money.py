"""A job's money: what it cost, what it brought, what a sale may leave; and putting in what was spent."""

from __future__ import annotations

from dataclasses import dataclass

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from ...errors import BenchwrightError
from ...jobs import Event, JobState, bodies
from ...jobs.log import log_lines
from ...jobs.telling import tell
from ..page import bench_of, go, known_as, number_of, shows, takes, text_of
from .job_frame import job_of, job_page

SPENT = ("parts", "postage", "materials", "fee", "other")
"""Kinds of cost that are typed; the purchase stands on the machine's page."""


@dataclass(frozen=True)
class Row:
    """A line of the account."""

    name: str
    amount: str
    note: str = ""


def _rows(job: JobState, statement: object) -> list[Row]:
    from ...money import Statement

    assert isinstance(statement, Statement)
    rows = [Row(kind, f"{(-amount).value:f}") for kind, amount in statement.costs.items() if amount]
    rows += [Row(kind, f"{amount.value:f}") for kind, amount in statement.income.items()]
    if statement.tax_back:
        rows.append(Row("tax back", f"{statement.tax_back.value:f}"))
    if statement.tax_due:
        rows.append(Row("tax due", f"{(-statement.tax_due).value:f}"))
    return rows


def _entries(job: JobState) -> list[tuple[Event, str]]:
    """What was recorded of money and time, the latest first."""
    found = [*job.costs, *job.incomes, *job.fees, *(event for event, _ in job.times)]
    found += [event for event in job.parts if isinstance(event.body, bodies.PartUsed)]
    unique = {event.uid: event for event in found}
    return [(event, tell(event.body)) for event in sorted(unique.values(), key=lambda e: -e.number)]


@shows
def money(request: Request) -> Response:
    from ...jobs.outlook import expectation

    job, bench = job_of(request), bench_of(request)
    ledger = job.ledger(bench.prices(job))
    statement = ledger.statement()
    outlook = expectation(job, ledger)
    return job_page(
        request, "money/money.html", job, rows=_rows(job, statement), statement=statement, spent=SPENT,
        outlook=outlook, sells=1.0 if outlook is None else float(outlook.sells), entries=_entries(job),
    )  # fmt: skip


def _check_amount(text: str, do: str, currency: str) -> None:
    """Refuse an amount with more words than an amount has, which a line would take for a note."""
    from ...jobs.entry_money import price_of

    if do == "time" or text.endswith("%"):
        return
    _, rest = price_of(text, currency, "12.50")
    if rest:
        raise BenchwrightError(
            f"the amount {text!r}: {rest!r} is too much; expected, for example, 12.50, 12.50 {currency}, or "
            f"5 {'GBP' if currency != 'GBP' else 'EUR'} at 1.17"
        )


def _line(form: FormData, currency: str) -> str:
    """The line that says what was filled in."""
    amount, note, what = (text_of(form, name) for name in ("amount", "note", "what"))
    _check_amount(amount, text_of(form, "do"), currency)
    match text_of(form, "do"):
        case "spent" if what in SPENT:
            return f"fee {amount} {note}" if what == "fee" else f"spent {amount} {what}: {note}".rstrip(": ")
        case "sold":
            return f"sold {amount} {note}".strip()
        case "got":
            return f"got {amount} {note}".strip()
        case "likely":
            chance = text_of(form, "chance").rstrip(" %")
            return f"likely {amount} {chance}%" if chance else f"likely {amount}"
        case "time":
            return f"{amount} {note}".strip()
    raise BenchwrightError("what was it: expected money spent, money got, a sale, a likely price, or time")


@takes()
def record(request: Request, form: FormData) -> Response:
    number = number_of(request)
    if not text_of(form, "amount"):
        raise BenchwrightError("how much? Expected, for example, 12.50, 12.50 EUR, or for time 25 min")
    line = _line(form, job_of(request).currency)
    done = log_lines(bench_of(request), number, [line], known_as=known_as(form))
    request.app.state.feed.changed(number)
    return go(request, f"/jobs/{number}/money", f"Recorded: {'; '.join(tell(e.body) for e in done.events)}")


routes = [
    Route("/jobs/{number:int}/money", money),
    Route("/jobs/{number:int}/money", record, methods=["POST"]),
]
