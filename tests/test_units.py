"""Quantities are read as people write them, and written so that they can be read back."""

from __future__ import annotations

import math

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from benchwright.errors import BadQuantity
from benchwright.units import OVER_LIMIT, format_quantity, parse_quantity, unit_of

# Source: encyclopaedia page on IEC 60062:2016, as read.
IEC_60062 = {
    "R47": 0.47, "4R7": 4.7, "470R": 470.0, "4K7": 4.7e3, "47K": 47e3, "47K3": 47.3e3, "470K": 470e3,
    "4M7": 4.7e6,
}  # fmt: skip
# Source: IEC 60062, from memory.
IEC_60062_FROM_MEMORY = {
    "2R2": 2.2, "1M0": 1e6, "10R": 10.0, "R10": 0.10, "4L7": 4.7e-3,
    "4p7": 4.7e-12, "100p": 100e-12, "1n0": 1e-9, "4n7": 4.7e-9, "100n": 100e-9, "2u2": 2.2e-6, "1m0": 1e-3,
}  # fmt: skip
# Common practice at the bench, no source.
AS_WRITTEN = {
    "1.0k": 1e3, "3 meg": 3e6, "2.2 Megohm": 2.2e6, "1,5k": 1.5e3, "0.5mV": 0.5e-3, "-4.9V": -4.9,
    "12V7": 12.7, "2k2 ohm": 2.2e3, "1e6": 1e6, "> 20M": 20e6, "<1": 1.0, "~4k7": 4.7e3, "\u22125 V": -5.0,
    "12.7 V": 12.7, "5.02 Vdc": 5.02, "0R8": 0.8, ".5": 0.5, "5.": 5.0, "100 nF": 100e-9,
    "10\u00b5F": 10e-6, "10 \u03bcF": 10e-6, "47 \u2126": 47.0, "47 \u03a9": 47.0, "45 \u00b0C": 45.0,
    "14.318 MHz": 14.318e6, "3.58 mhz": 3.58e6, "5 mHz": 5e-3, "250mA": 0.25, "5 A": 5.0,
    "1.5 kilo": 1.5e3, "-3k3": -3.3e3, "0": 0.0, " 7 ": 7.0,
}  # fmt: skip


@pytest.mark.parametrize(("text", "value"), [*IEC_60062.items(), *IEC_60062_FROM_MEMORY.items()])
def test_value_codes_of_iec_60062(text, value):
    """The letter in place of the decimal point reads as the standard says."""
    assert parse_quantity(text) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(("text", "value"), AS_WRITTEN.items())
def test_what_people_write_is_read(text, value):
    """Spaces, decimal commas, words, typeset signs and units are taken as they are meant."""
    assert parse_quantity(text) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    "text", ["OL", "ol", "O.L", "O.L.", " OL ", "0.L", "0L", "over limit", "open", "inf", ">OL", "\u221e"]
)
def test_an_over_limit_display_is_infinite(text):
    """What a meter shows above its range is over limit, and not a number or an error."""
    assert parse_quantity(text) == OVER_LIMIT


@pytest.mark.parametrize(
    "text",
    [
        "", "  ", "5 %", "nan", "-inf", "abc", "1.2.3", "4k7k", "12 parsec", "5 min", "--5", "4R7 V",
        "V5", "1e999", "1e308 G", "0x10", "4k7 kohm", ">>5", "five", "1 2", "U3.14",
    ],
)  # fmt: skip
def test_what_is_no_quantity_is_refused_with_the_text(text):
    """Anything else is an error that shows what was written and what would do."""
    with pytest.raises(BadQuantity) as caught:
        parse_quantity(text)
    assert repr(text) in str(caught.value)
    assert "4k7" in str(caught.value)


@given(st.text() | st.text("0123456789.,+-eEkKMmunpRVLFHG\u03a9 OL><~%", max_size=12))
@example("9" * 5000)
@example(">" * 5000)
@example("1e" + "9" * 5000)
@example("\ud800")
@example("\u0663k\u0663")
def test_any_text_is_a_quantity_or_a_bad_quantity(text):
    """No text whatever brings anything but a number or BadQuantity."""
    try:
        value = parse_quantity(text)
    except BadQuantity:
        assert unit_of(text) is None
    else:
        assert not math.isnan(value)


@pytest.mark.parametrize("value", [math.nan, -math.inf, 10**400, None, []])
def test_a_value_that_is_no_number_is_refused(value):
    """Numbers that no meter shows, and things that are no numbers, are BadQuantity too."""
    with pytest.raises(BadQuantity):
        parse_quantity(value)


def test_numbers_pass_through():
    """A number, of whatever make, is taken as it is."""
    import numpy as np

    assert parse_quantity(0.8) == 0.8
    assert parse_quantity(np.int64(5)) == 5.0
    assert parse_quantity(math.inf) == OVER_LIMIT


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (4700, "ohm", "4.7 k\u03a9"), (0.8, "ohm", "0.8 \u03a9"), (12.7, "V", "12.7 V"),
        (100e-9, "F", "100 nF"), (0.65, "V", "0.65 V"), (0, "V", "0 V"), (-0.0, "V", "0 V"),
        (999.6, "ohm", "1 k\u03a9"), (999.4, "ohm", "999 \u03a9"), (-4.9, "V", "-4.9 V"),
        (0.815, "ohm", "0.815 \u03a9"), (3.58e6, "Hz", "3.58 MHz"), (0.25, "A", "250 mA"),
        (4.7e3, "", "4.7 k"), (math.inf, "ohm", "OL"), (0.0004, "ohm", "400 \u00b5\u03a9"),
        (2.5, "min", "2.5 min"),
    ],
)  # fmt: skip
def test_quantities_are_written_as_at_the_bench(value, unit, text):
    """Three figures, the prefix that keeps the number short, and fractions of ohms and volts in full."""
    assert format_quantity(value, unit) == text


@given(
    st.floats(1e-15, 1e15)
    | st.floats(-1e15, -1e-15)
    | st.sampled_from([0.0, 999.5, 0.9995, 0.99949, 999.4999, 1e-300]),
    st.sampled_from(["", "ohm", "V", "A", "Hz", "F", "H", "W", "s"]),
)
def test_what_is_written_reads_back(value, unit):
    """A written quantity reads back to the same value within half of its third figure, and the same unit."""
    text = format_quantity(value, unit)
    assert parse_quantity(text) == pytest.approx(value, rel=5.01e-3, abs=0)
    named = {"ohm": "ohm", "V": "volt", "A": "ampere", "Hz": "hertz", "F": "farad", "H": "henry", "W": "watt"}
    assert unit_of(text) == ({**named, "s": "second"}[unit] if unit else None)


@given(st.integers(0, 9999), st.integers(0, 99), st.sampled_from("RkM"))
def test_letter_and_point_mean_the_same(whole, part, letter):
    """4k7 and 4.7k are one value, for every letter and every pair of figures."""
    point = f"{whole}.{part}{'' if letter == 'R' else letter}"
    assert parse_quantity(f"{whole}{letter}{part}") == parse_quantity(point)


@pytest.mark.parametrize(
    ("text", "unit"),
    [("12.7 V", "volt"), ("4R7", "ohm"), ("5V1", "volt"), ("3 meg ohm", "ohm"), ("> 20 Mohm", "ohm"),
     ("4k7", None), ("100n", None), ("OL", None), ("rubbish", None), ("10 a", "ampere"), ("45 C", "celsius")],
)  # fmt: skip
def test_the_unit_that_is_written_is_named(text, unit):
    """The unit is told where one stands, and None where none does."""
    assert unit_of(text) == unit
