"""The board as a drawing: columns of pads, parts, nets and tracks in millimetres.

A board without places of its pads gets a tidy one: parts in rows, pins as a package of that many pins has
them. It shows what belongs together, not where it is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from .model import Board, Pad, Part, Pin

PITCH = 2.54
"""Millimetres between pins that are placed for want of better knowledge (0.1 inch, common practice)."""
IN_LINE = ("connector", "switch", "resistor_network", "regulator", "transistor", "mosfet")
"""Categories whose pins stand in one row."""


@dataclass(frozen=True)
class Placed:
    """A board's pads with their places.

    Attributes
    ----------
    pads : tuple of Pad
    invented : bool
        All of the places are made up.
    some_invented : tuple of str
        References whose pads were placed by their package around the part's own place, or aside.
    """

    pads: tuple[Pad, ...]
    invented: bool
    some_invented: tuple[str, ...]


def placed(board: Board) -> Placed:
    """Every pad of the board; pins without one are placed by the package."""
    have = board.pads_of
    missing: dict[str, list[Pin]] = {}
    for ref, all_pins in board.pins_of.items():
        if all_pins and not any(pin in have for pin in all_pins):
            missing[ref] = list(all_pins)
    pads = list(board.pads)
    known = {ref: part.at for ref in missing if (part := board.parts.get(ref)) and part.at is not None}
    right = max([p.at[0] + 5 for p in pads] + [at[0] + 15 for at in known.values()], default=0.0)
    top = max([p.at[1] for p in pads] + [at[1] for at in known.values()], default=0.0)
    widest = max(120.0, math.sqrt(max(1, sum(map(len, missing.values())))) * 12.0)
    x, y, row = right, top, 0.0
    for ref, pins in missing.items():
        part = board.parts.get(ref, Part(ref))
        spots = _package(board, part, len(pins))
        wide = max(s[0] for s in spots) - min(s[0] for s in spots) + 3 * PITCH
        high = max(s[1] for s in spots) - min(s[1] for s in spots) + 3 * PITCH
        if ref in known:
            at = known[ref]
        else:
            if x + wide > right + widest and x > right:
                x, y, row = right, y - row, 0.0
            at = (x + wide / 2, y - high / 2)
            x, row = x + wide, max(row, high)
        turn = math.radians(part.turn)
        for pin, (dx, dy) in zip(pins, spots, strict=True):
            if part.side == "bottom":
                dx = -dx
            spot = (
                at[0] + dx * math.cos(turn) - dy * math.sin(turn),
                at[1] + dx * math.sin(turn) + dy * math.cos(turn),
            )
            pads.append(Pad(pin, board.net_of.get(pin), spot, (1.5, 1.5)))
    return Placed(tuple(pads), not board.pads and not known, tuple(missing))


def _package(board: Board, part: Part, count: int) -> list[tuple[float, float]]:
    """Places of pins around the middle of a part: one row, or two rows counted round."""
    category = board.kind_of(part.ref).category if part.ref in board.parts else "generic"
    if count <= 3 or category in IN_LINE:
        return [((n - (count - 1) / 2) * PITCH, 0.0) for n in range(count)]
    side = (count + 1) // 2
    half = (6 if count >= 24 else 3) * PITCH / 2
    left = [((n - (side - 1) / 2) * PITCH, -half) for n in range(side)]
    back = [((n - (side - 1) / 2) * PITCH, half) for n in reversed(range(side))]
    return (left + back)[:count]


SIDES = {"both": 3, "top": 1, "bottom": 2, "inner": 0}


def columns(board: Board) -> dict[str, Any]:
    """The drawing as columns of plain values, rounded to 0.01 mm.

    Nets and parts are named by number; a pad without one has -1.
    """
    whole = placed(board)
    nets = {net: n for n, net in enumerate(board.nets)}
    for pad in whole.pads:
        if pad.net is not None:
            nets.setdefault(pad.net, len(nets))
    refs = {ref: n for n, ref in enumerate(board.pins_of)}
    boxes: dict[int, list[float]] = {}
    for pad in whole.pads:
        if pad.pin is not None:
            _widen(boxes.setdefault(refs[pad.pin.ref], [math.inf, math.inf, -math.inf, -math.inf]), pad)
    nowhere = [0.0, 0.0, 0.0, 0.0]
    made_up = set(whole.some_invented)
    parts = [board.parts.get(ref, Part(ref)) for ref in refs]
    return {
        "pads": {
            "x": [_mm(pad.at[0]) for pad in whole.pads], "y": [_mm(pad.at[1]) for pad in whole.pads],
            "w": [_mm(pad.size[0]) for pad in whole.pads], "h": [_mm(pad.size[1]) for pad in whole.pads],
            "turn": [_mm(pad.turn) for pad in whole.pads], "round": [int(pad.round) for pad in whole.pads],
            "side": [SIDES.get(pad.side, 3) for pad in whole.pads],
            "net": [-1 if pad.net is None else nets[pad.net] for pad in whole.pads],
            "part": [-1 if pad.pin is None else refs[pad.pin.ref] for pad in whole.pads],
            "pin": ["" if pad.pin is None else pad.pin.number for pad in whole.pads],
        },
        "parts": {
            "ref": list(refs), "kind": [part.kind for part in parts], "value": [part.value for part in parts],
            "box": [[_mm(v) for v in boxes.get(n, nowhere)] for n in range(len(refs))],
            "side": [2 if part.side == "bottom" else 1 for part in parts],
            "invented": [int(ref in made_up) for ref in refs],
        },
        "nets": list(nets),
        "tracks": {
            "net": [nets.get(track.net, -1) for track in board.tracks],
            "layer": [track.layer for track in board.tracks], "w": [_mm(t.width) for t in board.tracks],
            "points": [[_mm(v) for point in track.points for v in point] for track in board.tracks],
        },
        "outline": [[_mm(v) for v in point] for point in board.outline],
        "invented": whole.invented,
    }  # fmt: skip


def _widen(box: list[float], pad: Pad) -> None:
    turn = math.radians(pad.turn)
    wide = (abs(pad.size[0] * math.cos(turn)) + abs(pad.size[1] * math.sin(turn))) / 2
    high = (abs(pad.size[0] * math.sin(turn)) + abs(pad.size[1] * math.cos(turn))) / 2
    x, y = pad.at
    box[:] = min(box[0], x - wide), min(box[1], y - high), max(box[2], x + wide), max(box[3], y + high)


def _mm(value: float) -> float:
    return round(value, 2)
