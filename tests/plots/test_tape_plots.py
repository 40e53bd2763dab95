"""Pictures of recordings: drawn from values, the same each time, with everything said on them."""

from __future__ import annotations

import io
import re
import tracemalloc
import warnings
import xml.etree.ElementTree as ET
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import matplotlib
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.colors import to_rgb
from PIL import Image

from benchwright.plots import paper
from benchwright.plots.eye import EyeCounts, draw_eye
from benchwright.plots.flutter import NamedLine, draw_flutter
from benchwright.plots.half_waves import HalfWaveCounts, draw_half_waves
from benchwright.plots.paper import Picture, clean_name, rendered, save
from benchwright.plots.speed import draw_speed
from benchwright.plots.waveform import EnvelopeMeter, Trace, draw_waveform

RATE = 22_050
SHORT, LONG = 240e-6, 480e-6


def wave_and_edges(jitter: float = 6e-6) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Half-sines of two lengths, where they end, and what each was meant to be."""
    rng = np.random.default_rng(3)
    meant = rng.choice([SHORT, LONG], 3000)
    lengths = meant + rng.normal(0.0, jitter, 3000)
    edges = np.concatenate([[0.0], np.cumsum(lengths)])
    times = np.arange(int(edges[-1] * RATE)) / RATE
    cell = np.searchsorted(edges, times, side="right") - 1
    sign = np.where(cell % 2, -1.0, 1.0)
    return sign * np.sin(np.pi * (times - edges[cell]) / lengths[cell]), edges, meant


def waveform() -> Picture:
    wave, _, _ = wave_and_edges()
    meter = EnvelopeMeter(len(wave), RATE)
    meter.add((0.4 * wave).astype(np.float32))
    drops = [(0.2, 0.02, 18.0), (0.7, 0.01, 31.0)]
    blocks = [(0.1, 0.4, True), (0.6, 1.0, False)]
    trace = Trace("left", meter.envelope(), drops)
    return draw_waveform([trace], blocks, name="side A.wav", what_is_a_dropout="a fall by 12 dB")


def half_waves() -> Picture:
    _, edges, meant = wave_and_edges(40e-6)
    counts = HalfWaveCounts([SHORT, LONG])
    counts.add(np.diff(edges), meant)
    return draw_half_waves(counts, name="side A.wav", encoding="pulse-width")


def speed() -> Picture:
    times = np.arange(0.05, 30.0, 0.1)
    percent = -1.2 + 0.4 * np.sin(2 * np.pi * 1.15 * times)
    percent[100:120] = np.nan
    return draw_speed(
        times, percent, mean=-1.2, mean_text="-1.20 % ± 0.02", good=0.5, bad=1.5, step_s=0.1,
        name="side A.wav", source="a tone recorded as 3150 Hz",
    )  # fmt: skip


def flutter() -> Picture:
    hertz = np.arange(0, 200, 1 / 32)
    percent = 0.004 / np.sqrt(1 + hertz)
    lines = [NamedLine(7.6, 0.08, "once per turn of the capstan"), NamedLine(1.17, 0.42, "pinch roller")]
    return draw_flutter(hertz, percent, lines, weighted="0.42 % ± 0.01", name="side A.wav", deck="Heron")


def eye() -> Picture:
    wave, edges, meant = wave_and_edges()
    counts = EyeCounts([SHORT, LONG])
    counts.add(wave, RATE, edges[:-1], edges[1:], meant, np.ones(len(meant)))
    return draw_eye(counts, name="side A.wav", encoding="pulse-width")


PICTURES: dict[str, tuple[Callable[[], Picture], tuple[str, ...]]] = {
    "waveform": (
        waveform,
        ("2 dropouts", "2 blocks of data, 1 of them good", "(of full scale)", "Time from the start", "(s)",
         "depth (dB)", "not good", "a fall by 12 dB"),
    ),
    "half-waves": (
        half_waves,
        ("3\u2009000 half-waves", "threshold", "360 µs", "decided as 240 µs", "decided as 480 µs",
         "(µs, at nominal speed)", "nominal length", "Half-waves in each"),
    ),
    "speed": (
        speed,
        ("mean error −1.20 % ± 0.02", "Speed error (%)", "(s)", "good within ±0.5 %", "bad beyond ±1.5 %",
         "mean of each 100 ms", "3150 Hz"),
    ),
    "flutter": (
        flutter,
        ("0.42 % ± 0.01", "Peak flutter (± %)", "(Hz)", "pinch roller", "once per turn of the capstan",
         "1.17", "7.60", "Heron"),
    ),
    "eye": (
        eye,
        ("open for", "(µs, at nominal speed)", "usual crest = 1", "threshold", "decided as 240 µs",
         "9 in 10 waves"),
    ),
}  # fmt: skip


@pytest.fixture(scope="module", params=PICTURES)
def kind(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture(scope="module")
def picture(kind: str) -> Picture:
    return PICTURES[kind][0]()


def svg_text(data: bytes) -> str:
    root = ET.fromstring(data)
    return "\n".join("".join(each.itertext()) for each in root.iter("{http://www.w3.org/2000/svg}text"))


def test_svg_says_what_was_measured(kind: str, picture: Picture) -> None:
    """Title, name of the recording, and all axes with their units stand there as text."""
    text = svg_text(rendered(picture, "svg"))
    for words in (picture.title, "side A.wav", *PICTURES[kind][1]):
        assert words in text
    assert picture.kind == kind


def test_the_same_values_give_the_same_bytes(kind: str, picture: Picture) -> None:
    """Drawn again, under other style settings, after another format: nothing differs, no time is in it."""
    first = rendered(picture, "svg")
    with matplotlib.rc_context({"font.size": 20, "axes.grid": False, "svg.fonttype": "path"}):
        again = PICTURES[kind][0]()
        assert rendered(again, "png", 40) == rendered(picture, "png", 40)
        assert rendered(again, "svg") == first
    assert b"dc:date" not in first
    assert not re.search(rb"20\d\d-\d\d-\d\d", first)


def test_png_is_whole_and_dark_on_white(picture: Picture) -> None:
    """A picture of 170 mm at 150 dots an inch, mostly white, small enough to mail, its words in it."""
    data = rendered(picture, "png")
    image = Image.open(io.BytesIO(data))
    image.load()
    assert image.width == pytest.approx(170 / 25.4 * 150, abs=1)
    assert round(image.info["dpi"][0]) == 150
    assert image.info["Title"] == picture.title
    grey = np.asarray(image.convert("L"))
    assert (grey > 250).mean() > 0.5
    assert (grey < 60).mean() > 0.002
    assert len(data) < 150_000


def test_nothing_is_cut_off_or_overlaps_the_title(picture: Picture) -> None:
    """All text lies inside the sheet."""
    with paper.paper():
        figure = picture.figure
        figure.draw_without_rendering()
        box = figure.bbox
        for text in figure.findobj(lambda each: hasattr(each, "get_text") and each.get_text().strip()):
            if not text.get_visible() or not any(text in axes.get_children() for axes in figure.axes):
                continue
            extent = text.get_window_extent()
            assert extent.x0 >= box.x0 - 1
            assert extent.x1 <= box.x1 + 1
            assert extent.y1 <= box.y1 + 1
        title = figure.texts[0].get_window_extent()
        for axes in figure.axes:
            assert not title.overlaps(axes.get_window_extent())


def test_shades_differ_without_colour() -> None:
    """Neighbouring shades differ in lightness, not in hue alone (relative luminance, ITU-R BT.709)."""
    luminance = [float(np.dot(to_rgb(shade), [0.2126, 0.7152, 0.0722])) for shade in paper.SHADES]
    assert all(abs(a - b) > 0.08 for a, b in pairwise(luminance))
    assert len(set(paper.HATCHES)) == len(paper.HATCHES) == len(paper.SHADES)


def test_a_picture_is_written_whole_or_not_at_all(tmp_path: Path) -> None:
    """By the ending or by the format; another ending is refused before anything is written."""
    picture = speed()
    save(picture, tmp_path / "one.svg")
    save(picture, tmp_path / "two", "svg")
    assert (tmp_path / "one.svg").read_bytes() == (tmp_path / "two").read_bytes()
    with pytest.raises(ValueError, match="expected png or svg"):
        save(picture, tmp_path / "three.pdf")
    with pytest.raises(OSError, match="nowhere"):
        save(picture, tmp_path / "nowhere" / "four.svg")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["one.svg", "two"]


@pytest.mark.parametrize(
    "name", ["a$b$c_{x}.wav", "磁気テープ.wav", "two\nlines.wav", "x" * 300, "\udcff.wav"]
)
def test_any_file_name_can_be_drawn(name: str) -> None:
    """Formula signs, other scripts, line breaks and broken bytes in a name do no harm."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        made = draw_speed([0.0, 1.0], [0.1, 0.2], name=name)
        text = svg_text(rendered(made, "svg"))
        rendered(made, "png", 30)
    assert clean_name(name) in text
    assert len(clean_name(name)) <= 70


# -- the counting behind the pictures ------------------------------------------------------------------------


@given(st.lists(st.integers(1, 700), min_size=1, max_size=12), st.integers(1, 60), st.integers(0, 2**32 - 1))
def test_envelope_holds_every_sample(pieces: list[int], columns: int, seed: int) -> None:
    """However the samples come, each lies between least and greatest of its column, and both are samples."""
    samples = np.random.default_rng(seed).normal(size=sum(pieces)).astype(np.float32)
    meter = EnvelopeMeter(len(samples), 100.0, 5.0, columns)
    for piece in np.split(samples, np.cumsum(pieces)[:-1]):
        meter.add(piece)
    found = meter.envelope()
    assert len(found.times) <= columns
    assert found.high.max() == samples.max()
    assert found.low.min() == samples.min()
    column = np.arange(len(samples)) // meter.size
    assert np.all(found.low[column] <= samples)
    assert np.all(found.high[column] >= samples)
    assert found.stop == pytest.approx(5.0 + len(samples) / 100.0)


def test_hours_take_no_more_memory_than_minutes() -> None:
    """An hour and a half of samples, fed piece by piece, keeps less than a megabyte."""
    piece = np.sin(np.arange(65_536, dtype=np.float32))
    frames = 90 * 60 * 8000
    meter = EnvelopeMeter(frames, 8000)
    tracemalloc.start()
    for _ in range(frames // len(piece)):
        meter.add(piece)
    envelope = meter.envelope()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 3_000_000
    assert 800 < len(envelope.times) <= 1600


def test_half_waves_are_counted_by_their_decision() -> None:
    """All are counted, those nearer to another length are told, and those of other lengths left out."""
    counts = HalfWaveCounts([LONG, SHORT])
    counts.add([200e-6, 250e-6, 400e-6, 470e-6, 340e-6, 300e-6], [SHORT, SHORT, SHORT, LONG, LONG, 600e-6])
    assert counts.counts.sum(axis=1).tolist() == [3, 2]
    assert counts.beyond.tolist() == [1, 1]
    assert counts.thresholds == pytest.approx([360e-6])


def test_the_middle_of_the_half_waves_is_where_it_was_put() -> None:
    """Normally spread lengths: the middle 98 % reaches 2.326 sigma to both sides (table of the normal)."""
    counts = HalfWaveCounts([SHORT, LONG])
    lengths = SHORT + 10e-6 * np.random.default_rng(1).standard_normal(200_000)
    counts.add(lengths, np.full(len(lengths), SHORT))
    low, high = counts.within(0, 0.98)
    assert low == pytest.approx(SHORT - 23.26e-6, abs=0.6e-6)
    assert high == pytest.approx(SHORT + 23.26e-6, abs=0.6e-6)


@pytest.mark.parametrize("pace", [1.0, 0.8])
def test_the_eye_shows_the_waves_that_went_in(pace: float) -> None:
    """The middle line of each length is the half-sine it was made of, whatever the speed of the tape."""
    wave, edges, meant = wave_and_edges(0.0)
    eye = EyeCounts([SHORT, LONG])
    count = len(meant)
    eye.add(wave, RATE * pace, edges[:-1] / pace, edges[1:] / pace, meant, np.full(count, pace))
    for row, length in enumerate((SHORT, LONG)):
        inside = (eye.times > 0.2 * length) & (eye.times < 0.8 * length)
        expected = np.sin(np.pi * eye.times[inside] / length)
        assert eye.quantile(row, 0.5)[inside] == pytest.approx(expected, abs=0.08)
        assert eye.end(row, 0.5) == pytest.approx(length, rel=0.01)
    opening = eye.end(1, 0.01) - eye.end(0, 0.99)
    assert opening == pytest.approx(LONG - SHORT, rel=0.02)


def test_a_closed_eye_is_called_closed() -> None:
    """Where short and long overlap, the title says so."""
    wave, edges, meant = wave_and_edges(70e-6)
    eye = EyeCounts([SHORT, LONG])
    eye.add(wave, RATE, edges[:-1], edges[1:], meant, np.ones(len(meant)))
    assert "closed" in draw_eye(eye).title


def test_flutter_keeps_every_peak() -> None:
    """Thinning for the logarithmic axis keeps the highest value of each column: a lone line survives."""
    hertz = np.arange(1, 6400) / 32
    percent = np.full(len(hertz), 0.001)
    percent[np.searchsorted(hertz, 155.0)] = 0.7
    line = draw_flutter(hertz, percent).figure.axes[0].lines[0]
    assert np.max(line.get_ydata()) == 0.7
    assert len(line.get_xdata()) < 1000


@pytest.mark.parametrize(
    "draw",
    [
        lambda: draw_flutter([], []),
        lambda: draw_flutter([0.0], [0.0]),
        lambda: draw_speed([], []),
        lambda: draw_speed([1.0], [np.nan]),
        lambda: draw_half_waves(HalfWaveCounts([SHORT, LONG])),
        lambda: draw_half_waves(HalfWaveCounts((), 1e-3)),
        lambda: draw_eye(EyeCounts([SHORT, LONG])),
        lambda: draw_waveform([Trace("mono", EnvelopeMeter(0, RATE).envelope())]),
    ],
)
def test_nothing_to_show_is_no_error(draw: Callable[[], Picture]) -> None:
    """An empty recording gives an empty picture."""
    assert rendered(draw(), "png", 30)
