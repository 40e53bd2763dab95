"""A make-believe unit of a board, with faults, that answers checks as a bench would.

It is kept apart from the finder on purpose: it solves the whole network afresh with every pin, joint and
stretch of track as a resistor of its own, draws its own chips, tracks, meter and eyes, and knows nothing of
priors, edits or beliefs. What its chips look like to a meter differs from the finder's tables by
a factor that is drawn anew for each board, family and part.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import minimum_spanning_tree
from scipy.sparse.linalg import splu
from scipy.spatial.distance import cdist

from ..board import Board, Pin
from ..board.neighbours import neighbours
from ..circuit.elements import elements, supply_pins
from ..faults.universe import PASSIVE

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Harm:
    """What is wrong with a unit: one fault as the world knows it.

    Attributes
    ----------
    kind : str
        ``bridge``, ``joint``, ``track``, ``contact``, ``short``, ``leak``, ``part open``, ``drift``,
        ``pin low``, ``pin high``, ``supply short``, ``regulator`` or ``dead``.
    parts, pins, nets : tuples
        Where.
    ohms : float
        Of a short, bridge or leak; factor of a drift.
    seen : Mapping of str to str
        What a look at each part shows.
    cut : frozenset of Pin
        For an open: the pins that come off.
    """

    kind: str
    parts: tuple[str, ...] = ()
    pins: tuple[Pin, ...] = ()
    nets: tuple[str, ...] = ()
    ohms: float = 0.0
    seen: Mapping[str, str] = field(default_factory=dict)
    cut: frozenset[Pin] = frozenset()


_SAID: Mapping[str, Sequence[str]] = {
    "cpu": ("black screen", "white screen", "hangs"), "rom": ("black screen", "hangs"),
    "eprom": ("black screen", "hangs"), "dynamic_ram": ("garbage on the screen", "black screen"),
    "static_ram": ("garbage on the screen", "hangs"),
    "logic": ("black screen", "garbage on the screen", "hangs"),
    "video": ("no picture", "unstable picture", "garbage on the screen"), "sound": ("no sound",),
    "line_driver": ("serial does not work",), "line_receiver": ("serial does not work",),
    "opamp": ("tape does not load", "no sound"), "support": ("black screen", "no keys", "some keys dead"),
    "transistor": ("no picture", "tape does not load"), "modulator": ("no picture",),
}  # fmt: skip
"""What owners say when something near a part of a kind is wrong (own)."""


class VirtualUnit:
    """One unit of a board.

    Parameters
    ----------
    board : Board
    harms : sequence of Harm
    rng : numpy Generator
        All draws come from it.
    """

    def __init__(self, board: Board, harms: Sequence[Harm], rng: np.random.Generator) -> None:
        self.board = board
        self.harms = tuple(harms)
        self.rng = rng
        self.lead = float(rng.uniform(0.1, 0.3))
        self.gain = float(rng.normal(1.0, 0.004))
        self._pins = [pin for pins in board.pins_of.values() for pin in pins]
        self._index = {pin: index for index, pin in enumerate(self._pins)}
        self._family: dict[str, float] = {}
        whole = rng.normal(0.0, 0.8)
        for ref in board.parts:
            family = board.kind_of(ref).family
            self._family.setdefault(family, float(whole + rng.normal(0.0, 0.6)))
        part_draw = {ref: rng.normal(0.0, 0.2) for ref in board.parts}
        self._links: list[tuple[int, int, float, str]] = []
        for element in elements(board):
            if element.soft:
                family = board.kind_of(element.part).family
                ohms = element.ohms * math.exp(
                    self._family[family] + part_draw[element.part] + rng.normal(0.0, 0.15)
                )
            else:
                ohms = element.ohms * math.exp(rng.normal(0.0, min(element.spread, 0.5)))
            self._links.append((self._index[element.a], self._index[element.b], ohms, element.part))
        self.trees = {net: route(board, net, rng) for net, pins in board.nets.items() if len(pins) > 1}
        self._seen: dict[str, str] = {}
        for harm in self.harms:
            self._seen.update(harm.seen)
        self._odd_looks: dict[str, str] = {}
        self._solved: dict[frozenset[str], tuple[object, NDArray[np.int64]]] = {}

    # -- the network ------------------------------------------------------------------------------------

    def _network(self, removed: frozenset[str]) -> object:
        known = self._solved.get(removed)
        if known is not None:
            return known[0]
        n = len(self._pins)
        links: list[tuple[int, int, float]] = []
        for net, tree in self.trees.items():
            for harm in self.harms:
                if harm.cut and self._on(harm.cut, net):
                    tree = self._parted(tree, harm, removed)
            links.extend(tree)
        for a, b, ohms, ref in self._links:
            if ref in removed:
                continue
            changed = self._changed(a, b, ohms, ref)
            if changed is not None:
                links.append((a, b, changed))
        for harm in self.harms:
            if (
                harm.kind in ("bridge", "short", "leak", "pin low", "pin high", "supply short")
                and len(harm.pins) == 2
            ):
                if harm.kind != "bridge" and harm.parts and harm.parts[0] in removed:
                    continue
                links.append((self._index[harm.pins[0]], self._index[harm.pins[1]], harm.ohms))
        ends_a = np.array([link[0] for link in links])
        ends_b = np.array([link[1] for link in links])
        g = 1.0 / np.array([link[2] for link in links])
        size = n + 1
        matrix = sparse.coo_matrix(
            (
                np.concatenate([g, g, -g, -g, np.full(n, 2e-10)]),
                (
                    np.concatenate([ends_a, ends_b, ends_a, ends_b, np.arange(n)]),
                    np.concatenate([ends_a, ends_b, ends_b, ends_a, np.arange(n)]),
                ),
            ),
            shape=(size, size),
        ).tolil()
        matrix[n, n] = 1.0
        factor = splu(matrix.tocsc())
        self._solved[removed] = (factor, np.zeros(0, dtype=np.int64))
        return factor

    def _parted(
        self, tree: list[tuple[int, int, float]], harm: Harm, removed: frozenset[str]
    ) -> list[tuple[int, int, float]]:
        """A net's links with one open in it: a broken track, or a leg off its pad (which still conducts)."""
        side = {self._index[pin] for pin in harm.cut}
        if harm.kind == "track":
            return [link for link in tree if (link[0] in side) == (link[1] in side)]
        if harm.kind == "contact" and harm.parts[0] in removed:
            return tree
        (leg,) = side
        kept = [link for link in tree if leg not in link[:2]]
        around = [(link[0] if link[1] == leg else link[1], link[2]) for link in tree if leg in link[:2]]
        for (a, ohms_a), (b, ohms_b) in pairwise(around):
            kept.append((a, b, ohms_a + ohms_b))
        if harm.ohms > 0:
            kept.append((leg, around[0][0], harm.ohms))
        return kept

    def _on(self, side: Collection[Pin], net: str) -> bool:
        return any(self.board.net_of.get(pin) == net for pin in side)

    def _changed(self, a: int, b: int, ohms: float, ref: str) -> float | None:
        ends = {self._pins[a], self._pins[b]}
        for harm in self.harms:
            if harm.parts[:1] != (ref,) or set(harm.pins) != ends:
                continue
            if harm.kind == "part open":
                return None
            if harm.kind == "drift":
                return ohms * harm.ohms
        return ohms

    def _node(self, text: str, removed: frozenset[str]) -> int:
        pin, net = self.board.point(text)
        if pin is not None:
            return self._index[pin]
        # A probe "on the net" lands on the pin its person finds first: a big chip's, still on the board.
        pins = [p for p in self.board.nets[net or ""] if p.ref not in removed] or list(
            self.board.nets[net or ""]
        )
        return self._index[max(pins, key=lambda p: len(self.board.pins_of[p.ref]))]

    # -- what its owner says --------------------------------------------------------------------------

    def symptom(self) -> str:
        """What the owner says is wrong: vague, and one time in seven about something else."""
        if not self.harms or self.rng.random() < 0.15:
            return str(
                self.rng.choice(["black screen", "no picture", "garbage on the screen", "dead", "no sound"])
            )
        harm = self.harms[0]
        rails = [net for net in harm.nets if net in self.board.rails]
        if rails and (
            harm.kind in ("regulator", "supply short", "short", "leak") or self.board.ground in harm.nets
        ):
            if abs(self.board.rails[rails[0]].nominal - 5.0) < 0.5:
                return str(self.rng.choice(["dead", "no picture", "black screen"]))
            return str(
                self.rng.choice(["no sound", "serial does not work", "black screen", "garbage on the screen"])
            )
        near = [*harm.parts]
        for net in harm.nets:
            if net != self.board.ground and net not in self.board.rails:
                near += [pin.ref for pin in self.board.nets.get(net, ())]
        said = [_SAID[c] for ref in near if (c := self.board.kind_of(ref).category) in _SAID]
        if not said:
            return str(
                self.rng.choice(["black screen", "no sound", "no picture", "tape does not load", "hangs"])
            )
        return str(self.rng.choice(said[int(self.rng.integers(len(said)))]))

    # -- answers ----------------------------------------------------------------------------------------

    def answer(
        self, quantity: str, a: str, b: str = "", power: bool = False, removed: Iterable[str] = ()
    ) -> float | str:
        """What the bench shows for one check."""
        out = frozenset(removed)
        if quantity in ("resistance", "continuity"):
            return self.resistance(a, b or self.board.ground, out)
        if quantity == "look":
            return self.look(a)
        if quantity == "voltage":
            return self.voltage(a, b or self.board.ground, out)
        if quantity == "logic":
            return self.logic(a)
        raise ValueError(f"this unit cannot answer {quantity!r}")

    def resistance(self, a: str, b: str, removed: frozenset[str] = frozenset()) -> float:
        """The meter's display between two points, ohms; infinity for OL."""
        i, j = self._node(a, removed), self._node(b, removed)
        unit = np.zeros(len(self._pins) + 1)
        unit[i] += 1.0
        unit[j] -= 1.0
        v = self._network(removed).solve(unit)  # type: ignore[attr-defined]
        ohms = float(v[i] - v[j]) * self.gain + self.lead + abs(float(self.rng.normal(0.0, 0.05)))
        if ohms > 2.0e7:
            return math.inf
        # A 2000-count display: tenths below 200 ohms, then four figures at most.
        digits = 1 - max(0, math.ceil(math.log10(max(ohms, 1e-3) / 200.0)))
        return max(round(ohms, digits), 0.0)

    def look(self, text: str) -> str:
        """What the eye sees at a part."""
        ref = text.partition(".")[0]
        if ref not in self._odd_looks:
            odd = "nothing"
            if self.rng.random() < 0.025:
                odd = str(self.rng.choice(["debris", "corroded", "cracked"]))
            self._odd_looks[ref] = odd
        return self._seen.get(ref, self._odd_looks[ref])

    def _rail_ohms(self, net: str) -> float:
        return self.resistance(net, self.board.ground)

    def voltage(self, a: str, b: str, removed: frozenset[str] = frozenset()) -> float:
        """The meter's display in volts, power on."""
        pin, net = self.board.point(a)
        noise = float(self.rng.normal(0.0, 0.01))
        if net is not None and net in self.board.rails:
            nominal = self.board.rails[net].nominal
            volts = nominal * float(self.rng.normal(1.0, 0.008))
            ohms = self._rail_ohms(net)
            if ohms < 15.0:
                volts *= ohms / 30.0
            for harm in self.harms:
                if harm.kind == "regulator" and net in harm.nets:
                    volts = 0.02
            if pin is not None and any(pin in harm.cut for harm in self.harms) and self._loose(pin):
                volts = 0.3 + abs(noise)
            return round(volts + noise, 2)
        state = self.logic(a)
        shown = {
            "low": 0.2,
            "high": 3.6,
            "toggling": float(self.rng.uniform(0.8, 3.2)),
            "floating": 1.3,
            "between": 1.2,
        }
        return round(abs(shown[state] + noise), 2)

    def _loose(self, pin: Pin) -> bool:
        return all(len(harm.cut) <= 4 for harm in self.harms if pin in harm.cut)

    def logic(self, text: str) -> str:
        """Logic activity at a point, power on."""
        pin, net = self.board.point(text)
        if net is None:
            return "floating"
        if net == self.board.ground:
            return "low"
        drivers = [
            p for p in self.board.nets[net]
            if p.ref in self.board.parts and self.board.kind_pin(p).direction in "OTBC"
        ]  # fmt: skip
        for harm in self.harms:
            if pin is not None and harm.cut and pin in harm.cut and not any(p in harm.cut for p in drivers):
                return "floating"
            if (
                harm.kind in ("bridge", "pin low", "pin high", "short")
                and net in harm.nets
                and harm.ohms < 60
            ):
                others = [n for n in harm.nets if n != net] or [self.board.ground]
                if harm.kind == "pin low" or self.board.ground in others:
                    return "low"
                if harm.kind == "pin high" or any(n in self.board.rails for n in others):
                    return "high"
                return str(self.rng.choice(["between", "toggling", "low"], p=[0.5, 0.3, 0.2]))
            if harm.kind == "dead" and any(p.ref in harm.parts for p in drivers):
                return str(self.rng.choice(["low", "high", "floating"]))
        if not drivers:
            return str(self.rng.choice(["high", "low", "toggling"], p=[0.5, 0.2, 0.3]))
        return str(self.rng.choice(["toggling", "high", "low"], p=[0.65, 0.2, 0.15]))


def route(board: Board, net: str, rng: np.random.Generator) -> list[tuple[int, int, float]]:
    """How this unit's board is routed: links between pin numbers with their ohms."""
    index = {pin: i for i, pin in enumerate(p for pins in board.pins_of.values() for p in pins)}
    return [(index[a], index[b], ohms) for a, b, ohms in _route(board, net, rng)]


def _route(board: Board, net: str, rng: np.random.Generator) -> list[tuple[Pin, Pin, float]]:
    pins = board.nets[net]
    pads = board.pads_of
    if all(pin in pads for pin in pins):
        at = np.array([pads[pin].at for pin in pins])
    else:
        at = np.stack([np.arange(len(pins)) * 10.0, np.zeros(len(pins))], axis=1)
    # A person's routing is close to the shortest tree, with detours: lengths are judged 30 % wrong.
    distance = cdist(at, at, "cityblock") + 0.5
    noise = np.exp(rng.normal(0.0, 0.3, distance.shape))
    judged = distance * np.sqrt(noise * noise.T)
    tree = minimum_spanning_tree(judged).tocoo()
    return [
        (pins[i], pins[j], 0.002 + 0.0015 * float(distance[i, j]) * float(np.exp(rng.normal(0.0, 0.3))))
        for i, j in zip(tree.row.tolist(), tree.col.tolist(), strict=True)
    ]


# -- drawing what is wrong ------------------------------------------------------------------------------

KINDS = (
    ("bridge", 0.20), ("joint", 0.09), ("track", 0.14), ("contact", 0.10), ("short", 0.15), ("leak", 0.02),
    ("part open", 0.06), ("drift", 0.03), ("pin low", 0.09), ("pin high", 0.04), ("supply short", 0.05),
    ("regulator", 0.03),
)  # fmt: skip


def draw_harm(
    board: Board, rng: np.random.Generator, kinds: Sequence[tuple[str, float]] = KINDS, eyes: float = 0.65
) -> Harm:
    """Draw one fault of a board.

    Parameters
    ----------
    kinds : sequence of (str, float)
        Kinds of harm and their weights.
    eyes : float
        Chance that it can be seen.
    """
    names = [name for name, _ in kinds]
    weights = np.array([weight for _, weight in kinds])
    while True:
        kind = str(rng.choice(names, p=weights / weights.sum()))
        harm = _DRAWS[kind](board, rng, eyes)
        if harm is not None:
            return harm


def _pick(rng: np.random.Generator, items: Sequence[object]) -> object:
    return items[int(rng.integers(len(items)))]


def _bridge(board: Board, rng: np.random.Generator, eyes: float) -> Harm | None:
    pairs = [p for p in neighbours(board) if p.a is not None and p.b is not None]
    if not pairs:
        return None
    weight = np.array([p.probability for p in pairs])
    weight = 0.5 * weight / weight.sum() + 0.5 / len(pairs)
    pair = pairs[int(rng.choice(len(pairs), p=weight / weight.sum()))]
    assert pair.a is not None
    assert pair.b is not None
    refs = tuple(dict.fromkeys((pair.a.ref, pair.b.ref)))
    seen = dict.fromkeys(refs, "debris") if rng.random() < eyes else {}
    ohms = float(np.exp(rng.uniform(math.log(0.02), math.log(5.0))))
    return Harm("bridge", refs, (pair.a, pair.b), (pair.net_a, pair.net_b), ohms, seen)


def _signal_pins(board: Board, rng: np.random.Generator, socketed: bool) -> Pin | None:
    pins = [
        pin for net, pins in board.nets.items() if len(pins) > 1 for pin in pins
        if pin.ref in board.parts and board.parts[pin.ref].socket == socketed
        and board.kind_of(pin.ref).category not in ("mechanical", "test_point")
    ]  # fmt: skip
    return _pick(rng, pins) if pins else None  # type: ignore[return-value]


def _joint(board: Board, rng: np.random.Generator, eyes: float) -> Harm | None:
    pin = _signal_pins(board, rng, False)
    if pin is None:
        return None
    seen = {pin.ref: "cracked"} if rng.random() < eyes else {}
    return Harm("joint", (pin.ref,), (pin,), (board.net_of[pin],), 0.0, seen, frozenset((pin,)))


def _contact(board: Board, rng: np.random.Generator, eyes: float) -> Harm | None:
    pin = _signal_pins(board, rng, True)
    if pin is None:
        return None
    seen = {pin.ref: "corroded"} if rng.random() < eyes else {}
    ohms = 0.0 if rng.random() < 0.75 else float(np.exp(rng.uniform(math.log(8.0), math.log(300.0))))
    return Harm("contact", (pin.ref,), (pin,), (board.net_of[pin],), ohms, seen, frozenset((pin,)))


def _track(board: Board, rng: np.random.Generator, eyes: float) -> Harm | None:
    nets = [n for n, pins in board.nets.items() if 2 <= len(pins) <= 40 and n != board.ground]
    if not nets:
        return None
    net = str(_pick(rng, nets))
    tree = _route(board, net, rng)
    lengths = np.array([ohms for _, _, ohms in tree])
    a, b, _ = tree[int(rng.choice(len(tree), p=lengths / lengths.sum()))]
    side = {b}
    grown = True
    while grown:
        grown = False
        for p, q, _ in tree:
            if {p, q} == {a, b}:
                continue
            if (p in side) != (q in side):
                side |= {p, q}
                grown = True
    refs = tuple(dict.fromkeys((a.ref, b.ref)))
    seen = dict.fromkeys(refs, "corroded") if rng.random() < eyes else {}
    return Harm("track", refs, (a, b), (net,), 0.0, seen, frozenset(side))


def _capacitors(board: Board, rng: np.random.Generator) -> str | None:
    refs, weights = [], []
    for ref, part in board.parts.items():
        pins = board.pins_of.get(ref, ())
        if (
            board.kind_of(ref).category == "capacitor"
            and len(pins) == 2
            and all(p in board.net_of for p in pins)
        ):
            refs.append(ref)
            weights.append({"tantalum": 5.0, "electrolytic": 4.0}.get(part.style, 1.0))
    if not refs:
        return None
    return refs[int(rng.choice(len(refs), p=np.array(weights) / sum(weights)))]


def _short(board: Board, rng: np.random.Generator, eyes: float) -> Harm | None:
    ref = _capacitors(board, rng)
    if ref is None:
        return None
    pins = board.pins_of[ref]
    word = (
        "burnt"
        if board.parts[ref].style == "tantalum"
        else "leaked"
        if board.parts[ref].style == "electrolytic"
        else "cracked"
    )
    seen = {ref: word} if rng.random() < eyes * 0.7 else {}
    ohms = float(np.exp(rng.uniform(math.log(0.2), math.log(15.0))))
    return Harm("short", (ref,), (pins[0], pins[1]), tuple(board.net_of[p] for p in pins), ohms, seen)


def _leak(board: Board, rng: np.random.Generator, eyes: float) -> Harm | None:
    harm = _short(board, rng, eyes)
    if harm is None:
        return None
    return Harm(
        "leak",
        harm.parts,
        harm.pins,
        harm.nets,
        float(np.exp(rng.uniform(math.log(40), math.log(2e3)))),
        harm.seen,
    )


def _element(
    board: Board, rng: np.random.Generator, categories: Collection[str]
) -> tuple[str, Pin, Pin] | None:
    found = [
        e for e in elements(board) if e.part in board.parts and board.kind_of(e.part).category in categories
    ]
    found = [e for e in found if e.a in board.net_of and e.b in board.net_of]
    if not found:
        return None
    element = found[int(rng.integers(len(found)))]
    return element.part, element.a, element.b


def _part_open(board: Board, rng: np.random.Generator, eyes: float) -> Harm | None:
    hit = _element(board, rng, ("resistor", "fuse", "inductor", "ferrite", "resistor_network"))
    if hit is None:
        return None
    ref, a, b = hit
    seen = {ref: "burnt"} if rng.random() < eyes * 0.5 else {}
    return Harm("part open", (ref,), (a, b), (board.net_of[a], board.net_of[b]), math.inf, seen)


def _drift(board: Board, rng: np.random.Generator, eyes: float) -> Harm | None:
    hit = _element(board, rng, ("resistor",))
    if hit is None:
        return None
    ref, a, b = hit
    factor = float(rng.uniform(1.6, 4.0))
    return Harm("drift", (ref,), (a, b), (board.net_of[a], board.net_of[b]), factor, {})


def _chip_pin(board: Board, rng: np.random.Generator, eyes: float, *, to: str) -> Harm | None:
    chips = [
        ref
        for ref in board.parts
        if board.kind_of(ref).category not in PASSIVE and all(supply_pins(board, ref))
    ]
    if not chips:
        return None
    ref = str(_pick(rng, chips))
    grounds, supplies = supply_pins(board, ref)
    power = {*grounds, *supplies}
    pins = [
        p for p in board.pins_of[ref]
        if p in board.net_of and p not in power and board.kind_pin(p).direction != "N"
        and board.net_of[p] not in board.rails and board.net_of[p] != board.ground
    ]  # fmt: skip
    ohms = float(np.exp(rng.uniform(math.log(3.0), math.log(120.0))))
    if to == "supply short":
        pin = supplies[0]
        ohms = float(np.exp(rng.uniform(math.log(0.5), math.log(20.0))))
    elif pins:
        pin = _pick(rng, pins)  # type: ignore[assignment]
    else:
        return None
    other = supplies[0] if to == "pin high" else grounds[0]
    if pin not in board.net_of or other not in board.net_of or board.net_of[pin] == board.net_of[other]:
        return None
    seen = {ref: "burnt"} if rng.random() < 0.1 else {}
    return Harm(to, (ref,), (pin, other), (board.net_of[pin], board.net_of[other]), ohms, seen)


def _regulator(board: Board, rng: np.random.Generator, eyes: float) -> Harm | None:
    fed = [(rail.net, rail.source.partition(".")[0]) for rail in board.rails.values() if rail.source]
    fed = [
        (net, ref) for net, ref in fed if ref in board.parts and board.kind_of(ref).category == "regulator"
    ]
    if not fed:
        return None
    net, ref = fed[int(rng.integers(len(fed)))]
    return Harm("regulator", (ref,), (), (net,), 0.0, {ref: "burnt"} if rng.random() < 0.15 else {})


_DRAWS: dict[str, Callable[[Board, np.random.Generator, float], Harm | None]] = {
    "bridge": _bridge, "joint": _joint, "contact": _contact, "track": _track, "short": _short, "leak": _leak,
    "part open": _part_open, "drift": _drift, "regulator": _regulator,
    "pin low": partial(_chip_pin, to="pin low"), "pin high": partial(_chip_pin, to="pin high"),
    "supply short": partial(_chip_pin, to="supply short"),
}  # fmt: skip
