"""`benchwright job list` and `job search`."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import TYPE_CHECKING

import click

from ..jobs.stages import ENDS, STAGES
from .at_bench import bench_option, opened
from .columns import fits, hanging, table
from .job_common import event_json, json_option, print_json
from .moments import ago, local

if TYPE_CHECKING:
    from ..jobs import JobLine


@click.command("list")
@click.option("--stage", type=click.Choice(STAGES), help="Only jobs in this stage.")
@click.option("--waiting", is_flag=True, help="Only jobs that wait for parts or have open points.")
@click.option("--about", metavar="TEXT", help="Only jobs with this in title or board.")
@click.option("--all", "every", is_flag=True, help="Jobs that are closed as well.")
@click.option("--limit", type=click.IntRange(1, 1_000_000), help="At most so many.")
@bench_option
@json_option
def list_command(
    stage: str | None,
    waiting: bool,
    about: str | None,
    every: bool,
    limit: int | None,
    where: str | None,
    as_json: bool,
) -> None:
    """The machines on the bench, the latest touched first, and what each waits for."""
    with opened(where) as bench:
        lines = bench.jobs(stage or "")
    wanted = [
        line
        for line in lines
        if (every or stage or line.stage not in ENDS)
        and (not waiting or line.waiting_for or line.open_points)
        and (not about or about.lower() in f"{line.title} {line.board}".lower())
    ]
    shown = wanted[:limit]
    if as_json:
        print_json([asdict(line) for line in shown])
        return
    if shown:
        click.echo(_table(shown))
    closed = 0 if every or stage else sum(line.stage in ENDS for line in lines)
    rest = [f"{len(wanted) - len(shown)} more"] if len(shown) < len(wanted) else []
    rest += [f"{closed} closed (--all shows them)"] if closed else []
    if not shown and not rest:
        rest = ["No job is like that." if lines else 'No jobs yet: benchwright job new "..." takes one in.']
    if rest:
        click.echo(("\n" if shown else "") + ", ".join(rest))


def _table(lines: list[JobLine]) -> str:
    from ..jobs.history import from_iso

    codes = {line.currency for line in lines}
    one = len(codes) == 1
    rows = [
        (
            str(line.number), line.title, line.stage,
            "" if line.stage in ENDS else line.waiting_for, str(line.open_points or ""),
            line.profit if one else f"{line.profit} {line.currency}", ago(from_iso(line.updated)),
        )
        for line in lines
    ]  # fmt: skip
    heads = ("Job", "Machine", "Stage", "Waits for", "Open", *codes, "Touched")
    if not one:
        heads = (*heads[:5], "Profit", "Touched")
    if fits(heads, rows):
        return table(heads, rows, right=(0, 4, 5))
    # What it waits for gets a line of its own; when it was touched is left out where room is short.
    under = [f"waits for: {row[3]}" if row[3] else "" for row in rows]
    bare: list[tuple[str, ...]] = [(*row[:3], *row[4:]) for row in rows]
    heads = (*heads[:3], *heads[4:])
    if not fits(heads, bare):
        bare, heads = [row[:-1] for row in bare], heads[:-1]
    return table(heads, bare, flex=(1, 2), right=(0, 3, 4), under=under)


@click.command("search")
@click.argument("words", nargs=-1, required=True, metavar="WORD...")
@click.option("--limit", type=click.IntRange(1, 1_000_000), default=50, show_default=True)
@bench_option
@json_option
def search_command(words: tuple[str, ...], limit: int, where: str | None, as_json: bool) -> None:
    """Find all WORDs in notes, readings, symptoms, parts, names; each may be the beginning of one.

    Exit code 1 if nothing is found.
    """
    with opened(where) as bench:
        found = bench.search(" ".join(words), limit)
    if as_json:
        print_json(
            [
                {"job": one.job, "title": one.title, "snippet": one.snippet, **event_json(one.event)}
                for one in found
            ]
        )
    elif not found:
        click.echo(f"Nothing is found with {json.dumps(' '.join(words), ensure_ascii=False)}.")
    else:
        from ..jobs.telling import tell, without_echoes

        told = {event.uid for event in without_echoes([one.event for one in found])}
        by_job: dict[int | None, list[str]] = {}
        for one in found:
            if one.event.uid not in told:
                continue
            head = f"{one.event.number:6}  {local(one.event.at)[:10]}  "
            by_job.setdefault(one.job, []).append(hanging(head, tell(one.event.body)))
        titles = {one.job: one.title for one in found}
        for number, texts in by_job.items():
            click.echo(hanging("", "Stock:" if number is None else f"Job {number}, {titles[number]}:"))
            click.echo("\n".join(texts))
    click.get_current_context().exit(0 if found else 1)
