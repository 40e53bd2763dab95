"""The bench's records: jobs, evidence, parts and money, kept as histories that are only added to."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..lazy_names import lazy_names

if TYPE_CHECKING:
    from .bench import Bench, Found, JobLine, open_bench
    from .errors import BadEvent, BenchError, NoSuchEvent, NoSuchJob
    from .history import Event
    from .state import JobState

__all__ = [
    "BadEvent",
    "Bench",
    "BenchError",
    "Event",
    "Found",
    "JobLine",
    "JobState",
    "NoSuchEvent",
    "NoSuchJob",
    "open_bench",
]

# Names load when first used: the database's library takes a while.
__getattr__ = lazy_names(
    __name__,
    {
        **dict.fromkeys(("Bench", "Found", "JobLine", "open_bench"), "bench"),
        **dict.fromkeys(("BadEvent", "BenchError", "NoSuchEvent", "NoSuchJob"), "errors"),
        "Event": "history",
        "JobState": "state",
    },
)
