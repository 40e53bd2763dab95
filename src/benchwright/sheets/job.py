"""The job sheet: everything about one job, to lie beside the machine."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from ..money import Amount
from .checks import job_number
from .condition import events_of
from .photo import Photo, few_enough
from .things import (
    RESULTS,
    Acceptance,
    Action,
    Attached,
    Converted,
    Evidence,
    Look,
    Machine,
    MoneyLine,
    OpenPoint,
    Outcome,
    PartUsed,
    Reading,
    Suspect,
    TimeSpent,
)

LEAST_CHANCE = 0.01
"""Of a suspect that has a line of its own."""


@dataclass(frozen=True, slots=True)
class JobSheet:
    """One job from take-in to hand-over, as it stands on the day `on`.

    Attributes
    ----------
    job : str
        Number of the job.
    on : date
        Date of the sheet; printed, and the PDF's own date.
    machine : Machine
    stage : str
        Where the job stands: ``waiting for parts``.
    source, price, taken_in
        Whom it came from, what it cost, when.
    price_converted : Converted, optional
        What the price comes to in the job's currency.
    declared : str
        Its condition in the seller's words.
    came_with : tuple of str
    symptoms : tuple of str
    acceptance, open_points, readings, looks, actions, noted, files, parts, time, money, suspects, photos
        What the history holds; printed in the order given.
    sums : tuple of (str, Amount)
        What the account comes to; if empty, the lines are added up.
    others : float, optional
        Probability of all suspects together that are not among `suspects`.
    suspects_at : datetime, optional
        For which moment the suspects were worked out.
    outcome : Outcome, optional
    bench : str
        Whose sheet it is.
    times : str
        Zone of all times; nothing is printed about it if empty.
    """

    job: str
    on: date
    machine: Machine
    stage: str = ""
    source: str = ""
    price: Amount | None = None
    price_converted: Converted | None = None
    taken_in: date | None = None
    declared: str = ""
    came_with: tuple[str, ...] = ()
    symptoms: tuple[str, ...] = ()
    acceptance: tuple[Acceptance, ...] = ()
    open_points: tuple[OpenPoint, ...] = ()
    readings: tuple[Reading, ...] = ()
    looks: tuple[Look, ...] = ()
    actions: tuple[Action, ...] = ()
    noted: tuple[Evidence, ...] = ()
    files: tuple[Attached, ...] = ()
    parts: tuple[PartUsed, ...] = ()
    time: tuple[TimeSpent, ...] = ()
    money: tuple[MoneyLine, ...] = ()
    sums: tuple[tuple[str, Amount], ...] = ()
    suspects: tuple[Suspect, ...] = ()
    others: float | None = None
    suspects_at: datetime | None = None
    photos: tuple[Photo, ...] = ()
    outcome: Outcome | None = None
    bench: str = ""
    times: str = ""

    template = "job"
    title = "Job sheet"

    def __post_init__(self) -> None:
        job_number(self.job)
        few_enough(self.photos)

    @property
    def minutes(self) -> int:
        """All time spent."""
        return sum(spent.minutes for spent in self.time)

    @property
    def balance(self) -> tuple[Amount, ...]:
        """The sum of the account, one amount for each currency."""
        return added_up(line.amount for line in self.money)

    def shown(self) -> dict[str, Any]:
        """What the template needs beyond the fields."""
        return {
            "minutes": spoken(self.minutes),
            "time": [
                {"what": spent.what, "when": spent.when, "minutes": spoken(spent.minutes)}
                for spent in self.time
            ],
            "balance": self.sums or [("Total", amount) for amount in self.balance],
            "acceptance": [
                {
                    "what": line.what, "result": line.result, "words": RESULTS[line.result],
                    "found": line.found, "events": events_of(line.evidence), "earlier": line.earlier,
                }
                for line in self.acceptance
            ],
            "open_points": [
                {"text": point.text, "events": events_of(point.evidence)} for point in self.open_points
            ],
            "suspects": self._suspects(),
        }  # fmt: skip

    def _suspects(self) -> list[dict[str, Any]]:
        """Those that are worth a line, and what all others come to."""
        leading = [one for one in self.suspects if one.probability >= LEAST_CHANCE]
        small = [one.probability for one in self.suspects if one.probability < LEAST_CHANCE]
        rows = [
            {"text": one.text, "chance": percent(one.probability), "events": sorted(set(one.events))}
            for one in leading
        ]
        rest = sum(small) + (self.others or 0.0)
        if rest:
            what = "All others together" if leading else "No place stands out: all together"
            rows.append({"text": what, "chance": percent(min(1.0, rest)), "events": []})
        return rows


def added_up(amounts: Iterable[Amount]) -> tuple[Amount, ...]:
    """Sum amounts of money, one for each currency, currencies by name."""
    sums: dict[str, Amount] = {}
    for amount in amounts:
        sums[amount.currency] = sums.get(amount.currency, Amount.zero(amount.currency)) + amount
    return tuple(sums[code] for code in sorted(sums))


def spoken(minutes: int) -> str:
    """Minutes as people say them: 1 h 25 min."""
    hours, rest = divmod(minutes, 60)
    if not hours:
        return f"{rest} min"
    return f"{hours} h {rest} min" if rest else f"{hours} h"


def percent(probability: float) -> str:
    """A probability in percent; small ones and near certainties are not rounded away."""
    if 0.0 < probability < 0.01:
        return "under 1 %"
    if 0.99 < probability < 1.0:
        return "over 99 %"
    return f"{probability * 100:.0f} %"
