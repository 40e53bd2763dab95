"""What can be wrong with amounts, accounts and bids, said in plain words."""

from __future__ import annotations

from ..errors import BenchwrightError


class BadAmount(BenchwrightError, ValueError):
    """Text or a number that cannot be an amount of money, or amounts that cannot be added."""


class BadAccount(BenchwrightError, ValueError):
    """An entry of a ledger, or likely prices, that make no sense."""


class BadBid(BenchwrightError, ValueError):
    """Prices, chances or history from which no bid can be worked out."""
