"""The condition report for a buyer: nothing stands on it that no recorded event shows.

What was *not* tested is never typed in: it is the list of `functions.toml` less what was tested.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any

from .. import caution
from .checks import job_number, known, said
from .errors import BadSheet, shortened
from .photo import Photo, few_enough
from .things import Evidence, Machine, OpenPoint, need_evidence

VERDICTS = {
    "works": "Works",
    "fault": "Works, with a fault",
    "part": "Tested in part",
    "fails": "Does not work",
    "absent": "Not fitted",
    "seen": "Looked over",
    "off": "Not as expected",
    "read": "Measured",
    "done": "Worked on",
}
"""How a test came out, and how it is printed."""


@dataclass(frozen=True, slots=True)
class Function:
    """One thing a buyer would ask about: `key` is what a test names."""

    key: str
    name: str
    asks: str


@cache
def all_functions() -> dict[str, Function]:
    """Every function by key, in the order of the report."""
    rows = tomllib.loads(Path(__file__).with_name("functions.toml").read_text(encoding="utf-8"))
    return {key: Function(key, row["name"], row["asks"]) for key, row in rows.items()}


def names_of_functions() -> dict[str, str]:
    """What each function may be called when a test of it is written down, in small letters, and its key."""
    return {
        name.lower(): key
        for key, function in all_functions().items()
        for name in (key, key.replace("_", " "), function.name)
    }


@dataclass(frozen=True, slots=True)
class FunctionTest:
    """One test of one function.

    Attributes
    ----------
    function : str
        A key of `all_functions`.
    verdict : str
        A key of `VERDICTS`.
    how : str
        How it was tested.
    result : str
        What came out, numbers with their units.
    evidence : tuple of Evidence
        At least one.
    earlier : bool
        Another test of the function holds, even if this one is of a later time.

    Raises
    ------
    NoEvidence
        No event shows it.
    BadSheet
        The function or the verdict is not known, or the test does not say how or with what result.
    """

    function: str
    verdict: str
    how: str
    result: str
    evidence: tuple[Evidence, ...]
    earlier: bool = False

    def __post_init__(self) -> None:
        known(self.function, all_functions(), "what was tested")
        known(self.verdict, VERDICTS, f"test of {self.function}")
        name = all_functions()[self.function].name
        need_evidence(f"{name}: {VERDICTS[self.verdict]}. {self.result}", self.evidence)
        said(self.how, f"test of {self.function}: how it was tested")
        said(self.result, f"test of {self.function}: the result")


@dataclass(frozen=True, slots=True)
class Claim:
    """Any other statement about the machine: work done, a part replaced.

    Raises
    ------
    NoEvidence
        No event shows it.
    """

    text: str
    evidence: tuple[Evidence, ...]

    def __post_init__(self) -> None:
        said(self.text, "a statement")
        need_evidence(self.text, self.evidence)


@dataclass(frozen=True, slots=True)
class ChangeMade:
    """A departure from the original, why, and how to put it back.

    Raises
    ------
    NoEvidence
        No event shows it.
    """

    text: str
    why: str
    undo: str
    evidence: tuple[Evidence, ...]

    def __post_init__(self) -> None:
        said(self.text, "a change")
        need_evidence(self.text, self.evidence)


@dataclass(frozen=True, slots=True)
class ConditionReport:
    """What a buyer is told.

    Attributes
    ----------
    job : str
        Number of the job.
    on : date
        Date of the report; printed, and the PDF's own date.
    machine : Machine
    came_with : Claim, optional
        What came to the bench with the machine.
    identified : tuple of Evidence
        The events in which label, board and serial number were recorded; at least one.
    tests : tuple of FunctionTest
    symptoms : tuple of Claim
        What was wrong when it was seen, whether or not it was mended.
    work : tuple of Claim
        What was cleaned, replaced, adjusted.
    changes : tuple of ChangeMade
    open_points : tuple of OpenPoint
        Each with evidence.
    others : tuple of Evidence
        Records that test no function of the list.
    cautions : tuple of str
        Keys of `benchwright.caution`.
    photos : tuple of Photo
    bench : str
        Whose report it is.
    times : str
        Zone of all times, such as ``UTC``; nothing is printed about it if empty.

    Raises
    ------
    NoEvidence
        The identity or an open point stands on no event.
    BadSheet
        A caution is not known, two pieces of evidence with one number disagree, or an event lies after the
        date of the report.
    """

    job: str
    on: date
    machine: Machine
    identified: tuple[Evidence, ...]
    came_with: Claim | None = None
    tests: tuple[FunctionTest, ...] = ()
    symptoms: tuple[Claim, ...] = ()
    work: tuple[Claim, ...] = ()
    changes: tuple[ChangeMade, ...] = ()
    open_points: tuple[OpenPoint, ...] = ()
    others: tuple[Evidence, ...] = ()
    cautions: tuple[str, ...] = ("mains",)
    photos: tuple[Photo, ...] = ()
    bench: str = ""
    times: str = ""

    template = "condition"
    title = "Condition report"

    def __post_init__(self) -> None:
        job_number(self.job)
        need_evidence(f"This machine is {self.machine.name}", self.identified)
        for point in self.open_points:
            need_evidence(point.text, point.evidence)
        for key in self.cautions:
            known(key, caution.all_cautions(), "caution")
        few_enough(self.photos)
        seen: dict[int, Evidence] = {}
        for one in (*self._all_evidence(), *self.others):
            other = seen.setdefault(one.event, one)
            if other != one:
                raise BadSheet(
                    f"event {one.event} is told in two ways: {shortened(other.recorded)!r} at "
                    f"{other.when:%Y-%m-%d %H:%M} and {shortened(one.recorded)!r} at "
                    f"{one.when:%Y-%m-%d %H:%M}; one event has one record"
                )
        for one in (*self.records, *self.others):
            if one.when.date() > self.on:
                raise BadSheet(
                    f"event {one.event} is of {one.when:%Y-%m-%d}, after the date of the report "
                    f"({self.on:%Y-%m-%d}): a report cannot stand on what had not happened yet"
                )

    def _all_evidence(self) -> list[Evidence]:
        told: list[tuple[Evidence, ...]] = [self.identified]
        if self.came_with is not None:
            told.append(self.came_with.evidence)
        for statements in (self.tests, self.symptoms, self.work, self.changes, self.open_points):
            told += [statement.evidence for statement in statements]
        return [one for evidence in told for one in evidence]

    @property
    def records(self) -> tuple[Evidence, ...]:
        """Every event that the report stands on, photos among them, once, by number."""
        photos = (Evidence(one.event, one.when, f"photo: {one.caption}") for one in self.photos)
        by_number = {one.event: one for one in (*photos, *self._all_evidence())}
        return tuple(by_number[number] for number in sorted(by_number))

    @property
    def tests_in_order(self) -> tuple[FunctionTest, ...]:
        """The tests in the order of the functions, those of one function by time."""
        order = {key: place for place, key in enumerate(all_functions())}
        return tuple(
            sorted(self.tests, key=lambda test: (order[test.function], not test.earlier, last(test.evidence)))
        )

    @property
    def standing(self) -> dict[str, FunctionTest]:
        """The last test of each function: what holds today."""
        return {test.function: test for test in self.tests_in_order}

    @property
    def not_tested(self) -> tuple[Function, ...]:
        """The functions that no test covers."""
        tested = {test.function for test in self.tests}
        return tuple(function for key, function in all_functions().items() if key not in tested)

    @property
    def tested_in_part(self) -> tuple[FunctionTest, ...]:
        """What a test covers only in part, as it stands."""
        return tuple(test for test in self.standing.values() if test.verdict == "part")

    def shown(self) -> dict[str, Any]:
        """What the template needs beyond the fields."""
        standing = self.standing
        counts = {verdict: sum(test.verdict == verdict for test in standing.values()) for verdict in VERDICTS}
        names = {key: function.name for key, function in all_functions().items()}
        return {
            "asked": len(all_functions()),
            "counts": [
                {"verdict": verdict, "words": VERDICTS[verdict], "number": number}
                for verdict, number in counts.items()
                if number
            ],
            "tests": [
                {
                    "name": names[test.function],
                    "verdict": test.verdict,
                    "words": VERDICTS[test.verdict],
                    "how": _how(test),
                    "result": test.result,
                    "when": f"{last(test.evidence)[0]:%Y-%m-%d}",
                    "events": events_of(test.evidence),
                    "stands": standing[test.function] is test,
                }
                for test in self.tests_in_order
            ],
            "not_tested": self.not_tested,
            "in_part": [
                {"name": names[test.function], "how": _how(test), "result": test.result}
                for test in self.tested_in_part
            ],
            "came_with": None if self.came_with is None else {
                "text": self.came_with.text, "events": events_of(self.came_with.evidence),
            },
            "identified": events_of(self.identified),
            "symptoms": [
                {"text": claim.text, "events": events_of(claim.evidence)} for claim in self.symptoms
            ],
            "work": [{"text": claim.text, "events": events_of(claim.evidence)} for claim in self.work],
            "changes": [
                {
                    "text": change.text, "why": change.why, "undo": change.undo,
                    "events": events_of(change.evidence),
                }
                for change in self.changes
            ],
            "open_points": [
                {"text": point.text, "events": events_of(point.evidence)} for point in self.open_points
            ],
            "cautions": [caution.get(key) for key in dict.fromkeys(self.cautions)],
            "records": self.records,
            "others": [one for one in self.others if one not in self.records],
        }  # fmt: skip


def _how(test: FunctionTest) -> str:
    """How it was tested; empty where that only names the function once more."""
    names = (test.function.replace("_", " "), all_functions()[test.function].name.casefold())
    return "" if test.how.strip().casefold() in names else test.how


def last(evidence: tuple[Evidence, ...]) -> tuple[Any, int]:
    """When the last of several events was, and its number."""
    return max((one.when.replace(tzinfo=None), one.event) for one in evidence)


def events_of(evidence: tuple[Evidence, ...]) -> list[int]:
    """The numbers of events, each once, in order."""
    return sorted({one.event for one in evidence})
