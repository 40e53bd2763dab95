"""How an unknown tape is written: from the recording to encodings that read it, each with how sure it is.

The half-waves are sorted by length, the leader and what comes straight after it are found, rows of
half-waves are taken for symbols and symbols for bytes so that the whole tape is told in the fewest
bits. What comes out of that is proved by reading the recording with it, and by a check that holds
on its blocks.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from .blocks import Block
from .byte_frames import BitArray, Frame, find_frames
from .check_search import FoundCheck, find_check
from .clusters import (
    LETTERS,
    STRANGE,
    Burst,
    HalfWaveClass,
    Lettered,
    find_bursts,
    letters_of,
    like_the_longest,
)
from .decode import decode
from .encoding import Encoding, Halves, known_encodings
from .likely_bytes import bits_of_kind, mirrored
from .recording import Recording
from .symbols import Code, find_codes

FloatArray = npt.NDArray[np.float64]
Progress = Callable[[float], None]

STRETCH_SECONDS = 75.0
"""How much of a tape is looked at in one go."""
MOST_STRETCHES = 4
PROOF_SECONDS, PHASE_PROOF_SECONDS = 12.0, 4.0
"""How much of it a candidate has to read as a proof."""
CONVINCING = 0.5
LEAST_VARIETY = 1.5
"""Bits a byte below which bytes are too much alike to be taken for data; by hand."""
SHORT_LEADER = 0.2
"""Seconds below which a leader may be none."""
ENOUGH_BITS = 3500
"""Bits that are held against all ways of dividing them into bytes."""


@dataclass(frozen=True)
class Proposal:
    """An encoding that the tape may be written in.

    Attributes
    ----------
    encoding : Encoding
    chance : float
        That this is it, 0 to 1; what all proposals leave to 1 is the chance that none is.
    reasons : tuple of str
        What speaks for it, in words.
    doubts : tuple of str
        What the tape does not tell.
    blocks : tuple of Block
        What it reads on the stretch that was looked at.
    known : str
        Name of an encoding that comes with the package, if this is one.
    """

    encoding: Encoding
    chance: float
    reasons: tuple[str, ...]
    doubts: tuple[str, ...] = ()
    blocks: tuple[Block, ...] = ()
    known: str = ""


@dataclass(frozen=True)
class FoundLeader:
    """The tone before the data.

    Attributes
    ----------
    half_seconds : float
        Mean half-wave.
    seconds : float
        Median length.
    count : int
        How many were found.
    """

    half_seconds: float
    seconds: float
    count: int


@dataclass(frozen=True)
class Discovery:
    """What could be found out about an unknown tape.

    Attributes
    ----------
    proposals : tuple of Proposal
        Best first.
    clusters : tuple of HalfWaveClass
        Lengths of the half-waves in the data.
    leader : FoundLeader or None
    notes : tuple of str
        What was found, or why nothing was.
    start, end : float
        The stretch that was looked at, in seconds of the recording.
    """

    proposals: tuple[Proposal, ...] = ()
    clusters: tuple[HalfWaveClass, ...] = ()
    leader: FoundLeader | None = None
    notes: tuple[str, ...] = ()
    start: float = 0.0
    end: float = 0.0

    @property
    def convincing(self) -> bool:
        """Whether the best proposal is likelier than all else."""
        return bool(self.proposals) and self.proposals[0].chance >= CONVINCING


@dataclass
class _Candidate:
    """Symbols and frames, before they are proved."""

    code: Code
    frame: Frame
    phase: bool
    encoding: Encoding
    bits_a_half: float
    gain: float
    share: float


@dataclass
class _Proved:
    """A candidate, one way of turning its bits, and what reading the tape with it gave."""

    encoding: Encoding
    weight: float
    structure: float
    check: FoundCheck | None
    reasons: list[str]
    doubts: list[str]
    blocks: tuple[Block, ...]
    candidate: _Candidate


def discover(recording: Any, *, channel: Any = "mean", progress: Progress | None = None) -> Discovery:
    """Find out how a tape is written.

    Parameters
    ----------
    recording : Recording
    channel : int or "mean", optional
        Channel of a stereo recording.
    progress : callable, optional
        Called with the share done, 0 to 1.

    Returns
    -------
    Discovery
        Without a proposal if nothing on the recording looks like data.
    """
    tell = progress or (lambda _: None)
    best = Discovery(notes=("There is no signal on the recording that could be data.",))
    stretches = _stretches(recording, channel)
    for number, (first, last) in enumerate(stretches):
        samples = recording.samples(first, last, channel)

        def part(done: float, number: int = number) -> None:
            tell((number + done) / len(stretches))

        found = _look(np.asarray(samples, float), float(recording.rate), first / recording.rate, part)
        if _top(found) > _top(best) or (not best.proposals and (found.clusters or not best.clusters)):
            best = found
        if best.proposals and best.proposals[0].chance > 0.8:
            break
    tell(1.0)
    return best


def _stretches(recording: Any, channel: Any) -> list[tuple[int, int]]:
    """Parts of the recording to look at, in samples: those with signal."""
    size = max(1, int(0.2 * recording.rate))
    loud: list[float] = []
    for piece in recording.blocks(frames=size * 256):
        mono = piece.mean(axis=1) if channel == "mean" else piece[:, channel]
        whole = len(mono) // size * size
        parts = mono[:whole].reshape(-1, size)
        loud += (parts - parts.mean(axis=1, keepdims=True)).std(axis=1).tolist() if whole else []
    if not loud:
        return [(0, recording.frames)]
    levels = np.array(loud)
    signal = np.flatnonzero(levels > 0.1 * np.percentile(levels, 98))
    found: list[tuple[int, int]] = []
    long = int(STRETCH_SECONDS * recording.rate)
    at = 0
    for place in signal * size:
        if place < at or len(found) >= MOST_STRETCHES:
            continue
        first = max(0, int(place) - size)
        found.append((first, min(recording.frames, first + long)))
        at = first + long
    return found or [(0, min(recording.frames, long))]


# -- one stretch ------------------------------------------------------------------------------


def _look(samples: FloatArray, rate: float, offset: float, tell: Progress) -> Discovery:
    """Find out what one stretch holds."""
    bursts = find_bursts(samples, rate)
    tell(0.1)
    if not bursts:
        return Discovery(notes=("There is no signal on the recording that could be data.",))
    end = offset + len(samples) / rate
    best: Discovery | None = None
    most = -1.0
    everything = sum(float(b.edges[-1] - b.edges[0]) for b in bursts)
    for number, group in enumerate(_groups(bursts)):

        def part(done: float, number: int = number) -> None:
            tell(0.1 + 0.45 * (number + done))

        found = _group(group, samples, rate, offset, end, part)
        if found is None:
            continue
        # Of two groups the one that explains more of the tape counts more.
        share = sum(float(b.edges[-1] - b.edges[0]) for b in group) / everything
        worth = _top(found) * share
        if worth > most:
            best, most = found, worth
        if _top(found) > 0.8 and share > 0.6:
            break
    if best is None:
        return Discovery(
            notes=(
                f"There are {len(bursts)} stretches of signal, but none with half-waves of a few lengths.",
            ),
            start=offset, end=end,
        )  # fmt: skip
    return best


def _top(found: Discovery) -> float:
    return found.proposals[0].chance if found.proposals else 0.0


def _groups(bursts: list[Burst]) -> list[list[Burst]]:
    """Bursts that belong together: with the leader that lasts longest in all, and those without a leader."""
    led = [b for b in bursts if b.leader[1] > 0 and len(b.body) >= 30]
    groups = []
    if led:
        weights = Counter[int]()
        for burst in led:
            weights[round(math.log(burst.leader_half) / 0.1)] += int(1000 * burst.leader_seconds)
        usual = math.exp(0.1 * weights.most_common(1)[0][0])
        same = [b for b in led if abs(math.log(b.leader_half / usual)) < 0.17]
        if same:
            groups.append(same)
    # Many like bits in a row may look like a short leader.
    bare = [
        replace(b, leader=(0, 0), leader_half=0.0) if b.leader_seconds < SHORT_LEADER else b
        for b in bursts
        if b.leader_seconds < SHORT_LEADER and len(b.lengths) >= 100
    ]
    if bare:
        groups.append(like_the_longest(bare))
    return groups


def _group(
    bursts: list[Burst], samples: FloatArray, rate: float, offset: float, end: float, tell: Progress
) -> Discovery | None:
    """Candidates for one group of bursts, and their proof."""
    led = bursts[0].leader[1] > 0
    usual = float(np.median([b.leader_half for b in bursts])) if led else 1.0
    factors = [b.leader_half / usual if led else 1.0 for b in bursts]
    highs = [b.first_high == (b.leader[1] % 2 == 0) for b in bursts]
    lettered = letters_of([b.body for b in bursts], factors, highs)
    if lettered is None or len(lettered.classes) < 2:
        return None
    main = [c for c in lettered.classes if c.share > 0.01]
    strange = sum(t.count(STRANGE) for t in lettered.texts) / max(1, sum(map(len, lettered.texts)))
    leader = (
        FoundLeader(usual, float(np.median([b.leader_seconds for b in bursts])), len(bursts)) if led else None
    )
    notes = [_words_of_classes(main)]
    if leader:
        notes.insert(
            0,
            f"{_count(leader.count, 'leader')} of {usual * 1e6:.0f} us half-waves ({0.5 / usual:.0f} Hz), "
            f"{leader.seconds:.1f} s long.",
        )
    if strange > 0.05:
        notes.append(
            f"{100 * strange:.0f} % of the half-waves belong to no class: the tape is damaged or noisy."
        )
    codes = find_codes(lettered.texts, [c.seconds for c in lettered.classes])
    tell(0.15)
    candidates: list[_Candidate] = []
    for code in codes[:4]:
        if code.cover > 0.6:
            candidates += _candidates(code, bursts, lettered, usual if led else 0.0)
    candidates.sort(key=lambda c: c.bits_a_half)
    candidates = _different(candidates)[:3]
    proved: list[_Proved] = []
    for number, candidate in enumerate(candidates):
        tell(0.2 + 0.6 * number / len(candidates))
        better = [
            p for p in proved
            if p.structure > 0.9
            and (candidate.bits_a_half - p.candidate.bits_a_half) * candidate.frame.told > 60
        ]  # fmt: skip
        if better:
            break
        proved += _prove(candidate, bursts, samples, rate)
    tell(0.85)
    proposals = _proposals(proved, bursts, samples, rate, offset)
    return Discovery(tuple(proposals), tuple(lettered.classes), leader, tuple(notes), offset, end)


def _count(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def _words_of_classes(classes: list[HalfWaveClass]) -> str:
    parts = ", ".join(
        f"{c.seconds * 1e6:.0f} us ({100 * c.share:.0f} %, spread {100 * c.spread:.1f} %)" for c in classes
    )
    return f"Half-waves of {_count(len(classes), 'length')} in the data: {parts}."


def _different(candidates: list[_Candidate]) -> list[_Candidate]:
    """Candidates that do not read the same bytes as a better one."""
    kept: list[_Candidate] = []
    for c in candidates:
        if not any(
            c.frame.blocks == k.frame.blocks and c.phase == k.phase and c.frame.data_bits == k.frame.data_bits
            for k in kept
        ):
            kept.append(c)
    return kept


# -- from letters to candidates ------------------------------------------------------------------------------


def _symbols(text: str, code: Code, at: int) -> tuple[list[int], int]:
    """Symbols from a place on (0 the first, 1 the second), and where they end."""
    symbols: list[int] = []
    first, second = code.first, code.second
    if _tolerant(code):
        return _by_runs(text, code, at)
    while True:
        if text.startswith(first, at):
            symbols.append(0)
            at += len(first)
        elif text.startswith(second, at):
            symbols.append(1)
            at += len(second)
        else:
            return symbols, at


def _tolerant(code: Code) -> bool:
    alike = len(set(code.first)) == 1 and len(set(code.second)) == 1
    return alike and not code.marker and max(len(code.first), len(code.second)) >= 4


def _by_runs(text: str, code: Code, at: int) -> tuple[list[int], int]:
    """Symbols of many like half-waves, one or two of which may be missing or too many."""
    symbols: list[int] = []
    words = (code.first, code.second)
    while at < len(text):
        kind = next((k for k, word in enumerate(words) if text[at] == word[0]), -1)
        if kind < 0:
            return symbols, at
        word = words[kind]
        run = _run(text, at)
        many = round(run / len(word))
        slip = abs(run - many * len(word))
        if many == 0 or slip > max(1 if len(word) > 2 else 0, 0.2 * len(word)):
            # The last run of a block is often cut short or followed by rubbish.
            return symbols, at
        symbols += [kind] * many
        at += run
    return symbols, at


def _run(text: str, at: int) -> int:
    """How often the letter at a place is repeated from there."""
    stop = at + 1
    while stop < len(text) and text[stop] == text[at]:
        stop += 1
    return stop - at


def _sync_length(lettered: Lettered, code: Code, leader_letter: str) -> tuple[int, float]:
    """Half-waves between leader and data, and the share of the texts that is read from there."""
    texts = lettered.texts
    whole = sum(min(len(text), 800) for text in texts)
    best, most, best_share = 0, -1, 0.0
    for at in (*range(41), -1, -2, -3):
        if at < 0 and not leader_letter:
            break
        reads = []
        for text in texts:
            own = leader_letter * -at + text if at < 0 else text
            reads.append((_start_of(own, code, max(0, at)), len(own)))
        count = sum(read >= min(150, 0.5 * long) for read, long in reads)
        share = sum(min(read, 800) for read, _ in reads) / max(1, whole)
        if count > most or (count == most and share > 1.5 * best_share):
            best, most, best_share = at, count, share
        # A later place may be read in one burst more, only because it lies behind a fault.
        if most >= 0.6 * len(texts) and best_share > 0.3:
            break
    if code.marker or best < 0:
        return best, best_share
    for _ in range(3):
        word = _word_at(texts, code, best)
        if not word or best + len(word) > 6 or not _strange(lettered, word, best):
            break
        best += len(word)
    return best, best_share


def _word_at(texts: list[str], code: Code, at: int) -> str:
    """The symbol that most texts have at a place, or nothing."""
    for word in (code.first, code.second):
        if sum(text.startswith(word, at) for text in texts) > 0.6 * len(texts):
            return word
    return ""


def _strange(lettered: Lettered, word: str, at: int) -> bool:
    """Whether a word is of another length here than elsewhere: then it is no symbol, but part of a sync."""
    length = {LETTERS[k]: c.seconds for k, c in enumerate(lettered.classes)}
    nominal = sum(length[letter] for letter in word)
    here = [
        float(np.sum(row[at : at + len(word)]))
        for row, text in zip(lettered.scaled, lettered.texts, strict=True)
        if text.startswith(word, at)
    ]
    off = math.log(float(np.median(here)) / nominal)
    least = 0.1 if len(word) > 1 else 0.14
    # A long half-wave before makes the first of the data longer, never shorter.
    return off < -least or off > 2 * least


def _start_of(text: str, code: Code, at: int) -> int:
    """How many half-waves are read from a place on."""
    if code.marker:
        read = at
        while text.startswith(code.marker, read):
            mark = read + len(code.marker)
            symbols, stop = _symbols(text, replace(code, marker=""), mark)
            if len(symbols) != code.per_byte:
                break
            read = stop
        return read - at
    return _symbols(text, code, at)[1] - at


def _rows(
    texts: list[str], code: Code, sync: int, leader_letter: str
) -> tuple[list[BitArray], list[int], list[int]]:
    """Bits of each burst, where their half-waves begin, and where they end."""
    rows, begins, stops = [], [], []
    for text in texts:
        shift = max(0, -sync)
        own = leader_letter * shift + text
        at = max(0, sync)
        bits: list[int] = []
        if code.marker:
            while own.startswith(code.marker, at):
                symbols, stop = _symbols(own, replace(code, marker=""), at + len(code.marker))
                if len(symbols) != code.per_byte:
                    break
                bits += symbols
                at = stop
        else:
            bits, at = _symbols(own, code, at)
        rows.append(np.array(bits, np.int8))
        begins.append(max(0, sync) - shift)
        stops.append(at - shift)
    return rows, begins, stops


def _candidates(code: Code, bursts: list[Burst], lettered: Lettered, usual: float) -> list[_Candidate]:
    """Candidates with one kind of symbols."""
    classes = lettered.classes
    leader_letter = ""
    if usual:
        near = [abs(math.log(c.seconds / usual)) for c in classes]
        closest = int(np.argmin(near))
        if near[closest] < 0.1 and LETTERS[closest] in code.first + code.second:
            leader_letter = LETTERS[closest]
    sync, share = _sync_length(lettered, code, leader_letter) if usual else (0, 1.0)
    rows, begins, stops = _rows(lettered.texts, code, sync, leader_letter)
    total = np.cumsum([len(row) for row in rows])
    enough = max(3, int(np.searchsorted(total, ENOUGH_BITS)) + 1)
    rows = rows[:enough]
    whole = sum(len(text) - begin for text, begin in zip(lettered.texts[:enough], begins, strict=False))
    halves = sum(stop - begin for begin, stop in zip(begins[:enough], stops, strict=False))
    if halves < 60:
        return []
    found = []
    kinds: list[tuple[bool, list[BitArray]]] = []
    if usual:
        kinds.append((False, rows))
    elif code.is_two_to_one:
        rows = _directions(code, rows, bursts, begins)
        share = halves / max(1, whole)
        kinds.append((True, _evened(rows)))
    memoryless = _memoryless(lettered.texts)
    for phase, bits in kinds:
        for frame in find_frames(bits, code.per_byte if code.marker else 0, phase)[:4]:
            if phase and frame.free:
                continue
            if phase:
                frame = _with_preamble(frame)
            encoding = _encoding(code, frame, phase, lettered, usual, sync, bursts, begins, stops, bits)
            per_half = (frame.bits + (memoryless + 1) * max(0, whole - halves)) / max(1, whole)
            # Bytes of symbols that are half of the true ones repeat themselves, and so seem cheap.
            per_half += code.bits
            gain = (memoryless * halves - frame.bits) * math.log(2) * min(1.0, share / 0.9)
            found.append(_Candidate(code, frame, phase, encoding, per_half, gain, share))
    return found


def _memoryless(texts: list[str]) -> float:
    """Bits a half-wave that telling the classes one by one would take."""
    counts = np.array(list(Counter("".join(texts)).values()), float)
    share = counts / counts.sum()
    return float(-np.sum(share * np.log2(share)))


def _directions(code: Code, rows: list[BitArray], bursts: list[Burst], begins: list[int]) -> list[BitArray]:
    """Phase encoding: the direction of the transition in the middle of each cell; 1 is rising."""
    change = 1 if len(code.second) == 1 else 0
    made = []
    for row, burst, begin in zip(rows, bursts, begins, strict=False):
        place = burst.leader[1] + begin
        rises = burst.first_high == (place % 2 == 0)
        changes = np.concatenate(([int(rises)], (row == change).astype(int)))
        made.append((np.cumsum(changes) % 2).astype(np.int8))
    return made


def _evened(rows: list[BitArray]) -> list[BitArray]:
    """Rows of phase encoding, where the first one or two transitions after silence were lost in some."""
    rests = Counter(len(row) % 8 for row in rows).most_common(1)
    if not rests or rests[0][1] < 2:
        return rows
    usual = rests[0][0]
    made = []
    for row in rows:
        missing = (usual - len(row)) % 8
        if 0 < missing <= 2 and len(row) > 8 and np.all(row[1:5] != row[:4]):
            head = [(int(row[0]) + missing - k) % 2 for k in range(missing)]
            row = np.concatenate((np.array(head, np.int8), row))
        made.append(row)
    return made


def _with_preamble(frame: Frame) -> Frame:
    """A frame whose first bytes, alternating bits in every block, are part of the preamble."""
    while frame.data_bits == 8 and not frame.fixed_bits and frame.blocks:
        heads = Counter(block[:1] for block in frame.blocks).most_common(1)[0]
        if heads[0] not in (b"\xaa", b"\x55") or heads[1] < 0.6 * len(frame.blocks):
            break
        if len(frame.preamble) >= 64 or min(map(len, frame.blocks)) < 2:
            break
        frame = replace(
            frame, preamble=frame.preamble + f"{heads[0][0]:08b}", blocks=tuple(b[1:] for b in frame.blocks)
        )
    return frame


def _rounded(seconds: float) -> float:
    return round(seconds * 1e7) / 1e7


def _mean_lengths(lettered: Lettered) -> dict[str, float]:
    """Mean half-wave of each class."""
    found = {}
    everything = np.concatenate(lettered.scaled)
    letters = np.array(list("".join(lettered.texts)))
    for k in range(len(lettered.classes)):
        mine = everything[letters == LETTERS[k]]
        if len(mine):
            found[LETTERS[k]] = float(np.mean(mine))
    return found


def _encoding(
    code: Code, frame: Frame, phase: bool, lettered: Lettered, usual: float, sync: int, bursts: list[Burst],
    begins: list[int], stops: list[int], bits: list[BitArray],
) -> Encoding:  # fmt: skip
    """The encoding a candidate stands for, the first symbol being a nought."""
    length = _mean_lengths(lettered)
    first, second = ([length.get(c, 0.0) for c in word] for word in (code.first, code.second))
    whole_first, whole_second = sum(first), sum(second)
    if 0.96 < whole_first / whole_second < 1.04 and not phase and len(first) != len(second):
        # Symbols of equal time, as when one clock makes both tones.
        middle = (whole_first + whole_second) / 2
        first = [f * middle / whole_first for f in first]
        second = [s * middle / whole_second for s in second]
        for letter, value in ((code.first[0], first[0]), (code.second[0], second[0])):
            length[letter] = value
    gaps = [
        later.edges[0] - earlier.edges[-1]
        for earlier, later in itertools.pairwise(bursts)
        if later.edges[0] > earlier.edges[-1]
    ]
    smallest = min([0.25, *(0.4 * float(g) for g in gaps if g > 0.02)])
    gap = 0.25 if usual and (np.median([b.leader_seconds for b in bursts]) > 0.3) else max(0.02, smallest)
    common: dict[str, Any] = {
        "name": "unknown", "data_bits": frame.data_bits, "parity": frame.parity, "start": frame.start,
        "stop": frame.stop, "least_first": False, "block_gap": round(gap, 3),
    }  # fmt: skip
    if phase:
        cell = _cell(code, length)
        return Encoding(
            **common, cell=_rounded(cell), preamble=frame.preamble or "10", postamble=_postamble(frame, bits)
        )
    halves: Halves = ()
    syncs: Halves = ()
    if usual:
        lead = usual
        for value in length.values():
            if abs(math.log(value / usual)) < 0.06:
                lead = value
        halves = (_rounded(lead),) * 2
        if sync > 0:
            syncs = tuple(
                _rounded(float(np.median([row[k] for row in lettered.scaled if len(row) > k])))
                for k in range(sync)
            )
    # A clock-driven sender fills its pauses with stop bits where the leader is the tone of a stop bit.
    resting = code.first if frame.stop[:1] == "0" else code.second
    idle = bool(
        halves and frame.start and frame.stop and frame.start[-1] != frame.stop[0] and len(set(resting)) == 1
        and abs(halves[0] / length[resting[0]] - 1) < 0.08
    )  # fmt: skip
    return Encoding(
        **common,
        zero=tuple(map(_rounded, first)),
        one=tuple(map(_rounded, second)),
        leader=halves,
        leader_seconds=round(float(np.median([b.leader_seconds for b in bursts])), 2) if usual else 0.0,
        sync=syncs,
        marker=tuple(_rounded(length[c]) for c in code.marker),
        preamble=frame.preamble,
        idle=idle,
        trailer=() if idle else _trailer(lettered, stops, frame),
    )


def _cell(code: Code, length: dict[str, float]) -> float:
    """A bit cell: one long half-wave, or two short ones."""
    words = sorted((code.first, code.second), key=len)
    return (length[words[0][0]] + 2 * length[words[1][0]]) / 2


def _postamble(frame: Frame, bits: list[BitArray]) -> str:
    """Bits that end every block and alternate."""
    if len(frame.blocks) < 2:
        return ""
    ends = Counter(
        "".join(map(str, row[len(row) - left - 8 : len(row) - left]))
        for row, left in zip(bits, frame.left, strict=False)
    )
    word, times = ends.most_common(1)[0]
    return word if word in ("10101010", "01010101") and times >= 0.6 * len(frame.blocks) else ""


def _trailer(lettered: Lettered, stops: list[int], frame: Frame) -> Halves:
    """Half-waves that come after the last byte every time."""
    if any(frame.left) or len(stops) < 2:
        return ()
    ends = [
        row[stop : stop + 5]
        for row, stop in zip(lettered.scaled, stops, strict=True)
        if len(row) - stop <= 12
    ]
    halves: list[float] = []
    for k in range(4):
        here = np.array([row[k] for row in ends if len(row) > k])
        if len(here) < max(2, 0.6 * len(stops)):
            break
        middle = float(np.median(here))
        if np.mean(np.abs(here / middle - 1) < 0.12) < 0.7 or middle > 3e-3:
            break
        halves.append(_rounded(middle))
    # The very last half-wave runs into the silence, so its length says little.
    return tuple(halves[:-1]) if len(halves) > 1 else tuple(halves)


# -- proof ------------------------------------------------------------------------------------------------


def _excerpt(bursts: list[Burst], samples: FloatArray, rate: float, most: float) -> tuple[float, float]:
    """Seconds from where to where a proof reads: whole bursts."""
    first = max(0.0, float(bursts[0].edges[0]) - 0.15)
    last = float(bursts[0].edges[-1])
    for burst in bursts:
        if burst.edges[-1] - first > most:
            break
        last = float(burst.edges[-1])
    return first, min(last + 0.3, len(samples) / rate)


def _read(
    encoding: Encoding, bursts: list[Burst], samples: FloatArray, rate: float, most: float
) -> tuple[tuple[Block, ...], float, float]:
    """Blocks, the share of the data's time that they cover, and where the excerpt begins."""
    first, last = _excerpt(bursts, samples, rate, most)
    # A leader may be long; its end is enough.
    begin = max(first, float(bursts[0].edges[bursts[0].leader[1]]) - 1.5) if bursts[0].leader[1] else first
    last = min(max(last, begin + 1.0), begin + 2 * most)
    piece = samples[int(begin * rate) : int(last * rate)]
    with Recording.from_array(piece.astype(np.float32), int(rate)) as take:
        tape = decode(take, encoding)
    data = covered = 0.0
    for burst in bursts:
        start, stop = float(burst.edges[burst.leader[1]]) - begin, float(burst.edges[-1]) - begin
        if stop > last - begin:
            continue
        spans = [(max(start, b.start), min(stop, b.end)) for b in tape.blocks]
        within = sum(max(0.0, b - a) for a, b in spans)
        if encoding.idle:
            # What follows the last byte may be idle tone.
            stop = max([start + 0.3 * (stop - start), *(b for a, b in spans if b > a)])
        data += stop - start
        covered += min(within, stop - start)
    return tape.blocks, covered / data if data else 0.0, begin


def _structure(blocks: Sequence[Block], cover: float, gain: float) -> float:
    """Chance that the symbols and frames are right."""
    if not blocks:
        return 0.0
    weights = np.array([len(b.data) for b in blocks], float)
    sure = float(np.sum(weights * [float(np.mean(b.confidence)) for b in blocks]) / max(1.0, weights.sum()))
    quality = min(1.0, cover) * sure
    return _logistic(25 * (quality - 0.72)) * _logistic((gain - 25) / 6)


def _prove(candidate: _Candidate, bursts: list[Burst], samples: FloatArray, rate: float) -> list[_Proved]:
    """Read with a candidate, and find how its bits are to be turned and what check holds."""
    encoding = candidate.encoding
    frame = candidate.frame
    own = [_without_end(data, candidate) for data in frame.blocks]
    if candidate.phase:
        # Which way up, and so where the first bit lies, is not known yet: the letters have to do.
        blocks: tuple[Block, ...] = ()
        cover = candidate.share
        structure = _logistic(25 * (cover - 0.72)) * _logistic((candidate.gain - 25) / 6)
    else:
        blocks, cover, _ = _read(encoding, bursts, samples, rate, PROOF_SECONDS)
        structure = _structure(blocks, cover, candidate.gain)
    if structure < 0.01:
        return []
    found = []
    full = [b.data for b in blocks if len(b.data) >= 4 and float(np.mean(b.confidence)) > 0.9] or own
    for least, turned in itertools.product((False, True), (False, True)):
        prior = _habit(candidate, least, turned)
        check: FoundCheck | None = None
        for source in (full, own) if full is not own else (own,):
            other = _best_check([_turned(data, frame.data_bits, least, turned) for data in source], frame)
            if other and (check is None or other.evidence > check.evidence):
                check = other
        # The bytes read from the letters are the same stretch of tape for every candidate; what a check
        # explains need not look like text.
        end = check.check.size + check.trailing if check else 0
        bits = sum(
            bits_of_kind(_turned(data[: len(data) - end], frame.data_bits, least, turned)) for data in own
        )
        nats = prior - 0.5 * math.log(2) * bits + (min(60.0, check.evidence) if check else 0.0)
        made = _oriented(encoding, candidate, least, turned)
        reasons, doubts = _reasons(candidate, made, check, full, cover)
        if check:
            made = replace(made, check=check.check)
        # A check that holds proves symbols and frames, however badly they were read.
        sure = max(structure, 1 - 10 * check.luck) if check else structure
        if check is None and _variety(own) < LEAST_VARIETY:
            # A held note repeats itself as well as data do, and says nothing.
            sure *= 0.3
        if check is None and not frame.fixed_bits and not candidate.code.marker:
            # Nothing but likely bytes says where a byte begins.
            sure *= 0.85
        found.append(_Proved(made, nats, sure, check, reasons, doubts, blocks, candidate))
    return found


def _best_check(datas: Sequence[bytes], frame: Frame) -> FoundCheck | None:
    found = find_check(datas) if frame.data_bits == 8 else []
    return found[0] if found else None


def _variety(datas: Sequence[bytes]) -> float:
    """Entropy of the bytes' frequencies, in bits a byte."""
    counts = np.array(list(Counter(b"".join(datas)).values()), float)
    share = counts / max(1.0, counts.sum())
    return float(-np.sum(share * np.log2(share)))


def _without_end(data: bytes, candidate: _Candidate) -> bytes:
    """The bytes of a block as read from the letters, a postamble left out."""
    return data[:-1] if candidate.encoding.postamble and len(data) > 1 else data


def _logistic(value: float) -> float:
    return 1 / (1 + math.exp(-max(-60.0, min(60.0, value))))


def _turned(data: bytes, bits: int, least: bool, turned: bool) -> bytes:
    mask = (1 << bits) - 1
    if turned:
        data = bytes(value ^ mask for value in data)
    return mirrored(data, bits) if least else data


def _habit(candidate: _Candidate, least: bool, turned: bool) -> float:
    """Nats for what is usual: stop bits are ones, least bit first with start bits, longer ones; by hand."""
    frame = candidate.frame
    if frame.data_bits < 8 and not (frame.start and frame.stop) and not candidate.code.marker:
        return -20.0 - (0.0 if least else 1.0) - (1.0 if turned else 0.0)
    if frame.stop or frame.start:
        stop_is_one = (frame.stop[:1] == "1") if frame.stop else frame.start[:1] == "0"
        return (0.0 if stop_is_one != turned else -15.0) - (0.0 if least else 4.0)
    if candidate.phase:
        return -(1.0 if turned else 0.0) - (0.0 if least else 0.7)
    if candidate.code.marker:
        return -(0.0 if least else 1.0) - (0.5 if turned else 0.0)
    return -(1.0 if least else 0.0) - (1.2 if turned else 0.0)


def _flip(bits: str) -> str:
    return bits.translate(str.maketrans("01", "10"))


def _oriented(encoding: Encoding, candidate: _Candidate, least: bool, turned: bool) -> Encoding:
    """The encoding with its bits in an order and with a meaning."""
    made = replace(encoding, least_first=least)
    if not turned:
        return made
    parity = made.parity
    if parity != "none" and (made.data_bits + 1) % 2:
        # All bits turned over, parity too: an odd number of them changes the parity.
        parity = "odd" if parity == "even" else "even"
    made = replace(
        made, start=_flip(made.start), stop=_flip(made.stop), preamble=_flip(made.preamble),
        postamble=_flip(made.postamble), parity=parity,
    )  # fmt: skip
    if candidate.phase:
        return replace(made, one_rises=not made.one_rises)
    return replace(made, zero=made.one, one=made.zero)


def _waves_in_words(halves: Halves) -> str:
    parts = []
    for value, group in itertools.groupby(halves):
        many = len(list(group))
        parts.append(f"{_count(many, 'half-wave')} of {value * 1e6:.0f} us")
    return ", ".join(parts)


def _reasons(
    candidate: _Candidate, encoding: Encoding, check: FoundCheck | None, blocks: Sequence[bytes], cover: float
) -> tuple[list[str], list[str]]:
    """What speaks for a candidate, and what the tape leaves open."""
    frame = candidate.frame
    reasons, doubts = [], []
    if candidate.phase:
        reasons.append(
            f"phase encoding in cells of {encoding.cell * 1e6:.0f} us: short half-waves come in pairs"
        )
    else:
        reasons.append(
            f"a 0 is {_waves_in_words(encoding.zero)}; a 1 is {_waves_in_words(encoding.one)} "
            f"({100 * min(1.0, candidate.code.cover):.0f} % of the data fits)"
        )
    if encoding.marker:
        reasons.append(f"before each byte: {_waves_in_words(encoding.marker)}")
    if encoding.sync:
        reasons.append(f"between leader and data: {_waves_in_words(encoding.sync)}")
    if frame.fixed_bits:
        parts = [f"start {encoding.start}" if encoding.start else "", f"{encoding.data_bits} data bits",
                 f"{encoding.parity} parity" if encoding.parity != "none" else "",
                 f"stop {encoding.stop}" if encoding.stop else ""]  # fmt: skip
        count = sum(map(len, frame.blocks))
        reasons.append(f"each byte: {', '.join(p for p in parts if p)}; held on {_count(count, 'byte')}")
    if encoding.preamble:
        reasons.append(f"before the first byte the bits {encoding.preamble}")
    if check:
        reasons.append(_check_in_words(check))
    else:
        doubts.append("no usual check rule holds on the blocks")
    reasons.append(
        f"reading with it gives {_count(len(blocks), 'block')} and {100 * min(1.0, cover):.0f} % of the data"
    )
    return reasons, doubts


def _check_in_words(check: FoundCheck) -> str:
    return (
        f"the check {_rule_in_words(check)} holds on {check.holds} of {_count(check.blocks, 'block')}; "
        f"by luck once in {1 / max(check.luck, 1e-99):.2g} tapes"
    )


def _rule_in_words(found: FoundCheck) -> str:
    check = found.check
    name = {"xor": "XOR of all bytes", "sum": "sum of all bytes", "negative sum": "bytes add up to nought",
            "crc": f"CRC with polynomial {check.polynomial:#x}"}[check.rule]  # fmt: skip
    more = [f"{check.width} bits"]
    if check.start or check.final:
        more.append(f"start {check.start:#x}, final {check.final:#x}")
    if check.reflected:
        more.append("reflected")
    if check.width > 8:
        more.append("low byte first" if check.low_byte_first else "high byte first")
    if check.skip:
        more.append(f"without the first {_count(check.skip, 'byte')}")
    return f"({name}, {', '.join(more)})"


def _proposals(
    proved: list[_Proved], bursts: list[Burst], samples: FloatArray, rate: float, offset: float
) -> list[Proposal]:
    """Weigh what was proved, best first, and read the stretch with the best."""
    if not proved:
        return []
    # How few bits a half-wave takes compares candidates; how well the reading went compares them too.
    least = min(p.candidate.bits_a_half for p in proved)
    weights = []
    for p in proved:
        halves = p.candidate.frame.told
        worse = min(40.0, 0.3 * (p.candidate.bits_a_half - least) * halves)
        weights.append(p.weight + math.log(max(1e-9, p.structure)) * 4 - worse)
    array = np.exp(np.array(weights) - max(weights))
    share = array / array.sum()
    order = np.argsort(-share)
    found: list[Proposal] = []
    for rank, k in enumerate(order[:5]):
        p = proved[int(k)]
        chance = float(share[k]) * p.structure
        if rank and chance < 0.01:
            break
        encoding, known, words = _named(p.encoding)
        reasons = ([words] if words else []) + p.reasons
        doubts = list(p.doubts)
        if chance < 0.9 and share[k] < 0.9:
            doubts.append("bits may come in the other order, or mean the opposite: see the other proposals")
        blocks: tuple[Block, ...] = ()
        if rank == 0:
            encoding, read, more = _read_all(encoding, p, bursts, samples, rate, offset)
            blocks = tuple(read)
            reasons += more
            if more:
                doubts = [d for d in doubts if "check" not in d]
        found.append(Proposal(encoding, chance, tuple(reasons), tuple(doubts), blocks, known))
    return found


def _read_all(
    encoding: Encoding, proved: _Proved, bursts: list[Burst], samples: FloatArray, rate: float, offset: float
) -> tuple[Encoding, list[Block], list[str]]:
    """Read the whole stretch with the best proposal; more blocks may show a check that few did not."""
    most = PHASE_PROOF_SECONDS if encoding.is_phase else STRETCH_SECONDS
    read, _, begin = _read(encoding, bursts, samples, rate, most)
    words: list[str] = []
    if encoding.check is None and encoding.data_bits == 8 and not encoding.is_phase:
        found = find_check([b.data for b in read if float(np.mean(b.confidence)) > 0.9])
        if found and found[0].evidence > 7 and not found[0].trailing:
            encoding = replace(encoding, check=found[0].check)
            words.append(_check_in_words(found[0]))
            read, _, begin = _read(encoding, bursts, samples, rate, most)
    return encoding, [_moved(b, begin + offset) for b in read], words


def _moved(block: Block, seconds: float) -> Block:
    return replace(
        block, start=block.start + seconds, end=block.end + seconds, byte_times=block.byte_times + seconds
    )


def _named(encoding: Encoding) -> tuple[Encoding, str, str]:
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
