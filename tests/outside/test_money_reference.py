"""Money against figures from outside.

Minor digits: ISO 4217, list one of its maintenance agency, as the package iso4217 1.16.20260101 carries it
(the codes below were picked by hand; that these currencies have so many digits is also common knowledge).
Rounding: Council Regulation (EC) No 1103/97, article 5, "if the application of the conversion rate gives a
result which is exactly half-way, the sum shall be rounded up" (wording from memory), and the irrevocable
rates of Council Regulation (EC) No 2866/98 (from memory): 1 EUR = 1.95583 DEM = 6.55957 FRF.
"""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest

from benchwright.money import Amount
from benchwright.money.currency import currency


@pytest.mark.parametrize(
    ("code", "digits"),
    [("EUR", 2), ("GBP", 2), ("USD", 2), ("CHF", 2), ("JPY", 0), ("KRW", 0), ("ISK", 0), ("KWD", 3),
     ("TND", 3), ("HUF", 2), ("CLF", 4)],
)  # fmt: skip
def test_each_currency_has_the_minor_digits_of_the_standard(code: str, digits: int) -> None:
    """As many decimals as ISO 4217 lists."""
    assert currency(code).digits == digits


@pytest.mark.parametrize(
    ("amount", "rate", "euro"),
    [("100", "1.95583", "51.13"), ("1", "1.95583", "0.51"), ("100", "6.55957", "15.24")],
)
def test_conversion_at_the_fixed_rates_rounds_to_the_nearest_cent(amount: str, rate: str, euro: str) -> None:
    """100 marks are 51.13 euro and 100 francs 15.24, as every price tag of 2001 said."""
    assert Amount.rounded(Fraction(amount) / Fraction(rate), "EUR") == Amount(Decimal(euro), "EUR")


def test_exactly_half_a_cent_goes_up() -> None:
    """Article 5: half-way is rounded up."""
    assert Amount.rounded(Decimal("2.345"), "EUR") == Amount(Decimal("2.35"), "EUR")
    assert Amount.rounded(Decimal("2.365"), "EUR") == Amount(Decimal("2.37"), "EUR")
