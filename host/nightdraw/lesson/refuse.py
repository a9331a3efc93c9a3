"""Why a class can't be planned: the rule without which more groups could be served, and what would mend it.

Rules are lifted one by one. The tightest is the one without which most groups get something; of several that
mend as much the one that is most particular: what leaves out a fault or a place says more than that there are
too few.
"""

from __future__ import annotations

from collections.abc import Sequence

from nightdraw.bench.finding.method import minutes
from nightdraw.lesson import candidates as limits
from nightdraw.lesson import rows as rules
from nightdraw.lesson.candidates import Candidate, Room
from nightdraw.lesson.choose import Choice, UnprovenError
from nightdraw.lesson.rows import Cuts, Row, rows

ALONE = (limits.BANK, limits.HEAT, limits.SUPPLY, limits.FUSE, limits.INSTRUMENTS, limits.TIME)
TOGETHER = (rules.BATTERY, rules.HIDDEN, rules.BOXES, rules.KITS, rules.SPLICES, rules.APART)
PAIRS = "several at once"


def refusal(room: Room, cuts: Cuts, own_faults: bool) -> list[tuple[str, str]]:
    """(rule, what and what would mend it), the tightest first; what stands alone mends it all, else they are
    needed together. own_faults: as rows."""
    found = list(room.candidates(whole=True))
    lifted = _Lifted(room, found, rows(room, found, cuts, own_faults))
    groups, now = len(room.of.groups), lifted.served(frozenset())
    served = {rule: lifted.served(frozenset((rule,))) for rule in (*ALONE, *TOGETHER)}
    best = max(served.values())
    refused = []
    for rule, number in sorted(served.items(), key=lambda item: -item[1]):
        if number == best and number > now:
            refused.append((rule, _mended(room, found, lifted, rule, number, now)))
    if refused:
        return refused
    # No rule alone lets more groups in: those that are needed together.
    together = _together(lifted, groups)
    if not together:
        return [(PAIRS, f"{now} of {groups} groups can be served, whichever rules are lifted")]
    return [
        (rule, f"{now} of {groups} groups can be served; needed together, {k} of {len(together)}: {remedy}")
        for k, rule in enumerate(together, 1)
        for remedy in [_remedy(room, found, lifted, rule, groups)]
    ]


class _Lifted:
    """How many groups can be served where some rules don't hold."""

    def __init__(self, room: Room, found: Sequence[Candidate], made: Sequence[Row]) -> None:
        self._room, self._found, self._rows = room, found, made

    def served(self, without: frozenset[str], among: frozenset[int] | None = None) -> int:
        """The most groups with these rules lifted; among: places of candidates, None for all."""
        allowed = [
            k
            for k, one in enumerate(self._found)
            if set(one.against) <= without and (among is None or k in among)
        ]
        places = {k: n for n, k in enumerate(allowed)}
        made = []
        for row in self._rows:
            weights = {places[k]: w for k, w in row.weights.items() if k in places}
            if row.rule not in without and weights:
                made.append(Row(row.rule, weights, row.most))
        choice = Choice([self._found[k] for k in allowed], made, len(self._room.of.groups))
        if not allowed:
            return 0
        try:
            return max(0, round(choice.most(any_number=True)[0]))
        except UnprovenError:
            return 0


def _together(lifted: _Lifted, groups: int) -> list[str]:
    """Rules to lift until all groups are served, each the one that helps most (or the next)."""
    out: list[str] = []
    every = [*TOGETHER, *ALONE]
    if lifted.served(frozenset(every)) < groups:
        return out
    needed = list(every)
    for rule in every:  # leave out whatever isn't needed: what stays is needed, each of it
        rest = [other for other in needed if other != rule]
        if lifted.served(frozenset(rest)) == groups:
            needed = rest
    return needed


def _mended(room: Room, found: Sequence[Candidate], lifted: _Lifted, rule: str, number: int, now: int) -> str:
    of = room.of
    groups = len(of.groups)
    head = f"{now} of {groups} groups can be served; the tightest rule: {rule}"
    tail = "" if number == groups else f" (without it {number} can be)"
    return f"{head}: {_remedy(room, found, lifted, rule, number)}{tail}"


def _remedy(room: Room, found: Sequence[Candidate], lifted: _Lifted, rule: str, number: int) -> str:
    """What is short, and what would mend it."""
    of, asked = room.of, _many(len(room.of.groups), "group")
    if rule == rules.BOXES:
        return f"{_many(len(of.boxes), 'box', 'es')} for {asked}; add boxes that play the class's faults"
    if rule == rules.KITS:
        return f"{_many(len(of.kits), 'kit')} for {asked}; add kits, or take fewer groups at a time"
    if rule == rules.SPLICES:
        places = sum(len(car.splices) for car in of.cars)
        has = f"{_many(places, 'splice')} in {_many(len(of.cars), 'vehicle')} for {asked}"
        return f"{has}; name more splices or add a vehicle"
    if rule == rules.BATTERY:
        weak = [car.name for k, car in enumerate(of.cars) if room.budget_a(k) < 0]
        if weak:
            return f"{', '.join(weak)} wouldn't start at the end of the day even without a box; charge it"
        return (
            "the boxes would drain a car so far that it doesn't start; charge the batteries or add a vehicle"
        )
    if rule == rules.APART:
        count = len(of.faults)
        has = f"{_many(count, 'fault')} can't keep {asked} apart on list and cars"
        return f"{has}; add faults to the class"
    if rule == rules.HIDDEN:
        return "boxes on one car would hide one another; add a vehicle, or faults that are less alike"
    if rule == limits.TIME:
        return _more_time(room, found, lifted, number)
    only = [one.against[rule] for one in found if set(one.against) == {rule}]
    reasons = sorted({*only} or {one.against[rule] for one in found if rule in one.against})
    mend = {
        limits.BANK: "allow fit: in the class file, or name faults that its boards play",
        limits.HEAT: "name faults that draw less, or boards that bear them",
        limits.SUPPLY: "name vehicles with the supply that the boxes and faults are for",
        limits.FUSE: "name splices behind larger fuses",
        limits.INSTRUMENTS: "give the kits instruments that show it (nightdraw bench findable)",
    }[rule]
    return f"{reasons[0]}{_and_more(len(reasons) - 1)}; {mend}"


def _many(count: int, name: str, more: str = "s") -> str:
    return f"{count} {name}{more * (count != 1)}"


def _and_more(count: int) -> str:
    return f" (and {count} more like it)" if count > 0 else ""


def _more_time(room: Room, found: Sequence[Candidate], lifted: _Lifted, number: int) -> str:
    """How much time would do."""
    late = sorted({one.need_s for one in found if limits.TIME in one.against})
    good, bad = len(late) - 1, -1
    while good - bad > 1:
        middle = (good + bad) // 2
        most_s = late[middle]
        soon = frozenset(k for k, one in enumerate(found) if one.need_s <= most_s)
        enough = lifted.served(frozenset((limits.TIME,)), soon)
        good, bad = (middle, bad) if enough >= number else (good, middle)
    has = minutes(room.of.time_s)
    short = f"the groups have {has}, 95 % of searches need {minutes(late[good])}"
    return f"{short}; give them that, or faults that are found sooner"
