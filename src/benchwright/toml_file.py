"""A TOML file read table by table, each value checked; a message names the line its key stands on."""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

from .errors import BadFile, BadQuantity
from .textfile import read_text
from .units import parse_quantity

_HEADER = re.compile(r"\s*\[\[?\s*(.*?)\s*\]\]?\s*(?:#.*)?")
_KEY = re.compile(r"""\s*((?:"(?:[^"\\]|\\.)*"|'[^']*'|[A-Za-z0-9_-]+)(?:\s*\.\s*(?:"(?:[^"\\]|\\.)*"|'[^']*'|[A-Za-z0-9_-]+))*)\s*=""")  # fmt: skip # noqa: E501
_PIECE = re.compile(r"""\s*(?:("(?:[^"\\]|\\.)*")|'([^']*)'|([A-Za-z0-9_-]+))\s*\.?""")
_STRING = re.compile(
    r'"""(?:[^"\\]|\\.|"(?!""))*"""|\'\'\'.*?\'\'\'|"(?:[^"\\\n]|\\.)*"|\'[^\'\n]*\'|#[^\n]*', re.DOTALL
)
_AT_LINE = re.compile(r"\(at line (\d+), column (\d+)\)")

Place = tuple[str, ...]
FEW_NAMES = 12
"""As many as a message can list."""


class TomlFile:
    """The tables of one TOML file, checked as they are read.

    Parameters
    ----------
    path : Path
    text : str, optional
        What the file holds, where it is known already: then nothing is opened.

    Attributes
    ----------
    name : str
        The file as the person named it.
    data : dict
    """

    def __init__(self, path: Path, text: str | None = None) -> None:
        self.name = str(path)
        try:
            self.text = read_text(path) if text is None else text
        except OSError as problem:
            raise BadFile(self.name, f"cannot be opened: {problem.strerror or problem}") from None
        try:
            self.data: dict[str, Any] = tomllib.loads(self.text)
        except tomllib.TOMLDecodeError as problem:
            told = str(problem)
            at = _AT_LINE.search(told)
            line = int(at[1]) if at else None
            told = _AT_LINE.sub("", told).strip()
            raise BadFile(self.name, f"this is not TOML: {told[0].lower()}{told[1:]}", line) from None
        except (ValueError, RecursionError, OverflowError) as problem:
            raise BadFile(self.name, f"this is not TOML: {problem}") from None
        self._places: dict[Place, int] | None = None

    # -- where things stand ------------------------------------------------------------------------

    def line(self, place: Place, text: str | None = None) -> int | None:
        """Line of a key, or of `text` within its value; of the table above if the key is not found."""
        if self._places is None:
            self._places = _scan(self.text)
        found = None
        for length in range(len(place), 0, -1):
            found = self._places.get(place[:length])
            if found is not None:
                break
        if found is None or text is None:
            return found
        lines = self.text.splitlines()
        for number in range(found, min(found + 400, len(lines) + 1)):
            if number > found and _HEADER.fullmatch(lines[number - 1]):
                break
            if text in lines[number - 1]:
                return number
        return found

    def bad(self, place: Place, problem: str, text: str | None = None) -> BadFile:
        """The error to raise at a key, or at `text` within its value."""
        return BadFile(self.name, problem, self.line(place, text), ".".join(place) or None)

    # -- typed reading -----------------------------------------------------------------------------

    def table(self, place: Place, holder: Mapping[str, Any] | None = None) -> dict[str, Any]:
        """The table at a key; empty if there is none."""
        value = (self.data if holder is None else holder).get(place[-1], {})
        if not isinstance(value, dict):
            raise self.bad(place, f"expected a table, such as [{'.'.join(place)}] or {{ key = value }}")
        return value

    def tables(self, place: Place, example: str = "[{place}]") -> Iterator[tuple[str, Place, dict[str, Any]]]:
        """The tables within the table at a key: name, place and table of each.

        Parameters
        ----------
        place : tuple of str
        example : str, optional
            How one is written, for the message: ``{name}`` and ``{place}`` stand for its name and its place.
        """
        for name, value in self.table(place).items():
            own = (*place, name)
            if not isinstance(value, dict):
                written = example.format(place=".".join(own), name=name)
                raise self.bad(own, f"{value!r} is not a table: expected one such as {written}")
            yield name, own, value

    def known(self, place: Place, table: Mapping[str, Any], keys: Iterable[str]) -> None:
        """Raise at the first key that is none of `keys`."""
        allowed = list(keys)
        for key in table:
            if key not in allowed:
                near = difflib.get_close_matches(key, allowed, 1, 0.6)
                hint = f"did you mean {near[0]}?" if near else f"expected one of {', '.join(allowed)}"
                raise self.bad((*place, key), f"unknown key {key!r}; {hint}")

    def string(self, place: Place, table: Mapping[str, Any], default: str = "") -> str:
        value = table.get(place[-1], default)
        if not isinstance(value, str):
            raise self.bad(place, f"{value!r} is not text: put it in quotes")
        return value

    def flag(self, place: Place, table: Mapping[str, Any], default: bool = False) -> bool:
        value = table.get(place[-1], default)
        if not isinstance(value, bool):
            raise self.bad(place, f"{value!r} is neither true nor false")
        return value

    def number(self, place: Place, value: object, expected: str = "a number") -> float:
        """A finite number, or text such as "4k7"."""
        if isinstance(value, str):
            try:
                number = parse_quantity(value)
            except BadQuantity as problem:
                raise self.bad(place, str(problem)) from None
        elif isinstance(value, bool) or not isinstance(value, int | float):
            raise self.bad(place, f"{value!r} is not {expected}")
        else:
            try:
                number = float(value)
            except OverflowError:
                number = math.inf
        if not math.isfinite(number):
            raise self.bad(place, f"{value!r} is not {expected} that can be used here")
        return number

    def pair(self, place: Place, value: object, expected: str) -> tuple[float, float]:
        if not isinstance(value, list) or len(value) != 2:
            raise self.bad(place, f"{value!r} is not {expected}: expected two numbers, such as [1.0, 2.0]")
        return self.number(place, value[0]), self.number(place, value[1])

    def whole(
        self, place: Place, table: Mapping[str, Any], default: int, limits: tuple[int, int], expected: str
    ) -> int:
        """A whole number within limits, both included."""
        value = table.get(place[-1], default)
        if isinstance(value, bool) or not isinstance(value, int) or not limits[0] <= value <= limits[1]:
            raise self.bad(place, f"{value!r} is not {expected}: expected a whole number from {limits[0]} on")
        return value

    def named(self, place: Place, names: Iterable[str], name: str, what: str) -> str:
        """The one of `names` that a text means, its case forgiven."""
        known = list(names)
        for own in known:
            if own.casefold() == name.strip().casefold():
                return own
        raise self.no_such(place, what, name, known)

    def no_such(
        self, place: Place, what: str, name: str, names: Iterable[str], text: str | None = None
    ) -> BadFile:
        """The error to raise where a part, a net or the like is named that is none of `names`."""
        known = list(names)
        hint = near_names(name, known)
        if len(known) <= FEW_NAMES:
            hint += f"; expected one of {', '.join(known)}" if known else ""
        return self.bad(place, f"there is no {what} {name!r}{hint}", text or name)

    def strings(self, place: Place, table: Mapping[str, Any]) -> tuple[str, ...]:
        value = table.get(place[-1], [])
        if isinstance(value, str):
            return (value,)
        if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            raise self.bad(place, f'{value!r} is not a list of texts, such as ["U1", "U2"]')
        return tuple(value)


def near_names(name: str, names: Iterable[str]) -> str:
    """``; did you mean U3?`` or nothing."""
    folded = {candidate.upper(): candidate for candidate in names}
    hits = [folded[hit] for hit in difflib.get_close_matches(name.upper(), list(folded), 3, 0.5)]
    return f"; did you mean {', '.join(hits)}?" if hits else ""


def _scan(text: str) -> dict[Place, int]:
    """Lines of all headers and keys that start a line, counted from 1."""
    masked = _STRING.sub(lambda match: _masked(match[0]), text)
    found: dict[Place, int] = {}
    table: Place = ()
    depth = 0
    for number, (line, bare) in enumerate(zip(text.split("\n"), masked.split("\n"), strict=True), 1):
        if depth == 0:
            header = _HEADER.fullmatch(line)
            key = None if header else _KEY.match(line)
            if header is not None and "=" not in bare:
                table = _split(header[1])
                found.setdefault(table, number)
                for length in range(1, len(table)):
                    found.setdefault(table[:length], number)
                continue
            if key is not None:
                found.setdefault((*table, *_split(key[1])), number)
        depth = max(0, depth + sum(map(bare.count, "[{")) - sum(map(bare.count, "]}")))
    return found


def _masked(text: str) -> str:
    """Blank out a string or comment, line ends and quoted keys kept in place."""
    return "\n".join("_" * len(line) for line in text.split("\n"))


def _split(dotted: str) -> Place:
    pieces = []
    for match in _PIECE.finditer(dotted):
        quoted, literal, plain = match.groups()
        if quoted is not None:
            try:
                pieces.append(next(iter(tomllib.loads(f"{quoted} = 0"))))
            except tomllib.TOMLDecodeError:
                pieces.append(quoted[1:-1])
        else:
            pieces.append(literal if literal is not None else plain)
    return tuple(pieces)
