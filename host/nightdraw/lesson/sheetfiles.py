"""The files of sheets and keys: which go where, in which form. The texts are made elsewhere."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from nightdraw import outputs
from nightdraw.lesson.keys import Key
from nightdraw.lesson.model import Plan
from nightdraw.lesson.sheets import sheet
from nightdraw.report import handout as ho
from nightdraw.report import paper as on_paper
from nightdraw.report import web
from nightdraw.report.words import Words

STUDENT, INSTRUCTOR = "student", "instructor"
NAMES = {STUDENT: "sheet", INSTRUCTOR: "key"}
FOLDERS = {STUDENT: "students", INSTRUCTOR: "instructor"}


def write(
    folder: Path,
    plan: Plan,
    words: Words,
    paper: str,
    forms: Sequence[str],
    progress: Callable[[int], None] = lambda done: None,
) -> list[tuple[Path, str, str]]:
    """Write every group's sheet and key; path, group and for whom of each. Raises InputError."""
    made: list[tuple[Path, str, str, bytes]] = []
    for done, one in enumerate(plan.assignments, start=1):
        pages = {STUDENT: sheet(plan, one, words), INSTRUCTOR: Key(plan, one, words).handout()}
        for whom, page in pages.items():
            for form in forms:
                path = folder / FOLDERS[whom] / f"{NAMES[whom]}-{one.group}.{form}"
                made.append((path, one.group, whom, content(page, paper, form)))
        progress(done)
    # Nothing is written before all is made: half a class's sheets are worse than none.
    for name in FOLDERS.values():
        outputs.make_folder(folder / name)
    for path, _, _, bytes_ in made:
        outputs.write(path, bytes_)
    return [row[:3] for row in made]


def content(page: ho.Handout, paper: str, form: str) -> bytes:
    """A handout as a file's bytes; form: pdf or html."""
    return on_paper.pdf(page, paper) if form == "pdf" else web.page(page, paper).encode()
