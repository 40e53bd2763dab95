"""`benchwright demo tape`: a worn deck and a damaged tape, from measuring to a clean recording."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click
import numpy as np

from ..textfile import write_text
from .tape_tell import print_cautions

if TYPE_CHECKING:
    from ..demo.tape_tour import Take
    from ..tape import Recording
    from ..tape.blocks import Block
    from ..tape.measure import ChannelReport
    from .tape_plot import Plotter

_PICTURES = {
    "test-tape": ("waveform", "speed", "flutter"),
    "take-1": ("waveform", "half-waves", "eye"),
    "take-2": ("waveform",),
}


@click.command("tape")
@click.option("--folder", type=click.Path(path_type=Path, file_okay=False),
              help="Where the demo's files are written; benchwright-demo if left out.")  # fmt: skip
@click.pass_obj
def tape(named: Path, folder: Path | None) -> None:
    """Measure a make-believe tape deck, and rescue a damaged make-believe tape.

    Its pinch roller has a flat spot, its head is dirty, and the tape loses data in both passes. Exit code 1
    if the rescue fails, which it should not.
    """
    from ..demo import tape_tour
    from ..tape import Recording
    from ..transport import read_deck_file
    from .tape_plot import Plotter

    folder = folder or named
    folder.mkdir(parents=True, exist_ok=True)
    deck_file = folder / tape_tour.deck_path().name
    shutil.copyfile(tape_tour.deck_path(), deck_file)
    encoding_file = folder / tape_tour.encoding_path().name
    shutil.copyfile(tape_tour.encoding_path(), encoding_file)
    click.echo("The Heron, an invented data recorder, and a tape of an invented game. Nothing loads.")
    test = tape_tour.test_tape()
    with Recording.open(_write(folder, test)) as take:
        click.echo(f"\n=== Measured, with {test.story}: {take.path}")
        _measured(take, deck_file)
        deck = read_deck_file(deck_file)
        _pictures(Plotter(take, [0], tone=tape_tour.TEST_TONE, deck=deck), folder)
    takes = tape_tour.takes()
    plotters = [Plotter(Recording.open(_write(folder, take)), [0], tape_tour.encoding()) for take in takes]
    merged = _rescue(takes, plotters)
    for plotter in plotters:
        _pictures(plotter, folder)
    rescued = _rendered(merged, folder)
    click.echo(f"\nFiles are in {folder}/, pictures in {folder / 'pictures'}/. Go on by hand with:")
    named_encoding = f"--encoding {encoding_file}"
    click.echo(f"  benchwright tape measure {folder / 'test-tape.wav'} --tone 3150 --deck {deck_file}")
    click.echo(f"  benchwright tape merge {folder / 'take-1.wav'} {folder / 'take-2.wav'} {named_encoding}")
    click.echo(f"  benchwright tape plot {folder / 'take-1.wav'} {named_encoding} --kind eye")
    if not rescued:
        click.get_current_context().exit(1)


def _write(folder: Path, take: Take) -> Path:
    from ..demo.tape_tour import RATE
    from ..tape.render import write_recording

    path = folder / f"{take.name}.wav"
    write_recording(path, take.samples, RATE)
    return path


# -- the deck -----------------------------------------------------------------------------------------------


def _measured(take: Recording, deck_file: Path) -> None:
    from ..demo.tape_tour import TEST_TONE, TONES
    from ..tape.measure import measure

    report = measure(take, 0, TEST_TONE, TONES)
    verdicts = report.verdicts()
    for verdict in verdicts:
        figure = verdict.figure.text(verdict.limit.sense == "near zero")
        click.echo(f"  {verdict.title:48} {figure:26} {verdict.grade}")
    if report.response is not None:
        points = ", ".join(
            f"{point.frequency:g} Hz {point.level.value:+.1f} dB" for point in report.response.points
        )
        click.echo(f"  Levels of the tones: {points}")
    shown: set[str] = set()
    said: set[str] = set()
    click.echo("\nLines of the flutter spectrum, by the Heron's parts:")
    for sentence, cautions in _lines(report, deck_file):
        print_cautions(cautions, shown)
        click.echo(f"  - {sentence}")
    click.echo("\nWhat else to do:")
    for verdict in verdicts:
        if verdict.advice and verdict.key != "flutter" and verdict.advice not in said:
            said.add(verdict.advice)
            print_cautions(list(verdict.cautions), shown)
            click.echo(f"  - {verdict.advice}")


def _lines(report: ChannelReport, deck_file: Path) -> list[tuple[str, list[str]]]:
    from ..transport import Line, assign_lines, read_deck_file

    speed = report.figures["speed"]
    lines = [Line(hertz, percent, max(doubt, 1e-4)) for hertz, doubt, percent, _ in report.lines()]
    assigned = assign_lines(
        read_deck_file(deck_file), lines, 1.0 + speed.value / 100.0, speed_sigma=speed.uncertainty / 100.0
    )
    return [(each.sentence, list(each.cautions)) for each in assigned]


# -- the tape -----------------------------------------------------------------------------------------------


def _rescue(takes: Sequence[Take], plotters: Sequence[Plotter]) -> Sequence[Block]:
    from ..demo.tape_tour import encoding
    from ..tape.merge import merge

    click.echo(f"\n=== Read, two passes of the damaged tape ({encoding().name})")
    for take, plotter in zip(takes, plotters, strict=True):
        _print_blocks(take.story.capitalize(), plotter.tape.blocks)
    merged: Sequence[Block] = merge([plotter.take.recording for plotter in plotters], encoding()).blocks
    _print_blocks("Both merged", merged)
    return merged


def _print_blocks(what: str, blocks: Sequence[Block]) -> None:
    good = sum(block.good for block in blocks)
    bad = [str(number) for number, block in enumerate(blocks, start=1) if not block.good]
    lost = f"; not good: {', '.join(bad)}" if bad else ""
    click.echo(f"  {what}: {good} of {len(blocks)} blocks good{lost}")


def _rendered(blocks: Sequence[Block], folder: Path) -> bool:
    """Write what was rescued; whether all of it is good and reads back the same."""
    from ..demo.tape_tour import RATE, encoding
    from ..tape import Recording
    from ..tape.decode import decode
    from ..tape.render import render, write_recording

    path = folder / "clean.wav"
    rate = 2 * RATE
    # A block carries its check already: it goes out as it came in.
    write_recording(path, np.asarray(render([block.data for block in blocks], encoding(), rate)), rate)
    with Recording.open(path) as clean:
        back = decode(clean, encoding())
    same = [block.data for block in back.blocks] == [block.data for block in blocks]
    click.echo("\n=== Written anew, for the machine to load")
    click.echo(
        f"  {path}: {sum(block.good for block in back.blocks)} of {len(back.blocks)} blocks good when read "
        f"back, {'the same bytes' if same else 'but not the same bytes'}"
    )
    # A number in front of each block, its check of two bytes behind it.
    text = b"".join(block.data[1:-2] for block in blocks).decode("ascii", "replace").replace("\r", "\n")
    listing = folder / "listing.txt"
    write_text(listing, text)
    click.echo(f"  {listing}, what the tape says:")
    for line in text.splitlines()[:3]:
        click.echo(f"    {line}")
    return same and all(block.good for block in blocks)


# -- the pictures -------------------------------------------------------------------------------------------


def _pictures(plotter: Plotter, folder: Path) -> None:
    from ..plots.paper import save

    where = folder / "pictures"
    where.mkdir(exist_ok=True)
    name = Path(plotter.take.path).stem
    for kind in _PICTURES[name]:
        save(plotter.draw(kind), where / f"{name}-{kind}.png")
