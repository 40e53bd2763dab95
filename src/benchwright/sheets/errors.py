"""What keeps a sheet from being printed, said so that it can be put right."""

from __future__ import annotations

from ..errors import BenchwrightError


class BadSheet(BenchwrightError, ValueError):
    """Data from which no honest or readable sheet can be made."""


class NoEvidence(BadSheet):
    """A statement for the condition report that stands on no recorded event."""

    def __init__(self, statement: str) -> None:
        self.statement = statement
        super().__init__(
            f"the statement {shortened(statement)!r} has no evidence: a condition report prints only what an "
            "event of the job's history shows; name at least one event, or leave the statement out"
        )


def shortened(text: str, most: int = 60) -> str:
    """Give at most `most` characters, on one line, for a message."""
    line = " ".join(text.split())
    return line if len(line) <= most else line[: most - 1].rstrip() + "…"
