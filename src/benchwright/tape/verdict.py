"""From figures to good, borderline or bad, and to one sentence that a restorer can act on."""

from __future__ import annotations

import math
import string
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any, Literal

from .figure import Figure

Grade = Literal["good", "borderline", "bad", "not measured"]
Sense = Literal["near zero", "low", "high"]

SIGMAS = 2.0
"""A grade counts as proven if the figure lies on that side by two standard deviations (the rule of
ISO 14253-1, from memory)."""


@dataclass(frozen=True, slots=True)
class Limit:
    """What a figure is held against.

    Attributes
    ----------
    key, title : str
        Name in tables, and in words.
    sense : {"near zero", "low", "high"}
        Which side is good.
    good, bad : float
        Good within the one, bad beyond the other, in the figure's unit.
    good_source, bad_source : str
        Where they come from.
    """

    key: str
    title: str
    sense: Sense
    good: float
    good_source: str
    bad: float
    bad_source: str

    def grade(self, figure: Figure) -> Grade:
        """Hold a figure against the limits, with its uncertainty."""
        if math.isnan(figure.value):
            return "not measured"
        worse = -figure.value if self.sense == "high" else figure.value
        good, bad = (-self.good, -self.bad) if self.sense == "high" else (self.good, self.bad)
        if self.sense == "near zero":
            worse = abs(worse)
        doubt = SIGMAS * figure.uncertainty if math.isfinite(figure.uncertainty) else math.inf
        if math.isinf(worse):
            return "good" if worse < 0.0 else "bad"
        if worse + doubt <= good:
            return "good"
        if worse - doubt >= bad:
            return "bad"
        return "borderline"


@dataclass(frozen=True, slots=True)
class Verdict:
    """A figure, its grade, and what to do about it.

    Attributes
    ----------
    key, title : str
    figure : Figure
    grade : {"good", "borderline", "bad", "not measured"}
    limit : Limit
    advice : str
        One sentence; empty if nothing needs doing.
    cautions : tuple of str
        Keys of the cautions to be said before the advice.
    """

    key: str
    title: str
    figure: Figure
    grade: Grade
    limit: Limit
    advice: str
    cautions: tuple[str, ...]


@cache
def limits() -> dict[str, Limit]:
    """Every limit by its key, in the order of the data file."""
    rows = tomllib.loads(files(__package__).joinpath("limits.toml").read_text(encoding="utf-8"))
    return {
        key: Limit(
            key, row["title"], row["sense"], row["good"], row["good_source"], row["bad"], row["bad_source"]
        )
        for key, row in rows.items()
    }


def judge(figures: Mapping[str, Figure], known: Mapping[str, frozenset[str]] | None = None) -> list[Verdict]:
    """Grade figures and give advice that takes all of them into account.

    Parameters
    ----------
    figures : mapping
        By the keys of the limits; other keys may stand in advice but get no verdict.
    known : mapping, optional
        More words that conditions of the advice ask for, such as ``{"lines": {"named"}}``.

    Returns
    -------
    list of Verdict
        One for each figure that has a limit, in the order of the limits.
    """
    table = limits()
    words: dict[str, frozenset[str]] = dict(known or {})
    for key, figure in figures.items():
        words[key] = words.get(key, frozenset()) | _words(table.get(key), figure)
    texts = _Texts(figures)
    verdicts = []
    for key, limit in table.items():
        if key not in figures:
            continue
        grade = limit.grade(figures[key])
        advice: str = ""
        cautions: tuple[str, ...] = ()
        if grade in ("good", "not measured"):
            pass
        elif "unsure" in words[key]:
            advice = _advice_file()["unsure"].format(title=limit.title, text=texts[key])
        else:
            advice, cautions = _advice(key, words, texts)
        verdicts.append(Verdict(key, limit.title, figures[key], grade, limit, advice, cautions))
    return verdicts


def usual_cause(hertz: float) -> str:
    """What a line of the flutter spectrum usually comes from, without knowing the deck; empty if unknown."""
    for row in _advice_file()["line"]:
        if row["low"] <= hertz <= row["high"]:
            text: str = row["text"]
            return text
    return ""


@cache
def _advice_file() -> dict[str, Any]:
    return tomllib.loads(files(__package__).joinpath("advice.toml").read_text(encoding="utf-8"))


def _words(limit: Limit | None, figure: Figure) -> frozenset[str]:
    if math.isnan(figure.value):
        return frozenset({"unknown"})
    if limit is None:
        return frozenset()
    grade = limit.grade(figure)
    found: set[str] = {grade}
    if grade == "borderline" and limit.grade(Figure(figure.value, 0.0, figure.unit)) == "good":
        return frozenset(found | {"unsure"})
    if grade in ("borderline", "bad"):
        side = figure.value < 0.0 if limit.sense == "near zero" else limit.sense == "high"
        return frozenset(found | {"off", "low" if side else "high"})
    return frozenset(found)


def _advice(
    key: str, words: Mapping[str, frozenset[str]], texts: Mapping[str, str]
) -> tuple[str, tuple[str, ...]]:
    for row in _advice_file()["advice"]:
        if row["figure"] == key and all(
            wanted in words.get(name, frozenset()) for name, wanted in row["if"].items()
        ):
            return string.Formatter().vformat(row["text"], (), texts), tuple(row.get("cautions", ()))
    return "", ()


class _Texts(dict[str, str]):
    """Figures as they stand in a sentence."""

    def __init__(self, figures: Mapping[str, Figure]) -> None:
        signed = {key for key, limit in limits().items() if limit.sense == "near zero"} | {"offset"}
        super().__init__({key: figure.text(key in signed) for key, figure in figures.items()})

    def __missing__(self, key: str) -> str:
        return "not measured"
