"""From a recording to proposals: stretches of tape, groups of blocks, candidates, proof."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from .answer import Discovery
from .bursts import find_bursts
from .groups import groups_of, look_at_group
from .stretches import Stretch, stretches_with_signal

Progress = Callable[[float], None]


def discover(recording: Any, *, channel: Any = "mean", progress: Progress | None = None) -> Discovery:
    """Find out how a tape is written.

    Parameters
    ----------
    recording : Recording
    channel : int or "mean", optional
        Channel of a stereo recording.
    progress : callable, optional
        Called with the share done, 0 to 1.

    Returns
    -------
    Discovery
        Without a proposal if nothing on the recording looks like data.
    """
    tell = progress or (lambda _: None)
    best = Discovery(notes=("There is no signal on the recording that could be data.",))
    stretches = stretches_with_signal(recording, channel)
    for number, (first, last) in enumerate(stretches):
        samples = recording.samples(first, last, channel)

        def part(done: float, number: int = number) -> None:
            tell((number + done) / len(stretches))

        rate = float(recording.rate)
        found = _look(Stretch(np.asarray(samples, float), rate, first / recording.rate), part)
        if _top(found) > _top(best) or (not best.proposals and (found.clusters or not best.clusters)):
            best = found
        if best.proposals and best.proposals[0].chance > 0.8:
            break
    tell(1.0)
    return best


def _look(stretch: Stretch, tell: Progress) -> Discovery:
    """Find out what one stretch holds."""
    bursts = find_bursts(stretch.samples, stretch.rate)
    tell(0.1)
    if not bursts:
        return Discovery(notes=("There is no signal on the recording that could be data.",))
    best: Discovery | None = None
    most = -1.0
    everything = sum(float(b.edges[-1] - b.edges[0]) for b in bursts)
    for number, group in enumerate(groups_of(bursts)):

        def part(done: float, number: int = number) -> None:
            tell(0.1 + 0.45 * (number + done))

        found = look_at_group(group, stretch, part)
        if found is None:
            continue
        # Of two groups the one that explains more of the tape counts more.
        share = sum(float(b.edges[-1] - b.edges[0]) for b in group) / everything
        worth = _top(found) * share
        if worth > most:
            best, most = found, worth
        if _top(found) > 0.8 and share > 0.6:
            break
    if best is None:
        return Discovery(
            notes=(
                f"There are {len(bursts)} stretches of signal, but none with half-waves of a few lengths.",
            ),
            start=stretch.start, end=stretch.end,
        )  # fmt: skip
    return best


def _top(found: Discovery) -> float:
    return found.proposals[0].chance if found.proposals else 0.0
