"""What a netlist does not say and the parts and names give away: ground, rails, inlets, sockets.

Everything inferred is a remark in the report, to be checked and, if wrong, corrected in an overlay.
"""

from __future__ import annotations

import re
from collections import Counter, deque
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace

from .model import Board, Pin, Rail
from .report import ImportReport

_GROUND_NAME = re.compile(
    r"(?:[ADPS]?GND[ADPS]?\d*|GND[_-]?\w*|[ADP]?GROUND|VSS\w?|0V0?|0VDC|EARTH|CHASSIS|MASSE)", re.IGNORECASE
)
_PLAIN_GROUND = re.compile(r"(?:GND|GROUND|VSS|0V)", re.IGNORECASE)

# +5V, 5V, -12V, 12V0, 3V3, +5V_A, 5VA, +5VDC, P5V, N12V, VCC5, V5, +5, -12
_VOLTS_NAME = re.compile(
    r"(?P<sign>[+-]|P(?=\d)|[NM](?=\d))?(?P<whole>\d{1,2})(?:[.,](?P<part>\d{1,2}))?V(?P<after>\d{1,2})?"
    r"(?:DC)?(?:[_\-\s]?[A-Z]\w*|[_\-]\w+)?",
    re.IGNORECASE,
)
_SIGNED_NAME = re.compile(r"(?P<sign>[+-])(?P<whole>\d{1,2})(?:[.,](?P<part>\d{1,2}))?")
_VCC_NAME = re.compile(
    r"V(?:CC|DD|BAT)?(?P<sign>[+-])?(?P<whole>\d{1,2})(?:V(?P<after>\d{1,2})?)?", re.IGNORECASE
)
_LOGIC_NAME = re.compile(r"(?:VCC|VDD)(?:[_\-]\w+|[A-Z])?", re.IGNORECASE)
_RAW_NAME = re.compile(r"(?:V?UNREG\w*|V?RAW\w*|VIN\d?|V_IN|DC_?IN|VDC|V\+|\+V)", re.IGNORECASE)

_WEAK = frozenset((
    "opamp", "comparator", "line_driver", "line_receiver", "timer", "driver_array", "converter",
))  # fmt: skip
"""Parts that run from many voltages: what their kind says is typical only."""

_SERIES = frozenset((
    "fuse", "switch", "jumper", "inductor", "ferrite", "diode", "bridge_rectifier", "transformer",
    "thermistor",
))  # fmt: skip
"""Parts that pass supply current on its way from the inlet to a rail."""

_POWER_WORDS = re.compile(r"pow|pwr|dc|jack|barrel|supply|psu|mains|inlet|molex|batt", re.IGNORECASE)
_OUT_NAMES = ("OUT", "VOUT", "VO", "OUTPUT")
_IN_NAMES = ("IN", "VIN", "VI", "INPUT")

HEADROOM = 4.0
"""Volts a linear regulator is usually given above its output (common practice, no source)."""
DROPOUT = 2.0
"""Volts it needs at least (common practice, no source; data sheets of 78xx give about 2 V)."""
MOST_IN = 35.0
"""Volts it stands at most (from memory of 78xx data sheets)."""


def infer(board: Board, report: ImportReport) -> Board:
    """Fill in ground, rails, supply inlets and sockets where the board does not have them.

    Parameters
    ----------
    board : Board
        With kinds given to its parts. Rails, inlets and sockets it has already are kept, and a ground
        other than the usual ``GND`` if it is a net.
    report : ImportReport
        Gets one remark for each thing inferred.

    Returns
    -------
    Board
    """
    ground = _ground(board, report)
    board = board.with_(ground=ground)
    rails = _rails(board, report)
    board = board.with_(rails=rails)
    board, inlets = _inlets(board, report)
    board = board.with_(inlets=inlets)
    return _sockets(board, report)


def volts_of_name(net: str) -> float | None:
    """Read the voltage a net's name gives (``+5V``, ``12V0``, ``N12V``, ``VCC3V3``), or None.

    A name without a sign counts as positive.
    """
    name = _bare(net)
    for pattern in (_VOLTS_NAME, _SIGNED_NAME, _VCC_NAME):
        match = pattern.fullmatch(name)
        if match is None:
            continue
        found = match.groupdict()
        part = found.get("part") or found.get("after") or "0"
        value = float(f"{found['whole']}.{part}")
        if value == 0.0:
            return None
        return -value if (found.get("sign") or "+").upper() in "-NM" else value
    return None


def usual_limits(nominal: float) -> tuple[float, float]:
    """Lowest and highest volts at which a board should work: 5 % at 5 V and below, else 10 %.

    5 % is the data-sheet limit of 74 and 74LS logic, 10 % that of line drivers and 4116-type memories
    (from memory).
    """
    share = 0.05 if 0 < nominal <= 5.5 else 0.10
    ends = (nominal * (1 - share), nominal * (1 + share))
    return round(min(ends), 4), round(max(ends), 4)


def regulator_pins(board: Board, ref: str) -> tuple[Pin | None, Pin | None]:
    """Input and output pin of a regulator, each None if its kind does not name it."""
    kind = board.kind_of(ref)

    def first(names: Iterable[str]) -> Pin | None:
        for name in names:
            numbers = kind.numbers_named(name)
            if numbers:
                return Pin(ref, numbers[0])
        return None

    return first(_IN_NAMES), first(_OUT_NAMES)


def _bare(net: str) -> str:
    return net.strip().lstrip("/").rpartition("/")[2].strip("~ ")


# -- ground ---------------------------------------------------------------------------------------


def _ground(board: Board, report: ImportReport) -> str:
    if not board.nets or (board.ground != "GND" and board.ground in board.nets):
        return board.ground  # somebody has named it
    marked: Counter[str] = Counter()
    for net, pins in board.nets.items():
        for pin in pins:
            if pin.ref in board.parts and board.kind_pin(pin).direction == "G":
                marked[net] += 1
    named = [net for net in board.nets if _GROUND_NAME.fullmatch(_bare(net))]
    plain = [net for net in named if _PLAIN_GROUND.fullmatch(_bare(net))]
    # a net that is named for a voltage is no ground, though an op-amp's lower supply pin may be on it
    candidates = named or [net for net in marked if volts_of_name(net) is None]
    if not candidates:
        chosen = max(board.nets, key=lambda net: (len(board.nets[net]), net))
        report.inferred(
            f"no net looks like ground: taken to be {chosen}, which has the most pins; check this"
        )
        return chosen
    chosen = max(candidates, key=lambda net: (len(board.nets[net]), net in plain, marked[net], net))
    by_pins = max(marked, key=lambda net: (marked[net], net), default=None)
    if by_pins is not None and by_pins != chosen and volts_of_name(by_pins) is None:
        most, fewer = marked[by_pins], marked[chosen]
        if most > 2 * fewer + 1:
            report.inferred(
                f"ground taken to be {by_pins}: {most} ground pins are on it, {fewer} on {chosen}"
            )
            return by_pins
    if chosen != board.ground or chosen not in plain:
        reason = f"{marked[chosen]} ground pins are on it" if marked[chosen] else "by its name"
        report.inferred(f"ground taken to be {chosen}: {reason}")
    others = [net for net in candidates if net != chosen and len(board.nets[net]) > 1]
    if others and named:
        report.inferred(
            f"other nets look like grounds too: {', '.join(others[:6])}; {chosen} is used, it has most pins"
        )
    return chosen


# -- rails ----------------------------------------------------------------------------------------


@dataclass
class _Evidence:
    """What speaks for a net being a rail."""

    name: float | None = None
    named: bool = False
    """It is called VCC or the like."""
    raw: bool = False
    """It is called VIN or the like."""
    firm: Counter[float] = field(default_factory=Counter)
    weak: Counter[float] = field(default_factory=Counter)
    output: tuple[Pin, float | None] | None = None
    feeds: list[tuple[str, float]] = field(default_factory=list)
    """Regulators that take their input here, with their output volts."""
    battery: Pin | None = None


def _rails(board: Board, report: ImportReport) -> Mapping[str, Rail]:
    rails = dict(board.rails)
    for net, seen in _gather(board).items():
        if net in rails:
            continue
        rail = _judge(net, seen, report)
        if rail is not None:
            rails[net] = rail
    return rails


def _is_ground(board: Board, net: str) -> bool:
    return net == board.ground or _GROUND_NAME.fullmatch(_bare(net)) is not None


def _gather(board: Board) -> dict[str, _Evidence]:
    found: dict[str, _Evidence] = {}

    def of(net: str) -> _Evidence:
        return found.setdefault(net, _Evidence())

    for net, pins in board.nets.items():
        if _is_ground(board, net) or len(pins) < 2:
            continue
        bare = _bare(net)
        volts = volts_of_name(net)
        if volts is not None:
            of(net).name = volts
        elif _LOGIC_NAME.fullmatch(bare):
            of(net).named = True
        elif _RAW_NAME.fullmatch(bare):
            of(net).raw = True
        driven = False
        votes: list[tuple[float, bool]] = []
        for pin in pins:
            if pin.ref not in board.parts:
                continue
            kind = board.kind_of(pin.ref)
            fact = board.kind_pin(pin)
            if kind.category == "battery":
                of(net).battery = pin
            if kind.category == "regulator":
                continue
            if fact.direction in ("O", "T", "B"):
                driven = True
            elif fact.direction == "P":
                for supply in kind.supplies:
                    if supply.pin.upper() == fact.name.upper() and supply.nominal:
                        votes.append((supply.nominal, kind.category in _WEAK))
        # an output on the net means a select or programming pin is strapped to a signal, not a rail
        if votes and not driven:
            for nominal, weak in votes:
                (of(net).weak if weak else of(net).firm)[nominal] += 1
    for ref in board.parts:
        if board.kind_of(ref).category == "regulator":
            _regulator(board, ref, of)
    return found


def _regulator(board: Board, ref: str, of: object) -> None:
    assert callable(of)
    enter, leave = regulator_pins(board, ref)
    volts = board.parts[ref].size
    if volts is None:
        match = re.search(r"([+-]?)(\d+(?:\.\d+)?)\s*V\b", board.kind_of(ref).title)
        if match is not None:
            volts = float(match[1] + match[2])
    out_net = board.net_of.get(leave) if leave is not None else None
    if leave is not None and out_net is not None and not _is_ground(board, out_net):
        known = of(out_net).output
        if known is None or known[1] is None:
            of(out_net).output = (leave, volts)
        if volts is None:
            volts = volts_of_name(out_net)
    in_net = board.net_of.get(enter) if enter is not None else None
    if in_net is not None and in_net != out_net and not _is_ground(board, in_net):
        of(in_net).feeds.append((ref, volts if volts is not None else 5.0))


def _judge(net: str, seen: _Evidence, report: ImportReport) -> Rail | None:
    made = seen.output[1] if seen.output is not None else None
    source = str(seen.output[0]) if seen.output is not None else ""
    pins = seen.firm or seen.weak
    voted = max(pins, key=lambda volts: (pins[volts], volts)) if pins else None
    views = [
        (volts, why) for volts, why in (
            (seen.name, "by its name"),
            (made, f"regulator output {source}"),
            (voted, f"{sum(pins.values())} supply pins are on it"),
        ) if volts is not None
    ]  # fmt: skip
    if not views and seen.feeds:
        return _unregulated(net, seen, report)
    if not views and seen.named:
        views.append((5.0, "by its name, usual for logic"))
    if not views:
        if seen.raw or seen.output is not None:
            why = f"is fed by {source}" if source else "looks like a supply by its name"
            report.noted(
                f"{net} {why}, but nothing says how many volts: name them in an overlay, "
                f'[rails] "{net}" = {{ nominal = ... }}'
            )
        return None
    nominal, why = views[0]
    if views[0][0] == seen.name and seen.name is not None and made is not None and made == -seen.name:
        nominal = made  # "12V" on the output of a negative regulator is its size without the sign
    others = [(volts, reason) for volts, reason in views[1:] if abs(volts - nominal) > 0.1 * abs(nominal)]
    if others and not (voted == others[0][0] and not seen.firm and len(others) == 1):
        told = " and ".join(f"{volts:g} V ({reason})" for volts, reason in others)
        report.inferred(
            f"rail {net} taken as {nominal:g} V ({why}), but {told} speaks against it; check this"
        )
    else:
        fed = f", fed by {source}" if source and not why.endswith(source) else ""
        report.inferred(f"rail {net} taken as {nominal:g} V: {why}{fed}")
    if seen.feeds and not (seen.firm or made is not None):
        return _widened(net, nominal, seen, source)
    return Rail(net, nominal, usual_limits(nominal), source or (str(seen.battery) if seen.battery else ""))


def _needed(feeds: Iterable[tuple[str, float]]) -> tuple[float, str]:
    ref, volts = max(feeds, key=lambda feed: abs(feed[1]))
    return volts, ref


def _raw_limits(volts: float) -> tuple[float, float]:
    """What a linear regulator for `volts` accepts."""
    low, high = abs(volts) + DROPOUT, MOST_IN
    return (low, high) if volts >= 0 else (-high, -low)


def _unregulated(net: str, seen: _Evidence, report: ImportReport) -> Rail:
    volts, ref = _needed(seen.feeds)
    nominal = volts + HEADROOM if volts >= 0 else volts - HEADROOM
    report.inferred(f"rail {net} feeds {ref}: taken as unregulated, about {nominal:g} V, which {ref} needs")
    return Rail(net, nominal, _raw_limits(volts), str(seen.battery) if seen.battery else "")


def _widened(net: str, nominal: float, seen: _Evidence, source: str) -> Rail:
    """A named rail that only feeds regulators may lie anywhere they accept."""
    low, high = _raw_limits(_needed(seen.feeds)[0])
    if not low < nominal < high:
        low, high = usual_limits(nominal)
    return Rail(net, nominal, (low, high), source or (str(seen.battery) if seen.battery else ""))


# -- inlets ---------------------------------------------------------------------------------------


def _inlets(board: Board, report: ImportReport) -> tuple[Board, tuple[str, ...]]:
    """Find the connectors that bring power in: those behind rails that nothing on the board makes."""
    rails = dict(board.rails)
    inlets = list(board.inlets)
    for net, rail in board.rails.items():
        if rail.source or net not in board.nets:
            continue
        best = _best_connector(board, net)
        if best is None:
            continue
        ref, pin = best
        rails[net] = replace(rail, source=str(pin) if pin is not None else ref)
        if board.inlets:
            continue
        if ref not in inlets:
            inlets.append(ref)
            report.inferred(f"power taken to come in at {ref}, for {net}")
    return board.with_(rails=rails), tuple(inlets)


def _best_connector(board: Board, net: str) -> tuple[str, Pin | None] | None:
    power = {board.ground, *board.rails}
    best: tuple[float, str, Pin] | None = None
    for pin, steps in _upstream(board, net):
        part = board.parts[pin.ref]
        pins = [other for other in board.pins_of[pin.ref] if other in board.net_of]
        share = sum(board.net_of[other] in power or _is_ground(board, board.net_of[other]) for other in pins)
        score = share / max(len(pins), 1) - 0.02 * len(pins) - 0.01 * steps
        if pin.ref in board.inlets:
            score += 100.0
        if _POWER_WORDS.search(f"{part.ref} {part.value} {part.footprint}"):
            score += 1.0
        if best is None or score > best[0]:
            best = (score, pin.ref, pin)
    return None if best is None else (best[1], best[2])


def _upstream(board: Board, net: str) -> Iterator[tuple[Pin, int]]:
    """Connector pins reached from a rail through fuses, switches, coils and rectifiers."""
    seen = {net}
    queue = deque([(net, 0)])
    while queue:
        here, steps = queue.popleft()
        for pin in board.nets[here]:
            if pin.ref not in board.parts:
                continue
            category = board.kind_of(pin.ref).category
            if category == "connector":
                yield pin, steps
            elif category in _SERIES and steps < 8:
                for other in board.pins_of.get(pin.ref, ()):
                    there = board.net_of.get(other)
                    if there is None or there in seen or there in board.rails or _is_ground(board, there):
                        continue
                    seen.add(there)
                    queue.append((there, steps + 1))


# -- sockets --------------------------------------------------------------------------------------

_NOT_SOCKETED = frozenset(("connector", "membrane", "switch", "jumper", "mechanical", "test_point"))
_SOCKET_WORDS = re.compile(r"socket", re.IGNORECASE)


def _sockets(board: Board, report: ImportReport) -> Board:
    found = [
        ref for ref, part in board.parts.items()
        if not part.socket and board.kind_of(ref).category not in _NOT_SOCKETED
        and _SOCKET_WORDS.search(f"{part.footprint} {part.value}")
    ]  # fmt: skip
    if not found:
        return board
    report.inferred(f"taken to be in sockets, by footprint: {', '.join(found)}")
    parts = {ref: replace(part, socket=True) if ref in found else part for ref, part in board.parts.items()}
    return board.with_(parts=parts)
