"""`benchwright bench`: keep the records safe."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from .at_bench import bench_option, opened
from .progress import progress_bar


@click.group()
def bench() -> None:
    """Back up, check and bring back the bench's records."""


@bench.command()
@click.argument("to", metavar="[FILE]", required=False, type=click.Path(path_type=Path))
@bench_option
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def backup(to: Path | None, where: str | None, as_json: bool) -> None:
    """Write all records and attachments into one FILE, while others may go on writing.

    Without FILE, a dated file beside the records; the last ten of those are kept. Name a file or folder on
    another disk now and then: a backup beside the records does not outlive their disk.

    Exit code 1 if something could not be copied as it should be; all else is in the backup then.
    """
    from ..jobs.backup import back_up

    with opened(where) as records, progress_bar("copying") as progress:
        made = back_up(records, to, progress)
    if as_json:
        _print_json(
            {
                "file": str(made.path), "jobs": made.jobs, "events": made.events,
                "attachments": made.attachments, "problems": made.problems,
                "removed": [str(path) for path in made.removed],
            }
        )  # fmt: skip
    else:
        click.echo(f"{made.path}: {_counted(made.jobs, made.events, made.attachments)}")
        _print_list(made.problems)
        for path in made.removed:
            click.echo(f"removed to make room: {path.name}")
    _exit(1 if made.problems else 0)


@bench.command()
@click.argument(
    "file", metavar="[BACKUP]", required=False, type=click.Path(exists=True, dir_okay=False, path_type=Path)
)
@bench_option
@click.option("--quick", is_flag=True, help="Only look at the size of attachments.")
@click.option("--rederive", "anew", is_flag=True, help="First make all that is derived anew from the events.")
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def verify(file: Path | None, where: str | None, quick: bool, anew: bool, as_json: bool) -> None:
    """Check every record and attachment against its hash and its links; or those of a BACKUP.

    Exit code 1 if something is wrong.
    """
    with progress_bar("checking") as progress:
        if file is not None:
            from ..jobs.restore import check_backup

            if quick or anew:
                raise click.UsageError("--quick and --rederive are for a bench, not for a backup")
            found = check_backup(file, progress)
        else:
            from ..jobs.bench import rederive
            from ..jobs.verify import verify as look_through

            with opened(where) as records:
                if anew:
                    with records.place.writing() as connection:
                        rederive(records, connection)
                found = look_through(records, "sizes" if quick else "hashes", progress)
    if as_json:
        _print_json(
            {
                "clean": found.clean, "jobs": found.jobs, "events": found.events,
                "attachments": found.attachments, "problems": found.problems, "remarks": found.remarks,
            }
        )  # fmt: skip
    else:
        _print_list(found.problems)
        for remark in found.remarks:
            click.echo(f"note: {remark}")
        looked = _counted(found.jobs, found.events, found.attachments)
        if found.clean:
            click.echo(f"All is well: {looked}")
        elif file is None:
            click.echo(
                f"{len(found.problems)} problems; looked at {looked}. `benchwright bench restore` brings "
                "back a backup; --rederive mends what is only derived"
            )
        else:
            click.echo(f"{len(found.problems)} problems; looked at {looked}. Use another backup")
    _exit(0 if found.clean else 1)


@bench.command()
@click.argument("file", metavar="BACKUP", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@bench_option
@click.option("--replace", is_flag=True, help="Also where there are records; they are kept aside.")
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def restore(file: Path, where: str | None, replace: bool, as_json: bool) -> None:
    """Bring a BACKUP back, to a folder or a server, whichever it came from.

    The backup is checked first, and the bench afterwards. Exit code 1 if that finds something wrong.
    """
    from ..jobs.restore import restore as bring_back

    with progress_bar("bringing back") as progress:
        done = bring_back(file, where, replace=replace, progress=progress)
    found = done.verdict
    if as_json:
        _print_json(
            {
                "bench": done.name, "jobs": done.jobs, "events": done.events, "attachments": done.attachments,
                "aside": None if done.aside is None else str(done.aside), "clean": found.clean,
                "problems": found.problems, "remarks": found.remarks,
            }
        )  # fmt: skip
    else:
        click.echo(f"{done.name}: {_counted(done.jobs, done.events, done.attachments)}")
        if done.aside is not None:
            click.echo(f"what was there before: {done.aside}")
        _print_list(found.problems)
    _exit(0 if found.clean else 1)


def _counted(jobs: int, events: int, attachments: int) -> str:
    return ", ".join(
        f"{n} {word}{'' if n == 1 else 's'}"
        for n, word in ((jobs, "job"), (events, "event"), (attachments, "attachment"))
    )


def _print_list(problems: list[str]) -> None:
    for problem in problems:
        click.echo(f"wrong: {problem}")


def _print_json(told: dict[str, Any]) -> None:
    click.echo(json.dumps(told, indent=2, ensure_ascii=False))


def _exit(code: int) -> None:
    click.get_current_context().exit(code)
