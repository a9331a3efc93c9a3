"""From a plan, and what belongs to it, to an entry of the record book. Nothing is read or written here."""

from __future__ import annotations

from collections.abc import Iterable

from nightdraw.lesson.entries import Entry, GroupEntry
from nightdraw.lesson.model import Plan


def planned(plan: Plan) -> Entry:
    """The plan's lesson with each group's assignment, nothing being handed in yet."""
    groups = []
    for one in plan.assignments:
        document = one.document()
        groups.append(GroupEntry(str(document.pop("group")), document))
    return with_groups(plan, groups)


def with_groups(plan: Plan, groups: Iterable[GroupEntry]) -> Entry:
    """The plan's lesson with these groups."""
    of = plan.of
    return Entry(
        plan.name, of.name, of.title, of.when, plan.seed, float(of.pass_pct), of.units, tuple(groups)
    )
