"""The ledger: sums to the last digit, in any order, however entries are split."""

from __future__ import annotations

import random
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright.money import Amount, BadAccount, Cost, Hours, Income, Ledger, PercentFee, PriceRange, Tax
from benchwright.money.ledger import COST_KINDS, INCOME_KINDS, Entry

cents = st.integers(0, 10**7).map(lambda units: Decimal(units).scaleb(-2))
taxes = st.none() | st.builds(
    Tax, st.decimals(0, 30, places=1), included=st.booleans(), settled=st.booleans()
)


@st.composite
def money_entries(draw: st.DrawFn) -> Entry:
    foreign = draw(st.booleans())
    amount = Amount(draw(cents), "USD" if foreign else "EUR")
    rate = draw(st.decimals("0.01", 200, places=4)) if foreign else None
    if draw(st.booleans()):
        return Cost(draw(st.sampled_from(COST_KINDS)), amount, rate, draw(taxes), "receipt")
    return Income(draw(st.sampled_from(INCOME_KINDS)), amount, rate, draw(taxes))


entries = st.lists(
    money_entries()
    | st.builds(PercentFee, st.decimals(0, 15, places=2), taxes)
    | st.builds(Hours, st.decimals(0, 50, places=2)),
    max_size=10,
)
HOURLY = Amount(Decimal("7.77"), "EUR")


def euro(text: str | int) -> Amount:
    return Amount(Decimal(text), "EUR")


@given(entries, st.randoms(use_true_random=False))
def test_the_order_of_entries_does_not_matter(found: list[Entry], shuffler: random.Random) -> None:
    """A shuffled ledger states the same and expects the same."""
    shuffled = list(found)
    shuffler.shuffle(shuffled)
    one, two = Ledger("EUR", found, HOURLY), Ledger("EUR", shuffled, HOURLY)
    assert one.statement() == two.statement()
    prices = PriceRange(euro(50), euro(150), euro(80))
    assert one.expect(prices) == two.expect(prices)


@given(entries, st.data())
def test_splitting_an_entry_changes_nothing(found: list[Entry], data: st.DataObject) -> None:
    """Any entry may be written as two that add up to it: amounts, hours and percentages alike."""
    split: list[Entry] = []
    for entry in found:
        if isinstance(entry, Hours):
            part = data.draw(st.decimals(0, entry.hours, places=3))
            split += [Hours(part), Hours(entry.hours - part)]
        elif isinstance(entry, PercentFee):
            part = data.draw(st.decimals(0, entry.percent, places=3))
            split += [replace(entry, percent=part), replace(entry, percent=entry.percent - part)]
        else:
            units = data.draw(st.integers(0, int(entry.amount.value * 100)))
            part_of = Amount(Decimal(units).scaleb(-2), entry.amount.currency)
            split += [replace(entry, amount=part_of), replace(entry, amount=entry.amount - part_of)]
    one, two = Ledger("EUR", found, HOURLY), Ledger("EUR", split, HOURLY)
    assert one.statement() == two.statement()
    assert one.expect([(euro(99), 1)]) == two.expect([(euro(99), 1)])


@given(entries)
def test_lines_add_up_to_totals_and_totals_to_the_profit(found: list[Entry]) -> None:
    """What is shown can be added up by hand, to the last cent, and is right to within a cent."""
    told = Ledger("EUR", found, HOURLY).statement()
    zero = Amount.zero("EUR")
    assert sum(told.costs.values(), zero) == told.cost_to_date
    assert sum(told.income.values(), zero) == told.income_to_date
    assert told.profit == told.income_to_date - told.tax_due - told.cost_to_date + told.tax_back
    assert told.profit_with_hours == told.profit - told.hours_valued
    assert abs(told.hours_valued.exact - Fraction(told.hours) * HOURLY.exact) <= Fraction(1, 200)


@given(st.lists(st.tuples(st.sampled_from(COST_KINDS), cents), min_size=1, max_size=12))
def test_plain_costs_are_summed_exactly(found: list[tuple[str, Decimal]]) -> None:
    """Without tax or exchange each kind's total is the sum of its entries, not near it."""
    told = Ledger("EUR", [Cost(kind, euro(str(value))) for kind, value in found]).statement()  # type: ignore[arg-type]
    for kind in {kind for kind, _ in found}:
        assert told.costs[kind].value == sum(value for other, value in found if other == kind)


@given(entries, st.decimals(0, 30, places=1))
def test_nothing_is_lost_at_break_even_and_something_below(found: list[Entry], percent: Decimal) -> None:
    """The told price leaves no loss; one cent less does, unless nothing needs to be earned."""
    tax = Tax(percent, settled=True)
    ledger = Ledger("EUR", found, HOURLY)
    price = ledger.expect([(euro(1), 1)], tax).break_even
    if price is None:
        assert ledger.expect([(euro(10**9), 1)], tax).expected.profit.value < 0
        return
    assert ledger.expect([(price, 1)], tax).expected.profit.value >= 0
    if price.value > 0:
        assert ledger.expect([(price - euro("0.01"), 1)], tax).expected.profit.value <= 0


def test_a_job_by_hand() -> None:
    """A machine bought, mended and sold, worked out with pencil and paper."""
    ledger = Ledger(
        "EUR",
        [
            Cost("purchase", euro(40), evidence="receipt 1"),
            Cost("postage", euro("8.50")),
            Cost("parts", Amount(Decimal(6), "GBP"), rate=Decimal("1.16")),
            Cost("materials", euro("2.38"), tax=Tax(Decimal(19), settled=True)),
            PercentFee(Decimal(12)),
            Cost("fee", euro("0.35")),
            Hours(Decimal("3.25")),
            Income("sale", euro(120)),
        ],
        hourly=euro(8),
    )
    told = ledger.statement()
    assert {kind: str(amount) for kind, amount in told.costs.items()} == {
        "purchase": "40.00 EUR", "parts": "6.96 EUR", "postage": "8.50 EUR", "materials": "2.38 EUR",
        "fee": "14.75 EUR",
    }  # fmt: skip
    assert (told.cost_to_date, told.tax_back) == (euro("72.59"), euro("0.38"))
    assert (told.profit, told.hours_valued, told.profit_with_hours) == (
        euro("47.79"), euro(26), euro("21.79"),
    )  # fmt: skip
    assert told.sold


def test_likely_prices_by_hand() -> None:
    """40 spent, 10 % fee: 80 leaves 32 and 120 leaves 68; even at 44.45; a third of the time 80."""
    ledger = Ledger("EUR", [Cost("purchase", euro(40)), PercentFee(Decimal(10)), Hours(Decimal(5))], euro(8))
    found = ledger.expect([(euro(120), 2), (euro(80), 1)])
    assert [(one.price, one.profit, one.profit_with_hours) for one in found.at] == [
        (euro(80), euro(32), euro(-8)), (euro(120), euro(68), euro(28)),
    ]  # fmt: skip
    assert found.expected.profit == euro(56)
    assert (found.chance_of_loss, found.chance_of_loss_with_hours) == (0.0, pytest.approx(1 / 3))
    assert (found.break_even, found.break_even_with_hours) == (euro("44.45"), euro("88.89"))


def test_a_range_of_prices_by_hand() -> None:
    """Even between 40 and 60 with 45 spent: a quarter of the prices lose. Peaked at 60: one in sixteen."""
    ledger = Ledger("EUR", [Cost("purchase", euro(45))])
    even = ledger.expect(PriceRange(euro(40), euro(60)))
    assert (even.expected.profit, even.chance_of_loss) == (euro(5), 0.25)
    peaked = ledger.expect(PriceRange(euro(40), euro(60), euro(60)))
    assert (peaked.expected.profit, peaked.chance_of_loss) == (euro("8.33"), 0.0625)
    surely = ledger.expect(PriceRange(euro(45), euro(45)))
    assert (surely.chance_of_loss, len(surely.at)) == (0.0, 1)


def test_tax_on_the_sale_that_goes_on_is_no_income() -> None:
    """Of 119 with 19 % included, 100 stay; a fee is taken of all that the buyer pays."""
    ledger = Ledger(
        "EUR", [PercentFee(Decimal(10)), Income("sale", euro(119), tax=Tax(Decimal(19), settled=True))]
    )
    told = ledger.statement()
    assert (told.income_to_date, told.tax_due, told.profit) == (euro(119), euro(19), euro("88.10"))
    before = Ledger("EUR", [PercentFee(Decimal(10))])
    assert before.expect([(euro(119), 1)], Tax(Decimal(19), settled=True)).expected.profit == told.profit


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: Cost("bribe", euro(1)), "expected one of purchase"),  # type: ignore[arg-type]
        (lambda: Cost("parts", euro(-1)), "refund"),
        (lambda: Cost("parts", euro(1), rate=1.2), "decimal"),  # type: ignore[arg-type]
        (lambda: Hours(Decimal(-1)), "0 or more"),
        (lambda: Hours(1.5), "decimal"),  # type: ignore[arg-type]
        (lambda: PercentFee(Decimal(120)), "0 to 100"),
        (lambda: Tax(Decimal("NaN")), "0 to 100"),
        (lambda: Ledger("EUR", [Cost("parts", Amount(Decimal(1), "GBP"))]), "give the rate"),
        (lambda: Ledger("EUR", [Cost("parts", euro(1), rate=Decimal(2))]), "own currency"),
        (lambda: Ledger("EUR", hourly=Amount(Decimal(1), "GBP")), "in EUR"),
        (lambda: Ledger("EUR").expect([]), "at least one"),
        (lambda: Ledger("EUR").expect([(euro(5), -1)]), "0 or more"),
        (lambda: Ledger("EUR").expect([(Amount(Decimal(5), "GBP"), 1)]), "in EUR"),
        (lambda: PriceRange(euro(9), euro(5)), "in this order"),
    ],
)  # fmt: skip
def test_entries_that_make_no_sense_say_so(make: object, says: str) -> None:
    """Each mistake is named, with what was expected."""
    with pytest.raises(BadAccount, match=says):
        make()  # type: ignore[operator]
