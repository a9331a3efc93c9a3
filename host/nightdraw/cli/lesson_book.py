"""`nightdraw lesson book`: the record book. Parse, call, print."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from nightdraw.cli import output
from nightdraw.errors import Finding, InputError

if TYPE_CHECKING:
    from nightdraw.lesson.entries import Entry


@click.command()
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@click.option(
    "--add",
    "added",
    multiple=True,
    metavar="FILE",
    help="Add a plan, or the folder that `lesson mark --out` wrote. Makes the book where there is none.",
)
@click.option("--list", "listed", is_flag=True, help="Say which lessons are in it (what it does anyway).")
@click.option(
    "--export", "folder", type=click.Path(file_okay=False, path_type=Path), help="Everything as CSV."
)
@click.option(
    "--erase", "erased", metavar="GROUP", help="Erase a group's data for good; CLASS/GROUP: of one class."
)
@output.json_option
def book(
    file: Path, added: tuple[str, ...], listed: bool, folder: Path | None, erased: str | None, as_json: bool
) -> None:
    """Keep plans, journals, answers and marks in one SQLite file, for years.

    FILE lies on a disk of this computer, not on a network drive. Several programs may use it at once; a
    copy is made while nothing else has it open. --erase takes a group out of every table and out of the
    file's bytes; copies and exports made before are yours to delete.
    """
    from nightdraw.lesson import bookexport
    from nightdraw.lesson.book import open_book

    entries = [_entry(Path(name)) for name in added]
    done: dict[str, Any] = {}
    with open_book(file, create=bool(added)) as opened:
        for entry in entries:
            opened.add(entry)
        if erased is not None:
            of_class, _, group = erased.rpartition("/")
            done["erased"] = opened.erase(group, of_class or None)
        if folder is not None:
            done["files"] = bookexport.export(opened, folder)
        counts, lessons = opened.counts(), opened.lessons()
    output.finish({**counts, **done, "list": lessons}, _text(counts, lessons, done), as_json)


def _entry(path: Path) -> Entry:
    """What a file adds: a plan, or marks with all that belongs to them."""
    from nightdraw.lesson import entries

    path = path / "marks.json" if path.is_dir() else path
    if path.suffix.lower() != ".json":
        from nightdraw.lesson import records
        from nightdraw.lesson.planfile import load_plan

        return records.planned(load_plan(path))
    try:
        found: Entry = entries.read(json.loads(path.read_text("utf-8"))["entry"])
    except (ValueError, KeyError, TypeError, RecursionError):
        message = "this isn't the marks.json of `lesson mark --out`"
        raise InputError(Finding(message, str(path), hint="or name a plan, a YAML file")) from None
    return found


def _text(counts: dict[str, int], lessons: list[dict[str, Any]], done: dict[str, Any]) -> str:
    lines = [f"{counts['lessons']} lessons, {counts['groups']} groups, {counts['marks']} marks"]
    lines += [
        f"  {row['plan']}: class {row['class']}, {row['held'] or 'no date'}, {row['marked']} of"
        f" {row['groups']} groups marked, added {row['added_utc']}"
        for row in lessons
    ]
    if "erased" in done:
        lines.append("erased for good, out of the file's bytes too; copies made before are yours to delete")
    if "files" in done:
        lines.append(f"{len(done['files'])} files written")
    return "\n".join(lines)
