"""`nightdraw demo`: the whole job once. Parse, call, print."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from nightdraw.cli import output
from nightdraw.errors import EXIT_DONE, EXIT_NO

DEFAULT_OUT = "demo-out"


@click.command()
@click.option("--out", metavar="DIR", default=DEFAULT_OUT, show_default=True, help="Folder for its files.")
@output.json_option
def command(out: str, as_json: bool) -> None:
    """The whole job once, on the bench: asked, did, seen, and whether they agree.

    A shipped profile is checked, compiled, sent over a real socket to a simulated box that runs the box's own
    firmware, run in virtual time, recorded, measured and compared. Exit status 0: the accounts agree, 1: not.
    """
    from nightdraw import demo

    outcome = demo.run(Path(out), lambda line: click.echo(line, file=sys.stderr))
    status = EXIT_DONE if outcome.comparison.agree else EXIT_NO
    output.finish(outcome.document(), outcome.text(), as_json, status)
