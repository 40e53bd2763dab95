"""A clean recording lasts as long as the published definition says, and keeps its level and shape."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from benchwright.tape.encoding import encoding_named, known_encodings
from benchwright.tape.render import CannotRender, half_waves, render, waveform, write_recording

Floats = NDArray[np.float64]
FSK = ["kansas-city-300", "cuts-1200", "msx-1200", "msx-2400"]


def crossings(wave: NDArray[np.float32], rate: float) -> Floats:
    """Seconds at which a wave changes sign, on a straight line between the middles of its samples."""
    wave = wave.astype(float)
    # A sample that is nought in the middle of a steep edge is on neither side: lean it to one.
    wave[1:-1][(wave[1:-1] == 0) & (wave[:-2] * wave[2:] < 0)] = 1e-9
    k = np.flatnonzero(wave[:-1] * wave[1:] < 0)
    return (k + 0.5 + wave[k] / (wave[k] - wave[k + 1])) / rate


def plain_edges(data: bytes, bit_seconds: float, low_hertz: float) -> Floats:
    """Every edge of framed bytes by the published definition: start 0, least bit first, two stops of 1."""
    edges, at = [0.0], 0.0
    for byte in data:
        for bit in (0, *((byte >> k) & 1 for k in range(8)), 1, 1):
            half = 0.5 / (low_hertz * (2 if bit else 1))
            for _ in range(round(bit_seconds / half)):
                at += half
                edges.append(at)
    return np.array(edges)


@pytest.mark.parametrize(
    ("name", "bits_a_second", "low_hertz"),
    [
        ("kansas-city-300", 300, 1200),
        ("cuts-1200", 1200, 1200),
        ("msx-1200", 1200, 1200),
        ("msx-2400", 2400, 2400),
    ],
)
@pytest.mark.parametrize("rate", [44100, 48000, 22050])
@pytest.mark.parametrize("shape", ["sine", "square"])
def test_every_edge_stands_where_the_definition_puts_it(
    rng: np.random.Generator, name: str, bits_a_second: int, low_hertz: float, rate: int, shape: str
) -> None:
    """Half-waves by BYTE (February 1976, pp. 72-73) and the MSX2 Technical Handbook (chapter 5, section 2).

    The edges are those of the standard to half a sample, on average over the block to a twentieth.
    """
    data = rng.integers(0, 256, 25, dtype=np.uint8).tobytes()
    encoding = replace(encoding_named(name), leader_seconds=0.1, pause=0.1)
    found = crossings(render([data], encoding, rate, shape=shape), rate)
    ideal = plain_edges(data, 1 / bits_a_second, low_hertz)
    # The data follow a pause of a tenth of a second and the leader.
    begin = rate // 10 / rate + round(0.1 * 2 * low_hertz) / (2 * low_hertz)
    inner = ideal[1:] + begin
    off = found[np.argmin(np.abs(found[:, None] - inner), axis=0)] - inner
    assert np.max(np.abs(off)) * rate <= 0.5
    assert abs(np.mean(off)) * rate < 0.05
    assert ideal[-1] == pytest.approx(len(data) * 11 / bits_a_second)


def test_kansas_city_makes_27_bytes_a_second() -> None:
    """300 / 11 = 27.27 byte/s (BYTE, February 1976): 8192 bytes last five minutes."""
    encoding = encoding_named("kansas-city-300")
    assert 1 / encoding.byte_seconds == pytest.approx(27.27, abs=0.005)
    one, two = (np.sum(half_waves(bytes(count), encoding)[0]) for count in (100, 8292))
    assert (two - one) / 60 == pytest.approx(5.01, abs=0.005)


@pytest.mark.parametrize(("name", "hertz", "seconds"), [("msx-1200", 2400, 6.667), ("msx-2400", 4800, 6.667)])
def test_the_leader_has_the_published_length(name: str, hertz: float, seconds: float) -> None:
    """About 6.7 s of 2400 or 4800 Hz (MSX2 Technical Handbook, chapter 5 section 2), the low half first."""
    wave = render([b"\xd3"], encoding_named(name), 44100)
    found = crossings(wave, 44100)
    leader = found[: round(2 * hertz * seconds) - 4]
    assert np.diff(leader) == pytest.approx(0.5 / hertz, abs=1 / 44100)
    assert leader[-1] - leader[0] == pytest.approx(seconds, abs=0.002)
    lengths, sign = half_waves(b"", encoding_named(name))
    assert sign == -1
    assert len(lengths) >= 2 * hertz * 6.66


def test_phase_encoding_turns_in_the_middle_of_each_cell() -> None:
    """A 1 goes up there and a 0 goes down; equal neighbours turn at the border too (ECMA-34)."""
    encoding = encoding_named("phase-1500")
    lengths, sign = half_waves(b"\x0f", encoding)
    bits = encoding.preamble + "11110000" + encoding.postamble
    edges = np.concatenate(([0.0], np.cumsum(lengths)))
    levels = sign * (-1.0) ** np.arange(len(lengths))
    for number, bit in enumerate(bits):
        middle = (number + 0.5) * encoding.cell
        before = levels[np.searchsorted(edges, middle - encoding.cell / 4) - 1]
        after = levels[np.searchsorted(edges, middle + encoding.cell / 4) - 1]
        assert (before, after) == ((-1, 1) if bit == "1" else (1, -1)), number


@given(
    lengths=st.lists(st.floats(60e-6, 2e-3), min_size=1, max_size=60),
    rate=st.sampled_from([16000, 22050, 44100, 48000, 96000]),
    offset=st.floats(0, 1),
    shape=st.sampled_from(["sine", "square"]),
)
def test_each_sample_is_the_mean_of_the_wave(
    lengths: list[float], rate: int, offset: float, shape: str
) -> None:
    """The samples add up to the wave's area, and none exceeds the level."""
    wave = waveform(lengths, 1, rate, shape=shape, level=0.5, offset=offset)
    signs = np.where(np.arange(len(lengths)) % 2, -1.0, 1.0)
    area = 0.5 * np.sum(signs * np.array(lengths)) * rate * (1 if shape == "square" else 2 / np.pi)
    assert float(np.sum(wave, dtype=float)) == pytest.approx(area, abs=1e-3 * len(wave))
    assert float(np.max(np.abs(wave))) <= 0.5 + 1e-6
    assert len(wave) == int(np.ceil(offset + np.sum(lengths) * rate))


@pytest.mark.parametrize("name", sorted(known_encodings()))
def test_level_and_shape(name: str) -> None:
    """Full level is reached; a sine has the harmonics of one, a square many more."""
    encoding = replace(encoding_named(name), leader_seconds=0.2)
    power = {}
    for shape in ("sine", "square"):
        wave = render([bytes(30)], encoding, 96000, level=0.4, shape=shape)
        assert float(np.max(np.abs(wave))) == pytest.approx(0.4, rel=0.02)
        spectrum = np.abs(np.fft.rfft(wave)) ** 2
        hertz = np.fft.rfftfreq(len(wave), 1 / 96000)
        power[shape] = float(np.sum(spectrum[hertz > 2 / encoding.shortest]) / np.sum(spectrum))
    assert power["sine"] < 0.003 < 0.02 < power["square"]


def test_blocks_follow_each_other_after_a_pause() -> None:
    """Silence of the stated length lies between blocks and at the end."""
    encoding = replace(encoding_named("pulse-width"), leader_seconds=0.1, pause=0.5)
    wave = render([b"ab", b"cd", b"ef"], encoding, 44100)
    loud = np.flatnonzero(wave != 0)
    gaps = np.diff(loud)
    assert np.count_nonzero(gaps > 0.49 * 44100) == 2
    assert np.max(gaps) == pytest.approx(0.5 * 44100, abs=3)
    assert len(wave) - loud[-1] == pytest.approx(0.5 * 44100, abs=3)


def test_a_check_is_put_behind_each_block() -> None:
    """With and without: the same half-waves as bytes that bring their check."""
    encoding = encoding_named("phase-1500")
    assert encoding.check is not None
    added, _ = half_waves(b"123", encoding, add_check=True)
    brought, _ = half_waves(encoding.check.append(b"123"), encoding)
    assert np.array_equal(added, brought)


@pytest.mark.parametrize(
    ("arguments", "wanted"),
    [
        ({"encoding": replace(encoding_named("msx-1200"), data_bits=7)}, "0xff does not fit"),
        ({"encoding": encoding_named("msx-1200"), "add_check": True}, "no check to add"),
        ({"encoding": encoding_named("msx-2400"), "rate": 8000}, "expected 15000 Hz or more"),
        ({"encoding": encoding_named("msx-2400"), "level": 0.0}, "more than 0"),
        ({"encoding": encoding_named("msx-2400"), "level": 1.5}, "at most 1"),
    ],
)
def test_what_cannot_be_written_is_refused(arguments: dict[str, Any], wanted: str) -> None:
    """What was wrong, and what was expected."""
    with pytest.raises(CannotRender, match=wanted):
        render([b"\xff"], **arguments)


@pytest.mark.parametrize("ending", ["wav", "flac", "aiff", "ogg"])
def test_every_container_is_written_and_read(ending: str, tmp_path: Path) -> None:
    """The samples come back, from lossless ones to the last bit of the container."""
    wave = render([b"hello"], replace(encoding_named("cuts-1200"), leader_seconds=0.2), 44100)
    path = tmp_path / f"x.{ending}"
    write_recording(path, wave, 44100)
    back, rate = soundfile.read(path)
    assert rate == 44100
    assert len(back) == len(wave)
    assert float(np.max(np.abs(back - wave))) < (0.3 if ending == "ogg" else 2**-15)


def test_an_unknown_container_is_refused(tmp_path: Path) -> None:
    """The ending says which container is meant."""
    with pytest.raises(CannotRender, match=r"\.wav, \.flac"):
        write_recording(tmp_path / "x.mp3", np.zeros(10, np.float32), 44100)
    with pytest.raises(FileNotFoundError):
        write_recording(tmp_path / "nowhere" / "x.wav", np.zeros(10, np.float32), 44100)


@given(st.binary(min_size=1, max_size=12), st.sampled_from(FSK))
@settings(max_examples=25)
def test_time_does_not_depend_on_the_rate(data: bytes, name: str) -> None:
    """Bit lengths that are no whole number of samples do not add up to an error."""
    encoding = replace(encoding_named(name), leader_seconds=0.05, pause=0.0)
    ends = []
    for rate in (44100, 96000):
        found = crossings(render([data], encoding, rate, shape="square"), rate)
        ends.append(found[-1] - rate // 10 / rate)
    assert ends[0] == pytest.approx(ends[1], abs=1 / 44100)
