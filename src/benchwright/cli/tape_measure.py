"""`benchwright tape measure`; `benchwright tape azimuth` comes along from its own module."""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from ..errors import BadQuantity
from ..tape import Figure, Recording
from ..tape.measure import ChannelReport, PairReport, measure_pair
from ..tape.measure import measure as measure_channel
from ..tape.verdict import usual_cause
from ..units import parse_quantity
from .tape_azimuth import azimuth
from .tape_tell import (
    about,
    azimuth_told,
    json_option,
    length_text,
    plain,
    print_about,
    print_azimuth,
    print_cautions,
    progress_bar,
    read_hertz,
    verdict_told,
)

__all__ = ["azimuth", "measure"]

_SHOWN_DROPOUTS = 5
_SHOWN_HARMONICS = 5
_BETWEEN_CHANNELS = ("balance", "azimuth")

recording_argument = click.argument("recording", type=click.Path(path_type=Path, exists=True, dir_okay=False))


def read_levels(_: click.Context, __: click.Parameter, text: str | None) -> Mapping[float, float] | None:
    """Frequencies with the level each was recorded at."""
    if text is None:
        return None
    found: dict[float, float] = {}
    for item in text.split(","):
        hertz, *levels = item.split("=", 1)
        try:
            found[parse_quantity(hertz.strip())] = float(levels[0].removesuffix("dB")) if levels else 0.0
        except (BadQuantity, ValueError):
            raise click.BadParameter(
                f"{item.strip()!r}: expected frequencies with levels in dB such as 315=0,10k=-17.5"
            ) from None
    if len(found) < 2 or not all(
        0.0 < hertz < 1e6 and math.isfinite(level) for hertz, level in found.items()
    ):
        raise click.BadParameter("expected two frequencies or more, such as 315,1000,6.3k,10k")
    return found


@click.command("measure")
@recording_argument
@click.option(
    "--tone",
    metavar="HZ",
    callback=read_hertz,
    help="Frequency of the test tone or leader as recorded; found if left out.",
)
@click.option(
    "--channel",
    default="all",
    show_default=True,
    help="left, right, mean, all, or a number from 1.",
)
@click.option(
    "--tones",
    metavar="LIST",
    callback=read_levels,
    help="For the frequency response: 315,1000=-1.8,6.3k=-13.6 (Hz=dB).",
)
@click.option("--sweep", is_flag=True, help="For the frequency response: the recording holds a sweep.")
@click.option(
    "--encoding",
    default=None,
    help="Name of the encoding of its data: speed and flutter then come from the data itself.",
)
@click.option(
    "--deck",
    "deck_path",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="Deck file: names the part behind each line of the flutter spectrum.",
)
@click.option(
    "--cassette", default="", help="Length class of the cassette, such as C60: for the spools' lines."
)
@click.option(
    "--position", type=click.FloatRange(0.0, 1.0), help="Where on the side it was played, 0 (start) to 1."
)
@json_option
def measure(
    recording: Path, tone: float | None, channel: str, tones: Mapping[float, float] | None, sweep: bool,
    encoding: str | None, deck_path: Path | None, cassette: str, position: float | None, as_json: bool,
) -> None:  # fmt: skip
    """Measure speed, flutter, level, noise, hum, dropouts and response of RECORDING, with a verdict on each.

    Exit code 1 if a figure is bad.
    """
    deck = None
    if deck_path is not None:
        from ..transport import read_deck_file

        deck = read_deck_file(deck_path)
    with Recording.open(recording) as take:
        chosen = _channels(take, channel)
        reports = []
        paired = chosen == [0, 1]
        with progress_bar("measuring", (2 * len(chosen) + paired) * take.frames, take.rate) as progress:
            reports = [measure_channel(take, each, tone, tones, sweep, encoding, progress) for each in chosen]
            pair = measure_pair(take, reports[0], reports[1], progress) if paired else None
        told = [
            _told(report, pair.figures if pair and number == 0 else {}, deck, cassette, position)
            for number, report in enumerate(reports)
        ]
        if as_json:
            answer = {"recording": about(take), "channels": told, "azimuth": _azimuth(pair)}
            click.echo(json.dumps(plain(answer), indent=2))
        else:
            _print(take, told, pair)
    if any(verdict["grade"] == "bad" for each in told for verdict in each["verdicts"]):
        sys.exit(1)


def _channels(take: Recording, wanted: str) -> list[Any]:
    names: dict[str, list[Any]] = {"all": list(range(take.channels)), "mean": ["mean"]}
    if take.channels == 2:
        names |= {"left": [0], "right": [1]}
    names |= {str(number + 1): [number] for number in range(take.channels)}
    if wanted.lower() not in names:
        raise click.BadParameter(
            f"{wanted!r}: this recording has {', '.join(names)}", param_hint="'--channel'"
        )
    return names[wanted.lower()]


def _azimuth(pair: PairReport | None) -> dict[str, Any] | None:
    if pair is None:
        return None
    if pair.azimuth is None:
        return {"why not": pair.why_no_azimuth}
    return azimuth_told(pair.azimuth)


def _told(
    report: ChannelReport, more: Mapping[str, Figure], deck: Any, cassette: str, position: float | None
) -> dict[str, Any]:
    """Everything about one channel, ready to be printed."""
    verdicts = report.verdicts(more)
    tone, level = report.tone, report.level
    return {
        "channel": report.channel,
        "verdicts": [verdict_told(verdict) for verdict in verdicts],
        "tone": None if tone is None else {
            "played": tone.tone, "recorded": tone.nominal_hz,
            "from": tone.start_s, "seconds": tone.duration_s,
            "speed": tone.speed, "drift": tone.drift, "ends": tone.ends,
            "least 30 s": tone.least_30_s, "greatest 30 s": tone.greatest_30_s,
            "flutter weighted": tone.weighted, "flutter weighted rms": tone.weighted_rms,
            "flutter unweighted": tone.unweighted, "warnings": list(tone.warnings),
        },
        "no tone": report.why_no_tone,
        "lines": _lines(report, deck, cassette, position),
        "level": level.rms, "peak": level.peak, "offset": level.offset,
        "asymmetry": level.asymmetry, "asymmetry without offset": level.asymmetry_centred,
        "half-waves": level.half_waves, "digital silence": level.silent,
        "clipping": {"share": level.clipping.share, "runs": level.clipping.runs, "rail": level.clipping.rail},
        "polarity": {
            "taller half-waves": level.polarity.taller, "sure": level.polarity.sure,
            "skew": level.polarity.skew,
        },
        "noise beside tone": _noise(report.noise), "noise in pauses": _noise(report.pauses),
        "hum": {
            "mains": report.hum.mains, "frequency": report.hum.frequency, "level": report.hum.level,
            "lines": [{"order": order, "level": figure} for order, figure in report.hum.lines],
        },
        "harmonics": None if report.harmonics is None else {
            "distortion": report.harmonics.distortion, "hidden": dict(report.harmonics.hidden),
            "relative": [{"order": order, "level": figure} for order, figure in report.harmonics.relative],
        },
        "dropouts": {
            "count": report.dropouts.count, "per minute": report.dropouts.per_minute,
            "lost": report.dropouts.lost, "resolution": report.dropouts.resolution,
            "depth at least": report.dropouts.depth_db, "longer than": report.dropouts.shortest,
            "list": [
                {"start": each.start, "length": each.length, "depth": each.depth}
                for each in report.dropouts.dropouts
            ],
        },
        "response": None if report.response is None else {
            "reference": report.response.reference, "not heard": list(report.response.missing),
            "points": [
                {"frequency": point.frequency, "played": point.measured, "level": point.level}
                for point in report.response.points
            ],
        },
    }  # fmt: skip


def _noise(noise: Any) -> dict[str, Any] | None:
    if noise is None:
        return None
    return {"level": noise.level, "ratio": noise.ratio, "band": list(noise.band)}


def _lines(report: ChannelReport, deck: Any, cassette: str, position: float | None) -> list[dict[str, Any]]:
    lines = report.lines()
    if deck is None or not lines or report.tone is None:
        return [
            {
                "hertz": hertz, "hertz uncertainty": doubt, "percent": Figure(percent, percent_doubt, "%"),
                "cause": usual_cause(hertz), "cautions": [],
            }
            for hertz, doubt, percent, percent_doubt in lines
        ]  # fmt: skip
    from ..transport import Line, assign_lines

    speed = report.figures.get("speed")
    found = assign_lines(
        deck,
        [Line(hertz, percent, max(doubt, 1e-4)) for hertz, doubt, percent, _ in lines],
        1.0 if speed is None else 1.0 + speed.value / 100.0,
        speed_sigma=None if speed is None else max(1e-4, speed.uncertainty / 100.0),
        tape=cassette,
        position=position,
    )
    return [
        {
            "hertz": hertz, "hertz uncertainty": doubt, "percent": Figure(percent, percent_doubt, "%"),
            "cause": assigned.sentence, "cautions": list(assigned.cautions),
            "parts": [
                {"parts": list(match.parts), "where": match.where, "probability": match.probability}
                for match in assigned.matches
            ],
        }
        for (hertz, doubt, percent, percent_doubt), assigned in zip(lines, found, strict=True)
    ]  # fmt: skip


def _print(take: Recording, told: list[dict[str, Any]], pair: PairReport | None) -> None:
    print_about(take)
    click.echo("± is one standard deviation.")
    for each in told:
        click.echo()
        if len(told) > 1 or each["channel"] not in ("mono", "mean"):
            click.echo(f"{each['channel'].capitalize()}:")
        _print_channel(each)
    if pair is not None:
        click.echo()
        if pair.azimuth is None:
            click.echo(f"No azimuth: {pair.why_no_azimuth}")
        else:
            print_azimuth(azimuth_told(pair.azimuth))
    shown: set[str] = set()
    said: set[str] = set()
    head = False
    for each in told:
        for verdict in each["verdicts"]:
            if not verdict["advice"] or verdict["key"] in said:
                continue
            said.add(verdict["key"])
            if not head:
                click.echo("\nWhat to do:")
                head = True
            print_cautions(verdict["cautions"], shown)
            alone = len(told) == 1 or verdict["key"] in _BETWEEN_CHANNELS
            of = "" if alone else f"{each['channel'].capitalize()}: "
            click.echo(f"  - {of}{verdict['advice']}")
        # Both channels of one pass show the same transport.
        if each["lines"] and "lines" not in said:
            said.add("lines")
            click.echo("\nLines of the flutter spectrum:")
            for line in each["lines"]:
                print_cautions(line["cautions"], shown)
                cause = line["cause"] or "cause not known"
                if "parts" not in line:
                    cause = f"{line['hertz']:8.2f} Hz  {line['percent'].text()}  {cause}"
                click.echo(f"  {cause}")


def _print_channel(each: dict[str, Any]) -> None:
    for verdict in each["verdicts"]:
        figure = verdict["figure"].text(verdict["signed"])
        click.echo(f"  {verdict['title']:42} {figure:26} {verdict['grade']}")
    tone = each["tone"]
    if tone is None:
        click.echo(f"  No speed and flutter: {each['no tone']}")
    else:
        played = "Data, " if tone["played"] is None else f"Tone {tone['played'].text()}, "
        recorded = "" if tone["recorded"] is None else f"recorded as {tone['recorded']:g} Hz, "
        click.echo(f"  {played}{recorded}{length_text(tone['seconds'])} from {length_text(tone['from'])}")
        click.echo(
            f"  Unweighted flutter {tone['flutter unweighted'].text()}, weighted RMS "
            f"{tone['flutter weighted rms'].text()}, drift {tone['drift'].text(True)}"
        )
        for warning in tone["warnings"]:
            click.echo(f"  ! {warning}")
    click.echo(f"  Peak {each['peak'].text()}, offset {each['offset'].text(True)}")
    for name in ("noise beside tone", "noise in pauses"):
        noise = each[name]
        if noise is not None:
            low, high = noise["band"]
            ratio = "" if noise["ratio"] is None else f", {noise['ratio'].text()} below the signal"
            click.echo(f"  {name.capitalize()} {noise['level'].text()}{ratio} ({low:g} to {high:g} Hz)")
    hum = each["hum"]
    if hum["mains"]:
        orders = ", ".join(str(line["order"]) for line in hum["lines"])
        click.echo(f"  Hum of {hum['mains']} Hz mains {hum['level'].text()}, harmonics {orders}")
    harmonics = each["harmonics"]
    if harmonics is not None and not harmonics["relative"]:
        click.echo(f"  Harmonics hidden in the noise; together {harmonics['distortion'].text()}")
    elif harmonics is not None:
        listed = ", ".join(
            f"{line['order']}: {line['level'].text()}" for line in harmonics["relative"][:_SHOWN_HARMONICS]
        )
        click.echo(f"  Harmonics {listed}; together {harmonics['distortion'].text()}")
    polarity = each["polarity"]
    if polarity["taller half-waves"] != "neither":
        click.echo(
            f"  The {polarity['taller half-waves']} half-waves are taller ({polarity['sure']:.0%} sure)"
        )
    dropouts = each["dropouts"]
    for dropout in sorted(dropouts["list"], key=lambda row: -row["depth"])[:_SHOWN_DROPOUTS]:
        click.echo(
            f"  Dropout at {dropout['start']:.3f} s, {1000 * dropout['length']:.1f} ms, "
            f"{dropout['depth']:.0f} dB deep"
        )
    if dropouts["count"] > _SHOWN_DROPOUTS:
        click.echo(
            f"  ... the {_SHOWN_DROPOUTS} deepest of {dropouts['count']} dropouts; all of them with --json"
        )
    if each["digital silence"] > 0.01:
        click.echo(f"  {each['digital silence']:.0%} of the recording is digital silence")
    if each["response"] is not None:
        response = each["response"]
        click.echo(f"  Response against {response['reference']:g} Hz:")
        for point in response["points"]:
            click.echo(f"    {point['frequency']:8.0f} Hz  {point['level'].text(True)}")
        if response["not heard"]:
            click.echo(f"    not heard: {', '.join(f'{hertz:g} Hz' for hertz in response['not heard'])}")
