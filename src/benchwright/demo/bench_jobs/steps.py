"""What can happen in a job of the demo."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Literal, TypeAlias

from ...jobs import bodies


@dataclass(frozen=True)
class Attach:
    """A file is attached; it is drawn or played when it is needed."""

    name: str
    media_type: str
    make: Callable[[], bytes]
    what: Literal["photo", "take", "file"]
    caption: str


@dataclass(frozen=True)
class Correct:
    """A line typed earlier was wrong: the new one takes its place."""

    old: str
    new: str


@dataclass(frozen=True)
class Undo:
    """What was recorded last is taken back."""

    why: str


@dataclass(frozen=True)
class Redo:
    """What was taken back last is brought back."""


@dataclass(frozen=True)
class FromDonor:
    """Parts out of the machine of another job come into stock."""

    machine: str
    lot: str
    kind: str
    quantity: int
    value: str = ""
    where: str = ""


Step: TypeAlias = str | bodies.AnyBody | Attach | Correct | Undo | Redo | FromDonor
"""A line as typed for `benchwright job log`, an event that has a command of its own, or another deed."""


@dataclass(frozen=True)
class Visit:
    """Some time at the bench.

    Attributes
    ----------
    at : str
        When it begins, UTC: ``2024-01-07 19:30``.
    steps : tuple
    minutes : float
        From one step to the next.
    meter : str
        What is measured with, if it is noted.
    """

    at: str
    steps: tuple[Step, ...]
    minutes: float = 3.0
    meter: str = ""


@dataclass(frozen=True)
class Machine:
    """One job of the demo.

    Attributes
    ----------
    key : str
        What other steps call it.
    title : str
    at : str
        When the job is begun, UTC.
    first : tuple of bodies
        What is known at once.
    visits : tuple of Visit
    currency, rate : str
        Of the job's money, and what an hour at the bench is worth.
    board : bool
        The demo's board is kept with it.
    """

    key: str
    title: str
    at: str
    first: tuple[bodies.AnyBody, ...] = ()
    visits: tuple[Visit, ...] = field(default=())
    currency: str = "EUR"
    rate: str = "14"
    board: bool = False


def price(value: str, currency: str = "EUR", rate: str | None = None) -> bodies.Price:
    """An amount; `rate` is what one of its currency is in the job's."""
    return bodies.Price(Decimal(value), currency, None if rate is None else Decimal(rate))
