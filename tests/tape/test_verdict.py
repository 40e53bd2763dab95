"""Grades with their uncertainty, and advice that fits the figures together."""

from __future__ import annotations

import math
import re
import string
import tomllib
from importlib.resources import files

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchwright.caution import all_cautions
from benchwright.tape import Figure
from benchwright.tape.verdict import Verdict, judge, limits, usual_cause

ADVICE = tomllib.loads(files("benchwright.tape").joinpath("advice.toml").read_text(encoding="utf-8"))
WORDS = {"good", "borderline", "bad", "off", "low", "high", "named", "explains"}


def verdict_of(key: str, value: float, uncertainty: float = 0.001, **others: float) -> Verdict:
    figures = {key: Figure(value, uncertainty, "%")}
    figures |= {name: Figure(other, 0.001, "%") for name, other in others.items()}
    return next(verdict for verdict in judge(figures) if verdict.key == key)


@pytest.mark.parametrize(
    ("key", "value", "uncertainty", "grade"),
    [
        ("speed", 0.42, 0.03, "good"),
        ("speed", -0.42, 0.03, "good"),
        ("speed", 0.42, 0.05, "borderline"),
        ("speed", -1.2, 0.03, "borderline"),
        ("speed", -1.8, 0.03, "bad"),
        ("speed", 1.6, 0.1, "borderline"),
        ("speed", 0.1, math.inf, "borderline"),
        ("speed", math.nan, 0.1, "not measured"),
        ("flutter", 0.15, 0.01, "good"),
        ("flutter", 0.25, 0.01, "borderline"),
        ("flutter", 0.5, 0.01, "bad"),
        ("noise", 50.0, 0.5, "good"),
        ("noise", 40.0, 0.5, "borderline"),
        ("noise", 20.0, 0.5, "bad"),
        ("level", -math.inf, math.inf, "bad"),
    ],
)
def test_grade_needs_two_standard_deviations(key: str, value: float, uncertainty: float, grade: str) -> None:
    """A limit is kept, or broken, only if the figure lies on that side by twice its uncertainty."""
    assert verdict_of(key, value, uncertainty).grade == grade


@given(st.sampled_from(sorted(limits())), st.floats(-100, 100), st.floats(1e-6, 50))
def test_more_uncertainty_never_sharpens_a_grade(key: str, value: float, uncertainty: float) -> None:
    """A wider uncertainty may turn good or bad into borderline, and nothing else."""
    sharp = limits()[key].grade(Figure(value, uncertainty, ""))
    blunt = limits()[key].grade(Figure(value, 3 * uncertainty, ""))
    assert blunt in (sharp, "borderline")


@given(st.sampled_from(sorted(limits())), st.floats(0, 100), st.floats(0, 100))
def test_worse_is_never_graded_better(key: str, a: float, b: float) -> None:
    order = ["good", "borderline", "bad"]
    limit = limits()[key]
    sign = -1.0 if limit.sense == "high" else 1.0
    small, large = (limit.grade(Figure(sign * size, 0.5, "")) for size in sorted((a, b)))
    assert order.index(small) <= order.index(large)


def test_every_limit_is_sound_and_names_its_sources() -> None:
    for limit in limits().values():
        assert limit.good_source
        assert limit.bad_source
        assert (limit.bad < limit.good) if limit.sense == "high" else (limit.bad > limit.good)
        assert limit.sense != "near zero" or limit.good > 0


@pytest.mark.parametrize("key", sorted(limits()))
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_every_figure_that_is_off_gets_one_sentence(key: str, sign: float) -> None:
    limit = limits()[key]
    far = limit.bad + (-1.0 if limit.sense == "high" else 1.0) * (1.0 + abs(limit.bad))
    if limit.sense == "near zero":
        far *= sign
    verdict = verdict_of(key, far)
    assert verdict.grade == "bad"
    assert re.fullmatch(r"[A-Z][^{}]+\.", verdict.advice)
    assert "not measured" not in verdict.advice
    fine = {"high": limit.good + 1.0, "low": limit.good - 1.0, "near zero": 0.0}[limit.sense]
    assert verdict_of(key, fine).advice == ""


def test_data_of_the_advice_is_sound() -> None:
    """Names, words and cautions of the data file exist, and no row stands behind one that hides it."""
    for row in ADVICE["advice"]:
        assert row["figure"] in limits()
        assert set(row["if"].values()) <= WORDS
        assert set(row["if"]) <= set(limits()) | {"lines", "offset"}
        assert set(row.get("cautions", ())) <= set(all_cautions())
        named = {name for _, name, _, _ in string.Formatter().parse(row["text"]) if name}
        assert named <= set(row["if"]) | {"offset"}
    rows = ADVICE["advice"]
    for at, row in enumerate(rows):
        for earlier in rows[:at]:
            hides = earlier["figure"] == row["figure"] and earlier["if"].items() <= row["if"].items()
            assert not hides, (earlier["text"], row["text"])


@pytest.mark.parametrize(
    ("figures", "key", "words"),
    [
        ({"speed": -2.0, "ends": -2.0}, "speed", "slack or slipping belt"),
        ({"speed": -2.0, "ends": 0.0}, "speed", "runs slow"),
        ({"speed": 2.0, "ends": 0.0}, "speed", "too thick"),
        ({"dropouts": 50.0, "treble": -12.0}, "dropouts", "the head is dirty"),
        ({"dropouts": 50.0, "treble": 0.0}, "dropouts", "compare the places"),
        ({"treble": -12.0, "dropouts": 0.0}, "treble", "azimuth"),
        ({"noise": 10.0, "hum": -10.0}, "noise", "cure the hum"),
        ({"hum": -10.0}, "hum", "ground"),
        ({"clipping": 20.0}, "clipping", "turn the level down"),
    ],
)
def test_advice_takes_the_other_figures_into_account(figures: dict[str, float], key: str, words: str) -> None:
    first, *rest = [key, *(name for name in figures if name != key)]
    verdict = verdict_of(first, figures[first], **{name: figures[name] for name in rest})
    assert words in verdict.advice
    assert ("solvent" in verdict.cautions) == ("clean" in verdict.advice)


def test_what_is_only_unsure_asks_for_more_not_for_repair() -> None:
    verdict = verdict_of("dropouts", 0.0, 12.0)
    assert verdict.grade == "borderline"
    assert "record a longer" in verdict.advice
    assert verdict.cautions == ()


@pytest.mark.parametrize(
    ("hertz", "part"),
    [
        (47.625 / (math.pi * 2.0), "capstan"), (47.625 / (math.pi * 1.5), "capstan"),
        (47.625 / (math.pi * 3.0), "capstan"), (47.625 / (math.pi * 11), "pinch roller"),
        (47.625 / (math.pi * 14), "pinch roller"), (0.315, "spool"), (0.689, "spool"), (100.0, "mains"),
        (4.465, "belt"), (56.85, "motor"),
    ],
)  # fmt: skip
def test_usual_causes_by_turning(hertz: float, part: str) -> None:
    """f = v / (pi d) at 47.625 mm/s for usual diameters, and spools of a C60: computed by hand."""
    assert part in usual_cause(hertz)


def test_an_unusual_line_has_no_usual_cause() -> None:
    assert usual_cause(0.01) == ""
    assert usual_cause(15.0) == ""
