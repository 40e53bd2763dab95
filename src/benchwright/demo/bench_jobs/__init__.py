"""The invented jobs of the demo's bench: machines, shops and people of no place on earth.

A job is written as a restorer would type it, evening by evening; `bench_tour` plays it into a bench.
"""

from __future__ import annotations

from .finished import FINISHED
from .on_the_bench import ON_THE_BENCH
from .steps import Machine, Visit
from .stock import STOCK

MACHINES: tuple[Machine, ...] = (*FINISHED, *ON_THE_BENCH)
"""Every job of the demo, in no order: each says when it begins."""
PARTS: tuple[Visit, ...] = STOCK
"""What happens to the stock apart from jobs."""

__all__ = ["MACHINES", "PARTS", "Machine", "Visit"]
