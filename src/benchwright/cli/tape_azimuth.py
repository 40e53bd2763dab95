"""`benchwright tape azimuth`."""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import click

from ..errors import BadFile
from ..tape import Figure, Recording
from ..tape.azimuth import TRACK_SPACING, from_takes, treble_of
from ..tape.azimuth_positions import audible_bands, best_position
from ..tape.measure import stereo_azimuth
from ..tape.verdict import Verdict, judge
from .tape_tell import (
    about,
    azimuth_told,
    json_option,
    plain,
    print_about,
    print_azimuth,
    print_cautions,
    progress_bar,
    read_hertz,
    verdict_told,
)

_SCREW_CAUTIONS = ["powered_probing"]


def _read_tones(
    context: click.Context, parameter: click.Parameter, texts: tuple[str, ...]
) -> tuple[float, ...]:
    return tuple(hertz for text in texts if (hertz := read_hertz(context, parameter, text)) is not None)


@click.command("azimuth")
@click.argument(
    "recordings",
    nargs=-1,
    required=True,
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    metavar="RECORDING...",
)
@click.option(
    "--position",
    "positions",
    type=float,
    multiple=True,
    help="Where the screw stood, in turns, once for each recording and in their order.",
)
@click.option(
    "--tone",
    "tones",
    metavar="HZ",
    multiple=True,
    callback=_read_tones,
    help="Frequency of a high test tone; may be given several times. Left out, all treble is used.",
)
@click.option(
    "--track-width",
    type=click.FloatRange(0.1, 50.0),
    default=1.5,
    show_default=True,
    help="Width of the track that the head reads, in mm, for mono takes.",
)
@click.option(
    "--track-spacing",
    type=click.FloatRange(0.1, 50.0),
    default=1e3 * TRACK_SPACING,
    show_default=True,
    help="Distance of the middles of the two tracks, in mm, for a stereo recording.",
)
@click.option("--unit", default="turns", show_default=True, help="What positions are counted in.")
@json_option
def azimuth(
    recordings: tuple[Path, ...], positions: tuple[float, ...], tones: tuple[float, ...],
    track_width: float, track_spacing: float, unit: str, as_json: bool,
) -> None:  # fmt: skip
    """Tell the angle of the head, and which way to turn its screw.

    One stereo RECORDING gives the angle from the delay between its channels. Several recordings of the same
    stretch of tape, each with the --position of the screw, tell which way to turn and how far: stereo from
    their delays, mono from their treble.

    Exit code 1 if the azimuth is bad.
    """
    if positions and len(positions) != len(recordings):
        raise click.UsageError(
            f"{len(recordings)} recordings and {len(positions)} positions: give --position once for each"
        )
    if not all(math.isfinite(position) for position in positions):
        raise click.UsageError("a position must be a number")
    if len(recordings) > 1 and not positions:
        raise click.UsageError("several recordings need the --position of the screw at each")
    if len(recordings) == 1 and positions:
        raise click.UsageError("one position tells no direction: record again with the screw somewhere else")
    takes = [Recording.open(path) for path in recordings]
    answer: dict[str, Any] = {"recordings": [about(take) for take in takes]}
    angle: Figure
    if len(takes) == 1:
        told = _one_stereo(takes[0], 1e-3 * track_spacing)
        answer |= told
        angle = told["angle"]
    else:
        answer |= _several(takes, positions, tones, 1e-3 * track_width, 1e-3 * track_spacing, unit)
        angle = answer["angle"]
    (verdict,) = judge({"azimuth": angle})
    answer["verdict"] = verdict_told(verdict)
    if as_json:
        click.echo(json.dumps(plain(answer), indent=2))
    else:
        for take in takes:
            print_about(take)
        click.echo("± is one standard deviation.\n")
        _print_screw(answer, verdict)
    if verdict.grade == "bad":
        sys.exit(1)


def _one_stereo(take: Recording, track_spacing: float) -> dict[str, Any]:
    if take.channels != 2:
        raise BadFile(
            take.path,
            f"expected a stereo recording, but its number of channels is {take.channels}; or give several "
            "takes with the --position of the screw at each",
        )
    with progress_bar("listening", take.frames, take.rate) as progress:
        found, why = stereo_azimuth(take, progress, track_spacing)
    if found is None:
        raise BadFile(take.path, why)
    return azimuth_told(found)


def _several(
    takes: list[Recording], positions: tuple[float, ...], tones: tuple[float, ...], track_width: float,
    track_spacing: float, unit: str,
) -> dict[str, Any]:  # fmt: skip
    stereo = []
    with progress_bar("listening", sum(take.frames for take in takes), takes[0].rate) as progress:
        if all(take.channels == 2 for take in takes):
            stereo = [heard for take in takes if (heard := stereo_azimuth(take, progress, track_spacing)[0])]
        if len(stereo) == len(takes):
            line = best_position(positions, [each.angle for each in stereo], unit)
            return {
                "from": "delay", "best": line.best, "turn": line.turn, "direction": line.direction,
                "angle": line.angle, "per unit": line.per_unit, "unit": unit,
                "takes": [
                    {"position": position, "angle": each.angle, "warnings": list(each.warnings)}
                    for position, each in zip(positions, stereo, strict=True)
                ],
                "warnings": [],
            }  # fmt: skip
        levels = []
        for take in takes:
            blocks = (block.mean(axis=1) for block in take.blocks())
            levels.append(treble_of(_counted(blocks, progress), take.rate, list(tones) or None))
    if not tones:
        levels = audible_bands(levels)
    found = from_takes(positions, levels, unit=unit, track_width=track_width)
    return {
        "from": "treble", "best": found.best, "turn": found.turn, "direction": found.direction,
        "angle": found.angle, "per unit": found.per_unit, "unit": unit, "loss": found.loss,
        "takes": [
            {"position": position, "treble": float(each.decibels[-1]), "hertz": float(each.hertz[-1])}
            for position, each in zip(positions, levels, strict=True)
        ],
        "warnings": list(found.warnings),
    }  # fmt: skip


def _counted(blocks: Iterator[Any], progress: Callable[[int], None]) -> Iterator[Any]:
    for block in blocks:
        yield block
        progress(len(block))


def _print_screw(answer: Mapping[str, Any], verdict: Verdict) -> None:
    if "best" not in answer:
        print_azimuth(answer)
        click.echo(f"  {verdict.grade}: good within {verdict.limit.good:g}, bad beyond {verdict.limit.bad:g}")
        if verdict.advice:
            print_cautions(list(verdict.cautions), set())
            click.echo(f"  - {verdict.advice}")
        if verdict.grade != "good":
            click.echo(
                "  - To learn which way: turn the screw by an eighth, record again, and give both recordings "
                "with their --position."
            )
        return
    for take in answer["takes"]:
        if "angle" in take:
            click.echo(f"  at {take['position']:+g} {answer['unit']}: {take['angle'].text(True)}")
            for warning in take["warnings"]:
                click.echo(f"    ! {warning}")
        else:
            place = f"{take['position']:+g} {answer['unit']}"
            click.echo(f"  at {place}: {take['treble']:.1f} dB at {take['hertz']:g} Hz")
    click.echo(f"Now out by {answer['angle'].text(answer['from'] == 'delay')}: {verdict.grade}")
    click.echo(f"Best position: {answer['best'].text(True)}")
    for warning in answer["warnings"]:
        click.echo(f"  ! {warning}")
    if answer["direction"]:
        print_cautions(_SCREW_CAUTIONS, set())
        way = "the way in which positions grow" if answer["direction"] == "onward" else "back"
        click.echo(f"  - Turn the screw by {answer['turn'].text(True)}, {way}, and measure again.")
    elif verdict.grade == "good":
        click.echo("  - Leave the screw: it stands right as far as these takes can tell.")
    else:
        click.echo("  - These takes do not tell which way to turn: make more of them, further apart.")
