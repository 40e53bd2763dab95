"""Sheets from a job's records. Whatever is printed stands on events; nothing is made up here.

The date of a sheet is the day of the job's latest event, so that the same history gives the same bytes.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import datetime
from fractions import Fraction

from ..jobs import Event, JobState, bodies
from ..jobs.state import key_of_test
from ..jobs.stock import Lot
from ..money import Amount
from .change import ChangeSheet
from .condition import ChangeMade, Claim, ConditionReport
from .from_changes import NOT_RECORDED, board_changes, departures, part_used
from .from_money import converted, money_lines, sums, time_spent
from .from_stock import job_label, lot_label, shopping_list, stock_list
from .from_tests import function_tests, last_pass, tests_something
from .job import JobSheet
from .photo import Photo
from .things import Acceptance, Action, Attached, Evidence, Look, OpenPoint, Outcome, PartUsed, Suspect
from .told import SENSED, History, action_words, is_deed, reading_of, reading_result

TIMES = "UTC"
_RESULTS = {"passed": "passed", "failed": "failed", "not tested": "open"}
_CAUTIONS = ("mains",)


def condition_report(
    state: JobState, number: int, *, lots: Mapping[str, Lot] | None = None, photos: tuple[Photo, ...] = (),
    bench: str = "", own_numbers: bool = False,
) -> ConditionReport:  # fmt: skip
    """What a buyer is told: each statement with the events that show it, and nothing about money.

    Parameters
    ----------
    state : JobState
        `Bench.job`.
    number : int
        Of the job.
    lots : mapping, optional
        `Bench.stock`, to name the parts that went in.
    photos : tuple of Photo
        `photos_of`.
    bench : str
        Whose report it is.
    own_numbers : bool
        Number the events 1, 2, 3 ... within the job, the same on every bench, instead of as this bench does.
    """
    history = History(state, lots, own_numbers)
    made = departures(history)
    changed = {one.event.uid for one in made} | {event.uid for one in made for event in one.parts}
    return ConditionReport(
        job=str(number), on=history.latest.date(), machine=history.machine, identified=history.identified,
        came_with=_came_with(history),
        tests=function_tests(history),
        symptoms=_symptoms(history),
        work=_work(history, changed),
        changes=tuple(
            ChangeMade(
                "; ".join((one.what, *(history.told(event.body) for event in one.parts))),
                one.action.why or NOT_RECORDED, one.undo or NOT_RECORDED,
                tuple(history.evidence(event) for event in (one.event, *one.parts)),
            )
            for one in made
        ),
        open_points=_open_points(history),
        others=_others(history),
        cautions=_CAUTIONS, photos=photos, bench=bench, times=TIMES,
    )  # fmt: skip


def job_sheet(
    state: JobState, number: int, *, lots: Mapping[str, Lot] | None = None,
    prices: Mapping[str, bodies.Price] | None = None, suspects: Iterable[Suspect] = (),
    others: float | None = None, suspects_at: datetime | None = None, photos: tuple[Photo, ...] = (),
    bench: str = "", own_numbers: bool = False,
) -> JobSheet:  # fmt: skip
    """Everything about one job, to lie beside the machine.

    Parameters
    ----------
    state, number, lots, photos, bench, own_numbers
        As in `condition_report`.
    prices : mapping, optional
        `Bench.prices`: what one of each lot cost that the job used.
    suspects : iterable of Suspect
        What may still be wrong, by their own numbers of events.
    others : float, optional
        Probability of all other suspects together.
    suspects_at : datetime, optional
        For which moment they were worked out.
    """
    history = History(state, lots, own_numbers)
    prices = dict(prices or {})
    taken = state.taken_in or bodies.TakenIn()
    lines = money_lines(history, prices)
    return JobSheet(
        job=str(number), on=history.latest.date(), machine=history.machine,
        stage=state.stage + (f": {state.waiting_for}" if state.waiting_for and not state.closed else ""),
        source=taken.source,
        price=Amount.rounded(taken.price.value, taken.price.currency) if taken.price is not None else None,
        price_converted=None if taken.price is None
        else converted(Fraction(taken.price.value), taken.price, state.currency),
        taken_in=state.taken_in_event.at.date() if state.taken_in_event is not None else None,
        declared=taken.declared, came_with=taken.came_with,
        symptoms=tuple(history.told(event.body).removeprefix("symptom: ") for event in state.symptoms),
        acceptance=_acceptance_list(history),
        open_points=_open_points(history),
        readings=tuple(reading_of(history, event) for event in state.readings if not _seen(event.body)
                       and not is_deed(event.body)),
        looks=tuple(_look(history, event) for event in history.events if _seen(event.body)),
        actions=tuple(_action(history, event, action) for event, action in history.deeds),
        noted=tuple(
            history.evidence(event) for event in sorted((*state.confirmed, *state.notes), key=history.place)
        ),
        files=_files(history, photos),
        parts=tuple(_part(history, event, prices) for event in state.parts),
        time=time_spent(history),
        money=lines, sums=sums(state, prices) if lines else (),
        suspects=tuple(suspects), others=others, suspects_at=suspects_at, photos=photos,
        outcome=_outcome(state), bench=bench, times=TIMES,
    )  # fmt: skip


def change_sheet(
    state: JobState, number: int, *, lots: Mapping[str, Lot] | None = None, photos: tuple[Photo, ...] = (),
    bench: str = "", own_numbers: bool = False,
) -> ChangeSheet:  # fmt: skip
    """What differs from the original board, and the readings before and after that prove it."""
    history = History(state, lots, own_numbers)
    return ChangeSheet(
        str(number), history.latest.date(), history.machine, board_changes(history), photos, bench, TIMES
    )


# -- rows ----------------------------------------------------------------------------------------------------


def _symptoms(history: History) -> tuple[Claim, ...]:
    passed = last_pass(history)
    return tuple(
        Claim(
            _big(history.told(event.body).removeprefix("symptom: "))
            + ("" if history.place(event) < passed else " (no acceptance test was passed since)"),
            (history.evidence(event),),
        )
        for event in history.state.symptoms
    )


def _work(history: History, changed: set[str]) -> tuple[Claim, ...]:
    """Faults found and what was done about them; what changed the original stands elsewhere."""
    work: list[Claim] = []
    fitted = {event.uid: event for event in history.state.parts if event.uid not in changed}
    deeds = {event.uid: action for event, action in history.deeds if action.deed != "ordered"}
    for event in history.events:
        if event.uid in changed:
            continue
        if isinstance(event.body, bodies.Confirmed):
            work.append(Claim(_big(history.told(event.body)), (history.evidence(event),)))
        elif event.uid in deeds:
            action = deeds[event.uid]
            why = f" (why: {action.why})" if action.why else ""
            parts = [one for one in fitted.values() if _went_in(one.body, action)]
            for one in parts:
                del fitted[one.uid]
            words = "; ".join((action_words(action), *(history.told(one.body) for one in parts)))
            evidence = tuple(history.evidence(one) for one in (event, *parts))
            work.append(Claim(_big(words) + why, evidence))
    work += [Claim(_big(history.told(one.body)), (history.evidence(one),)) for one in fitted.values()]
    return tuple(work)


def _went_in(body: bodies.AnyBody, action: bodies.Action) -> bool:
    where = action.where.strip().casefold()
    here = isinstance(body, bodies.PartUsed) and body.where.strip().casefold() == where
    return action.deed == "replaced" and bool(where) and here


def _open_points(history: History) -> tuple[OpenPoint, ...]:
    """What was left open, and the parts that are still wanted."""
    points = [OpenPoint(point.text, (history.evidence(point.event),)) for point in history.state.open_points]
    wanted = {
        (event.body.kind, event.body.value): event for event in history.events
        if isinstance(event.body, bodies.PartWanted)
    }  # fmt: skip
    for key in history.state.wanted:
        points.append(OpenPoint(_big(history.told(wanted[key].body)), (history.evidence(wanted[key]),)))
    return tuple(points)


def _others(history: History) -> tuple[Evidence, ...]:
    """Readings, looks and acceptance tests that name no function: records that test nothing on the list."""
    return tuple(
        history.evidence(event) for event in history.events
        if isinstance(event.body, bodies.Reading | bodies.Look | bodies.Acceptance)
        and not is_deed(event.body) and not tests_something(event.body)
        and not getattr(event.body, "good_unit", False)
    )  # fmt: skip


def _came_with(history: History) -> Claim | None:
    """What came with the machine; its record is told without what the seller said of it."""
    state = history.state
    event = state.taken_in_event
    if state.taken_in is None or event is None or not state.taken_in.came_with:
        return None
    what = ", ".join(state.taken_in.came_with)
    return Claim(what, (Evidence(history.number(event), event.at, f"taken in; came with {what}"),))


def _files(history: History, photos: tuple[Photo, ...]) -> tuple[Attached, ...]:
    """What was attached, less the photos that are printed."""
    printed = {photo.event for photo in photos}
    found = []
    for event in history.state.attachments:
        body, number = event.body, history.number(event)
        assert isinstance(body, bodies.Attachment)
        if number not in printed:
            found.append(
                Attached(body.what, body.name.strip() or "–", event.at, number, body.caption.strip())
            )
    return tuple(found)


def _acceptance_list(history: History) -> tuple[Acceptance, ...]:
    """Each test as it stands, after the results that it had before."""
    before: dict[str, list[Event]] = {}
    for event in history.events:
        if isinstance(event.body, bodies.Acceptance):
            before.setdefault(key_of_test(event.body.what), []).append(event)
    lines = []
    for what, event in history.state.acceptance.items():
        lines += [
            replace(_acceptance(history, one), earlier=True) for one in before[what]
            if one is not event and getattr(one.body, "result", "") != "not tested"
        ]  # fmt: skip
        lines.append(_acceptance(history, event))
    return tuple(lines)


def _acceptance(history: History, event: Event) -> Acceptance:
    body = event.body
    assert isinstance(body, bodies.Acceptance)
    shown = [found for uid in body.evidence if (found := history.find(uid)) is not None]
    evidence = tuple(history.evidence(one) for one in (*shown, event))
    return Acceptance(body.what, _RESULTS[body.result], body.found, evidence)


def _seen(body: bodies.AnyBody) -> bool:
    return isinstance(body, bodies.Look) or (isinstance(body, bodies.Reading) and body.quantity in SENSED)


def _look(history: History, event: Event) -> Look:
    body = event.body
    if isinstance(body, bodies.Look):
        return Look(body.where, body.seen or "–", event.at, history.number(event))
    assert isinstance(body, bodies.Reading)
    how = {"smell": "smells of ", "heat": "feels ", "symptom": "shows "}.get(body.quantity, "")
    good = " (on a good unit)" if body.good_unit else ""
    return Look(body.a, how + (reading_result(body) or "–") + good, event.at, history.number(event))


def _action(history: History, event: Event, action: bodies.Action) -> Action:
    said = ", ".join(filter(None, (action.where, action.note)))
    why = f"Why: {action.why}" if action.why else ""
    undo = f"To undo: {action.undo}" if action.undo else ""
    what = ". ".join(filter(None, (said, why, undo)))
    return Action(action.deed, what or "–", event.at, history.number(event))


def _part(history: History, event: Event, prices: Mapping[str, bodies.Price]) -> PartUsed:
    part = part_used(history, event)
    assert isinstance(event.body, bodies.PartUsed)
    price = prices.get(event.body.lot)
    amount = None if price is None else Amount.rounded(price.value, price.currency)
    return PartUsed(part.ref, part.what, part.how_many, part.source, amount)


def _outcome(state: JobState) -> Outcome | None:
    if state.closed is None:
        return None
    assert isinstance(state.closed.body, bodies.Closed)
    return Outcome(state.closed.body.outcome, state.closed.at.date(), state.closed.body.note)


def _big(text: str) -> str:
    return text[:1].upper() + text[1:]


__all__ = [
    "change_sheet",
    "condition_report",
    "job_label",
    "job_sheet",
    "lot_label",
    "shopping_list",
    "stock_list",
]
