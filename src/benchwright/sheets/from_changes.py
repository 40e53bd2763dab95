"""From a job's history to the changes made to the original board, with the readings that prove them."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from ..board import Board
from ..board.changes import Change, parse_change
from ..board.kinds import recognise
from ..errors import BenchwrightError
from ..jobs import Event, bodies
from ..jobs.kept_board import read_kept
from .change import BoardChange, Proof
from .things import PartUsed, Reading
from .told import CHANGE_VERB, History, action_words, reading_of, subject

NOT_RECORDED = "Not recorded"
_ALWAYS = ("changed", "linked", "removed")
_KIND_OF_DEED = {"linked": "link", "removed": "remove", "replaced": "replace"}
_POINT = re.compile(r"[^\s,;:|()]+")
_FEW_PINS = 4
"""A part with more pins touches so many nets that a reading on one of them proves nothing about it."""
_BY_VALUE = ("resistor", "capacitor", "inductor")
"""What is told apart by value and make, not by the name of its kind."""
_PROVING = ("resistance", "continuity", "diode", "voltage", "look", "logic", "frequency", "current")


@dataclass(frozen=True, slots=True)
class Departure:
    """One change to the original, and the part that went in, if it came from stock."""

    event: Event
    action: bodies.Action
    kind: str
    parts: tuple[Event, ...]
    change: Change | None
    board: Board | None

    @property
    def what(self) -> str:
        words = action_words(self.action)
        return words[:1].upper() + words[1:]

    @property
    def undo(self) -> str:
        """As recorded; else what follows from a change to pins that the board file knows."""
        if self.action.undo.strip():
            return self.action.undo
        if self.change is not None:
            return self.change.undo_text[:1].upper() + self.change.undo_text[1:]
        return ""


def board_of(history: History) -> Board | None:
    """The board file that the job keeps; None without one, or if it can no longer be read."""
    if not history.state.board_text.strip():
        return None
    try:
        return read_kept(history.state.board_text)
    except BenchwrightError:
        return None


def departures(history: History) -> tuple[Departure, ...]:
    """Everything that makes the machine differ from the original, in order.

    Changes, links and removals always; any other action that says how to undo it; and a replacement by a part
    that is of another kind than the board file has there. A part that was removed and replaced afterwards is
    no removal.
    """
    board = board_of(history)
    deeds = history.deeds
    found = []
    for place, (event, action) in enumerate(deeds):
        parts = _parts_fitted(history, action, deeds, place)
        other = action.deed == "replaced" and any(_other_kind(history, board, p) for p in parts)
        refitted = action.deed == "removed" and any(
            later.deed == "replaced" and _same(later.where, action.where) for _, later in deeds[place + 1 :]
        )
        if refitted or not (action.deed in _ALWAYS or action.undo.strip() or other):
            continue
        change = _parsed(board, history, action, parts)
        found.append(Departure(event, action, _kind(action, change), parts, change, board))
        if change is not None and board is not None:
            board = change.made_on(board)
    return tuple(found)


def board_changes(history: History) -> tuple[BoardChange, ...]:
    """The changes with their proofs, for the change sheet."""
    made = departures(history)
    return tuple(
        BoardChange(
            kind=one.kind,
            what=one.what,
            why=one.action.why or NOT_RECORDED,
            undo=one.undo or NOT_RECORDED,
            when=one.event.at,
            event=history.number(one.event),
            proofs=_proofs(history, one, made),
            parts=tuple(part_used(history, event) for event in one.parts),
        )
        for one in made
    )


def part_used(history: History, event: Event) -> PartUsed:
    """Parts from stock, without their price."""
    body = event.body
    assert isinstance(body, bodies.PartUsed)
    return PartUsed(body.where, history.part(body.lot), body.quantity, f"lot {body.lot}")


# -- what was changed ----------------------------------------------------------------------------------------


def _same(one: str, other: str) -> bool:
    return bool(one.strip()) and one.strip().casefold() == other.strip().casefold()


def _parts_fitted(
    history: History, action: bodies.Action, deeds: Sequence[tuple[Event, bodies.Action]], place: int
) -> tuple[Event, ...]:
    """Parts from stock that went in where this was done, nearer to it than to the next time there."""
    if action.deed not in ("replaced", "changed", "linked", "done") or not action.where.strip():
        return ()
    same = [history.place(event) for event, other in deeds if _same(other.where, action.where)
            and other.deed == action.deed]  # fmt: skip
    mine = history.place(deeds[place][0])
    return tuple(
        event for event in history.state.parts
        if isinstance(event.body, bodies.PartUsed) and _same(event.body.where, action.where)
        and min(same, key=lambda at: abs(at - history.place(event))) == mine
    )  # fmt: skip


def _other_kind(history: History, board: Board | None, event: Event) -> bool:
    """Whether a part from stock is surely of another kind, size or make than the original."""
    body = event.body
    assert isinstance(body, bodies.PartUsed)
    lot = history.lot(body.lot)
    original = board.parts.get(body.where.strip()) if board is not None else None
    if lot is None or original is None or board is None:
        return False
    if original.kind.casefold() in (lot.kind.casefold(), lot.value.casefold()) and not lot.value:
        return False
    for text in (f"{lot.kind} {lot.value}".strip(), lot.value, lot.kind):
        if not text:
            continue
        taken = recognise(text, ref=original.ref, kinds=board.kinds)
        if not taken.certain:
            continue
        known = board.kinds.get(original.kind)
        passive = known is not None and known.category == taken.kind.category in _BY_VALUE
        if taken.kind.name != original.kind and not passive:
            return True
        size, was = taken.size, original.size
        if size is not None and was is not None and not math.isclose(size, was, rel_tol=1e-6):
            return True
        return bool(taken.style and original.style and taken.style != original.style)
    return False


def _parsed(
    board: Board | None, history: History, action: bodies.Action, parts: tuple[Event, ...]
) -> Change | None:
    """The change as the board understands it; None where it is only words."""
    if board is None:
        return None
    texts = [action.where, action.note]
    if action.deed in _KIND_OF_DEED:
        texts.append(f"{_KIND_OF_DEED[action.deed]} {action.where}")  # "replace" is none that a board knows
    if action.deed == "replaced":
        fitted = [e.body for e in parts if isinstance(e.body, bodies.PartUsed)]
        lots = [lot for body in fitted if (lot := history.lot(body.lot)) is not None]
        texts += [f"fit {action.where} {lot.value or lot.kind}" for lot in lots]
    for text in texts:
        if CHANGE_VERB.match(text):
            try:
                change = parse_change(board, text)
                change.made_on(board)
            except BenchwrightError:
                continue
            return change
    return None


def _kind(action: bodies.Action, change: Change | None) -> str:
    if action.deed == "replaced":
        return "replace"
    for text in (change.text if change is not None else "", action.where, action.note):
        if verb := CHANGE_VERB.match(text):
            return verb[1].lower()
    return _KIND_OF_DEED.get(action.deed, "change")


# -- what proves it ------------------------------------------------------------------------------------------

_Spot = tuple[str, frozenset[str]]


def _proofs(history: History, one: Departure, made: Iterable[Departure]) -> tuple[Proof, ...]:
    """The readings that the change asks for, and those at its points that were taken before and after."""
    ground = one.board.ground if one.board is not None else "GND"
    at = history.place(one.event)
    touched = _touched(one, ground)
    nexts = [history.place(other.event) for other in made if history.place(other.event) > at
             and _touched(other, ground) & touched]  # fmt: skip
    until = min(nexts, default=len(history.events))
    taken: dict[_Spot, list[Event]] = {}
    for event in history.state.readings:
        body = event.body
        if isinstance(body, bodies.Reading) and not body.good_unit and body.quantity in _PROVING:
            taken.setdefault(_spot(body.quantity, body.a, body.b, ground), []).append(event)
    proofs = []
    asked = one.change.proof(one.board) if one.change is not None and one.board is not None else []
    for quantity, a, b, wanted_before, wanted_after in asked:
        spot = _spot(quantity, a, b, ground)
        read = taken.pop(spot, [])
        if quantity == "continuity":  # an ohmmeter tells it as well as a beep
            read = sorted([*read, *taken.pop(_spot("resistance", a, b, ground), [])], key=history.place)
        before, after = _around(history, read, at, until)
        what = f"{quantity} {a} to {b or ground}" if quantity != "look" else f"look at {a}"
        proofs.append(Proof(what, wanted_before, wanted_after, before, after))
    for spot, events in taken.items():
        points = spot[1] - {ground.casefold()}
        before, after = _around(history, events, at, until)
        if before is not None and after is not None and points and points <= touched:
            body = events[0].body
            assert isinstance(body, bodies.Reading)
            proofs.append(Proof(subject(body), "", after.expected, before, after))
    return tuple(proofs)


def _spot(quantity: str, a: str, b: str, ground: str) -> _Spot:
    return quantity, frozenset((a.strip().casefold(), (b.strip() or ground).casefold()))


def _around(
    history: History, events: list[Event], at: int, until: int
) -> tuple[Reading | None, Reading | None]:
    """The last reading before a change, and the last after it; one before the next change there is better."""
    before = [event for event in events if history.place(event) < at]
    after = [event for event in events if history.place(event) > at]
    after = [event for event in after if history.place(event) < until] or after
    return (
        reading_of(history, before[-1]) if before else None,
        reading_of(history, after[-1]) if after else None,
    )


def _touched(one: Departure, ground: str) -> frozenset[str]:
    """Names of points, parts and nets at which a reading tells about the change; ground is everywhere."""
    words = set(_POINT.findall(f"{one.action.where} {one.change.text if one.change else ''}"))
    words |= {event.body.where for event in one.parts if isinstance(event.body, bodies.PartUsed)}
    if one.board is not None:
        pins = [pin for pin in one.board.net_of if str(pin) in words]
        for ref in words & set(one.board.parts):
            of_part = [pin for pin in one.board.net_of if pin.ref == ref]
            words |= {str(pin) for pin in of_part}
            pins += of_part if len(of_part) <= _FEW_PINS else []
        words |= {one.board.net_of[pin] for pin in pins}
    verbs = {"cut", "link", "lift", "fit", "remove", "", "to"}
    return frozenset(word.casefold() for word in words) - verbs - {ground.casefold()}
