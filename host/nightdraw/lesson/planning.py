"""From a class and a seed to a plan: candidates, the most even choice, who gets what; or why there is none.

The same class and seed give the same plan: every bound on the work is a count, none is a time.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from nightdraw.bench.finding.method import minutes
from nightdraw.lesson import rows as rules
from nightdraw.lesson.alike import beside, within_s
from nightdraw.lesson.arrange import arrange, same_place
from nightdraw.lesson.candidates import BANK, Candidate, Room
from nightdraw.lesson.choose import Choice, Chosen
from nightdraw.lesson.fitting import is_moved
from nightdraw.lesson.model import Assignment, ClassFile, Plan
from nightdraw.lesson.refuse import refusal
from nightdraw.lesson.rows import Cuts, rows

MOST_CUTS = 30  # pairs that hide one another, found one after the other: then it isn't tried further
PLACE, FAULT, KIT, BOX = 2.0, 4.0, 1.0, 1.0  # what it is worth that a group keeps


@dataclass(frozen=True)
class Note:
    """Something to know about a plan, or why there is none: the rule, what, and what would mend it."""

    rule: str
    message: str
    severity: str = "info"

    def document(self) -> dict[str, str]:
        """The JSON keys."""
        return {"rule": self.rule, "message": self.message, "severity": self.severity}


@dataclass(frozen=True)
class Planned:
    """A plan with its evenness and the bound, or None; and what is to be known."""

    plan: Plan | None
    evenness: float | None
    bound: float | None
    findings: tuple[Note, ...] = field(default=())

    def document(self) -> dict[str, object]:
        """The JSON contract's keys."""
        made = () if self.plan is None else self.plan.assignments
        return {
            "assignments": [one.document() for one in made],
            "evenness": self.evenness,
            "bound": self.bound,
            "ok": self.plan is not None,
            "findings": [note.document() for note in self.findings],
        }


def make_plan(
    of: ClassFile,
    seed: int,
    kept: Sequence[Assignment] = (),
    own_faults: bool | None = None,
    tell: Callable[[float], None] = lambda share: None,
) -> Planned:
    """The plan of a class; kept: an earlier plan's assignments, of which as many stay as can.

    own_faults: whether no fault is given twice, though it be less even; None: where the class permits it.
    tell: takes the share of the work done.
    """
    room = Room(of, seed)
    steps = iter(range(1, room.count() + 1))
    found = list(room.candidates(tell=lambda: tell(0.7 * next(steps) / room.count())))
    left_out = [*_left_out(room)]
    had = {one.group: one for one in kept if one.group in of.groups}
    choosing = _Choosing(room, found, had, lambda share: tell(0.7 + 0.3 * share))
    order = choosing.settle(own_faults is not False)
    if order is None and own_faults is None:
        order = choosing.settle(own_faults=False)
    if order is None:
        why = refusal(room, choosing.cuts, own_faults is True)
        notes = [Note(rule, message, "error") for rule, message in why]
        return Planned(None, None, None, (*notes, *left_out))
    plan = Plan(f"{of.name[:20]}-{seed}", of, seed, tuple(order), "")
    bound = min(choosing.free, _evenness(order))  # a group's own seed may make it more even by chance
    again = _again(order, choosing.most_own() if own_faults is None else None)
    notes = [*_told(bound, order, had), *again, *left_out]
    return Planned(plan, _evenness(order), bound, tuple(notes))


def _evenness(order: Sequence[Assignment]) -> float:
    times = [one.expected_s or 0.0 for one in order]
    return max(times) / min(times)


class _Choosing:
    """Choices with cuts for pairs that hide one another, until one stands."""

    def __init__(
        self, room: Room, found: list[Candidate], had: dict[str, Assignment], tell: Callable[[float], None]
    ) -> None:
        self._room, self._found, self._had, self._tell = room, found, had, tell
        self._groups = len(room.of.groups)
        self.cuts = Cuts()
        self.free = 1.0  # the bound of all choices, kept or not

    def settle(self, own_faults: bool) -> list[Assignment] | None:
        """A choice in order; None where there is none."""
        for _ in range(MOST_CUTS):
            chosen = self._best(own_faults)
            if chosen is None:
                return None
            if not self._hiding(chosen.found):
                return arrange(self._room, chosen.found, self._had)
        return None

    def most_own(self) -> int:
        """To how many groups a fault of their own can be given."""
        made = rows(self._room, self._found, self.cuts, own_faults=True)
        return round(Choice(self._found, made, self._groups).most(any_number=True)[0])

    def _best(self, own_faults: bool) -> Chosen | None:
        made = rows(self._room, self._found, self.cuts, own_faults)
        free = Choice(self._found, made, self._groups)
        best = free.most_even(self._tell)
        if best is None:
            return None
        self.free = best.bound
        if self._had:
            worth, own = _worth(self._room, self._found, self._had)
            most, chosen = Choice(self._found, made, self._groups, own=own).most(worth)
            if chosen:
                kept = Choice(self._found, made, self._groups, (worth, most), own).most_even(self._tell)
                return kept or Chosen(tuple(self._found[k] for k in chosen), best.bound)
            self._had = {}  # whoever keeps a place, neighbours would get the same fault: nothing is kept
        return free.finest(best, self._room.seed)

    def _hiding(self, found: Sequence[Candidate]) -> bool:
        """Cut the pairs on one car of which one is no longer found in time beside the other."""
        before = len(self.cuts.pairs)
        for one in found:
            for other in found:
                if one is not other and one.car == other.car and self._hides(one, other):
                    self.cuts.add(one, other)
        return len(self.cuts.pairs) > before

    def _hides(self, one: Candidate, other: Candidate) -> bool:
        of, room = self._room.of, self._room
        mine = room.made(of.fault(one.profile), one.board)
        theirs = room.made(of.fault(other.profile), other.board)
        car = beside(of.cars[one.car].vehicle, theirs, other.fuse)
        p95_s = within_s(mine, car, one.splice, room.kits.each[one.kit])
        return one.need_s - one.p95_s + p95_s > of.time_s


def _worth(
    room: Room, found: Sequence[Candidate], had: dict[str, Assignment]
) -> tuple[dict[int, float], dict[int, int]]:
    """What each candidate keeps of the group whose place it is, and that group's place in the row."""
    worth: dict[int, float] = {}
    own: dict[int, int] = {}
    kits = {kit.name for kit in room.of.kits}
    for one in had.values():
        for k, candidate in enumerate(found):
            if same_place(room, candidate, one):
                own[k] = room.of.groups.index(one.group)
                worth[k] = (
                    PLACE
                    + FAULT * (candidate.profile == one.profile)
                    + KIT * (one.kit in kits and room.kit_of(one.kit) == candidate.kit)
                    + BOX * (one.box in room.labels and room.board_of(one.box) == candidate.board)
                )
    return worth, own


def _left_out(room: Room) -> list[Note]:
    """What no board plays, what was moved so that one does."""
    notes = []
    for fault in room.of.faults:
        for board, model in enumerate(room.boards.each):
            made = room.made(fault, board)
            for rule, why in made.against.items():
                mend = "; allow it with fit: in the class file" if rule == BANK and not room.of.fit else ""
                notes.append(Note(rule, f"left out: {why}{mend}", "warning"))
            if not made.against and is_moved(fault, made.profile):
                message = f"{fault.name} is fitted to board {model.name}: its levels are the board's own"
                notes.append(Note(BANK, message))
    return notes


def _told(bound: float, order: Sequence[Assignment], had: dict[str, Assignment]) -> list[Note]:
    """How even it came out, what limits it, what was changed."""
    first = min(order, key=lambda one: one.expected_s or 0.0)
    last = max(order, key=lambda one: one.expected_s or 0.0)
    ends = [
        f"{minutes(one.expected_s or 0.0)} of group {one.group} ({one.profile} in {one.vehicle})"
        for one in (last, first)
    ]
    evenness = (
        f"the longest expected time, {ends[0]}, is {_evenness(order):.3f} times the shortest, {ends[1]};"
        f" no plan of this class gets below {bound:.3f}"
    )
    hard = [one.difficulty or 0.0 for one in order]
    notes = [
        Note("evenness", evenness),
        Note("difficulty", f"difficulties are {min(hard):g} .. {max(hard):g}"),
    ]
    if had:
        changed = [one.group for one in order if one.group not in had or not _kept(had[one.group], one)]
        what = f"changed for {', '.join(changed)}" if changed else "nothing was changed"
        notes.append(Note("kept", f"against the plan that was to be kept: {what}"))
    return notes


def _again(order: Sequence[Assignment], most_own: int | None) -> list[Note]:
    """Faults that were given again, and why; most_own: None where that was asked for."""
    counts = Counter(one.profile for one in order)
    again = sorted(name for name, number in counts.items() if number > 1)
    if not again:
        return []
    names = ", ".join(again)
    given = f"given to several groups, never to neighbours, each with its own random instants: {names}"
    if most_own is None:
        return [Note(rules.APART, given)]
    why = f"no more than {most_own} of {len(order)} groups can have a fault of their own"
    return [Note(rules.APART, f"{why}; {given}; add faults to the class, or places for them")]


def _kept(before: Assignment, now: Assignment) -> bool:
    keys = ("vehicle", "splice", "box", "profile", "kit", "slot")
    return all(getattr(before, key) == getattr(now, key) for key in keys)
