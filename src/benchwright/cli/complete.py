"""Shell completion of job numbers and lots: straight from the file, so that it is quick."""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import click
from click.shell_completion import CompletionItem


def _file(ctx: click.Context) -> Path | None:
    """The bench's file; None if it is on a server."""
    where = ctx.params.get("where") or os.environ.get("BENCHWRIGHT_BENCH")
    if where is None:
        from platformdirs import user_data_path

        where = user_data_path("benchwright", appauthor=False) / "bench"  # as in jobs.opening
    if "://" in str(where):
        return None
    return Path(str(where)).expanduser() / "bench.sqlite"


def _rows(ctx: click.Context, query: str) -> Iterator[tuple[str, ...]]:
    file = _file(ctx)
    if file is None or not file.exists():
        return
    try:
        with closing(sqlite3.connect(f"{file.absolute().as_uri()}?mode=ro", uri=True, timeout=0.2)) as found:
            yield from found.execute(query)
    except sqlite3.Error:
        return  # completion never complains


def complete_job(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem]:
    """Numbers of jobs, the latest touched first, each with its title."""
    rows = _rows(ctx, "SELECT number, title FROM job ORDER BY updated DESC, number DESC")
    return [CompletionItem(str(n), help=str(title)) for n, title in rows if str(n).startswith(incomplete)]


def complete_lot(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem]:
    """Names of lots, each with what is in it."""
    found: dict[str, str] = {}
    for (body,) in _rows(
        ctx, "SELECT body FROM event WHERE kind = 'stock-received' AND stands = 1 ORDER BY place"
    ):
        try:
            told = json.loads(body)
        except ValueError:
            continue
        if not told.get("of_job"):
            found[str(told.get("lot", ""))] = f"{told.get('kind', '')} {told.get('value', '')}".strip()
    return [
        CompletionItem(lot, help=what)
        for lot, what in sorted(found.items())
        if lot.lower().startswith(incomplete.lower())
    ]
