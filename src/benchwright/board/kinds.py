"""Part kinds: reading their tables, and recognising a kind from what a parts list says.

The tables are `kinds/*.toml`. A person's own board file holds kinds in the same format::

    ["6810"]
    title = "128 x 8 static RAM"
    category = "static_ram"
    family = "nmos"
    package = "DIP-24"
    pins = "GND:G D0..D7:B CS0:I CS1#:I CS2#:I CS3:I CS4#:I CS5#:I R/W#:I A6..A0:I VCC:P"
    supplies = [{ pin = "VCC", nominal = 5.0, typical = 0.06, worst = 0.08, source = "from memory" }]

`pins` is in the order of pin numbers from 1; ``D0..D7`` counts up or down; ``7=GND:G`` sets a number.
Kinds without `pins` fit any number of pins. `price` is a rough figure in euro, from memory.
A supply whose `nominal` is 0 takes whatever voltage the board gives it (op-amps, 4000 logic, regulators).
"""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from collections import ChainMap
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache, lru_cache
from pathlib import Path
from typing import NamedTuple

from ..errors import BadFile, BadQuantity
from ..units import format_quantity, parse_quantity
from .model import CATEGORIES, Kind, KindPin, Substitute, Supply

FAMILIES = (
    "ttl", "l", "h", "ls", "s", "als", "f", "hc", "hct", "ac", "act", "cmos4000", "nmos", "pmos", "cmos",
    "bipolar", "passive", "unknown",
)  # fmt: skip
DIRECTIONS = "PGIOTBCXN?"
_FOLDER = Path(__file__).with_name("kinds")
_NOT_KINDS = ("logic_74.toml", "names.toml")
_KEYS = (
    "title", "category", "family", "package", "pins", "supplies", "substitutes", "rate_group", "minutes",
    "skill", "price", "source", "generic",
)  # fmt: skip
_RANGE = re.compile(r"^(.*?)(\d+)\.\.(.*?)(\d+)(#?)$")


@dataclass(frozen=True)
class Recognition:
    """What a part was taken for.

    Attributes
    ----------
    kind : Kind
    size : float or None
        Ohms, farads, henries, volts (zener, regulator) or hertz, if the value says so.
    style : str
        Capacitors and resistors: see `Part.style`.
    certain : bool
        False if anything had to be guessed; `note` then says what.
    note : str
    """

    kind: Kind
    size: float | None = None
    style: str = ""
    certain: bool = True
    note: str = ""


# -- tables ----------------------------------------------------------------------------------------


def kind_from_table(name: str, table: Mapping[str, object], where: str) -> Kind:
    """Make a kind from one TOML table.

    Parameters
    ----------
    name : str
    table : Mapping
        As in the module's example; only `category` is needed.
    where : str
        The file, for messages.

    Raises
    ------
    BadFile
        With the field, what was seen and what was expected.
    """
    for key in table:
        if key not in _KEYS:
            near = difflib.get_close_matches(key, _KEYS, 1)
            hint = f"did you mean {near[0]}?" if near else f"expected one of {', '.join(_KEYS)}"
            raise BadFile(where, f"unknown key; {hint}", field=f"{name}.{key}")
    read = _Fields(name, table, where)
    category = read.text("category", "generic")
    read.choice("category", category, CATEGORIES)
    family = read.text("family", "unknown")
    read.choice("family", family, FAMILIES)
    pins = _pins(read)
    supplies = tuple(_supplies(read, pins))
    skill = read.number("skill", _usual_skill(len(pins)))
    if skill not in (1, 2, 3):
        raise read.bad("skill", table["skill"], "1 (plug in), 2 or 3 (many pins)")
    return Kind(
        name=name,
        title=read.text("title", ""),
        category=category,
        family=family,
        package=read.text("package", ""),
        pins=pins,
        supplies=supplies,
        substitutes=tuple(Substitute(kind, text) for kind, text in read.texts("substitutes")),
        rate_group=read.text("rate_group", ""),
        minutes=read.number("minutes", _usual_minutes(len(pins)), lowest=0.0),
        skill=int(skill),
        price=read.number("price", 0.0, lowest=0.0),
        source=read.text("source", ""),
        generic=read.flag("generic"),
    )


def kind_to_table(kind: Kind) -> dict[str, object]:
    """Write a kind as the table that `kind_from_table` reads; empty fields are left out."""
    table: dict[str, object] = {"title": kind.title, "category": kind.category, "family": kind.family}
    table["package"] = kind.package
    words = []
    for place, pin in enumerate(kind.pins, 1):
        mark = "" if pin.number == str(place) else f"{pin.number}="
        words.append(f"{mark}{pin.name}:{pin.direction}")
    table["pins"] = " ".join(words)
    table["supplies"] = [
        {
            "pin": supply.pin,
            "nominal": supply.nominal,
            "typical": supply.typical,
            "worst": supply.worst,
            "source": supply.source,
        }
        for supply in kind.supplies
    ]
    table["substitutes"] = {other.kind: other.condition for other in kind.substitutes}
    table["rate_group"] = kind.rate_group
    table = {key: value for key, value in table.items() if value}
    table |= {"minutes": kind.minutes, "skill": kind.skill}
    table |= {"price": kind.price} if kind.price else {}
    table |= {"source": kind.source} if kind.source else {}
    table |= {"generic": True} if kind.generic else {}
    return table


class _Fields:
    """Typed access to one table, with errors that name the field."""

    def __init__(self, name: str, table: Mapping[str, object], where: str) -> None:
        self.name, self.table, self.where = name, table, where

    def bad(self, key: str, seen: object, expected: str) -> BadFile:
        return BadFile(self.where, f"{seen!r} is not {expected}", field=f"{self.name}.{key}")

    def text(self, key: str, default: str) -> str:
        value = self.table.get(key, default)
        if not isinstance(value, str):
            raise self.bad(key, value, "text in quotes")
        return value

    def choice(self, key: str, value: str, allowed: Sequence[str]) -> None:
        if value not in allowed:
            near = difflib.get_close_matches(value, allowed, 1)
            hint = f" (did you mean {near[0]}?)" if near else ""
            raise self.bad(key, value, f"one of {', '.join(allowed)}{hint}")

    def number(self, key: str, default: float, lowest: float = -math.inf) -> float:
        return self.as_number(key, self.table.get(key, default), lowest)

    def as_number(self, key: str, value: object, lowest: float = -math.inf) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self.bad(key, value, "a number")
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
        if not math.isfinite(number) or number < lowest:
            raise self.bad(key, value, "a finite number" + ("" if lowest < 0 else f" of {lowest:g} or more"))
        return number

    def flag(self, key: str) -> bool:
        value = self.table.get(key, False)
        if not isinstance(value, bool):
            raise self.bad(key, value, "true or false")
        return value

    def texts(self, key: str) -> Iterator[tuple[str, str]]:
        value = self.table.get(key, {})
        if not isinstance(value, Mapping):
            raise self.bad(key, value, 'a table such as { "74HCT245" = "ok" }')
        for other, text in value.items():
            if not isinstance(text, str):
                raise self.bad(f"{key}.{other}", text, "text in quotes")
            yield other, text


def _usual_minutes(pins: int) -> float:
    # 25 minutes for 40 pins and in proportion: the bench's usual figure.
    return max(3.0, round(25.0 * pins / 40.0, 1))


def _usual_skill(pins: int) -> int:
    return 1 if pins <= 3 else 2 if pins <= 20 else 3


def _pins(read: _Fields) -> tuple[KindPin, ...]:
    value = read.table.get("pins", "")
    words: list[str] = []
    for chunk in value if isinstance(value, list) else [value]:
        if not isinstance(chunk, str):
            raise read.bad("pins", chunk, 'text such as "VCC:P D0..D7:B GND:G"')
        words += chunk.split()
    pins: list[KindPin] = []
    seen: set[str] = set()
    for word in words:
        front, mark, direction = word.rpartition(":")
        if not mark:
            front, direction = word, "?"
        if len(direction) != 1 or direction not in DIRECTIONS:
            raise read.bad("pins", word, f"NAME:LETTER with a letter of {DIRECTIONS}")
        number, equals, name = front.partition("=")
        if not equals:
            number, name = "", front
        if not name or (equals and not number):
            raise read.bad("pins", word, "NAME:LETTER or NUMBER=NAME:LETTER")
        for each in _spread(read, name):
            pin = KindPin(number or str(len(pins) + 1), each, direction)
            if pin.number in seen:
                raise read.bad("pins", word, f"free: pin {pin.number} has a function already")
            seen.add(pin.number)
            pins.append(pin)
            number = ""
    return tuple(pins)


def _spread(read: _Fields, name: str) -> Iterator[str]:
    found = _RANGE.match(name) if ".." in name else None
    if found is None:
        yield name
        return
    front, low, again, high, mark = found.groups()
    if again not in ("", front) or abs(int(high) - int(low)) > 512:
        raise read.bad("pins", name, "a range such as D0..D7")
    step = 1 if int(high) >= int(low) else -1
    for count in range(int(low), int(high) + step, step):
        yield f"{front}{count}{mark}"


def _supplies(read: _Fields, pins: tuple[KindPin, ...]) -> Iterator[Supply]:
    rows = read.table.get("supplies", [])
    if not isinstance(rows, list):
        raise read.bad("supplies", rows, 'a list such as [{ pin = "VCC", nominal = 5.0 }]')
    names = {pin.name for pin in pins}
    for row in rows:
        if not isinstance(row, Mapping):
            raise read.bad("supplies", row, 'a table such as { pin = "VCC", nominal = 5.0 }')
        for key in row:
            if key not in ("pin", "nominal", "typical", "worst", "source"):
                raise read.bad(f"supplies.{key}", key, "one of pin, nominal, typical, worst, source")
        pin = row.get("pin")
        if not isinstance(pin, str) or (names and pin not in names):
            raise read.bad("supplies.pin", pin, "the name of one of the kind's pins")
        if "nominal" not in row:
            raise read.bad("supplies.nominal", None, "a number of volts (0: whatever the board gives)")
        source = row.get("source", "")
        if not isinstance(source, str):
            raise read.bad("supplies.source", source, "text in quotes")
        typical = read.as_number("supplies.typical", row.get("typical", 0.0), 0.0)
        worst = read.as_number("supplies.worst", row.get("worst", typical), 0.0)
        if worst < typical:
            raise read.bad("supplies.worst", worst, f"at least the typical current, {typical:g} A")
        yield Supply(pin, read.as_number("supplies.nominal", row["nominal"]), typical, worst, source)


def generic_kind(pin_numbers: Sequence[str], name: str) -> Kind:
    """A kind for a part nobody knows: pins by number, no directions."""
    return Kind(
        name=name,
        title="unknown part",
        pins=tuple(KindPin(number, number, "?") for number in pin_numbers),
        minutes=_usual_minutes(len(pin_numbers)),
        skill=_usual_skill(len(pin_numbers)),
        generic=True,
    )


# -- the shipped kinds ------------------------------------------------------------------------------


class _Family(NamedTuple):
    letters: str
    family: str
    current: float
    bipolar: bool
    note: str
    substitutes: tuple[tuple[str, str], ...]


class _Function(NamedTuple):
    number: str
    title: str
    pins: tuple[KindPin, ...]
    current: tuple[float, float]
    current_source: str
    size: str
    source: str
    not_in: tuple[str, ...]


class _Shelf(Mapping[str, Kind]):
    """The shipped kinds by name. A table is parsed when its kind is first asked for.

    Parsing all tables takes longer than everything else a short command does, and a board uses few.
    """

    def __init__(self) -> None:
        self._places: dict[str, tuple[Path, str]] = {}
        self._made: dict[str, Kind] = {}
        for path in sorted(_FOLDER.glob("*.toml")):
            if path.name in _NOT_KINDS:
                continue
            for name, text in _tables_of(path):
                if name in self._places:
                    raise BadFile(str(path), "this kind is defined twice; remove one", field=name)
                self._places[name] = (path, text)
        self._logic = tuple(
            f"74{letters}{number}" for letters in ("", "LS", "HC", "HCT") for number in _function_texts()
        )
        self._names = {**dict.fromkeys(self._places), **dict.fromkeys(self._logic)}

    def __getitem__(self, name: str) -> Kind:
        kind = self._made.get(name)
        if kind is None:
            if name not in self._names:
                raise KeyError(name)
            place = self._places.get(name)
            if place is None:
                logic = _made(name)
                if logic is None:
                    raise KeyError(name)
                kind = logic
            else:
                path, text = place
                kind = kind_from_table(name, _table(path, name, _parse(path, text).get(name)), str(path))
            self._made[name] = kind
        return kind

    def __iter__(self) -> Iterator[str]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)

    def __contains__(self, name: object) -> bool:
        return name in self._names

    def peek(self, name: str) -> Kind | None:
        """The kind if it has been parsed already."""
        return self._made.get(name)


@cache
def load_kinds() -> Mapping[str, Kind]:
    """Every shipped kind by name; read-only, tables are parsed as they are asked for.

    Holds the 74-series functions as plain TTL, LS, HC and HCT; `kind_named` makes the other families.
    """
    return _Shelf()


def kind_named(name: str, kinds: Mapping[str, Kind] | None = None) -> Kind | None:
    """The kind of exactly this name: from `kinds`, shipped, or made on demand.

    Made on demand are 74-series functions in any family (``74ALS245``), 4000 functions in HC and HCT
    (``74HC4040``) and CMOS versions of MOS chips (``82C51``).
    """
    if kinds is not None and name in kinds:
        return kinds[name]
    return load_kinds().get(name) or _made(name.upper())


@lru_cache(maxsize=2048)
def _made(name: str) -> Kind | None:
    found = re.fullmatch(r"74([A-Z]*)(\d+)", name)
    if found:
        family = _families().get(found[1])
        if family is None:
            return None
        function = _function(found[2])
        if function is not None:
            return None if found[1] in function.not_in else _logic_kind(family, function)
        base = load_kinds().get(found[2])
        if base is not None and base.family == "cmos4000" and family.family in ("hc", "hct"):
            return replace(
                base,
                name=name,
                title=f"{base.title}, {found[1]} family",
                family=family.family,
                supplies=tuple(
                    replace(row, nominal=5.0 if row.pin == "VDD" else 0.0) for row in base.supplies
                ),
                substitutes=(),
                source=f"as {base.name}; from memory",
            )
        return None
    found = re.fullmatch(r"(\d\d)C(\d\d\d?[A-Z]?)", name)
    if found:
        base = load_kinds().get(found[1] + found[2])
        if base is not None and base.family in ("nmos", "pmos"):
            return replace(
                base,
                name=name,
                title=f"{base.title}, CMOS",
                family="cmos",
                supplies=tuple(
                    replace(row, typical=0.1 * row.typical, worst=0.3 * row.worst) for row in base.supplies
                ),
                substitutes=(Substitute(base.name, "ok if the supply can carry its current"),),
                source=f"as {base.name}; current about a tenth of it, own rule",
            )
    return None


@cache
def _function_texts() -> dict[str, str]:
    return {
        name.removeprefix("function.").strip('"'): text
        for name, text in _tables_of(_FOLDER / "logic_74.toml")
        if name.startswith("function.")
    }


@cache
def _families() -> dict[str, _Family]:
    path = _FOLDER / "logic_74.toml"
    families: dict[str, _Family] = {}
    for name, text in _tables_of(path):
        if not name.startswith("family."):
            continue
        key = name.removeprefix("family.")
        read = _Fields(
            name, _table(path, key, _table(path, name, _parse(path, text)["family"])[key]), str(path)
        )
        code = read.text("family", "")
        read.choice("family", code, FAMILIES)
        families[read.text("letters", "")] = _Family(
            read.text("letters", ""),
            code,
            read.number("current", 1.0, 0.0),
            read.text("gates", "") == "bipolar",
            read.text("note", ""),
            tuple(("" if other == "TTL" else other, text) for other, text in read.texts("substitutes")),
        )
    return families


@cache
def _function(number: str) -> _Function | None:
    path = _FOLDER / "logic_74.toml"
    text = _function_texts().get(number)
    if text is None:
        return None
    name = f"function.{number}"
    table = _table(path, name, _table(path, name, _parse(path, text)["function"])[number])
    read = _Fields(name, table, str(path))
    current = read.table.get("current")
    if not isinstance(current, list) or len(current) != 2:
        raise read.bad("current", current, "two numbers: typical and worst, in amperes")
    typical, worst = (read.as_number("current", each, 0.0) for each in current)
    absent = read.table.get("not_in", [])
    return _Function(
        number,
        read.text("title", ""),
        _pins(read),
        (typical, worst),
        read.text("current_source", ""),
        read.text("size", "1_100"),
        read.text("source", ""),
        tuple(str(each) for each in absent) if isinstance(absent, list) else (),
    )


def _logic_kind(family: _Family, function: _Function) -> Kind:
    typical, worst = function.current
    source = function.current_source + (f"; {family.note}" if family.note else "")
    count = len(function.pins)
    supply = next((pin.name for pin in function.pins if pin.direction == "P"), "VCC")
    return Kind(
        name=f"74{family.letters}{function.number}",
        title=function.title,
        category="logic",
        family=family.family,
        package=f"DIP-{count}",
        pins=function.pins,
        supplies=(Supply(supply, 5.0, typical * family.current, worst * family.current, source),),
        substitutes=tuple(
            Substitute(f"74{letters}{function.number}", text) for letters, text in family.substitutes
        ),
        rate_group=f"{'bipolar' if family.bipolar else 'mos'}_digital_{function.size}",
        minutes=_usual_minutes(count),
        skill=_usual_skill(count),
        price=1.0,
        source=function.source,
    )


_HEADER = re.compile(r'^\[("?)([^\]\n]+?)\1\][ \t]*$', re.M)


def _tables_of(path: Path) -> Iterator[tuple[str, str]]:
    """Name and text of each table of a shipped file, in order."""
    text = _contents(path)
    heads = list(_HEADER.finditer(text))
    for head, after in zip(heads, [*heads[1:], None], strict=True):
        yield head[2], text[head.start() : after.start() if after else len(text)]


def _contents(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except OSError as problem:
        raise BadFile(str(path), f"cannot be read: {problem}; reinstall the package") from problem


def _parse(path: Path, text: str) -> dict[str, object]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as problem:
        raise BadFile(str(path), f"not TOML: {problem}; reinstall the package") from problem


def _table(path: Path, name: str, value: object) -> Mapping[str, object]:
    if not isinstance(value, Mapping):
        raise BadFile(str(path), f"expected a table [{name}]", field=name)
    return value


# -- recognising ------------------------------------------------------------------------------------

_PREFIXES: dict[str, str] = {
    **dict.fromkeys(("R",), "resistor"),
    **dict.fromkeys(("RN", "RA", "RR", "RNET", "RPACK", "RM", "SIL", "SIP"), "network"),
    **dict.fromkeys(("RP",), "network or pot"),
    **dict.fromkeys(("VR", "RV", "POT", "TRIM", "PR", "PT"), "pot"),
    **dict.fromkeys(("RT", "TH", "NTC", "PTC"), "thermistor"),
    **dict.fromkeys(("MOV", "VDR"), "varistor"),
    **dict.fromkeys(("C", "CP", "CE", "CX", "CY"), "capacitor"),
    **dict.fromkeys(("CT", "VC", "TC", "CV"), "trimmer capacitor"),
    **dict.fromkeys(("L",), "inductor"),
    **dict.fromkeys(("FB", "FL", "EMI", "FIL"), "ferrite"),
    **dict.fromkeys(("D", "CR", "ZD", "DZ", "VD"), "diode"),
    **dict.fromkeys(("LED",), "led"),
    **dict.fromkeys(("BR", "DB", "REC"), "bridge"),
    **dict.fromkeys(("Q", "TR", "VT"), "transistor"),
    **dict.fromkeys(("T",), "transformer"),
    **dict.fromkeys(("Y", "XTAL", "XT", "XL", "QZ", "CRY"), "crystal"),
    **dict.fromkeys(("X",), "crystal or connector"),
    **dict.fromkeys(("OSC", "XO"), "oscillator"),
    **dict.fromkeys(("U", "IC", "A", "N", "REG", "VREG", "OP", "OK", "OC", "Z", "IO", "ISO"), "chip"),
    **dict.fromkeys(("J", "CN", "CON", "CONN", "PL", "SK", "SKT", "JK", "PX"), "connector"),
    **dict.fromkeys(("XS", "XP", "BUS", "EDGE"), "connector"),
    **dict.fromkeys(("P",), "connector or pot"),
    **dict.fromkeys(("JP", "LK", "W", "LINK", "SJ", "WL", "JMP"), "jumper"),
    **dict.fromkeys(("F", "FS", "FU"), "fuse"),
    **dict.fromkeys(("S", "SW", "KEY", "PB"), "switch"),
    **dict.fromkeys(("K", "RL", "RLY", "RY", "RLA"), "relay"),
    **dict.fromkeys(("BT", "BAT", "BATT", "B"), "battery"),
    **dict.fromkeys(("SP", "LS", "SPK", "BZ", "BUZ"), "speaker"),
    **dict.fromkeys(("TP",), "test point"),
    **dict.fromkeys(("H", "MH", "MP", "MTG", "HS", "FID", "MK", "LOGO", "HOLE", "M"), "mechanical"),
    **dict.fromkeys(("MOD", "UM", "RF"), "modulator"),
    **dict.fromkeys(("MEM", "KB"), "membrane"),
}  # fmt: skip


def recognise(
    value: str,
    *,
    ref: str = "",
    footprint: str = "",
    pin_count: int | None = None,
    kinds: Mapping[str, Kind] | None = None,
) -> Recognition:
    """Find the kind of a part from its value, helped by reference, footprint and number of pins.

    Maker's letters, speed grades and case letters are ignored: ``SN74LS245N``, ``MOS 6522A``,
    ``AM2764-2DC``. Where the value alone is ambiguous the letters of the reference decide: ``470`` is
    470 ohm on R4 and 47 pF on C4.

    Parameters
    ----------
    value, ref, footprint : str
        As in a parts list; any may be empty.
    pin_count : int, optional
        Pins on the board; if it contradicts the value, the part is generic.
    kinds : Mapping, optional
        Kinds of the board file, alone or with the shipped ones; they go before shipped ones.

    Returns
    -------
    Recognition
        Never fails: what is not recognised is a generic kind with a note.
    """
    return _Recogniser(value, ref, footprint, pin_count, kinds).answer()


_WATTS = re.compile(r"\b\d+\s*/\s*\d+\s*W(?:ATTS?)?\b|(?<![\w.])\d*\.?\d+\s*W(?:ATTS?)?\b", re.I)
_PERCENT = re.compile(r"(?:\+\s*/?\s*-|±)?\s*\d*\.?\d+\s*%")
_UNIT_APART = re.compile(
    r"(\d)\s+((?:[pnuµkKM]|meg|kilo)?(?:F|H|Hz|R|ohms?|Ω|V|FD)?)(?![A-Za-zΩ])(?=\S*)", re.I
)
_SPLIT = re.compile(r"[\s/;|@()\[\]_]+|(?<=[A-Za-z0-9])-(?=[A-Za-z0-9])|,(?!\d)")
_TIMES = re.compile(
    r"(?<![\w.])(?:(\d{1,2})\s*[x×*]\s*(\d[\w.]*)|(\d[\w.]*)\s*[x×*]\s*(\d{1,2}))(?![\w.])", re.I
)
_FREQUENCY = re.compile(r"(\d+(?:[.,]\d*)?|[.,]\d+)\s*([kKmM]?)hz?(?![a-z])", re.I)
_LETTERED_HERTZ = re.compile(r"^(\d+)([kKM])(\d*)$")
_MAKER = re.compile(r"^(?:M5[A-Z]{1,2}|[A-Z]{1,6})?")
_ROOT = re.compile(r"^(?:M5[A-Z]{1,2}|[A-Z]{0,6}?)-?((?:54|74)([A-Z]*)(\d{2,5}))(?!\d)")
_E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)


def _normal(text: str) -> str:
    text = text.upper().replace("Μ", "U").replace("µ", "U")
    return re.sub(r"[\s\-]+", "", text)


@cache
def _names() -> tuple[dict[str, str], dict[str, str], dict[str, list[str]], dict[str, tuple[float, ...]]]:
    path = _FOLDER / "names.toml"
    data = _parse(path, _contents(path))
    same = {_normal(key): str(kind) for key, kind in _table(path, "same", data.get("same")).items()}
    like = {_normal(key): str(kind) for key, kind in _table(path, "like", data.get("like")).items()}
    by_pins: dict[str, list[str]] = {}
    for key, several in _table(path, "by_pins", data.get("by_pins")).items():
        if isinstance(several, list):
            by_pins[_normal(key)] = [str(each) for each in several]
    zener: dict[str, tuple[float, ...]] = {}
    for key, volts in _table(path, "zener", data.get("zener")).items():
        if isinstance(volts, list):
            zener[key] = tuple(float(each) for each in volts)
    return same, like, by_pins, zener


@cache
def _numbers() -> dict[str, tuple[str, ...]]:
    """Names and second names of all shipped kinds that are trade numbers, in normal form."""
    same, like, by_pins, _ = _names()
    found: dict[str, tuple[str, ...]] = {}
    for name in load_kinds():
        if any(letter.isdigit() for letter in name):
            found[_normal(name)] = (name,)
    found |= {key: (kind,) for key, kind in same.items()}
    found |= {key: (kind,) for key, kind in like.items()}
    found |= {key: tuple(several) for key, several in by_pins.items()}
    return found


_LONGEST = 12


def _own_kinds(kinds: Mapping[str, Kind] | None) -> dict[str, Kind]:
    """The kinds that are not the shipped ones, by normal form of their name."""
    shipped = load_kinds()
    layers = list(kinds.maps) if isinstance(kinds, ChainMap) else [kinds]
    own: dict[str, Kind] = {}
    for layer in reversed(layers):
        if layer is None or layer is shipped:
            continue
        for name, kind in layer.items():
            if not isinstance(shipped, _Shelf) or shipped.peek(name) is not kind:
                own[_normal(name)] = kind
    return own


def _style_of(kind: Kind) -> str:
    return kind.name.removeprefix("capacitor_") if kind.name.startswith("capacitor_") else ""


class _Recogniser:
    """One question of `recognise`."""

    def __init__(
        self, value: str, ref: str, footprint: str, pin_count: int | None, kinds: Mapping[str, Kind] | None
    ) -> None:
        self.value = " ".join(value.replace("μ", "u").replace("µ", "u").split())[:200]
        self.foot = footprint.lower()
        self.pin_count = pin_count
        self.kinds = kinds
        self.own = _own_kinds(kinds)
        letters = re.match(r"\s*([A-Za-z]*)", ref)
        self.prefix = letters[1].upper() if letters else ""
        self.role = _PREFIXES.get(self.prefix, "")
        self.lower = self.value.lower()
        plain = _PERCENT.sub(" ", _WATTS.sub(" ", self.value))
        plain = _UNIT_APART.sub(r"\1\2", plain)
        self.words = [word for word in _SPLIT.split(plain) if word]

    def answer(self) -> Recognition:
        exact = self.own.get(_normal(self.value)) if self.value else None
        if exact is not None:
            return self.fitted(Recognition(exact, self.size_for(exact)))
        if not self.value.isdigit() and self.value in load_kinds():
            kind = self.kind(self.value)
            return self.fitted(Recognition(kind, self.size_for(kind), _style_of(kind)))
        method = _ROLES.get(self.role, _Recogniser.anything)
        return self.fitted(method(self))

    # -- pieces ---------------------------------------------------------------------------------

    def kind(self, name: str) -> Kind:
        found = kind_named(name, self.kinds)
        return found if found is not None else generic_kind((), name)

    def has(self, *words: str) -> bool:
        return any(word in self.lower or word in self.foot for word in words)

    def fits(self, kind: Kind) -> bool:
        if self.pin_count is None or not kind.pins:
            return True
        if kind.package == f"DIP-{self.pin_count}":
            return True
        extra = 2 if kind.package.startswith("TO-") else 0
        # Unconnected pins are often missing from a netlist, so a few too few is no contradiction.
        return 0.75 * len(kind.pins) <= self.pin_count <= len(kind.pins) + extra

    def fitted(self, found: Recognition) -> Recognition:
        kind = found.kind
        if self.fits(kind):
            return found
        seen = f"{self.value!r} looks like {kind.name}, which has {len(kind.pins)} pins, but this part has "
        seen += f"{self.pin_count}"
        other_case = len(kind.pins) <= 3 or re.search(r"plcc|lcc|qfp|soj|sot|smd|zip", self.foot)
        if not other_case or kind.generic:
            return self.unknown(f"{seen}: taken as a generic part")
        bare = replace(kind, name=f"{kind.name}, {self.pin_count} pins", package="", pins=())
        note = f"{seen}: taken as {kind.name} in another case, pins unknown"
        return Recognition(bare, found.size, found.style, False, note)

    def unknown(self, note: str = "") -> Recognition:
        count = self.pin_count or 0
        numbers = [str(number) for number in range(1, min(count, 1000) + 1)]
        name = self.value or (self.prefix.lower() + " part" if self.prefix else "unknown part")
        if kind_named(name, self.kinds) is not None or not self.value:
            name = f"{name}, {count} pins" if count else f"{name}, unknown"
        told = note or (
            f"{self.value!r} is not a value or number known here: taken as a generic part"
            if self.value
            else "the part has no value: taken as a generic part"
        )
        return Recognition(generic_kind(numbers, name), certain=False, note=told)

    def guess(self, name: str, note: str, size: float | None = None, style: str = "") -> Recognition:
        return Recognition(self.kind(name), size, style, False, note)

    def size_for(self, kind: Kind) -> float | None:
        readers = {
            "resistor": self.ohms, "resistor_network": self.ohms, "potentiometer": self.ohms,
            "capacitor": self.farads, "inductor": self.henries, "zener": self.volts,
            "crystal": self.hertz, "oscillator": self.hertz,
        }  # fmt: skip
        if kind.category == "regulator":
            return _regulator_volts(kind.name)
        reader = readers.get(kind.category)
        return reader() if reader is not None else None

    # -- quantities -----------------------------------------------------------------------------

    def ohms(self) -> float | None:
        for word in self.words:
            size = _ohms(word)
            if size is not None:
                return size
        return None

    def farads(self) -> float | None:
        electrolytic = self.has("elec", "elko", "cp_", "tant", "polari")
        # "10/16V" and "100/25" are microfarads over volts.
        over = re.match(
            r"^\d+(?:[.,]\d+)?\s*/\s*(?:6[.,]3|10|16|25|35|40|50|63|100)\s*(?:V.*)?$", self.value, re.I
        )
        for word in self.words:
            size = _farads(word, electrolytic or over is not None)
            if size is not None:
                return size
        return None

    def henries(self) -> float | None:
        for word in self.words:
            size = _henries(word)
            if size is not None:
                return size
        return None

    def hertz(self) -> float | None:
        found = _FREQUENCY.search(self.value)
        if found:
            scale = {"K": 1e3, "M": 1e6, "": 1.0}[found[2].upper()]
            return float(found[1].replace(",", ".")) * scale
        for word in self.words:
            lettered = _LETTERED_HERTZ.match(word)
            if lettered:
                return float(f"{lettered[1]}.{lettered[3] or 0}") * (1e6 if lettered[2] == "M" else 1e3)
        for word in self.words:
            if re.fullmatch(r"\d+(?:[.,]\d+)?", word):
                number = float(word.replace(",", "."))
                # Crystals in parts lists: 4.433 and 16 are MHz, 4433.619 kHz, 32768 Hz.
                return number * (1e6 if number < 200 else 1e3 if number < 30000 else 1.0)
        return None

    def volts(self) -> float | None:
        _, _, _, series = _names()
        text = _normal(self.value)
        for first, volts in series.items():
            start = int(first[2:])
            found = re.match(r"^(?:1N)?(\d{3,4})(?!\d)", text)
            if (
                found
                and start <= int(found[1]) < start + len(volts)
                and (self.role == "diode" or "1N" in text)
            ):
                return volts[int(found[1]) - start]
        found = re.search(r"(?<![\d.])(\d{1,3})V(\d{1,2})?(?!\d)", text)
        if found:
            return float(f"{found[1]}.{found[2] or 0}")
        found = re.search(r"(?<![\d.])(\d{1,3}[.,]\d+)(?:V|$)", text)
        if found:
            return float(found[1].replace(",", "."))
        found = re.match(r"^(?:ZPD|ZPY|ZD|ZY|ZF)(\d{1,3})$", text)
        return float(found[1]) if found else None

    # -- trade numbers --------------------------------------------------------------------------

    def number(self, *fronts: str) -> Recognition | None:
        """A part by its trade number, with `fronts` put before it where makers leave them out."""
        tries = [self.value.upper(), _normal(self.value)]
        tries += [word.upper() for word in re.split(r"[\s/,;()\[\]_]+", self.value) if word]
        for front in fronts:
            for text in tries:
                found = self.looked_up(front + text) if text[:1].isdigit() or len(front) == 2 else None
                if found is not None:
                    return found
        for text in tries:
            found = self.looked_up(text)
            if found is not None:
                return found
        return None

    def looked_up(self, text: str) -> Recognition | None:
        hits = self.hit(text, bare=False)
        if hits is None:
            maker = _MAKER.match(text)
            rest = text[maker.end() :].lstrip("-. ") if maker else text
            hits = self.hit(rest, bare=rest == text)
            cmos = re.match(r"(8\d)C(\d\d)", rest)
            if hits is None and cmos is not None:
                made = kind_named(cmos[0], self.kinds)
                hits = [made] if made is not None else None
            for old, new in _REWRITES:
                if hits is None and old.match(rest):
                    hits = self.hit(old.sub(new, rest), bare=False)
        if hits is None:
            return self.copied_family(text) or self.logic(text)
        best = next((kind for kind in hits if self.fits(kind)), hits[0])
        note, certain = "", True
        like = _names()[1]
        for key, kind_name in like.items():
            if kind_name == best.name and key in _normal(text):
                note = f"{key} taken as {best.name}: same use" + (" and pins" if best.pins else "")
                break
        return Recognition(best, self.size_for(best), "", certain, note)

    def hit(self, text: str, *, bare: bool) -> list[Kind] | None:
        """Kinds whose number starts `text` and is not continued by a digit; the longest wins."""
        shipped = _numbers()
        for length in range(min(len(text), _LONGEST), 2, -1):
            key = text[:length]
            if length < len(text) and text[length].isdigit():
                continue
            if key in self.own:
                return [self.own[key]]
            names = shipped.get(key)
            if names is None:
                continue
            if key.isdigit() and len(key) == 3 and bare and self.role != "chip":
                continue
            return [self.kind(name) for name in names]
        return None

    def copied_family(self, text: str) -> Recognition | None:
        """The processor that uPD780 copies, and its port, counter and serial chips."""
        found = re.match(r"[A-Z]80[A-H]?(?![\d.])[- ]?(CPU|PIO|CTC|SIO(?:[-/]?\d)?)?", text)
        if found is None or self.role not in ("chip", ""):
            return None
        chip = found[1] or "CPU"
        if chip == "CPU" and self.role == "" and self.pin_count is None:
            return None
        name = {"CPU": "uPD780", "PIO": "LH0081", "CTC": "LH0082"}.get(chip, "LH0084")
        if not self.fits(self.kind(name)):
            return None
        if name == "LH0084" and not chip.endswith("0"):
            return self.guess(
                name, "the version (bonding) of the serial chip is not given: pins as version 0"
            )
        return Recognition(self.kind(name))

    def logic(self, text: str) -> Recognition | None:
        found = _ROOT.match(text)
        if found is None:
            return None
        letters, digits = found[2], found[3]
        family = _families().get(letters)
        if family is None:
            return None
        kind = kind_named(f"74{letters}{digits}", self.kinds)
        if kind is not None:
            return Recognition(kind)
        if len(digits) > 4 or (letters == "" and len(digits) > 3):
            return None
        # The family still says how its pins look to a meter.
        known = replace(self.unknown().kind, category="logic", family=family.family)
        note = f"74-series function {digits} is not in the table: pins taken as unknown"
        return Recognition(known, certain=False, note=note)

    # -- one method per role --------------------------------------------------------------------

    def anything(self) -> Recognition:
        if not self.value:
            return self.by_footprint() or self.unknown()
        found = self.number()
        if found is not None:
            return found
        if _FREQUENCY.search(self.value):
            return self.crystal()
        network = self.network_in_value()
        if network is not None:
            return network
        word = self.words[0] if self.words else ""
        if re.search(r"\d", word) and not re.fullmatch(r"[\d.,]+", word):
            if _clear_farads(word):
                return self.capacitor()
            if re.search(r"h$", word, re.I) and _henries(word) is not None:
                return self.inductor()
            if _ohms(word) is not None:
                return self.resistor()
        return self.by_footprint() or self.by_word() or self.unknown()

    def by_word(self) -> Recognition | None:
        for name, words in _WORDS:
            if any(re.search(rf"(?<![a-z]){word}", self.lower) for word in words):
                kind = self.kind(name)
                return Recognition(kind, self.size_for(kind))
        return None

    def by_footprint(self) -> Recognition | None:
        for pattern, role in _FOOTPRINTS:
            if re.search(pattern, self.foot):
                found = _ROLES[role](self)
                return replace(found, certain=False, note=found.note or f"taken from the footprint as {role}")
        return None

    def chip(self) -> Recognition:
        found = self.number()
        if found is not None:
            return found
        if _FREQUENCY.search(self.value) or self.has("oscillator"):
            return self.oscillator()
        return self.network_in_value() or self.by_word() or self.unknown()

    def resistor(self) -> Recognition:
        network = self.network_in_value()
        if network is not None:
            return network
        if self.has("r_array", "r_network") or (self.pin_count is not None and self.pin_count > 3):
            return self.network()
        if self.has("potentiometer"):
            return self.pot()
        size = self.ohms()
        style, name = "film", "resistor"
        if self.has("wirewound", "wire wound", "ceramic 5w"):
            style, name = "wirewound", "resistor_wirewound"
        elif self.has("composition", "carbon comp"):
            style, name = "composition", "resistor_composition"
        if size is None:
            return self.guess(name, f"no resistance in {self.value!r}", style=style)
        return Recognition(self.kind(name), size, style)

    def network_in_value(self) -> Recognition | None:
        times = _TIMES.search(self.value)
        if times is not None:
            several = int(times[1] or times[4])
            each = _ohms(times[2] or times[3])
            if each is not None and 2 <= several <= 24 and not _clear_farads(times[2] or times[3]):
                return self.network(several, each)
        if re.search(
            r"(?<![a-z])(?:sil|sip|rnet|bussed|bused|isolated|resistor\s+(?:network|array|pack))", self.lower
        ):
            return self.network()
        return None

    def network(self, several: int | None = None, each: float | None = None) -> Recognition:
        if each is None:
            times = _TIMES.search(self.value)
            if times is not None:
                several, each = int(times[1] or times[4]), _ohms(times[2] or times[3])
        if each is None:
            each = self.ohms()
        wiring = "resistor_network"
        if self.has("isol", "separate", "indep"):
            wiring = "resistor_network_isolated"
        elif self.has("bus", "common", "star") or (several and self.pin_count == several + 1):
            wiring = "resistor_network_bussed"
        elif several and self.pin_count == 2 * several:
            wiring = "resistor_network_isolated"
        elif re.search(r"(?<![a-z])(?:sil|sip)", self.lower + " " + self.foot):
            wiring = "resistor_network_bussed"
        if each is None:
            return self.guess(wiring, f"no resistance in {self.value!r}")
        if wiring == "resistor_network":
            return self.guess(wiring, "how the network is wired inside is not known", each)
        return Recognition(self.kind(wiring), each)

    def network_or_pot(self) -> Recognition:
        if self.has("pot", "trim") or self.pin_count == 3:
            return self.pot()
        return self.network()

    def pot(self) -> Recognition:
        found = self.number()
        if found is not None and found.kind.category == "regulator":
            return found
        if self.has("varistor"):
            return Recognition(self.kind("varistor"))
        size = self.ohms()
        name = "trimmer" if self.has("trim", "preset") else "potentiometer"
        if size is None:
            return self.guess(name, f"no resistance in {self.value!r}")
        return Recognition(self.kind(name), size)

    def connector_or_pot(self) -> Recognition:
        if (
            self.words
            and _ohms(self.words[0]) is not None
            and not self.words[0].isdigit()
            and self.pin_count in (None, 3)
        ):
            return self.pot()
        return self.connector()

    def thermistor(self) -> Recognition:
        return Recognition(self.kind("thermistor"), self.ohms())

    def varistor(self) -> Recognition:
        return Recognition(self.kind("varistor"), self.volts())

    def capacitor(self) -> Recognition:
        if self.has("trimmer"):
            return self.trimmer_capacitor()
        size = self.farads()
        style = self.capacitor_style(size)
        name = f"capacitor_{style}" if style else "capacitor"
        if size is None:
            return self.guess(name, f"no capacitance in {self.value!r}", style=style)
        if re.fullmatch(r"\d{1,2}|\d{4,}|\d+[.,]\d*|[.,]\d+", self.value):
            return self.guess(
                name, f"{self.value!r} has no unit: taken as {format_quantity(size, 'F')}", size, style
            )
        return Recognition(self.kind(name), size, style)

    def capacitor_style(self, size: float | None) -> str:
        text = f"{self.lower} {self.foot}"
        if re.search(r"tant", text):
            return "tantalum"
        if re.search(
            r"elec|elko|elyt|alumin|(?<![a-z0-9])cp(?![a-z0-9])|polari[sz]ed", text
        ) and not re.search("non.?polar", text):
            return "electrolytic"
        if re.search(r"mica|styr|styro", text):
            return "mica"
        if re.search(r"film|poly|mkt|mks|mkp|mylar|c_rect", text):
            return "film"
        if re.search(r"cer|disc|mlcc|x7r|x5r|y5v|z5u|np0|npo|c0g|cog\b|(?:0402|0603|0805|1206)", text):
            return "ceramic"
        if size is None:
            return ""
        # 0.45 rather than 0.47: rounding of the reading must not decide.
        return "electrolytic" if size >= 0.45e-6 else "ceramic"

    def trimmer_capacitor(self) -> Recognition:
        return Recognition(self.kind("trimmer_capacitor"), self.farads())

    def inductor(self) -> Recognition:
        if self.has("ferrite", "bead"):
            return self.ferrite()
        size = self.henries()
        name = "inductor_variable" if self.has("variable", "adjust") else "inductor"
        if size is None:
            return self.guess(name, f"no inductance in {self.value!r}")
        return Recognition(self.kind(name), size)

    def ferrite(self) -> Recognition:
        return Recognition(self.kind("ferrite"))

    def diode(self) -> Recognition:
        if self.has("led") and not re.search(r"\dled", self.lower):
            return self.led()
        if self.has("bridge") or re.match(r"^(?:W0|DB10|KBP|GBU|B\d+C|2W0|MB\d)", _normal(self.value)):
            return self.bridge()
        found = self.number("1N")
        if found is not None:
            return found
        volts = self.volts()
        zener = re.search(r"^(?:bz|zpd|zpy|zf|zy|zd|1n7|1n47|1n52|mz)|zener|\dv", self.lower)
        if volts is not None or zener or self.prefix in ("ZD", "DZ"):
            if volts is None:
                return self.guess("zener", f"no zener voltage in {self.value!r}")
            return Recognition(self.kind("zener"), volts)
        for pattern, name in _DIODES:
            if re.search(pattern, self.lower):
                return self.guess(name, f"{self.value!r} taken as a {self.kind(name).title}")
        return self.guess("diode", f"diode type {self.value!r} is not known here")

    def led(self) -> Recognition:
        return Recognition(self.kind("led"))

    def bridge(self) -> Recognition:
        return Recognition(self.kind("bridge_rectifier"))

    def transistor(self) -> Recognition:
        found = self.number("2N", "2S", "BC")
        if found is not None:
            return found
        text = _normal(self.value)
        for pattern, name in _TRANSISTORS:
            if re.search(pattern, text):
                guessed = self.guess(name, f"{self.value!r} taken as {self.kind(name).title}")
                return self.with_order(guessed, text)
        return self.guess("transistor", f"transistor type {self.value!r} is not known here")

    @staticmethod
    def with_order(found: Recognition, text: str) -> Recognition:
        """Pins from an order written in the value, as in ``NPN_EBC``."""
        order = re.search(r"[_(]([EBC]{3}|[GDS]{3})\)?$", text)
        if order is None or len(set(order[1])) != 3:
            return found
        pins = tuple(KindPin(str(number), name, "X") for number, name in enumerate(order[1], 1))
        return replace(found, kind=replace(found.kind, name=f"{found.kind.name}, {order[1]}", pins=pins))

    def transformer(self) -> Recognition:
        found = self.number()
        if found is not None and found.kind.category in ("transistor", "mosfet", "regulator"):
            return found
        text = _normal(self.value)
        for pattern, name in _TRANSISTORS:
            if self.pin_count in (None, 3) and re.search(pattern, text):
                return self.guess(name, f"{self.value!r} taken as {self.kind(name).title}")
        if self.has("pulse", "signal", "lan"):
            return Recognition(self.kind("pulse_transformer"))
        return Recognition(self.kind("transformer"))

    def crystal(self) -> Recognition:
        if self.has("osc", "tcxo"):
            return self.oscillator()
        size = self.hertz()
        name = "resonator" if self.has("resonator", "ceramic") else "crystal"
        if size is None:
            return self.guess(name, f"no frequency in {self.value!r}")
        return Recognition(self.kind(name), size)

    def crystal_or_connector(self) -> Recognition:
        few = self.pin_count is None or self.pin_count <= 4
        if self.hertz() is not None and few:
            return self.crystal()
        if self.has("xtal", "crystal", "quartz", "resonator"):
            return self.crystal()
        if self.has("osc") and (self.pin_count is None or self.pin_count <= 14):
            return self.oscillator()
        return self.connector()

    def oscillator(self) -> Recognition:
        found = self.number()
        if found is not None:
            return found
        name = "oscillator"
        if re.search(r"di[lp]-?14|\b14[- ]?pin|full", self.foot + " " + self.lower):
            name = "oscillator_14"
        elif re.search(r"di[lp]-?8\b|\b8[- ]?pin|half", self.foot + " " + self.lower):
            name = "oscillator_8"
        size = self.hertz()
        if size is None:
            return self.guess(name, f"no frequency in {self.value!r}")
        return Recognition(self.kind(name), size)

    def connector(self) -> Recognition:
        text = f"{self.lower} {self.foot}"
        for pattern, name in _CONNECTORS:
            if re.search(pattern, text):
                return Recognition(self.kind(name))
        return Recognition(self.kind("connector"))

    def switch(self) -> Recognition:
        text = f"{self.lower} {self.foot}"
        for pattern, name in _SWITCHES:
            if re.search(pattern, text):
                return Recognition(self.kind(name))
        return Recognition(self.kind("switch"))

    def relay(self) -> Recognition:
        if self.has("conn", "header", "socket"):
            return self.connector()
        return Recognition(self.kind("relay"))

    def fuse(self) -> Recognition:
        return Recognition(self.kind("polyfuse" if self.has("poly", "ptc", "resettable") else "fuse"))

    def battery(self) -> Recognition:
        if self.prefix == "B":
            found = self.number()
            if found is not None:
                return found
            if self.has("bridge", "rect"):
                return self.bridge()
        return Recognition(self.kind("battery"))

    def jumper(self) -> Recognition:
        return Recognition(self.kind("jumper"))

    def speaker(self) -> Recognition:
        return Recognition(self.kind("speaker"))

    def test_point(self) -> Recognition:
        return Recognition(self.kind("test_point"))

    def mechanical(self) -> Recognition:
        found = self.number() if self.prefix == "M" else None
        return found or Recognition(self.kind("mechanical"))

    def modulator(self) -> Recognition:
        return Recognition(self.kind("modulator"))

    def membrane(self) -> Recognition:
        return Recognition(self.kind("membrane"))


_ROLES = {
    "resistor": _Recogniser.resistor,
    "network": _Recogniser.network,
    "network or pot": _Recogniser.network_or_pot,
    "pot": _Recogniser.pot,
    "thermistor": _Recogniser.thermistor,
    "varistor": _Recogniser.varistor,
    "capacitor": _Recogniser.capacitor,
    "trimmer capacitor": _Recogniser.trimmer_capacitor,
    "inductor": _Recogniser.inductor,
    "ferrite": _Recogniser.ferrite,
    "diode": _Recogniser.diode,
    "led": _Recogniser.led,
    "bridge": _Recogniser.bridge,
    "transistor": _Recogniser.transistor,
    "transformer": _Recogniser.transformer,
    "crystal": _Recogniser.crystal,
    "crystal or connector": _Recogniser.crystal_or_connector,
    "oscillator": _Recogniser.oscillator,
    "chip": _Recogniser.chip,
    "connector": _Recogniser.connector,
    "connector or pot": _Recogniser.connector_or_pot,
    "jumper": _Recogniser.jumper,
    "fuse": _Recogniser.fuse,
    "switch": _Recogniser.switch,
    "relay": _Recogniser.relay,
    "battery": _Recogniser.battery,
    "speaker": _Recogniser.speaker,
    "test point": _Recogniser.test_point,
    "mechanical": _Recogniser.mechanical,
    "modulator": _Recogniser.modulator,
    "membrane": _Recogniser.membrane,
}

# Ways of writing one number, tried in order once the maker's letters are off: 68B21 is 6821,
# MC14011 and MB84011 are 4011, an 82C51 unknown as such is an 8251.
_REWRITES = (
    (re.compile(r"^6[38][ABC]?(\d\d)"), r"68\1"),
    (re.compile(r"^65[ABC](\d\d)"), r"65\1"),
    (re.compile(r"^[18](4[05]\d\d)"), r"\1"),
    (re.compile(r"^(8\d)C(\d\d)(?=\D|$)"), r"\1\2"),
    (re.compile(r"^(84C[0-4]0)\d\d"), r"\1"),
)
_DIODES = (
    (r"schott|^sb\d|^bat", "schottky"),
    (r"german|^oa\d|^aa\d|^1n34", "germanium"),
    (r"rect|^by|^1n5|^1n4", "rectifier"),
    (r"^p6ke|^1\.5ke|tvs|transil", "suppressor"),
    (r"^bb\d|varicap|varactor", "varicap"),
    (r"photo|^bpw", "photodiode"),
)
_TRANSISTORS = (
    (r"^(?:2S)?[AB]\d{2,4}|PNP", "pnp"),
    (r"^(?:2S)?[CD]\d{2,4}|NPN", "npn"),
    (r"^(?:2S)?K\d{2,4}|^IRF|MOSFET|^VN\d|^BUZ", "mosfet"),
    (r"JFET|^BF24", "jfet"),
    (r"THYRISTOR|TRIAC|^TIC\d|^C106|^BT1", "thyristor"),
)
_CONNECTORS = (
    (r"edge|finger", "edge_connector"),
    (r"membrane", "membrane"),
    (r"ffc|fpc|flat film|zif|ribbon", "ribbon_connector"),
    (r"(?<![a-z])din(?![a-z])", "din_connector"),
    (r"(?<![a-z])d[abe][- ]?\d+|d-?sub|sub-?d|dsub", "d_connector"),
    (r"phono|rca|cinch|coax|bnc|(?<![a-z])rf", "coax_connector"),
    (r"jack|barrel|power in|dc in|3\.5", "jack"),
    (r"socket_dip|ic.?socket|dil.?socket", "ic_socket"),
    (r"header|pin_?header|sil|idc|berg|molex|\d+x\d+", "header"),
)
_SWITCHES = (
    (r"(?<![a-z])di[lp](?![a-z])|dip_?x|dip sw", "dil_switch"),
    (r"push|tact|button|reset|momentary", "push_button"),
    (r"slide", "slide_switch"),
    (r"toggle", "toggle_switch"),
    (r"rotary", "rotary_switch"),
    (r"key", "key_switch"),
)
_WORDS = (
    ("modulator", ("uhf", "vhf", "modulator")),
    ("membrane", ("membrane",)),
    ("relay", ("relay",)),
    ("battery", ("battery", "nicd", "ni-cd", "cr20")),
    ("speaker", ("speaker", "buzzer", "piezo")),
    ("fuse", ("fuse",)),
    ("led", ("led(?![a-z])",)),
    ("transformer", ("transformer",)),
    ("ferrite", ("ferrite", "bead")),
    ("bridge_rectifier", ("bridge",)),
    ("zener", ("zener",)),
    ("push_button", ("push button", "button")),
    ("switch", ("switch",)),
    ("potentiometer", ("potentiometer", "pot(?![a-z])")),
    ("npn", ("npn",)),
    ("pnp", ("pnp",)),
    ("crystal", ("crystal", "xtal", "quartz")),
    ("oscillator", ("oscillator",)),
    ("edge_connector", ("edge conn",)),
    ("header", ("header",)),
    ("connector", ("connector", "conn(?![a-z])", "plug", "socket")),
    ("jumper", ("jumper", "link(?![a-z])")),
    ("test_point", ("test point", "testpoint")),
    ("mechanical", ("mounting hole", "mountinghole", "hole", "heat ?sink", "fiducial", "logo")),
    ("thermistor", ("thermistor", "ntc(?![a-z])")),
    ("capacitor", ("capacitor",)),
    ("resistor", ("resistor",)),
    ("inductor", ("inductor", "choke")),
    ("diode", ("diode",)),
)
_FOOTPRINTS = (
    (r"(?:^|[:_/])r_(?:axial|\d{4}|disc)|resistor", "resistor"),
    (r"(?:^|[:_/])cp?_(?:axial|radial|disc|rect|elec|\d{4})|capacitor", "capacitor"),
    (r"(?:^|[:_/])l_(?:axial|radial|\d{4})|inductor", "inductor"),
    (r"(?:^|[:_/])led", "led"),
    (r"(?:^|[:_/])d_(?:do|sod|a-)|diode", "diode"),
    (r"crystal|hc-?49|hc-?18", "crystal"),
    (r"oscillator", "oscillator"),
    (r"pin_?header|connector|d-?sub|idc|(?:^|[:_/])conn", "connector"),
    (r"mounting_?hole|fiducial|heat_?sink", "mechanical"),
    (r"test_?point", "test point"),
    (r"jumper", "jumper"),
    (r"button|switch", "switch"),
    (r"fuse", "fuse"),
    (r"potentiometer", "pot"),
)


def _regulator_volts(name: str) -> float | None:
    found = re.fullmatch(r"7([89])[LM]?(\d\d)", name)
    if found:
        return float(found[2]) * (1.0 if found[1] == "8" else -1.0)
    return 5.0 if name in ("LM309", "LM323") else None


def _ohms(word: str) -> float | None:
    text = word.replace("Ω", "R").replace("Ω", "R")
    text = re.sub(r"(?i)ohms?$", "R", text)
    text = re.sub(r"(?i)^([\d.,]+)\s*meg(?=R?$)", r"\1M", text)
    text = re.sub(r"^(\d*[.,]?\d*[kKMRr]\d*)(?:[FGJ]|R)$", r"\1", text)
    if not re.fullmatch(r"(?:\d+(?:[.,]\d*)?|[.,]\d+|\d*[kKMGRrEmLl]\d+)[kKMGRrEmL]?", text):
        return None
    text = text.replace("E", "R").replace("K", "k")
    if re.fullmatch(r"\d{3,4}", text):
        return _ohms_of_figures(text)
    try:
        size = parse_quantity(text.rstrip(".,"))
    except (BadQuantity, OverflowError):
        return None
    return size if math.isfinite(size) and size >= 0 else None


def _ohms_of_figures(text: str) -> float:
    plain = float(text)
    if len(text) == 3 and text[0] != "0":
        # 470 is a preferred value as it stands; 103 is not, so it is a code: 10 and three noughts.
        if int(text[:2]) in _E24 and text[2] == "0":
            return plain
        if int(text[:2]) in _E24:
            return float(text[:2]) * 10.0 ** int(text[2])
    return plain


_FARAD = re.compile(
    r"^(\d+(?:[.,]\d*)?|[.,]\d+)(pf|nf|uf|mmfd?|mfd?|fd?|p|n|u|m)?(?:[bcdfgjkmz]|\d+v.*|-.*)?$", re.I
)
_FARAD_LETTER = re.compile(r"^(\d*)([pnum])(\d+)f?[bcdfgjkmz]?(?:\d+v)?$", re.I)
_FARAD_SCALE = {"p": 1e-12, "mm": 1e-12, "n": 1e-9, "u": 1e-6, "": 1.0}


def _clear_farads(word: str) -> bool:
    """The word says by its unit or prefix that it is a capacitance."""
    return bool(
        re.fullmatch(r"(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[pnu]f?|mf|mfd|uf)[bcdfgjkmz]?(?:\d+v)?", word, re.I)
        or re.fullmatch(r"\d+[pnu]\d*f?", word, re.I)
    )


def _farads(word: str, electrolytic: bool) -> float | None:
    found = _FARAD_LETTER.match(word)
    if found:
        scale = {"p": 1e-12, "n": 1e-9, "u": 1e-6, "m": 1e-3}[found[2].lower()]
        return _finite(f"{found[1] or '0'}.{found[3]}", scale)
    code = re.fullmatch(r"(\d)(\d)(\d)[A-Z]?", word)
    if code and not electrolytic:
        noughts = int(code[3]) if code[3] < "8" else int(code[3]) - 10
        return float(f"{code[1]}{code[2]}e{noughts - 12}")
    found = _FARAD.match(word)
    if not found:
        return None
    number, unit = found[1].replace(",", "."), (found[2] or "").lower().rstrip("d")
    if not unit:
        if electrolytic or float(number) < 1.0:
            return _finite(number, 1e-6)
        return _finite(number, 1e-12)
    if unit in ("mf", "m"):
        # MFD and MF on old drawings mean microfarad; a small m means milli.
        return _finite(number, 1e-3 if (found[2] or "").startswith("m") else 1e-6)
    return _finite(number, _FARAD_SCALE[unit.rstrip("f")])


def _henries(word: str) -> float | None:
    found = re.fullmatch(r"(\d*)([numR])(\d+)h?", word, re.I)
    if found:
        scale = {"n": 1e-9, "u": 1e-6, "m": 1e-3, "r": 1e-6}[found[2].lower()]
        return _finite(f"{found[1] or '0'}.{found[3]}", scale)
    if re.fullmatch(r"\d{3}[JKM]?", word):
        return float(f"{word[:2]}e{int(word[2]) - 6}")
    found = re.fullmatch(r"(\d+(?:[.,]\d*)?|[.,]\d+)([num]?)(h?)[JKM]?", word, re.I)
    if not found:
        return None
    scale = {"n": 1e-9, "u": 1e-6, "m": 1e-3, "": 1.0 if found[3] else 1e-6}[found[2].lower()]
    return _finite(found[1].replace(",", "."), scale)


def _finite(number: str, scale: float) -> float | None:
    # Through text, so that 100n is exactly 1e-7 and not its neighbour.
    size = float(f"{number}e{round(math.log10(scale))}")
    return size if math.isfinite(size) else None
