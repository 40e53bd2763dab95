"""The tape bench: what a recording holds."""

from __future__ import annotations

from .figure import Figure
from .recording import Recording

__all__ = ["Figure", "Recording"]
