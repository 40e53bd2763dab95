"""How bytes become a signal on tape: an encoding as data, read from and written to TOML."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError

from ..errors import BadFile, UnknownName
from ..textfile import read_text, write_text
from .checks import BadCheck, Check

Halves = tuple[float, ...]
"""Lengths of half-waves in seconds; their signs alternate."""


@dataclass(frozen=True)
class Encoding:
    """One way of writing bytes on tape.

    Everything is a row of half-waves: stretches of signal above or below the middle, which alternate.

    Parameters
    ----------
    name, title, source : str
        Short name, what a person calls it, where its numbers come from.
    zero, one : tuple of float
        Half-waves of a bit, in seconds. Empty for phase encoding.
    cell : float
        Length of a bit cell in seconds for phase encoding; 0 for every other kind.
    one_rises : bool
        Phase encoding: the transition in the middle of the cell of a 1 goes up.
    leader : tuple of float
        Half-waves that repeat before a block; empty if there is none.
    leader_seconds : float
        How much leader a clean recording gets.
    sync : tuple of float
        Half-waves between leader and data; may be empty.
    preamble, postamble : str
        Bits (``"10101010"``) before the first and after the last byte.
    start, stop : str
        Bits before and after each byte.
    data_bits : int
        Bits in a byte, 5 to 8.
    parity : str
        ``"none"``, ``"odd"`` or ``"even"``, after the data bits.
    least_first : bool
        The least significant bit comes first.
    marker : tuple of float
        Half-waves before each byte.
    trailer : tuple of float
        Half-waves after the last byte, such as the pulse that ends the last bit.
    idle : bool
        Leader may fill any gap between two bytes.
    check : Check, optional
        What the last bytes of a block must be.
    block_gap : float
        Seconds without a byte after which a new block begins.
    pause : float
        Seconds of silence after a block in a clean recording.
    begins : int
        Sign of the first half-wave after the leader: -1 low, 1 high, 0 either.
    shape : str
        ``"sine"`` or ``"square"`` half-waves in a clean recording.
    notes : tuple of str
        What comes from memory or needs saying.
    """

    name: str
    title: str = ""
    source: str = ""
    zero: Halves = ()
    one: Halves = ()
    cell: float = 0.0
    one_rises: bool = True
    leader: Halves = ()
    leader_seconds: float = 0.0
    sync: Halves = ()
    preamble: str = ""
    postamble: str = ""
    start: str = ""
    stop: str = ""
    data_bits: int = 8
    parity: str = "none"
    least_first: bool = False
    marker: Halves = ()
    trailer: Halves = ()
    idle: bool = False
    check: Check | None = None
    block_gap: float = 0.25
    pause: float = 1.0
    begins: int = 0
    shape: str = "square"
    notes: tuple[str, ...] = field(default=())

    @property
    def is_phase(self) -> bool:
        """Whether the direction of a transition carries the bit."""
        return self.cell > 0

    @property
    def shortest(self) -> float:
        """Shortest half-wave in seconds."""
        return min(self.lengths)

    @property
    def longest(self) -> float:
        """Longest half-wave in seconds."""
        return max(self.lengths)

    @property
    def lengths(self) -> tuple[float, ...]:
        """The different half-wave lengths in seconds, shortest first."""
        if self.is_phase:
            found = {self.cell / 2, self.cell, *self.leader, *self.sync, *self.trailer}
        else:
            found = {*self.zero, *self.one, *self.leader, *self.sync, *self.marker, *self.trailer}
        merged: list[float] = []
        for length in sorted(found):
            if not merged or length > merged[-1] * 1.001:
                merged.append(length)
        return tuple(merged)

    @property
    def byte_seconds(self) -> float:
        """Mean time of a byte."""
        bits = len(self.start) + self.data_bits + len(self.stop) + (self.parity != "none")
        if self.is_phase:
            return bits * self.cell
        half = (sum(self.zero) + sum(self.one)) / 2
        ones = self.start.count("1") + self.stop.count("1")
        zeros = self.start.count("0") + self.stop.count("0")
        free = bits - ones - zeros
        return sum(self.marker) + ones * sum(self.one) + zeros * sum(self.zero) + free * half

    def with_name(self, name: str) -> Encoding:
        """The same encoding under another name."""
        return replace(self, name=name)


_WAVE = re.compile(
    r"\s*(?:(\d+)\s*(?:x\s*)?)?(cycles?|half-waves?)\s+(?:of\s+)?([0-9]*\.?[0-9]+)\s*(Hz|kHz|us|µs|ms|s)\s*"
)
_UNIT = {"us": 1e-6, "µs": 1e-6, "ms": 1e-3, "s": 1.0}
_TABLES: dict[str, set[str]] = {
    "encoding": {"name", "title", "source", "notes"},
    "wave": {"zero", "one", "cell", "one_is", "shape", "begins"},
    "leader": {"wave", "seconds"},
    "byte": {"bits", "order", "start", "stop", "parity", "marker", "idle"},
    "block": {"sync", "preamble", "postamble", "trailer", "gap_seconds", "pause_seconds"},
    "check": {"rule", "bits", "polynomial", "start", "final", "reflected", "low_byte_first", "skip"},
}


class _Reader:
    """One TOML document with errors that name the place."""

    def __init__(self, path: str, text: str) -> None:
        self.path, self.text = path, text
        try:
            self.data: dict[str, Any] = tomlkit.parse(text).unwrap()
        except TOMLKitError as problem:
            line = getattr(problem, "line", None)
            raise BadFile(path, f"this is not TOML: {problem}", line=line) from None

    def line(self, table: str, key: str) -> int | None:
        inside = False
        for number, text in enumerate(self.text.splitlines(), start=1):
            stripped = text.strip()
            if stripped.startswith("["):
                inside = stripped.startswith(f"[{table}]")
                if inside and not key:
                    return number
            elif inside and key and re.match(rf"{re.escape(key)}\s*=", stripped):
                return number
        return None

    def bad(self, table: str, key: str, problem: str) -> BadFile:
        return BadFile(self.path, problem, line=self.line(table, key), field=f"{table}.{key}")

    def value(self, table: str, key: str, kind: type | tuple[type, ...], default: Any) -> Any:
        rows = self.data.get(table, {})
        if key not in rows:
            return default
        found = rows[key]
        if not isinstance(found, kind) or (isinstance(found, bool) and kind is not bool):
            names = [k.__name__ for k in (kind if isinstance(kind, tuple) else (kind,))]
            words = {"str": "text", "int": "a whole number", "float": "a number", "bool": "true or false",
                     "list": "a list"}  # fmt: skip
            raise self.bad(table, key, f"{found!r}: expected {' or '.join(words[n] for n in names)}")
        return found

    def number(self, table: str, key: str, default: float) -> float:
        found = float(self.value(table, key, (int, float), default))
        if not 0 <= found < 1e6:
            raise self.bad(table, key, f"{found}: expected seconds, nought or more")
        return found

    def bits(self, table: str, key: str) -> str:
        found: str = self.value(table, key, str, "")
        if set(found) - set("01") or len(found) > 256:
            raise self.bad(table, key, f"{found!r}: expected bits such as '011'")
        return found

    def choice(self, table: str, key: str, options: dict[str, Any], default: str) -> Any:
        found = self.value(table, key, str, default)
        if found not in options:
            raise self.bad(table, key, f"{found!r}: expected {' or '.join(map(repr, options))}")
        return options[found]

    def waves(self, table: str, key: str) -> Halves:
        found = self.value(table, key, (str, list), [])
        halves: list[float] = []
        for text in [found] if isinstance(found, str) else found:
            match = _WAVE.fullmatch(text) if isinstance(text, str) else None
            if match is None:
                raise self.bad(
                    table, key,
                    f"{text!r}: expected waves such as '4 cycles 1200 Hz' or '2 half-waves 230 us'",
                )  # fmt: skip
            count = int(match[1] or 1)
            number = float(match[3])
            if not number or count > 4096:
                raise self.bad(table, key, f"{text!r}: expected 1 to 4096 waves, not of nought")
            if match[4] in _UNIT:
                seconds = number * _UNIT[match[4]]
            else:
                seconds = 1 / (number * (1000 if match[4] == "kHz" else 1))
            if match[2].startswith("cycle"):
                halves += [seconds / 2] * (2 * count)
            elif match[4] in _UNIT:
                halves += [seconds] * count
            else:
                halves += [seconds / 2] * count
        for seconds in halves:
            if not 19.99e-6 <= seconds <= 20.01e-3:
                raise self.bad(table, key, f"a half-wave of {seconds * 1e6:g} us: expected 20 us to 20 ms")
        return tuple(halves)


def parse_encoding(text: str, path: str = "encoding") -> Encoding:
    """Read an encoding from the text of its file.

    Raises
    ------
    BadFile
        With line and key, if anything is not as it should be.
    """
    reader = _Reader(path, text)
    for table, rows in reader.data.items():
        if table not in _TABLES:
            raise BadFile(path, f"table [{table}]: expected {', '.join(_TABLES)}", reader.line(table, ""))
        if not isinstance(rows, dict):
            raise BadFile(path, f"{table} = ...: expected a table [{table}]", field=table)
        for key in rows:
            if key not in _TABLES[table]:
                raise reader.bad(table, key, f"unknown key: expected {', '.join(sorted(_TABLES[table]))}")
    check = None
    if "check" in reader.data:
        try:
            check = Check(
                rule=reader.value("check", "rule", str, ""),
                width=reader.value("check", "bits", int, 8),
                polynomial=reader.value("check", "polynomial", int, 0),
                start=reader.value("check", "start", int, 0),
                final=reader.value("check", "final", int, 0),
                reflected=reader.value("check", "reflected", bool, False),
                low_byte_first=reader.value("check", "low_byte_first", bool, False),
                skip=reader.value("check", "skip", int, 0),
            )
        except BadCheck as problem:
            raise reader.bad("check", "", str(problem)) from None
    cell_text = reader.value("wave", "cell", str, "")
    cell = 0.0
    if cell_text:
        match = re.fullmatch(r"\s*([0-9]*\.?[0-9]+)\s*(us|µs|ms)\s*", cell_text)
        if match is None or not float(match[1]):
            raise reader.bad("wave", "cell", f"{cell_text!r}: expected a time such as '667 us'")
        cell = float(match[1]) * _UNIT[match[2]]
    notes = reader.value("encoding", "notes", list, [])
    encoding = Encoding(
        name=reader.value("encoding", "name", str, Path(path).stem),
        title=reader.value("encoding", "title", str, ""),
        source=reader.value("encoding", "source", str, ""),
        notes=tuple(map(str, notes)),
        zero=reader.waves("wave", "zero"),
        one=reader.waves("wave", "one"),
        cell=cell,
        one_rises=reader.choice("wave", "one_is", {"rising": True, "falling": False}, "rising"),
        shape=reader.choice("wave", "shape", {"sine": "sine", "square": "square"}, "square"),
        begins=reader.choice("wave", "begins", {"either": 0, "low": -1, "high": 1}, "either"),
        leader=reader.waves("leader", "wave"),
        leader_seconds=reader.number("leader", "seconds", 0.0),
        data_bits=reader.value("byte", "bits", int, 8),
        least_first=reader.choice("byte", "order", {"least first": True, "most first": False}, "most first"),
        start=reader.bits("byte", "start"),
        stop=reader.bits("byte", "stop"),
        parity=reader.choice("byte", "parity", {k: k for k in ("none", "odd", "even")}, "none"),
        marker=reader.waves("byte", "marker"),
        idle=reader.value("byte", "idle", bool, False),
        sync=reader.waves("block", "sync"),
        preamble=reader.bits("block", "preamble"),
        postamble=reader.bits("block", "postamble"),
        trailer=reader.waves("block", "trailer"),
        block_gap=reader.number("block", "gap_seconds", 0.25),
        pause=reader.number("block", "pause_seconds", 1.0),
        check=check,
    )
    if not 5 <= encoding.data_bits <= 8:
        raise reader.bad("byte", "bits", f"{encoding.data_bits}: expected 5 to 8")
    if encoding.is_phase:
        if encoding.zero or encoding.one:
            raise reader.bad("wave", "cell", "phase encoding has a cell and neither zero nor one")
    elif not encoding.zero or not encoding.one:
        raise BadFile(path, "expected zero and one in [wave], or cell for phase encoding", field="wave")
    elif encoding.zero == encoding.one:
        raise reader.bad("wave", "one", "a one looks like a zero")
    if not (encoding.leader or encoding.preamble):
        raise BadFile(path, "expected [leader] wave or [block] preamble: something to begin with")
    return encoding


def encoding_text(encoding: Encoding) -> str:
    """The file of an encoding; `parse_encoding` reads it back to the same encoding."""
    document = tomlkit.document()
    head = tomlkit.table()
    head["name"] = encoding.name
    for key, text in (("title", encoding.title), ("source", encoding.source)):
        if text:
            head[key] = text
    if encoding.notes:
        head["notes"] = list(encoding.notes)
    document["encoding"] = head
    wave = tomlkit.table()
    if encoding.is_phase:
        wave["cell"] = f"{_plain(encoding.cell * 1e6)} us"
        wave["one_is"] = "rising" if encoding.one_rises else "falling"
    else:
        wave["zero"] = _wave_texts(encoding.zero)
        wave["one"] = _wave_texts(encoding.one)
    wave["shape"] = encoding.shape
    if encoding.begins:
        wave["begins"] = "low" if encoding.begins < 0 else "high"
    document["wave"] = wave
    if encoding.leader:
        leader = tomlkit.table()
        leader["wave"] = _wave_texts(encoding.leader)
        leader["seconds"] = encoding.leader_seconds
        document["leader"] = leader
    byte = tomlkit.table()
    byte["bits"] = encoding.data_bits
    byte["order"] = "least first" if encoding.least_first else "most first"
    if encoding.start:
        byte["start"] = encoding.start
    if encoding.stop:
        byte["stop"] = encoding.stop
    if encoding.parity != "none":
        byte["parity"] = encoding.parity
    if encoding.marker:
        byte["marker"] = _wave_texts(encoding.marker)
    if encoding.idle:
        byte["idle"] = True
    document["byte"] = byte
    block = tomlkit.table()
    if encoding.sync:
        block["sync"] = _wave_texts(encoding.sync)
    if encoding.preamble:
        block["preamble"] = encoding.preamble
    if encoding.postamble:
        block["postamble"] = encoding.postamble
    if encoding.trailer:
        block["trailer"] = _wave_texts(encoding.trailer)
    block["gap_seconds"] = encoding.block_gap
    block["pause_seconds"] = encoding.pause
    document["block"] = block
    if encoding.check is not None:
        check = tomlkit.table()
        check["rule"] = encoding.check.rule
        check["bits"] = encoding.check.width
        if encoding.check.rule == "crc":
            check["polynomial"] = encoding.check.polynomial
            check["reflected"] = encoding.check.reflected
        for key in ("start", "final", "skip"):
            if getattr(encoding.check, key):
                check[key] = getattr(encoding.check, key)
        if encoding.check.low_byte_first:
            check["low_byte_first"] = True
        document["check"] = check
    return tomlkit.dumps(document)


def _plain(number: float) -> str:
    return f"{number:.9f}".rstrip("0").rstrip(".")


def _length(seconds: float) -> str:
    """A half-wave's length as its frequency where that is a whole number, else in microseconds."""
    hertz = 0.5 / seconds
    if abs(hertz - round(hertz)) < 1e-6 and 1 / round(hertz) / 2 == seconds:
        return f"{round(hertz)} Hz"
    return f"{_plain(seconds * 1e6)} us"


def _wave_texts(halves: Halves) -> list[str]:
    texts: list[str] = []
    at = 0
    while at < len(halves):
        count = 1
        while at + count < len(halves) and abs(halves[at + count] - halves[at]) < 1e-12:
            count += 1
        word = "half-wave" if count == 1 else f"{count} half-waves"
        texts.append(f"{word} {_length(halves[at])}")
        at += count
    return texts


def load_encoding(path: Path) -> Encoding:
    """Read an encoding file.

    Raises
    ------
    BadFile
        With line and key, if anything is not as it should be.
    OSError
        It cannot be opened.
    """
    return parse_encoding(read_text(path), str(path))


def save_encoding(path: Path, encoding: Encoding) -> None:
    """Write an encoding file, whole or not at all."""
    write_text(path, encoding_text(encoding))


@lru_cache(maxsize=1)
def known_encodings() -> dict[str, Encoding]:
    """The encodings that come with the package, by name."""
    found = {}
    folder = resources.files(__package__).joinpath("encodings")
    for entry in sorted(folder.iterdir(), key=lambda e: e.name):
        if entry.name.endswith(".toml"):
            encoding = parse_encoding(entry.read_text(encoding="utf-8"), entry.name)
            found[encoding.name] = encoding
    return found


def encoding_named(name: str) -> Encoding:
    """An encoding by its name, or from a file if `name` ends in ``.toml``.

    Raises
    ------
    UnknownName
        There is none of that name; the error lists those there are.
    BadFile
        The file cannot be used.
    """
    if name.endswith(".toml"):
        return load_encoding(Path(name))
    known = known_encodings()
    if name not in known:
        raise UnknownEncoding(name, sorted(known))
    return known[name]


class UnknownEncoding(UnknownName):
    """No encoding of that name."""

    def __init__(self, name: str, known: list[str]) -> None:
        super().__init__("encoding", name)
        self.args = (f"no encoding {name!r}: expected {', '.join(known)}, or the path of a .toml file",)
