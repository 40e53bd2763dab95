"""Every single fault of a board that is worth considering, with its rate."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import replace
from functools import lru_cache
from importlib.resources import files
from typing import Any

from ..board import Board, Kind, Part, Pin
from ..board.neighbours import Neighbour, neighbours
from ..circuit import Edit
from ..circuit.elements import part_elements, supply_pins
from .fault import Fault
from .routes import Break, breaks, distance_to_stretch, smaller_side

PASSIVE = frozenset(
    [
        "resistor",
        "resistor_network",
        "potentiometer",
        "thermistor",
        "capacitor",
        "trimmer_capacitor",
        "inductor",
        "ferrite",
        "transformer",
        "fuse",
        "switch",
        "relay",
        "connector",
        "membrane",
        "battery",
        "speaker",
        "modulator",
        "jumper",
        "test_point",
        "mechanical",
        "crystal",
        "oscillator",
        "diode",
        "zener",
        "led",
        "bridge_rectifier",
        "transistor",
        "mosfet",
        "regulator",
    ]
)
"""Categories whose failures are not those of a chip."""


@lru_cache(maxsize=8)
def table(name: str) -> dict[str, Any]:
    """One of this room's data tables, such as ``modes``."""
    return tomllib.loads(files(__package__).joinpath(f"{name}.toml").read_text(encoding="utf-8"))


def universe(board: Board, history: Mapping[tuple[str, str], float] | None = None) -> tuple[Fault, ...]:
    """List every single fault worth considering.

    Parameters
    ----------
    board : Board
    history : Mapping of (kind, mode) to float, optional
        The bench's own experience: factors on the published rates, by `rate_key`.

    Returns
    -------
    tuple of Fault
        Parts' own failures, open joints and contacts, broken tracks, bridges between neighbours.
    """
    found = _as_published(_This(board))
    # Weighed last: what a bench learnt of parts says nothing of bridges.
    return tuple(_weighed(board, fault, history) for fault in found) if history else found


class _This:
    """A board as this very object; boards do not change, but have no hash of their own."""

    def __init__(self, board: Board) -> None:
        self.board = board

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _This) and self.board is other.board

    def __hash__(self) -> int:
        return id(self.board)


@lru_cache(maxsize=4)  # learnt rates and the finder ask for the same board's in turn
def _as_published(this: _This) -> tuple[Fault, ...]:
    board = this.board
    found = [*_part_faults(board), *_opens(board)]
    total = sum(fault.rate for fault in found) or 1.0
    return (*found, *_bridges(board, total))


def rate_key(board: Board, fault: Fault) -> tuple[str, str]:
    """What a fault is counted under in a bench's own history: kind of part, and mode.

    The kind is empty for bridges, which belong to no part.
    """
    if fault.place[0] == "bridge" or not fault.parts or fault.parts[0] not in board.parts:
        return "", fault.mode
    return board.parts[fault.parts[0]].kind, fault.mode


def _weighed(board: Board, fault: Fault, history: Mapping[tuple[str, str], float]) -> Fault:
    factor = history.get(rate_key(board, fault), 1.0)
    return fault if factor == 1.0 else replace(fault, rate=fault.rate * factor)


# -- failures of parts -------------------------------------------------------------------------


def part_rate(part: Part, kind: Kind) -> float:
    """Failures per million hours of one part on an old board; 0 for what does not fail."""
    rates = table("rates")
    if kind.category in ("capacitor", "trimmer_capacitor"):
        row = rates["style"].get(part.style) or rates["style"]["ceramic"]
    else:
        row = rates["category"].get(kind.category)
        if row is None:
            return 0.0
    return float(row["rate"] * row["age"])


def _modes_of(part: Part, kind: Kind) -> list[dict[str, Any]]:
    chip = kind.category not in PASSIVE
    found = []
    for mode in table("modes")["mode"]:
        named = kind.category in mode["categories"]
        if not (named or (chip and "*chip" in mode["categories"])):
            continue
        styles = mode.get("styles")
        if styles is not None and (part.style or "") not in styles:
            continue
        found.append(mode)
    return found


def _part_faults(board: Board) -> Iterator[Fault]:
    for ref, part in board.parts.items():
        kind = board.kind_of(ref)
        rate = part_rate(part, kind)
        if rate <= 0.0 or ref not in board.pins_of:
            continue
        modes = _modes_of(part, kind)
        whole = sum(mode["share"] for mode in modes) or 1.0
        for mode in modes:
            yield from _one_mode(board, ref, part, kind, mode, rate * mode["share"] / whole)


def _one_mode(
    board: Board, ref: str, part: Part, kind: Kind, mode: Mapping[str, Any], rate: float
) -> Iterator[Fault]:
    where = mode["where"]
    spots = list(_spots(board, ref, part, kind, mode))
    for edit, pins in spots:
        nets = tuple(dict.fromkeys(board.net_of[pin] for pin in pins if pin in board.net_of))
        if where != "part" and not nets:
            continue
        first = pins[0] if pins else None
        yield Fault(
            mode=mode["name"],
            place=("part", ref),
            rate=rate / len(spots),
            edit=edit,
            parts=(ref,),
            pins=pins,
            nets=nets,
            looks={ref: mode.get("looks", {})},
            heat={ref: mode["heat"]} if "heat" in mode else {},
            acts=mode.get("acts", "none"),
            text=mode["text"].format(
                ref=ref,
                value=part.value or kind.title or kind.name,
                pin=first.number if first else "",
                function=board.kind_pin(first).name if first else "",
                net=nets[0] if nets else "no net",
            ),
            remedy="replace",
        )


def _spots(
    board: Board, ref: str, part: Part, kind: Kind, mode: Mapping[str, Any]
) -> Iterator[tuple[Edit, tuple[Pin, ...]]]:
    where = mode["where"]
    ohms, spread = float(mode.get("ohms", 0.0)), float(mode.get("spread", 0.0))
    pins = board.pins_of[ref]
    if where == "part":
        yield Edit(part=ref), ()
    elif where == "across":
        if len(pins) >= 2:
            yield Edit("add", pins[0], pins[1], ohms, spread, part=ref), (pins[0], pins[1])
    elif where in ("element", "factor"):
        for element in part_elements(board, ref, part):
            target = element.ohms * ohms if where == "factor" else ohms
            yield Edit("change", element.a, element.b, target, spread, part=ref), (element.a, element.b)
    elif where in ("pin-ground", "pin-supply"):
        grounds, supplies = supply_pins(board, ref)
        anchors = grounds if where == "pin-ground" else supplies
        if anchors:
            power = {*grounds, *supplies}
            for pin in pins:
                net = board.net_of.get(pin)
                if pin in power or net is None or net == board.ground or net in board.rails:
                    continue
                if board.kind_pin(pin).direction == "N":
                    continue
                yield Edit("add", pin, anchors[0], ohms, spread, part=ref), (pin,)
    elif where == "supply":
        grounds, supplies = supply_pins(board, ref)
        if not grounds and board.nets.get(board.ground):
            grounds = [board.nets[board.ground][0]]
        for pin in supplies:
            net = board.net_of.get(pin)
            if grounds and net is not None and net != board.net_of.get(grounds[0]):
                yield Edit("add", pin, grounds[0], ohms, spread, part=ref), (pin, grounds[0])
    elif where == "through":
        _, supplies = supply_pins(board, ref)
        if len(supplies) >= 2:
            yield Edit("add", supplies[0], supplies[1], ohms, spread, part=ref), (supplies[0], supplies[1])


# -- opens ----------------------------------------------------------------------------------------


def _opens(board: Board) -> Iterator[Fault]:
    places = table("places")
    leakers = _leakers(board)
    copper = _between_pins(board)
    for net, pins in board.nets.items():
        if len(pins) < 2:
            continue
        for pin in pins:
            yield from _joint(board, net, pins, pin)
        if net == board.ground:
            continue
        rail_factor = 0.3 if net in board.rails else 1.0
        for gap in breaks(board, net):
            yield _track(board, net, pins, gap, places["track"], leakers, copper.get(net, []), rail_factor)


def _open_place(net: str, side: frozenset[Pin]) -> tuple[str, ...]:
    return ("open", net, *sorted(map(str, side)))


def _nearest_other(board: Board, pins: tuple[Pin, ...], pin: Pin) -> Pin:
    others = [other for other in pins if other != pin]
    here = board.pads_of.get(pin)
    if here is None:
        return others[0]

    def far(other: Pin) -> float:
        pad = board.pads_of.get(other)
        return math.inf if pad is None else abs(pad.at[0] - here.at[0]) + abs(pad.at[1] - here.at[1])

    return min(others, key=far)


def _joint(board: Board, net: str, pins: tuple[Pin, ...], pin: Pin) -> Iterator[Fault]:
    places = table("places")
    part = board.parts.get(pin.ref)
    kind = board.kind_of(pin.ref) if part is not None else None
    if kind is not None and kind.category in ("mechanical", "test_point"):
        return
    other = _nearest_other(board, pins, pin)
    ends = f"{_named(board, pin)} and {_named(board, other)}"
    connector = kind is not None and kind.category in ("connector", "membrane")
    row = places["connector" if connector else "joint"]
    what = "the connector contact or its joint" if connector else "the solder joint"
    bare = Fault(
        mode="open",
        place=_open_place(net, smaller_side((pin,), pins)),
        rate=row["rate"] * row["age"],
        edit=Edit("split", pins=frozenset((pin,))),
        parts=(pin.ref,),
        pins=(pin, other),
        nets=(net,),
        looks={pin.ref: row["looks"]},
        acts="float",
        text=f"{net} is open between {ends}: {what} of {pin}",
        remedy="reflow",
    )
    yield bare
    if part is not None and part.socket:
        row = places["contact"]
        rate = row["rate"] * row["age"]
        yield replace(
            bare,
            rate=rate * row["open_share"],
            looks={pin.ref: row["looks"]},
            text=f"{net} is open between {ends}: the socket contact of {pin}",
            remedy="reseat",
        )
        yield replace(
            bare,
            mode="poor contact",
            rate=rate * row["poor_share"],
            edit=Edit("split", pins=bare.edit.pins, ohms=row["poor_ohms"], spread=row["poor_spread"]),
            looks={pin.ref: row["looks"]},
            text=f"{net} has a poor contact in the socket at {_named(board, pin)}",
            remedy="reseat",
        )


def _track(
    board: Board, net: str, pins: tuple[Pin, ...], gap: Break, row: Mapping[str, Any],
    leakers: list[tuple[str, tuple[float, float]]], copper: list[tuple[float, float]], factor: float,
) -> Fault:  # fmt: skip
    length = gap.length if gap.length > 0 else 40.0
    rate = row["rate"] * row["age"] * (0.3 + length / 100.0) * gap.weight * factor
    looks: dict[str, Mapping[str, float]] = {gap.near.ref: row["looks"], gap.far.ref: row["looks"]}
    spoiler = ""
    near_pad, far_pad = board.pads_of.get(gap.near), board.pads_of.get(gap.far)
    if near_pad is not None and far_pad is not None:
        beside = False
        for ref, at in leakers:
            # Copper of the net that is known to lie beside the leaker counts for more than a stretch that
            # may or may not pass by.
            if any(
                math.dist(at, place) <= row["leaker_reach"]
                and distance_to_stretch(place, near_pad.at, far_pad.at) <= row["leaker_reach"]
                for place in copper
            ):
                looks[ref] = {"leaked": 0.5, "corroded": 0.2}
                spoiler, beside = (spoiler if beside else "") or ref, True
            elif distance_to_stretch(at, near_pad.at, far_pad.at) <= row["leaker_reach"]:
                looks[ref] = {"leaked": 0.12, "corroded": 0.05}
                spoiler = spoiler or ref
        if spoiler:
            rate *= row["near_leaker"] if beside else row["past_leaker"]
    parts = tuple(dict.fromkeys((gap.near.ref, gap.far.ref)))
    text = f"{net} is open between {_named(board, gap.near)} and {_named(board, gap.far)}: the track or a via"
    if spoiler:
        text += f" ({spoiler} is near and may have leaked on it)"
    return Fault(
        mode="open", place=_open_place(net, gap.side), rate=rate, edit=Edit("split", pins=gap.side),
        parts=parts, pins=(gap.near, gap.far), nets=(net,), looks=looks, acts="float", text=text,
        remedy="wire",
    )  # fmt: skip


def _between_pins(board: Board) -> dict[str, list[tuple[float, float]]]:
    """Places of each net's copper apart from its pins: vias, and the corners of its tracks."""
    found: dict[str, list[tuple[float, float]]] = {}
    for pad in board.pads:
        if pad.pin is None and pad.net is not None:
            found.setdefault(pad.net, []).append(pad.at)
    for track in board.tracks:
        found.setdefault(track.net, []).extend(track.points)
    return found


def _leakers(board: Board) -> list[tuple[str, tuple[float, float]]]:
    """Parts that can leak on the copper near them, with their places."""
    found = []
    for ref, part in board.parts.items():
        kind = board.kind_of(ref)
        if part.style != "electrolytic" and kind.category != "battery":
            continue
        at = part.at
        pads = [board.pads_of[pin].at for pin in board.pins_of.get(ref, ()) if pin in board.pads_of]
        if at is None and pads:
            at = (sum(x for x, _ in pads) / len(pads), sum(y for _, y in pads) / len(pads))
        if at is not None:
            found.append((ref, at))
    return found


def _named(board: Board, pin: Pin) -> str:
    return f"{pin.ref} pin {pin.number}"


# -- bridges ------------------------------------------------------------------------------------


def _bridges(board: Board, rest: float) -> Iterator[Fault]:
    row = table("places")["bridge"]
    found = neighbours(board)
    whole = sum(pair.probability for pair in found)
    if whole <= 0.0:
        return
    scale = rest * row["share"] / (1.0 - row["share"]) / whole
    for pair in found:
        yield from _bridge(board, pair, pair.probability * scale, row)


def _bridge(board: Board, pair: Neighbour, rate: float, row: Mapping[str, Any]) -> Iterator[Fault]:
    pins = tuple(pin for pin in (pair.a, pair.b) if pin is not None)
    refs = tuple(dict.fromkeys(pin.ref for pin in pins))
    real = tuple(net for net in (pair.net_a, pair.net_b) if net in board.nets)
    spot = " and ".join(_named(board, pin) for pin in pins) if pins else "where their tracks run close"
    place = ("bridge", *sorted((pair.net_a, pair.net_b)))
    names = f"{pair.net_a} and {pair.net_b}"
    for mode, share, ohms, spread, looks in (
        ("bridge", 1.0 - row["leaky_share"], row["ohms"], row["spread"], row["looks"]),
        ("leakage", row["leaky_share"], row["leaky_ohms"], row["leaky_spread"], row["leaky_looks"]),
    ):
        joined = "bridged" if mode == "bridge" else "joined by dirt or corrosion"
        yield Fault(
            mode=mode, place=place, rate=rate * share,
            edit=Edit("add", pair.a, pair.b, ohms, spread, net_a=pair.net_a, net_b=pair.net_b),
            parts=refs, pins=pins, nets=real, looks=dict.fromkeys(refs, looks), acts="fight",
            text=f"{names} are {joined} at {spot}", remedy="clear",
        )  # fmt: skip
