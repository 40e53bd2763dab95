"""Telling suspects, checks and advice on the screen."""

from __future__ import annotations

from typing import Any

import click

from ..caution import get as caution
from ..finding import Check, FaultFinder, Suspect
from .columns import hanging


def suspect_json(suspect: Suspect) -> dict[str, Any]:
    return {
        "probability": round(suspect.probability, 6), "mode": suspect.mode, "parts": list(suspect.parts),
        "pins": list(suspect.pins), "nets": list(suspect.nets), "text": suspect.text,
        "remedies": [
            {"text": r.text, "minutes": r.minutes, "cost": r.cost, "success": r.success}
            for r in suspect.remedies
        ],
        "because": list(suspect.because),
    }  # fmt: skip


def check_json(check: Check) -> dict[str, Any]:
    return {
        "quantity": check.quantity, "a": check.a, "b": check.b,
        "power": check.power, "removed": check.removed,
        "minutes": round(check.minutes, 2), "bits": round(check.bits, 4), "text": check.text,
        "cautions": [
            {"key": key, "title": caution(key).title, "text": caution(key).text} for key in check.cautions
        ],
        "outcomes": [
            {"shows": o.shows, "probability": round(o.probability, 4), "means": o.means}
            for o in check.outcomes
        ],
    }  # fmt: skip


def print_suspects(finder: FaultFinder, limit: int, least: float = 0.005) -> None:
    """The suspects with what carries them, and the readings that do not fit."""
    suspects = [s for s in finder.suspects(limit) if s.probability >= least] or finder.suspects(1)
    if not suspects:
        click.echo("There is nothing on this board that could be suspected.")
        return
    click.echo("Suspects:")
    for number, suspect in enumerate(suspects, start=1):
        click.echo(hanging(f"{number:3}. {suspect.probability:6.1%}  ", suspect.text))
        if suspect.because:
            click.echo(hanging("              because: ", "; ".join(map(_reason, suspect.because))))
    if finder.none_of_these > 0.02:
        click.echo(f"     {finder.none_of_these:6.1%}  none of these")
    places, _, none = finder.place_chances()
    if (sound := 1.0 - float(places.sum()) - none) > 0.02:  # only where something was mended
        click.echo(f"     {sound:6.1%}  put right: nothing is wrong any more")
    for _, why in finder.odd_readings():
        click.echo(hanging("  ! ", why))


def _reason(text: str) -> str:
    """A reason in words that fit any symptom: ``symptom "dead"``."""
    for words, told in (("it shows ", "symptom"), ("it does not show ", "not the symptom")):
        if text.startswith(words):
            return f'{told} "{text.removeprefix(words)}"'
    return text


def print_check(check: Check, number: int | None = None, cautions_shown: set[str] | None = None) -> None:
    """One check: cautions first, then what to do, then what each outcome would mean."""
    shown = cautions_shown if cautions_shown is not None else set()
    for key in check.cautions:
        warning = caution(key)
        if key not in shown:
            click.echo(hanging("  ", f"CAUTION, {warning.title}: {warning.text}"))
            shown.add(key)
        else:
            click.echo(f"  CAUTION: {warning.title.lower()}")
    head = f"{number}. " if number is not None else ""
    click.echo(hanging(head, f"{check.text}.  [{check.minutes:g} min]"))
    for outcome in check.outcomes:
        click.echo(hanging(f"     {outcome.shows:28} {outcome.probability:5.0%}  ", outcome.means))


def print_remedies(suspect: Suspect) -> None:
    for remedy in suspect.remedies:
        for key in remedy.cautions:
            click.echo(f"  CAUTION: {caution(key).title.lower()}")
        price = f", part about {remedy.cost:g}" if remedy.cost else ""
        said = f"{remedy.text}  [{remedy.minutes:g} min{price}; cures it {remedy.success:.0%} of the time]"
        click.echo(hanging("  ", said))
