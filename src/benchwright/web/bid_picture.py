"""The picture beside a bid: how likely a loss is at each price."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ..money.bid import Bid

WIDTH, HEIGHT = 480.0, 330.0
LEFT, RIGHT, TOP, BOTTOM = 80.0, 30.0, 16.0, 70.0
"""Room around the curve, in the picture's own units."""
_MOST_TICKS = 5


@dataclass(frozen=True)
class Picture:
    """Where everything stands in the picture, in its own units.

    Attributes
    ----------
    curve : str
        Points of the curve, as SVG has them.
    prices, chances : list of (float, str)
        Where the axes are marked, and with what.
    asked : float
        Height of the chance of a loss that was asked for.
    bids : list of (float, float, str)
        The bids judged: where, and what each is.
    width, height, left, right, top, bottom : float
        The picture, and the edges of the field that the axes enclose.
    """

    curve: str
    prices: list[tuple[float, str]]
    chances: list[tuple[float, str]]
    asked: float
    bids: list[tuple[float, float, str]]
    width: float = WIDTH
    height: float = HEIGHT
    left: float = LEFT
    right: float = WIDTH - RIGHT
    top: float = TOP
    bottom: float = HEIGHT - BOTTOM


def risk_picture(made: Bid) -> Picture | None:
    """Draw how likely a loss is at each price from nothing on; None if every price above nothing is a loss.

    Parameters
    ----------
    made : Bid
    """
    prices = [float(price) for price in made.risk]
    top = max([*prices[:-1], *(float(one.bid.value) for one in made.at)])
    if top <= 0.0:
        return None
    step = step_of(top)
    end = step * math.ceil(top / step - 1e-9)

    def x(price: float) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * price / end

    def y(chance: float) -> float:
        return HEIGHT - BOTTOM - (HEIGHT - TOP - BOTTOM) * chance

    chances = [n / (len(prices) - 1) for n in range(len(prices))]
    points = [(0.0, _between(0.0, prices, chances))]
    points += [(price, chance) for price, chance in zip(prices, chances, strict=True) if 0.0 < price <= end]
    if points[-1][0] < end:
        points.append((end, _between(end, prices, chances)))
    return Picture(
        " ".join(f"{x(price):.1f},{y(chance):.1f}" for price, chance in points),
        [(x(step * n), f"{step * n:g}") for n in range(round(end / step) + 1)],
        [(y(n / 4), f"{25 * n} %") for n in range(5)],
        y(made.chance_of_loss),
        [(x(float(one.bid.value)), y(one.chance_of_loss), str(one.bid)) for one in made.at],
    )


def step_of(top: float) -> float:
    """A round step of which a few reach a price: 1, 2 or 5 with noughts."""
    rough = top / _MOST_TICKS
    tens = 10.0 ** math.floor(math.log10(rough))
    return next(tens * n for n in (1, 2, 5, 10) if tens * n >= rough * (1 - 1e-9))


def _between(price: float, prices: list[float], chances: list[float]) -> float:
    """The chance at a price, on the line between those known."""
    if price <= prices[0]:
        return 0.0
    for n in range(1, len(prices)):
        if price <= prices[n]:
            width = prices[n] - prices[n - 1]
            share = 1.0 if width <= 0.0 else (price - prices[n - 1]) / width
            return chances[n - 1] + share * (chances[n] - chances[n - 1])
    return 1.0
