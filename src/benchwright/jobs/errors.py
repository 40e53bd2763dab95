"""What can go wrong with the bench's records, told to the person."""

from __future__ import annotations

from ..errors import BenchwrightError


class BenchError(BenchwrightError):
    """The bench's records cannot be opened, read or written."""


class DamagedBench(BenchError):
    """The bench's file is there, but can no longer be read as what it was."""


class BadEvent(BenchwrightError, ValueError):
    """Something that cannot be recorded as it was given."""


class NoSuchJob(BenchwrightError, LookupError):
    """There is no job of that number."""


class NoSuchEvent(BenchwrightError, LookupError):
    """There is no event of that number in this job."""
