"""Judgement: what the readings mean, and what to check next."""

from .finder import FaultFinder
from .reading import Reading
from .words import Advice, Check, Remedy, Suspect

__all__ = ["Advice", "Check", "FaultFinder", "Reading", "Remedy", "Suspect"]
