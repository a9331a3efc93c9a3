"""From a plan, answers, journals and recordings to every group's marks. The door of `lesson mark`.

Each group is judged on its own; of several ways in which its fault draws, the one that its answer fits best.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from nightdraw.lesson import claims, evidence, judge, tolerances
from nightdraw.lesson import path as paths
from nightdraw.lesson.answers import Answer
from nightdraw.lesson.entries import COLUMNS, Entry, GroupEntry, Item, Marks
from nightdraw.lesson.fitting import beside, played
from nightdraw.lesson.journals import Journal
from nightdraw.lesson.judge import Circuits, Rules, Scored
from nightdraw.lesson.model import Assignment, Plan
from nightdraw.lesson.records import with_groups
from nightdraw.lesson.tolerances import CURRENT, DURATION, INTERVAL, shown
from nightdraw.lesson.truth import Behaviour, Truth, of_journal, of_profile
from nightdraw.report.chart import duration_text
from nightdraw.report.words import Words
from nightdraw.vehicle import standing

RIGHT, PARTLY, WRONG, MISSING, NOT_ASKED = "right", "partly", "wrong", "no answer", "not asked"
MEASURED = (CURRENT, DURATION, INTERVAL)


@dataclass(frozen=True)
class Marked:
    """A group's marks with what led to them. notes: for the instructor; verdicts: a word for each item."""

    one: Assignment
    marks: Marks
    truth: Truth
    answer: Answer | None
    verdicts: dict[str, str]
    notes: tuple[str, ...]

    def document(self) -> dict[str, Any]:
        """The JSON contract's keys, and more."""
        marks = self.marks
        return {
            "group": self.one.group,
            "points": marks.points,
            "of": marks.of,
            "percent": marks.percent,
            "passed": marks.passed,
            "items": [dict(vars(item)) for item in marks.items],
            "notes": list(self.notes),
            "path": None if self.path is None else self.path.document(),
        }

    @property
    def path(self) -> paths.Path | None:
        """The group's path on a live vehicle; None where its answer came from elsewhere."""
        answer = self.answer
        return paths.path(answer.moves, self.one.fuse) if answer is not None and answer.moves else None


@dataclass(frozen=True)
class Handed:
    """What came in: answers and journals by group, the folder of recordings (None: none is looked at)."""

    answers: Mapping[str, Answer]
    journals: Mapping[str, Journal]
    recordings: Path | None


def mark(
    plan: Plan,
    handed: Handed,
    words: Words,
    progress: Callable[[int], None] = lambda done: None,
) -> list[Marked]:
    """The marks of every group of the plan, in its order; progress is told how many are done."""
    found = []
    for done, one in enumerate(plan.assignments, start=1):
        found.append(_Group(plan, one, handed, words).marked())
        progress(done)
    return found


class _Group:
    """One group's judgement: what all items need."""

    def __init__(self, plan: Plan, one: Assignment, handed: Handed, words: Words) -> None:
        of = plan.of
        self.plan, self.one, self.words = plan, one, words
        self.answer = handed.answers.get(one.group)
        self.vehicle = of.car(one.vehicle).vehicle
        self.kit = of.kit(one.kit).instruments
        profile = played(plan, one)
        self.others_a = sum(other.base_ua() for _, other in beside(plan, one)) / 1e6
        feed = self.vehicle.feed_of(one.fuse)
        journal = handed.journals.get(one.group)
        if journal is None:
            self.truth = of_profile(profile, of.time_s, one.fuse, feed)
        else:
            self.truth = of_journal(journal.did, profile, one.fuse, feed)
        self.recordings = handed.recordings
        texts = dict.fromkeys(COLUMNS, "") if self.answer is None else self.answer.texts
        self.texts = texts
        self.circuits = Circuits.of(self.vehicle)
        self.circuit = claims.circuit(texts["circuit"], self.circuits.names())
        self.kind = claims.kind(texts["kind"], words.under("kind"))
        self.claimed = {
            CURRENT: claims.quantity(texts[CURRENT], "current"),
            DURATION: claims.quantity(texts[DURATION], "time"),
            INTERVAL: claims.quantity(texts[INTERVAL], "time"),
        }

    def marked(self) -> Marked:
        """The best of what each behaviour gives."""
        notes = [self.words.text(note) for note in self.truth.notes]
        if self.answer is None:
            notes.append(self.words("note.no_answer"))
        elif self.answer.moves:
            notes.append(self._path(paths.path(self.answer.moves, self.one.fuse)))
        ways = [self._by(behaviour) for behaviour in self.truth.behaviours] or [self._nothing()]
        # The first of equals: an answer is about the commonest behaviour, unless it fits another better.
        items, verdicts = max(ways, key=lambda way: _share(way[0]))
        asked = [item for item in items if verdicts[item.item] != NOT_ASKED]
        points, of = sum(i.points for i in asked), sum(i.of for i in asked)
        percent = round(100 * points / of, 1) if of else None
        passed = None if percent is None else percent >= float(self.plan.of.pass_pct)
        marks = Marks(points, of, percent, passed, tuple(items))
        return Marked(self.one, marks, self.truth, self.answer, verdicts, tuple(notes))

    def _path(self, taken: paths.Path) -> str:
        """How the group came to its answer on a live vehicle."""
        at, answered = taken.at_fuse_s, taken.answered_s
        return self.words(
            "note.path",
            moves=taken.moves,
            waking=taken.waking,
            fuse=self.one.fuse,
            at=self.words("note.never") if at is None else duration_text(at),
            answered=self.words("note.never") if answered is None else duration_text(answered),
            pulled=", ".join(taken.pulled) or self.words("note.none"),
        )

    def _nothing(self) -> tuple[list[Item], dict[str, str]]:
        """There was nothing to find."""
        scored = Scored(None, self.words("mark.never"))
        return self._items(dict.fromkeys(COLUMNS, scored), None, None)

    def _by(self, behaviour: Behaviour) -> tuple[list[Item], dict[str, str]]:
        words, truth = self.words, self.truth
        rules = self._rules(behaviour)
        own_a = standing.mean_a(self.vehicle) + self.others_a
        scored = {
            "circuit": judge.circuit(self.circuit, truth, self.circuits, words),
            "kind": judge.kind(self.kind, behaviour, words),
            CURRENT: Scored(None, words("mark.not_known")),
            DURATION: Scored(None, words("mark.not_asked" if behaviour.steady else "mark.not_shown")),
            INTERVAL: Scored(None, words("mark.not_asked" if behaviour.steady else "mark.not_shown")),
            "evidence": Scored(0.0, words("mark.none")),
        }
        if truth.level_known and behaviour.level_a[1] > 0:
            scored[CURRENT] = judge.current(self.claimed[CURRENT], behaviour, own_a, rules)
        if len(behaviour.duration_s):
            scored[DURATION] = judge.duration(self.claimed[DURATION], behaviour, rules)
        if len(behaviour.period_s):
            scored[INTERVAL] = judge.interval(self.claimed[INTERVAL], behaviour, rules)
        if self.recordings is None and self.texts["evidence"]:
            scored["evidence"] = Scored(None, words("mark.evidence.no_folder"))
        elif self.recordings is not None:
            folders = (self.recordings / self.one.group, self.recordings)
            text = self.texts["evidence"]
            scored["evidence"] = evidence.score(
                text, folders, self.claimed, behaviour, own_a, self.kit, rules
            )
        return self._items(scored, behaviour, rules)

    def _rules(self, behaviour: Behaviour) -> Rules:
        of = self.plan.of
        allowed = {
            item: tolerances.allowed(item, behaviour, self.kit, self.vehicle, self.one.fuse, of)
            for item in MEASURED
        }
        return Rules(self.words, of.units, allowed)

    def _items(
        self, scored: Mapping[str, Scored], behaviour: Behaviour | None, rules: Rules | None
    ) -> tuple[list[Item], dict[str, str]]:
        items, verdicts = [], {}
        for name in COLUMNS:
            one, worth = scored[name], self.plan.of.points[name]
            not_asked = one.share is None or worth == 0
            of = 0.0 if not_asked else float(worth)
            points = 0.0 if one.share is None else of * one.share
            truth, tolerance = self._truth(name, behaviour, rules)
            claimed = claims.shown(self.texts[name])
            items.append(Item(name, points, of, claimed, truth, tolerance, one.comment))
            verdicts[name] = NOT_ASKED if not_asked else _verdict(one.share or 0.0, claimed)
        return items, verdicts

    def _truth(self, name: str, behaviour: Behaviour | None, rules: Rules | None) -> tuple[str, str]:
        """An item's truth and tolerance for people."""
        if name == "circuit":
            return self.truth.fuse, ""
        if behaviour is None or rules is None or name == "evidence":
            return "", ""
        if name == "kind":
            return self.words(f"kind.{behaviour.kinds[0]}"), ""
        values = {
            CURRENT: np.array(behaviour.level_a),
            DURATION: behaviour.duration_s,
            INTERVAL: behaviour.period_s,
        }
        value = values[name]
        if not len(value) or (name == CURRENT and not self.truth.level_known):
            return "", ""
        within = rules.allowed[name]
        around = within.around(float(np.median(value)))
        return _span(value, around, name), f"\u00b1 {shown(around, name, 2)} ({self.words.text(within.why)})"


def _span(values: Any, around: float, name: str) -> str:
    low, high = float(np.min(values)), float(np.max(values))
    if high - low <= around:
        return shown(float(np.median(values)), name)
    return f"{shown(low, name)} .. {shown(high, name)}"


def _verdict(share: float, claimed: str) -> str:
    if share >= 1:
        return RIGHT
    if share > 0:
        return PARTLY
    return WRONG if claimed else MISSING


def _share(items: list[Item]) -> float:
    of = sum(item.of for item in items)
    return sum(item.points for item in items) / of if of else 0.0


def summary(plan: Plan, marked: list[Marked]) -> dict[str, Any]:
    """The class in figures: how many passed, each item's verdicts, and how long it took."""
    known = [one.marks.percent for one in marked if one.marks.percent is not None]
    return {
        "class": plan.of.name,
        "plan": plan.name,
        "groups": len(marked),
        "answered": sum(one.answer is not None for one in marked),
        "passed": sum(one.marks.passed is True for one in marked),
        "mean_percent": round(float(np.mean(known)), 1) if known else None,
        "items": {name: dict(Counter(one.verdicts[name] for one in marked)) for name in COLUMNS},
        "times": [
            {
                "group": one.one.group,
                "expected_s": one.one.expected_s,
                "first_out_s": one.truth.out_s,
                "found": one.verdicts["circuit"] == RIGHT,
            }
            for one in marked
        ],
        "notes": [f"{one.one.group}: {note}" for one in marked for note in one.notes],
    }


def entry(plan: Plan, marked: list[Marked], handed: Handed) -> Entry:
    """All of it for the record book."""
    groups = []
    for one in marked:
        document = one.one.document()
        journal = handed.journals.get(one.one.group)
        groups.append(
            GroupEntry(
                str(document.pop("group")),
                document,
                None if one.answer is None else one.answer.texts,
                None if journal is None else journal.text,
                one.marks,
            )
        )
    return with_groups(plan, groups)
