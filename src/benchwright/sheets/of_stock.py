"""Which sheet of the stock is meant, and where labels go."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING

from .errors import BadSheet
from .from_stock import job_label, lot_label, shopping_list, stock_list
from .label import BoxLabel, LabelSheet, SingleLabel, label_stock

if TYPE_CHECKING:
    from ..jobs import Bench
    from .press import Sheet

KINDS = ("shopping", "list", "labels")
LABEL_MM = (62.0, 29.0)
_USUAL_STOCK = {"a4": "a4-21", "letter": "letter-30"}


@dataclass(frozen=True)
class LabelPlace:
    """Where labels go: on a sheet of labels, or each on a page of its own.

    Attributes
    ----------
    stock : str or None
        Name of a sheet of labels.
    first : int
        First free place on it.
    width, height : float
        Of one alone, in millimetres.
    """

    stock: str | None = None
    first: int = 1
    width: float = LABEL_MM[0]
    height: float = LABEL_MM[1]


def labels_on(labels: Sequence[BoxLabel], place: LabelPlace, on: date, paper: str = "a4") -> Sheet:
    """Labels where they are wanted; several without a sheet of labels go on the usual one of the paper.

    Raises
    ------
    BadSheet
    """
    if place.stock is None and len(labels) == 1:
        return SingleLabel(on, labels[0], place.width, place.height)
    stock = place.stock or _USUAL_STOCK[paper]
    return LabelSheet(on, tuple(labels), label_stock(stock), place.first)


def sheet_of_stock(
    bench: Bench, kind: str, jobs: Sequence[int] = (), lots: Sequence[str] = (),
    place: LabelPlace | None = None, paper: str = "a4", name: str = "",
) -> Sheet:  # fmt: skip
    """A list of the stock, or labels for it.

    Parameters
    ----------
    bench : Bench
    kind : str
        One of `KINDS`.
    jobs : sequence of int
        Shopping: only what these wait for. Labels: for their boxes.
    lots : sequence of str
        Labels: of these lots; without jobs and lots, of every lot on hand.
    place : LabelPlace, optional
    paper : str
    name : str
        Whose bench it is.

    Raises
    ------
    BadSheet
        There is no such lot, or the labels do not fit.
    """
    have = bench.stock()
    for lot in lots:
        if lot not in have:
            near = ", ".join(sorted(have)[:8]) or "none yet"
            raise BadSheet(f"there is no lot {lot!r} in stock (there are: {near})")
    on = latest_day(bench)
    if kind == "shopping":
        return shopping_list(on, bench.shopping(), have, bench.numbers(), name, jobs)
    if kind == "list":
        return stock_list(on, have.values(), name)
    wanted = lots or (() if jobs else tuple(lot for lot in sorted(have) if have[lot].on_hand > 0))
    labels = [job_label(bench.job(job), job) for job in jobs]
    labels += [lot_label(have[lot]) for lot in wanted]
    return labels_on(labels, place or LabelPlace(), on, paper)


def latest_day(bench: Bench) -> date:
    """The day on which anything was recorded last; today on an empty bench."""
    moments = [event.recorded for event in bench.events(None)]
    moments += [datetime.fromisoformat(job.updated.replace("Z", "+00:00")) for job in bench.jobs()]
    return max(moments, default=datetime.now(UTC)).date()
