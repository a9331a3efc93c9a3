"""`nightdraw lesson sheets`. Parse, call, print."""

from __future__ import annotations

from pathlib import Path

import click

from nightdraw.cli import output


@click.command()
@click.argument("file", metavar="PLAN")
@click.option(
    "--out", required=True, type=click.Path(file_okay=False, path_type=Path), help="The folder to write to."
)
@click.option("--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True)
@click.option("--format", "form", type=click.Choice(["pdf", "html"]), help="Both where it isn't said.")
@click.option(
    "--words",
    "translated",
    type=click.Path(dir_okay=False, path_type=Path),
    help="A translation of words.toml.",
)
@output.json_option
def sheets(
    file: str, out: Path, paper: str, form: str | None, translated: Path | None, as_json: bool
) -> None:
    """A sheet for each group, without any answer, and the instructor's key to each.

    Sheets go to OUT/students, keys to OUT/instructor: hand out the one folder, keep the other. A sheet's HTML
    is a form that saves the answers for `lesson mark` on the student's own device.
    """
    from nightdraw.lesson import sheetfiles
    from nightdraw.lesson.planfile import load_plan
    from nightdraw.report.words import load_words

    plan = load_plan(file)
    words = load_words(translated)
    forms = ("pdf", "html") if form is None else (form,)
    with output.progress("writing sheets", len(plan.assignments)) as shown:
        files = sheetfiles.write(out, plan, words, paper, forms, shown.reach)
    documents = [{"file": str(path), "group": group, "for": whom} for path, group, whom in files]
    lines = [f"{whom:10} {group:16} {path}" for path, group, whom in files]
    output.finish({"files": documents}, "\n".join(lines), as_json)
