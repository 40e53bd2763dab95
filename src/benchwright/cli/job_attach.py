"""`benchwright job attach`, also called `photo`."""

from __future__ import annotations

import mimetypes
from pathlib import Path
from typing import Any

import click

from .at_bench import bench_option, opened
from .columns import hanging
from .job_common import at_option, event_json, job_argument, json_option, print_events, print_json
from .moments import parse_moment

_SIGNS = (
    (b"\xff\xd8\xff", "image/jpeg"), (b"\x89PNG\r\n\x1a\n", "image/png"), (b"fLaC", "audio/flac"),
    (b"OggS", "audio/ogg"), (b"%PDF-", "application/pdf"), (b"GIF8", "image/gif"),
)  # fmt: skip


def media_type(path: Path) -> str:
    """What a file is, by its first bytes and then by its name."""
    with path.open("rb") as file:
        head = file.read(16)
    if head[:4] == b"RIFF" and head[8:12] in (b"WAVE", b"WEBP"):
        return "audio/wav" if head[8:12] == b"WAVE" else "image/webp"
    if head[:4] == b"FORM" and head[8:12] in (b"AIFF", b"AIFC"):
        return "audio/aiff"
    by_sign = next((kind for sign, kind in _SIGNS if head.startswith(sign)), None)
    return by_sign or mimetypes.guess_type(path.name)[0] or "application/octet-stream"


@click.command("attach")
@job_argument
@click.argument(
    "files", metavar="FILE...", nargs=-1, required=True,
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
)  # fmt: skip
@click.option("--caption", default="", metavar="TEXT", help="What it shows.")
@click.option("--what", type=click.Choice(("photo", "take", "file")),
              help="Photo, recording of a tape, or any file.  [default: by what is in it]")  # fmt: skip
@at_option
@bench_option
@json_option
def attach_command(
    number: int,
    files: tuple[Path, ...],
    caption: str,
    what: str | None,
    when: str | None,
    where: str | None,
    as_json: bool,
) -> None:
    """Keep FILEs with a job: photos, recordings, ROM images. They are copied, and each only once."""
    at = parse_moment(when) if when else None
    with opened(where) as bench:
        from ..jobs.telling import tell

        events = []
        for path in files:
            kind = media_type(path)
            sort: Any = what or {"image": "photo", "audio": "take"}.get(kind.partition("/")[0], "file")
            events.append(bench.attach(number, path, path.name, kind, what=sort, caption=caption, at=at))
        job = bench.job(number)
    if as_json:
        print_json({"job": number, "recorded": [event_json(event) for event in events]})
        return
    click.echo(hanging("", f"Job {number}, {job.title}:"))
    print_events([(event, tell(event.body)) for event in events])
