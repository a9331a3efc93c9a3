"""Which journal of a folder is whose: by the box's identity, its label in the file's name, the group's, or by
what the journal itself says of splice and profile. Of several the newest counts.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from nightdraw.capture.journal import Did, did_of, lines_of
from nightdraw.errors import Finding, InputError
from nightdraw.lesson.model import Assignment, Plan

SUFFIX = ".jsonl"
DATES = "utc"


@dataclass(frozen=True)
class Journal:
    """A journal file: its first line, what it tells, its text."""

    path: Path
    head: dict[str, Any]
    did: Did
    text: str
    last: str

    def newer(self) -> tuple[str, str]:
        """Sorts journals of one box by their last date, then by name."""
        return self.last, self.path.name


def read_journals(folder: Path) -> list[Journal]:
    """Every journal in a folder and the folders in it, one deep; raises InputError with every finding."""
    if not folder.is_dir():
        raise InputError(Finding("there is no such folder of journals", str(folder)))
    found: list[Journal] = []
    wrong: list[Finding] = []
    for path in sorted((*folder.glob(f"*{SUFFIX}"), *folder.glob(f"*/*{SUFFIX}"))):
        try:
            found.append(_read(path))
        except InputError as error:
            wrong += error.findings
    if wrong:
        raise InputError(*wrong)
    return found


def _read(path: Path) -> Journal:
    lines = [line for _, line in lines_of(path)]
    if not lines or lines[0].get("kind") != "box":
        message = "not a journal: its first line says of which box and run it is"
        raise InputError(Finding(message, str(path), 1, hint="`lesson collect` writes them"))
    dates = [line[DATES] for line in lines if isinstance(line.get(DATES), str)]
    try:
        did = did_of(lines[0], lines[1:])
    except KeyError as missing:
        raise InputError(
            Finding(f"a line lacks {missing}: not a journal of this version", str(path))
        ) from None
    return Journal(path, lines[0], did, path.read_text("utf-8"), max(dates, default=""))


def by_group(plan: Plan, journals: Iterable[Journal]) -> dict[str, Journal]:
    """The journal of each group that has one: by the surest sign that any of them bears."""
    known = list(journals)
    found = {}
    for one in plan.assignments:
        for bears in SIGNS:
            mine = [journal for journal in known if bears(journal, one, plan)]
            if mine:
                found[one.group] = max(mine, key=Journal.newer)
                break
    return found


def _identity(journal: Journal, one: Assignment, plan: Plan) -> bool:
    identity = plan.of.box(one.box).identity
    return identity is not None and journal.head.get("serial") == identity


def _of_another(journal: Journal, one: Assignment, plan: Plan) -> bool:
    """Whether its identity says that it is another box's, whatever its name says."""
    identity, serial = plan.of.box(one.box).identity, journal.head.get("serial")
    return identity is not None and serial is not None and serial != identity


def _named(journal: Journal) -> set[str]:
    """The words of a file's name: a label, a group, a date."""
    return set(re.split(r"[^a-z0-9-]+", journal.path.name.lower()))


def _label(journal: Journal, one: Assignment, plan: Plan) -> bool:
    return one.box.lower() in _named(journal) and not _of_another(journal, one, plan)


def _group(journal: Journal, one: Assignment, plan: Plan) -> bool:
    labels = {other.box.lower() for other in plan.assignments}
    named = _named(journal)
    return one.group in named and not named & labels and not _of_another(journal, one, plan)


def _place(journal: Journal, one: Assignment, plan: Plan) -> bool:
    """What the journal itself says: the splice and the profile, where nothing else does."""
    words = {other.box.lower() for other in plan.assignments} | {other.group for other in plan.assignments}
    if _named(journal) & words or _of_another(journal, one, plan):
        return False
    return journal.head.get("splice") == one.splice and journal.did.profile == one.profile


SIGNS = (_identity, _label, _group, _place)  # the surest first
