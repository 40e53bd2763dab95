"""What proved faults teach of failure rates: against closed forms, scipy's distributions and quadrature."""

from __future__ import annotations

import math
from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from benchwright import FaultFinder
from benchwright.board import Board
from benchwright.errors import UnknownName
from benchwright.faults.learned_rates import (
    MODEL_FAULTS,
    PRIOR_FAULTS,
    Factor,
    Key,
    LearnedRates,
    Machine,
    Published,
    model_of,
    published,
)
from benchwright.faults.universe import rate_key, universe
from random_boards import random_board

ALIKE = 1e9
"""So sure that all board models are alike that the two levels are one."""
counts = st.integers(0, 40)
expectations = st.floats(1e-4, 60.0)


@given(counts, expectations, st.floats(0.3, 30.0))
def test_one_level_is_the_gamma_poisson_posterior(seen: int, expected: float, prior: float) -> None:
    """With all boards alike, mean and interval are those of Gamma(prior + seen, prior + expected)."""
    factor = Factor([expected], [seen], prior, ALIKE)
    exact = stats.gamma(prior + seen, scale=1.0 / (prior + expected))
    assert factor.mean() == pytest.approx((prior + seen) / (prior + expected), rel=1e-6)
    assert factor.mean(0) == pytest.approx(factor.mean(), rel=1e-6)
    assert factor.interval() == pytest.approx(exact.interval(0.95), rel=1e-5)
    assert factor.interval(credible=0.5) == pytest.approx(exact.interval(0.5), rel=1e-5)


@given(st.lists(st.tuples(expectations, counts), min_size=2, max_size=5))
@settings(max_examples=25)
def test_alike_boards_add_up(rows: list[tuple[float, int]]) -> None:
    """With all boards alike, what was seen of several is as if it had been seen of one."""
    expected, seen = zip(*rows, strict=True)
    apart = Factor(expected, seen, model_faults=ALIKE)
    together = Factor([math.fsum(expected)], [sum(seen)], model_faults=ALIKE)
    assert apart.mean() == pytest.approx(together.mean(), rel=1e-5)
    assert apart.interval() == pytest.approx(together.interval(), rel=1e-5)


@pytest.mark.parametrize(
    ("expected", "seen"),
    [([3.0, 0.5], [7, 0]), ([0.02], [3]), ([0.4, 2.0, 6.0], [0, 9, 2]), ([12.0], [0])],
)
def test_two_levels_against_quadrature(expected: list[float], seen: list[int]) -> None:
    """Means and intervals are those of adaptive quadrature over scipy's gamma and negative binomial."""
    a, b = PRIOR_FAULTS, MODEL_FAULTS

    def density(theta: float) -> float:
        return float(stats.gamma.pdf(theta, a, scale=1 / a)) * math.prod(
            float(stats.nbinom.pmf(n, b, b / (b + theta * e))) for n, e in zip(seen, expected, strict=True)
        )

    def over_theta(what: object, top: float = 40.0) -> float:
        points = [x for x in (0.2, 1.0, 2.0, 5.0) if x < top]
        return float(integrate.quad(what, 0.0, top, points=points, limit=400, epsabs=0, epsrel=1e-10)[0])

    whole = over_theta(density)
    factor = Factor(expected, seen)
    assert factor.mean() == pytest.approx(over_theta(lambda t: t * density(t)) / whole, rel=1e-8)
    for end, chance in zip(factor.interval(), (0.025, 0.975), strict=True):
        assert over_theta(density, end) / whole == pytest.approx(chance, abs=1e-6)
    for model, (n, e) in enumerate(zip(seen, expected, strict=True)):
        mean = over_theta(lambda t, n=n, e=e: density(t) * (b + n) / (b / t + e)) / whole
        assert factor.mean(model) == pytest.approx(mean, rel=1e-8)
        for end, chance in zip(factor.interval(model), (0.025, 0.975), strict=True):
            below = over_theta(
                lambda t, n=n, e=e, end=end: (
                    density(t) * float(stats.gamma.cdf(end, b + n, scale=1 / (b / t + e)))
                )
            )
            assert below / whole == pytest.approx(chance, abs=1e-6)


def test_a_model_leans_on_the_others_until_it_has_its_own() -> None:
    """A model's factor lies between what it showed itself and all boards; much evidence wins over both."""
    few = Factor([2.0, 20.0], [0, 60])
    assert 0 < few.mean(0) < few.mean() < few.mean(1) < 3.0
    many = Factor([2000.0, 20.0], [1000, 60])
    assert many.mean(0) == pytest.approx(0.5, rel=0.01)
    assert few.interval(1)[0] < few.mean(1) < few.interval(1)[1]


@cache
def board() -> Board:
    return random_board(3, chips=4, nets=16, passives=8)


@cache
def rates() -> dict[Key, Published]:
    return published(board())


def of(*proved: Key, model: str = "one") -> Machine:
    return Machine(model, rates(), proved)


@cache
def keys() -> list[Key]:
    return sorted(rates())


machines = st.lists(
    st.builds(
        lambda model, proved: of(*proved, model=model),
        st.sampled_from(["one", "two", "three"]),
        st.lists(st.sampled_from(keys()), max_size=3),
    ),
    max_size=8,
)


@given(machines, st.randoms(use_true_random=False))
@settings(max_examples=20)
def test_the_order_of_jobs_does_not_matter(some: list[Machine], chance: object) -> None:
    """The same machines in another order give the same factors and table, to the last digit."""
    mixed = list(some)
    chance.shuffle(mixed)  # type: ignore[attr-defined]
    first, second = LearnedRates(some), LearnedRates(mixed)
    for model in ("", "one", "never seen"):
        assert first.factors(model) == second.factors(model)
    assert first.rates() == second.rates()


def test_no_history_gives_the_prior_exactly() -> None:
    """Without proved faults there are no factors, and the finder's rates are those published, bit by bit."""
    learned = LearnedRates([of(), of()])
    assert learned.factors("one") == {}
    assert learned.rates(all_of_them=True) == []
    assert FaultFinder(board(), history=learned.factors()).faults == FaultFinder(board()).faults


def test_published_rates_hold_the_whole_universe() -> None:
    """Every fault of the board is counted under one kind and mode; bridges belong to no kind."""
    faults = universe(board())
    assert math.fsum(one.rate for one in rates().values()) == pytest.approx(sum(f.rate for f in faults))
    assert {rate_key(board(), f)[0] for f in faults if f.place[0] == "bridge"} == {""}
    assert rates()["", "bridge"].parts == 1


def test_seen_as_expected_leaves_the_rates_nearly_alone() -> None:
    """If faults come in the published shares, all factors stay near 1, however many there are."""
    whole = math.fsum(one.rate for one in rates().values())
    proved = [key for key, one in rates().items() for _ in range(round(400 * one.rate / whole))]
    factors = LearnedRates([of(key) for key in proved]).factors("one")
    likely = [factors[key] for key, one in rates().items() if one.rate / whole > 0.02]
    assert len(likely) > 5
    assert all(0.9 < factor < 1.1 for factor in likely)


def test_the_finder_takes_the_factors() -> None:
    """What was proved often is suspected more, on its model most; a bridge is raised as well as a part."""
    key = next(key for key in keys() if key[1] == "dead")
    learned = LearnedRates([of(key)] * 3 + [of(("", "bridge"))])
    plain = {rate_key(board(), f): 0.0 for f in universe(board())}
    taught, other = dict(plain), dict(plain)
    for into, history in ((plain, None), (taught, learned.factors("one")), (other, learned.factors())):
        for fault in universe(board(), history):
            into[rate_key(board(), fault)] += fault.rate
    factor = learned.factors("one")[key]
    assert taught[key] == pytest.approx(plain[key] * factor)
    assert plain[key] < other[key] < taught[key]
    bridges = learned.factors("one")["", "bridge"]
    assert taught["", "bridge"] == pytest.approx(plain["", "bridge"] * bridges)


def test_the_table_tells_prior_seen_and_now() -> None:
    """Machines, expected, seen, the published rate of one part and the present one with its interval."""
    key = next(key for key in keys() if key[1] == "dead")
    learned = LearnedRates([of(key), of(key, keys()[0], model="two"), of(model="two")])
    whole = math.fsum(one.rate for one in rates().values())
    overall = next(r for r in learned.rates() if (r.kind, r.mode) == key)
    assert (overall.machines, overall.seen) == (2, 2)
    assert overall.expected == pytest.approx(3 * rates()[key].rate / whole)
    assert overall.prior == pytest.approx(rates()[key].rate / rates()[key].parts)
    assert overall.now == pytest.approx(overall.prior * learned.factors()[key])
    assert overall.low < overall.factor < overall.high
    one = learned.rates("one")
    assert [(r.kind, r.mode, r.seen, r.machines) for r in one] == [(*key, 1, 1)]
    assert len(learned.rates("one", all_of_them=True)) == len(keys())
    assert learned.rates("never seen") == []


def test_a_fault_that_the_board_cannot_have_is_refused() -> None:
    """It is named, not dropped."""
    with pytest.raises(UnknownName, match="valve gassy"):
        LearnedRates([of(("valve", "gassy"))])


def test_models_go_by_name_and_revision() -> None:
    """Two revisions of one board are two models."""
    assert model_of(Board(name="Heron", revision=" B")) == "Heron B"
    assert model_of(Board(name="Heron")) == "Heron"
