"""Typed lines about what was done, found and needed: "replaced U5 from 4116-1: was dead"."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING

from ..errors import BadReading, UnknownName
from . import bodies
from .bodies import AnyBody
from .entry_plain import REF

if TYPE_CHECKING:
    from ..board import Board
    from .state import JobState

FOR_FINDER = ("cleaned", "reflowed", "reseated", "replaced", "linked")
"""Deeds that move the fault finder: each is a reading as well."""
_CLAUSE = re.compile(r"\s*;\s*")
_FROM = re.compile(r"\s+from\s+(\S+)\s*$", re.IGNORECASE)
_WITH = re.compile(r"\s+(?:with|by)\s+(.+)$", re.IGNORECASE | re.DOTALL)
_NOTE = re.compile(r"\s*(?::|\s[-\u2013\u2014])\s+")
_COUNT = re.compile(r"(\d{1,4})\s*(?:[x\u00d7*]\s*|of\s+|\s+(?=\S))(.+)", re.IGNORECASE | re.DOTALL)

_TRACK = re.compile(r"(?:broken|open|cracked|cut)\s+(?:track|trace|via)\b\s*(.*)", re.IGNORECASE | re.DOTALL)

_MODES = {
    **{
        mode: mode
        for mode in (
            "bad memory", "bridge", "dead", "dried out", "drifted", "leakage", "leaky", "no output", "open",
            "open contact", "passes its input", "pin shorted to ground", "pin shorted to supply",
            "poor contact", "short", "supply short",
        )
    },
    **dict.fromkeys(("shorted", "short circuit"), "short"),
    **dict.fromkeys(("shorted to ground", "pin to ground"), "pin shorted to ground"),
    **dict.fromkeys(("shorted to supply", "pin to supply"), "pin shorted to supply"),
    **dict.fromkeys(("supply shorted",), "supply short"),
    **dict.fromkeys(("bridged", "solder bridge"), "bridge"),
    **dict.fromkeys(("bad bit", "bad bits", "stuck bit", "stuck bits"), "bad memory"),
    **dict.fromkeys(("open joint", "cracked joint", "dry joint", "open circuit"), "open"),
    **dict.fromkeys(("leaked", "leaking"), "leaky"),
    **dict.fromkeys(("dry", "dried up"), "dried out"),
    **dict.fromkeys(("bad contact", "dirty contact"), "poor contact"),
    **dict.fromkeys(("out of value", "drifting"), "drifted"),
}  # fmt: skip
"""What a fault may be called: its mode in `faults/modes.toml` and `faults/universe.py`."""
MODES = tuple(sorted(set(_MODES.values())))


def read(
    deed: bodies.Deed, rest: str, plain: bool, line: str, state: bodies.State, board: Board | None
) -> tuple[AnyBody, ...]:
    """What was done to the machine.

    Parameters
    ----------
    deed : str
    rest : str
        What follows the word.
    plain : bool
        A colon followed the word: what is named is no part of the board.
    line : str
    state : bodies.State
    board : Board, optional

    Returns
    -------
    tuple of bodies
        For each part an action, the reading for the fault finder, and the part used if it says ``from LOT``.

    Raises
    ------
    BadReading, UnknownName
    """
    first, *clauses = _CLAUSE.split(rest)
    why, undo, notes = "", "", []
    for clause in clauses:
        word, _, text = clause.partition(" ")
        if word.lower().rstrip(":") == "why":
            why = text.strip()
        elif word.lower().rstrip(":") == "undo":
            undo = text.strip()
        elif clause:
            notes.append(clause)
    head, *note = _NOTE.split(first, maxsplit=1)
    lot = _FROM.search(head)
    if lot is not None and deed not in ("replaced", "changed"):
        lot = None
    if deed == "replaced" and re.search(r"\s(?:from|with|by)$", head):
        raise BadReading("something is missing at the end: expected, for example, 'replaced U5 from 4116-1'")
    head = head[: lot.start()] if lot else head
    new = _WITH.search(head) if deed in ("replaced", "changed") else None
    if new is not None:
        head = head[: new.start()]
        notes.insert(0, f"with {new[1].strip()}")
    text = "; ".join([*notes, *(part.strip() for part in note)])
    said: list[AnyBody] = []
    for where, ref in _places(head.strip(), plain, board):
        said.append(bodies.Action(deed=deed, where=where, note=text, why=why, undo=undo))
        if ref and deed in FOR_FINDER:
            there = bodies.State(False, state.removed)
            said.append(bodies.Reading(entry=line, quantity=deed, a=ref, state=there))
        if lot:
            said.append(bodies.PartUsed(lot=lot[1], quantity=1, where=where))
    return tuple(said)


def _places(text: str, plain: bool, board: Board | None) -> Iterator[tuple[str, str]]:
    """What was worked on, each with the part it is, if it is one."""
    words = [word for word in re.split(r"[\s,]+", text) if word]
    if plain or not words:
        yield text, ""
        return
    refs = [_ref(word, board) for word in words]
    if all(refs) and not any("." in word for word in words):
        for ref in refs:
            yield ref, ref
    else:  # "U5 socket", "keyboard contacts"
        yield text, refs[0]


def _ref(word: str, board: Board | None) -> str:
    bare = word.partition(".")[0]
    if board is None:
        return bare.upper() if REF.fullmatch(bare) else ""
    try:
        return board.ref(bare)
    except UnknownName:
        if REF.fullmatch(bare):
            raise
        return ""


def found(text: str, board: Board | None, board_name: str) -> bodies.Confirmed:
    """A fault that was proved, such as ``shorted 74LS157 U9`` or ``broken track MA5 at R16``.

    A track belongs to no part: where it is stands as it was typed.

    Raises
    ------
    BadReading
        The way of failing is not known, or nothing says what failed.
    """
    head, *note = _NOTE.split(text, maxsplit=1)
    words = head.split()
    mode, rest = "", words
    for count in range(len(words), 0, -1):
        if known := _MODES.get(" ".join(words[:count]).lower()):
            mode, rest = known, words[count:]
            break
    if track := _TRACK.fullmatch(head.strip()):
        where = " ".join(track[1].split())
        return bodies.Confirmed(
            part_kind="track", mode="open", place=where, note=note[0].strip() if note else "",
            board=board.name if board is not None else board_name,
        )  # fmt: skip
    if not mode:
        raise BadReading(f"in which way did it fail? Expected, for example, 'found shorted 74LS157 U9'; ways "
                         f"of failing: {', '.join(MODES)}")  # fmt: skip
    place = ""
    if rest and (REF.fullmatch(rest[-1].partition(".")[0]) or "." in rest[-1]):
        place = rest[-1]
        if not (board is None and len(rest) == 1 and not _looks_placed(place)):
            rest = rest[:-1]
    kind = " ".join(rest)
    if place and board is not None:
        ref = board.ref(place.partition(".")[0])
        place = ref + place[len(place.partition(".")[0]) :]
        kind = board.parts[ref].kind
    elif kind:
        kind = _kind(kind)
    if not kind:
        raise BadReading("what failed? Expected the kind of part and where it is, for example "
                         "'found shorted 74LS157 U9'")  # fmt: skip
    mode = _of_chip(mode, kind, place, text)
    return bodies.Confirmed(
        part_kind=kind, mode=mode, place=place, note=note[0].strip() if note else "",
        board=board.name if board is not None else board_name,
    )  # fmt: skip


def _of_chip(mode: str, kind: str, place: str, text: str) -> str:
    """The mode as the rates know it of chips: they are shorted across the supply, or at a pin to something.

    Raises
    ------
    BadReading
        A pin is named, but not what it is shorted to.
    """
    if mode != "short":
        return mode
    from ..board.kinds import kind_named
    from ..faults.universe import PASSIVE

    known = kind_named(kind)
    if known is None or known.category in PASSIVE or known.name == "generic":
        return mode
    if "." in place or re.search(r"\bpins?\b", text, re.IGNORECASE):
        raise BadReading(f"what is the pin shorted to? Expected 'found shorted to ground {kind} {place}' or "
                         f"'found shorted to supply {kind} {place}'")  # fmt: skip
    return "supply short"


def _looks_placed(word: str) -> bool:
    return bool(REF.fullmatch(word.partition(".")[0]))


def _kind(text: str) -> str:
    """The kind's own name where the tables know it, as typed otherwise."""
    from ..board.kinds import recognise

    recognised = recognise(text)
    return recognised.kind.name if recognised.certain and recognised.kind.name != "generic" else text


def counted(text: str) -> tuple[int, str]:
    """How many of what: ``2 x 4116``, ``2 4116``, ``4116``.

    Raises
    ------
    BadReading
        More than 9,999.
    """
    if many := re.match(r"(\d{5,})\s*(?:[x\u00d7*](?=[\s\d])|of\b)", text.strip(), re.IGNORECASE):
        raise BadReading(f"{many[1][:12]} parts in one line: expected 9,999 at most")
    match = _COUNT.fullmatch(text.strip())
    if match is None or not match[2].strip():
        return 1, text.strip()
    if not re.match(r"\d+\s*[x\u00d7*]|\d+\s+of\b", text.strip(), re.IGNORECASE) and len(match[1]) > 2:
        return 1, text.strip()  # 555 timer
    return int(match[1]), match[2].strip()


def kind_and_value(text: str) -> tuple[str, str]:
    """Parts as one says them: ``4116 150 ns``, ``capacitor 100 uF 25 V``, ``key cap left shift``."""
    words = text.split()
    if not words:
        return "", ""
    if any(letter.isdigit() for letter in words[0]):
        return words[0], " ".join(words[1:])
    split = next((n for n, word in enumerate(words) if word[0].isdigit()), len(words))
    return " ".join(words[:split]), " ".join(words[split:])


Wishes = dict[tuple[str, str], tuple[int, tuple[str, ...]]]
"""Kind and value: how many are wanted, and for which places as far as that was said."""


def wishes_of(job: JobState) -> Wishes:
    """What a job wants by now."""
    from .history import standing

    found: Wishes = {}
    for event in standing(job.events):
        if isinstance(event.body, bodies.PartWanted):
            _wish(found, event.body)
    return found


def _wish(wishes: Wishes, body: bodies.PartWanted) -> None:
    wishes.pop((body.kind, body.value), None)
    if body.quantity:
        wishes[body.kind, body.value] = body.quantity, _wanted_for(body.note.removeprefix("for "))


def _wanted_for(text: str) -> tuple[str, ...]:
    return tuple(place for one in re.split(r",|\sand\s", text) if (place := one.strip()))


def want(text: str, wishes: Wishes | None = None) -> bodies.PartWanted:
    """Parts that the job needs, such as ``2 x 4116 150 ns for U7``.

    What is wanted for one more place is added to what is wanted for others; without a place, or with all
    places named, the number is that of all.

    Parameters
    ----------
    text : str
    wishes : dict, optional
        What is wanted already; it moves on.

    Raises
    ------
    BadReading
        The places overlap with those of an earlier line, so that nobody could tell how many are for which.
    """
    wishes = {} if wishes is None else wishes
    quantity, what = counted(text)
    what, *where = re.split(r"\s+for\s+", what, maxsplit=1)
    kind, value = kind_and_value(what)
    there, known = _wanted_for(where[0]) if where else (), wishes.get((kind, value))
    note = f"for {where[0]}" if where else ""
    if known is not None and there and known[1]:
        before, now = ({place.casefold() for place in places} for places in (known[1], there))
        if quantity and not before & now:
            quantity += known[0]
            note = f"for {', '.join((*known[1], *there))}"
        elif before != now:
            told = f"{kind} {value}".strip()
            example = f"want {known[0] if quantity else max(0, known[0] - 1)} x {told}"
            raise BadReading(
                f"{known[0]} x {told} are wanted already, for {', '.join(known[1])}: say how many in all and "
                f"for which places, for example '{example} for {', '.join(known[1])}', or '{example}'"
            )
    body = bodies.PartWanted(kind=kind, value=value, quantity=quantity, note=note)
    _wish(wishes, body)
    return body


def used(text: str) -> bodies.PartUsed:
    """Parts taken from stock, such as ``2 x 4116-1 for U7``."""
    quantity, what = counted(text)
    lot, *where = re.split(r"\s+(?:for|at|in)\s+", what, maxsplit=1)
    if len(lot.split()) != 1:
        raise BadReading(f"{lot!r} is no name of a lot: expected, for example, 'used 1 x 4116-1 for U5'")
    return bodies.PartUsed(lot=lot, quantity=quantity, where=where[0] if where else "")
