"""Pictures and recordings of the demo's bench: drawn and played here, plainly invented."""

from __future__ import annotations

import io
from collections.abc import Collection
from functools import cache

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from ..board import Board
from . import fulmar65

_SCALE = 3.2
"""Points of the picture to a millimetre of board."""
_STRIP = 44
"""Points above the board, for the words."""
_TAKE_RATE = 8000
_TAKE_SECONDS = 5.0
_TONE = 3150.0


@cache
def demo_board() -> Board:
    """The Fulmar 65, read once."""
    return fulmar65.board()


def picture_of_board(marked: Collection[str]) -> bytes:
    """The board of the Fulmar 65 as a PNG, with rings around the parts named."""
    board = demo_board()
    right = max(pad.at[0] for pad in board.pads) + 8.0
    top = max(pad.at[1] for pad in board.pads) + 8.0
    image = Image.new("RGB", (round(right * _SCALE), round(top * _SCALE) + _STRIP), "#2f5d46")
    draw = ImageDraw.Draw(image)

    def at(x: float, y: float) -> tuple[float, float]:
        return x * _SCALE, (top - y) * _SCALE + _STRIP

    for track in board.tracks:
        wide = round(max(1.0, track.width * _SCALE))
        draw.line([at(*point) for point in track.points], fill="#4c8465", width=wide)
    boxes: dict[str, list[tuple[float, float]]] = {}
    for pad in board.pads:
        x, y = at(*pad.at)
        half = max(pad.size) * _SCALE / 2
        draw.ellipse((x - half, y - half, x + half, y + half), fill="#c9b458")
        if pad.pin is not None:
            boxes.setdefault(pad.pin.ref, []).append((x, y))
    small, large = ImageFont.load_default(11), ImageFont.load_default(22)
    for ref, points in boxes.items():
        x, y = (sum(values) / len(points) for values in zip(*points, strict=True))
        draw.text((x, y), ref, fill="#f2f2ea", font=small, anchor="mm")
        if ref in marked:
            reach = 18 + max(max(abs(px - x), abs(py - y)) for px, py in points)
            draw.ellipse((x - reach, y - reach, x + reach, y + reach), outline="#ff5b3a", width=4)
    draw.rectangle((0, 0, image.width, _STRIP - 4), fill="#24332c")
    draw.text((12, 8), "drawn, not photographed: an invented board", fill="#f2f2ea", font=large)
    return _png(image)


def picture_of_machine(name: str, colour: str, *, keys: bool = True) -> bytes:
    """A machine that never was, as a PNG."""
    image = Image.new("RGB", (900, 540), "#e9e6df")
    draw = ImageDraw.Draw(image)
    draw.rounded_rectangle((60, 90, 840, 470), 26, fill=colour, outline="#3a3a3a", width=3)
    if keys:
        for row, count in enumerate((13, 13, 12, 11)):
            left = 120 + 14 * row
            for place in range(count):
                x, y = left + 49 * place, 210 + 48 * row
                draw.rounded_rectangle((x, y, x + 42, y + 40), 6, fill="#efece2", outline="#3a3a3a")
        draw.rounded_rectangle((260, 404, 600, 442), 6, fill="#efece2", outline="#3a3a3a")
    else:
        for place, width in enumerate((60, 60, 130, 180)):
            x = 120 + 170 * place
            draw.rectangle((x, 230, x + width, 290), fill="#26282b", outline="#c8c8c8")
        draw.rectangle((320, 340, 560, 440), fill="#5d636a", outline="#d8d4c8", width=4)
    draw.text((90, 110), name, fill="#ffffff", font=ImageFont.load_default(44))
    draw.text((60, 490), "drawn, not photographed: an invented machine", fill="#3a3a3a",
              font=ImageFont.load_default(22))  # fmt: skip
    return _png(image)


def _png(image: Image.Image) -> bytes:
    stream = io.BytesIO()
    image.quantize(32).save(stream, "PNG")
    return stream.getvalue()


def heron_before() -> bytes:
    """A test tape of 3150 Hz on the deck as it came, a WAV file: slow, with a flat-spotted roller."""
    return _take(-0.012, 0.0042, 0.0006, 1)


def heron_after() -> bytes:
    """The same test tape on the deck after service."""
    return _take(0.001, 0.0003, 0.0003, 2)


def _take(offset: float, roller: float, flutter: float, seed: int) -> bytes:
    import soundfile

    from .tape_channel import Channel, Electronics, Noise, Programme, Speed, play
    from .tape_tour import pinch_roller_hertz

    count = 2 * round(_TONE * _TAKE_SECONDS)
    programme = Programme(np.full(count, 0.5 / _TONE), np.where(np.arange(count) % 2, -1.0, 1.0))
    channel = Channel(
        speed=Speed(offset=offset, lines=((pinch_roller_hertz(), roller),), flutter=flutter),
        electronics=Electronics(full_scale=0.4, bits=16),
        noise=Noise(tape_db=38.0),
    )
    played = play(programme, channel, _TAKE_RATE, np.random.default_rng(seed))
    stream = io.BytesIO()
    soundfile.write(stream, played.samples, _TAKE_RATE, format="WAV", subtype="PCM_16")
    return stream.getvalue()
