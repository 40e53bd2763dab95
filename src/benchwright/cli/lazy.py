"""A group of commands whose code loads when it is called, so that help is quick."""

from __future__ import annotations

from collections.abc import Mapping
from importlib import import_module
from typing import Any

import click
from click.shell_completion import CompletionItem


class LazyGroup(click.Group):
    """Commands by name, each with the module it lives in, its name there, and one line of help.

    Parameters
    ----------
    commands_at : mapping
        Name typed by the person: module of this package, name in it, help line.
    """

    def __init__(self, *args: Any, commands_at: Mapping[str, tuple[str, str, str]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.commands_at = commands_at

    def list_commands(self, ctx: click.Context) -> list[str]:
        return sorted(self.commands_at)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in self.commands_at:
            return None
        module, name, _ = self.commands_at[cmd_name]
        command: click.Command = getattr(import_module(f".{module}", __package__), name)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, _, text) in sorted(self.commands_at.items())])

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[CompletionItem]:
        """Names and help lines from the table: completion loads no command."""
        found = [
            CompletionItem(name, help=text)
            for name, (_, _, text) in sorted(self.commands_at.items())
            if name.startswith(incomplete)
        ]
        return found + click.Command.shell_complete(self, ctx, incomplete)
