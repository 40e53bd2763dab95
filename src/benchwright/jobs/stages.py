"""The stages of a job, as `JobState.stage` names them."""

from __future__ import annotations

ENDS = ("kept", "sold", "broken for parts", "returned")
STAGES = (
    "opened", "taken in", "being diagnosed", "being mended", "waiting for parts", "proved", *ENDS,
)  # fmt: skip
