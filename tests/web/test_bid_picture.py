"""Where things stand in the picture of a bid."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchwright.jobs.bidding import Asked, answer
from benchwright.money.bid import Bid
from benchwright.web.bid_picture import BOTTOM, HEIGHT, LEFT, RIGHT, TOP, WIDTH, risk_picture, step_of


@pytest.fixture(scope="module")
def made() -> Bid:
    return answer(Asked("90..150", "35", bids=("20", "60"), draws=2000)).made


def test_the_engine_tells_the_price_of_each_risk(made: Bid) -> None:
    """Rising prices; a judged bid lies between the two prices whose risks enclose its own."""
    assert len(made.risk) == 41
    assert (np.diff(made.risk) >= 0).all()
    for one in made.at:
        below, above = np.searchsorted(made.risk, [float(one.bid.value) - 1e-6, float(one.bid.value) + 1e-6])
        assert (below - 1) / 40 - 0.001 <= one.chance_of_loss <= above / 40 + 0.001


def test_a_straight_risk_is_drawn_as_a_straight_line(made: Bid) -> None:
    """Prices from -20 to 80 evenly: at nothing a loss in one of five, at 78 in 39 of 40."""
    drawn = risk_picture(replace(made, risk=np.linspace(-20.0, 80.0, 41), at=()))
    assert drawn is not None
    wide, high = WIDTH - LEFT - RIGHT, HEIGHT - TOP - BOTTOM
    for point in drawn.curve.split():
        across, down = map(float, point.split(","))
        price = 80.0 * (across - LEFT) / wide
        assert (HEIGHT - BOTTOM - down) / high == pytest.approx((price + 20.0) / 100.0, abs=0.001)
    assert drawn.curve.startswith(f"{LEFT:.1f},{HEIGHT - BOTTOM - 0.2 * high:.1f}")
    assert [text for _, text in drawn.prices] == ["0", "20", "40", "60", "80"]
    assert drawn.asked == pytest.approx(HEIGHT - BOTTOM - 0.2 * high)


def test_a_machine_that_is_worth_nothing_has_no_picture(made: Bid) -> None:
    """There is no price to draw."""
    assert risk_picture(replace(made, risk=np.linspace(-80.0, -1.0, 41), at=())) is None


@pytest.mark.parametrize(
    ("top", "step"), [(80, 20), (50, 10), (51, 20), (0.9, 0.2), (10_000, 2_000), (251, 100)]
)
def test_steps_are_round(top: float, step: float) -> None:
    """Five of them reach the top."""
    assert step_of(top) == pytest.approx(step)
