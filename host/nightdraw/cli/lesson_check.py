"""`nightdraw lesson check`. Parse, call, print."""

from __future__ import annotations

import click

from nightdraw.cli import output
from nightdraw.cli.boxes import note
from nightdraw.errors import EXIT_INPUT, InputError


@click.command()
@click.argument("file", metavar="CLASS")
@output.json_option
def check(file: str, as_json: bool) -> None:
    """Check a class file and all that it names: every error at once, with file, line and column."""
    from nightdraw.lesson.classfile import load_class

    try:
        of = load_class(file)
    except InputError as error:
        if not as_json:
            for finding in error.findings:
                note(finding)
            raise click.exceptions.Exit(EXIT_INPUT) from None
        document = {"ok": False, "errors": [finding.document() for finding in error.findings]}
        output.finish(document, "", as_json, EXIT_INPUT)
        return
    counts = (
        f"{len(of.groups)} groups, {len(of.cars)} vehicles, {len(of.boxes)} boxes, {len(of.faults)} faults"
    )
    output.finish({"ok": True, "errors": []}, f"{click.format_filename(file)}: ok, {counts}", as_json)
