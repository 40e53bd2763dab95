"""What a faulty machine is worth: many make-believe repairs, and the most to pay for them."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from .amount import Amount
from .errors import BadBid
from .simulate import NO_GROUP, SOLD, Luck, Repairs, simulate
from .stop_rule import Conduct, Ends, Repair
from .terms import Terms
from .troubles import Bench, PastJob, Troubles, learn

Floats = NDArray[np.float64]

UNLISTED = "trouble of no listed kind, or outside this board"
_STEPS_AN_OCTAVE = 4
_OCTAVES = 10
_TWO_SIGMA = 1.96
_MOST_DRAWS = 2_000_000
_RISKS = 41


@dataclass(frozen=True, slots=True)
class Quantiles:
    """A distribution told by its mean and three points: one in ten lies below, half, nine in ten."""

    mean: float
    low: float
    middle: float
    high: float

    @classmethod
    def of(cls, values: Floats) -> Quantiles:
        low, middle, high = np.quantile(values, (0.1, 0.5, 0.9))
        return cls(float(values.mean()), float(low), float(middle), float(high))


@dataclass(frozen=True, slots=True)
class GroupShare:
    """What one kind of fault does to the account.

    Attributes
    ----------
    chance : float
        That it is the fault that shows.
    cost : float
        Mean cost of hours and parts when it is, in units of the currency; 0 if that never came up.
    share : float
        Of all repair costs spent on it, 0 to 1, further faults included.
    mended : float
        Chance that the machine ends mended when it is; 0 if that never came up.
    """

    name: str
    chance: float
    cost: float
    share: float
    mended: float


@dataclass(frozen=True, slots=True)
class AtBid:
    """What to expect of buying at one price.

    Attributes
    ----------
    expected_profit : Amount
        With the conduct that is best on average; worked out, not drawn.
    chance_of_loss, error : float
        With two standard errors of the simulation.
    """

    bid: Amount
    expected_profit: Amount
    chance_of_loss: float
    error: float


@dataclass(frozen=True, slots=True)
class Bid:
    """What a faulty machine is worth.

    Attributes
    ----------
    chance_of_loss : float
        The one asked for.
    most : Amount
        The most to pay so that a loss is no likelier than that; never below zero.
    most_low, most_high : Amount
        Where it lies with 95 % certainty, as far as the number of draws goes.
    most_conduct : Conduct
        How to go about the machine to keep to that chance.
    even : Amount
        The price at which nothing is left on average; may be below zero.
    conduct : Conduct
        How to go about it for the best average; what follows is for this.
    ends : ndarray, shape (5,)
        Chance of each way a repair ends, in the order of `simulate.SOLD` ...
    ends_error : ndarray, shape (5,)
        Two standard errors of these.
    more_faults : float
        Chance that a further fault came to light.
    hours, cost, leaves : Quantiles
        Hours at the bench with the last ones (selling, or taking apart); hours and parts of the repair in
        money; what the machine leaves before it is paid for.
    risk : ndarray, shape (41,)
        Prices at which a loss has a chance of 0, 2.5, 5 ... 100 %.
    at : tuple of AtBid
    groups : tuple of GroupShare
        Those that cost most first; trouble of no listed kind among them.
    """

    currency: str
    seed: int
    draws: int
    chance_of_loss: float
    most: Amount
    most_low: Amount
    most_high: Amount
    most_conduct: Conduct
    even: Amount
    conduct: Conduct
    ends: Floats
    ends_error: Floats
    more_faults: float
    hours: Quantiles
    cost: Quantiles
    leaves: Quantiles
    risk: Floats
    at: tuple[AtBid, ...]
    groups: tuple[GroupShare, ...]
    bench: Bench

    @property
    def most_limit(self) -> float:
        """Minutes of searching after which to give up to keep to the chance; 0 is to break it at once."""
        return float(self.most_conduct.limits[0])

    @property
    def limit(self) -> float:
        """Minutes of searching after which to give up, going for the best average."""
        return float(self.conduct.limits[0])


def work_out(
    troubles: Troubles,
    terms: Terms,
    chance_of_loss: float = 0.2,
    at: Sequence[Amount] = (),
    past: Iterable[PastJob] = (),
    bench: Bench | None = None,
    seed: int = 1,
    draws: int = 40_000,
    progress: Callable[[float], None] = lambda _: None,
) -> Bid:
    """Work out the most to pay for a faulty machine.

    Parameters
    ----------
    troubles : Troubles
        What may be wrong: see `from_board.troubles_of`.
    terms : Terms
    chance_of_loss : float
        How likely the whole may end below zero, hours counted; above 0, below 1.
    at : sequence of Amount
        Bids to judge.
    past : iterable of PastJob
        The bench's own jobs.
    bench : Bench, optional
        Instead of the usual figures.
    seed, draws : int
        The same seed gives the same answer.
    progress : callable
        Told the share done, 0 to 1.

    Raises
    ------
    BadBid
        Chances, draws or bids that make no sense.

    Notes
    -----
    Money is in floats within the simulation, whose own error is far larger, and is told in whole smallest
    amounts; the most to pay is rounded down.
    """
    if not 0.0 < chance_of_loss < 1.0:
        raise BadBid(f"chance of loss {chance_of_loss:g}: expected more than 0 and less than 1")
    if not 100 <= draws <= _MOST_DRAWS:
        raise BadBid(f"draws {draws}: expected 100 to {_MOST_DRAWS}")
    if seed < 0:
        raise BadBid(f"seed {seed}: expected 0 or more")
    for bid in at:
        if bid.currency != terms.currency or bid.value < 0:
            raise BadBid(f"bid {bid}: expected 0 or more in {terms.currency}")
    bench = learn(bench or Bench.usual(), troubles, past)
    repair, ends = Repair.of(troubles, bench), terms.ends(bench)
    luck = Luck.draw(repair, draws, seed)
    sold = terms.sold(luck.price, bench)

    conduct = repair.conduct(ends)
    made = simulate(repair, conduct, ends.minute, luck)
    leaves = left_over(made, sold, ends)
    worst = int(chance_of_loss * draws + 1e-9)
    # Going for the best average may risk more than asked; a more careful conduct then allows a higher bid.
    best_conduct, best = None, np.full(draws, -np.inf)
    careful = _careful(repair, ends)
    for number, other in enumerate(careful):
        progress((number + 1) / (len(careful) + 1))
        tried = np.sort(left_over(simulate(repair, other, ends.minute, luck), sold, ends))
        if tried[worst] > best[worst] + 1e-9:
            best_conduct, best = other, tried
    assert best_conduct is not None
    slack = math.ceil(_TWO_SIGMA * math.sqrt(draws * chance_of_loss * (1.0 - chance_of_loss)))

    def most(rank: int) -> Amount:
        return _down(max(float(best[min(max(rank, 0), draws - 1)]) - terms.before, 0.0), terms.currency)

    shares = np.bincount(made.end, minlength=5) / draws
    last = np.where(made.end == SOLD, bench.finish_minutes, bench.strip_minutes)
    spent = made.minutes * ends.minute + made.parts
    progress(1.0)
    return Bid(
        currency=terms.currency,
        seed=seed,
        draws=draws,
        chance_of_loss=chance_of_loss,
        most=most(worst),
        most_low=most(worst - slack),
        most_high=most(worst + slack),
        most_conduct=best_conduct,
        even=_near(conduct.expected - terms.before, terms.currency),
        conduct=conduct,
        ends=shares,
        ends_error=_error(shares, draws),
        more_faults=float((made.stage_minutes[1:] > 0).any(axis=0).mean()) if bench.stages > 1 else 0.0,
        hours=Quantiles.of((made.minutes + last) / 60.0),
        cost=Quantiles.of(spent),
        leaves=Quantiles.of(leaves),
        risk=np.quantile(leaves, np.linspace(0.0, 1.0, _RISKS)) - terms.before,
        at=tuple(_at(bid, conduct.expected, leaves, terms) for bid in at),
        groups=_groups(troubles, made, ends),
        bench=bench,
    )


def left_over(made: Repairs, sold: Floats, ends: Ends) -> Floats:
    """What each machine leaves before it is paid for."""
    brings = np.where(made.end == SOLD, sold, ends.broken)
    return np.asarray(brings - made.minutes * ends.minute - made.parts)


def _careful(repair: Repair, ends: Ends) -> list[Conduct]:
    """Conducts for the chance of a loss: as if a mended machine brought less than it does.

    The steps do not depend on the price, so that a better price only adds to the choice: the most to pay
    never falls when the price rises.
    """
    stages = repair.bench.stages
    found = [Conduct(np.zeros(stages), np.zeros(stages), ends.broken)]
    if ends.sold <= 0.0:
        return found
    top = math.floor(_STEPS_AN_OCTAVE * math.log2(ends.sold) + 1e-9)
    for step in range(top - _OCTAVES * _STEPS_AN_OCTAVE, top + 1):
        price = 2.0 ** (step / _STEPS_AN_OCTAVE)
        if price > ends.broken:
            conduct = repair.conduct(replace(ends, sold=price))
            if conduct.limits[0] > 0.0:
                found.append(conduct)
    return found


def _at(bid: Amount, expected: float, leaves: Floats, terms: Terms) -> AtBid:
    paid = float(bid.value) + terms.before
    chance = float((leaves < paid - 1e-9).mean())
    return AtBid(
        bid, _near(expected - paid, terms.currency), chance, float(_error(np.array([chance]), len(leaves))[0])
    )


def _error(chances: Floats, draws: int) -> Floats:
    """Two standard errors of drawn chances; not nought where something never came up (rule of three)."""
    return np.maximum(_TWO_SIGMA * np.sqrt(chances * (1.0 - chances) / draws), 3.0 / draws)


def _groups(troubles: Troubles, made: Repairs, ends: Ends) -> tuple[GroupShare, ...]:
    stage_cost = made.stage_minutes * ends.minute + made.stage_parts
    whole = float(stage_cost.sum())
    cost, mended = stage_cost.sum(axis=0), made.end == SOLD
    found = []
    for number, name in [*enumerate(troubles.names), (NO_GROUP, UNLISTED)]:
        here = made.group[0] == number
        met = bool(here.any())
        if number == NO_GROUP:
            chance = max(0.0, 1.0 - float(troubles.first.sum()))
        else:
            chance = float(troubles.first[troubles.group == number].sum())
        found.append(
            GroupShare(
                name,
                chance,
                float(cost[here].mean()) if met else 0.0,
                float(stage_cost[made.group == number].sum()) / whole if whole > 0 else 0.0,
                float(mended[here].mean()) if met else 0.0,
            )
        )
    return tuple(sorted(found, key=lambda one: (-one.share, -one.chance)))


def _fraction(value: float) -> Fraction:
    # A float's own last digits must not turn 65 into 64.99.
    return Fraction(f"{value:.6f}")


def _near(value: float, code: str) -> Amount:
    return Amount.rounded(_fraction(value), code)


def _down(value: float, code: str) -> Amount:
    return Amount.rounded_down(_fraction(value), code)
