"""Photos on a sheet: JPEG or PNG, looked at before they are printed, so that a bad one is named."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from datetime import datetime

from .checks import numbered, said
from .errors import BadSheet, shortened

MOST_BYTES = 12_000_000
"""Of one photo: what a telephone makes fits in."""
MOST_PIXELS = 120_000_000
MOST_PHOTOS = 60
MOST_BYTES_TOGETHER = 150_000_000

_PNG = b"\x89PNG\r\n\x1a\n"
_JPEG = b"\xff\xd8\xff"
_JPEG_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
_JPEG_ALONE = frozenset((0x01, *range(0xD0, 0xDA)))


@dataclass(frozen=True, slots=True)
class Photo:
    """A photo and what it shows.

    Attributes
    ----------
    picture : bytes
        A whole JPEG or PNG file, at most `MOST_BYTES`.
    caption : str
        What it shows; also what those hear who cannot see it.
    when : datetime
        When it was taken.
    event : int
        Its number in the job's history.

    Raises
    ------
    BadSheet
        The picture is neither, is cut off before its size is told, or is too large.
    """

    picture: bytes
    caption: str
    when: datetime
    event: int

    def __post_init__(self) -> None:
        said(self.caption, "a photo's caption")
        numbered(self.event, f"photo {shortened(self.caption)!r}")
        whose = f"photo {shortened(self.caption)!r} (event {self.event})"
        if len(self.picture) > MOST_BYTES:
            raise BadSheet(
                f"{whose} has {len(self.picture) / 1e6:.1f} MB; expected at most {MOST_BYTES / 1e6:.0f} MB: "
                "scale it down"
            )
        if self.ending == "png":
            size = _png_size(self.picture)
        elif self.ending == "jpg":
            size = _jpeg_size(self.picture)
        else:
            raise BadSheet(f"{whose} is neither JPEG nor PNG: convert it")
        if size is None or 0 in size:
            raise BadSheet(f"{whose} is damaged or cut off: take it out or attach it again")
        if size[0] * size[1] > MOST_PIXELS:
            raise BadSheet(
                f"{whose} has {size[0]} × {size[1]} pixels; that is too many to print: scale it down"
            )

    @property
    def ending(self) -> str:
        """``png``, ``jpg``, or nothing for any other kind of file."""
        if self.picture.startswith(_PNG):
            return "png"
        return "jpg" if self.picture.startswith(_JPEG) else ""


def few_enough(photos: tuple[Photo, ...]) -> None:
    """Refuse more photos than one sheet can hold.

    Raises
    ------
    BadSheet
    """
    if len(photos) > MOST_PHOTOS:
        raise BadSheet(
            f"{len(photos)} photos; one sheet holds at most {MOST_PHOTOS}: choose the telling ones"
        )
    together = sum(len(photo.picture) for photo in photos)
    if together > MOST_BYTES_TOGETHER:
        raise BadSheet(
            f"the photos have {together / 1e6:.0f} MB together; one sheet holds at most "
            f"{MOST_BYTES_TOGETHER / 1e6:.0f} MB: choose fewer, or scale them down"
        )


def _png_size(picture: bytes) -> tuple[int, int] | None:
    if len(picture) < 24 or picture[12:16] != b"IHDR":
        return None
    width, height = struct.unpack(">II", picture[16:24])
    return width, height


def _jpeg_size(picture: bytes) -> tuple[int, int] | None:
    """Width and height from the frame header (ITU-T T.81, B.2.2; from memory)."""
    at = 2
    while at + 9 <= len(picture):
        if picture[at] != 0xFF:
            return None
        marker = picture[at + 1]
        if marker == 0xFF:
            at += 1
        elif marker in _JPEG_ALONE:
            at += 2
        elif marker in _JPEG_FRAMES:
            height, width = struct.unpack(">HH", picture[at + 5 : at + 9])
            return width, height
        else:
            at += 2 + int(struct.unpack(">H", picture[at + 2 : at + 4])[0])
    return None
