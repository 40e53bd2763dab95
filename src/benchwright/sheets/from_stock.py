"""From the bench's stock to the shopping list, the stock list, and labels for boxes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from decimal import Decimal

from ..jobs import JobState, bodies
from ..jobs.stock import Lot, Shortage, matches
from ..money import Amount
from .label import BoxLabel
from .lists import InStock, ShoppingList, StockList, Wanted


def shopping_list(
    on: date,
    shortages: Iterable[Shortage],
    lots: Mapping[str, Lot],
    numbers: Mapping[str, int],
    bench: str = "",
    jobs: Sequence[int] = (),
) -> ShoppingList:
    """What is wanting.

    Parameters
    ----------
    on : date
    shortages : iterable of Shortage
        `Bench.shopping`.
    lots : mapping
        `Bench.stock`; the last lot of the same kind says where it was bought before, and for how much.
    numbers : mapping
        `Bench.numbers`: of jobs by their identity.
    bench : str
    jobs : sequence of int
        Only what these jobs wait for; everything if empty. The pieces are those of all jobs.
    """
    lines = []
    for short in shortages:
        waiting = sorted(numbers[uid] for uid in short.jobs if uid in numbers)
        if jobs and not set(jobs) & set(waiting):
            continue
        same = [
            lot for lot in lots.values() if _named(lot.kind, lot.value) == _named(short.kind, short.value)
        ]
        instead = [
            f"{_words(lot)} (lot {lot.lot}, {lot.on_hand} on hand)" for lot in lots.values()
            if lot.kind.casefold() != short.kind.casefold() and matches(lot, short.kind) and lot.on_hand > 0
        ]  # fmt: skip
        bought = [lot for lot in same if lot.source]
        priced = [lot for lot in same if lot.price is not None]
        lines.append(
            Wanted(
                f"{short.kind} {short.value}".strip(), short.quantity, tuple(map(str, waiting)),
                bought[-1].source if bought else "", _amount(priced[-1].price) if priced else None,
                tuple(dict.fromkeys(instead)),
            )
        )  # fmt: skip
    return ShoppingList(on, tuple(lines), bench)


def stock_list(on: date, lots: Iterable[Lot], bench: str = "") -> StockList:
    """What is on hand, by kind, value and lot; lots that are used up are left out."""
    kept = sorted(
        (lot for lot in lots if lot.on_hand > 0), key=lambda lot: (*_named(lot.kind, lot.value), lot.lot)
    )
    return StockList(
        on,
        tuple(
            InStock(
                f"{lot.kind} (lot {lot.lot})", lot.on_hand, lot.value, lot.condition, lot.where, lot.source,
                min(lot.on_hand, sum(lot.reserved.values())), _amount(lot.price),
            )
            for lot in kept
        ),
        bench,
    )  # fmt: skip


def job_label(state: JobState, number: int) -> BoxLabel:
    """A label for the machine's box: job, machine, revision, serial number, day of take-in."""
    taken = state.taken_in_event.at if state.taken_in_event is not None else state.opened
    revision = f", {state.board_revision}" if state.board_revision else ""
    lines = [state.title + revision]
    if state.serial:
        lines.append(f"No. {state.serial}")
    if taken is not None:
        lines.append(f"taken in {taken:%Y-%m-%d}")
    return BoxLabel(f"Job {number}", tuple(lines), f"BENCH/JOB/{number}")


def lot_label(lot: Lot) -> BoxLabel:
    """A label for a drawer or a bag of parts."""
    lines = (_words(lot), lot.condition, lot.where)
    return BoxLabel(lot.lot, tuple(line for line in lines if line.strip()), f"BENCH/LOT/{lot.lot}")


def _words(lot: Lot) -> str:
    return f"{lot.kind} {lot.value}".strip()


def _named(kind: str, value: str) -> tuple[str, str]:
    return kind.casefold(), value.casefold()


def _amount(price: bodies.Price | None) -> Amount | None:
    """What changed hands for one, in whole smallest coins."""
    if price is None:
        return None
    paid = price.value
    if price.tax_percent is not None and not price.tax_included:
        paid *= 1 + price.tax_percent / Decimal(100)
    return Amount.rounded(paid, price.currency)
