"""Tones that run on while bits begin where they like: what may follow what where bits are not whole cycles.

A generator that counts its bits by another clock than its tones lets one slip against the other. Then a bit
has now and then a half-wave more or fewer, and where the tone changes one half-wave is partly of either.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .encoding import Encoding
from .grammar import INSIDE, LEADER, NOTHING, Grammar, grammar_of

SLIP, MIXED = 4.0, 1.0
"""Costs of a half-wave more or fewer, and of one that is partly of either tone."""
JITTER = 0.25
"""Standard deviation of a crossing, in shares of the shortest half-wave."""

_Row = tuple[int, int, float, int, int, float, int]


def slipping_grammar(encoding: Encoding) -> Grammar:
    """The graph of an encoding of two tones, with bits that may slip. See `grammar.grammar_of`."""
    g = grammar_of(encoding)
    kinds = g.kind.tolist()
    columns = (g.origin, g.to, g.seconds, g.says, g.symbol, g.cost, g.sign)
    rows: list[_Row] = list(zip(*(column.tolist() for column in columns), strict=True))
    begins = {to for _, to, _, _, symbol, _, _ in rows if symbol >= 0}
    mixed = (encoding.shortest + encoding.longest) / 2
    more: list[_Row] = []
    for origin, to, seconds, says, symbol, cost, sign in rows:
        if symbol >= 0:
            kinds.append(INSIDE)
            more.append((origin, len(kinds) - 1, seconds, NOTHING, NOTHING, cost + SLIP, sign))
            more.append((len(kinds) - 1, to, seconds, says, symbol, 0.0, sign))
            more += [
                (r[0], to, seconds, says, symbol, r[5] + SLIP, sign)
                for r in rows
                if r[1] == origin and r[0] != origin and r[4] == NOTHING
            ]
        if (origin in begins or kinds[origin] == LEADER) and origin != to:
            more.append((origin, to, mixed, says, symbol, cost + MIXED, sign))
    rows = sorted(rows + more, key=lambda row: row[0])
    origins, tos, lengths, says_all, symbols, costs, signs = (np.array(c) for c in zip(*rows, strict=True))
    counts = np.bincount(origins, minlength=len(kinds))
    return replace(
        g,
        kind=np.array(kinds, np.int8),
        first_edge=np.concatenate(([0], np.cumsum(counts))).astype(np.int32),
        to=tos.astype(np.int32),
        seconds=lengths.astype(float),
        says=says_all.astype(np.int8),
        symbol=symbols.astype(np.int8),
        cost=costs.astype(float),
        sign=signs.astype(np.int8),
        origin=origins.astype(np.int32),
        length_class=(lengths > mixed).astype(np.int32),
    )
