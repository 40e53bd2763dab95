"""Lines as a person types them at the bench, understood as events of a job.

U3.14 GND 0R8                          a reading; see `finding.entry` for all of them
power on / out U7 / in U7              the state that what follows is taken in
look U5 debris                         something seen
cleaned U5, reflowed U5, reseated U5   what was done
replaced U5 from 4116-1: was dead      the same, with a part out of stock
changed: composite video out; why ...; undo ...
removed: eight memories                with a colon, what was done (done: ... for anything else)
symptom no picture                     what the machine shows
note smells of smoke
25 min cleaning                        time spent (1 h 20 min, 1.5 h)
spent 12.50 postage                    money spent; got 5 refund; sold 120 EUR
fee 12%                                what a sale costs
likely 120 60%                         what it may sell for
open: key cap on order / done 3        an open point, and its end
test keyboard passed: all keys         passed, failed or not tested
found shorted 74LS157 U9               a fault that was proved; found broken track MA5 at R16
want 2 x 4116 150 ns                   parts to get
used 1 x 4116-1 for U5                 parts out of stock
serial: 004711                         also case:, revision:, rom:, title:
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from functools import cached_property
from typing import TYPE_CHECKING

import msgspec

from ..errors import BadFile, BadReading, BenchwrightError, UnknownName
from . import bodies, entry_deeds, entry_money, entry_plain
from .bodies import AnyBody
from .state import JobState

if TYPE_CHECKING:
    from ..board import Board

HELP = (__doc__ or "").partition("\n\n")[2]
GOOD_UNIT = re.compile(r"(?:known[ -])?good(?: unit)?\s*:\s*(.*)", re.IGNORECASE)
_HEAD = re.compile(r"([A-Za-z]+)(\s*:\s*|\s+|$)(.*)", re.DOTALL)


class BadEntry(BenchwrightError, ValueError):
    """Lines that cannot be understood; nothing of them may be recorded.

    Parameters
    ----------
    problems : list of (int, str, str)
        Number of the line from 1, the line, and what is wrong with it.
    lines : int
        How many there were.
    """

    def __init__(self, problems: list[tuple[int, str, str]], lines: int) -> None:
        self.problems = problems
        told = [
            (f"line {number}, {text!r}: " if lines > 1 else f"{text!r}: " if text else "") + problem
            for number, text, problem in problems
        ]
        if any(problem.startswith(entry_plain.NOT_UNDERSTOOD) for _, _, problem in problems):
            told.append(f"Lines that are understood: {entry_plain.EXAMPLES}")
        super().__init__("\n  ".join(["nothing was recorded.", *told]))


@dataclass(frozen=True, slots=True)
class Entry:
    """One line as it was understood: the line, and one or more bodies that belong together."""

    text: str
    said: tuple[AnyBody, ...]


@dataclass
class Desk:
    """What a line is understood against; it moves on with each line.

    Attributes
    ----------
    job : JobState
    state : bodies.State
        What the board is in.
    functions : mapping
        What a test may be called, in small letters: the function's key.
    instrument : str
        Goes with each reading.
    """

    job: JobState
    state: bodies.State
    functions: Mapping[str, str] = field(default_factory=dict)
    instrument: str = ""

    @cached_property
    def wishes(self) -> entry_deeds.Wishes:
        """Parts that are wanted by now."""
        return entry_deeds.wishes_of(self.job)

    @cached_property
    def likely(self) -> dict[Decimal, Decimal | None]:
        """What it may sell for, by now, with the chance of each."""
        return dict(self.job.likely_prices)

    @cached_property
    def board(self) -> Board | None:
        """The job's board, None if it has none; read when a line needs it."""
        if not self.job.board_text.strip():
            return None
        from .kept_board import read_kept

        try:
            return read_kept(self.job.board_text)
        except BadFile as bad:
            name = self.job.board_file or "the job's board"
            raise BadFile(name, bad.problem, bad.line, bad.field) from None

    def has_ref(self, word: str) -> str | None:
        """The part of that reference; None if the board has none or there is no board."""
        if self.board is None:
            return None
        try:
            return self.board.ref(word)
        except UnknownName:
            return None

    def has_point(self, word: str) -> bool:
        """Whether a word is a pin or net of the board."""
        if self.board is None:
            return False
        try:
            self.board.point(word)
        except UnknownName:
            return False
        return True


def read_lines(lines: Iterable[str], desk: Desk) -> list[Entry]:
    """Understand lines in their order; blank lines and those that begin with # are passed over.

    Raises
    ------
    BadEntry
        With every line that is not understood.
    """
    typed = [line.strip() for line in lines]
    wanted = [(n, line) for n, line in enumerate(typed, start=1) if line and not line.startswith("#")]
    if not wanted:
        raise BadEntry([(1, "", "nothing was typed: expected a line such as U3.14 GND 0R8")], 1)
    found: list[Entry] = []
    problems: list[tuple[int, str, str]] = []
    for number, line in wanted:
        try:
            found.append(read_line(line, desk))
        except BenchwrightError as problem:
            problems.append((number, line, str(problem).removeprefix(f"{line!r}: ")))
    if problems:
        raise BadEntry(problems, len(wanted))
    return found


def read_line(line: str, desk: Desk) -> Entry:
    """Understand one line.

    Raises
    ------
    BenchwrightError
        It is not understood, or makes no sense for this job.
    """
    said = _said(line, desk)
    for body in said:
        if isinstance(body, bodies.BoardState):
            desk.state = body.state
    if desk.instrument:
        said = tuple(_with_instrument(body, desk.instrument) for body in said)
    return Entry(line, said)


def _with_instrument(body: AnyBody, instrument: str) -> AnyBody:
    measured = isinstance(body, bodies.Reading) and body.quantity not in entry_plain.NOT_MEASURED
    return msgspec.structs.replace(body, instrument=instrument) if measured else body


def _said(line: str, desk: Desk) -> tuple[AnyBody, ...]:
    if found := GOOD_UNIT.fullmatch(line):
        reading = _reading(found[1], desk)
        if not isinstance(reading, bodies.Reading):
            raise BadReading("a known good unit gives readings: expected, for example, 'good: U3.14 GND 4k7'")
        return (msgspec.structs.replace(reading, entry=line, good_unit=True),)
    if time := entry_money.read_time(line):
        return (time,)
    head = _HEAD.fullmatch(line)
    verb = _VERBS.get(head[1].lower()) if head else None
    if head is None or verb is None:
        return (_reading(line, desk),)
    plain, rest = ":" in head[2], head[3].strip()
    try:
        return verb(desk, head[1].lower(), rest, plain, line)
    except BenchwrightError:
        # A net may be called TEST or OPEN.
        if plain or not desk.has_point(head[1]):
            raise
        return (_reading(line, desk),)


def _reading(line: str, desk: Desk) -> AnyBody:
    """A reading, something seen, or another state of the board."""
    if desk.board is None:
        return entry_plain.read(line, desk.state)
    from ..circuit import BoardState
    from ..finding.entry import StateChange, parse_entry
    from ..finding.reading import QUANTITY_WORDS, understand

    try:
        typed = parse_entry(desk.board, line, BoardState.of(desk.state.power, desk.state.removed))
    except (BadReading, UnknownName) as problem:
        first = re.split(r"[\s:=,]+", line, maxsplit=1)[0]
        if desk.has_point(first) or first.lower() in QUANTITY_WORDS or entry_plain.REF.match(first):
            raise
        near = difflib.get_close_matches(first.lower(), [*_VERBS, *QUANTITY_WORDS], 1, 0.75)
        told = f"did you mean {near[0]!r}?" if near else str(problem).removeprefix(f"{line!r}: ")
        raise BadReading(f"{entry_plain.NOT_UNDERSTOOD}: {told}") from None
    if isinstance(typed, StateChange):
        return bodies.BoardState(state=_kept(typed.state.powered, typed.state.removed), entry=line)
    try:
        understand(desk.board, typed)
    except BadReading:
        if typed.quantity != "look":
            raise
        return bodies.Look(where=typed.a, seen=str(typed.value))
    return bodies.Reading(
        entry=line, quantity=typed.quantity, a=typed.a, b=typed.b, value=str(typed.value),
        state=_kept(typed.power, typed.removed),
    )  # fmt: skip


def _kept(power: bool, removed: Iterable[str]) -> bodies.State:
    return bodies.State(power, tuple(sorted(removed)))


# -- one function for each sort of line ----------------------------------------------------------------------

Verb = Callable[[Desk, str, str, bool, str], tuple[AnyBody, ...]]


def _needs(rest: str, example: str) -> str:
    if not rest:
        raise BadReading(f"something is missing: expected, for example, '{example}'")
    return rest


def _note(desk: Desk, word: str, rest: str, plain: bool, line: str) -> tuple[AnyBody, ...]:
    return (bodies.Note(text=_needs(rest, "note smells of smoke")),)


def _symptom(desk: Desk, word: str, rest: str, plain: bool, line: str) -> tuple[AnyBody, ...]:
    return (bodies.Symptom(text=_needs(rest, "symptom no picture")),)


def _open(desk: Desk, word: str, rest: str, plain: bool, line: str) -> tuple[AnyBody, ...]:
    return (bodies.OpenPoint(text=_needs(rest, "open: key cap on order")),)


def _done(desk: Desk, word: str, rest: str, plain: bool, line: str) -> tuple[AnyBody, ...]:
    if plain and rest and not re.fullmatch(r"#?\d+\s*([:,].*)?", rest, re.DOTALL):
        return entry_deeds.read("done", rest, plain, line, desk.state, desk.board)
    found = re.fullmatch(r"#?(\d+)\s*[:,]?\s*(.*)", rest)
    numbers = {n: point for n, point in enumerate(desk.job.points, start=1) if point.closed is None}
    there = "; ".join(f"{n} {point.text}" for n, point in numbers.items()) or "none"
    if found is None:
        raise BadReading(f"which open point? Expected, for example, 'done 3' (open points: {there})")
    point = numbers.get(int(found[1])) if len(found[1]) < 10 else None
    if point is None:
        raise BadReading(f"there is no open point {found[1][:10]} (open points: {there})")
    return (bodies.PointClosed(point=point.event.uid, note=found[2].strip()),)


_RESULTS: dict[str, bodies.Result] = {
    **dict.fromkeys(("passed", "passes", "pass", "ok", "works"), "passed"),
    **dict.fromkeys(("failed", "fails", "fail"), "failed"),
    **dict.fromkeys(("not tested", "untested", "still to do"), "not tested"),
}
_TEST = re.compile(
    rf"(.+?)\s*[:,]?\s+({'|'.join(_RESULTS)})(?:\s*[:,;-]\s*|\s+|$)(.*)", re.IGNORECASE | re.DOTALL
)


def _test(desk: Desk, word: str, rest: str, plain: bool, line: str) -> tuple[AnyBody, ...]:
    found = _TEST.fullmatch(rest)
    if found is None:
        raise BadReading(
            "how did the test come out? Expected passed, failed or not tested, for example "
            "'test keyboard passed: all keys'"
        )
    what = found[1].strip()
    return (
        bodies.Acceptance(
            what=what, result=_RESULTS[found[2].lower()], found=found[3].strip(),
            function=desk.functions.get(what.lower(), ""),
        ),
    )  # fmt: skip


def _look(desk: Desk, word: str, rest: str, plain: bool, line: str) -> tuple[AnyBody, ...]:
    _needs(rest, "look U5 debris")
    first, _, seen = rest.partition(" ")
    if not plain and desk.board is not None and desk.has_ref(first.partition(".")[0]):
        seen_there = _reading(f"look {rest}", desk)
        if isinstance(seen_there, bodies.Reading):
            seen_there = msgspec.structs.replace(seen_there, entry=line)
        return (seen_there,)
    if entry_plain.POINT.fullmatch(first) and seen and desk.board is None:
        if (reading := entry_plain.look(line, first, seen, desk.state)) is not None:
            return (reading,)
        return (bodies.Look(where=first, seen=seen),)
    return (bodies.Look(where="", seen=rest),)


def _smell(desk: Desk, word: str, rest: str, plain: bool, line: str) -> tuple[AnyBody, ...]:
    _needs(rest, "smell burnt")
    if desk.board is not None and not plain:
        try:
            return (_reading(line, desk),)
        except BenchwrightError:
            pass  # other words than the finder knows are kept as they are
    return (bodies.Look(where="", seen=f"smell: {rest}"),)


def _power(desk: Desk, word: str, rest: str, plain: bool, line: str) -> tuple[AnyBody, ...]:
    if rest.lower() not in ("on", "off"):
        raise BadReading("expected 'power on' or 'power off'")
    return (bodies.BoardState(state=_kept(rest.lower() == "on", desk.state.removed), entry=line),)


def _out_or_in(desk: Desk, word: str, rest: str, plain: bool, line: str) -> tuple[AnyBody, ...]:
    refs = all(entry_plain.REF.fullmatch(ref) for ref in re.split(r"[\s,]+", rest))
    if plain and word in ("removed", "remove") and not refs:
        return entry_deeds.read("removed", rest, plain, line, desk.state, desk.board)
    if desk.board is not None:
        return (_reading(line, desk),)
    return (entry_plain.pulled(word, rest, desk.state, line),)


_IDENTITY = {
    "case": "case_label", "revision": "board_revision", "serial": "serial", "rom": "rom_version",
    "title": "title",
}  # fmt: skip


def _identity(desk: Desk, word: str, rest: str, plain: bool, line: str) -> tuple[AnyBody, ...]:
    if not plain:
        raise BadReading(f"expected a colon after the word, for example '{word}: {rest or '1234'}'")
    _needs(rest, f"{word}: 1234")
    return (bodies.Identity(**{_IDENTITY[word]: rest}),)


def _timer(desk: Desk, word: str, rest: str, plain: bool, line: str) -> tuple[AnyBody, ...]:
    way, _, note = rest.partition(" ")
    if way.lower() not in ("start", "stop"):
        raise BadReading("expected 'timer start' or 'timer stop'")
    return (bodies.TimerStarted() if way.lower() == "start" else bodies.TimerStopped(note=note),)


def _money(make: Callable[[str, str], AnyBody]) -> Verb:
    def read(desk: Desk, word: str, rest: str, plain: bool, line: str) -> tuple[AnyBody, ...]:
        return (make(rest, desk.job.currency),)

    return read


def _likely(desk: Desk, word: str, rest: str, plain: bool, line: str) -> tuple[AnyBody, ...]:
    body = entry_money.likely(rest, desk.job.currency)
    chances = {**desk.likely, body.value: body.chance}
    entry_money.check_chances(chances)
    desk.likely = chances
    return (body,)


def _done_to(deed: bodies.Deed) -> Verb:
    def read(desk: Desk, word: str, rest: str, plain: bool, line: str) -> tuple[AnyBody, ...]:
        _needs(rest, f"{word} U5")
        return entry_deeds.read(deed, rest, plain, line, desk.state, desk.board)

    return read


def _found(desk: Desk, word: str, rest: str, plain: bool, line: str) -> tuple[AnyBody, ...]:
    return (entry_deeds.found(_needs(rest, "found shorted 74LS157 U9"), desk.board, desk.job.board_file),)


def _want(desk: Desk, word: str, rest: str, plain: bool, line: str) -> tuple[AnyBody, ...]:
    return (entry_deeds.want(_needs(rest, "want 2 x 4116 150 ns"), desk.wishes),)


def _used(desk: Desk, word: str, rest: str, plain: bool, line: str) -> tuple[AnyBody, ...]:
    return (entry_deeds.used(_needs(rest, "used 1 x 4116-1 for U5")),)


def _words(verb: Verb, *words: str) -> dict[str, Verb]:
    return dict.fromkeys(words, verb)


_VERBS: dict[str, Verb] = {
    **_words(_note, "note", "remark"),
    **_words(_symptom, "symptom", "shows"),
    **_words(_open, "open", "todo"),
    **_words(_done, "done", "settled"),
    **_words(_test, "test", "tested"),
    **_words(_look, "look", "looked", "saw", "seen"),
    **_words(_smell, "smell", "smelt"),
    **_words(_power, "power"),
    **_words(_out_or_in, "out", "pulled", "pull", "removed", "remove", "in", "back", "fitted", "refitted"),
    **_words(_identity, *_IDENTITY),
    **_words(_timer, "timer"),
    **_words(_money(entry_money.spent), "spent", "paid", "cost"),
    **_words(_money(entry_money.sold), "sold"),
    **_words(_money(entry_money.got), "got"),
    **_words(_money(entry_money.fee), "fee"),
    **_words(_likely, "likely"),
    **_words(_found, "found"),
    **_words(_want, "want", "wanted", "need"),
    **_words(_used, "used", "use", "took"),
    **_words(_done_to("cleaned"), "cleaned", "clean"),
    **_words(_done_to("reflowed"), "reflowed", "reflow"),
    **_words(_done_to("reseated"), "reseated", "reseat"),
    **_words(_done_to("replaced"), "replaced", "replace", "swapped", "swap"),
    **_words(_done_to("linked"), "linked", "link", "wired"),
    **_words(_done_to("adjusted"), "adjusted", "adjust"),
    **_words(_done_to("changed"), "changed", "change"),
    **_words(_done_to("ordered"), "ordered"),
}

__all__ = ["HELP", "BadEntry", "Desk", "Entry", "read_line", "read_lines"]
