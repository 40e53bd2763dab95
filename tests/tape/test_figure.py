"""Figures with their uncertainty, and the batches they come from."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright.tape import Figure
from benchwright.tape.batches import Batches


@pytest.mark.parametrize(
    ("value", "uncertainty", "unit", "signed", "text"),
    [
        (0.4234, 0.031, "%", True, "+0.42 % ± 0.03"),
        (-0.4234, 0.031, "%", True, "-0.42 % ± 0.03"),
        (0.1234, 0.0123, "%", False, "0.123 % ± 0.012"),
        (46.04, 0.096, "dB", False, "46.04 dB ± 0.10"),
        (46.04, 0.196, "dB", False, "46.0 dB ± 0.2"),
        (1234.0, 56.0, "Hz", False, "1230 Hz ± 60"),
        (-0.001, 0.03, "%", False, "0.00 % ± 0.03"),
        (3.0, 0.0, "", False, "3"),
        (3.0, math.inf, "dB", False, "3 dB (uncertainty not known)"),
        (math.nan, 0.1, "dB", False, "not measured"),
        (-math.inf, 0.1, "dBFS", False, "-infinite dBFS"),
    ],
)
def test_digits_follow_the_uncertainty(
    value: float, uncertainty: float, unit: str, signed: bool, text: str
) -> None:
    assert Figure(value, uncertainty, unit).text(signed) == text


@given(st.floats(-1e6, 1e6), st.floats(1e-8, 1e5))
def test_text_is_true_to_within_a_part_of_the_uncertainty(value: float, uncertainty: float) -> None:
    """What is printed differs from the figure by no more than half of the last digit of its uncertainty."""
    text = Figure(value, uncertainty, "dB").text()
    match = re.fullmatch(r"(-?[\d.]+) dB ± ([\d.]+)", text)
    assert match is not None
    assert float(match[1]) == pytest.approx(value, abs=0.51 * uncertainty + 1e-12)
    assert float(match[2]) == pytest.approx(uncertainty, rel=0.34)


def test_batches_know_the_scatter_of_a_mean(rng: np.random.Generator) -> None:
    """The jackknife of a mean is sigma over the root of n, whatever number of merges lies between."""
    for count in (40, 1000, 5000):
        values = rng.normal(5.0, 2.0, count)
        batches = Batches()
        for value in values:
            batches.add([1.0, value])
        figure = batches.figure(lambda sums: sums[1] / sums[0], "V")
        assert len(batches) <= 64
        assert figure.value == pytest.approx(values.mean())
        assert figure.uncertainty == pytest.approx(2.0 / math.sqrt(count), rel=0.4)


def test_too_few_batches_know_no_scatter() -> None:
    batches = Batches()
    batches.add([1.0])
    batches.add([2.0])
    assert batches.figure(lambda sums: sums[0], "").uncertainty == math.inf
    with pytest.raises(ValueError, match="no sums"):
        _ = Batches().total
