"""Ranges in names: ``D[0..7]`` is D0 to D7, on nets and on pins.

``A[15..8]`` counts down, ``A[0..14..2]`` goes in steps of two, ``[00..07]`` keeps its zeros. Several ranges
give every combination, the last one turning fastest: ``U[1..2].D[0..1]`` is U1.D0, U1.D1, U2.D0, U2.D1.
A backslash before a bracket takes it as it stands.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import product

from ..errors import BadFile

MOST_NAMES = 4096
_RANGE = re.compile(r"\[\s*(\d{1,9})\s*\.\.\s*(\d{1,9})\s*(?:\.\.\s*(\d{1,9})\s*)?\]")
_TOKEN = re.compile(r"\\(?P<plain>[\[\\])|(?P<range>\[[^\[\]]*\.\.[^\[\]]*\])|(?P<other>.)", re.DOTALL)


def expand(text: str, where: str = "range", line: int | None = None) -> list[str]:
    """Write out the names that a text with ranges stands for.

    Parameters
    ----------
    text : str
    where, line : str, int
        File and line for the message.

    Returns
    -------
    list of str
        One name if there is no range in the text.

    Raises
    ------
    BadFile
        A range that cannot be read, or more than 4096 names.
    """
    if "[" not in text and "\\" not in text:
        return [text]
    pieces: list[list[str]] = [[""]]
    plain = pieces[0]
    count = 1
    for token in _TOKEN.finditer(text):
        if token["range"] is None:
            plain[0] += token["plain"] or token["other"] or ""
            continue
        names = _numbers(token["range"], text, where, line)
        count *= len(names)
        if count > MOST_NAMES:
            raise BadFile(where, f"{text!r} stands for more than {MOST_NAMES} names", line)
        plain = [""]
        pieces += [names, plain]
    return ["".join(parts) for parts in product(*pieces)]


def _numbers(bracket: str, text: str, where: str, line: int | None) -> list[str]:
    match = _RANGE.fullmatch(bracket)
    step = int(match[3]) if match is not None and match[3] is not None else 1
    if match is None or step == 0:
        raise BadFile(
            where,
            f"cannot read the range {bracket} in {text!r}: expected something like D[0..7] or A[15..8]",
            line,
        )
    low, high = int(match[1]), int(match[2])
    if abs(high - low) // step >= MOST_NAMES:
        raise BadFile(where, f"{text!r} stands for more than {MOST_NAMES} names", line)
    padded = any(end.startswith("0") and len(end) > 1 for end in (match[1], match[2]))
    width = max(len(match[1]), len(match[2])) if padded else 0
    numbers = range(low, high + 1, step) if high >= low else range(low, high - 1, -step)
    return [str(number).zfill(width) for number in numbers]


def escape(name: str) -> str:
    """Write a name so that `expand` gives back exactly it."""
    if "\\" not in name and ".." not in name:
        return name
    return name.replace("\\", "\\\\").replace("[", "\\[")


def fan_out(
    net: str, points: Sequence[str], where: str = "range", line: int | None = None
) -> list[tuple[str, list[str]]]:
    """Deal points out to the nets that one line of a board file stands for.

    Parameters
    ----------
    net : str
        A net name, perhaps with a range.
    points : sequence of str
        Pins, perhaps with ranges. Of a single net all are joined; of n nets each text must stand for n
        pins, one for each net in turn.

    Raises
    ------
    BadFile
        A range that cannot be read or does not match the net's.
    """
    names = expand(net, where, line)
    if len(names) == 1:
        return [(names[0], [name for point in points for name in expand(point, where, line)])]
    dealt: list[list[str]] = [[] for _ in names]
    for point in points:
        each = expand(point, where, line)
        if len(each) != len(names):
            raise BadFile(
                where,
                f"{point!r} stands for {len(each)} pin{'s' if len(each) != 1 else ''}, but {net!r} for "
                f"{len(names)} nets: make the ranges the same length",
                line,
            )
        for pins, name in zip(dealt, each, strict=True):
            pins.append(name)
    return list(zip(names, dealt, strict=True))
