"""`benchwright tape plot`: pictures of a recording."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import numpy as np

from ..errors import BadReading, BenchwrightError
from ..tape import Recording
from .tape_tell import about, json_option, plain, progress_bar, read_hertz

if TYPE_CHECKING:
    from ..plots.eye import EyeCounts
    from ..plots.half_waves import HalfWaveCounts
    from ..plots.paper import Picture
    from ..tape.decode import Tape
    from ..tape.encoding import Encoding
    from ..tape.flutter import ToneReport

KINDS = ("waveform", "half-waves", "speed", "flutter", "eye")
FORMATS = ("png", "svg")
_NEEDS_DATA = ("eye",)
_LONGEST_KEPT_S = 1200.0
"""Half-waves of longer recordings are read a second time, piece by piece, to keep memory flat."""
_PIECE_S = 300.0
_MOST_LAID = 40_000
"""Half-waves laid over one another for each piece: more change nothing that can be seen."""


class Excerpt:
    """A stretch of a recording that can be read like one.

    Parameters
    ----------
    recording : Recording
    start, stop : int
        First frame, and the one after the last.
    """

    def __init__(self, recording: Recording, start: int, stop: int) -> None:
        self.recording, self.first, self.last = recording, start, stop
        self.path, self.rate, self.channels = recording.path, recording.rate, recording.channels
        self.format = recording.format

    @property
    def frames(self) -> int:
        """Samples of one channel."""
        return max(0, min(self.last, self.recording.frames) - self.first)

    @property
    def duration(self) -> float:
        """Length in s."""
        return self.frames / self.rate

    @property
    def start_s(self) -> float:
        """Where it begins in the recording, s."""
        return self.first / self.rate

    @property
    def warnings(self) -> list[str]:
        """What was wrong with the file."""
        return self.recording.warnings

    def blocks(
        self, frames: int = 65_536, overlap: int = 0, start: int = 0, stop: int | None = None
    ) -> Iterator[Any]:
        """As `Recording.blocks`, counted from the start of the stretch."""
        last = self.last if stop is None else min(self.last, self.first + stop)
        return self.recording.blocks(frames, overlap, self.first + start, last)

    def samples(self, start: int = 0, stop: int | None = None, channel: Any = None) -> Any:
        """As `Recording.samples`, counted from the start of the stretch."""
        last = self.last if stop is None else min(self.last, self.first + stop)
        return self.recording.samples(self.first + max(0, start), last, channel)


class Plotter:
    """Makes the pictures of one stretch of a recording; what several need is worked out once.

    Parameters
    ----------
    take : Recording or Excerpt
    channels : list of int or "mean"
        All that the waveform shows; the other pictures take the only one, or the mean.
    encoding : str
        Name of the encoding of its data; empty if it is not known or there is none.
    tone : float, optional
        Frequency of the test tone as recorded.
    deck : Deck, optional
        Names the lines of the flutter spectrum.
    cassette : str
        Length class of the cassette, for the spools' lines.
    progress : callable, optional
        Called with the number of frames done since the last call.
    """

    def __init__(
        self, take: Any, channels: Sequence[Any], encoding: Encoding | None = None,
        tone: float | None = None, deck: Any = None, cassette: str = "",
        progress: Callable[[int], None] | None = None,
    ) -> None:  # fmt: skip
        self.take = take if isinstance(take, Excerpt) else Excerpt(take, 0, take.frames)
        self.channels = list(channels)
        self.channel = self.channels[0] if len(self.channels) == 1 else "mean"
        self.encoding, self.tone, self.deck, self.cassette = encoding, tone, deck, cassette
        self.progress = progress or (lambda _: None)
        self.name = Path(self.take.path).name
        self._tape: Tape | None = None
        self._counted: tuple[HalfWaveCounts, EyeCounts] | None = None
        self._report: ToneReport | None = None

    def draw(self, kind: str) -> Picture:
        """Make one picture.

        Raises
        ------
        BadReading
            The recording does not hold what it shows.
        """
        made: dict[str, Callable[[], Picture]] = {
            "waveform": self._waveform, "half-waves": self._half_waves, "speed": self._speed,
            "flutter": self._flutter, "eye": self._eye,
        }  # fmt: skip
        return made[kind]()

    # -- what the pictures stand on --

    def _wave_blocks(self, channel: Any) -> Iterator[Any]:
        for block in self.take.blocks():
            yield np.asarray(block.mean(axis=1) if channel == "mean" else block[:, channel], np.float32)
            self.progress(len(block))

    @property
    def tape(self) -> Tape:
        """The data that was read."""
        from ..tape.decode import decode

        assert self.encoding is not None
        if self._tape is None:
            short = self.take.duration <= _LONGEST_KEPT_S
            self._tape = decode(self.take, self.encoding, channel=self.channel, keep_edges=short)
            self.progress(self.take.frames)
        if not self._tape.blocks:
            raise BadReading(
                f"{self.take.path}: no data of the encoding {self.encoding.name} was found: "
                "name another with --encoding, or leave it out"
            )
        return self._tape

    def _counts(self) -> tuple[HalfWaveCounts, EyeCounts]:
        from ..plots.eye import EyeCounts
        from ..plots.half_waves import HalfWaveCounts

        assert self.encoding is not None
        if self._counted is None:
            lengths = data_lengths(self.encoding)
            counts, eye = HalfWaveCounts(lengths), EyeCounts(lengths)
            for tape, piece in self._pieces():
                _count(tape, piece, self.channel, counts, eye)
            self._counted = counts, eye
        return self._counted

    def _pieces(self) -> Iterator[tuple[Tape, Excerpt]]:
        """The data with its half-waves, in pieces that fit into memory."""
        from ..tape.decode import decode

        assert self.encoding is not None
        if len(self.tape.edges):
            yield self.tape, self.take
            return
        size = round(_PIECE_S * self.take.rate)
        for first in range(self.take.first, self.take.first + self.take.frames, size):
            last = min(first + size, self.take.first + self.take.frames)
            piece = Excerpt(self.take.recording, first, last)
            yield decode(piece, self.encoding, channel=self.channel, keep_edges=True), piece

    @property
    def report(self) -> ToneReport:
        """Speed and flutter."""
        from ..tape.flutter import from_speed_curve, measure_tone

        if self._report is None:
            if self.encoding is not None:
                self._report = from_speed_curve(self.tape.speed_times, self.tape.speed)
            else:
                blocks = self._wave_blocks(self.channel)
                self._report = measure_tone(blocks, self.take.rate, self.tone)
        return self._report

    def _source(self) -> str:
        report = self.report
        if self.encoding is not None:
            return f"data in {self.encoding.name}"
        if report.nominal_hz is None:
            return "a tone"
        return f"a tone recorded as {report.nominal_hz:g} Hz"

    def named_lines(self) -> list[Any]:
        """Lines of the flutter spectrum worth pointing out, with what they come from."""
        from ..plots.flutter import NamedLine
        from ..tape.verdict import usual_cause

        lines = sorted(
            (line for line in self.report.lines if line.percent >= 0.03), key=lambda line: -line.percent
        )[:8]
        if self.deck is None or not lines:
            return [NamedLine(line.hertz, line.percent, usual_cause(line.hertz)) for line in lines]
        from ..transport import Line, assign_lines

        speed = self.report.speed
        known = self.encoding is not None or self.report.nominal_hz is not None
        assigned = assign_lines(
            self.deck,
            [Line(line.hertz, line.percent, max(line.hertz_uncertainty, 1e-4)) for line in lines],
            1.0 + speed.value / 100.0 if known else 1.0,
            speed_sigma=max(1e-4, speed.uncertainty / 100.0) if known else None,
            tape=self.cassette,
        )
        return [
            NamedLine(line.hertz, line.percent, line_name(each))
            for line, each in zip(lines, assigned, strict=True)
        ]

    # -- the pictures --

    def _waveform(self) -> Picture:
        from ..plots.waveform import EnvelopeMeter, Trace, draw_waveform
        from ..tape.dropouts import DropoutFinder

        start = self.take.start_s
        meters = [EnvelopeMeter(self.take.frames, self.take.rate, start) for _ in self.channels]
        finders = [DropoutFinder(self.take.rate) for _ in self.channels]
        for block in self.take.blocks():
            for channel, meter, finder in zip(self.channels, meters, finders, strict=True):
                wave = np.asarray(block.mean(axis=1) if channel == "mean" else block[:, channel], np.float32)
                meter.add(wave)
                finder.add(wave)
            self.progress(len(block))
        traces = []
        for channel, meter, finder in zip(self.channels, meters, finders, strict=True):
            found = finder.report()
            dropouts = [(start + each.start, each.length, each.depth) for each in found.dropouts]
            name = _channel_name(self.take, channel)
            traces.append(Trace(name, meter.envelope(), dropouts, found.count))
        blocks: list[tuple[float, float, bool]] = []
        if self.encoding is not None:
            blocks = [(start + block.start, start + block.end, block.good) for block in self.tape.blocks]
        what = f"a fall by {found.depth_db:g} dB or more for longer than {1000 * found.shortest:g} ms"
        return draw_waveform(traces, blocks, name=self.name, what_is_a_dropout=what)

    def _half_waves(self) -> Picture:
        from ..plots.half_waves import HalfWaveCounts, draw_half_waves

        if self.encoding is not None:
            return draw_half_waves(self._counts()[0], name=self.name, encoding=self.encoding.name)
        counts = HalfWaveCounts((), longest_s=1.5e-3)
        _plain_lengths(self._wave_blocks(self.channel), self.take.rate, counts)
        if not counts.counts.any():
            raise BadReading(f"{self.take.path}: no half-waves between 0 and 1.5 ms were found")
        return draw_half_waves(counts, name=self.name)

    def _eye(self) -> Picture:
        from ..plots.eye import draw_eye

        if self.encoding is None:
            raise BadReading("an eye needs decisions: name the encoding of the data with --encoding")
        return draw_eye(self._counts()[1], name=self.name, encoding=self.encoding.name)

    def _speed(self) -> Picture:
        from ..plots.speed import draw_speed
        from ..tape.verdict import limits

        report, limit = self.report, limits()["speed"]
        known = self.encoding is not None or report.nominal_hz is not None
        return draw_speed(
            report.curve.times_s + self.take.start_s, report.curve.percent, step_s=report.curve.step_s,
            mean=report.speed.value if known else None, mean_text=report.speed.text(True),
            good=limit.good if known else None, bad=limit.bad if known else None,
            name=self.name, source=self._source(),
        )  # fmt: skip

    def _flutter(self) -> Picture:
        from ..plots.flutter import draw_flutter

        report = self.report
        return draw_flutter(
            report.spectrum.hertz, report.spectrum.percent, self.named_lines(),
            weighted=report.weighted.text(), name=f"{self.name}; from {self._source()}",
            deck="" if self.deck is None else self.deck.name,
        )  # fmt: skip


def data_lengths(encoding: Encoding) -> list[float]:
    """Half-wave lengths in seconds between which bits are decided."""
    found = (encoding.cell / 2, encoding.cell) if encoding.is_phase else (*encoding.zero, *encoding.one)
    merged: list[float] = []
    for length in sorted({*found, *encoding.marker}):
        if not merged or length > merged[-1] * 1.05:
            merged.append(length)
    return merged


def line_name(assigned: Any) -> str:
    """What an assigned line comes from, in one line."""
    best = assigned.best
    if best is None:
        return "none of the deck's parts"
    wear = f", {best.causes[0].wear.name}" if best.causes else ""
    sure = "over 99%" if best.probability > 0.99 else f"{best.probability:.0%}"
    return f"{best.where} ({sure} sure){wear}"


def _count(tape: Tape, piece: Excerpt, channel: Any, counts: HalfWaveCounts, eye: EyeCounts) -> None:
    if len(tape.edges) < 2:
        return
    real = np.flatnonzero(np.isfinite(tape.nominal[1:])) + 1
    starts, stops, said = tape.edges[real - 1], tape.edges[real], tape.nominal[real]
    order = np.argsort(tape.speed_times)
    pace = np.interp(stops, tape.speed_times[order], tape.speed[order])
    counts.add((stops - starts) * pace, said)
    # Evenly over the tape, in runs so that the level around each is known.
    second = max(1, round(10.0 * piece.rate))
    share = min(1.0, _MOST_LAID / max(1, len(stops)))
    for first in range(0, piece.frames, second):
        inside = np.flatnonzero((starts * piece.rate >= first) & (starts * piece.rate < first + second))
        inside = inside[: max(1, round(len(inside) * share))]
        if not len(inside):
            continue
        margin = round(0.01 * piece.rate)
        begin = max(0, first - margin)
        wave = piece.samples(begin, first + second + margin, channel)
        offset = begin / piece.rate
        eye.add(wave, piece.rate, starts[inside] - offset, stops[inside] - offset, said[inside], pace[inside])


def _plain_lengths(blocks: Iterator[Any], rate: int, counts: HalfWaveCounts) -> None:
    """Lengths between zero crossings of whatever is there."""
    from ..tape.half_waves import zero_crossings

    loudest = 0.0
    for block in blocks:
        wave = np.asarray(block, np.float64)
        wave = wave - wave.mean()
        loudness = float(np.sqrt(np.mean(wave**2))) if len(wave) else 0.0
        loudest = max(0.9 * loudest, loudness)
        if loudness > 0.05 * loudest:
            places, _ = zero_crossings(wave, 0.3 * loudness)
            counts.add(np.diff(places) / rate)


def _channel_name(take: Any, channel: Any) -> str:
    from ..tape.measure import channel_name

    name = channel_name(take, channel)
    return "mean of the channels" if name == "mean" else name


# -- the command --------------------------------------------------------------------------------------------


@click.command("plot")
@click.argument("recording", type=click.Path(path_type=Path, exists=True, dir_okay=False))
@click.option(
    "--kind",
    "kinds",
    multiple=True,
    type=click.Choice(KINDS),
    help="Which picture; may be repeated. All that the recording allows if left out.",
)
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    help="File that ends in .png or .svg (with several pictures the kind is added to its name), or a folder. "
    "The present folder if left out.",
)
@click.option("--format", "form", type=click.Choice(FORMATS), help="png (the usual) or svg.")
@click.option(
    "--dots",
    type=click.IntRange(50, 1200),
    default=150,
    show_default=True,
    metavar="NUMBER",
    help="Dots per inch of a PNG: 150 for the screen, 300 for print.",
)
@click.option(
    "--encoding",
    "encoding_name",
    default="",
    metavar="NAME",
    help="Encoding of the data on it (a name, or a .toml file): speed, half-waves and decisions then "
    "come from the data.",
)
@click.option(
    "--tone",
    metavar="HZ",
    callback=read_hertz,
    help="Frequency of the test tone or leader as recorded; found if left out.",
)
@click.option(
    "--channel", default="all", show_default=True, help="left, right, mean, all, or a number from 1."
)
@click.option(
    "--deck",
    "deck_path",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="Deck file: names the part behind each line of the flutter spectrum.",
)
@click.option(
    "--cassette", default="", help="Length class of the cassette, such as C60: for the spools' lines."
)
@click.option(
    "--from",
    "from_s",
    type=click.FloatRange(min=0.0),
    default=0.0,
    metavar="SECONDS",
    help="Look at it from here on.",
)
@click.option("--to", "to_s", type=click.FloatRange(min=0.0), metavar="SECONDS", help="Look no further.")
@json_option
def plot(
    recording: Path, kinds: tuple[str, ...], output: Path | None, form: str | None, dots: int,
    encoding_name: str, tone: float | None, channel: str, deck_path: Path | None, cassette: str,
    from_s: float, to_s: float | None, as_json: bool,
) -> None:  # fmt: skip
    """Draw pictures of RECORDING: waveform, half-waves, speed, flutter, eye.

    They are readable in black and white. With data on the recording name its --encoding. Exit code 1 if a
    picture that was asked for cannot be made.
    """
    from ..plots.paper import save
    from ..tape.encoding import encoding_named

    name_of = _names(recording, kinds, output, form)
    deck = None
    if deck_path is not None:
        from ..transport import read_deck_file

        deck = read_deck_file(deck_path)
    encoding = encoding_named(encoding_name) if encoding_name else None
    if "eye" in kinds and encoding is None:
        raise click.UsageError("an eye needs decisions: name the encoding of the data with --encoding")
    written: list[dict[str, str]] = []
    missing: list[dict[str, str]] = []
    with Recording.open(recording) as take:
        stop = take.frames if to_s is None else min(take.frames, round(to_s * take.rate))
        start = round(from_s * take.rate)
        if stop - start < 2:
            raise click.UsageError(
                f"nothing lies between {from_s:g} s and {stop / take.rate:g} s: the recording has "
                f"{take.duration:.3f} s"
            )
        part = Excerpt(take, start, stop)
        passes = 3 if encoding is None else 2
        with progress_bar("drawing", passes * part.frames, part.rate) as progress:
            plotter = Plotter(part, _channels(take, channel), encoding, tone, deck, cassette, progress)
            for kind in kinds or KINDS:
                if not kinds and kind in _NEEDS_DATA and encoding is None:
                    continue
                try:
                    picture = plotter.draw(kind)
                except BenchwrightError as problem:
                    missing.append({"kind": kind, "why": str(problem)})
                    continue
                path, picture_form = name_of(kind)
                save(picture, path, picture_form, dots)
                written.append(
                    {"kind": kind, "path": str(path), "title": picture.title, "words": picture.words}
                )
        if as_json:
            answer = {"recording": about(take), "pictures": written, "not made": missing}
            click.echo(json.dumps(plain(answer), indent=2))
        else:
            for warning in take.warnings:
                click.echo(f"! {warning}", err=True)
            for each in written:
                click.echo(f"{each['path']}: {each['title']}")
            for each in missing:
                click.echo(f"No picture of {each['kind']}: {each['why']}", err=True)
    if not written or (kinds and missing):
        click.get_current_context().exit(1)


def _names(
    recording: Path, kinds: Sequence[str], output: Path | None, form: str | None
) -> Callable[[str], tuple[Path, str]]:
    """Where each kind of picture goes, and its format."""
    ending = "" if output is None else output.suffix.lower().removeprefix(".")
    if output is None or output.is_dir() or ending not in FORMATS:
        folder = Path() if output is None else output
        if output is not None and ending and not output.is_dir():
            raise click.BadParameter(
                f"{output}: expected a name that ends in .png or .svg, or a folder that exists",
                param_hint="'--output'",
            )
        if not folder.is_dir():
            raise click.BadParameter(f"{folder}: there is no such folder", param_hint="'--output'")
        chosen = form or "png"
        return lambda kind: (folder / f"{recording.stem}-{kind}.{chosen}", chosen)
    if form and form != ending:
        raise click.UsageError(f"--format {form} and a file that ends in .{ending}: leave one of them out")
    if len(set(kinds)) == 1:
        return lambda _: (output, ending)
    return lambda kind: (output.with_name(f"{output.stem}-{kind}{output.suffix}"), ending)


def _channels(take: Recording, wanted: str) -> list[Any]:
    names: dict[str, list[Any]] = {"all": list(range(take.channels)), "mean": ["mean"]}
    if take.channels == 2:
        names |= {"left": [0], "right": [1]}
    names |= {str(number + 1): [number] for number in range(take.channels)}
    if wanted.lower() not in names:
        raise click.BadParameter(
            f"{wanted!r}: this recording has {', '.join(names)}", param_hint="'--channel'"
        )
    return names[wanted.lower()]
