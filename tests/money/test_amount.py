"""Amounts: what people write, what is refused, and that no coin is lost in rounding."""

from __future__ import annotations

import math
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright.money import Amount, BadAmount, parse_amount
from benchwright.money.amount import parse_percent, shown_parts
from benchwright.money.currency import currencies

CODES = ("EUR", "JPY", "KWD", "CLF")
WAYS = ("{} {}", "{1}{0}", "{1} {0}")


def euro(text: str) -> Amount:
    return Amount(Decimal(text), "EUR")


@pytest.mark.parametrize(
    ("text", "value", "code"),
    [
        ("12.50", "12.50", "EUR"), ("£12.50", "12.50", "GBP"), ("12,50 EUR", "12.50", "EUR"),
        ("EUR 1.234,56", "1234.56", "EUR"), ("1 234.50", "1234.50", "EUR"), ("12,-", "12", "EUR"),
        ("1,234.5", "1234.50", "EUR"), ("\u20ac\u202f1\u202f234,50", "1234.50", "EUR"), (".5", "0.50", "EUR"),
        ("-€5", "-5", "EUR"), ("\u22125 eur", "-5", "EUR"), ("1\u2019234.50 CHF", "1234.50", "CHF"),
        ("12,500 JPY", "12500", "JPY"), ("1.250 KWD", "1.250", "KWD"), ("SFr. 12.50", "12.50", "CHF"),
        ("12.5000", "12.50", "EUR"),
    ],
)  # fmt: skip
def test_amounts_are_read_as_people_write_them(text: str, value: str, code: str) -> None:
    """Point or comma, code or symbol, before or behind, marks between thousands."""
    assert parse_amount(text, "EUR") == Amount(Decimal(value), code)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "12.50"), ("abc", "12.50"), ("12.50.1", "12.50"), ("1e5", "12.50"), ("NaN", "12.50"),
        ("12.5 XYZ", "ISO 4217"), ("12.5 EURO", "EUR"), ("0.005", "2 decimals"), ("0.5 JPY", "no decimals"),
        ("1.234", "write 1234"), ("12,345", "write 12345"), ("$5", "write the code"), ("1,2,3", "12.50"),
        ("5 XAU", "ISO 4217"), ("$ 5 USD", "12.50"), ("9" * 40, "too large"), ("1,23,456.00", "12.50"),
    ],
)  # fmt: skip
def test_what_is_no_amount_is_refused_and_says_what_was_expected(text: str, says: str) -> None:
    """Nothing is guessed that could be wrong by a factor: neither thousands nor currencies."""
    with pytest.raises(BadAmount, match=says):
        parse_amount(text, "EUR")


def test_a_shared_symbol_means_the_currency_in_use() -> None:
    """A dollar is the job's dollar; without a job's currency a bare number is no amount."""
    assert parse_amount("$5", "AUD") == Amount(Decimal(5), "AUD")
    assert parse_amount("kr 5", "NOK") == Amount(Decimal(5), "NOK")
    with pytest.raises(BadAmount, match="no currency"):
        parse_amount("5")


@given(st.text(max_size=30))
def test_any_text_is_an_amount_or_a_plain_error(text: str) -> None:
    """No text ends in a traceback."""
    try:
        found = parse_amount(text, "EUR")
    except BadAmount:
        return
    assert found.value.is_finite()


@given(st.sampled_from(CODES), st.integers(-(10**12), 10**12), st.sampled_from(WAYS))
def test_an_amount_is_read_back_as_it_was_told(code: str, units: int, way: str) -> None:
    """Telling and reading keep every digit, in currencies of none, two, three and four decimals."""
    digits = currencies()[code].digits
    amount = Amount(Decimal(units).scaleb(-digits), code)
    assert parse_amount(str(amount)) == amount
    # A bare three decimals could be thousands; beside a code they are told with all digits.
    assert parse_amount(way.format(f"{amount.value:f}", code)) == amount


@given(st.sampled_from(CODES), st.fractions(-(10**9), 10**9))
def test_rounding_is_to_the_nearest_and_half_away_from_zero(code: str, value: Fraction) -> None:
    """Never more than half of the smallest amount off; mirrored for what is owed; down and up enclose it."""
    unit = Fraction(1, 10 ** currencies()[code].digits)
    near = Amount.rounded(value, code)
    assert abs(near.exact - value) <= unit / 2
    assert Amount.rounded(-value, code) == -near
    low, high = Amount.rounded_down(value, code), Amount.rounded_up(value, code)
    assert low.exact <= value <= high.exact
    assert high.exact - low.exact == (0 if (value / unit).denominator == 1 else unit)
    half = Amount.rounded(low.exact + unit / 2, code)
    assert half.exact == (low.exact + unit if low.exact >= 0 else low.exact)


@given(st.lists(st.fractions(-1000, 1000), min_size=1, max_size=8), st.sampled_from(CODES))
def test_shown_parts_add_up_to_the_shown_sum(parts: list[Fraction], code: str) -> None:
    """Each part is within one smallest amount of itself, whole ones are untouched, and the sum is right."""
    unit = Fraction(1, 10 ** currencies()[code].digits)
    shown = shown_parts(parts, code)
    assert sum(one.exact for one in shown) == Amount.rounded(sum(parts), code).exact
    for part, told in zip(parts, shown, strict=True):
        assert abs(told.exact - part) < unit
        if (part / unit).denominator == 1:
            assert told.exact == part


def test_floats_and_mixed_currencies_are_refused() -> None:
    """A float cannot hold a cent, and euro are not added to pounds."""
    for wrong in (0.1, math.nan, True, "5"):
        with pytest.raises(BadAmount):
            Amount(wrong, "EUR")  # type: ignore[arg-type]
    with pytest.raises(BadAmount, match="too fine"):
        euro("0.001")
    with pytest.raises(BadAmount, match="two currencies"):
        euro("1") + Amount(Decimal(1), "GBP")
    with pytest.raises(BadAmount, match="no amount"):
        euro("1") < 2  # type: ignore[operator]  # noqa: B015
    assert str(euro("-0.00")) == "0.00 EUR"


@pytest.mark.parametrize(
    ("text", "value"), [("12", "12"), ("12%", "12"), ("12,5 %", "12.5"), ("0 percent", "0")]
)
def test_percentages_are_read(text: str, value: str) -> None:
    """With or without the sign."""
    assert parse_percent(text) == Decimal(value)


@pytest.mark.parametrize("text", ["", "-1", "101", "a", "12 EUR", "1e1"])
def test_what_is_no_percentage_is_refused(text: str) -> None:
    """Out of range or no number."""
    with pytest.raises(BadAmount):
        parse_percent(text)
