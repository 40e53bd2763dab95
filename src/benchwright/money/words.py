"""A bid's reasons, in a restorer's words."""

from __future__ import annotations

from .bid import Bid, GroupShare
from .simulate import NOT_BEGUN, NOT_FOUND, SOLD

ENDS = (
    "mended and sold",
    "broken for parts at once, as no search for the fault pays",
    "broken for parts, the fault not found in the time that pays",
    "broken for parts, as mending the fault costs more than it brings",
    "broken for parts, the remedy having failed",
)
"""The ways a repair ends, in the order of `simulate.SOLD` ..."""

_SMALL = 0.005


def span(minutes: float) -> str:
    """``40 minutes``, ``3 h 10 min``; to five minutes from an hour on."""
    if minutes < 59.5:
        return f"{minutes:.0f} minutes"
    whole = 5 * round(minutes / 5)
    return f"{whole // 60} h {whole % 60:02} min" if whole % 60 else f"{whole // 60} h"


def percent(chance: float) -> str:
    """A chance in whole percent; the smallest ones not as nought."""
    if 0.0 < chance < _SMALL:
        return "below 1 %"
    return f"{100 * chance:.0f} %"


def by_cost(bid: Bid, limit: int = 5) -> list[GroupShare]:
    """The kinds of fault that carry most of the cost."""
    return [one for one in bid.groups if one.share >= 0.01][:limit]


def reasons(bid: Bid) -> tuple[str, ...]:
    """Why the bid is what it is.

    Returns
    -------
    tuple of str
        Sentences, the weightiest first.
    """
    told = []
    if bid.ends[NOT_BEGUN] > 0.5:
        told.append("At these prices no search for the fault pays: the machine is worth its parts.")
    else:
        told.append(
            f"Of a hundred such machines {100 * bid.ends[SOLD]:.0f} end mended and sold, after "
            f"{bid.hours.middle:.1f} hours in half of all cases (one in ten takes more than "
            f"{bid.hours.high:.1f})."
        )
        often = f" That happens to {100 * bid.ends[NOT_FOUND]:.0f} of a hundred."
        told.append(
            f"Give up the search after {span(bid.limit)}: beyond that it costs more than it can still bring."
            + (often if bid.ends[NOT_FOUND] >= _SMALL else "")
        )
    leading = by_cost(bid, 3)
    if leading:
        shares = ", ".join(f"{one.name} ({percent(one.share)})" for one in leading)
        told.append(f"Most of the repair cost goes on {shares}.")
        dear = max(bid.groups, key=lambda one: one.cost)
        if dear.cost > 1.5 * max(bid.cost.mean, 1e-9) and dear.chance >= _SMALL:
            told.append(
                f"Dearest when met: {dear.name}, {dear.cost:.2f} {bid.currency} each time "
                f"({percent(dear.chance)} of the machines)."
            )
    if bid.more_faults >= _SMALL:
        told.append(f"In {percent(bid.more_faults)} a further fault comes to light behind the first.")
    if bid.most_limit <= 0.0 < bid.limit:
        told.append(
            f"With a chance of loss of {percent(bid.chance_of_loss)} no more can be paid than what the parts "
            "bring: that price is for breaking it at once."
        )
    elif bid.most_limit < 0.95 * bid.limit:
        told.append(
            f"To keep to a chance of loss of {percent(bid.chance_of_loss)}, give up the search after "
            f"{span(bid.most_limit)} already."
        )
    if bid.even.value <= 0:
        told.append("Even as a gift it leaves nothing on average.")
    return tuple(told)
