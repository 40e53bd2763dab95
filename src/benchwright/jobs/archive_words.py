"""A job told in plain words, for the README of its file: readable without this program."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

import msgspec

from . import bodies
from .bench import summary_of
from .history import Event, standing
from .state import JobState

HEAD = """\
{title}
{line}

This is one job of a bench where old computers are mended, with all that was recorded of it: a file written by
Benchwright, made to be read without it.

  README.txt    this text
  job.json      every event of the job in order, also those that were corrected or taken back later
  stock.json    the parts from stock that it used: what they are, what one cost
  board/        the board file, if the job has one
  attachments/  photos, recordings and other files
  SHA256SUMS    SHA-256 of all these: after unpacking, `sha256sum -c SHA256SUMS` tells whether all are whole

To take the job into another bench: benchwright job import THIS_FILE
"""
FACTS = (
    ("case_label", "Label on the case"), ("board_revision", "Revision of the board"),
    ("serial", "Serial number"), ("rom_version", "ROM version"), ("board_file", "Board file"),
)  # fmt: skip
LEFT_OUT = ("type", "board_text", "sha256")


def readme(state: JobState, prices: Mapping[str, bodies.Price], files: Mapping[str, str]) -> str:
    """The job in plain words; nothing in it depends on the bench that it is read on.

    Parameters
    ----------
    state : JobState
    prices : mapping
        Of one part of each lot.
    files : mapping
        SHA-256 of an attachment: its name in the archive.
    """
    summary = summary_of(state, dict(prices))
    title = _plain(state.title)
    lines = [HEAD.format(title=title, line="=" * len(title)), "The job", "-------", ""]
    lines += [f"{text}: {_plain(getattr(state, name))}" for name, text in FACTS if getattr(state, name)]
    lines.append(f"Opened: {state.opened:%Y-%m-%d}" if state.opened else "")
    lines.append(f"Stage: {summary['stage']}")
    if summary["waiting_for"]:
        lines.append(f"Waiting for: {_plain(str(summary['waiting_for']))}")
    lines.append(f"Time spent: {state.minutes.quantize(Decimal(1))} minutes")
    lines.append(f"Profit to date: {summary['profit']} {state.currency}")
    lines.append(f"Identity: {state.uid}")
    lines += ["", "What happened (times are UTC)", "-----------------------------", ""]
    kept = {event.uid for event in standing(state.events)}
    numbers = {event.uid: number for number, event in enumerate(state.events, start=1)}
    for number, event in enumerate(state.events, start=1):
        instead = f" (of {numbers[event.supersedes]})" if event.supersedes else ""
        lines.append(f"{number:5}  {event.at:%Y-%m-%d %H:%M}  {event_in_words(event, files)}{instead}")
        if event.uid not in kept and not isinstance(event.body, bodies.Undone):
            lines.append(f"{'':25}(corrected or taken back later)")
    return "\n".join(lines) + "\n"


def event_in_words(event: Event, files: Mapping[str, str]) -> str:
    """An event in one line: its kind and all it says."""
    said = [
        f"{name.replace('_', ' ')} {_value(getattr(event.body, name))}"
        for name in event.body.__struct_fields__
        if name not in LEFT_OUT and getattr(event.body, name) not in ("", None, (), False, bodies.State())
    ]
    if isinstance(event.body, bodies.Attachment) and event.body.sha256 in files:
        said.append(f"here as {files[event.body.sha256]}")
    return f"{event.kind.replace('-', ' ')}: {'; '.join(said)}".rstrip(": ")


def _value(value: Any) -> str:
    if isinstance(value, bodies.Price):
        return f"{value.value} {value.currency}"
    if isinstance(value, bodies.State):
        out = f", without {', '.join(value.removed)}" if value.removed else ""
        return _plain(f"power {'on' if value.power else 'off'}{out}")
    if isinstance(value, tuple):
        return ", ".join(_value(one) for one in value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, msgspec.Struct):
        return _plain(str(msgspec.to_builtins(value)))
    return _plain(str(value))


def _plain(text: str) -> str:
    """On one line, and without signs that would steer a terminal."""
    return "".join(sign if sign.isprintable() else " " for sign in text)
