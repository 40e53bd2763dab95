"""Amounts of money: decimal, in one currency, never finer than its smallest coin of account."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation, localcontext
from fractions import Fraction
from typing import TypeAlias

from .currency import currency, currency_written
from .errors import BadAmount

Exact: TypeAlias = Decimal | Fraction | int

_MOST_DIGITS = 15
_SPACES = re.compile(r"[\s\u00a0\u2007\u2009\u202f]+")
_PARTS = re.compile(
    r"(?P<before>(?:[^0-9.,+\-]+\.?)?)(?P<sign>[+-]?)(?P<mid>[^0-9.,+\-]*)"
    r"(?P<number>[.,]?[0-9][0-9.,' ]*)(?P<after>.*)"
)
_DASH = re.compile(r"[.,]\s*[-\u2013\u2014]+(?=\D*$)")
_EXPECTED = "expected an amount such as 12.50, £12.50 or 12,50 EUR"


@dataclass(frozen=True, slots=True, order=False)
class Amount:
    """An amount of money.

    Parameters
    ----------
    value : Decimal or int
        No finer than the currency's smallest amount; see `Amount.rounded`. Floats are refused: they cannot
        hold a cent.
    currency : str
        ISO 4217 code.

    Raises
    ------
    BadAmount
        The value is no finite decimal, or too fine; or there is no such currency.

    Examples
    --------
    >>> Amount(Decimal("12.50"), "EUR") + Amount(Decimal("0.5"), "EUR")
    Amount('13.00 EUR')
    """

    value: Decimal
    currency: str

    def __post_init__(self) -> None:
        known = currency(self.currency)
        given: object = self.value
        if isinstance(given, bool) or not isinstance(given, Decimal | int):
            raise BadAmount(f"{given!r} is no decimal number: give Decimal('12.50') or parse the text")
        value = Decimal(given)
        if not value.is_finite():
            raise BadAmount(f"{value} is no amount: {_EXPECTED}")
        try:
            with localcontext(prec=_MOST_DIGITS + 8):
                kept = value.quantize(Decimal(1).scaleb(-known.digits))
        except InvalidOperation:
            raise BadAmount(f"{value:.3g} {known.code} is too large an amount") from None
        if abs(kept) >= Decimal(10) ** _MOST_DIGITS:
            raise BadAmount(f"{value:.3g} {known.code} is too large an amount")
        if kept != value:
            raise BadAmount(
                f"{value} {known.code} is too fine: {known.code} has {_digits_told(known.digits)}"
            )
        object.__setattr__(self, "value", kept + 0)  # no minus before a zero
        object.__setattr__(self, "currency", known.code)

    @classmethod
    def rounded(cls, value: Exact, code: str) -> Amount:
        """Round to the currency's smallest amount; what lies half-way goes away from zero.

        Notes
        -----
        So is money usually rounded: Council Regulation (EC) 1103/97, article 5, has "exactly half-way ...
        rounded up" (from memory). Rounding to even is for long sums, and these are kept exact here.
        """
        return cls(_to_grid(Fraction(value), currency(code).digits), code)

    @classmethod
    def rounded_down(cls, value: Exact, code: str) -> Amount:
        """The largest amount that is not above a value."""
        scale = 10 ** currency(code).digits
        return cls(_of_units(math.floor(Fraction(value) * scale), currency(code).digits), code)

    @classmethod
    def rounded_up(cls, value: Exact, code: str) -> Amount:
        """The smallest amount that is not below a value."""
        scale = 10 ** currency(code).digits
        return cls(_of_units(math.ceil(Fraction(value) * scale), currency(code).digits), code)

    @classmethod
    def zero(cls, code: str) -> Amount:
        return cls(Decimal(0), code)

    @property
    def exact(self) -> Fraction:
        """The value as a fraction, for sums that must not round on the way."""
        return Fraction(self.value)

    def __add__(self, other: Amount) -> Amount:
        return Amount(self.value + self._same(other), self.currency)

    def __sub__(self, other: Amount) -> Amount:
        return Amount(self.value - self._same(other), self.currency)

    def __neg__(self) -> Amount:
        return Amount(-self.value, self.currency)

    def __mul__(self, times: int) -> Amount:
        if not isinstance(times, int) or isinstance(times, bool):
            return NotImplemented
        return Amount(self.value * times, self.currency)

    __rmul__ = __mul__

    def __lt__(self, other: Amount) -> bool:
        return self.value < self._same(other)

    def __le__(self, other: Amount) -> bool:
        return self.value <= self._same(other)

    def __gt__(self, other: Amount) -> bool:
        return self.value > self._same(other)

    def __ge__(self, other: Amount) -> bool:
        return self.value >= self._same(other)

    def __bool__(self) -> bool:
        return bool(self.value)

    def __str__(self) -> str:
        return f"{self.value:f} {self.currency}"

    def __repr__(self) -> str:
        return f"Amount('{self}')"

    def _same(self, other: Amount) -> Decimal:
        if not isinstance(other, Amount):
            raise BadAmount(f"{other!r} is no amount of money: expected one in {self.currency}")
        if other.currency != self.currency:
            raise BadAmount(
                f"{self} and {other} are in two currencies: convert one of them at a stated rate first"
            )
        return other.value


def _digits_told(digits: int) -> str:
    return "no decimals" if digits == 0 else f"{digits} decimals"


def _of_units(units: int, digits: int) -> Decimal:
    return Decimal((units < 0, tuple(int(digit) for digit in str(abs(units))), -digits))


def _to_grid(value: Fraction, digits: int) -> Decimal:
    units = abs(value) * 10**digits
    whole = math.floor(units + Fraction(1, 2))
    return _of_units(-whole if value < 0 else whole, digits)


def parse_amount(text: str | Amount | Decimal | int, expected: str | None = None) -> Amount:
    """Read an amount as people write it.

    Parameters
    ----------
    text : str, Amount, Decimal or int
        ``"12.50"``, ``"£12.50"``, ``"12,50 EUR"``, ``"EUR 1.234,56"``, ``"1 234.50"``, ``"12,-"``.
    expected : str, optional
        Code of the currency in use: that of a bare number, and the one meant by a shared symbol.

    Returns
    -------
    Amount

    Raises
    ------
    BadAmount
        The text is no amount, its currency is not known or not said, it is finer than the currency allows,
        or it could be read in two ways (``"1.234"``).
    """
    if isinstance(text, Amount):
        return text
    if not isinstance(text, str):
        if expected is None:
            raise BadAmount(f"{text} has no currency: write it with the amount, such as 12.50 EUR")
        return Amount(text, expected)  # type: ignore[arg-type]
    written = _DASH.sub("", _SPACES.sub(" ", text.replace("\u2212", "-").replace("\u2019", "'")).strip())
    match = _PARTS.fullmatch(written)
    if match is None:
        raise BadAmount(f"cannot read {text!r}: {_EXPECTED}")
    marks = [mark for name in ("before", "mid", "after") if (mark := match[name].strip())]
    if len(marks) > 1 or (marks and re.search(r"\d", marks[0])):
        raise BadAmount(f"cannot read {text!r}: {_EXPECTED}")
    if marks:
        code = currency_written(marks[0], expected)
    elif expected is not None:
        code = currency(expected).code
    else:
        raise BadAmount(f"{text!r} has no currency: write it with the amount, such as 12.50 EUR")
    value = _number(match["number"].strip(), currency(code).digits, text)
    return Amount(-value if match["sign"] == "-" else value, code)


def _number(written: str, digits: int, text: str) -> Decimal:
    """A number with a decimal point or comma, and perhaps marks between thousands."""
    bare = written.replace(" ", "'")
    points, commas = bare.count("."), bare.count(",")
    if points and commas:
        decimal = "." if bare.rindex(".") > bare.rindex(",") else ","
    elif points + commas == 1:
        decimal = "." if points else ","
        after = bare.partition(decimal)[2]
        if len(after) == 3 and "'" not in bare and digits in (0, 2, 4):
            if digits == 0:
                decimal = ""
            elif not bare.startswith("0"):
                plain = bare.replace(decimal, "")
                raise BadAmount(
                    f"{text!r} can be read in two ways, as {plain} or with a fraction: write {plain}, or "
                    f"give {_digits_told(digits)}"
                )
    else:
        decimal = ""
    whole, _, fraction = bare.partition(decimal) if decimal else (bare, "", "")
    groups = re.split(r"[.,']", whole)
    marks = set(re.findall(r"[.,']", whole))
    grouped = len(groups) == 1 or (
        len(marks) == 1 and 1 <= len(groups[0]) <= 3 and all(len(group) == 3 for group in groups[1:])
    )
    if not grouped or (fraction and not fraction.isdigit()) or not (groups[0] or fraction):
        raise BadAmount(f"cannot read {text!r}: {_EXPECTED}")
    joined = "".join(groups) or "0"
    if len(joined) > _MOST_DIGITS:
        raise BadAmount(f"{text!r} is too large an amount")
    if len(fraction.rstrip("0")) > digits:
        raise BadAmount(f"{text!r} is too fine: the currency has {_digits_told(digits)}")
    return Decimal(f"{joined}.{fraction[:digits] or '0'}")


def shown_parts(parts: Sequence[Exact], code: str, total: Amount | None = None) -> tuple[Amount, ...]:
    """Round the parts of a sum so that what is shown adds up to the rounded sum, to the last digit.

    Each part is rounded down or up; those with the largest remainders go up.

    Parameters
    ----------
    parts : sequence of exact numbers
        In units of the currency.
    code : str
    total : Amount, optional
        What they are to add up to, if it was rounded elsewhere: less than one smallest amount off the sum.

    Returns
    -------
    tuple of Amount
        One for each part.
    """
    digits = currency(code).digits
    scaled = [Fraction(part) * 10**digits for part in parts]
    floors = [math.floor(part) for part in scaled]
    if total is None:
        total = Amount.rounded(sum((Fraction(part) for part in parts), Fraction(0)), code)
    whole = total.exact * 10**digits
    spare = int(whole) - sum(floors)
    order = sorted(range(len(parts)), key=lambda number: (floors[number] - scaled[number], number))
    for number in order[:spare]:
        floors[number] += 1
    return tuple(Amount(_of_units(units, digits), code) for units in floors)


_PERCENT = re.compile(r"\s*(\d+(?:[.,]\d+)?)\s*(?:%|per ?cent)?\s*")


def parse_percent(text: str | Decimal | int, what: str = "percentage") -> Decimal:
    """Read a percentage, such as ``12``, ``12%`` or ``12,5 %``.

    Returns
    -------
    Decimal
        12.5 for 12.5 percent, from 0 to 100.

    Raises
    ------
    BadAmount
        It is none, or out of range.
    """
    if isinstance(text, str):
        match = _PERCENT.fullmatch(text)
        if match is None:
            raise BadAmount(
                f"cannot read {what} {text!r}: expected a number from 0 to 100, such as 12 or 12.5%"
            )
        value = Decimal(match[1].replace(",", "."))
    elif isinstance(text, bool) or not isinstance(text, Decimal | int):
        raise BadAmount(f"{what} {text!r} is no decimal number: give Decimal('12.5') or text")
    else:
        value = Decimal(text)
    if not value.is_finite() or not 0 <= value <= 100:
        raise BadAmount(f"{what} {text} is out of range: expected 0 to 100 percent")
    return value
