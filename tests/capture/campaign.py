"""How often a comparison is wrong: cases made at random, judged, and counted against what is true of them.

    python -m tests.capture.campaign RIGHT WRONG [FIRST SEED]

prints figures with their counts of tries: false alarms (a sound box that is said to differ) and false
agreements (a run that differs and is said to agree), alone, among loads that nobody described, and in the
vehicles that ship; how often it can't be told; and the cases behind the failures.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from nightdraw.capture.compare import Comparison, compare

from tests.capture import cases, twitches, vehicles
from tests.capture.cases import Case

WORDS = {True: "agree", False: "differ", None: "can't tell"}


def alone(case: Case) -> Comparison:
    """The verdict where the box has its supply for itself."""
    return compare(case.asked, case.did, case.recording)


@dataclass
class Tally:
    """What came out: tries, the failures in words, and the verdicts by what was wrong."""

    what: str
    tries: int = 0
    failures: list[str] = field(default_factory=list)
    verdicts: dict[str, Counter[str]] = field(default_factory=dict)

    def take(self, case: Case | vehicles.Case, found: Comparison, failed: bool) -> None:
        """One case more."""
        self.tries += 1
        row = self.verdicts.setdefault(case.wrong or case.instrument or "plain", Counter())
        row[WORDS[found.agree]] += 1
        if failed:
            told = " / ".join(f"{row.kind}: {row.message}" for row in found.differences[:3])
            self.failures.append(f"{case} {told}")

    def text(self) -> str:
        """The figure, what made it, and the verdicts."""
        share = 100 * len(self.failures) / max(self.tries, 1)
        open_ = sum(row[WORDS[None]] for row in self.verdicts.values())
        head = f"{self.what}: {len(self.failures)} of {self.tries} ({share:.2f} %), can't tell {open_}"
        rows = [head, *self.failures]
        for name, counted in sorted(self.verdicts.items()):
            rows.append(f"  {name:15} " + ", ".join(f"{word} {n}" for word, n in sorted(counted.items())))
        return "\n".join(rows)


def judged(
    make: Callable[[int], Case],
    seeds: Iterable[int],
    what: str,
    forbidden: bool,
    compared: Callable[[Case], Comparison] = alone,
) -> Tally:
    """Compare the case of each seed; forbidden: the verdict that none of them may get."""
    tally = Tally(what)
    for seed in seeds:
        case = make(seed)
        found = compared(case)
        tally.take(case, found, found.agree is forbidden)
    return tally


def alarms(seeds: Iterable[int]) -> Tally:
    """Healthy boxes, whatever the instrument: none may be said to differ."""
    return judged(cases.right, seeds, "false alarms", forbidden=False)


def agreements(seeds: Iterable[int]) -> Tally:
    """Runs that differ by more than the tolerances: none may be said to agree."""
    return judged(cases.wrong, seeds, "false agreements", forbidden=True)


def alarms_among_loads(seeds: Iterable[int]) -> Tally:
    """Healthy boxes among loads that nobody described: none may be said to differ."""
    what = "false alarms among loads that nobody described"
    return judged(twitches.right, seeds, what, forbidden=False, compared=twitches.compared)


def agreements_among_loads(seeds: Iterable[int]) -> Tally:
    """Boxes and runs there that differ: none may be said to agree."""
    what = "false agreements among loads that nobody described"
    return judged(twitches.wrong, seeds, what, forbidden=True, compared=twitches.compared)


def in_vehicles(seeds: Iterable[int], wrong: bool) -> Tally:
    """Boxes in the vehicles that ship, whose file and script are given: sound ones, or such as differ."""
    tally = Tally(f"false {'agreements' if wrong else 'alarms'} in the vehicles that ship")
    for seed in seeds:
        case = vehicles.wrong(seed) if wrong else vehicles.right(seed)
        found = case.compared()
        tally.take(case, found, found.agree is wrong)
    return tally


def main(words: list[str]) -> None:
    """The command line."""
    right, wrong, first = (*(int(word) for word in words), 0)[:3]
    sound, broken = range(first, first + right), range(first, first + wrong)
    for count, seeds in (
        (alarms, sound),
        (agreements, broken),
        (alarms_among_loads, sound),
        (agreements_among_loads, broken),
    ):
        print(count(seeds).text())
    print(in_vehicles(sound[: right // 2], wrong=False).text())
    print(in_vehicles(broken[: wrong // 2], wrong=True).text())


if __name__ == "__main__":
    main(sys.argv[1:])
