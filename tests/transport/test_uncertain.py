"""Numbers with uncertainty: read, carried through sums, told."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright.errors import BadQuantity
from benchwright.transport.uncertain import Uncertain, parse_uncertain, rounded, typed_sigma

values = st.floats(0.5, 100)
small = st.floats(0.0001, 0.005)


@given(values, values, values, small, small, small)
def test_first_order_uncertainty_agrees_with_drawing(a, b, c, sa, sb, sc):
    """(a + b) c / a with a shared source spreads as 4000 drawn values do."""
    rng = np.random.default_rng(1)
    errors = rng.standard_normal((3, 4000))
    ua, ub, uc = (Uncertain.of(v, v * s, name) for v, s, name in ((a, sa, "a"), (b, sb, "b"), (c, sc, "c")))
    made = (ua + ub) * uc / ua
    da, db, dc = (v * (1 + s * e) for v, s, e in zip((a, b, c), (sa, sb, sc), errors, strict=True))
    drawn = (da + db) * dc / da
    assert made.value == pytest.approx((a + b) * c / a)
    assert made.sigma == pytest.approx(float(np.std(drawn)), rel=0.08)


def test_what_two_values_share_drops_out_of_their_ratio():
    """A diameter that both rest on does not make their ratio uncertain."""
    speed = Uncertain.of(47.6, 0.5, "tape speed")
    assert (speed * 3.0 / (speed * 7.0)).sigma == pytest.approx(0, abs=1e-15)


@pytest.mark.parametrize(
    ("text", "value", "sigma"),
    [
        ("60", 60, None), ("60 ± 0.1", 60, 0.05), ("60+/-0.1", 60, 0.05), ("60,5 +- 1 %", 60.5, 0.3025),
        ("60 mm ± 0.1 mm", 60, 0.05), ("-0.8 ± 0.1", -0.8, 0.05), ("\u22120.8", -0.8, None),
        ("1.5 % ± 0.1 %", 1.5, 0.05),
    ],
)  # fmt: skip
def test_what_people_write(text, value, sigma):
    """± is two standard deviations, in the unit of the value or in percent of it."""
    made = parse_uncertain(text)
    assert made[0] == pytest.approx(value)
    assert made[1] == (None if sigma is None else pytest.approx(sigma))


@pytest.mark.parametrize("text", ["", "sixty", "60 ±", "± 3", "60 mm ± 0.1 in", "1e999", "6 ± 1 ± 2"])
def test_what_nobody_can_read_is_refused(text):
    """Half a number is none."""
    with pytest.raises(BadQuantity):
        parse_uncertain(text)


@given(st.floats(0.01, 1000), st.floats(0.0001, 0.2))
def test_what_is_told_reads_back_to_the_same(value, relative):
    """The text keeps the value to within a fifth of its ±, and the ± to within a tenth or so."""
    sigma = value * relative
    read, back = parse_uncertain(Uncertain.of(value, sigma, "x").told())
    assert back is not None
    assert abs(read - value) <= 0.55 * sigma + 1e-6
    assert back == pytest.approx(sigma, rel=0.27, abs=1e-6)


def test_figures_follow_the_uncertainty():
    """No digits that mean nothing, and none too few."""
    assert rounded(7.5797, 0.082) == "7.58 ± 0.08"
    assert rounded(50.42, 1.7) == "50.4 ± 1.7"
    assert rounded(1234.5, 30) == "1234 ± 30"
    assert rounded(7.5797, 0) == "7.58"


def test_a_typed_figure_is_good_to_half_its_last_digit():
    """1.3 means 1.25 to 1.35."""
    assert typed_sigma("1.3") == pytest.approx(0.05 / math.sqrt(3))
    assert typed_sigma("50") == pytest.approx(0.5 / math.sqrt(3))
    assert typed_sigma("0,125 Hz") == pytest.approx(0.0005 / math.sqrt(3))
