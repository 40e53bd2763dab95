"""`benchwright demo bench`: a bench full of invented jobs, and one evening with it."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import TYPE_CHECKING

import click

from .at_bench import opened

if TYPE_CHECKING:
    from ..jobs import Bench


@click.command("bench")
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), metavar="FOLDER",
              help="Where the bench and its sheets go.  [default: that of the demo]")  # fmt: skip
@click.pass_obj
def bench(named: Path, out: Path | None) -> None:
    """Fill a bench with a dozen invented jobs, and go through an evening with it.

    The queue, one job, what changed our mind, what to buy, money, sheets as PDF, export and backup: each by
    the command that does it on a bench of your own. Records that are not the demo's are never touched. Exit
    code 1 if a step fails, which it should not.
    """
    from ..demo.bench_tour import fill, moment_of, numbers
    from ..jobs.opening import FILE

    out = out or named
    place = out if (out / FILE).is_file() else out / "bench"
    made = fill(place)
    with opened(str(place)) as records:
        job = numbers(records)
        measured = moment_of(records, job["overseas"], "timer stop measuring")
    click.echo(f"{len(job)} jobs on invented machines are in {place}, "
               f"{'written just now' if made else 'from an earlier run'}.")  # fmt: skip
    click.echo(f"Each line with $ is a command; --bench {shlex.quote(str(place))} goes with it.")
    evening = _Evening(place)
    evening.title("What is on the bench, and what does each machine wait for?")
    evening.run("job", "list")
    evening.title("One of them in full. It came dead; C4 was shorted.")
    evening.run("job", "show", str(job["overseas"]), "--no-history")
    evening.title("How was that found? What changed our mind, as far as the last reading:")
    evening.run("job", "suspects", str(job["overseas"]), "--at", str(measured), "--why", "--limit", "3")
    evening.title("Two others are being diagnosed. What comes next?")
    evening.run("job", "next", str(job["black"]), "--limit", "1")
    evening.run("job", "next", str(job["cracked"]), "--limit", "1")
    evening.title("What must be bought, and what is in the drawers?")
    evening.run("stock", "shopping")
    evening.run("stock", "list")
    evening.title("Did it pay? One that is sold, and one that could be.")
    with opened(str(place)) as records:
        for key in ("brown", "whimbrel"):
            _money(records, job[key])
    evening.title("Paper: for the buyer, for the bench, for the box.")
    (out / "sheets").mkdir(parents=True, exist_ok=True)
    evening.sheet("job", job["whimbrel"], "condition", out / "sheets")
    evening.sheet("job", job["brown"], "condition", out / "sheets", "--photos")
    evening.sheet("job", job["black"], "job", out / "sheets", "--suspects")
    evening.sheet("job", job["overseas"], "change", out / "sheets", "--photos")
    evening.sheet("job", job["dunlin"], "label", out / "sheets")
    evening.sheet("stock", None, "shopping", out / "sheets")
    evening.title("Nothing is lost: one job in a file, all of them in a file, every record checked.")
    export = out / f"job-{job['brown']}.zip"
    evening.run("job", "export", str(job["brown"]), "--out", str(export), "--overwrite")
    (out / "backups").mkdir(exist_ok=True)
    evening.run("bench", "backup", str(out / "backups"))
    evening.run("bench", "verify")
    click.echo("\nGo on by hand: the bench is yours to try things on.")
    click.echo(f"  export BENCHWRIGHT_BENCH={shlex.quote(str(place))}")
    click.echo(f"  benchwright job show {job['cracked']} --all")
    click.echo(f'  benchwright job log {job["turnstone"]} "U32.14 low"')
    if evening.failed:
        click.get_current_context().exit(1)


class _Evening:
    """Runs commands on the demo's bench, each printed before its answer."""

    def __init__(self, place: Path) -> None:
        self.place = place
        self.failed = False

    def title(self, text: str) -> None:
        click.echo(f"\n=== {text}")

    def run(self, *typed: str) -> None:
        from .main import cli

        click.echo(f"\n$ benchwright {shlex.join(typed)}")
        code = cli.main(args=[*typed, "--bench", str(self.place)], prog_name="benchwright",
                        standalone_mode=False)  # fmt: skip
        self.failed = self.failed or code not in (0, None)

    def sheet(self, of: str, job: int | None, sheet: str, folder: Path, *more: str) -> None:
        """Print a sheet into a folder, named as the command names it."""
        name = f"stock-{sheet}.pdf" if job is None else f"job-{job}-{sheet}.pdf"
        number = () if job is None else (str(job),)
        self.run(of, "sheet", *number, sheet, *more, "--out", str(folder / name))


def _money(records: Bench, number: int) -> None:
    """A job's account and what a sale may leave, as `job show` tells them."""
    from ..jobs.outlook import expectation
    from .job_money import tell_expectation, tell_statement

    state = records.job(number)
    ledger = state.ledger(records.prices(state))
    click.echo(f"\nJob {number}, {state.title}  [{state.stage}]")
    tell_statement(ledger.statement(), state)
    tell_expectation(expectation(state, ledger))
