"""A job's money on the screen and as JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from .columns import table
from .moments import hours

if TYPE_CHECKING:
    from ..jobs import JobState
    from ..jobs.outlook import Outlook
    from ..money import Amount, Statement


def statement_json(statement: Statement) -> dict[str, Any]:
    """A statement; amounts and hours are strings."""
    return {
        "currency": statement.currency,
        "costs": {kind: _value(amount) for kind, amount in statement.costs.items()},
        "income": {kind: _value(amount) for kind, amount in statement.income.items()},
        "cost_to_date": _value(statement.cost_to_date),
        "income_to_date": _value(statement.income_to_date),
        "tax_back": _value(statement.tax_back),
        "tax_due": _value(statement.tax_due),
        "hours": f"{statement.hours:.2f}",
        "hours_valued": _value(statement.hours_valued),
        "profit": _value(statement.profit),
        "profit_with_hours": _value(statement.profit_with_hours),
        "sold": statement.sold,
    }


def expectation_json(outlook: Outlook | None) -> dict[str, Any] | None:
    """What a sale may leave: chances as they were said, averages as if it sells."""
    if outlook is None:
        return None
    expected = outlook.expected
    return {
        "at": [
            {
                "price": _value(one.price),
                "chance": None if one.chance is None else round(float(one.chance * outlook.sells), 6),
                "profit": _value(one.profit), "profit_with_hours": _value(one.profit_with_hours),
            }
            for one in expected.at
        ],
        "chance_not_sold": round(float(1 - outlook.sells), 6),
        "expected_profit": _value(expected.expected.profit),
        "expected_profit_with_hours": _value(expected.expected.profit_with_hours),
        "chance_of_loss": round(expected.chance_of_loss, 6),
        "break_even": None if expected.break_even is None else _value(expected.break_even),
    }  # fmt: skip


def _value(amount: Amount) -> str:
    return f"{amount.value:f}"


def tell_statement(statement: Statement, job: JobState) -> None:
    """Costs, income, hours and profit."""
    lines = [(f"  {kind}", f"{(-amount).value:f}", "") for kind, amount in statement.costs.items() if amount]
    lines += [(f"  {kind}", f"{amount.value:f}", "") for kind, amount in statement.income.items()]
    if statement.tax_back:
        lines.append(("  tax back", f"{statement.tax_back.value:f}", ""))
    if statement.tax_due:
        lines.append(("  tax due", f"-{statement.tax_due.value:f}", ""))
    worth = ""
    if statement.hours:
        worth = f"{hours(job.minutes)} at the bench"
        if statement.hours_valued:
            worth += (
                f", worth {statement.hours_valued.value:f}: {statement.profit_with_hours.value:f} with them"
            )
    lines.append(("  profit to date", f"{statement.profit.value:f}", worth))
    click.echo(table((f"Money, {statement.currency}", "", ""), lines, flex=(2,), right=(1,)))


def tell_expectation(outlook: Outlook | None) -> None:
    """A line for each likely price, and one for what the chances leave."""
    if outlook is None:
        return
    expected = outlook.expected
    click.echo()
    rows = [
        (f"  at {one.price.value:f}",
         "" if one.chance is None else f"{float(one.chance * outlook.sells):.0%}",
         f"{one.profit.value:f}", f"{one.profit_with_hours.value:f}")
        for one in expected.at
    ]  # fmt: skip
    if outlook.sells < 1:
        rows.append(("  not sold", f"{float(1 - outlook.sells):.0%}", "", ""))
    average = "  on average" if outlook.sells == 1 else "  on average, if sold"
    rows.append((average, "", f"{expected.expected.profit.value:f}",
                 f"{expected.expected.profit_with_hours.value:f}"))  # fmt: skip
    click.echo(table(("If it sells", "chance", "profit", "with hours"), rows, right=(1, 2, 3)))
    if expected.break_even is not None:
        click.echo(f"  no loss from {expected.break_even} on")
