"""The bid: against closed forms, against every outcome counted out, and the right way round."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from benchwright.board import Board
from benchwright.money import Amount, BadBid, PriceRange
from benchwright.money.bid import Bid, work_out
from benchwright.money.census import generic_board
from benchwright.money.from_board import first_and_hidden, troubles_of
from benchwright.money.simulate import NOT_BEGUN, NOT_CURED, NOT_FOUND, NOT_WORTH, SOLD, Luck, simulate
from benchwright.money.stop_rule import Ends, Repair
from benchwright.money.terms import Terms
from benchwright.money.troubles import Bench, PastJob, Troubles, learn
from benchwright.money.words import reasons
from random_boards import random_board


def euro(value: float | str) -> Amount:
    return Amount(Decimal(str(value)), "EUR")


def bench(**changed: float) -> Bench:
    """A bench whose search takes 40 minutes for 10 bits, without luck."""
    plain = {
        "minutes_a_bit": 4.0, "spread": 0.0, "never": 0.0, "setup_minutes": 20.0, "finish_minutes": 0.0,
        "strip_minutes": 0.0, "try_minutes": 0.0, "tries": 1, "stages": 1,
    }  # fmt: skip
    return Bench(**{**plain, **changed})  # type: ignore[arg-type]


def troubles(
    first: Sequence[float],
    success: Sequence[float],
    minutes: Sequence[float] = (),
    cost: Sequence[float] = (),
    hidden: Sequence[float] = (),
    hidden_unlisted: float = 0.0,
) -> Troubles:
    count = len(first)
    return Troubles(
        np.array(first), np.array(hidden or [0.0] * count), np.array(minutes or [30.0] * count),
        np.array(cost or [5.0] * count), np.array(success), np.arange(count),
        tuple(f"kind {number}" for number in range(count)), 10.0, 10.0, hidden_unlisted,
    )  # fmt: skip


TERMS = Terms(euro(120), euro(30), Decimal(10), hourly=euro(6))
"""Sold: 108; broken: 27. Setup, search and one remedy of 30 minutes: 90 minutes, 9 euro; part 5 euro."""


# -- closed forms -----------------------------------------------------------------------------------


@pytest.mark.parametrize("success", [0.3, 0.6, 0.9])
@pytest.mark.parametrize("chance", [0.05, 0.2, 0.5, 0.8])
def test_two_outcomes_against_the_closed_form(success: float, chance: float) -> None:
    """Cured or not: 94 or 13 are left. The chance of loss says which of them may be paid.

    If the cure fails too often for the chance asked, the best is to break the machine at once, for 27.
    """
    made = work_out(troubles([1.0], [success]), TERMS, chance, [euro(50)], bench=bench())
    assert made.most == (euro(94) if chance > 1 - success else euro(27))
    even = 94 * success + 13 * (1 - success)
    worth_it = even > 27
    assert made.even == euro(round(max(even, 27), 2))
    sold = success if worth_it else 0.0
    assert made.ends[SOLD] == pytest.approx(sold, abs=2 * made.ends_error[SOLD])
    (at,) = made.at
    assert at.expected_profit == made.even - euro(50)
    assert at.chance_of_loss == pytest.approx(1 - sold, abs=2 * at.error)
    assert made.most_low <= made.most <= made.most_high


def test_a_search_that_takes_uncertain_time_against_the_closed_form() -> None:
    """With nothing else uncertain the machine leaves a lognormal: its quantile is the most to pay."""
    own = bench(spread=0.8)
    made = work_out(troubles([1.0], [1.0]), replace(TERMS, working=euro(1000)), 0.25, bench=own)
    time = 40.0 * math.exp(0.8 * norm.ppf(0.75))
    assert float(made.most.value) == pytest.approx(900 - 5 - (50 + time) * 0.1, abs=0.15)
    assert made.most_low.value <= Decimal(f"{895 - (50 + time) * 0.1:.2f}") <= made.most_high.value
    assert float(made.even.value) == pytest.approx(895 - (50 + 40 * math.exp(0.32)) * 0.1, abs=5)


@pytest.mark.parametrize(
    ("working", "mean"),
    [(PriceRange(euro(60), euro(180)), 120), (PriceRange(euro(60), euro(180), euro(90)), 110)],
)
def test_an_uncertain_price_against_the_closed_form(working: PriceRange, mean: float) -> None:
    """Only the price is uncertain: a tenth of machines leaves less than its tenth quantile does."""
    free = replace(TERMS, working=working, parts=euro(0), fee_percent=Decimal(0), hourly=None)
    made = work_out(troubles([1.0], [1.0], cost=[0.0]), free, 0.1, bench=bench())
    tenth = 72.0 if working.likely is None else 60 + math.sqrt(0.1 * 120 * 30)
    assert float(made.most.value) == pytest.approx(tenth, abs=1.0)
    assert float(working.chance_below(made.most.exact)) == pytest.approx(0.1, abs=0.01)
    assert made.even == euro(mean)


# -- every outcome counted out ------------------------------------------------------------------------

chances = st.floats(0.05, 1.0)


@st.composite
def small_cases(draw: st.DrawFn) -> tuple[Troubles, Bench, Ends]:
    count = draw(st.integers(1, 3))

    def some(values: st.SearchStrategy[float]) -> list[float]:
        return draw(st.lists(values, min_size=count, max_size=count))

    first = np.array(some(chances))
    own = troubles(
        list(first / first.sum() * draw(st.floats(0.5, 1.0))), some(chances), some(st.floats(1, 90)),
        some(st.floats(0, 40)), some(st.floats(0, 0.3)), draw(st.floats(0, 0.1)),
    )  # fmt: skip
    made = bench(
        never=draw(st.sampled_from((0.0, 0.15))), tries=draw(st.integers(1, 3)),
        stages=draw(st.integers(1, 4)), try_minutes=2.0,
    )  # fmt: skip
    return own, made, Ends(draw(st.floats(20, 200)), draw(st.floats(0, 60)), draw(st.floats(0, 0.5)))


class Counted:
    """All outcomes of a small case, worked out by going through the tree; written apart from the package."""

    def __init__(self, own: Troubles, made: Bench, ends: Ends) -> None:
        self.own, self.made, self.ends = own, made, ends
        self.number = float(own.hidden.sum() + own.hidden_unlisted)

    def another(self, cured: int) -> float:
        """Chance of one more fault once so many are cured, from the Poisson numbers themselves."""
        if cured >= self.made.stages:
            return 0.0
        chance = [math.exp(-self.number) * self.number**n / math.factorial(n) for n in range(60)]
        return sum(chance[cured:]) / sum(chance[cured - 1 :])

    def outcomes(self, stage: int = 0) -> list[tuple[float, float]]:
        """(chance, what is left) with the best choices from a stage on."""
        stop = [(1.0, self.ends.broken)]
        first = self.own.first if stage == 0 else self.own.hidden / max(self.number, 1e-300)
        search = 40.0 + (self.made.setup_minutes if stage == 0 else 0.0)
        found = []
        missed = 1.0
        for fault, chance in enumerate(first):
            chance = float(chance) * (1.0 - self.made.never)
            missed -= chance
            found += [(chance * p, x) for p, x in self.mend(stage, fault, self.made.tries)]
        searched = [(p, x - search * self.ends.minute) for p, x in [*found, (missed, self.ends.broken)]]
        return max(stop, searched, key=lambda way: mean(way))

    def mend(self, stage: int, fault: int, tries: int) -> list[tuple[float, float]]:
        stop = [(1.0, self.ends.broken)]
        if tries == 0:
            return stop
        success = float(self.own.success[fault])
        more = self.another(stage + 1)
        cured = [(1.0 - more, self.ends.sold)]
        if more > 0:
            cured += [(more * p, x) for p, x in self.outcomes(stage + 1)]
        cost = float(self.own.cost[fault]) + self.ends.minute * (float(self.own.minutes[fault]) + 2.0)
        again = self.mend(stage, fault, tries - 1)
        tried = [(success * p, x - cost) for p, x in cured] + [
            ((1.0 - success) * p, x - cost) for p, x in again
        ]
        return max(stop, tried, key=lambda way: mean(way))


def mean(way: Sequence[tuple[float, float]]) -> float:
    return sum(chance * value for chance, value in way)


@given(small_cases())
def test_the_best_conduct_is_that_of_all_choices_tried(case: tuple[Troubles, Bench, Ends]) -> None:
    """The expected outcome equals that of the whole tree of searching, mending and stopping."""
    own, made, ends = case
    assert Repair.of(own, made).conduct(ends).expected == pytest.approx(
        mean(Counted(own, made, ends).outcomes()), rel=1e-9, abs=1e-9
    )


@settings(max_examples=25)
@given(small_cases())
def test_the_simulation_draws_from_the_counted_outcomes(case: tuple[Troubles, Bench, Ends]) -> None:
    """The drawn distribution of what is left is the exact one, within what the number of draws allows."""
    own, made, ends = case
    draws = 20_000
    repair = Repair.of(own, made)
    repairs = simulate(repair, repair.conduct(ends), ends.minute, Luck.draw(repair, draws, 7))
    left = (
        np.where(repairs.end == SOLD, ends.sold, ends.broken) - repairs.minutes * ends.minute - repairs.parts
    )
    exact = Counted(own, made, ends).outcomes()
    for value in sorted({round(x, 6) for _, x in exact})[::3]:
        below = sum(p for p, x in exact if x <= value + 1e-6)
        error = math.sqrt(max(below * (1 - below), 1e-9) / draws)
        assert float((left <= value + 2e-6).mean()) == pytest.approx(below, abs=5 * error + 1e-4)
    assert left.mean() == pytest.approx(mean(exact), abs=5 * left.std() / math.sqrt(draws) + 1e-6)


def test_every_way_to_end_is_met_where_it_belongs() -> None:
    """Unlisted trouble is not found, a dear remedy is not worth it, a failing one does not cure."""
    own = troubles([0.3, 0.3, 0.2], [1.0, 1.0, 0.5], cost=[1.0, 500.0, 1.0])
    made = work_out(own, TERMS, bench=bench())
    exact = dict(
        zip((SOLD, NOT_BEGUN, NOT_FOUND, NOT_WORTH, NOT_CURED), (0.4, 0, 0.2, 0.3, 0.1), strict=True)
    )
    for end, chance in exact.items():
        assert made.ends[end] == pytest.approx(chance, abs=2 * made.ends_error[end])
    dear = next(one for one in made.groups if one.name == "kind 1")
    assert (dear.mended, dear.chance) == (0.0, pytest.approx(0.3))
    assert sum(one.share for one in made.groups) == pytest.approx(1.0)


def test_the_stated_error_of_the_most_to_pay_holds() -> None:
    """Other seeds stay within the stated 95 % range of the exact quantile about that often."""
    own, made = troubles([1.0], [1.0]), bench(spread=0.8)
    exact = 895 - (50 + 40.0 * math.exp(0.8 * norm.ppf(0.75))) * 0.1
    rich = replace(TERMS, working=euro(1000))
    within = 0
    for seed in range(60):
        found = work_out(own, rich, 0.25, bench=made, seed=seed, draws=1000)
        within += float(found.most_low.value) - 0.01 <= exact <= float(found.most_high.value) + 0.01
    assert within >= 51  # 57 of 60 to be expected; fewer than 51 happens once in a hundred times


# -- the right way round ---------------------------------------------------------------------------


@st.composite
def cases(draw: st.DrawFn) -> tuple[Troubles, Bench, Terms]:
    own, made, _ = draw(small_cases())
    price = draw(st.integers(2000, 20000))
    terms = Terms(
        euro(price / 100), euro(draw(st.integers(0, 6000)) / 100), draw(st.decimals(0, 20, places=1)),
        hourly=euro(draw(st.integers(0, 3000)) / 100),
    )  # fmt: skip
    return own, replace(made, spread=draw(st.sampled_from((0.0, 0.7)))), terms


def worked(own: Troubles, terms: Terms, made: Bench, chance: float = 0.2) -> Bid:
    return work_out(own, terms, chance, bench=made, draws=1500)


@settings(max_examples=25)
@given(cases(), st.integers(0, 10000), st.sampled_from((0.05, 0.2, 0.5)))
def test_a_better_price_never_lowers_the_bid(
    case: tuple[Troubles, Bench, Terms], more: int, chance: float
) -> None:
    """Working price up: neither the most to pay nor the price that leaves nothing goes down."""
    own, made, terms = case
    better = replace(terms, working=terms.range.low + euro(more / 100))
    less, best = worked(own, terms, made, chance), worked(own, better, made, chance)
    assert best.most >= less.most
    assert best.even >= less.even


@settings(max_examples=25)
@given(cases(), st.data())
def test_on_average_every_help_helps(case: tuple[Troubles, Bench, Terms], data: st.DataObject) -> None:
    """Better parts price, lower fee or hourly rate, cheaper or surer remedies: never worse on average."""
    own, made, terms = case
    even = worked(own, terms, made).even
    share = data.draw(st.floats(0.0, 1.0))
    helps = (
        (own, replace(terms, parts=terms.parts + euro(round(50 * share, 2))), made),
        (own, replace(terms, fee_percent=Decimal(str(round(float(terms.fee_percent) * share, 3)))), made),
        (own, replace(terms, hourly=euro(round(float(terms.minute) * 60 * share, 2))), made),
        (replace(own, cost=own.cost * share), terms, made),
        (replace(own, minutes=own.minutes * share), terms, made),
        (replace(own, success=own.success + (1 - own.success) * share), terms, made),
        (own, terms, replace(made, never=made.never * share)),
    )
    for changed in helps:
        assert worked(*changed).even >= even - euro("0.01")


@settings(max_examples=25)
@given(cases())
def test_more_risk_allows_a_higher_bid_and_the_parts_are_a_floor(case: tuple[Troubles, Bench, Terms]) -> None:
    """The most to pay grows with the chance of loss and is never below what breaking at once leaves."""
    own, made, terms = case
    found = [worked(own, terms, made, chance).most for chance in (0.02, 0.1, 0.3, 0.6, 0.95)]
    assert found == sorted(found, key=lambda one: one.value)
    assert float(found[0].value) >= terms.ends(made).broken - 0.011


@given(cases(), st.integers(0, 15000), st.integers(1, 3000))
def test_a_higher_bid_loses_more_often_and_earns_as_much_less(
    case: tuple[Troubles, Bench, Terms], cents: int, more: int
) -> None:
    """Expected profit falls by the difference, and the chance of a loss does not fall."""
    own, made, terms = case
    low, high = euro(cents / 100), euro((cents + more) / 100)
    one, two = work_out(own, terms, 0.2, [low, high], bench=made, draws=500).at
    assert one.expected_profit - two.expected_profit == high - low
    assert one.chance_of_loss <= two.chance_of_loss


def test_the_seed_repeats_the_answer_and_another_changes_it_little() -> None:
    """Same seed, same figures to the last digit; another seed stays near."""
    own = troubles([0.5, 0.4], [0.9, 0.6], hidden=[0.1, 0.1])
    made = bench(spread=0.7, stages=3, tries=2)
    one, same, other = (work_out(own, TERMS, bench=made, seed=seed) for seed in (4, 4, 5))
    assert (one.most, one.leaves, one.groups) == (same.most, same.leaves, same.groups)
    assert one.leaves != other.leaves
    assert one.even == other.even
    assert one.ends[SOLD] == pytest.approx(other.ends[SOLD], abs=2 * one.ends_error[SOLD])


# -- from a board ------------------------------------------------------------------------------------


def test_which_fault_shows_and_which_are_hidden_against_every_set() -> None:
    """Every set of four faults, weighed by its best member, counted one by one."""
    odds, shows = np.array([0.3, 0.1, 0.2, 0.4]), np.log(np.array([1.0, 4.0, 0.5, 1.0]))
    stops = np.array([1.0, 0.5, 0.25, 0.0])
    there = 1.0 - np.exp(-odds)
    first, hidden = np.zeros(4), np.zeros(4)
    for members in itertools.product((0, 1), repeat=4):
        if any(members):
            here = np.array(members)
            best = max((i for i in range(4) if members[i]), key=lambda i: (shows[i], i))
            weight = float(np.where(here, there, 1.0 - there).prod() * np.exp(shows[best]))
            first[best] += weight
            hidden += weight * (here - np.eye(4, dtype=int)[best])
    told_first, told_hidden = first_and_hidden(shows, odds, stops)
    assert told_first == pytest.approx(first / first.sum(), rel=1e-12)
    assert told_hidden == pytest.approx(hidden / first.sum() * stops, rel=1e-9, abs=1e-15)


@pytest.fixture(scope="module")
def small() -> Board:
    return random_board(3, chips=3, nets=14, passives=6)


def test_a_board_gives_its_faults_with_what_they_cost(small: Board) -> None:
    """Chances sum to one with the unlisted ones, and every remedy has minutes and a chance."""
    own = troubles_of(small)
    assert 0.5 < own.first.sum() <= 1.0
    assert (own.minutes > 0).all()
    assert ((own.success > 0) & (own.success <= 1)).all()
    assert own.hidden.sum() < 0.35
    dear = troubles_of(small, prices={"U1": 99.0})
    assert set(np.unique(dear.cost)) - set(np.unique(own.cost)) == {99.0}
    assert troubles_of(small, euro=2.0).cost.sum() == pytest.approx(2 * own.cost.sum())


def test_what_is_seen_moves_the_chances_to_what_causes_it() -> None:
    """On a machine of no board: no sound speaks for the sound chip, dead for the supply's parts."""

    def chance(symptoms: list[str], name: str) -> float:
        own = troubles_of(generic_board(), symptoms)
        return float(own.first[own.group == own.names.index(name)].sum())

    assert chance(["no sound"], "sound chips") > 1.5 * chance([], "sound chips")
    assert chance(["dead"], "electrolytic capacitors") > 1.5 * chance([], "electrolytic capacitors")


def test_own_history_moves_rates_hours_and_the_share_never_found() -> None:
    """A kind seen failing more often is likelier; slow jobs make it slower; jobs given up lower the bid."""
    board = generic_board()
    plain = troubles_of(board)
    often = troubles_of(
        board, rates={("4164", mode): 5.0 for mode in ("dead", "bits", "pin low", "pin high")}
    )
    memory = plain.names.index("dynamic memory")
    assert often.first[often.group == memory].sum() > plain.first[plain.group == memory].sum()
    usual = Bench.usual()
    slow = learn(usual, plain, [PastJob(20.0, True)] * 5)
    lost = learn(usual, plain, [PastJob(5.0, False)] * 5)
    many = learn(usual, plain, [PastJob(20.0, True)] * 500)
    assert 1.0 < slow.slowness < many.slowness
    assert lost.never == pytest.approx((0.1 * 20 + 5) / 25)
    assert lost.slowness == 1.0
    best = work_out(plain, TERMS, draws=2000)
    for past in ([PastJob(20.0, True)] * 5, [PastJob(5.0, False)] * 5):
        assert work_out(plain, TERMS, past=past, draws=2000).even < best.even


def test_many_quick_jobs_bring_the_expected_hours_to_theirs() -> None:
    """With very many own jobs the usual figures no longer count: slowness is hours over usual hours."""
    own = troubles([1.0], [1.0])
    hours = (20 + 40 + 30) / 60
    assert learn(bench(), own, [PastJob(hours / 2, True)] * 10_000).slowness == pytest.approx(0.5, rel=1e-3)


# -- what is refused, what is told ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"chance_of_loss": 0.0}, "more than 0"), ({"chance_of_loss": 1.0}, "less than 1"),
        ({"draws": 5}, "100 to"), ({"seed": -1}, "0 or more"),
        ({"at": [Amount(Decimal(1), "GBP")]}, "in EUR"), ({"past": [PastJob(0.0, True)]}, "above 0"),
    ],
)  # fmt: skip
def test_what_makes_no_bid_is_refused(changed: dict[str, object], says: str) -> None:
    """Each says what was expected."""
    whole = {"bench": bench(), **changed}
    with pytest.raises(BadBid, match=says):
        work_out(troubles([1.0], [1.0]), TERMS, **whole)  # type: ignore[arg-type]


def test_prices_and_boards_that_make_no_sense_are_refused(small: Board) -> None:
    """Two currencies, negative prices, unknown parts, machines that work, boards with nothing on them."""
    with pytest.raises(BadBid, match="in EUR"):
        replace(TERMS, parts=Amount(Decimal(1), "GBP"))
    with pytest.raises(BadBid, match="working price"):
        replace(TERMS, working=euro(-1))
    with pytest.raises(BadBid, match="0 to 100"):
        replace(TERMS, fee_percent=Decimal(101))
    with pytest.raises(BadBid, match="reference or a kind"):
        troubles_of(small, prices={"U99": 1.0})
    with pytest.raises(BadBid, match="needs no repair"):
        troubles_of(small, ["works"])
    with pytest.raises(BadBid, match="nothing on this board"):
        troubles_of(Board())
    with pytest.raises(BadBid, match="sum to 1"):
        troubles([0.9, 0.9], [1.0, 1.0])


def test_the_reasons_say_what_the_figures_say() -> None:
    """Hopeless, dear and plain cases each have their sentence."""
    hopeless = work_out(troubles([1.0], [0.1]), replace(TERMS, working=euro(40)), bench=bench(), draws=500)
    assert "worth its parts" in " ".join(reasons(hopeless))
    own = troubles([0.6, 0.3], [1.0, 1.0], cost=[1.0, 60.0], hidden=[0.2, 0.1])
    told = " ".join(reasons(work_out(own, TERMS, bench=bench(stages=3), draws=5000)))
    assert "Dearest when met: kind 1" in told
    assert "further fault" in told
    gift = replace(TERMS, working=euro(20), parts=euro(0), postage_in=euro(30))
    assert "Even as a gift" in " ".join(reasons(work_out(own, gift, bench=bench(), draws=500)))
