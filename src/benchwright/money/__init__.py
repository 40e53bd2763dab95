"""Money: amounts, one job's ledger, and what a faulty machine is worth."""

from .amount import Amount, parse_amount
from .errors import BadAccount, BadAmount, BadBid
from .ledger import Cost, Expectation, Hours, Income, Ledger, PercentFee, PriceRange, Statement, Tax

__all__ = [
    "Amount",
    "BadAccount",
    "BadAmount",
    "BadBid",
    "Cost",
    "Expectation",
    "Hours",
    "Income",
    "Ledger",
    "PercentFee",
    "PriceRange",
    "Statement",
    "Tax",
    "parse_amount",
]
