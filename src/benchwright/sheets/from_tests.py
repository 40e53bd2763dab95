"""From a job's history to what was tested of the machine, and how that stands now.

A test is an acceptance test, a reading or an action that names a function of `functions.toml`. What holds:

- of one acceptance test its last result; "not tested" takes an earlier result back;
- of readings at one spot the last that can be judged;
- a failure that comes after a pass outweighs it; a pass after a failure, by another acceptance test, leaves
  the failure standing beside it; a passed acceptance test outweighs readings before it;
- a function whose part was taken out last is not fitted.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from string import ascii_lowercase

from ..jobs import Event, bodies
from ..jobs.as_typed import with_unit
from ..jobs.state import key_of_test
from .condition import FunctionTest, all_functions
from .judged import as_expected
from .things import Evidence
from .told import History, action_words, as_action, is_deed, reading_result, subject

_NO_SYMPTOM = ("", "none", "nothing", "ok", "fine", "gone")
_SEEN = ("look", "smell", "heat")


@dataclass(frozen=True, slots=True)
class _Trial:
    """One event that tells about a function; `result` is passed, failed, open, off, fits, read, seen, done
    or absent."""

    event: Event
    key: tuple[str, ...]
    result: str
    how: str
    came: str
    rests_on: tuple[Event, ...] = ()


def function_tests(history: History) -> tuple[FunctionTest, ...]:
    """What was tested, one test for each function as it stands, and the earlier ones that it replaces."""
    found: list[FunctionTest] = []
    trials = _trials(history)
    for function in all_functions():
        mine = trials.get(function, [])
        held, earlier = _held(mine)
        if not held or all(trial.result == "open" for trial in held):
            continue
        found += [_test(history, function, [trial], earlier=True) for trial in earlier]
        found.append(_test(history, function, held))
    return tuple(found)


def contradictions(history: History) -> tuple[FunctionTest, ...]:
    """Functions of which a test was passed while another, or a reading, says otherwise; each as it stands."""
    found = []
    for function, trials in _trials(history).items():
        held, _ = _held(trials)
        results = {trial.result for trial in held}
        if "passed" in results and results & {"failed", "off"}:
            found.append(_test(history, function, held))
    return tuple(found)


def tests_something(body: bodies.AnyBody) -> bool:
    """Whether an event names a function that a buyer would ask about."""
    function = getattr(body, "function", "")
    return function in all_functions() and not (isinstance(body, bodies.Reading) and body.good_unit)


def last_pass(history: History) -> int:
    """Place in the history of the last acceptance test that was passed; -1 if there is none."""
    passes = (
        history.place(event) for event in history.events
        if isinstance(event.body, bodies.Acceptance) and event.body.result == "passed"
    )  # fmt: skip
    return max(passes, default=-1)


def _trials(history: History) -> dict[str, list[_Trial]]:
    trials: dict[str, list[_Trial]] = {}
    for event in history.events:
        if tests_something(event.body) and (trial := _trial(history, event)) is not None:
            trials.setdefault(event.body.function, []).append(trial)  # type: ignore[union-attr]
    return trials


def _trial(history: History, event: Event) -> _Trial | None:
    body = event.body
    if isinstance(body, bodies.Acceptance):
        rests_on = tuple(found for uid in body.evidence if (found := history.find(uid)) is not None)
        result = {"passed": "passed", "failed": "failed", "not tested": "open"}[body.result]
        if result == "passed" and body.evidence and not rests_on:
            result = "open"  # all that it rested on was taken back
        return _Trial(event, ("acceptance", key_of_test(body.what)), result, body.what, body.found, rests_on)
    if is_deed(body):
        action = as_action(body)
        result = "absent" if action.deed == "removed" else "done"
        how = "Taken out" if result == "absent" else "Work done"
        return _Trial(event, ("action", event.uid), result, how, _big(action_words(action)))
    if isinstance(body, bodies.Reading):
        how, came = subject(body) or "Reading", reading_result(body) or body.entry
        spot = (body.quantity, *sorted((body.a.casefold(), (body.b or "GND").casefold())))
        return _Trial(event, spot, _judged(body), how, came)
    return None


def _judged(body: bodies.Reading) -> str:
    if body.quantity in _SEEN:
        return "seen"
    if body.quantity == "symptom":
        return "read" if body.value.strip().casefold() in _NO_SYMPTOM else "off"
    fits = as_expected(with_unit(body.value, body.quantity), with_unit(body.expected, body.quantity))
    return {True: "fits", False: "off", None: "read"}[fits]


def _held(trials: Sequence[_Trial]) -> tuple[list[_Trial], list[_Trial]]:
    """What holds, in order, and the results that no longer do."""
    by_key: dict[tuple[str, ...], list[_Trial]] = {}
    for trial in trials:
        by_key.setdefault(trial.key, []).append(trial)
    kept: list[_Trial] = []
    for same in by_key.values():
        judged = [trial for trial in same if trial.result in ("fits", "off")]
        kept += [same[-1], *([judged[-1]] if judged and judged[-1] is not same[-1] else [])]
    order = {id(trial): place for place, trial in enumerate(trials)}
    kept.sort(key=lambda trial: order[id(trial)])
    passes = [order[id(trial)] for trial in kept if trial.result == "passed"]
    if passes:
        kept = [t for t in kept if t.result not in ("off", "fits") or order[id(t)] > max(passes)]
    if kept and kept[-1].result == "absent":
        kept = kept[-1:]
    last = max((order[id(t)] for t in kept if t.result not in ("done", "absent")), default=-1)
    kept = [t for t in kept if t.result not in ("done", "absent") or order[id(t)] > last]
    rests_on = {event.uid for trial in kept for event in trial.rests_on}
    kept = [trial for trial in kept if trial.event.uid not in rests_on or trial.result == "off"]
    stay = {id(trial) for trial in kept}
    gone = [
        trial for trial in trials
        if id(trial) not in stay and trial.event.uid not in rests_on
        and trial.result in ("passed", "failed", "off")
    ]  # fmt: skip
    return kept, gone


def _verdict(held: Sequence[_Trial]) -> str:
    results = [trial.result for trial in held]
    bad = [place for place, result in enumerate(results) if result in ("failed", "off")]
    passed = [place for place, result in enumerate(results) if result == "passed"]
    if bad:
        if passed and passed[-1] > bad[-1]:
            return "fault"
        return "fails" if "failed" in results else "off"
    if passed:
        return "part" if "open" in results else "works"
    for result, verdict in (("absent", "absent"), ("fits", "read"), ("read", "read"), ("seen", "seen")):
        if result in results:
            return verdict
    return "done"


def _test(
    history: History, function: str, trials: Sequence[_Trial], *, earlier: bool = False
) -> FunctionTest:
    told = [trial for trial in trials if trial.how]
    alone = len(told) == 1
    how, came = [], []
    for letter, trial in zip(_letters(), told, strict=False):
        mark = "" if alone else f"{letter}) "
        how.append(mark + (_big(trial.how) if alone else trial.how))
        came.append(mark + (_big(_came(trial, alone)) if alone else _came(trial, alone)))
    return FunctionTest(
        function, _verdict(trials), "\n".join(how), "\n".join(came), _evidence(history, trials), earlier,
    )  # fmt: skip


def _came(trial: _Trial, alone: bool) -> str:
    word = {"passed": "passed", "failed": "failed", "open": "not tested"}.get(trial.result, "")
    if trial.result == "off":
        word = "not as expected"
    if alone and trial.came and word in ("passed", "failed"):
        word = ""
    return ": ".join(filter(None, (word, trial.came.strip()))) or "no more was recorded"


def _evidence(history: History, trials: Iterable[_Trial]) -> tuple[Evidence, ...]:
    events = {e.uid: e for trial in trials for e in (*trial.rests_on, trial.event)}
    return tuple(history.evidence(event) for event in events.values())


def _letters() -> Iterable[str]:
    yield from ascii_lowercase
    yield from (str(number) for number in range(27, 100_000))


def _big(text: str) -> str:
    return text[:1].upper() + text[1:]
