"""Whether a found encoding is one of those that come with the package."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..encoding import Encoding, known_encodings

MOST_OFF_SPEED = 0.13
"""A deck that is further off than this is rarer than an encoding nobody has described; by hand."""


def named_if_known(encoding: Encoding) -> tuple[Encoding, str, str]:
    """The known encoding that this one is, if it is one; else the same with a name and a title.

    Parameters
    ----------
    encoding : Encoding

    Returns
    -------
    encoding : Encoding
        The known one, or the found one with its own lengths if these are far from the known one's.
    known : str
        Its name; empty if it is none.
    words : str
        What the two have in common; may be empty.
    """
    known, factor, words = _closest(encoding)
    if known is not None and abs(factor - 1) < MOST_OFF_SPEED:
        words = f"this is {words}, played at {100 / factor:.1f} % of its speed"
        if known.one_rises != encoding.one_rises:
            return replace(known, one_rises=encoding.one_rises), known.name, words + ", upside down"
        return known, known.name, words
    if known is not None:
        words = f"like {words} in all but speed: {100 / factor:.0f} % of it is more than a deck is ever off"
    kind = "phase" if encoding.is_phase else "tones" if encoding.idle else "pulses"
    seconds = encoding.cell or (sum(encoding.zero) + sum(encoding.one)) / 2
    named = replace(
        encoding, name=f"{kind}-{1 / seconds:.0f}",
        title=f"Found on a recording: {kind}, about {1 / seconds:.0f} bit/s",
        source="found on a recording; lengths are as played, at whatever speed that was",
    )  # fmt: skip
    return named, "", words


def _closest(encoding: Encoding) -> tuple[Encoding | None, float, str]:
    """The known encoding nearest in speed, how much longer everything is than in it, and its name."""
    alike = [(factor, k) for k in known_encodings().values() if (factor := _same(encoding, k))]
    if not alike:
        return None, 0.0, ""
    factor, known = min(alike, key=lambda row: abs(np.log(row[0])))
    also = [k.name for _, k in alike if k is not known]
    more = f" (or {', '.join(also)}: the same bits)" if also else ""
    return known, factor, known.name + more


def _same(found: Encoding, known: Encoding) -> float:
    """How much longer than in the known encoding everything is, or 0 if they differ."""
    if found.is_phase != known.is_phase:
        return 0.0
    alike = ("data_bits", "parity", "start", "stop", "least_first")
    if any(getattr(found, key) != getattr(known, key) for key in alike):
        return 0.0
    if found.check != known.check and not (found.check is None and len(known.start + known.stop) == 0):
        return 0.0
    if found.is_phase:
        factor = found.cell / known.cell
        same_bits = found.preamble in known.preamble * 2 if known.preamble else True
        return factor if 0.8 < factor < 1.25 and same_bits else 0.0
    if found.preamble != known.preamble:
        return 0.0
    factors = []
    for key, off in (("zero", 0.06), ("one", 0.06), ("leader", 0.08), ("sync", 0.2), ("marker", 0.08)):
        ours, theirs = getattr(found, key), getattr(known, key)
        if len(ours) != len(theirs):
            return 0.0
        for a, b in zip(ours, theirs, strict=True):
            factors.append((a / b, off))
    middle = float(np.median([f for f, _ in factors]))
    if not 0.8 < middle < 1.25 or any(abs(f / middle - 1) > off for f, off in factors):
        return 0.0
    return middle
