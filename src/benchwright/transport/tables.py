"""The data files beside this code."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib.resources import files
from typing import Any


@cache
def table(name: str) -> dict[str, Any]:
    """One data file, read once. What comes back is shared: it is not to be changed."""
    return tomllib.loads(files(__package__).joinpath(name).read_text(encoding="utf-8"))
