"""Live updates: what changed is told to every open page at once, whoever recorded it."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from typing import TYPE_CHECKING

from starlette.concurrency import run_in_threadpool

if TYPE_CHECKING:
    from .records import Records

LOOK_EVERY = 1.0
"""Seconds between looks for what another program recorded, while somebody listens."""
PING_EVERY = 15.0
"""Seconds of silence after which a line is sent, so that a connection that is gone is noticed."""


class Feed:
    """Tells listeners what changed.

    Parameters
    ----------
    records : Records
        Watched for what other programs record.
    """

    def __init__(self, records: Records) -> None:
        self._records = records
        self._listeners: set[asyncio.Queue[str]] = set()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._watch: asyncio.Task[None] | None = None
        self._closing = False

    def changed(self, job: int | None) -> None:
        """A job has new events; None: the stock. From any thread."""
        self._tell("stock-changed" if job is None else f"job-{job}-changed")
        self._tell("bench-changed")

    def judged(self, job: int) -> None:
        """The fault finder has a new judgement of a job. From any thread."""
        self._tell(f"job-{job}-judged")

    def task(self, key: str) -> None:
        """A long work has gone on. From any thread."""
        self._tell(f"task-{key}-changed")

    def let_in(self) -> None:
        """Somebody was let in, or put out. From any thread."""
        self._tell("let-in-changed")

    def _tell(self, what: str) -> None:
        loop = self._loop
        if loop is None or loop.is_closed():
            return
        with contextlib.suppress(RuntimeError):  # the loop may close in between
            loop.call_soon_threadsafe(self._pass_on, what)

    def _pass_on(self, what: str) -> None:
        for queue in self._listeners:
            if queue.qsize() < 200:  # one that does not read is told again when it comes back
                queue.put_nowait(what)

    def close(self) -> None:
        """End all streams, so that the server can stop."""
        self._closing = True
        self._pass_on("")
        if self._watch is not None:
            self._watch.cancel()

    async def stream(self) -> AsyncIterator[str]:
        """Server-sent events for one page.

        Yields
        ------
        str
            One event each: its data is what changed.
        """
        self._loop = asyncio.get_running_loop()
        queue: asyncio.Queue[str] = asyncio.Queue()
        self._listeners.add(queue)
        if self._watch is None or self._watch.done():
            self._watch = asyncio.create_task(self._look_for_others())
        try:
            yield "retry: 2000\n\ndata: hello\n\n"
            while not self._closing:
                try:
                    what = await asyncio.wait_for(queue.get(), PING_EVERY)
                except TimeoutError:
                    yield ": still here\n\n"
                    continue
                if not what:
                    break
                yield f"data: {what}\n\n"
        finally:
            self._listeners.discard(queue)

    async def _look_for_others(self) -> None:
        """Notice what the command line or another server records on the same bench."""
        seen: int | None = None
        while self._listeners:
            bench = self._records.opened()
            if bench is not None:
                with contextlib.suppress(Exception):  # a bench that cannot be read says so on its pages
                    newest = await run_in_threadpool(bench.newest)
                    if seen is not None and newest != seen:
                        for job in await run_in_threadpool(bench.changed_since, seen):
                            self.changed(job)
                    seen = newest
            await asyncio.sleep(LOOK_EVERY)
