"""Whether a found encoding is one of those that come with the package."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..encoding import Encoding, known_encodings


def named_if_known(encoding: Encoding) -> tuple[Encoding, str, str]:
    """The known encoding that this one is, if it is one; else the same with a name and a title."""
    for known in known_encodings().values():
        factor = _same(encoding, known)
        if factor:
            likes = [
                k.name for k in known_encodings().values() if k.name != known.name and _same(encoding, k)
            ]
            also = f" (or {', '.join(likes)}: the same bits)" if likes else ""
            words = f"this is {known.name}{also}, played at {100 / factor:.1f} % of its speed"
            if known.one_rises != encoding.one_rises:
                return replace(known, one_rises=encoding.one_rises), known.name, words + ", upside down"
            return known, known.name, words
    kind = "phase" if encoding.is_phase else "tones" if encoding.idle else "pulses"
    seconds = encoding.cell or (sum(encoding.zero) + sum(encoding.one)) / 2
    name = f"{kind}-{1 / seconds:.0f}"
    return (
        replace(
            encoding, name=name, title=f"Found on a recording: {kind}, about {1 / seconds:.0f} bit/s",
            source="found on a recording; lengths are as played, at whatever speed that was",
        ),
        "",
        "",
    )  # fmt: skip


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
