"""`benchwright tape`: from a recording to the state of the deck and the bytes on the tape."""

from __future__ import annotations

import click

from .lazy import LazyGroup

_COMMANDS = {
    "measure": ("tape_measure", "measure", "Speed, flutter, level, noise, dropouts, with a verdict on each."),
    "azimuth": ("tape_measure", "azimuth", "The head's angle, and which way to turn its screw."),
    "plot": ("tape_plot", "plot", "Pictures of a recording: PNG or SVG."),
    "decode": ("tape_read", "decode", "Read the blocks of data on a recording."),
    "discover": ("tape_discover", "discover", "Find out how an unknown tape is written."),
    "merge": ("tape_read", "merge", "Combine several takes of one side into one answer."),
    "margin": ("tape_read", "margin", "How much in hand the decisions have, and the chance of a load."),
    "render": ("tape_read", "render", "Write bytes as a clean recording."),
    "encodings": ("tape_read", "encodings_command", "List the known encodings, or print one."),
}


@click.group(cls=LazyGroup, commands_at=_COMMANDS)
def tape() -> None:
    """Measure a deck, read any data tape, rescue a damaged one."""
