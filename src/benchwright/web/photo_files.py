"""Photos as pages show them: made anew from the picture alone, in two sizes."""

from __future__ import annotations

import uuid
from contextlib import suppress
from pathlib import Path

from ..errors import BenchwrightError
from ..jobs import Bench, Event, JobState
from ..jobs.bodies import Attachment

SIZES = {"small": 480, "large": 1600}
"""Pixels of the longer side."""
MOST_BYTES = 60_000_000
"""Of one photo: many times what a telephone makes."""
MOST_AT_ONCE = 20


class BadPhoto(BenchwrightError, ValueError):
    """A file that cannot be kept as a photo."""


def photos_of(job: JobState) -> list[Event]:
    """The photos of a job that stand, the latest first."""
    return [
        event for event in reversed(job.attachments)
        if isinstance(event.body, Attachment) and event.body.what == "photo"
    ]  # fmt: skip


def looked_at(data: bytes, name: str) -> str:
    """The media type of a photo, by its content alone.

    Raises
    ------
    BadPhoto
        It is no photo that can be shown later, or too large.
    """
    from ..sheets.from_photos import printable

    if len(data) > MOST_BYTES:
        raise BadPhoto(f"{name}: {len(data) / 1e6:.0f} MB; expected at most {MOST_BYTES / 1e6:.0f} MB")
    if not data:
        raise BadPhoto(f"{name}: the file is empty")
    if data[4:12] in (b"ftypheic", b"ftypheix", b"ftypmif1", b"ftypmsf1", b"ftyphevc", b"ftypavif"):
        raise BadPhoto(
            f"{name}: this kind of photo (HEIC or AVIF) cannot be read here. Set the camera to JPEG, often "
            "called its most compatible format, or send a copy saved as JPEG"
        )
    kinds = {b"\xff\xd8\xff": "image/jpeg", b"\x89PNG\r\n\x1a\n": "image/png"}
    kind = next((kind for head, kind in kinds.items() if data.startswith(head)), "")
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        kind = "image/webp"
    if not kind:
        raise BadPhoto(f"{name}: no photo; expected JPEG, PNG or WebP")
    try:
        printable(data, 64)
    except ValueError as problem:
        raise BadPhoto(f"{name}: {problem}") from None
    return kind


def shown(bench: Bench, sha256: str, size: str, cache: Path) -> bytes:
    """A photo as JPEG, upright and without anything that the camera wrote beside it.

    Parameters
    ----------
    bench : Bench
    sha256 : str
        Of a photo of the bench.
    size : str
        A key of `SIZES`.
    cache : Path
        Folder where it is kept for the next time.

    Raises
    ------
    BadPhoto
        It cannot be read any more.
    """
    from ..sheets.from_photos import printable

    kept = cache / "photos" / f"{sha256}-{size}.jpg"
    with suppress(OSError):
        return kept.read_bytes()
    try:
        made = printable(bench.attachment(sha256), SIZES[size])
    except ValueError as problem:
        raise BadPhoto(f"the photo cannot be shown: {problem}") from None
    with suppress(OSError):  # without it, it is made again
        kept.parent.mkdir(parents=True, exist_ok=True)
        beside = kept.with_suffix(f".{uuid.uuid4().hex}")
        beside.write_bytes(made)
        beside.replace(kept)
    return made
