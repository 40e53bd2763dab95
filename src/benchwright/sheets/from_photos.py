"""Photos of a job as they may be printed: made anew from the picture alone.

What a camera writes into a file (where it was taken, when, by which camera, remarks, a small copy) stays
behind: only the picture's points are carried over, turned upright.
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Callable
from typing import TYPE_CHECKING

from ..jobs import BenchError, Event, bodies
from .photo import MOST_BYTES, MOST_PHOTOS, MOST_PIXELS, Photo
from .told import History

if TYPE_CHECKING:
    from PIL.Image import Image

LONGEST_SIDE = 1600
"""Pixels of a printed photo: 83 mm wide at nearly 500 to the inch."""
MOST_ATTACHED_BYTES = 100_000_000
_QUALITY = 85
_DAMAGED = (OSError, SyntaxError, ValueError, EOFError, LookupError, TypeError, ArithmeticError, MemoryError)
"""Damaged files make the readers of pictures fail in many ways."""


def photos_of(
    history: History, get: Callable[[str], bytes], most: int = MOST_PHOTOS
) -> tuple[tuple[Photo, ...], tuple[str, ...]]:
    """The latest photos of a job that stand, in order.

    Parameters
    ----------
    history : History
    get : callable
        Gives what was attached, by its SHA-256: `Bench.attachment`.
    most : int
        How many at most.

    Returns
    -------
    photos : tuple of Photo
    left_out : tuple of str
        Why a photo could not be printed, one message each.
    """
    photos: list[Photo] = []
    left_out = []
    for event in reversed(history.state.attachments):
        body = event.body
        assert isinstance(body, bodies.Attachment)
        if body.what != "photo":
            continue
        whose = f"photo {body.caption or body.name!r} (event {history.number(event)})"
        if len(photos) == most:
            left_out.append(f"{whose} is left out: a sheet holds {most}")
            continue
        try:
            picture = printable(_fetched(body, get))
        except ValueError as problem:
            left_out.append(f"{whose} is left out: {problem}")
            continue
        photos.append(_photo(history, event, body, picture))
    return tuple(reversed(photos)), tuple(reversed(left_out))


def _photo(history: History, event: Event, body: bodies.Attachment, picture: bytes) -> Photo:
    caption = body.caption.strip() or body.name.strip() or "Photo"
    return Photo(picture, caption, event.at, history.number(event))


def _fetched(body: bodies.Attachment, get: Callable[[str], bytes]) -> bytes:
    if body.size > MOST_ATTACHED_BYTES:
        raise ValueError(f"it has {body.size / 1e6:.0f} MB; scale it down")
    try:
        return get(body.sha256)
    except BenchError as problem:
        raise ValueError(str(problem)) from None


def printable(data: bytes, longest: int = LONGEST_SIDE) -> bytes:
    """A photo made anew as JPEG: upright, of a size to print, without anything but the picture.

    Parameters
    ----------
    data : bytes
    longest : int
        Pixels of its longer side, at most.

    Raises
    ------
    ValueError
        It is no picture that can be read, or has too many pixels.
    """
    from PIL import Image, ImageOps

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # remarks on odd metadata; its size is looked at here
            with Image.open(
                io.BytesIO(data), formats=("JPEG", "PNG", "WEBP", "TIFF", "BMP", "GIF")
            ) as opened:
                wide, high = opened.size
                if wide * high > MOST_PIXELS:
                    raise _TooLarge(f"it has {wide} × {high} pixels; scale it down")
                opened.draft("RGB", (longest, longest))
                upright = ImageOps.exif_transpose(opened)
                return _anew(upright, longest)
    except _TooLarge:
        raise
    except Image.DecompressionBombError:
        raise _TooLarge("it has too many pixels; scale it down") from None
    except _DAMAGED:
        raise ValueError("it is damaged or of a kind that cannot be read; attach it as JPEG or PNG") from None


class _TooLarge(ValueError):
    """More pixels than are taken into memory."""


def _anew(picture: Image, longest: int) -> bytes:
    from PIL import Image

    picture.thumbnail((longest, longest), Image.Resampling.LANCZOS)
    if picture.mode in ("RGBA", "LA", "PA") or "transparency" in picture.info:
        seen = picture.convert("RGBA")
        clean = Image.new("RGB", seen.size, (255, 255, 255))
        clean.paste(seen, mask=seen.getchannel("A"))
    else:
        # Pasting carries points only; a converted copy would keep the file's remarks.
        clean = Image.new("RGB", picture.size)
        clean.paste(picture.convert("RGB"))
    out = io.BytesIO()
    clean.save(out, "JPEG", quality=_QUALITY)
    assert len(out.getvalue()) <= MOST_BYTES
    return out.getvalue()
