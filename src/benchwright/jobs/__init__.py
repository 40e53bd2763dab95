"""The bench's records: jobs, evidence, parts and money, kept as histories that are only added to."""

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
