"""What goes into the record book at once: a lesson with its groups. Plain data and its JSON."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

# What a sheet asks, in the order of an answer's columns, and the points that each is worth by default.
POINTS = {"circuit": 4, "kind": 2, "current": 2, "duration": 2, "interval": 2, "evidence": 2}
COLUMNS = tuple(POINTS)


@dataclass(frozen=True)
class Item:
    """One marked item of an answer; points out of `of`, texts for people."""

    item: str
    points: float
    of: float
    claimed: str
    truth: str
    tolerance: str
    comment: str


@dataclass(frozen=True)
class Marks:
    """A group's marks; percent and passed are None where there was nothing to be marked."""

    points: float
    of: float
    percent: float | None
    passed: bool | None
    items: tuple[Item, ...]


@dataclass(frozen=True)
class GroupEntry:
    """A group's part of a lesson. assignment: the columns of that table; answer: the texts of COLUMNS as
    handed in; journal: the lines of its box's journal file."""

    code: str
    assignment: Mapping[str, Any]
    answer: Mapping[str, str] | None = None
    journal: str | None = None
    marks: Marks | None = None


@dataclass(frozen=True)
class Entry:
    """A lesson: what the plan and the class say, and its groups."""

    plan: str
    of_class: str
    title: str
    held: str | None
    seed: int
    pass_pct: float
    units: str
    groups: tuple[GroupEntry, ...] = field(default=())

    def digest(self) -> str:
        """SHA-256 over the plan's own content: the same plan is the same lesson, whoever has handed in."""
        content = [self.plan, self.of_class, self.held, self.seed]
        return digest([*content, [[group.code, dict(group.assignment)] for group in self.groups]])

    def document(self) -> dict[str, Any]:
        """As a JSON object that read() takes."""
        return asdict(self)


def digest(content: Any) -> str:
    """SHA-256 of the canonical JSON of plain data, in hexadecimal."""
    text = json.dumps(content, sort_keys=True, separators=(",", ":"), default=dict)
    return hashlib.sha256(text.encode()).hexdigest()


def read(document: Mapping[str, Any]) -> Entry:
    """An entry from its document; raises KeyError, TypeError or ValueError for anything else."""
    groups = []
    for group in document["groups"]:
        marks = group["marks"]
        if marks is not None:
            items = tuple(Item(**item) for item in marks["items"])
            marks = Marks(**{**marks, "items": items})
        groups.append(GroupEntry(**{**group, "marks": marks}))
    return Entry(**{**document, "groups": tuple(groups)})
