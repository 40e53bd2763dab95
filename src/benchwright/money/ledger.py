"""One job's money: what it cost, what it brought, what it may yet bring.

All sums are kept as exact fractions and rounded once, when they are told. So the order of entries does not
matter, an entry may be split, and what is shown adds up.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Any, Literal, TypeAlias, get_args

from .amount import Amount, parse_percent, shown_parts
from .currency import currency
from .errors import BadAccount, BadAmount

CostKind = Literal["purchase", "parts", "postage", "materials", "fee", "other"]
IncomeKind = Literal["sale", "other income"]
COST_KINDS: tuple[CostKind, ...] = get_args(CostKind)
INCOME_KINDS: tuple[IncomeKind, ...] = get_args(IncomeKind)

_NOTHING = Fraction(0)


@dataclass(frozen=True, slots=True)
class Tax:
    """Sales or value added tax on an entry.

    Parameters
    ----------
    percent : Decimal
        Of the price before tax.
    included : bool
        The amount includes the tax; otherwise it comes on top.
    settled : bool
        The bench settles it with its tax office: what was paid on a cost comes back, what was taken with
        an income goes on. Otherwise tax is simply part of what was paid.
    """

    percent: Decimal
    included: bool = True
    settled: bool = False

    def __post_init__(self) -> None:
        try:
            object.__setattr__(self, "percent", parse_percent(self.percent, "tax"))
        except BadAmount as problem:
            raise BadAccount(str(problem)) from None

    def split(self, amount: Fraction) -> tuple[Fraction, Fraction]:
        """What changes hands, and how much of it is tax."""
        rate = Fraction(self.percent) / 100
        if self.included:
            return amount, amount * rate / (1 + rate)
        return amount * (1 + rate), amount * rate


@dataclass(frozen=True, slots=True)
class Cost:
    """Money that went out.

    Parameters
    ----------
    kind : str
        ``purchase``, ``parts``, ``postage``, ``materials``, ``fee`` or ``other``.
    amount : Amount
        Zero or more; a refund is an income.
    rate : Decimal, optional
        What one unit of the amount's currency is in the job's currency, where they differ.
    tax : Tax, optional
    evidence : str
        What it rests on: a receipt, an event of the job.
    text : str
    """

    kind: CostKind
    amount: Amount
    rate: Decimal | None = None
    tax: Tax | None = None
    evidence: str = ""
    text: str = ""

    def __post_init__(self) -> None:
        _known(self.kind, COST_KINDS, "cost")
        _not_negative(self.amount, self.kind, "a refund is an income")
        _rate(self.rate, self.amount)


@dataclass(frozen=True, slots=True)
class Income:
    """Money that came in: ``sale`` or ``other income``. See `Cost` for the rest."""

    kind: IncomeKind
    amount: Amount
    rate: Decimal | None = None
    tax: Tax | None = None
    evidence: str = ""
    text: str = ""

    def __post_init__(self) -> None:
        _known(self.kind, INCOME_KINDS, "income")
        _not_negative(self.amount, self.kind, "money given back is a cost")
        _rate(self.rate, self.amount)


@dataclass(frozen=True, slots=True)
class PercentFee:
    """A fee in percent of whatever the machine is sold for, tax included.

    Parameters
    ----------
    percent : Decimal
    tax : Tax, optional
        Tax on the fee.
    """

    percent: Decimal
    tax: Tax | None = None
    evidence: str = ""
    text: str = ""

    def __post_init__(self) -> None:
        try:
            object.__setattr__(self, "percent", parse_percent(self.percent, "fee"))
        except BadAmount as problem:
            raise BadAccount(str(problem)) from None


@dataclass(frozen=True, slots=True)
class Hours:
    """Time at the bench.

    Parameters
    ----------
    hours : Decimal or Fraction
        Zero or more.
    """

    hours: Decimal | Fraction
    evidence: str = ""
    text: str = ""

    def __post_init__(self) -> None:
        given: object = self.hours
        if isinstance(given, bool) or not isinstance(given, Decimal | Fraction | int):
            raise BadAccount(f"hours {given!r} are no decimal number: give Decimal('1.5')")
        value = given if isinstance(given, Fraction) else Decimal(given)
        if (isinstance(value, Decimal) and not value.is_finite()) or value < 0:
            raise BadAccount(f"hours {value}: expected 0 or more")
        object.__setattr__(self, "hours", value)


Entry: TypeAlias = Cost | Income | PercentFee | Hours


def _known(kind: str, kinds: Sequence[str], what: str) -> None:
    if kind not in kinds:
        raise BadAccount(f"no kind of {what} {kind!r}: expected one of {', '.join(kinds)}")


def _not_negative(amount: Amount, kind: str, instead: str) -> None:
    if amount.value < 0:
        raise BadAccount(f"{kind} {amount} is below zero: {instead}")


def _rate(rate: Decimal | None, amount: Amount) -> None:
    if rate is None:
        return
    given: object = rate
    if isinstance(given, bool) or not isinstance(given, Decimal | int):
        raise BadAccount(f"rate {rate!r} of {amount} is no decimal number: give Decimal('1.17')")
    if not Decimal(given).is_finite() or given <= 0:
        raise BadAccount(f"rate {rate} of {amount}: expected a number above 0")


@dataclass(frozen=True, slots=True)
class Statement:
    """Where a job stands; every line is rounded so that lines add up to their totals.

    Attributes
    ----------
    costs, income : dict of str to Amount
        By kind, in a fixed order, kinds without entries left out. Percentage fees of what was sold are in
        ``fee``. As money that changed hands.
    cost_to_date, income_to_date : Amount
        Their totals.
    tax_back, tax_due : Amount
        Tax to come back from the tax office, and to go to it.
    hours : Decimal
    hours_valued : Amount
        At the bench's hourly rate.
    profit : Amount
        In cash: income less tax due, less cost, plus tax back.
    profit_with_hours : Amount
        The same less the value of the hours.
    sold : bool
    """

    currency: str
    costs: dict[str, Amount]
    income: dict[str, Amount]
    cost_to_date: Amount
    income_to_date: Amount
    tax_back: Amount
    tax_due: Amount
    hours: Decimal
    hours_valued: Amount
    profit: Amount
    profit_with_hours: Amount
    sold: bool


@dataclass(frozen=True, slots=True)
class Outlook:
    """What a sale at one price would leave.

    Attributes
    ----------
    chance : Fraction or None
        None for the expected price.
    profit, profit_with_hours : Amount
    """

    price: Amount
    chance: Fraction | None
    profit: Amount
    profit_with_hours: Amount


@dataclass(frozen=True, slots=True)
class Expectation:
    """What is to be expected of selling.

    Attributes
    ----------
    at : tuple of Outlook
        One for each likely price, cheapest first; of a range, its ends and its middle or likeliest price.
    expected : Outlook
        At the mean price. Profit is a straight line in price, so this is the mean profit as well.
    chance_of_loss, chance_of_loss_with_hours : float
    break_even, break_even_with_hours : Amount or None
        Lowest price without a loss; None if no price can do it (fees and tax take all of it).
    """

    at: tuple[Outlook, ...]
    expected: Outlook
    chance_of_loss: float
    chance_of_loss_with_hours: float
    break_even: Amount | None
    break_even_with_hours: Amount | None


@dataclass(frozen=True, slots=True)
class PriceRange:
    """A price that is only known to lie between two, evenly or with a likeliest one between.

    Parameters
    ----------
    low, high : Amount
    likely : Amount, optional
        The likeliest price (triangular distribution); without it all are as likely.
    """

    low: Amount
    high: Amount
    likely: Amount | None = None

    def __post_init__(self) -> None:
        middle_price = self.low if self.likely is None else self.likely
        if self.low.value < 0 or not self.low <= middle_price <= self.high:
            middle = f", {self.likely}" if self.likely else ""
            raise BadAccount(
                f"prices {self.low}{middle}, {self.high}: expected lowest, likeliest and highest in this "
                "order, from 0 on"
            )

    @property
    def mean(self) -> Fraction:
        if self.likely is None:
            return (self.low.exact + self.high.exact) / 2
        return (self.low.exact + self.likely.exact + self.high.exact) / 3

    def chance_below(self, price: Fraction) -> Fraction:
        """Chance that the price lies below one."""
        low, high = self.low.exact, self.high.exact
        if price <= low:
            return _NOTHING
        if price >= high:
            return Fraction(int(price > high or high > low))
        if self.likely is None:
            return (price - low) / (high - low)
        top = self.likely.exact
        if price <= top:
            return (price - low) ** 2 / ((high - low) * (top - low))
        return 1 - (high - price) ** 2 / ((high - low) * (high - top))


class Ledger:
    """The entries of one job.

    Parameters
    ----------
    code : str
        ISO 4217 code of the job's currency.
    entries : iterable of Cost, Income, PercentFee, Hours
    hourly : Amount, optional
        What an hour at the bench is worth, in the job's currency; nothing if left out.

    Raises
    ------
    BadAccount
        An entry in another currency without a rate, or with one in the job's own.

    Examples
    --------
    >>> ledger = Ledger("EUR", [Cost("purchase", Amount(Decimal(40), "EUR")), PercentFee(Decimal(10))])
    >>> ledger.expect([(Amount(Decimal(100), "EUR"), 1)]).expected.profit
    Amount('50.00 EUR')
    """

    def __init__(self, code: str, entries: Iterable[Entry] = (), hourly: Amount | None = None) -> None:
        self.currency = currency(code).code
        self.entries = tuple(entries)
        if hourly is not None and (hourly.currency != self.currency or hourly.value < 0):
            raise BadAccount(f"hourly rate {hourly}: expected 0 or more in {self.currency}")
        self.hourly = hourly.exact if hourly is not None else _NOTHING
        self._costs = dict.fromkeys(COST_KINDS, _NOTHING)
        self._income = dict.fromkeys(INCOME_KINDS, _NOTHING)
        self._back = self._due = self._hours = _NOTHING
        # Of one unit of sale: what percentage fees take of it, and how much of that comes back as tax.
        self._fee_share = self._fee_back_share = _NOTHING
        self._seen: set[str] = set()
        for entry in self.entries:
            self._take(entry)
        sold = self._income["sale"]
        self._costs["fee"] += sold * self._fee_share
        self._back += sold * self._fee_back_share

    def _take(self, entry: Entry) -> None:
        if isinstance(entry, Hours):
            self._hours += Fraction(entry.hours)
        elif isinstance(entry, PercentFee):
            paid, tax = (entry.tax or Tax(Decimal(0))).split(Fraction(entry.percent) / 100)
            self._fee_share += paid
            self._fee_back_share += tax if entry.tax is not None and entry.tax.settled else 0
            self._seen.add("fee")
        else:
            paid, tax = (entry.tax or Tax(Decimal(0))).split(self._in_own(entry))
            settled = tax if entry.tax is not None and entry.tax.settled else _NOTHING
            self._seen.add(entry.kind)
            if isinstance(entry, Cost):
                self._costs[entry.kind] += paid
                self._back += settled
            else:
                self._income[entry.kind] += paid
                self._due += settled

    def _in_own(self, entry: Cost | Income) -> Fraction:
        amount = entry.amount
        if amount.currency == self.currency:
            if entry.rate is not None and entry.rate != 1:
                raise BadAccount(
                    f"{entry.kind} {amount} is in the job's own currency: expected no rate, got {entry.rate}"
                )
            return amount.exact
        if entry.rate is None:
            raise BadAccount(
                f"{entry.kind} {amount}: the job is in {self.currency}; give the rate, what one "
                f"{amount.currency} is in {self.currency}"
            )
        return amount.exact * Fraction(entry.rate)

    # -- where it stands ---------------------------------------------------------------------------

    @property
    def _cash(self) -> Fraction:
        return sum(self._income.values(), -self._due) - sum(self._costs.values(), -self._back)

    @property
    def _valued(self) -> Amount:
        return Amount.rounded(self._hours * self.hourly, self.currency)

    def statement(self) -> Statement:
        """Cost, income and profit to date."""
        code = self.currency
        spent, earned = sum(self._costs.values(), _NOTHING), sum(self._income.values(), _NOTHING)
        income, due, cost, back = shown_parts([earned, -self._due, -spent, self._back], code)
        profit = income + due + cost + back
        return Statement(
            currency=code,
            costs=self._lines(self._costs, -cost),
            income=self._lines(self._income, income),
            cost_to_date=-cost,
            income_to_date=income,
            tax_back=back,
            tax_due=-due,
            hours=_decimal(self._hours),
            hours_valued=self._valued,
            profit=profit,
            profit_with_hours=profit - self._valued,
            sold="sale" in self._seen,
        )

    def _lines(self, sums: Mapping[Any, Fraction], total: Amount) -> dict[str, Amount]:
        kinds = [kind for kind in sums if kind in self._seen]
        lines = shown_parts([sums[kind] for kind in kinds], self.currency, total)
        return dict(zip(kinds, lines, strict=True))

    # -- what it may yet bring -----------------------------------------------------------------------

    def _kept_of_sale(self, tax: Tax | None) -> Fraction:
        """What a unit of price leaves after percentage fees and tax."""
        paid, due = (tax or Tax(Decimal(0))).split(Fraction(1))
        settled = due if tax is not None and tax.settled else _NOTHING
        return paid * (1 - self._fee_share + self._fee_back_share) - settled

    def _outlook(self, price: Fraction, chance: Fraction | None, tax: Tax | None) -> Outlook:
        profit = Amount.rounded(self._cash + price * self._kept_of_sale(tax), self.currency)
        return Outlook(Amount.rounded(price, self.currency), chance, profit, profit - self._valued)

    def expect(
        self, prices: PriceRange | Iterable[tuple[Amount, Decimal | Fraction | int]], tax: Tax | None = None
    ) -> Expectation:
        """What a sale still to come would leave, at each likely price and on the whole.

        Parameters
        ----------
        prices : PriceRange, or pairs of Amount and chance
            Chances are scaled to sum to one, so weights will do. In the job's currency.
        tax : Tax, optional
            On the sale.

        Raises
        ------
        BadAccount
            No prices, prices in another currency or below zero, or chances that are none.
        """
        kept = self._kept_of_sale(tax)
        floors = [
            None if kept <= 0 and lost > 0 else max(lost / kept, _NOTHING) if kept > 0 else _NOTHING
            for lost in (-self._cash, self._valued.exact - self._cash)
        ]
        if isinstance(prices, PriceRange):
            self._own(prices.low)
            middle = prices.likely.exact if prices.likely is not None else prices.mean
            ends = dict.fromkeys((prices.low.exact, middle, prices.high.exact))
            at = tuple(self._outlook(price, None, tax) for price in ends)
            mean = prices.mean
            losses = [1.0 if floor is None else float(prices.chance_below(floor)) for floor in floors]
        else:
            pairs = self._pairs(prices)
            at = tuple(self._outlook(price.exact, chance, tax) for price, chance in pairs)
            mean = sum((price.exact * chance for price, chance in pairs), _NOTHING)
            losses = [
                float(sum(chance for price, chance in pairs if floor is None or price.exact < floor))
                for floor in floors
            ]
        evens = [None if floor is None else Amount.rounded_up(floor, self.currency) for floor in floors]
        return Expectation(at, self._outlook(mean, None, tax), *losses, *evens)  # type: ignore[arg-type]

    def _own(self, price: Amount) -> None:
        if price.currency != self.currency or price.value < 0:
            raise BadAccount(f"price {price}: expected 0 or more in {self.currency}")

    def _pairs(
        self, prices: Iterable[tuple[Amount, Decimal | Fraction | int]]
    ) -> list[tuple[Amount, Fraction]]:
        weights: dict[Amount, Fraction] = {}
        for price, chance in prices:
            self._own(price)
            given: object = chance
            if isinstance(given, bool) or not isinstance(given, Decimal | Fraction | int):
                raise BadAccount(f"chance {chance!r} of {price} is no exact number: give Decimal('0.3')")
            if (isinstance(chance, Decimal) and not chance.is_finite()) or chance < 0:
                raise BadAccount(f"chance {chance} of {price}: expected 0 or more")
            weights[price] = weights.get(price, _NOTHING) + Fraction(chance)
        whole = sum(weights.values(), _NOTHING)
        if whole <= 0:
            raise BadAccount("no likely price: expected at least one with a chance above 0")
        return [(price, weights[price] / whole) for price in sorted(weights, key=lambda one: one.value)]


def _decimal(value: Fraction) -> Decimal:
    """A sum as a decimal: exact if it is one of decimals, else to the digits of a decimal."""
    rest, digits = value.denominator, 0
    for factor in (2, 5):
        while rest % factor == 0:
            rest //= factor
    if rest != 1:
        return Decimal(value.numerator) / Decimal(value.denominator)
    while (value * 10**digits).denominator != 1:
        digits += 1
    whole = int(value * 10**digits)
    return Decimal((whole < 0, tuple(int(digit) for digit in str(abs(whole))), -digits))
