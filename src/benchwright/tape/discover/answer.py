"""What is told about an unknown tape: the proposals, and what was measured on the way."""

from __future__ import annotations

from dataclasses import dataclass

from ..blocks import Block
from ..encoding import Encoding
from .clusters import HalfWaveClass

CONVINCING = 0.5


@dataclass(frozen=True)
class Proposal:
    """An encoding that the tape may be written in.

    Attributes
    ----------
    encoding : Encoding
    chance : float
        That this is it, 0 to 1; what all proposals leave to 1 is the chance that none is.
    reasons : tuple of str
        What speaks for it, in words.
    doubts : tuple of str
        What the tape does not tell.
    blocks : tuple of Block
        What it reads on the stretch that was looked at.
    known : str
        Name of an encoding that comes with the package, if this is one.
    """

    encoding: Encoding
    chance: float
    reasons: tuple[str, ...]
    doubts: tuple[str, ...] = ()
    blocks: tuple[Block, ...] = ()
    known: str = ""


@dataclass(frozen=True)
class FoundLeader:
    """The tone before the data.

    Attributes
    ----------
    half_seconds : float
        Mean half-wave.
    seconds : float
        Median length.
    count : int
        How many were found.
    """

    half_seconds: float
    seconds: float
    count: int


@dataclass(frozen=True)
class Discovery:
    """What could be found out about an unknown tape.

    Attributes
    ----------
    proposals : tuple of Proposal
        Best first.
    clusters : tuple of HalfWaveClass
        Lengths of the half-waves in the data.
    leader : FoundLeader or None
    notes : tuple of str
        What was found, or why nothing was.
    start, end : float
        The stretch that was looked at, in seconds of the recording.
    """

    proposals: tuple[Proposal, ...] = ()
    clusters: tuple[HalfWaveClass, ...] = ()
    leader: FoundLeader | None = None
    notes: tuple[str, ...] = ()
    start: float = 0.0
    end: float = 0.0

    @property
    def convincing(self) -> bool:
        """Whether the best proposal is likelier than all else."""
        return bool(self.proposals) and self.proposals[0].chance >= CONVINCING
