"""Telling measured figures of a recording on the screen and as JSON; shared by the tape's commands."""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any

import click

from ..caution import get as caution
from ..errors import BadQuantity
from ..tape import Figure, Recording
from ..tape.azimuth import AzimuthReport
from ..tape.verdict import Verdict
from ..units import parse_quantity

_BAR_FROM_SECONDS = 60.0

json_option = click.option("--json", "as_json", is_flag=True, help="Print as JSON.")


@contextmanager
def progress_bar(what: str, frames: int, rate: int) -> Iterator[Callable[[int], None]]:
    """A bar on the error stream for long recordings, nothing for short ones or where nobody looks."""
    if frames < _BAR_FROM_SECONDS * rate or not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=frames)
        yield lambda done: bar.advance(task, done)


def read_hertz(_: click.Context, __: click.Parameter, text: str | None) -> float | None:
    """A frequency as people write it."""
    if text is None:
        return None
    try:
        found = parse_quantity(text)
    except BadQuantity as problem:
        raise click.BadParameter(str(problem)) from None
    if not 0.0 < found < 1e6:
        raise click.BadParameter(f"{text}: expected a frequency such as 3150, 3.15k or 3150 Hz")
    return found


def about(take: Recording) -> dict[str, Any]:
    return {
        "path": take.path, "format": take.format, "rate": take.rate, "channels": take.channels,
        "seconds": take.duration, "warnings": take.warnings,
    }  # fmt: skip


def verdict_told(verdict: Verdict) -> dict[str, Any]:
    return {
        "key": verdict.key, "title": verdict.title, "figure": verdict.figure, "grade": verdict.grade,
        "good within": verdict.limit.good, "good source": verdict.limit.good_source,
        "bad beyond": verdict.limit.bad, "bad source": verdict.limit.bad_source,
        "signed": verdict.limit.sense == "near zero", "advice": verdict.advice,
        "cautions": list(verdict.cautions),
    }  # fmt: skip


def azimuth_told(azimuth: AzimuthReport) -> dict[str, Any]:
    """The azimuth of a stereo recording, ready to be printed."""
    return {
        "angle": azimuth.angle, "delay": azimuth.delay, "leads": azimuth.leads,
        "possible": list(azimuth.possible), "ambiguous": azimuth.ambiguous, "inverted": azimuth.inverted,
        "wander": azimuth.wander, "agreement": azimuth.agreement, "warnings": list(azimuth.warnings),
    }  # fmt: skip


def plain(value: Any) -> Any:
    """Values that JSON has: figures as tables, what is no number as null."""
    if isinstance(value, Figure):
        return {"value": plain(value.value), "uncertainty": plain(value.uncertainty), "unit": value.unit}
    if isinstance(value, Mapping):
        return {key: plain(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [plain(each) for each in value]
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    return value


def length_text(seconds: float) -> str:
    """``5.2 s``, ``3 min 20 s``, ``1 h 02 min``."""
    if seconds < 60.0:
        return f"{seconds:.1f} s"
    if seconds < 3600.0:
        return f"{int(seconds // 60)} min {int(seconds % 60):02} s"
    return f"{int(seconds // 3600)} h {int(seconds % 3600 // 60):02} min"


def print_about(take: Recording) -> None:
    """One line on the recording, and what was wrong with it."""
    channels = {1: "mono", 2: "stereo"}.get(take.channels, f"{take.channels} channels")
    click.echo(f"{take.path}: {take.format}, {take.rate} Hz, {channels}, {length_text(take.duration)}")
    for warning in take.warnings:
        click.echo(f"  ! {warning}")


def print_cautions(keys: list[str], shown: set[str]) -> None:
    """Each caution once, before the step that needs it."""
    for key in keys:
        if key not in shown:
            shown.add(key)
            warning = caution(key)
            click.echo(f"  CAUTION, {warning.title}: {warning.text}")


def print_azimuth(told: Mapping[str, Any]) -> None:
    """The angle, the delay behind it, and what to know about them."""
    delay = Figure(1e6 * told["delay"].value, 1e6 * told["delay"].uncertainty, "µs")
    leads = f"the {told['leads']} channel leads" if told["leads"] else "neither channel leads clearly"
    click.echo(f"Azimuth {told['angle'].text(True)}: {leads}, by {delay.text(True)}")
    if not math.isnan(told["wander"].value):
        click.echo(f"  It wanders by {told['wander'].text()} (standard deviation) along the recording")
    for warning in told["warnings"]:
        click.echo(f"  ! {warning}")
