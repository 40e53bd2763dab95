"""What is asked when bidding for a faulty machine, as a person writes it, and the answer."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from decimal import Decimal, InvalidOperation
from typing import TYPE_CHECKING

from ..money import Amount, BadAccount, BadAmount, BadBid, PriceRange, parse_amount
from ..money.amount import parse_percent
from ..money.history_file import History
from ..money.terms import Terms

if TYPE_CHECKING:
    from ..board import Board
    from ..money.bid import Bid
    from .bench import Bench

_BETWEEN = re.compile(r"\s*(?:\.\.|\u2013|(?<=[\d\s])-|\bto\b)\s*")
_MARKED = re.compile(r"[^\d\s.,'+-]")
_AN_HOUR = re.compile(r"\s*(?:/|per|an|a)\s*(?:h|hour)\s*$")


class BadField(BadBid):
    """One thing that was asked makes no sense.

    Attributes
    ----------
    field : str
        Which, a field of `Asked`.
    said : str
        What is wrong with it.
    """

    def __init__(self, name: str, said: str) -> None:
        super().__init__(f"{name.replace('_', ' ')}: {said}")
        self.field, self.said = name, said


@dataclass(frozen=True)
class Asked:
    """What a bid is worked out from; all as a person writes it.

    Attributes
    ----------
    working : str
        What it sells for mended: ``120``, ``90..150`` or ``90..120..150``.
    for_parts : str
        What its parts bring.
    symptoms : tuple of str
    fees : tuple of str
        Each in percent (``12%``) or fixed (``0.35``).
    hourly : str
        What an hour at the bench is worth: ``8`` or ``8/h``.
    postage_in, postage_out : str
    chance_of_loss : str
        How often a loss may happen, in percent.
    bids : tuple of str
        Bids to judge.
    part_prices : tuple of str
        ``4164=2.50``.
    currency : str
        ISO 4217; empty for that of `working`, or else euro.
    euro : str
        What one euro is in that currency; empty if it is the euro.
    seed, draws : int
    """

    working: str
    for_parts: str
    symptoms: tuple[str, ...] = ()
    fees: tuple[str, ...] = ()
    hourly: str = "0"
    postage_in: str = "0"
    postage_out: str = "0"
    chance_of_loss: str = "20%"
    bids: tuple[str, ...] = ()
    part_prices: tuple[str, ...] = ()
    currency: str = ""
    euro: str = ""
    seed: int = 1
    draws: int = 40_000

    def read(self) -> Figures:
        """The figures that are meant.

        Raises
        ------
        BadField
            One of them cannot be read, and which.
        BadBid
            They do not fit together.
        """
        terms = self._terms()
        code = terms.currency
        return Figures(
            terms,
            float(_percent(self.chance_of_loss, "chance_of_loss")) / 100,
            tuple(_amount(text, code, "bids") for text in self.bids),
            self._prices(code),
            self._euro(code),
        )

    def _terms(self) -> Terms:
        pieces = [piece for piece in _BETWEEN.split(self.working.strip()) if piece]
        marked = next((piece for piece in pieces if _MARKED.search(piece)), None)
        given = self.currency or None
        code = _amount("0", given, "currency").currency if given else "EUR"
        if marked is not None:
            code = _amount(marked, given, "working").currency
        percent, fixed = Decimal(0), Amount.zero(code)
        for fee in self.fees:
            if "%" in fee or "percent" in fee:
                percent += _percent(fee, "fees")
            else:
                fixed += _amount(fee, code, "fees")
        return Terms(
            working=_working(pieces, code),
            parts=_amount(self.for_parts, code, "for_parts"),
            fee_percent=percent,
            fee_fixed=fixed,
            hourly=_amount(_AN_HOUR.sub("", self.hourly), code, "hourly"),
            postage_in=_amount(self.postage_in, code, "postage_in"),
            postage_out=_amount(self.postage_out, code, "postage_out"),
        )

    def _prices(self, code: str) -> dict[str, float]:
        found = {}
        for text in self.part_prices:
            name, equals, price = text.rpartition("=")
            if not equals or not name.strip():
                raise BadField("part_prices", f"{text!r}: expected PART=PRICE, such as 4164=2.50")
            found[name.strip()] = float(_amount(price, code, "part_prices").value)
        return found

    def _euro(self, code: str) -> float:
        text = self.euro.strip()
        if not text:
            if code == "EUR":
                return 1.0
            raise BadField(
                "euro", f"part prices are in euro and the bid is in {code}: say what one euro is in {code}"
            )
        try:
            rate = Decimal(text.replace(",", "."))
        except InvalidOperation:
            rate = Decimal(0)
        if not rate.is_finite() or not 0 < rate < 10**9:
            raise BadField("euro", f"{text!r}: expected a number above 0, such as 0.86")
        return float(rate)


@dataclass(frozen=True)
class Figures:
    """What was asked, read.

    Attributes
    ----------
    terms : Terms
    chance_of_loss : float
        0 to 1.
    bids : tuple of Amount
    part_prices : dict of str to float
    euro : float
    """

    terms: Terms
    chance_of_loss: float
    bids: tuple[Amount, ...]
    part_prices: dict[str, float]
    euro: float


@dataclass(frozen=True)
class Own:
    """What a bench's records tell of earlier machines.

    Attributes
    ----------
    history : History
    proved : int
        Proved faults behind the rates.
    """

    history: History = field(default_factory=lambda: History({}, ()))
    proved: int = 0

    @classmethod
    def of(cls, bench: Bench, board: Board) -> Own:
        """The history in a bench's records, for a machine with a board."""
        from ..faults.learned_rates import model_of
        from .experience import bid_history

        rates, past, proved = bid_history(bench, model_of(board))
        return cls(History(rates, past), proved)


@dataclass(frozen=True)
class Answer:
    """A bid, and what it rests on.

    Attributes
    ----------
    made : Bid
    terms : Terms
    board : str
        Name and revision.
    parts : int
        On the board.
    symptoms : tuple of str
    past_jobs, proved_faults : int
        In the history that was used.
    """

    made: Bid
    terms: Terms
    board: str
    parts: int
    symptoms: tuple[str, ...]
    past_jobs: int
    proved_faults: int


def answer(
    asked: Asked, board: Board | None = None, own: Own | None = None, file: History | None = None,
    progress: Callable[[float], None] = lambda _: None,
) -> Answer:  # fmt: skip
    """Work out a bid.

    Parameters
    ----------
    asked : Asked
    board : Board, optional
        The machine's; a machine of no board in particular if left out.
    own : Own, optional
        What the bench's records tell.
    file : History, optional
        What the person wrote down: it goes before what the records tell.
    progress : callable
        Called with the share done.

    Raises
    ------
    BadBid
        What was asked makes no sense; `BadField` says which of it.
    """
    from ..money.bid import work_out
    from ..money.census import generic_board
    from ..money.from_board import troubles_of

    figures = asked.read()
    board = board or generic_board()
    own, file = own or Own(), file or History({}, ())
    past = (*own.history.past, *file.past)
    troubles = troubles_of(
        board, asked.symptoms, {**own.history.rates, **file.rates}, figures.part_prices, figures.euro
    )
    progress(0.3)
    made = work_out(
        troubles, figures.terms, figures.chance_of_loss, figures.bids, past, seed=asked.seed,
        draws=asked.draws, progress=lambda done: progress(0.3 + 0.7 * done),
    )  # fmt: skip
    name = " ".join(name for name in (board.name, board.revision) if name)
    return Answer(made, figures.terms, name, len(board.parts), asked.symptoms, len(past), own.proved)


def told_terms(terms: Terms) -> str:
    """The prices in one sentence."""
    prices = terms.range
    working = " to ".join(
        dict.fromkeys(str(one) for one in (prices.low, prices.likely, prices.high) if one is not None)
    )
    told = [f"Mended {working}", f"for parts {terms.parts}"]
    if terms.fee_percent or terms.fee_fixed:
        fees = [f"{terms.fee_percent:f} %"] if terms.fee_percent else []
        fees += [str(terms.fee_fixed)] if terms.fee_fixed else []
        told.append(f"fees {' and '.join(fees)}")
    if terms.hourly:
        told.append(f"an hour {terms.hourly}")
    for name in ("postage_in", "postage_out"):
        if amount := getattr(terms, name):
            told.append(f"{name.replace('_', ' ')} {amount}")
    return ", ".join(told) + "."


def told_history(past_jobs: int, proved_faults: int) -> str:
    """What of one's own history counted, in one sentence; empty if none did."""
    told = [
        f"{count} {one if count == 1 else one + 's'}"
        for count, one in ((proved_faults, "proved fault"), (past_jobs, "past job"))
        if count
    ]
    return f"Your own history counts: {' and '.join(told)}." if told else ""


def _amount(text: str, code: str | None, name: str) -> Amount:
    try:
        return parse_amount(text, code)
    except BadAmount as problem:
        raise BadField(name, str(problem)) from None


def _percent(text: str, name: str) -> Decimal:
    try:
        return parse_percent(text)
    except BadAmount as problem:
        raise BadField(name, str(problem)) from None


def _working(pieces: Sequence[str], code: str) -> PriceRange:
    prices = [_amount(piece, code, "working") for piece in pieces]
    if not 1 <= len(prices) <= 3:
        raise BadField("working", "expected a price such as 120, 90..150 or 90..120..150")
    try:
        return PriceRange(prices[0], prices[-1], prices[1] if len(prices) == 3 else None)
    except BadAccount as problem:
        raise BadField("working", str(problem)) from None
