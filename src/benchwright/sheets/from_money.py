"""From a job's history to its account and its hours: for the job sheet, and for no other."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction

from ..jobs import Event, JobState, bodies
from ..money import Amount, Tax
from .things import Converted, MoneyLine, TimeSpent
from .told import History, times

_NAMES = {
    "purchase": "Bought", "parts": "Parts", "postage": "Postage", "materials": "Materials", "fee": "Fee",
    "other": "Other cost", "sale": "Sold", "other income": "Other income",
}  # fmt: skip


def money_lines(history: History, prices: Mapping[str, bodies.Price]) -> tuple[MoneyLine, ...]:
    """What was paid and what came in, in the order of the events; percentages of a sale at the end."""
    state = history.state
    lines: list[tuple[int, MoneyLine]] = []

    def put(event: Event, what: str, price: bodies.Price, sign: int, times: int = 1) -> None:
        paid = Fraction(price.value * times)
        if price.tax_percent is not None:
            paid, _ = Tax(price.tax_percent, price.tax_included, price.tax_settled).split(paid)
        amount = Amount.rounded(sign * paid, price.currency)
        line = MoneyLine(what, amount, event.at.date(), converted(sign * paid, price, state.currency))
        lines.append((history.place(event), line))

    if state.taken_in is not None and state.taken_in_event is not None:
        if state.taken_in.price is not None:
            put(state.taken_in_event, "Bought", state.taken_in.price, -1)
        if state.taken_in.postage is not None:
            put(state.taken_in_event, "Postage", state.taken_in.postage, -1)
    for event in (*state.costs, *state.incomes):
        body = event.body
        assert isinstance(body, bodies.Cost | bodies.Income)
        name = _NAMES.get(body.kind, body.kind)
        put(event, f"{name}: {body.note}" if body.note else name, body.price,
            -1 if isinstance(body, bodies.Cost) else 1)  # fmt: skip
    for event in state.parts:
        body = event.body
        assert isinstance(body, bodies.PartUsed)
        if (price := prices.get(body.lot)) is not None:
            put(event, f"Parts: {times(body.quantity, history.part(body.lot))}", price, -1, body.quantity)
    told = [line for _, line in sorted(lines, key=lambda pair: pair[0])]
    return (*told, *_fees(state, prices))


def converted(paid: Fraction, price: bodies.Price, currency: str) -> Converted | None:
    """What an amount comes to in the job's currency; None where it is in that, or no rate was given."""
    if price.currency == currency or price.rate is None:
        return None
    return Converted(Amount.rounded(paid * Fraction(price.rate), currency), price.rate)


def _fees(state: JobState, prices: Mapping[str, bodies.Price]) -> list[MoneyLine]:
    """Percentages of the sale: what each adds to the cost."""
    lines = []
    for number, event in enumerate(state.fees):
        body = event.body
        assert isinstance(body, bodies.Fee)
        costs = [
            replace(state, fees=state.fees[:upto]).ledger(dict(prices)).statement().cost_to_date
            for upto in (number, number + 1)
        ]
        what = f"Fee, {body.percent.normalize():f} % of the sale" + (f": {body.note}" if body.note else "")
        if costs[1] != costs[0]:
            lines.append(MoneyLine(what, costs[0] - costs[1], event.at.date()))
    return lines


def sums(state: JobState, prices: Mapping[str, bodies.Price]) -> tuple[tuple[str, Amount], ...]:
    """What the account comes to, in the job's currency."""
    statement = state.ledger(dict(prices)).statement()
    nothing = Amount.zero(statement.currency)
    told = [("Cost to date", -statement.cost_to_date), ("Income to date", statement.income_to_date)]
    if statement.tax_back != nothing:
        told.append(("Tax to come back", statement.tax_back))
    if statement.tax_due != nothing:
        told.append(("Tax to hand on", -statement.tax_due))
    told.append(("Profit to date", statement.profit))
    if statement.hours_valued != nothing:
        told.append(("Hours at the bench's rate", -statement.hours_valued))
        told.append(("Profit less the hours", statement.profit_with_hours))
    return tuple(told)


def time_spent(history: History) -> tuple[TimeSpent, ...]:
    """Whole minutes that add up to the whole minutes of their sum."""
    spent: list[TimeSpent] = []
    total, told = Decimal(0), 0
    for event, minutes in history.state.times:
        total += minutes
        upto = int(total.quantize(Decimal(1), ROUND_HALF_UP))
        body = event.body
        note = body.note if isinstance(body, bodies.Time | bodies.TimerStopped) else ""
        usual = "timer" if isinstance(body, bodies.TimerStopped) else "noted by hand"
        spent.append(TimeSpent(note.strip() or usual, upto - told, event.at.date()))
        told = upto
    return tuple(spent)
