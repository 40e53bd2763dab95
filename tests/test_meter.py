"""How a meter reads."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright.circuit import Meter

METER = Meter()


def test_resolution_by_range() -> None:
    """A 2000-count meter shows 0.1 ohm up to 200 ohm and 100 ohm up to 200 kohm."""
    # reference/electrical.md section 6, kit handheld C: resolution 0.1 ohm to 100 ohm on 200 ohm to 200 kohm.
    assert float(METER.step(150.0)) == pytest.approx(0.1)
    assert float(METER.step(1_500.0)) == pytest.approx(1.0)
    assert float(METER.step(150_000.0)) == pytest.approx(100.0)


def test_ohm_error_is_accuracy_over_root_three_with_the_leads() -> None:
    """0.8 % + 2 digits as a half-width over the square root of 3, leads added in quadrature."""
    # reference/electrical.md section 6: accuracy of handheld C, and the rule for uncertainty.
    assert float(METER.ohm_error(100.0)) == pytest.approx(math.hypot((0.8 + 0.2) / math.sqrt(3.0), 0.1))


def test_volt_error_at_five_volts() -> None:
    """0.5 % + 2 digits of 10 mV at 5 V on the 20 V range."""
    assert float(METER.volt_error(5.0)) == pytest.approx((0.025 + 0.02) / math.sqrt(3.0))


def test_display_adds_leads_and_goes_over() -> None:
    """Shorted leads show their own resistance; above the top range the display shows OL."""
    assert METER.show_ohms(0.0) == pytest.approx(0.2)
    assert METER.show_ohms(math.inf) == math.inf
    assert METER.show_ohms(METER.top_ohms) == math.inf


@given(st.floats(0.0, 1.9e7))
def test_display_is_within_half_a_digit(ohms: float) -> None:
    """What is shown is the resistance with the leads, rounded to the last digit of its range."""
    shown = METER.show_ohms(ohms)
    assert abs(shown - ohms - METER.lead_ohms) <= 0.5001 * float(METER.step(ohms + METER.lead_ohms))


@given(st.floats(1e-3, 1e7), st.floats(1.0, 100.0))
def test_larger_readings_are_no_surer(ohms: float, factor: float) -> None:
    """The absolute uncertainty of a reading never falls as the reading grows."""
    assert float(METER.ohm_error(ohms * factor)) >= float(METER.ohm_error(ohms)) * (1 - 1e-12)
