"""Read a SPICE netlist as a board: elements become parts, nodes become nets."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

from ..errors import BadFile
from .ipc356_records import check_text
from .model import Pin
from .netlist_data import NetBuilder, NetlistData, PartRow, Tally
from .report import ImportReport

_ENDS = re.compile(r"\r\n|\n|\r")
_NUMBER = re.compile(
    r"([+-]?(?:\d+\.?\d*|\.\d+)(?:e[+-]?\d{1,3})?)(t|g|meg|mil|k|m|u|µ|n|p|f)?([a-zΩ]*)", re.I
)
_LETTERED = re.compile(r"(\d+)(r|k|m|u|µ|n|p|meg)(\d+)[a-zΩ]*", re.I)
_POWER = {
    "t": 12, "g": 9, "meg": 6, "k": 3, "": 0, "r": 0, "mil": -6, "m": -3, "u": -6, "µ": -6, "n": -9, "p": -12,
    "f": -15,
}  # fmt: skip
_TWO = {"R": "resistor", "C": "capacitor", "L": "inductor"}
_PINS = {
    "R": ("1", "2"), "C": ("1", "2"), "L": ("1", "2"), "D": ("A", "K"), "Q": ("C", "B", "E"), "V": ("1", "2"),
    "M": ("D", "G", "S"), "J": ("D", "G", "S"),
}  # fmt: skip
_MODEL_KIND = {
    "NPN": "npn", "PNP": "pnp", "D": "diode", "NMOS": "mosfet", "PMOS": "mosfet", "VDMOS": "mosfet",
    "NJF": "jfet", "PJF": "jfet",
}  # fmt: skip
_GROUND = frozenset(("0", "gnd"))
_IGNORED = frozenset((
    ".title", ".option", ".options", ".param", ".params", ".op", ".dc", ".ac", ".tran", ".print", ".plot",
    ".probe", ".save", ".temp", ".ic", ".nodeset", ".global", ".meas", ".measure", ".backanno", ".step",
    ".func", ".noise", ".four", ".width", ".csparam", ".tf",
))  # fmt: skip


def read_spice(text: str, file: str, report: ImportReport) -> NetlistData:
    """Read the R, C, L, D, Q, M, J, V and X elements of a SPICE netlist.

    The first line is the title. Node 0 (and ``gnd``) is the net GND. A subcircuit instance is a part:
    its pins are named as in the ``.subckt`` definition if the file has it, else numbered in order; what
    is inside a definition is no part of the board. ``XU3`` is part U3. A voltage source to ground is an
    inlet that feeds a rail.

    Parameters
    ----------
    text : str
        The whole file.
    file : str
        For messages.
    report : ImportReport

    Returns
    -------
    NetlistData
        Without geometry.

    Raises
    ------
    BadFile
        It is no text, or has no element that is a part.
    """
    check_text(text, file)
    reader = _Reader(Tally(report, file))
    data = reader.read(text)
    reader.tally.tell()
    if not data.nets:
        raise BadFile(
            file, "no element is a part: expected a SPICE netlist with R, C, L, D, Q, V or X elements"
        )
    return data


def spice_number(text: str) -> float | None:
    """A number with SPICE's letters: ``10u``, ``4.7k``, ``1meg``; M is milli, any unit is ignored.

    Also ``4k7``, which people write all the same. None if it is no number.
    """
    cleaned = text.strip().strip("{}'\"")
    found = _LETTERED.fullmatch(cleaned)
    if found is not None:
        number, letters = f"{found[1]}.{found[3]}", found[2].lower()
    else:
        found = _NUMBER.fullmatch(cleaned)
        if found is None:
            return None
        number, letters = found[1].lower(), (found[2] or "").lower()
    mantissa, _, power = number.partition("e")
    # Through the text, so that 10u is the float nearest to 1e-5.
    value = float(f"{mantissa}e{int(power or 0) + _POWER[letters]}") * (25.4 if letters == "mil" else 1.0)
    return value if math.isfinite(value) else None


@dataclass
class _Reader:
    tally: Tally
    spelled: dict[str, str] = field(default_factory=dict)
    """Nodes as first written, by their name in small letters."""
    models: dict[str, str] = field(default_factory=dict)
    definitions: dict[str, tuple[str, ...]] = field(default_factory=dict)
    rows: dict[str, PartRow] = field(default_factory=dict)
    rails: dict[str, tuple[float, str]] = field(default_factory=dict)
    lines_of: dict[str, int] = field(default_factory=dict)

    def read(self, text: str) -> NetlistData:
        lines = _ENDS.split(text.lstrip("\ufeff"))
        title = lines[0].strip().lstrip("*").strip()
        if re.match(r"[RCLDQVX]\w*\s+\S+\s+\S+\s+\S+", lines[0], re.IGNORECASE):
            self.tally.add(
                "noted", "the first line is the title and not an element, though it looks like one", 1
            )
        self.nets = NetBuilder(self.tally)
        body = list(self._outside_definitions(list(self._joined(lines))))
        self.wanted = {words[0].upper() for _, words in body}
        for number, words in body:
            self._element(number, words)
        if len(self.spelled) and "0" not in self.spelled:
            self.tally.add("noted", "there is no node 0: ground is inferred from the names", 1)
        return NetlistData(
            name=title[:200] if title and len(title.split()) < 8 else "",
            title=title,
            nets=self.nets.made(),
            rows=self.rows,
            rails=self.rails,
            ground=self.spelled.get("0", ""),
        )

    # -- lines ----------------------------------------------------------------------------------

    def _joined(self, lines: list[str]) -> Iterator[tuple[int, list[str]]]:
        """Lines with their continuations, without comments, as words."""
        number, held = 0, ""
        for place, line in enumerate(lines[1:], 2):
            bare = re.split(r";|\s\$|^\$", line, maxsplit=1)[0].strip(" \t\x1a\x0c")
            if not bare or bare.startswith("*"):
                continue
            if bare.startswith("+"):
                if number:
                    held += f" {bare[1:]}"
                else:
                    self.tally.add("refused", "continues nothing: left out", place)
                continue
            if number:
                yield number, _words(held)
            number, held = place, bare
        if number:
            yield number, _words(held)

    def _outside_definitions(self, lines: list[tuple[int, list[str]]]) -> Iterator[tuple[int, list[str]]]:
        depth, control, opened = 0, False, 0
        for number, words in lines:
            if not words:
                continue
            first = words[0].lower()
            if control:
                control = first != ".endc"
            elif first == ".control":
                control = True
            elif first == ".end":
                break
            elif first == ".subckt":
                depth += 1
                opened = number
                if depth == 1 and len(words) > 1:
                    nodes = [word for word in words[2:] if "=" not in word and word.lower() != "params:"]
                    self.definitions[words[1].lower()] = tuple(nodes)
            elif first == ".ends":
                if depth == 0:
                    self.tally.add("refused", ".ends without .subckt: left out", number)
                depth = max(0, depth - 1)
            elif first == ".model":
                self._model(number, words)
            elif depth:
                self.tally.add("noted", "inside a subcircuit's definition: no part of the board", number)
            elif first in _IGNORED:
                self.tally.add("noted", "instruction to a simulator: left out", number)
            elif first in (".include", ".inc", ".lib"):
                self.tally.add("refused", "another file is called for: it is not read", number)
            elif first.startswith("."):
                self.tally.add("refused", f"unknown instruction {first[:30]}: left out", number)
            else:
                yield number, words
        if depth:
            self.tally.add(
                "repaired", ".subckt without .ends: all that follows is taken as inside it", opened
            )

    def _model(self, number: int, words: list[str]) -> None:
        if len(words) < 3:
            self.tally.add("refused", ".model without a name and a type: left out", number)
            return
        self.models[words[1].lower()] = words[2].upper()

    # -- elements -------------------------------------------------------------------------------

    def _element(self, number: int, words: list[str]) -> None:
        name, letter = words[0], words[0][0].upper()
        if letter == "X":
            self._instance(number, name, words[1:])
        elif letter in _PINS:
            self._simple(number, name, letter, words[1:])
        else:
            self.tally.add(
                "refused", f"element {name[:30]} is of a sort that is no part here: left out", number
            )

    def _simple(self, number: int, name: str, letter: str, rest: list[str]) -> None:
        pins = _PINS[letter]
        if len(rest) < len(pins):
            self.tally.add("refused", f"{name[:30]} has {len(rest)} nodes, not {len(pins)}: left out", number)
            return
        nodes, after = rest[: len(pins)], rest[len(pins) :]
        size: float | None = None
        value = ""
        if letter in "RCL":
            size, value = self._size(after)
            if size is None:
                self.tally.add("repaired", "no value that can be read: kept without a value", number)
        elif letter == "V":
            size, value = self._volts(after), " ".join(after)[:100]
        else:
            # A fourth node (substrate, bulk) may stand before the model's name.
            known = [word for word in after if word.lower() in self.models]
            words = [
                word for word in after
                if "=" not in word and word.lower() != "off" and not _NUMBER.fullmatch(word)
            ]  # fmt: skip
            value = known[0] if known else words[-1] if words else ""
        model = self.models.get(value.lower(), "")
        kind = _TWO.get(letter, "connector" if letter == "V" else "")
        ref = self._ref(name, number)
        if ref is None:
            return
        self.rows[ref] = PartRow(ref, value=value, kind=kind, size=size, line=number, pin_count=len(pins))
        if not kind and model:
            self.rows[ref] = self._of_model(self.rows[ref], model)
        self._connect(ref, pins, nodes, number)
        if letter == "V" and size is not None:
            self._rail(ref, nodes, size, number)

    @staticmethod
    def _of_model(row: PartRow, model: str) -> PartRow:
        from .kinds import recognise

        found = recognise(row.value, ref=row.ref, pin_count=row.pin_count)
        if found.certain and not found.kind.generic:
            return row
        return replace(row, kind=_MODEL_KIND.get(model, ""))

    def _instance(self, number: int, name: str, rest: list[str]) -> None:
        words = []
        for word in rest:
            if word.lower() == "params:" or "=" in word:
                break
            words.append(word)
        if len(words) < 2:
            self.tally.add("refused", f"{name[:30]} has no nodes or names no subcircuit: left out", number)
            return
        *nodes, what = words
        formal = self.definitions.get(what.lower())
        pins = tuple(str(place) for place in range(1, len(nodes) + 1))
        if formal is not None and len(formal) == len(nodes) and len(set(formal)) == len(formal):
            pins = formal
        elif formal is not None:
            self.tally.add(
                "repaired",
                f"{name[:30]} has {len(nodes)} nodes, its definition {len(formal)}: pins numbered in order",
                number,
            )
        full = name[1:]
        if re.fullmatch(r"[A-Za-z]{1,4}\d+\w*", full) and full.upper() not in self.wanted:
            name = full
        ref = self._ref(name, number)
        if ref is None:
            return
        count = len(nodes) if formal is not None else None
        like = f"U{ref[1:]}" if ref[0] in "Xx" else ""
        self.rows[ref] = PartRow(ref, value=what, line=number, pin_count=count, like=like)
        self._connect(ref, pins, nodes, number)

    def _ref(self, name: str, number: int) -> str | None:
        known = self.lines_of.setdefault(name.upper(), number)
        if known != number:
            self.tally.add("refused", f"{name[:30]} is in line {known} already: left out", number)
            return None
        return name

    def _connect(self, ref: str, pins: tuple[str, ...], nodes: list[str], number: int) -> None:
        for pin, node in zip(pins, nodes, strict=True):
            self.nets.put(Pin(ref, pin), self._net(node), number)

    def _net(self, node: str) -> str:
        key = node.lower()
        if key in _GROUND:
            return self.spelled.setdefault("0", "GND")
        return self.spelled.setdefault(key, node)

    def _size(self, words: list[str]) -> tuple[float | None, str]:
        for word in words:
            text = word.partition("=")[2] if re.match(r"[rcl]\s*=", word, re.IGNORECASE) else word
            if "=" in text:
                continue
            size = spice_number(text)
            if size is not None and size > 0:
                return size, text
        return None, " ".join(words)[:100]

    @staticmethod
    def _volts(words: list[str]) -> float | None:
        plain = [word.lower().removeprefix("dc=") for word in words if word.lower() != "dc"]
        if len(words) and words[0].lower() == "ac":
            return None
        return spice_number(plain[0]) if plain else None

    def _rail(self, ref: str, nodes: list[str], volts: float, number: int) -> None:
        high, low = (self._net(node) for node in nodes)
        ground = self.spelled.get("0")
        if ground is None or (high == ground) == (low == ground) or volts == 0:
            return
        net, volts, pin = (high, volts, "1") if low == ground else (low, -volts, "2")
        known = self.rails.setdefault(net, (volts, f"{ref}.{pin}"))
        if known[0] != volts:
            self.tally.add(
                "refused", f"{net} is {known[0]:g} V already, from {known[1]}: not {volts:g} V too", number
            )


def _words(line: str) -> list[str]:
    line = re.sub(r"\s*=\s*", "=", line)
    return line.replace("(", " ").replace(")", " ").replace(",", " ").split()
