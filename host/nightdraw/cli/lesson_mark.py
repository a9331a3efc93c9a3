"""`nightdraw lesson mark`. Parse, call, print."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from nightdraw.cli import output

if TYPE_CHECKING:
    from nightdraw.lesson.marking import Marked

FOLDER = click.Path(file_okay=False, path_type=Path)
FILE = click.Path(dir_okay=False, path_type=Path)


@click.command()
@click.argument("file", metavar="PLAN")
@click.option(
    "--answers",
    "answered",
    multiple=True,
    required=True,
    type=click.Path(path_type=Path),
    help="CSV, YAML, the form's JSON, or a folder of these.",
)
@click.option("--journals", type=FOLDER, help="The boxes' journals, as `lesson collect` writes them.")
@click.option(
    "--recordings", type=FOLDER, help="What the groups handed in; without it no named evidence is marked."
)
@click.option("--out", type=FOLDER, help="Write the table of marks, a page a group and the class's summary.")
@click.option("--book", "kept", type=FILE, help="Put it all into this record book.")
@click.option("--words", "translated", type=FILE, help="A translation of words.toml for the pages.")
@output.json_option
def mark(
    file: str,
    answered: tuple[Path, ...],
    journals: Path | None,
    recordings: Path | None,
    out: Path | None,
    kept: Path | None,
    translated: Path | None,
    as_json: bool,
) -> None:
    """Mark answers against what the boxes did, with a sentence for every point.

    Without --journals, and for a group whose journal isn't there, what was asked of the box stands in for
    what it did, and that is said. Status 0: marked, whoever passed.
    """
    from nightdraw.lesson import marking, markpages
    from nightdraw.lesson.answers import read_answers
    from nightdraw.lesson.book import open_book
    from nightdraw.lesson.journals import by_group, read_journals
    from nightdraw.lesson.planfile import load_plan
    from nightdraw.report.words import load_words

    plan = load_plan(file)
    words = load_words(translated)
    answers = read_answers(answered, [one.group for one in plan.assignments])
    found = {} if journals is None else by_group(plan, read_journals(journals))
    if recordings is not None and not recordings.is_dir():
        raise click.BadParameter(f"there is no folder {recordings}", param_hint="--recordings")
    handed = marking.Handed(answers, found, recordings)
    with output.progress("marking", len(plan.assignments)) as shown:
        marked = marking.mark(plan, handed, words, shown.reach)
    summary = marking.summary(plan, marked)
    document: dict[str, Any] = {"groups": [one.document() for one in marked], "summary": summary}
    entry = marking.entry(plan, marked, handed)
    if out is not None:
        pages = markpages.Pages(plan, marked, summary, words)
        document["files"] = markpages.write(out, pages, {**document, "entry": entry.document()})
    if kept is not None:
        with open_book(kept, create=True) as book:
            book.add(entry)
    output.finish(document, _text(marked, summary, document), as_json)


def _text(marked: list[Marked], summary: dict[str, Any], document: dict[str, Any]) -> str:
    lines = []
    for one in marked:
        marks = one.marks
        percent = "nothing to mark" if marks.percent is None else f"{marks.percent:g} %"
        passed = {True: ", passed", False: ", not passed", None: ""}[marks.passed]
        lines.append(f"{one.one.group}: {marks.points:g} of {marks.of:g} points, {percent}{passed}")
        lines += [f"    {item.item}: {item.points:g}/{item.of:g}  {item.comment}" for item in marks.items]
        lines += [f"    note: {note}" for note in one.notes]
    lines.append(f"{summary['passed']} of {summary['groups']} groups passed")
    lines += [str(path) for path in document.get("files", [])]
    return "\n".join(lines)
