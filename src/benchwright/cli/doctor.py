"""`benchwright doctor`: what a bug report needs."""

from __future__ import annotations

import platform
import sys
from importlib import metadata

import click

from .. import __version__

_STANDS_ON = (
    "numpy", "scipy", "numba", "soundfile", "matplotlib", "click", "rich", "tomlkit", "platformdirs",
)  # fmt: skip


@click.command()
def doctor() -> None:
    """Print versions and places, for a bug report."""
    click.echo(f"benchwright {__version__}")
    click.echo(f"python {platform.python_version()} ({sys.executable})")
    click.echo(platform.platform())
    for name in _STANDS_ON:
        try:
            click.echo(f"{name} {metadata.version(name)}")
        except metadata.PackageNotFoundError:
            click.echo(f"{name}: not installed")
    from ..board.kinds import load_kinds

    click.echo(f"{len(load_kinds())} part kinds")
