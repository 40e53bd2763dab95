"""What a sale of a job's machine may leave."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from ..money import Amount, Expectation, Ledger
from .state import JobState


@dataclass(frozen=True)
class Outlook:
    """What a sale may leave, and the chance that there is one.

    Attributes
    ----------
    expected : Expectation
        As if it sells: its chances come to one.
    sells : Fraction
        From 0 to 1: what the chances that were said come to.
    """

    expected: Expectation
    sells: Fraction


def expectation(job: JobState, ledger: Ledger) -> Outlook | None:
    """What the likely prices promise; those without a chance share what the others leave.

    Where every price has a chance and they come to less than 100 percent, the rest is that of no sale.
    """
    if not job.likely_prices or ledger.statement().sold:
        return None
    said = [chance for chance in job.likely_prices.values() if chance is not None]
    rest = max(Decimal(0), 100 - sum(said, Decimal(0)))
    unsaid = len(job.likely_prices) - len(said)
    pairs = [
        (Amount(price, job.currency), chance if chance is not None else rest / unsaid)
        for price, chance in job.likely_prices.items()
    ]
    whole = sum((chance for _, chance in pairs), Decimal(0))
    sells = min(Fraction(1), Fraction(whole) / 100) if not unsaid else Fraction(1)
    return Outlook(ledger.expect(pairs), sells) if whole else None
