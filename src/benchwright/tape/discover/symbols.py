"""Which rows of half-waves stand for a bit, found from a text with a letter for each half-wave.

Every pair of words that could be the two symbols is held against the text; the pair that tells the
whole text in the fewest bits is the best (minimum description length: Rissanen 1978, from memory).
"""

from __future__ import annotations

import itertools
import math
import re
from collections import Counter
from dataclasses import dataclass

from .clusters import LETTERS, STRANGE

MOST_TEXT = 6000


@dataclass(frozen=True)
class Code:
    """Two symbols, and what comes before each byte.

    Attributes
    ----------
    first, second : str
        Words of letters, the one with the shorter half-waves first. Which is a nought is not known here.
    marker : str
        Before each byte; may be empty.
    cover : float
        Share of the text that it explains.
    bits : float
        Bits that telling the text takes, for each half-wave.
    per_byte : int
        With a marker: symbols between two of them.
    """

    first: str
    second: str
    marker: str
    cover: float
    bits: float
    per_byte: int = 0

    @property
    def pattern(self) -> re.Pattern[str]:
        """What finds one symbol or marker."""
        parts = [self.first, self.second] + ([self.marker] if self.marker else [])
        return re.compile("|".join(sorted(parts, key=len, reverse=True)))

    @property
    def is_two_to_one(self) -> bool:
        """One half-wave, or two of another class: as in phase encoding."""
        return sorted((len(self.first), len(self.second))) == [1, 2] and not self.marker


def _entropy(count: int, total: int) -> float:
    if not 0 < count < total:
        return 0.0
    p = count / total
    return -p * math.log2(p) - (1 - p) * math.log2(1 - p)


def _judge(texts: list[str], first: str, second: str, kinds: int) -> tuple[float, float]:
    """Share covered, and bits for each half-wave."""
    one = re.compile(f"(?:{first}|{second})+")
    symbol = re.compile(f"{first}|{second}")
    covered = pieces = symbols = firsts = 0
    total = sum(map(len, texts))
    for text in texts:
        for match in one.finditer(text):
            span = match.group()
            covered += len(span)
            pieces += 1
            if len(first) == len(second):
                many = len(span) // len(first)
            else:
                many = len(symbol.findall(span))
            symbols += many
            if len(first) != len(second):
                firsts += (len(span) - many * len(second)) // (len(first) - len(second))
            elif first[0] != second[0] and set(first) != set(second):
                firsts += span.count(first[0]) // max(1, first.count(first[0]))
            else:
                firsts += many // 2
    firsts = min(max(firsts, 0), symbols)
    strange = (math.log2(kinds + 1) + 2) * (total - covered) + 8 * max(0, pieces - len(texts))
    # A word used hardly ever is no symbol, so the entropy is not let fall all the way.
    told = symbols * max(0.45, _entropy(firsts, symbols)) + strange + 4 * (len(first) + len(second))
    return covered / max(1, total), told / max(1, total)


def _unit(texts: list[str]) -> int:
    """The greatest number that divides nearly all runs of one letter."""
    runs = Counter(
        len(list(group)) for text in texts for letter, group in itertools.groupby(text) if letter != STRANGE
    )
    total = sum(runs.values())
    for unit in (8, 6, 5, 4, 3, 2):
        if total and sum(n for run, n in runs.items() if run % unit == 0) >= 0.85 * total:
            return unit
    return 1


def _collapsed(text: str, unit: int) -> str:
    """One letter for each `unit` of them."""
    if unit == 1:
        return text
    parts = []
    for letter, group in itertools.groupby(text):
        many = len(list(group))
        parts.append(letter * max(1 if letter == STRANGE else 0, round(many / unit)))
    return "".join(parts)


def _words(texts: list[str], letters: str) -> list[str]:
    """Words that may be symbols: runs of one letter, and short mixed words that occur."""
    words: set[str] = set()
    for letter in letters:
        runs = Counter(
            len(list(group)) for text in texts for own, group in itertools.groupby(text) if own == letter
        )
        total = sum(runs.values())
        for many in range(1, 33):
            if total and sum(n for run, n in runs.items() if run % many == 0) >= 0.7 * total:
                words.add(letter * many)
    whole = " ".join(texts)
    size = max(1, len(whole))
    for length in (2, 3, 4):
        found = Counter(whole[k : k + length] for k in range(len(whole) - length + 1))
        for word, many in found.items():
            if many * length >= 0.03 * size and set(word) <= set(letters) and len(set(word)) > 1:
                words.add(word)
    return sorted(words)


def _pairs(texts: list[str], letters: str, kinds: int) -> list[tuple[float, float, str, str]]:
    """Pairs of words, best first, as (bits, cover, first, second)."""
    used = Counter("".join(texts))
    total = sum(used.values())
    needed = {letter for letter in letters if used[letter] > 0.06 * total}
    found = []
    for first, second in itertools.combinations(_words(texts, letters), 2):
        if first.startswith(second) or second.startswith(first):
            continue
        if not needed <= set(first) | set(second):
            continue
        cover, bits = _judge(texts, first, second, kinds)
        if cover > 0.5:
            found.append((bits, cover, first, second))
    return sorted(found)[:6]


def find_codes(texts: list[str], seconds: list[float]) -> list[Code]:
    """Symbols that explain the texts, best first.

    Parameters
    ----------
    texts : list of str
        A letter for each half-wave after the leader, a text for each burst.
    seconds : list of float
        Length of each class.
    """
    texts = _shortened(texts)
    total = sum(map(len, texts))
    if not total:
        return []
    letters = "".join(
        letter for letter in LETTERS[: len(seconds)] if sum(t.count(letter) for t in texts) > 0.012 * total
    )
    found: list[Code] = []
    unit = _unit(texts)
    for step in {1, unit}:
        short = [_collapsed(text, step) for text in texts]
        for bits, cover, first, second in _pairs(short, letters, len(letters)):
            found.append(_code(first, second, "", cover, bits / step, step))
        if len(letters) >= 3:
            for marker in letters:
                found += _marked(short, letters, marker, step)
    best: dict[tuple[str, str, str], Code] = {}
    for code in sorted(found, key=lambda c: c.bits):
        best.setdefault((code.first, code.second, code.marker), code)
    return list(best.values())[:6]


def _code(first: str, second: str, marker: str, cover: float, bits: float, step: int, n: int = 0) -> Code:
    wide = ["".join(letter * step for letter in word) for word in (first, second, marker)]
    if (sum(map(ord, wide[1])) / len(wide[1]), wide[1]) < (sum(map(ord, wide[0])) / len(wide[0]), wide[0]):
        wide[0], wide[1] = wide[1], wide[0]
    return Code(wide[0], wide[1], wide[2], cover, bits, n)


def _shortened(texts: list[str]) -> list[str]:
    left = MOST_TEXT
    kept = []
    for text in texts:
        kept.append(text[:left])
        left -= len(kept[-1])
        if left <= 0:
            break
    return kept


def _marked(texts: list[str], letters: str, mark: str, step: int) -> list[Code]:
    """Codes in which a class of its own marks the bytes."""
    total = sum(map(len, texts))
    share = sum(text.count(mark) for text in texts) / total
    if not 0.008 < share < 0.2:
        return []
    lead = Counter(len(m) for t in texts for m in re.findall(f"{mark}+", t)).most_common(1)
    if not lead:
        return []
    width = lead[0][0]
    pieces = [p for text in texts for p in re.split(f"{mark}+", text)[1:-1] if p]
    if len(pieces) < 6:
        return []
    others = letters.replace(mark, "")
    found = []
    for more in range(5):
        heads = Counter(p[:more] for p in pieces)
        head, many = heads.most_common(1)[0]
        if many < 0.8 * len(pieces):
            break
        rest = [p[more:] for p in pieces if p[:more] == head]
        for _, _, first, second in _pairs(rest, others, len(letters))[:3]:
            whole = re.compile(f"(?:{first}|{second})+")
            symbol = re.compile(f"{first}|{second}")
            counts = Counter(len(symbol.findall(p)) for p in rest if whole.fullmatch(p))
            if not counts:
                continue
            size, times = counts.most_common(1)[0]
            if times < 0.5 * len(pieces) or not 5 <= size <= 13:
                continue
            bad = len(pieces) - times
            told = size * len(pieces) + bad * 3.0 * size + 4 * (len(first) + len(second) + more + width)
            found.append(
                _code(
                    first, second, mark * width + head, times / len(pieces), told / total / step, step, size
                )
            )
    return found
