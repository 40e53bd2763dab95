"""Names of a package that load when they are first used, so that commands start quickly."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from importlib import import_module
from typing import Any


def lazy_names(package: str, modules: Mapping[str, str]) -> Callable[[str], Any]:
    """A ``__getattr__`` for a package.

    Parameters
    ----------
    package : str
        Its name.
    modules : mapping
        Name: the module of the package that it lives in.
    """

    def get(name: str) -> Any:
        if name not in modules:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        return getattr(import_module(f".{modules[name]}", package), name)

    return get
