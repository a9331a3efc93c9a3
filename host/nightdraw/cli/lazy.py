"""A group of commands by a table, each imported only when it is called, so that help stays quick."""

from __future__ import annotations

import importlib
from collections.abc import Mapping
from typing import Any

import click

# name -> (module, attribute, one line for the help)
Rows = Mapping[str, tuple[str, str, str]]


class Lazy(click.Group):
    """A group whose commands are imported only when they are called."""

    def __init__(self, *words: Any, rows: Rows, **more: Any) -> None:
        super().__init__(*words, **more)
        self._rows = rows

    def list_commands(self, ctx: click.Context) -> list[str]:
        """The commands in the order of the table."""
        return list(self._rows)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import the command's module and return it, None for an unknown name."""
        if cmd_name not in self._rows:
            return None
        module, attribute, _ = self._rows[cmd_name]
        command: click.Command = getattr(importlib.import_module(module), attribute)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Refuse an unknown command with the nearest known one."""
        if args[0] not in self._rows:
            raise click.exceptions.NoSuchCommand(args[0], possibilities=self._rows, ctx=ctx)
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the table's own one-line helps, so that help imports nothing."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, help_line) for name, (_, _, help_line) in self._rows.items()])
