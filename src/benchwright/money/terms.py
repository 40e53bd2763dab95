"""The prices that a bid is worked out from."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

import numpy as np
from numpy.typing import NDArray

from .amount import Amount, parse_percent
from .errors import BadAccount, BadAmount, BadBid
from .ledger import PriceRange
from .stop_rule import Ends
from .troubles import Bench

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Terms:
    """What a machine brings, and what the bench and the sale cost; all in one currency.

    Parameters
    ----------
    working : Amount or PriceRange
        What a buyer pays for the machine mended.
    parts : Amount
        What its parts bring if it is broken.
    fee_percent : Decimal
        Of either price.
    fee_fixed : Amount, optional
        For each sale.
    hourly : Amount, optional
        What an hour at the bench is worth; nothing if left out.
    postage_in, postage_out : Amount, optional
        To get the faulty machine here, and to send the mended one if the buyer does not pay that.

    Raises
    ------
    BadBid
        An amount in another currency, or below zero.
    """

    working: Amount | PriceRange
    parts: Amount
    fee_percent: Decimal = Decimal(0)
    fee_fixed: Amount | None = None
    hourly: Amount | None = None
    postage_in: Amount | None = None
    postage_out: Amount | None = None

    def __post_init__(self) -> None:
        try:
            object.__setattr__(self, "fee_percent", parse_percent(self.fee_percent, "fee"))
            if not isinstance(self.working, PriceRange):
                object.__setattr__(self, "working", PriceRange(self.working, self.working))
        except (BadAccount, BadAmount) as problem:
            raise BadBid(
                f"working price: {problem}" if isinstance(problem, BadAccount) else str(problem)
            ) from None
        for name in ("parts", "fee_fixed", "hourly", "postage_in", "postage_out"):
            amount = getattr(self, name)
            if amount is not None and (amount.currency != self.currency or amount.value < 0):
                raise BadBid(f"{name.replace('_', ' ')} {amount}: expected 0 or more in {self.currency}")

    @property
    def range(self) -> PriceRange:
        """The working price as a range, which may be a single price."""
        assert isinstance(self.working, PriceRange)
        return self.working

    @property
    def currency(self) -> str:
        return self.range.low.currency

    @property
    def minute(self) -> float:
        """What a minute at the bench costs."""
        return _float(self.hourly) / 60.0

    @property
    def before(self) -> float:
        """What is spent on getting the machine besides the bid."""
        return _float(self.postage_in)

    def _net(self, price: Floats | float) -> Floats | float:
        return price * (1.0 - float(self.fee_percent) / 100.0) - _float(self.fee_fixed)

    def sold(self, luck: Floats, bench: Bench) -> Floats:
        """What a mended machine leaves, for draws of chance from 0 to 1."""
        return np.asarray(
            self._net(self.prices(luck)) - _float(self.postage_out) - bench.finish_minutes * self.minute
        )

    def prices(self, luck: Floats) -> Floats:
        """Working prices, for draws of chance from 0 to 1."""
        low, high = float(self.range.low.value), float(self.range.high.value)
        if self.range.likely is None or high == low:
            return low + luck * (high - low)
        top = float(self.range.likely.value)
        share = (top - low) / (high - low)
        rising = low + np.sqrt(luck * (high - low) * (top - low))
        falling = high - np.sqrt((1.0 - luck) * (high - low) * (high - top))
        return np.asarray(np.where(luck < share, rising, falling))

    def ends(self, bench: Bench) -> Ends:
        """What the ways out are worth on average."""
        sold = self._net(float(self.range.mean)) - _float(self.postage_out)
        broken = self._net(_float(self.parts)) - bench.strip_minutes * self.minute
        return Ends(float(sold) - bench.finish_minutes * self.minute, max(float(broken), 0.0), self.minute)


def _float(amount: Amount | None) -> float:
    return 0.0 if amount is None else float(amount.value)
