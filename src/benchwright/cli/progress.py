"""A bar for long work, on the error stream, where somebody looks."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def progress_bar(text: str) -> Iterator[Callable[[float], None]]:
    """Show how much of the work is done.

    Yields
    ------
    callable
        To be called with the share done, 0 to 1. It does nothing where nobody looks.
    """
    if not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(text, total=1.0)
        yield lambda done: bar.update(task, completed=done)
