"""Two plain lists: what to buy, and what is in the drawers."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

from ..money import Amount
from .checks import counted, said
from .job import added_up


@dataclass(frozen=True, slots=True)
class Wanted:
    """One line of the shopping list.

    Attributes
    ----------
    what : str
    how_many : int
    jobs : tuple of str
        Numbers of the jobs that wait for it.
    bought_before : str
        Where it was bought before.
    price : Amount, optional
        Of one piece.
    instead : tuple of str
        What may replace it.
    note : str
    """

    what: str
    how_many: int
    jobs: tuple[str, ...] = ()
    bought_before: str = ""
    price: Amount | None = None
    instead: tuple[str, ...] = ()
    note: str = ""

    def __post_init__(self) -> None:
        said(self.what, "a line of the shopping list")
        counted(self.how_many, self.what, 1)

    @property
    def together(self) -> Amount | None:
        """Price of all pieces."""
        return _times(self.price, self.how_many)


@dataclass(frozen=True, slots=True)
class ShoppingList:
    """What is wanting, in the order given."""

    on: date
    lines: tuple[Wanted, ...] = ()
    bench: str = ""

    template = "shopping"
    title = "Shopping list"

    @property
    def total(self) -> tuple[Amount, ...]:
        """Sum of the lines whose price is known, one amount for each currency."""
        return added_up(line.together for line in self.lines if line.together is not None)

    def shown(self) -> dict[str, Any]:
        """What the template needs beyond the fields."""
        return {
            "lines": [
                {
                    "what": line.what, "how_many": line.how_many, "jobs": ", ".join(line.jobs),
                    "bought_before": line.bought_before, "price": line.price, "together": line.together,
                    "instead": ", ".join(line.instead), "note": line.note,
                }
                for line in self.lines
            ],
            "total": self.total,
            "without_price": sum(line.price is None for line in self.lines),
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class InStock:
    """One line of the stock list; `reserved` of `how_many` pieces wait for jobs. `price` is of one piece."""

    what: str
    how_many: int
    value: str = ""
    condition: str = ""
    where: str = ""
    source: str = ""
    reserved: int = 0
    price: Amount | None = None

    def __post_init__(self) -> None:
        said(self.what, "a line of the stock list")
        counted(self.how_many, self.what)
        counted(self.reserved, f"{self.what}, reserved")


@dataclass(frozen=True, slots=True)
class StockList:
    """What is on hand, in the order given."""

    on: date
    lines: tuple[InStock, ...] = ()
    bench: str = ""

    template = "stock"
    title = "Stock list"

    @property
    def worth(self) -> tuple[Amount, ...]:
        """What the pieces with a known price cost, one amount for each currency."""
        costs = (_times(line.price, line.how_many) for line in self.lines)
        return added_up(cost for cost in costs if cost is not None)

    def shown(self) -> dict[str, Any]:
        """What the template needs beyond the fields."""
        return {
            "worth": self.worth,
            "pieces": sum(line.how_many for line in self.lines),
            "without_price": sum(line.price is None for line in self.lines),
        }


def _times(price: Amount | None, pieces: int) -> Amount | None:
    return None if price is None else price * pieces
