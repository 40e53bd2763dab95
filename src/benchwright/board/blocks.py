"""Blocks: the functions of the machine, what each stands on, and what is seen when one fails.

Where the board does not name its blocks they are derived: chips give theirs by what they are, nets and
connectors by their names, and glue and passive parts belong to what they drive or hang on.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from itertools import pairwise
from typing import Any, TypeVar

from .infer import regulator_pins
from .model import Block, Board, Kind, Pin

CLOCK, RESET, CPU, ROM, RAM = "clock", "reset", "CPU", "ROM", "RAM"
DECODE, VIDEO, KEYBOARD, SOUND = "address decode", "video", "keyboard", "sound"
TAPE, SERIAL, PORTS, SUPPLY = "tape", "serial", "ports", "supply"

NEEDS_BLOCKS: Mapping[str, tuple[str, ...]] = {
    CPU: (CLOCK, RESET),
    ROM: (DECODE,),
    RAM: (DECODE,),
    VIDEO: (CLOCK,),
    PORTS: (CPU, DECODE),
    KEYBOARD: (CPU, DECODE, ROM),
    SOUND: (CPU, DECODE),
    TAPE: (CPU, DECODE),
    SERIAL: (CPU, DECODE),
}
"""What each derived block needs of the others besides its parts and rails (common practice, no source)."""

_LIKELY = 0.3
"""A derived block shows the symptoms that it causes at least so often."""

T = TypeVar("T")


class _Folded(Mapping[str, float]):
    """Chances by block name; the case of the name does not matter."""

    def __init__(self, table: Mapping[str, float]) -> None:
        self._table = dict(table)
        self._folded = {_fold(name): chance for name, chance in table.items()}

    def __getitem__(self, name: str) -> float:
        return self._folded[_fold(name)]

    def __iter__(self) -> Iterator[str]:
        return iter(self._table)

    def __len__(self) -> int:
        return len(self._table)


@dataclass(frozen=True, slots=True)
class Symptom:
    """Something seen on a machine that does not work.

    Attributes
    ----------
    phrase : str
        As the trade says it.
    synonyms : tuple of str
    causes : Mapping of str to float
        Block to the chance, 0 to 1, that the symptom is seen when that block does not work; the case of
        the block's name does not matter. Common practice, no source.
    seen_without : float
        Chance that it is reported although no block that causes it is at fault.
    alive : frozenset of str
        Blocks that must work, at least in part, for it to be seen at all.
    """

    phrase: str
    synonyms: tuple[str, ...]
    causes: Mapping[str, float]
    seen_without: float
    alive: frozenset[str] = frozenset()


@cache
def _data() -> dict[str, Any]:
    return tomllib.loads(files(__package__).joinpath("blocks.toml").read_text(encoding="utf-8"))


@cache
def symptoms() -> Mapping[str, Symptom]:
    """Every symptom this package knows, by its phrase."""
    return {
        phrase: Symptom(
            phrase,
            tuple(row["synonyms"]),
            _Folded(row["causes"]),
            float(row["seen_without"]),
            frozenset(row.get("alive", ())),
        )
        for phrase, row in _data()["symptom"].items()
    }


# -- what people say --------------------------------------------------------------------------------

_FILLERS = frozenset(
    ("the", "a", "an", "is", "are", "it", "its", "on", "of", "at", "and", "just", "only", "very", "i", "get",
     "see", "has", "have", "there", "shows", "show", "some", "my", "this", "machine", "unit", "computer")
)  # fmt: skip
_SPELLED = {
    "doesn't": "does not", "doesnt": "does not", "don't": "do not", "dont": "do not", "won't": "will not",
    "wont": "will not", "can't": "cannot", "cant": "cannot", "isn't": "is not", "color": "colour",
    "colors": "colours", "gray": "grey", "scrambled": "garbled", "cassette": "tape", "cassettes": "tapes",
    "display": "picture", "image": "picture", "monitor": "screen",
}  # fmt: skip


def _words(text: str) -> list[str]:
    plain = text.lower().replace("\u2019", "'")
    words = re.findall(r"[a-z0-9'\-]+", plain)
    return " ".join(_SPELLED.get(word, word) for word in words).split()


@cache
def _sayings() -> tuple[tuple[str, tuple[str, ...]], ...]:
    """(phrase, words of one way to say it), longest first."""
    found: dict[tuple[str, ...], str] = {}
    for symptom in symptoms().values():
        for saying in (symptom.phrase, *symptom.synonyms):
            found.setdefault(tuple(_words(saying)), symptom.phrase)
    ordered = sorted(found.items(), key=lambda item: (-len(item[0]), item[0]))
    return tuple((phrase, words) for words, phrase in ordered)


def match_symptom(text: str) -> str | None:
    """Find the symptom that free text means: case, spelling slips and extra words are forgiven.

    Returns
    -------
    str or None
        A key of `symptoms`, or None if nothing fits.
    """
    words = _words(text)
    if not words:
        return None
    for phrase, saying in _sayings():
        if words == list(saying):
            return phrase
    core = [word for word in words if word not in _FILLERS] or words
    for phrase, saying in _sayings():
        if core == ([word for word in saying if word not in _FILLERS] or list(saying)):
            return phrase
    joined = " ".join(core)
    best, best_score = None, 0.0
    for phrase, saying in _sayings():
        wanted = [word for word in saying if word not in _FILLERS] or list(saying)
        score = difflib.SequenceMatcher(None, joined, " ".join(wanted)).ratio()
        negated = ("no" in core or "not" in core) == ("no" in wanted or "not" in wanted)
        if score >= 0.9 and negated and score > best_score:
            best, best_score = phrase, score
    if best is not None:
        return best
    # a longer tale: every word of a saying of two words or more is in it, one spelling slip each
    for phrase, saying in _sayings():
        wanted = [word for word in saying if word not in _FILLERS]
        if len(wanted) >= 2 and all(_in(word, core) for word in wanted) and _no_fits(wanted, core):
            return phrase
    return None


def _in(word: str, words: list[str]) -> bool:
    return word in words or (len(word) > 4 and bool(difflib.get_close_matches(word, words, 1, 0.85)))


def _no_fits(wanted: list[str], said: list[str]) -> bool:
    """Whether a no in the saying stands before the same word in what was said, and none else does."""
    if "no" in wanted:
        thing = wanted[min(wanted.index("no") + 1, len(wanted) - 1)]
        return any(a == "no" and _in(thing, [b]) for a, b in pairwise(said))
    return "not" in wanted or not any(a in ("no", "not") and b in wanted for a, b in pairwise(said))


# -- what stands on what ---------------------------------------------------------------------------


def _fold(name: str) -> str:
    return name.strip().lower()


def _kept(board: Board, key: str, make: Callable[[], T]) -> T:
    """Work something out once for each board; a board is never edited in place."""
    store = board.__dict__
    if key not in store:
        store[key] = make()
    found: T = store[key]
    return found


def _blocks(board: Board) -> Mapping[str, Block]:
    if board.blocks:
        return board.blocks
    return _kept(board, "_derived_blocks", lambda: with_blocks(board).blocks)


def depends(board: Board) -> dict[str, frozenset[str]]:
    """For each block everything it needs: references, nets, rails and blocks, through other blocks too.

    Blocks are derived if the board has none.
    """
    return _kept(board, "_block_depends", lambda: _depends(_blocks(board)))


def _depends(blocks: Mapping[str, Block]) -> dict[str, frozenset[str]]:
    names = {_fold(name): name for name in blocks}
    found: dict[str, frozenset[str]] = {}
    for name in blocks:
        needed: set[str] = set()
        waiting = [name]
        while waiting:
            for need in blocks[waiting.pop()].needs:
                other = names.get(_fold(need))
                known = other or need
                if known not in needed and known != name:
                    needed.add(known)
                    if other is not None:
                        waiting.append(other)
        found[name] = frozenset(needed)
    return found


def part_blocks(board: Board) -> dict[str, frozenset[str]]:
    """Which blocks need each part directly, by reference; parts that no block needs are left out."""
    return _kept(board, "_part_blocks", lambda: _by_need(_blocks(board), board.parts))


def net_blocks(board: Board) -> dict[str, frozenset[str]]:
    """Which blocks need each net directly, by net name; nets that no block needs are left out.

    A net belongs to the blocks of the parts it joins; so ground and rails belong to every block with a
    part on them. A glue chip that serves several blocks brings to a signal only those that another part
    on the net has too, if there are any: its other gates have nothing to do with this net.
    """
    return _kept(board, "_net_blocks", lambda: _net_blocks(board))


def blocks_of(board: Board) -> dict[str, frozenset[str]]:
    """`part_blocks` and `net_blocks` in one; a name that is both a part and a net has the blocks of both."""

    def both() -> dict[str, frozenset[str]]:
        found = dict(net_blocks(board))
        for ref, names in part_blocks(board).items():
            found[ref] = names | found.get(ref, frozenset())
        return found

    return _kept(board, "_blocks_of", both)


def _by_need(blocks: Mapping[str, Block], known: Mapping[str, object]) -> dict[str, frozenset[str]]:
    found: defaultdict[str, set[str]] = defaultdict(set)
    for name, block in blocks.items():
        for need in block.needs:
            if need in known:
                found[need].add(name)
    return {need: frozenset(names) for need, names in found.items()}


def _net_blocks(board: Board) -> dict[str, frozenset[str]]:
    blocks = _blocks(board)
    of_part = part_blocks(board)
    # a need that is the name of a part is that part, though a net may be called the same
    named = _by_need(blocks, {net: None for net in board.nets if net not in board.parts})
    power = {board.ground, *board.rails}
    found: dict[str, frozenset[str]] = {}
    for net, pins in board.nets.items():
        refs = {pin.ref for pin in pins if pin.ref in of_part}
        own = named.get(net, frozenset())
        mine = set(own)
        for ref in refs:
            names = of_part[ref]
            if net not in power and len(names) > 1 and board.kind_of(ref).category in _GLUE:
                others = own.union(*(of_part[other] for other in refs if other != ref))
                names = names & others or names
            mine |= names
        if mine:
            found[net] = frozenset(mine)
    return found


# -- deriving blocks -------------------------------------------------------------------------------


def with_blocks(board: Board) -> Board:
    """Add the blocks that the board does not name: clock, reset, CPU, ROM, RAM, address decode, video,
    keyboard, sound, tape, serial, ports, supply.

    A derived block is left out if the board has no part for it or names a block so itself.
    """
    named = {_fold(name) for name in board.blocks}
    made = {name: block for name, block in _Deriver(board).blocks().items() if _fold(name) not in named}
    return board.with_(blocks={**board.blocks, **made})


_BY_CATEGORY = {
    "cpu": CPU, "rom": ROM, "eprom": ROM, "dynamic_ram": RAM, "static_ram": RAM, "video": VIDEO,
    "modulator": VIDEO, "sound": SOUND, "speaker": SOUND, "membrane": KEYBOARD, "crystal": CLOCK,
    "oscillator": CLOCK, "line_driver": SERIAL, "line_receiver": SERIAL, "regulator": SUPPLY,
    "bridge_rectifier": SUPPLY, "battery": SUPPLY, "transformer": SUPPLY, "fuse": SUPPLY,
}  # fmt: skip

_BY_TITLE = (
    (re.compile(r"serial", re.IGNORECASE), SERIAL),
    (re.compile(r"television|video|colour encoder", re.IGNORECASE), VIDEO),
    (re.compile(r"keyboard", re.IGNORECASE), KEYBOARD),
    (re.compile(r"reset", re.IGNORECASE), RESET),
    (re.compile(r"clock (driver|generator)", re.IGNORECASE), CLOCK),
    (re.compile(r"port|timer", re.IGNORECASE), PORTS),
)

_LIVE = frozenset("OTBC")
_GLUE = frozenset(("logic", "programmable_logic", "timer", "opamp", "comparator", "generic", "driver_array",
                   "optocoupler", "converter"))  # fmt: skip
_PASSIVE = frozenset((
    "resistor", "resistor_network", "potentiometer", "thermistor", "capacitor", "trimmer_capacitor",
    "inductor", "ferrite", "diode", "zener", "led", "transistor", "mosfet", "relay", "switch", "jumper",
    "connector",
))  # fmt: skip
_ANALOGUE = frozenset(("opamp", "comparator"))
_NAMED = frozenset(("connector", "membrane", "speaker", "generic", "switch", "jumper"))
_ENDS = frozenset(("speaker", "modulator", "line_driver", "line_receiver"))
_CLOCK_PIN = re.compile(r"(PHI\d?(0IN|IN|2IN)?|CLK\d?|CLOCK|XTAL\d?|EXTAL|X[12]|XIN|XI|E)", re.IGNORECASE)
_RESET_PIN = re.compile(r"N?(RES|RESET|RST|RESIN|RESETIN)", re.IGNORECASE)
_SELECT_PIN = re.compile(r"(CS|CE|OE|SEL)\d?", re.IGNORECASE)
_MEMORY_LIKE = frozenset((ROM, RAM, VIDEO, PORTS, SOUND, SERIAL, KEYBOARD))


class _Deriver:
    """Gives each part its blocks, surest first."""

    def __init__(self, board: Board) -> None:
        self.board = board
        self.power = {board.ground, *board.rails}
        self.of: dict[str, set[str]] = {ref: set() for ref in board.parts}
        self.kinds: dict[str, Kind] = {ref: board.kind_of(ref) for ref in board.parts}
        self.words: list[tuple[str, re.Pattern[str]]] = [
            (name, re.compile("|".join(f"(?:{pattern})" for pattern in patterns)))
            for name, patterns in _data()["words"].items()
        ]
        self.net_block = {net: name for net in board.nets if (name := self._by_words(net)) is not None}

    def blocks(self) -> dict[str, Block]:
        self._by_kind()
        self._by_name()
        self._analogue()
        self._decoders()
        self._clock()
        self._reset()
        self._glue()
        self._passives()
        self._supply()
        return self._made()

    # -- pieces ------------------------------------------------------------------------------------

    def _by_words(self, text: str) -> str | None:
        for word in re.split(r"[\s/\\.:,;()\[\]~{}#!]+|(?<=\w)-(?=[A-Z])", text.upper()):
            bare = re.sub(r"^[+/~!\-]+|[_\-]?N$|[*#\-]$", "", word)
            for name, pattern in self.words:
                if pattern.fullmatch(bare) or pattern.fullmatch(word):
                    return name
        return None

    def _pins(self, ref: str) -> Iterator[tuple[Pin, str]]:
        """Pins of a part on signal nets, with those nets."""
        for pin in self.board.pins_of.get(ref, ()):
            net = self.board.net_of.get(pin)
            if net is not None and net not in self.power:
                yield pin, net

    def _others(self, net: str, ref: str) -> Iterator[Pin]:
        return (pin for pin in self.board.nets[net] if pin.ref != ref and pin.ref in self.board.parts)

    def _refs(self, *names: str) -> list[str]:
        return [ref for ref, blocks in self.of.items() if blocks & set(names)]

    # -- rules -------------------------------------------------------------------------------------

    def _by_kind(self) -> None:
        for ref, kind in self.kinds.items():
            name = _BY_CATEGORY.get(kind.category)
            if name is None and kind.category in ("support", "linear", "generic", "converter"):
                name = next((block for pattern, block in _BY_TITLE if pattern.search(kind.title)), None)
            if kind.category == "support" and name is None:
                name = PORTS
            if kind.category == "fuse" and not self._on_power(ref):
                continue
            if name is not None:
                self.of[ref].add(name)
        self._video_memory()

    def _on_power(self, ref: str) -> bool:
        return any(self.board.net_of.get(pin) in self.power for pin in self.board.pins_of.get(ref, ()))

    def _video_memory(self) -> None:
        """Memory whose data pins never meet the processor belongs to the picture."""
        cpus = self._refs(CPU)
        video = self._refs(VIDEO)
        if not cpus or not video:
            return
        seen = {net for ref in cpus for _, net in self._pins(ref)}
        shown = {net for ref in video for _, net in self._pins(ref)}
        for ref in self._refs(RAM, ROM):
            nets = {net for pin, net in self._pins(ref) if self.board.kind_pin(pin).direction in _LIVE}
            if nets and not nets & seen and nets & shown:
                self.of[ref].add(VIDEO)

    def _by_name(self) -> None:
        fixed = (CPU, ROM, RAM)
        for net, name in self.net_block.items():
            if name in (CLOCK, RESET) or net in self.power:
                continue
            for pin in self._others(net, ""):
                if not self.of[pin.ref] & {*fixed, SUPPLY, CLOCK}:
                    self.of[pin.ref].add(name)
        for ref, part in self.board.parts.items():
            if self.kinds[ref].category in _NAMED:
                name_of = self._by_words(f"{ref} {part.value} {part.footprint}")
                if name_of is not None and name_of not in (CLOCK, RESET):
                    self.of[ref].add(name_of)
        # a port chip with the keyboard or the tape on it does both
        for ref in self._refs(PORTS):
            for _, net in self._pins(ref):
                for pin in self._others(net, ref):
                    if self.kinds[pin.ref].category in ("connector", "membrane"):
                        self.of[ref] |= self.of[pin.ref] - {SUPPLY}

    def _analogue(self) -> None:
        """Follow tape, sound, picture and serial lines inwards through passive and analogue parts."""
        lines = {TAPE, SOUND, VIDEO, SERIAL}
        soft = _PASSIVE | _ANALOGUE
        for _ in range(6):
            given: dict[str, set[str]] = {}
            for ref, blocks in self.of.items():
                if blocks or self.kinds[ref].category not in soft:
                    continue
                near = {
                    name for _, net in self._pins(ref) for pin in self._others(net, ref)
                    if self.kinds[pin.ref].category in soft or self.kinds[pin.ref].category in _ENDS
                    for name in self.of[pin.ref] & lines
                }  # fmt: skip
                if near and len(near) <= 2:
                    given[ref] = near
            if not given:
                return
            for ref, names in given.items():
                self.of[ref] |= names

    def _decoders(self) -> None:
        """Glue that drives select pins of memories and ports."""
        for ref in self._unclaimed():
            for pin, net in self._pins(ref):
                if self.board.kind_pin(pin).direction not in _LIVE:
                    continue
                if any(
                    self.of[other.ref] & _MEMORY_LIKE and self.kinds[other.ref].category not in _GLUE
                    and _SELECT_PIN.fullmatch(self.board.kind_pin(other).name.rstrip("#"))
                    for other in self._others(net, ref)
                ):  # fmt: skip
                    self.of[ref].add(DECODE)
        # gates one step before a decoder, if they feed nothing else that is known
        for _ in range(2):
            for ref in self._unclaimed():
                driven = [self.of[other.ref] for other in self._driven(ref)]
                if driven and all(blocks == {DECODE} for blocks in driven):
                    self.of[ref].add(DECODE)

    def _unclaimed(self) -> list[str]:
        return [ref for ref, blocks in self.of.items() if not blocks and self.kinds[ref].category in _GLUE]

    def _driven(self, ref: str) -> Iterator[Pin]:
        """Pins of other parts that this part's outputs lead to."""
        for pin, net in self._pins(ref):
            if self.board.kind_pin(pin).direction in _LIVE:
                yield from self._others(net, ref)

    def _clock(self) -> None:
        """From the clock pins of the chips back to what swings."""
        wanted = [
            net for ref in self._refs(CPU, VIDEO) for pin, net in self._pins(ref)
            if _CLOCK_PIN.fullmatch(self.board.kind_pin(pin).name)
            and self.board.kind_pin(pin).direction in ("I", "X", "B")
        ]  # fmt: skip
        self._back(wanted, CLOCK, 5)
        around = _GLUE | {"capacitor", "trimmer_capacitor", "resistor"}
        for ref in [ref for ref, kind in self.kinds.items() if kind.category in ("crystal", "oscillator")]:
            for _, net in self._pins(ref):
                for pin in self._others(net, ref):
                    if self.kinds[pin.ref].category in around:
                        self.of[pin.ref].add(CLOCK)

    def _reset(self) -> None:
        wanted = [
            net for ref in self._refs(CPU) for pin, net in self._pins(ref)
            if _RESET_PIN.fullmatch(self.board.kind_pin(pin).name.rstrip("#"))
        ]  # fmt: skip
        self._back(wanted, RESET, 3)

    def _back(self, nets: Iterable[str], name: str, steps: int) -> None:
        """Give a block what drives these nets, and what drives that."""
        seen: set[str] = set()
        ahead = list(dict.fromkeys(nets))
        for _ in range(steps):
            following: list[str] = []
            for net in ahead:
                seen.add(net)
                for pin in self.board.nets[net]:
                    if pin.ref not in self.of:
                        continue
                    category = self.kinds[pin.ref].category
                    drives = category in _GLUE and self.board.kind_pin(pin).direction in _LIVE
                    if drives or category in ("oscillator", "crystal"):
                        self.of[pin.ref].add(name)
                        if drives:
                            following += self._behind(pin)
                    elif category in _PASSIVE and category != "connector" and name == RESET:
                        self.of[pin.ref].add(name)
                        following += [
                            back for _, back in self._pins(pin.ref) if len(self.board.nets[back]) <= 6
                        ]
            ahead = [net for net in dict.fromkeys(following) if net not in seen]

    def _behind(self, output: Pin) -> list[str]:
        """Nets on the inputs that decide an output: those of its gate, if the pin names say which."""
        gate = re.match(r"\d", self.board.kind_pin(output).name)
        found = []
        for pin, net in self._pins(output.ref):
            fact = self.board.kind_pin(pin)
            mine = gate is None or fact.name.startswith(gate[0]) or not fact.name[:1].isdigit()
            if fact.direction in ("I", "X") and mine:
                found.append(net)
        return found

    def _glue(self) -> None:
        """Other glue belongs to what it drives; bus buffers, which drive nearly everything, to the CPU."""
        for _ in range(4):
            given: dict[str, set[str]] = {}
            for ref in self._unclaimed():
                driven: set[str] = set()
                for pin in self._driven(ref):
                    driven |= self.of[pin.ref]
                driven.discard(SUPPLY)
                if CPU in driven or len(driven) > 3:
                    driven = {CPU}
                if driven:
                    given[ref] = driven
            if not given:
                break
            for ref, names in given.items():
                self.of[ref] |= names
        for ref in self._unclaimed():
            touched: set[str] = set()
            for _, net in self._pins(ref):
                for pin in self._others(net, ref):
                    if self.kinds[pin.ref].category not in _PASSIVE:
                        touched |= self.of[pin.ref]
            if touched:
                self.of[ref] |= touched if len(touched) <= 2 else {CPU}

    def _passives(self) -> None:
        """Passive parts, transistors and connectors belong to the chips whose signals they are on."""
        for _ in range(4):
            given: dict[str, set[str]] = {}
            for ref, blocks in self.of.items():
                if blocks or self.kinds[ref].category not in _PASSIVE:
                    continue
                near: set[str] = set()
                for _, net in self._pins(ref):
                    named = self.net_block.get(net)
                    if named is not None:
                        near.add(named)
                    for pin in self._others(net, ref):
                        near |= self.of[pin.ref]
                near.discard(SUPPLY)
                # a connector with the whole bus on it is needed by nothing on the board
                if near and not (self.kinds[ref].category == "connector" and len(near) > 3):
                    given[ref] = near
            if not given:
                return
            for ref, names in given.items():
                self.of[ref] |= names

    # -- supply ------------------------------------------------------------------------------------

    def _supply(self) -> None:
        board = self.board
        for ref in board.inlets:
            if ref in self.of:
                self.of[ref].add(SUPPLY)
        for ref, kind in self.kinds.items():
            nets = {board.net_of[pin] for pin in board.pins_of.get(ref, ()) if pin in board.net_of}
            if nets and nets <= self.power and kind.category in _PASSIVE and kind.category != "connector":
                self.of[ref].add(SUPPLY)
        # from rails back through what passes their current
        ahead = list(board.rails)
        seen = set(ahead)
        while ahead:
            net = ahead.pop()
            for pin in board.nets.get(net, ()):
                if pin.ref in self.of and self.kinds[pin.ref].category in (
                    "fuse", "switch", "inductor", "ferrite", "bridge_rectifier", "transformer", "regulator",
                ):  # fmt: skip
                    if self.kinds[pin.ref].category == "switch" and self.of[pin.ref] - {SUPPLY}:
                        continue
                    self.of[pin.ref].add(SUPPLY)
                    for _, back in self._pins(pin.ref):
                        if back not in seen and len(board.nets[back]) <= 6:
                            seen.add(back)
                            ahead.append(back)

    def _supply_of(self) -> dict[str, tuple[set[str], set[str]]]:
        """Rails sorted by what feeds them: block name to its rails and parts.

        The rail with most supply pins, what it is made from, and inlets make "supply"; each other rail is
        a block of its own, so that a missing -12 V is not taken for a dead machine.
        """
        board = self.board
        feeds = self._feeds()
        if not board.rails:
            refs = set(self._refs(SUPPLY))
            return {SUPPLY: (set(), refs)} if refs else {}

        def weight(net: str) -> tuple[int, float, str]:
            return self._drinkers(net), -abs(board.rails[net].nominal - 5.0), net

        main = max(board.rails, key=weight)
        chain = {main}
        waiting = [main]
        while waiting:
            for source in feeds.get(waiting.pop(), ()):
                if source not in chain:
                    chain.add(source)
                    waiting.append(source)
        found: dict[str, tuple[set[str], set[str]]] = {SUPPLY: (chain, set())}
        for net in board.rails:
            if net not in chain:
                found[f"{SUPPLY} {net}"] = ({net}, set())
        for ref in self._refs(SUPPLY):
            on = {board.net_of[pin] for pin in board.pins_of.get(ref, ()) if pin in board.net_of}
            on &= set(board.rails)
            if self.kinds[ref].category == "regulator":
                leave = regulator_pins(board, ref)[1]
                out = board.net_of.get(leave) if leave is not None else None
                on = {out} if out in board.rails and out is not None else on
            homes = [name for name, (rails, _) in found.items() if rails & on] or [SUPPLY]
            for name in homes:
                found[name][1].add(ref)
        found[SUPPLY][1].update(ref for ref in board.inlets if ref in self.of)
        return found

    def _drinkers(self, net: str) -> int:
        return sum(
            self.board.kind_pin(pin).direction == "P" and self.kinds[pin.ref].category != "regulator"
            for pin in self.board.nets.get(net, ()) if pin.ref in self.kinds
        )  # fmt: skip

    def _feeds(self) -> dict[str, set[str]]:
        """Each rail with the rails it is made from, by regulators."""
        found: defaultdict[str, set[str]] = defaultdict(set)
        for ref in self._refs(SUPPLY):
            if self.kinds[ref].category == "regulator":
                enter, leave = regulator_pins(self.board, ref)
                source = self.board.net_of.get(enter) if enter is not None else None
                out = self.board.net_of.get(leave) if leave is not None else None
                if source in self.board.rails and out in self.board.rails and source is not None:
                    found[str(out)].add(source)
        return found

    # -- putting together --------------------------------------------------------------------------

    def _made(self) -> dict[str, Block]:
        supplies = self._supply_of()
        feeds = self._feeds()
        at_rail = {net: name for name, (rails, _) in supplies.items() for net in rails}
        refs: defaultdict[str, list[str]] = defaultdict(list)
        for ref, names in self.of.items():
            for name in names - {SUPPLY}:
                refs[name].append(ref)
        present = set(refs)
        made: dict[str, Block] = {}
        for name, members in sorted(refs.items()):
            rails = self._rails_of(members)
            other = [block for block in NEEDS_BLOCKS.get(name, ()) if block in present]
            fed = list(dict.fromkeys(at_rail[net] for net in rails))
            made[name] = Block(name, (*members, *rails, *other, *fed), _shown(name))
        for name, (rails_of, members_of) in supplies.items():
            above = {source for net in rails_of for source in feeds.get(net, ())} - rails_of
            others = [at_rail[net] for net in sorted(above) if at_rail[net] != name]
            made[name] = Block(
                name, (*sorted(members_of), *sorted(rails_of), *dict.fromkeys(others)), _shown(name)
            )
        return made

    def _rails_of(self, members: Iterable[str]) -> list[str]:
        """Rails that feed the chips of a block; a pull-up alone does not make a block need a rail."""
        found: dict[str, None] = {}
        for ref in members:
            passive = self.kinds[ref].category in _PASSIVE and self.kinds[ref].category not in (
                "transistor", "mosfet", "connector",
            )  # fmt: skip
            for pin in self.board.pins_of.get(ref, ()):
                net = self.board.net_of.get(pin)
                if net in self.board.rails and net is not None and not passive:
                    found[net] = None
        return list(found)


def _shown(name: str) -> tuple[str, ...]:
    causes = [(symptom.causes.get(name, 0.0), phrase) for phrase, symptom in symptoms().items()]
    return tuple(phrase for chance, phrase in sorted(causes, key=lambda item: -item[0]) if chance >= _LIKELY)
