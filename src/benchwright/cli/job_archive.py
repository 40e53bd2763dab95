"""``job export`` and ``job import``: one job in one file."""

from __future__ import annotations

import json
from pathlib import Path

import click

from .at_bench import bench_option, opened


@click.command("export")
@click.argument("number", type=int)
@click.option(
    "--out", type=click.Path(path_type=Path, dir_okay=False), help="The file [default: job-NUMBER.zip here]."
)
@click.option("--overwrite", is_flag=True, help="Take the place of a file of that name.")
@click.option("--json", "as_json", is_flag=True, help="Print what was written as JSON.")
@bench_option
def export_command(number: int, out: Path | None, overwrite: bool, as_json: bool, where: str | None) -> None:
    """Write a job with all its evidence into one zip file, readable without Benchwright.

    It holds the history, attachments, the parts from stock that were used, the board file and a manifest for
    `sha256sum -c`. The same job gives the same bytes. `job import` takes it into any bench.
    """
    from ..jobs.archive import export_job

    out = out or Path(f"job-{number}.zip")
    with opened(where) as bench:
        state = export_job(bench, number, out, overwrite=overwrite)
    size = out.stat().st_size
    if as_json:
        said = {"file": str(out), "bytes": size, "uid": state.uid, "events": len(state.events)}
        click.echo(json.dumps(said, indent=2))
    else:
        click.echo(f"{out}: {state.title}, {_count(len(state.events), 'event')}, {size:,} bytes.")


@click.command("import")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--as-new", is_flag=True, help="Keep it as a job of its own, even if it is here already.")
@click.option("--json", "as_json", is_flag=True, help="Print what came of it as JSON.")
@bench_option
def import_command(file: Path, as_new: bool, as_json: bool, where: str | None) -> None:
    """Take a job's file into this bench: all of it, or nothing if anything in it is not right.

    A job that is here already is continued if the file's history goes on from it. Lots from another bench's
    stock come with the job, for their prices; the stock here stays as it is.
    """
    from ..jobs.archive import take_in
    from ..jobs.archive_file import open_archive

    with open_archive(file) as archive, opened(where, create=True) as bench:
        came = take_in(bench, archive, as_new=as_new)
    if as_json:
        said = {
            "job": came.number, "title": came.title, "what": came.what, "events": came.events,
            "lots": came.lots,
        }  # fmt: skip
        click.echo(json.dumps(said, indent=2))
        return
    events = _count(came.events, "event")
    click.echo(
        {
            "new": f"Job {came.number}, {came.title}: taken in, {events}.",
            "continued": f"Job {came.number}, {came.title}: continued by {events}.",
            "known": f"Job {came.number}, {came.title}: is here already, nothing to add.",
            "longer here": f"Job {came.number}, {came.title}: is here already and goes further here; "
            "the file is older, nothing to add.",
        }[came.what]
    )
    if came.lots:
        click.echo(
            f"Lots of the other bench that it used: {', '.join(came.lots)}. None of these are in stock here."
        )


def _count(number: int, what: str) -> str:
    return f"{number:,} {what}" if number == 1 else f"{number:,} {what}s"
