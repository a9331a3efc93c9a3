"""`nightdraw lesson practice`. Parse, call, print."""

from __future__ import annotations

from pathlib import Path

import click

from nightdraw.cli import output
from nightdraw.errors import InputError, nearest


@click.command()
@click.argument("file", metavar="PLAN")
@click.option("--group", required=True, help="Whose fault it is.")
@click.option(
    "--out", required=True, type=click.Path(file_okay=False, path_type=Path), help="The folder to write to."
)
@click.option("--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True)
@click.option(
    "--words",
    "translated",
    type=click.Path(dir_okay=False, path_type=Path),
    help="A translation of words.toml.",
)
@output.json_option
def practice(file: str, group: str, out: Path, paper: str, translated: Path | None, as_json: bool) -> None:
    """A package to practise with at home: recordings of a group's fault, the situation, a form.

    No file, name or date in it tells the answer. `lesson mark` marks what comes back; there is no journal
    then, and what was asked of the box stands in for it.
    """
    from nightdraw.lesson import practice as packages
    from nightdraw.lesson.planfile import load_plan
    from nightdraw.report.words import load_words

    plan = load_plan(file)
    groups = [one.group for one in plan.assignments]
    if group not in groups:
        hint = nearest(group[:60], groups) or f"known: {', '.join(groups)}"
        raise InputError(f"--group {group}: the plan has no such group ({hint})")
    one, words = plan.assignment(group), load_words(translated)
    with output.progress("recording", len(packages.sets(plan, one))) as shown:
        files = packages.package(plan, one, out, words, paper, shown.reach)
    output.finish({"files": files}, "\n".join(str(path) for path in files), as_json)
