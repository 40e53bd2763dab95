"""Typed lines about money and time: "12.50 postage", "120 EUR to the club", "25 min cleaning"."""

from __future__ import annotations

import re
from collections.abc import Mapping
from decimal import Decimal

from ..errors import BadReading
from ..money import BadAmount, parse_amount
from ..money.amount import parse_percent
from ..money.ledger import COST_KINDS
from . import bodies

_KINDS: dict[str, str] = {
    **{str(kind): str(kind) for kind in COST_KINDS},
    **dict.fromkeys(("part", "chip", "chips", "spare", "spares"), "parts"),
    **dict.fromkeys(("shipping", "freight", "post", "stamps", "carriage"), "postage"),
    **dict.fromkeys(
        ("material", "solder", "flux", "wick", "wire", "alcohol", "cleaner", "glue", "paint"), "materials"
    ),
    **dict.fromkeys(("fees", "commission"), "fee"),
}
_RATE = re.compile(r"(?:at|@)\s*(\d+(?:[.,]\d+)?)(?:\s+|$)(.*)", re.DOTALL)
_LEADING = re.compile(r"(?:on|for|as)\b\s*:?\s*|[:,;]\s*", re.IGNORECASE)
_HOURS_AND_MINUTES = re.compile(
    r"(\d+)\s*(?:h|hrs?|hours?)\s*(\d+)\s*(?:m|min|mins|minutes?)?(?:\s+|\s*[:,;]\s*|$)(.*)",
    re.IGNORECASE | re.DOTALL,
)
_CLOCK = re.compile(
    r"(\d+):([0-5]\d)\s*(?:h|hrs?|hours?)(?:\s+|\s*[:,;]\s*|$)(.*)", re.IGNORECASE | re.DOTALL
)
_ONE = re.compile(
    r"(\d+(?:[.,]\d+)?)\s*(min|mins|minutes?|h|hrs?|hours?)(?:\s+|\s*[:,;]\s*|$)(.*)",
    re.IGNORECASE | re.DOTALL,
)


MOST_HOURS = 10_000
"""In one line: more than a year without a pause."""
MOST_RATE = 10**9
"""Of one currency in another; more is a slip of the finger."""
_MOST_DIGITS = 15


def _number(text: str, what: str) -> Decimal:
    """A number of as many digits as a person means.

    Raises
    ------
    BadReading
        It has more.
    """
    _short(text, what)
    return Decimal(text.replace(",", "."))


def _short(text: str, what: str) -> None:
    digits = sum(letter.isdigit() for letter in text)
    if digits > _MOST_DIGITS:
        raise BadReading(f"{what} of {digits} digits: expected {_MOST_DIGITS} at most")


def read_time(text: str) -> bodies.Time | None:
    """Time spent, such as ``25 min cleaning``, ``1 h 20 min`` or ``1.5 h``; None if it is none.

    Raises
    ------
    BadReading
        It is longer than anyone works on one machine.
    """
    if found := _HOURS_AND_MINUTES.fullmatch(text) or _CLOCK.fullmatch(text):
        minutes = _number(found[1], "hours") * 60 + _number(found[2], "minutes")
    elif found := _ONE.fullmatch(text):
        hours = found[2].lower().startswith("h")
        minutes = _number(found[1], "hours" if hours else "minutes") * (60 if hours else 1)
    else:
        return None
    if minutes > MOST_HOURS * 60:
        raise BadReading(f"more than {MOST_HOURS:,} hours in one line: expected, for example, '1 h 20 min'")
    return bodies.Time(minutes=minutes.normalize() + 0, note=_bare(found[3]))


def price_of(text: str, currency: str, example: str) -> tuple[bodies.Price, str]:
    """An amount at the head of a text, with the rate if it is in another currency; and what follows.

    Parameters
    ----------
    text : str
    currency : str
        Of the job.
    example : str
        A line as expected, for the message.

    Raises
    ------
    BadReading
        There is no amount, or its rate is missing.
    """
    words = text.split()
    if not words:
        raise BadReading(f"how much? Expected, for example, '{example}'")
    amount, rest = None, ""
    for count in (2, 1):
        head = " ".join(words[:count])
        if count == 2 and (len(words) < 2 or not _marked(words[0], words[1])):
            continue
        try:
            amount, rest = parse_amount(head, currency), " ".join(words[count:])
            break
        except BadAmount as problem:
            if count == 1:
                raise BadReading(f"{problem} (for example '{example}')") from None
    assert amount is not None
    rate = None
    if amount.currency != currency:
        found = _RATE.match(rest)
        if found is None:
            raise BadReading(
                f"the job is in {currency}: say what one {amount.currency} is in {currency}, for example "
                f"'{amount} at 1.17'"
            )
        rate, rest = _number(found[1], "a rate"), found[2]
        if not 0 < rate <= MOST_RATE:
            raise BadReading(f"a rate of {rate:f}: expected more than 0 and at most {MOST_RATE:,}")
    if amount.value < 0:
        raise BadReading(f"{amount} is below zero: money spent and money got are both written without a sign")
    return bodies.Price(value=amount.value, currency=amount.currency, rate=rate), rest.strip()


def _marked(first: str, second: str) -> bool:
    """Whether two words are one amount: a number and a code in capitals or a symbol, in either order."""
    marks = [word for word in (first, second) if not any(letter.isdigit() for letter in word)]
    return len(marks) == 1 and (marks[0].isupper() or not marks[0].isalnum()) and len(marks[0]) <= 4


def _bare(text: str) -> str:
    """A note without the word that leads up to it."""
    text = text.strip()
    leading = _LEADING.match(text)
    return text[leading.end() :].strip() if leading else text


def spent(text: str, currency: str) -> bodies.Time | bodies.Cost:
    """Money or time spent."""
    if time := read_time(text):
        return time
    price, rest = price_of(text, currency, "spent 12.50 postage")
    note = _bare(rest)
    words = re.findall(r"[a-z]+", note.lower())
    kind = next((_KINDS[word] for word in words if word in _KINDS), "other")
    if note.lower() == kind:
        note = ""
    elif note.lower().startswith(kind) and not note[len(kind)].isalnum():
        note = _bare(note[len(kind) :])
    return bodies.Cost(kind=kind, price=price, note=note)


def sold(text: str, currency: str) -> bodies.Income:
    """The sale."""
    price, rest = price_of(_bare(text), currency, "sold 120 EUR")
    return bodies.Income(kind="sale", price=price, note=rest)


def got(text: str, currency: str) -> bodies.Income:
    """Other money that came in."""
    price, rest = price_of(text, currency, "got 5 refund of postage")
    return bodies.Income(kind="other income", price=price, note=_bare(rest))


def fee(text: str, currency: str) -> bodies.Fee | bodies.Cost:
    """What a sale costs: percent of it, or a fixed amount."""
    found = re.match(r"\s*(\d+(?:[.,]\d+)?\s*(?:%|per ?cent))\s*(.*)", text, re.DOTALL)
    if found:
        _short(found[1], "a fee")
        return bodies.Fee(percent=parse_percent(found[1], "fee"), note=_bare(found[2]))
    price, rest = price_of(text, currency, "fee 12%")
    return bodies.Cost(kind="fee", price=price, note=_bare(rest))


def likely(text: str, currency: str) -> bodies.LikelyPrice:
    """What it may sell for, and with which chance."""
    price, rest = price_of(_bare(text), currency, "likely 120 60%")
    if price.currency != currency:
        raise BadReading(f"a likely price is in the job's currency, {currency}")
    if rest:
        _short(_bare(rest), "a chance")
    chance = parse_percent(_bare(rest), "chance") if rest else None
    return bodies.LikelyPrice(value=price.value, chance=chance)


def check_chances(likely: Mapping[Decimal, Decimal | None]) -> None:
    """Refuse chances that exclude each other.

    Parameters
    ----------
    likely : mapping
        Price: its chance in percent, None if none was said.

    Raises
    ------
    BadReading
        Together they are more than 100 percent.
    """
    whole = sum((chance for chance in likely.values() if chance is not None), Decimal(0))
    if whole > 100:
        said = ", ".join(f"{price:f} {chance:f}%" for price, chance in likely.items() if chance)
        raise BadReading(
            f"the chances come to {whole:f} % together ({said}): expected 100 % at most. Lower one of them, "
            "or take one back first, such as 'likely 120 0%'"
        )
