"""Readings in words, and whether they are what was expected."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright.sheets.judged import as_expected
from benchwright.sheets.told import with_unit


@pytest.mark.parametrize(
    ("value", "expected", "judged"),
    [
        ("4.98 V", "4.75 to 5.25 V", True),
        ("5.26 V", "4.75 to 5.25 V", False),
        ("4,98 V", "4,75 V to 5,25 V", True),
        ("-5.1 V", "-5.25 to -4.75 V", True),
        ("-5.1 V", "-4.75 to -5.25 V", True),
        ("5.1 V", "5 V ± 5 %", True),
        ("5.3 V", "5 V ±5%", False),
        ("5.1 V", "5 V ± 0.05 V", False),
        ("14 mV", "under 50 mV", True),
        ("OL", "over 1 MΩ", True),
        ("0.8 Ω", "> 100 Ω", False),
        ("4k7", "4.5 to 5 kΩ", True),
        ("470 Ω", "4.5 to 5 kΩ", False),
        ("beeps", "beeps", True),
        ("beeps", "does not beep", None),
        ("184 Ω", "180 Ω", None),
        ("4.98 V", "", None),
        ("4.98 V", "about right", None),
        ("4.98 V", "100 to 200 Ω", None),
        ("> 4 V", "4.75 to 5.25 V", None),
        ("no picture", "4.75 to 5.25 V", None),
    ],
)
def test_a_reading_is_judged_only_where_the_expectation_has_limits(value, expected, judged):
    """A number alone has no tolerance, and other units are not compared."""
    assert as_expected(value, expected) is judged


@given(st.text(max_size=30), st.text(max_size=30))
def test_any_words_are_judged_without_an_error(value, expected):
    """Nothing typed breaks it, and what is word for word as expected is as expected."""
    assert as_expected(value, expected) in (True, False, None)
    if value.strip():
        assert as_expected(value, value) is True


@pytest.mark.parametrize(
    ("typed", "quantity", "printed"),
    [
        ("0R8", "resistance", "0.8 Ω"),
        ("4k7", "resistance", "4.7 kΩ"),
        ("R47", "resistance", "0.47 Ω"),
        ("184", "resistance", "184 Ω"),
        ("12k", "resistance", "12 kΩ"),
        ("4.98", "voltage", "4.98 V"),
        ("4.98V", "voltage", "4.98 V"),
        ("0.55", "diode", "0.55 V"),
        ("OL", "resistance", "OL"),
        ("debris", "look", "debris"),
        ("20", "passes", "20 (no unit)"),
        ("4.75 to 5.25 V", "voltage", "4.75 to 5.25 V"),
        ("", "voltage", ""),
    ],
)
def test_values_are_printed_with_their_unit(typed, quantity, printed):
    """As typed, with the unit that the quantity has."""
    assert with_unit(typed, quantity) == printed
