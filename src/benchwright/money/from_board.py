"""What may be wrong with a machine, from its board and what the seller says: through the fault finder."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..board import Board
from ..faults import Fault
from ..finding import FaultFinder, Reading
from ..finding.belief import NONE_SHARE
from ..finding.words import remedy_of
from .errors import BadBid
from .troubles import Troubles

Floats = NDArray[np.float64]

_KINDS = {
    "cpu": "processor", "support": "port, timer and other support chips", "video": "video chips",
    "sound": "sound chips", "dynamic_ram": "dynamic memory", "static_ram": "static memory", "rom": "ROM",
    "eprom": "EPROM", "logic": "logic chips", "programmable_logic": "programmable logic",
    "regulator": "regulators", "crystal": "crystals", "oscillator": "crystals", "resistor": "resistors",
    "resistor_network": "resistors", "potentiometer": "resistors", "thermistor": "resistors",
    "transistor": "transistors and diodes", "mosfet": "transistors and diodes",
    "diode": "transistors and diodes", "zener": "transistors and diodes", "led": "transistors and diodes",
    "bridge_rectifier": "transistors and diodes", "inductor": "coils, transformers and fuses",
    "ferrite": "coils, transformers and fuses", "transformer": "coils, transformers and fuses",
    "fuse": "coils, transformers and fuses", "switch": "switches and connectors",
    "relay": "switches and connectors", "connector": "switches and connectors",
}  # fmt: skip
_PLACES = {
    "reflow": "solder joints and connector contacts", "reseat": "socket contacts",
    "wire": "broken tracks and vias", "clear": "bridges of solder, debris or dirt",
}  # fmt: skip


def troubles_of(
    board: Board,
    symptoms: Iterable[str] = (),
    rates: Mapping[tuple[str, str], float] | None = None,
    prices: Mapping[str, float] | None = None,
    euro: float = 1.0,
) -> Troubles:
    """The faults of a board, given what it shows.

    Parameters
    ----------
    board : Board
    symptoms : iterable of str
        In the seller's words. Without any, all that is known is that it does not work.
    rates : Mapping of (kind, mode) to float, optional
        The bench's own experience, as factors on published failure rates.
    prices : Mapping of str to float, optional
        What parts cost in the bid's currency, by reference or kind; the others cost what their kinds say.
    euro : float
        What one euro is in the bid's currency: kinds have their prices in euro.

    Raises
    ------
    BadReading
        A symptom that is not known.
    BadBid
        It is said to work; or prices that name nothing on the board, or are below zero.

    Notes
    -----
    The fault that shows is the likeliest-to-show of a random set, each fault as likely as the finder holds it
    to be (`finding.belief`). Further faults are those of the same set that show less, as far as they stop
    anything; so it is exactly the finder's prior on one, two or more faults given the symptoms.
    """
    said = [text for text in symptoms if text.strip()]
    finder = FaultFinder(board, history=rates)
    readings = [Reading("symptom", value=text, power=True) for text in said]
    finder.record_all(readings or [Reading("symptom", a="works", value="no", power=True)])
    for entry, text in zip(finder.entries, said, strict=False):
        if entry.spot.phrase == "works":
            raise BadBid(f"symptom {text!r}: what works needs no repair; give what does not work, or nothing")
    faults = finder.faults
    if not faults:
        raise BadBid(f"{board.name}: there is nothing on this board that could fail, so no bid can be given")
    belief = finder.belief
    stops = np.array([max(chances.values(), default=0.0) for chances in finder.predictor.running.stopped])
    odds = np.exp(belief.log_odds)
    first, hidden = first_and_hidden(belief.there - belief.log_odds, odds, stops)
    first *= float(belief.singles().sum())
    places = finder.groups
    minutes, cost, success = _remedies(board, faults, _checked(board, prices or {}), euro)
    names = [_group(board, fault) for fault in faults]
    kinds = list(dict.fromkeys(names))
    return Troubles(
        first=first,
        hidden=hidden,
        minutes=minutes,
        cost=cost,
        success=success,
        group=np.array([kinds.index(name) for name in names], dtype=np.int64),
        names=tuple(kinds),
        bits=_bits(np.bincount(places, weights=first)),
        hidden_bits=_bits(np.bincount(places, weights=hidden)),
        hidden_unlisted=float(hidden.sum()) * NONE_SHARE,
    )


def first_and_hidden(shows: Floats, odds: Floats, stops: Floats) -> tuple[Floats, Floats]:
    """Which of a random set of faults shows, and which others it hides.

    Each fault is there or not, by itself. A set explains the symptoms as well as its best member does, which
    is the one that shows.

    Parameters
    ----------
    shows : ndarray, shape (faults,)
        Logarithm of how well each explains the symptoms.
    odds : ndarray, shape (faults,)
        Expected number of each before anything is seen: it is there with chance 1 - exp(-odds).
    stops : ndarray, shape (faults,)
        Chance that each stops something, and so comes to light at last.

    Returns
    -------
    (ndarray, ndarray), each of shape (faults,)
        Chance that each is the one that shows, summing to 1; expected number of each among the others.
    """
    order = np.argsort(shows, kind="stable")
    up_to = np.cumsum(odds[order])
    there = -np.expm1(-odds)
    # The one that shows needs that none is there that would show more: exp(-(sum of the odds above it)).
    weights = there[order] * np.exp(shows[order] - shows.max() + up_to - up_to[-1])
    chances = weights / weights.sum()
    above = np.cumsum(chances[::-1])[::-1] - chances
    first, hidden = np.zeros(len(odds)), np.zeros(len(odds))
    first[order] = chances
    hidden[order] = (there * stops)[order] * np.maximum(above, 0.0)
    return first, hidden


def _checked(board: Board, prices: Mapping[str, float]) -> Mapping[str, float]:
    known = {*board.parts, *(part.kind for part in board.parts.values())}
    for name, price in prices.items():
        if name not in known:
            raise BadBid(f"price of {name}: expected a reference or a kind of part on {board.name}")
        if not (np.isfinite(price) and price >= 0):
            raise BadBid(f"price of {name}, {price}: expected 0 or more")
    return prices


def _remedies(
    board: Board, faults: tuple[Fault, ...], prices: Mapping[str, float], euro: float
) -> tuple[Floats, Floats, Floats]:
    known: dict[tuple[object, ...], tuple[float, float, float]] = {}
    rows = []
    for fault in faults:
        ref = fault.parts[0] if fault.parts else ""
        key = (fault.remedy, ref)
        if key not in known:
            remedy = remedy_of(board, fault)
            cost = remedy.cost * euro
            if fault.remedy == "replace" and ref in board.parts:
                cost = prices.get(ref, prices.get(board.parts[ref].kind, cost))
            known[key] = (remedy.minutes, cost, remedy.success)
        rows.append(known[key])
    minutes, costs, success = np.array(rows).T
    return minutes, costs, success


def _group(board: Board, fault: Fault) -> str:
    if fault.remedy in _PLACES:
        return _PLACES[fault.remedy]
    ref = fault.parts[0] if fault.parts else ""
    if ref not in board.parts:
        return "other parts"
    category = board.kind_of(ref).category
    if category in ("capacitor", "trimmer_capacitor"):
        return f"{board.parts[ref].style or 'ceramic'} capacitors"
    return _KINDS.get(category, "other parts")


def _bits(weights: NDArray[Any]) -> float:
    whole = float(weights.sum())
    if whole <= 0:
        return 0.0
    share = weights[weights > 0] / whole
    return max(0.0, float(-(share * np.log2(share)).sum()))
