"""Which journal of a folder is whose: by the box's identity, its label or the group in the file's name, or by
what the journal itself says of splice and profile. Of several the newest counts."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from nightdraw.capture import journallines
from nightdraw.capture.journal import Did, did_of
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
    lines = [line for _, line in journallines.objects(path)]
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
    """The journal of each group that has one."""
    known = list(journals)
    found = {}
    for one in plan.assignments:
        mine = [journal for journal in known if _is_of(journal, one, plan)]
        if mine:
            found[one.group] = max(mine, key=Journal.newer)
    return found


def _is_of(journal: Journal, one: Assignment, plan: Plan) -> bool:
    identity = plan.of.box(one.box).identity
    serial = journal.head.get("serial")
    if identity is not None and serial is not None:
        return bool(identity == serial)
    named = re.split(r"[^a-z0-9-]+", journal.path.name.lower())
    others = {other.box.lower() for other in plan.assignments} | {other.group for other in plan.assignments}
    if others & set(named):
        return one.box.lower() in named or one.group in named
    return journal.head.get("splice") == one.splice and journal.did.profile == one.profile
