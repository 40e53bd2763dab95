"""From a recording to the bytes on the tape, each with how sure it is."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from .asymmetry import Asymmetries, median_asymmetry
from .blocks import Block, ByteRow
from .conditioned import Conditioner, Window
from .encoding import Encoding, encoding_named
from .equalise import Equaliser, learn
from .follower import FULL, NOTHING_LEFT, Follower, Memory, Piece, Settings
from .gather import Gatherer
from .grammar import ENDED, LEADER, Grammar, grammar_of
from .kernels import path_to
from .loudness import FAINTEST, Loudness
from .repair import Rival
from .slipping import JITTER, slipping_grammar
from .starts import Start, can_begin_amid, find_start, find_start_amid

FloatArray = npt.NDArray[np.float64]
Progress = Callable[[float], None]


@dataclass(frozen=True)
class Tape:
    """What was read from one recording.

    Attributes
    ----------
    encoding : Encoding
    blocks : tuple of Block
        In the order of the tape.
    speed_times, speed : float64 arrays (n,)
        Seconds into the recording, and tape speed there, 1 being nominal.
    polarity : int
        -1 if the recording is upside down, 1 if not, 0 if that cannot be told: see `polarity_of`.
    asymmetry : float
        How much longer than their share half-waves above the middle last, from -1 to 1; NaN if nothing was
        read. See `asymmetry.asymmetry_of`.
    duration : float
        Seconds of recording read.
    warnings : tuple of str
    edges, nominal : float64 arrays (m,)
        Only when asked for: when each half-wave ended, in seconds, and how long it should have been at
        nominal speed (NaN where a new run of reading begins).
    """

    encoding: Encoding
    blocks: tuple[Block, ...]
    speed_times: FloatArray
    speed: FloatArray
    polarity: int
    asymmetry: float
    duration: float
    warnings: tuple[str, ...] = ()
    edges: FloatArray = field(default_factory=lambda: np.empty(0), repr=False)
    nominal: FloatArray = field(default_factory=lambda: np.empty(0), repr=False)

    @property
    def data(self) -> bytes:
        """All bytes of all blocks."""
        return b"".join(block.data for block in self.blocks)


@dataclass
class _Stretch:
    """One run of reading, from a start until the signal is lost."""

    start: Start
    polarity: int
    gatherer: Gatherer
    end: float = 0.0
    ended_well: bool = False
    other_start: float = math.inf
    """What the best reading costs more that began at another bit, and never met this one."""


SILENT = 0.12
"""Share of the usual amplitude below which nothing is heard."""


class Reader:
    """Reads one recording, or a stretch of it, in one encoding.

    Parameters
    ----------
    recording : Recording
    encoding : Encoding
    channel : int or "mean"
        Which channel to read.
    polarity : int
        1, or -1 to read it upside down.
    equaliser : Equaliser, optional
        What was learnt about the signal.
    first, last : int, optional
        The stretch, in samples of the recording.
    discount : bool, optional
        Trust what a dropout leaves over less than its level says.
    amid : bool, optional
        Look for data without a leader, and not for leaders. See `starts.can_begin_amid`.
    slipping : bool, optional
        Bits need not be whole cycles. See `slipping`.
    keep_edges : bool, optional
        Keep all half-waves of each row, and not only the latest.
    loudness : Loudness, optional
        Where to note how loud the recording is.
    """

    SLICE = 0.12
    """Seconds between two looks at whether the signal is lost."""
    MOST_HELD = 60_000
    """Hypotheses above which what is certain is given out: fewer stay in the processor's cache."""
    LONGEST_GAP = 0.35
    """Seconds of nothing that a block may hold."""
    SETTLED = 0.03
    """Seconds into a silence for which reading goes on, so that no end is missed."""
    LONGEST_GAP_LEADERLESS = 0.12
    """The same where blocks follow each other without leaders, after short silences."""

    def __init__(
        self,
        recording: Any,
        encoding: Encoding,
        channel: Any = "mean",
        *,
        polarity: int = 1,
        equaliser: Equaliser | None = None,
        first: int = 0,
        last: int | None = None,
        discount: bool = True,
        amid: bool = False,
        slipping: bool = False,
        keep_edges: bool = True,
        loudness: Loudness | None = None,
    ) -> None:
        self.find = find_start_amid if amid else find_start
        self.amid, self.slipping, self.keep_edges = amid, slipping, keep_edges
        self.recording, self.encoding, self.channel = recording, encoding, channel
        self.polarity, self.equaliser = polarity, equaliser
        self.first, self.last = first, last
        self.grammar: Grammar = slipping_grammar(encoding) if slipping else grammar_of(encoding)
        self.conditioner = Conditioner(
            encoding,
            recording.rate,
            equaliser=None if equaliser is None else equaliser.taps,
            discount=discount,
        )
        self.rate = self.conditioner.rate
        self.short = encoding.shortest * self.rate
        self.reach = 3.0 * encoding.longest * self.rate + 16
        self.longest_gap = self.LONGEST_GAP if encoding.leader else self.LONGEST_GAP_LEADERLESS
        self.loudest = 0.0
        self.loudness = loudness
        self.memory: Memory | None = None
        self.stretches: list[_Stretch] = []
        self.follower: Follower | None = None
        self.history: list[tuple[float, float]] = []
        self.now = 0.0
        self.hunt = 0.0

    def read(self, progress: Progress | None = None) -> list[ByteRow]:
        """Read it all."""
        return list(self.rows(progress))

    def rows(self, progress: Progress | None = None) -> Iterator[ByteRow]:
        """Read it all, and give each row as soon as it is read."""
        ending: Window | None = None
        for window in self.conditioner.windows(self.recording, self.channel, self.first, self.last):
            ending = None
            if len(window.amplitude):
                # One in sixteen is enough: it changes slowly.
                here = float(np.percentile(window.amplitude[::16], 95))
                self.loudest = max(0.9 * self.loudest, here)
                if self.loudness is not None:
                    self.loudness.note(window.start / self.rate, self.rate, window.amplitude, self.loudest)
            self._window(window)
            yield from self._finished()
            if progress is not None and self.recording.frames:
                progress(min(1.0, window.stop / self.rate * self.recording.rate / self.recording.frames))
            ending = window.level_only()
            del window  # before the next one is made
        if self.follower is not None and ending is not None:
            self._lose(ending)
            yield from self._finished()

    def _finished(self) -> list[ByteRow]:
        done = [s for s in self.stretches if s.end]
        self.stretches = [s for s in self.stretches if not s.end]
        rows = []
        for s in done:
            if s.gatherer.places:
                row = s.gatherer.row(s.polarity, s.ended_well)
                if math.isfinite(s.other_start) and row.count:
                    row.rivals.append(
                        Rival(0, row.count, b"", s.other_start, float(row.begins[0]), float(row.ends[-1]))
                    )
                rows.append(row)
        return rows

    def _window(self, window: Window) -> None:
        while True:
            if self.follower is None:
                start = self.find(
                    window, self.encoding, self.grammar, self.rate, self.hunt, FAINTEST * self.loudest
                )
                if start is None:
                    self.hunt = max(self.hunt, window.stop - 0.3 * self.rate)
                    return
                self._begin(start)
            if not self._follow(window):
                return

    def _begin(self, start: Start) -> None:
        settings = Settings(noise=start.noise, amplitude=start.amplitude, polarity=self.polarity)
        if self.slipping:
            settings = replace(settings, jitter=JITTER)
        if self.equaliser is not None:
            share = float(np.clip(1.5 * self.equaliser.noise, 0.22, 0.5))
            settings = replace(settings, noise=share * start.amplitude, jitter=0.05)
        offsets = np.zeros((len(self.grammar.to), 2))
        offsets[:, 1] = start.lead / 2
        offsets[:, 0] = -start.lead / 2
        self.memory = self.memory or Memory(Follower.CAPACITY)
        self.follower = Follower(
            self.grammar, self.rate, self.encoding.shortest, self.encoding.longest, settings,
            self.conditioner.high_hertz, offsets, self.memory,
        )  # fmt: skip
        self.follower.begin(start.seeds)
        gatherer = Gatherer(self.grammar, self.encoding, self.rate, self.amid, self.keep_edges)
        self.stretches.append(_Stretch(start, self.polarity, gatherer))
        self.now = start.time
        self.history = [(start.time, 0.0)]

    def _follow(self, window: Window) -> bool:
        """Follow to the end of the window (False) or of the signal (True)."""
        assert self.follower is not None
        last = window.stop - self.reach
        held = self.MOST_HELD
        while self.now < last:
            until = min(self.now + self.SLICE * self.rate, last)
            over = self._falls_silent(window)
            if over is not None:
                # To follow hiss costs more than to follow data, and tells nothing.
                until = min(until, over)
            state = self.follower.run(window, until)
            if state == FULL:
                if not self._commit():
                    self._lose(window)
                    return True
                continue
            self.now = until
            living = self.follower.living()
            silent = over is not None and self.now >= over
            if silent or state == NOTHING_LEFT or not len(living) or self._lost(window, living):
                self._lose(window)
                return True
            if self.follower.size > held:
                self._commit()
                # What cannot be given out yet is not looked through at each step.
                held = max(self.MOST_HELD, round(1.5 * self.follower.size))
        self._commit()
        return False

    def _commit(self) -> bool:
        """Give out what all that live agree on; whether there was any."""
        assert self.follower is not None
        piece = self.follower.commit((self.longest_gap + 0.1) * self.rate)
        if piece is not None:
            self.stretches[-1].gatherer.add(piece)
        return piece is not None

    def _falls_silent(self, window: Window) -> float | None:
        """When, in the next slice, it is certain that a silence has begun in which the signal is lost."""
        assert self.follower is not None
        here, step = int(self.now - window.start), 8  # the amplitude changes slowly
        gap, settled = self.longest_gap * self.rate / step, self.SETTLED * self.rate
        seen = window.amplitude[max(0, here) : here + int((self.longest_gap + self.SLICE) * self.rate) : step]
        loud = np.flatnonzero(seen >= SILENT * self.follower.settings.amplitude)
        since = int(loud[-1]) + 1 if len(loud) else 0
        return self.now + since * step + settled if len(seen) - since >= gap else None

    def _lost(self, window: Window, living: npt.NDArray[np.int32]) -> bool:
        assert self.follower is not None
        f = self.follower
        best = living[int(np.argmin(f.cost[living]))]
        self.history.append((float(f.edge_at[best]), float(f.cost[best])))
        amplitude = f.settings.amplitude
        gap = int(self.longest_gap * self.rate)
        here = int(self.now - window.start)
        recent = window.amplitude[max(0, here - gap) : here]
        if len(recent) >= gap and float(np.max(recent)) < SILENT * amplitude:
            return True
        span = max(0.12 * self.rate, 80 * self.short)
        for time, cost in reversed(self.history):
            if self.history[-1][0] - time >= span:
                rate = (self.history[-1][1] - cost) / ((self.history[-1][0] - time) / self.short)
                return rate > 1.0
        return False

    def _lose(self, window: Window) -> None:
        """The signal is lost: choose where the block ends, and go on looking from there."""
        assert self.follower is not None
        f, stretch = self.follower, self.stretches[-1]
        ends = f.ends()
        ends = ends[f.edge_at[ends] >= f.edge_at[0]]
        began = stretch.start.time
        if len(ends):
            place = np.clip((f.edge_at[ends] - window.start).astype(int), 0, len(window.amplitude))
            first = int(np.min(place))
            place -= first
            loud = window.amplitude[first : first + int(np.max(place))] > 0.3 * f.settings.amplitude
            present = np.concatenate(([0.0], np.cumsum(loud) / self.short))
            # Good reading earns more than it costs, so the least of this is where good reading stops.
            score = f.cost[ends] - 0.9 * present[place]
            score -= np.where(f.grammar.kind[f.node[ends]] == ENDED, 4.0, 0.0)
            last = self._best_end(ends, score)
            if self.amid:
                stretch.other_start = self._other_start(ends, last)
            piece = f.final(last)
            stretch.gatherer.add(piece)
            stretch.end = float(f.edge_at[last])
            stretch.ended_well = self._ended_well(window, piece, stretch.end)
        else:
            stretch.end = began
        stretch.end = max(stretch.end, began + 1)
        self.hunt = max(stretch.end, began + 0.02 * self.rate)
        self.follower = None

    def _best_end(self, ends: npt.NDArray[np.int32], score: FloatArray) -> int:
        """The likeliest end; of several about as likely, the one with which the check holds."""
        assert self.follower is not None
        f, stretch, check = self.follower, self.stretches[-1], self.encoding.check
        first = int(ends[np.argmin(score)])
        if check is None:
            return first
        near = np.flatnonzero(score <= np.min(score) + 10)
        order = near[np.argsort(score[near])]
        tried: set[tuple[int, int]] = set()
        for k in order[:400]:
            if len(tried) >= 8:
                break
            end = int(ends[k])
            key = (int(f.edge_at[end] / (4 * self.short)), int(f.grammar.kind[f.node[end]]))
            if key in tried:
                continue
            tried.add(key)
            if stretch.gatherer.checks_with(f.final(end, with_rivals=False)):
                return end
        return first

    def _other_start(self, ends: npt.NDArray[np.int32], last: int) -> float:
        """How much worse the best reading is that shares nothing with the one that ends at `last`."""
        assert self.follower is not None
        f = self.follower
        path = path_to(f.parent, last)
        late = ends[f.edge_at[ends] > f.edge_at[last] - 2 * self.encoding.byte_seconds * self.rate]
        more = f.cost[late] - np.interp(f.edge_at[late], f.edge_at[path], f.cost[path])
        near = np.flatnonzero(more <= 20)
        for k in near[np.argsort(more[near])][:400]:
            if path_to(f.parent, int(late[k]))[1] != path[1]:
                return max(0.0, float(more[k]))
        return math.inf

    def _ended_well(self, window: Window, piece: Piece, end: float) -> bool:
        """Whether leader or silence follows, and not more of what could not be read."""
        assert self.follower is not None
        n = 24
        edges = piece.edge[-n:]
        led = len(edges) == n and bool(np.all(edges >= 0))
        if led and bool(np.all(self.grammar.kind[self.grammar.to[edges]] == LEADER)):
            return bool(piece.cost[-1] - piece.cost[-1 - n] < 0.5 * n)
        since = int(end - window.start + 0.006 * self.rate)
        after = window.amplitude[max(0, since) : since + int(0.06 * self.rate)]
        return len(after) < 8 or float(np.median(after)) < 0.4 * self.follower.settings.amplitude


def without_doubles(rows: list[ByteRow]) -> list[ByteRow]:
    """Rows that do not overlap: of two that do, the one that is worth more. In the order of the tape."""
    kept: list[ByteRow] = []
    for row in sorted(rows, key=lambda r: -r.worth):
        if not row.count:
            continue
        first, last = float(row.begins[0]), float(row.ends[-1])
        if all(min(last, r.ends[-1]) - max(first, r.begins[0]) < 0.3 * (last - first) for r in kept):
            kept.append(row)
    return sorted(kept, key=lambda r: float(r.begins[0]))


def read_rows(
    recording: Any,
    encoding: Encoding,
    channel: Any = "mean",
    progress: Progress | None = None,
    discount: bool = True,
    *,
    settle: Callable[[ByteRow], None] | None = None,
    loudness: Loudness | None = None,
) -> list[ByteRow]:
    """Read a recording, and read again, with what was learnt, what was not good.

    See `decode`; `channel` is what `channel_to_read` chose. `settle` is called with each row that will not be
    read again; if it is given, rows hold only their latest half-waves.
    """
    told: Progress = progress or tell_nobody
    keep_edges = settle is None

    def reader(polarity: int = 1) -> Reader:
        return Reader(
            recording, encoding, channel,
            polarity=polarity, discount=discount, keep_edges=keep_edges, loudness=loudness,
        )  # fmt: skip

    def settled(row: ByteRow) -> ByteRow:
        if settle is not None:
            settle(row)
        return row

    def again(row: ByteRow) -> list[ByteRow]:
        if _sound(row):
            return [settled(row)]
        better = read_again(recording, row, channel, discount=discount, keep_edges=keep_edges)
        return [settled(found) for found in better]

    if not encoding.is_phase:
        rows = [found for row in reader().rows(told) for found in again(row)]
        told(1.0)
        return without_doubles(rows)
    # Which way up it is must be known before anything is read again.
    rows = [settled(r) if _sound(r) else r for r in reader().rows(lambda done: told(0.4 * done))]
    size = sum(len(block.data) for row in rows for block in row.blocks)
    good = sum(len(block.data) for row in rows for block in row.blocks if block.good)
    if good <= LITTLE * size:
        turned = reader(-1).read(lambda done: told(0.4 + 0.4 * done))
        rows = max(rows, turned, key=lambda found: sum(row.worth for row in found))
    after: list[ByteRow] = []
    for k, row in enumerate(rows):
        after += again(row)
        told(0.8 + 0.2 * (k + 1) / len(rows))
    return without_doubles(after)


LITTLE = 0.3
"""Share of the bytes: if no more is good, phase encoding is read upside down as well."""


def tell_nobody(done: float) -> None:
    """Tell nobody."""


def _sound(row: ByteRow) -> bool:
    """Whether a row need not be read again."""
    return not row.count or all(block.good for block in row.blocks)


def read_between(
    recording: Any, encoding: Encoding, rows: list[ByteRow], channel: Any, loudness: Loudness | None = None
) -> list[ByteRow]:
    """What can be read where no leader was: a recording that begins amid data, or a leader too short to find.

    Only the stretches that `rows` leave out are read, and each run whose beginning was not seen: what looked
    like its leader were ones amid data, and its first bytes may be divided wrongly. What a leader announced
    stays as it was read.
    """
    if not can_begin_amid(encoding):
        return rows
    byte, rate = encoding.byte_seconds, recording.rate

    def read(first: float, last: float) -> list[ByteRow]:
        if last - first < FEWEST_AMID * byte:
            return []
        edge = 12 * encoding.longest  # level is a mean over twice that
        if loudness is not None and loudness.silent(first + edge, last - edge):
            return []
        begin, end = int(first * rate), int(last * rate) + 1
        reader = Reader(recording, encoding, channel, first=begin, last=end, amid=True)
        return [row for row in reader.read() if _is_data(row)]

    def size(found: list[ByteRow]) -> int:
        return sum(len(block.data) * (1 + block.good) for row in found for block in row.blocks)

    at = 0.0
    found: list[ByteRow] = []
    for row in rows:
        first, last = row.first_edge, row.last_edge
        begun = row.count and row.led[0] and row.begins[0] - first > 1.5 * byte
        more = read(at, first if begun else last)
        # Not by confidence: what does not know that bytes may be divided otherwise has too much of it.
        again = not begun and size([r for r in more if r.last_edge > first]) >= 0.95 * size([row])
        found += more if again else [*more, row]
        at = last
    return without_doubles([*found, *read(at, recording.frames / rate)])


FEWEST_AMID = 4
"""Bytes of a run that no leader announced: their start and stop bits are right by chance once in 4,096."""


def _misfit(rows: list[ByteRow]) -> float:
    """Mean cost of a half-wave within bytes: -0.5 at best, 0 where each misses as one does usually."""
    cost = sum(float(np.sum(row.costs)) for row in rows)
    return cost / max(1, sum(row.halves_in_bytes for row in rows))


def _is_data(row: ByteRow, most: float = -0.05) -> bool:
    """Whether a run that no leader announced is data, and not music: data reads better than a usual miss."""
    return row.count >= FEWEST_AMID and _misfit([row]) < most


def read_slipping(recording: Any, encoding: Encoding, rows: list[ByteRow], channel: Any) -> list[ByteRow]:
    """Read again with bits that need not be whole cycles, where none of what was read is good.

    It takes the place of what was read if it fits clearly better. It is never good: with so much allowed, too
    much else comes near.
    """
    rows = [row for row in rows if row.count]
    usual = _misfit(rows)
    few = sum(row.count for row in rows) < FEWEST_AMID  # by chance: they tell nothing of the fit
    if not can_begin_amid(encoding) or not rows or (usual < -0.2 and not few):
        return rows
    if any(block.good for row in rows for block in row.blocks):
        return rows
    reader = Reader(recording, encoding, channel, slipping=True)
    found = [row for row in reader.read() if _is_data(row, -0.15)]
    for row in found:
        if not row.led[0] or row.begins[0] - row.first_edge < 1.5 * encoding.byte_seconds:
            # Begun amid data: the bytes may be divided otherwise. The figure is a guess.
            row.rivals.append(Rival(0, row.count, b"", 2.0, float(row.begins[0]), float(row.ends[-1])))
        row.led[:] = False
    enough = sum(row.count for row in found) >= 0.9 * sum(row.count for row in rows)
    better = few or _misfit(found) < usual - 0.15
    return without_doubles(found) if found and enough and better else rows


def channel_to_read(recording: Any, encoding: Encoding, channel: Any) -> Any:
    """The mean of two channels only where they run together.

    A tilted head plays one later than the other, and their mean then loses the short waves.
    """
    if channel != "mean" or recording.channels != 2:
        return channel
    rate = recording.rate
    middle = max(0, recording.frames // 2 - 5 * rate)
    both = np.asarray(recording.samples(middle, middle + 10 * rate), float)
    if len(both) < rate // 10:
        return channel
    left, right = np.diff(both[:, 0]), np.diff(both[:, 1])
    power = [float(np.mean(left**2)), float(np.mean(right**2))]
    loud = int(np.argmax(power))
    if min(power) < 0.1 * max(power):
        return loud
    size = 1 << (2 * len(left) - 1).bit_length()
    cross = np.fft.irfft(np.fft.rfft(left, size) * np.conj(np.fft.rfft(right, size)), size)
    reach = max(2, round(2 * encoding.longest * rate))
    near = np.concatenate((cross[-reach:], cross[: reach + 1]))
    delay = abs(int(np.argmax(np.abs(near))) - reach)
    inverted = near[int(np.argmax(np.abs(near)))] < 0
    return loud if inverted or delay > 0.1 * encoding.shortest * rate else channel


LONGEST_LESSON = 30.0
"""Seconds of tape that an equaliser is learnt from."""


def lesson_of(recording: Any, row: ByteRow, channel: Any) -> Equaliser | None:
    """What a run of reading teaches about the signal; None if it is too short."""
    encoding = row.encoding
    conditioner = Conditioner(encoding, recording.rate)
    rate = conditioner.rate
    edges, nominal, signs = row.edges * rate, row.nominal * rate, row.signs
    keep = edges >= edges[-1] - LONGEST_LESSON * rate
    edges, nominal, signs = edges[keep], nominal[keep], signs[keep]
    if len(edges) < 200:
        return None
    first = int(edges[0] / rate * recording.rate) // conditioner.down * conditioner.down
    last = int(edges[-1] / rate * recording.rate) + 1
    windows = conditioner.windows(recording, channel, first, last, overlap=0.0)
    return learn(windows, edges, nominal, signs, encoding.shortest * rate, encoding.longest * rate)


def read_again(
    recording: Any,
    row: ByteRow,
    channel: Any,
    rounds: int = 2,
    discount: bool = True,
    keep_edges: bool = True,
) -> list[ByteRow]:
    """Read a run again with an equaliser learnt from it; the better of both is the answer."""
    best = [row]
    sure: list[ByteRow] = []
    for _ in range(rounds):
        equaliser = lesson_of(recording, max(best, key=lambda r: len(r.edges)), channel)
        if equaliser is None:
            break
        first = max(0, int((min(r.first_edge for r in best) - 0.3) * recording.rate))
        last = int((max(r.last_edge for r in best) + 0.6) * recording.rate)
        rows = Reader(
            recording, row.encoding, channel,
            polarity=row.polarity, equaliser=equaliser, first=first, last=last, discount=discount,
            keep_edges=keep_edges,
        ).read()  # fmt: skip
        rows = [r for r in rows if r.count]
        sure += [r for r in rows if _sound(r)]
        if sum(r.worth for r in rows) <= sum(r.worth for r in best):
            break
        best = rows
        if all(b.good for r in best for b in r.blocks):
            break
    return _with_sure(best, sure)


def _with_sure(rows: list[ByteRow], sure: list[ByteRow]) -> list[ByteRow]:
    """Rows, but none that is good and was read in any round is lost to one that is not."""
    for good in sure:
        over = [r for r in rows if r.first_edge < good.ends[-1] and r.last_edge > good.begins[0]]
        if not any(block.good for r in over for block in r.blocks):
            rows = [*(r for r in rows if all(r is not o for o in over)), good]
    return sorted(rows, key=lambda r: float(r.begins[0]))


def polarity_of(rows: Sequence[ByteRow]) -> int:
    """Whether what was read stands upright, 1, or upside down, -1; 0 if that cannot be told.

    Phase encoding reads one way up only, and a good block tells which. Elsewhere it can be told where the
    encoding says on which side a byte begins, and a byte is made of whole cycles. Tones alone tell nothing:
    where the encoding names no side (the Kansas City standard does not), a cycle upside down is as good a
    cycle.
    """
    rows = [row for row in rows if row.count]
    if not rows:
        return 0
    encoding = rows[0].encoding
    if encoding.is_phase:
        sure = {row.polarity for row in rows if any(block.good for block in row.blocks)}
        return sure.pop() if len(sure) == 1 else 0
    whole = all(len(halves) % 2 == 0 for halves in (encoding.zero, encoding.one, encoding.marker))
    if not encoding.begins or not whole:
        return 0
    wanted = encoding.begins * (-1 if len(encoding.sync) % 2 else 1)
    mean = wanted * float(np.mean(np.concatenate([row.sides for row in rows])))
    return int(np.sign(mean)) if abs(mean) > 0.8 else 0


def decode(
    recording: Any,
    encoding: Encoding | str,
    *,
    channel: Any = "mean",
    progress: Progress | None = None,
    keep_edges: bool = False,
) -> Tape:
    """Read the blocks on a recording.

    Parameters
    ----------
    recording : Recording
    encoding : Encoding or str
        Or the name of one.
    channel : int or "mean", optional
        Channel of a stereo recording.
    progress : callable, optional
        Called with the share done, 0 to 1.
    keep_edges : bool, optional
        Keep every half-wave in the answer (about 80 kB a second of tape).

    Returns
    -------
    Tape

    Raises
    ------
    UnknownName
        There is no encoding of that name.
    """
    if isinstance(encoding, str):
        encoding = encoding_named(encoding)
    own = channel_to_read(recording, encoding, channel)
    looks = Asymmetries(recording, own)

    def settle(row: ByteRow) -> None:
        looks.look(row)
        row.forget_half_waves()

    loudness = Loudness()
    rows = read_rows(
        recording, encoding, own, progress, settle=None if keep_edges else settle, loudness=loudness
    )
    rows = read_between(recording, encoding, rows, own, loudness)
    rows = read_slipping(recording, encoding, rows, own)
    for row in rows:
        looks.look(row)
    blocks = [block for row in rows for block in row.blocks]
    times = [row.speed_times for row in rows if len(row.speed_times)]
    speeds = [row.speed for row in rows if len(row.speed)]
    return Tape(
        encoding=encoding,
        blocks=tuple(blocks),
        speed_times=np.concatenate(times) if times else np.empty(0),
        speed=np.concatenate(speeds) if speeds else np.empty(0),
        polarity=polarity_of(rows),
        asymmetry=median_asymmetry(rows),
        duration=recording.frames / recording.rate,
        warnings=tuple(recording.warnings),
        edges=np.concatenate([r.edges for r in rows]) if keep_edges and rows else np.empty(0),
        nominal=np.concatenate([r.nominal for r in rows]) if keep_edges and rows else np.empty(0),
    )
