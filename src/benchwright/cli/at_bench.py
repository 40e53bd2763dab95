"""The option --bench that all commands on the bench's records share."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import click

F = TypeVar("F", bound=Callable[..., Any])


def bench_option(command: F) -> F:
    """Add ``--bench``: where the records are."""
    return click.option(
        "--bench",
        "where",
        metavar="PATH",
        envvar="BENCHWRIGHT_BENCH",
        help="Folder of the bench's records, or postgresql+psycopg://... "
        "[default: the platform's data folder; or set BENCHWRIGHT_BENCH]",
    )(command)


def opened(where: str | None, *, create: bool = False) -> Any:
    """The bench, to be closed with `with`."""
    from ..jobs import open_bench

    return open_bench(where, create=create)
