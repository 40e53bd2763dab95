"""How an unknown tape is written: from the recording to encodings that read it, each with how sure it is.

The half-waves (`bursts`) are sorted by length (`clusters`), what comes straight after the leader is found
(`bit_rows`), rows of half-waves are taken for symbols (`symbols`) and symbols for bytes (`byte_frames`) so
that the whole tape is told in the fewest bits. What comes out of that (`candidates`) is proved by reading
the recording with it, and by a check that holds on its blocks (`proof`), and weighed (`sureness`).
"""

from __future__ import annotations

from .answer import Discovery, FoundLeader, Proposal
from .search import discover

__all__ = ["Discovery", "FoundLeader", "Proposal", "discover"]
