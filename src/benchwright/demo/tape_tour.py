"""A make-believe tape deck with a flat-spotted pinch roller and a dirty head, and a damaged tape.

Everything is invented; the recordings are what physics would make of it (`tape_channel`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

import numpy as np
import numpy.typing as npt

from ..tape.encoding import Encoding, load_encoding
from ..tape.render import half_waves
from .tape_channel import (
    TAPE_SPEED,
    Channel,
    Dropouts,
    Electronics,
    Head,
    Noise,
    Programme,
    Recording,
    Speed,
    play,
)

Samples = npt.NDArray[np.float32]

RATE = 22_050
TEST_TONE = 3150.0
"""Hz, as DIN 45 507 and IEC 60386 have it for flutter (from memory)."""
TONES = {315.0: 0.0, 1000.0: 0.0, 6300.0: 0.0, 10_000.0: 0.0}
"""Frequencies in Hz and levels in dB of the level tones that follow on the test tape."""

_PINCH_ROLLER, _CAPSTAN = 13.0e-3, 2.0e-3
"""Diameters in metres, as the deck file says."""
_SLOW = -0.012
_TEST_TONE_SECONDS, _TONE_SECONDS, _PAUSE = 20.0, 1.2, 0.5
_BLOCK_BYTES = 160


@dataclass(frozen=True)
class Take:
    """One recording of the demo.

    Attributes
    ----------
    name : str
        Of its file.
    story : str
        How it was made, for the person.
    samples : array of float32, shape (n,)
        At `RATE`.
    """

    name: str
    story: str
    samples: Samples


def deck_path() -> Path:
    """The deck file of the Heron, an invented data recorder."""
    return Path(str(files(__package__).joinpath("decks", "heron-deck.toml")))


def listing() -> bytes:
    """What was once saved on the tape."""
    text = files(__package__).joinpath("data", "lighthouse.txt").read_text(encoding="ascii")
    return text.replace("\n", "\r").encode("ascii")


def blocks() -> list[bytes]:
    """The blocks of the tape without their checks: a number, then a part of the listing."""
    whole = listing()
    parts = [whole[at : at + _BLOCK_BYTES] for at in range(0, len(whole), _BLOCK_BYTES)]
    return [bytes([number]) + part for number, part in enumerate(parts)]


def encoding_path() -> Path:
    """The file that says how the tape is written."""
    return Path(str(files(__package__).joinpath("data", "heron-tape.toml")))


def encoding() -> Encoding:
    """How the tape is written."""
    return load_encoding(encoding_path())


def pinch_roller_hertz() -> float:
    """How often the pinch roller turns, with the deck as slow as it is."""
    return TAPE_SPEED * (1.0 + _SLOW) / (math.pi * _PINCH_ROLLER)


def _speed() -> Speed:
    roller = pinch_roller_hertz()
    capstan = TAPE_SPEED * (1.0 + _SLOW) / (math.pi * _CAPSTAN)
    # A flat spot is a short event each turn: its multiples fall off slowly.
    return Speed(
        offset=_SLOW, wander=0.0006, wander_seconds=9.0,
        lines=((roller, 0.0042), (2 * roller, 0.0013), (3 * roller, 0.0005), (capstan, 0.0007)),
        flutter=0.0006, scrape=0.0002,
    )  # fmt: skip


def _channel(spacing: float, dropouts: Dropouts, full_scale: float, noise_db: float) -> Channel:
    return Channel(
        recording=Recording(shape="sine", flux_law=True),
        speed=_speed(),
        head=Head(gap=2e-6, spacing=spacing, spacing_wander=0.1 * spacing, derivative=True),
        dropouts=dropouts,
        electronics=Electronics(
            equaliser=True, highpass_hz=(25.0,), lowpass_hz=(14e3,), full_scale=full_scale, bits=16
        ),
        noise=Noise(tape_db=noise_db, hum_db=noise_db + 14.0, modulation=0.02),
    )


def test_tape() -> Take:
    """A service tape, played as the deck came in: dirty head, worn roller."""
    lengths, levels = [_rest(1.0)], [np.zeros(1)]
    for hertz, seconds in ((TEST_TONE, _TEST_TONE_SECONDS), *((each, _TONE_SECONDS) for each in TONES)):
        count = 2 * round(hertz * seconds)
        lengths += [np.full(count, 0.5 / hertz), _rest(_PAUSE)]
        levels += [np.where(np.arange(count) % 2, -1.0, 1.0), np.zeros(1)]
    programme = Programme(np.concatenate(lengths), np.concatenate(levels))
    dirt = Dropouts(per_second=0.5, depth_db=(16.0, 30.0), seconds=(8e-3, 30e-3), by_spacing=0.3)
    channel = _channel(1.1e-6, dirt, 0.022, 38.0)
    played = play(programme, channel, RATE, np.random.default_rng(315))
    return Take("test-tape", "a test tape of 3150 Hz with level tones", played.samples)


def _rest(seconds: float) -> npt.NDArray[np.float64]:
    return np.array([seconds])


def takes() -> list[Take]:
    """Two passes of the damaged data tape: each loses something else."""
    programme, spans = _written()
    # A crease lies at the same place in both; dirt comes and goes.
    crease = (_place(spans, 4, 0.55), 12e-3, 14.0)
    lost = (
        [(_place(spans, 0, 0.30), 20e-3, 45.0), (_place(spans, 2, 0.62), 20e-3, 45.0)],
        [(_place(spans, 3, 0.45), 20e-3, 45.0), (_place(spans, 2, 0.25), 20e-3, 45.0)],
    )
    told = ("the first pass", "the second pass, after the head was wiped dry")
    made = []
    for number, (places, story) in enumerate(zip(lost, told, strict=True), start=1):
        dirt = Dropouts(per_second=0.25, depth_db=(6.0, 10.0), seconds=(3e-3, 10e-3), at=[crease, *places])
        channel = _channel(0.8e-6, dirt, 0.3, 32.0)
        played = play(programme, channel, RATE, np.random.default_rng(4000 + number))
        made.append(Take(f"take-{number}", story, played.samples))
    return made


def _written() -> tuple[Programme, list[tuple[float, float]]]:
    """The tape as it was once written, and where the bytes of each block lie."""
    known = encoding()
    gap = _rest(known.pause)
    lengths, levels = [gap], [np.zeros(1)]
    spans, at = [], known.pause
    for data in blocks():
        halves, sign = half_waves(data, known, add_check=True)
        signs = np.where(np.arange(len(halves)) % 2, -1.0, 1.0) * sign
        lengths += [halves, gap]
        levels += [signs, np.zeros(1)]
        end = at + float(halves.sum())
        spans.append((at + known.leader_seconds, end))
        at = end + known.pause
    return Programme(np.concatenate(lengths), np.concatenate(levels)), spans


def _place(spans: list[tuple[float, float]], block: int, share: float) -> float:
    first, last = spans[block]
    return first + share * (last - first)
