"""`benchwright tape discover`: how an unknown tape is written."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..tape import Recording
from .tape_tell import about, json_option, plain, print_about

if TYPE_CHECKING:
    from ..tape.discover import Discovery, Proposal


@contextmanager
def _bar(seconds: float) -> Iterator[Callable[[float], None]]:
    """A bar on the error stream where somebody looks."""
    if seconds < 5.0 or not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("discovering", total=1.0)
        yield lambda done: bar.update(task, completed=done)


def _channel(take: Recording, wanted: str) -> Any:
    names: dict[str, Any] = {"mean": "mean"} | {str(n + 1): n for n in range(take.channels)}
    if take.channels == 2:
        names |= {"left": 0, "right": 1}
    if wanted.lower() not in names:
        raise click.BadParameter(
            f"{wanted!r}: this recording has {', '.join(names)}", param_hint="'--channel'"
        )
    return names[wanted.lower()]


@click.command("discover")
@click.argument("recording", type=click.Path(path_type=Path, exists=True, dir_okay=False))
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write the best proposal to this encoding file (a new .toml).",
)
@click.option("--force", is_flag=True, help="Overwrite the encoding file if it exists.")
@click.option("--channel", default="mean", show_default=True, help="left, right, mean, or a number from 1.")
@json_option
def discover(recording: Path, out: Path | None, force: bool, channel: str, as_json: bool) -> None:
    """Find out how the data on RECORDING is written, and propose an encoding file for it.

    Exit code 1 if nothing convincing was found; nothing is written then.
    """
    if out is not None:
        if out.suffix.lower() != ".toml":
            raise click.BadParameter(f"{out}: expected a name that ends in .toml", param_hint="'--out'")
        if out.exists() and not force:
            raise click.BadParameter(
                f"{out} exists: choose another name, or add --force to overwrite it", param_hint="'--out'"
            )
        if not out.resolve().parent.is_dir():
            raise click.BadParameter(f"{out}: there is no such folder", param_hint="'--out'")
    from ..tape.discover import discover as find

    with Recording.open(recording) as take:
        chosen = _channel(take, channel)
        with _bar(take.duration) as tell:
            found = find(take, channel=chosen, progress=tell)
        written = _write(out, found)
        if as_json:
            click.echo(json.dumps(plain(_told(take, found, written)), indent=2))
        else:
            _print(take, found, written)
    if not found.convincing:
        sys.exit(1)


def _write(out: Path | None, found: Discovery) -> Path | None:
    if out is None or not found.convincing:
        return None
    from ..tape.encoding import save_encoding

    best = found.proposals[0]
    save_encoding(out, best.encoding if best.known else best.encoding.with_name(out.stem))
    return out


def _told(take: Recording, found: Discovery, written: Path | None) -> dict[str, Any]:
    from ..tape.encoding import encoding_text

    return {
        "recording": about(take),
        "convincing": found.convincing,
        "looked at": {"start": found.start, "end": found.end},
        "leader": None
        if found.leader is None
        else {
            "half_wave_seconds": found.leader.half_seconds,
            "seconds": found.leader.seconds,
            "count": found.leader.count,
        },
        "lengths": [{"seconds": c.seconds, "share": c.share, "spread": c.spread} for c in found.clusters],
        "notes": list(found.notes),
        "proposals": [
            {
                "chance": p.chance,
                "name": p.encoding.name,
                "known": p.known,
                "reasons": list(p.reasons),
                "doubts": list(p.doubts),
                "encoding": encoding_text(p.encoding),
                "blocks": [
                    {
                        "start": b.start,
                        "end": b.end,
                        "bytes": len(b.data),
                        "good": b.good,
                        "check": b.check,
                        "data": b.data.hex(),
                    }
                    for b in p.blocks
                ],
            }
            for p in found.proposals
        ],
        "written": None if written is None else str(written),
    }


def _print(take: Recording, found: Discovery, written: Path | None) -> None:
    print_about(take)
    for note in found.notes:
        click.echo(f"  {note}")
    if not found.convincing:
        click.echo("Nothing convincing was found.")
    for number, proposal in enumerate(found.proposals):
        _print_proposal(number, proposal)
    if written is not None:
        click.echo(f"Written: {written}")
    elif found.convincing and not found.proposals[0].known:
        click.echo("Add --out NAME.toml to keep the first proposal as an encoding file.")


def _print_proposal(number: int, proposal: Proposal) -> None:
    chance = min(99, round(100 * proposal.chance))
    click.echo(f"{number + 1}. {proposal.encoding.name}: chance {chance} %")
    order = "least" if proposal.encoding.least_first else "most"
    click.echo(f"   Bits of a byte come {order} significant first.")
    for reason in proposal.reasons:
        click.echo(f"   + {reason}")
    for doubt in proposal.doubts:
        click.echo(f"   ? {doubt}")
    if proposal.blocks:
        held = sum(b.check == "holds" for b in proposal.blocks)
        checked = f", check holds on {held}" if proposal.encoding.check is not None else ""
        count = len(proposal.blocks)
        sizes = ", ".join(str(len(b.data)) for b in proposal.blocks[:12])
        more = ", ..." if count > 12 else ""
        click.echo(f"   {count} block{'s' if count != 1 else ''} read ({sizes}{more} bytes){checked}")
