"""Typed lines about money and time: "12.50 postage", "120 EUR to the club", "25 min cleaning"."""

from __future__ import annotations

import re
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


def read_time(text: str) -> bodies.Time | None:
    """Time spent, such as ``25 min cleaning``, ``1 h 20 min`` or ``1.5 h``; None if it is none."""
    if found := _HOURS_AND_MINUTES.fullmatch(text) or _CLOCK.fullmatch(text):
        minutes = Decimal(found[1]) * 60 + Decimal(found[2])
    elif found := _ONE.fullmatch(text):
        minutes = Decimal(found[1].replace(",", ".")) * (60 if found[2].lower().startswith("h") else 1)
    else:
        return None
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
        rate, rest = Decimal(found[1].replace(",", ".")), found[2]
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
        return bodies.Fee(percent=parse_percent(found[1], "fee"), note=_bare(found[2]))
    price, rest = price_of(text, currency, "fee 12%")
    return bodies.Cost(kind="fee", price=price, note=_bare(rest))


def likely(text: str, currency: str) -> bodies.LikelyPrice:
    """What it may sell for, and with which chance."""
    price, rest = price_of(_bare(text), currency, "likely 120 60%")
    if price.currency != currency:
        raise BadReading(f"a likely price is in the job's currency, {currency}")
    chance = parse_percent(_bare(rest), "chance") if rest else None
    return bodies.LikelyPrice(value=price.value, chance=chance)
