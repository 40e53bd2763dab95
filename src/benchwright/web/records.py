"""The bench that the app works on, opened when it is first asked for."""

from __future__ import annotations

import threading

from ..jobs import Bench, open_bench
from ..jobs.errors import BenchError


class NoBench(BenchError):
    """There is no bench yet: the first page offers to begin one."""


class Records:
    """The bench of one app; safe to be asked from any thread.

    Parameters
    ----------
    where : str, optional
        Folder or address, as `jobs.open_bench`.
    """

    def __init__(self, where: str | None = None) -> None:
        self.where = where
        self._lock = threading.Lock()
        self._bench: Bench | None = None

    def bench(self, *, create: bool = False) -> Bench:
        """The bench.

        Parameters
        ----------
        create : bool
            Make it if it is not there.

        Raises
        ------
        NoBench
            It is not there.
        BenchError
            It cannot be opened.
        """
        with self._lock:
            if self._bench is None:
                if not create and not self._there():
                    raise NoBench("there is no bench here yet")
                self._bench = open_bench(self.where, create=create)
            return self._bench

    def opened(self) -> Bench | None:
        """The bench, if it has been opened."""
        return self._bench

    def move_to(self, where: str) -> None:
        """Work on another bench from now on."""
        with self._lock:
            if self._bench is not None:
                self._bench.close()
            self._bench, self.where = None, where

    def close(self) -> None:
        """Let go of the records."""
        with self._lock:
            if self._bench is not None:
                self._bench.close()
            self._bench = None

    def _there(self) -> bool:
        from pathlib import Path

        from ..jobs.opening import FILE, default_folder

        where = str(self.where or default_folder())
        if "://" in where:
            return True
        folder = Path(where).expanduser()
        return folder.is_file() or (folder / FILE).exists()
