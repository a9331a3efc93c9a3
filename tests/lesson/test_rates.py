"""How often a right answer is marked wrong and a wrong one right, over answers of known truth.

An independent generator: it draws a fault, writes the journal by its own loop, and answers as somebody who
measured within the tolerance (or well beyond it), in one of the ways in which people write a quantity. Only
items are counted that the truth settles: a value between the tolerance and twice that is nearly right.
"""

from __future__ import annotations

import json
import random
from collections import Counter

import pytest
from nightdraw.capture.journal import did_of
from nightdraw.lesson import claims, judge
from nightdraw.lesson.judge import Rules
from nightdraw.lesson.tolerances import Allowed
from nightdraw.lesson.truth import of_journal
from nightdraw.profile import load
from nightdraw.report.words import load_words

from tests.lesson import made_lesson as made

SHARES = {"current": 0.1, "duration": 0.1, "interval": 0.05}
SPELT = {"current": (("A", 1.0), ("mA", 1e-3)), "time": (("s", 1.0), ("ms", 1e-3), ("min", 60.0))}


class Case:
    """A fault drawn at random, and the truth that the program takes from its journal."""

    def __init__(self, rng: random.Random, profiles: dict) -> None:
        self.kind = rng.choice(("pulse", "steady", "random"))
        self.level_a = rng.uniform(0.05, 2.0)
        self.on_s, self.period_s = rng.uniform(0.05, 2.0), rng.uniform(5.0, 120.0)
        self.range_s = self.period_s, self.period_s * rng.uniform(3, 8)
        count = rng.randrange(25, 60)
        base = made.OWN_MA
        pauses = [self.period_s - self.on_s] * count
        if self.kind == "random":
            pauses = [rng.uniform(*self.range_s) for _ in range(count)]
            self.range_s = min(pauses[1:]), max(pauses[1:])
        levels = made.train(pauses, [self.on_s] * count, base, base + 1000 * self.level_a)
        if self.kind == "steady":
            levels = [(0.0, 1000 * self.level_a)]
        lines = made.journal(levels, self.kind)
        head, *records = [json.loads(line) for line in lines.splitlines()]
        self.truth = of_journal(did_of(head, records), profiles[self.kind], "F1", "cabin")


def written(rng: random.Random, value: float, dimension: str) -> str:
    """A quantity as somebody writes it, unrounded."""
    unit, size = rng.choice(SPELT[dimension])
    text = f"{value / size:.6f}" if value / size < 1000 else f"{value / size:.0f}"
    if "." in text and rng.random() < 0.2 and len(text.split(".")[1]) != 3:
        text = text.replace(".", ",")
    return rng.choice(("", "about ")) + text + rng.choice(("", " ")) + unit


def off(rng: random.Random, share: float, right: bool) -> float:
    """A factor within the tolerance, or beyond twice that and of no slip's size."""
    if right:
        return 1 + rng.uniform(-0.95, 0.95) * share
    return rng.choice((1 / rng.uniform(1.5, 8), rng.uniform(1.5, 8)))


def judged(rng: random.Random, profiles: dict, words) -> tuple[str, bool, float]:
    """One answer to one item of one case: which, whether it is right, the share that it got."""
    case = Case(rng, profiles)
    rules = Rules(words, "none", {name: Allowed(share, 0.0, "") for name, share in SHARES.items()})
    behaviour = case.truth.behaviours[0]
    right = rng.random() < 0.5
    items = ("current",) if case.kind == "steady" else ("current", "duration", "interval")
    item = rng.choice(items)
    factor = off(rng, SHARES[item], right)
    if item == "current":
        claim = claims.quantity(written(rng, case.level_a * factor, "current"), "current")
        # 11 mA of the box's own below a pulse may be counted in: a wrong value that hits that is right.
        return item, right, judge.current(claim, behaviour, 0.0, rules).share
    if item == "duration":
        claim = claims.quantity(written(rng, case.on_s * factor, "time"), "time")
        return item, right, judge.duration(claim, behaviour, rules).share
    if case.kind == "random":
        low, high = case.range_s
        middle, half = (
            (low + high) / 2,
            (high - low) / 2 * (rng.uniform(0.8, 1.0) if right else rng.uniform(3, 6)),
        )
        low, high = max(middle - half, 1e-3), middle + half
        text = f"{low:.4f} s .. {high:.4f} s"
        return item, right, judge.interval(claims.quantity(text, "time"), behaviour, rules).share
    text = written(rng, case.period_s * factor, "time")
    if rng.random() < 0.3:
        text = f"{3600 / (case.period_s * factor):.4f}/h"
    return item, right, judge.interval(claims.quantity(text, "time"), behaviour, rules).share


def count(seed: int, tries: int, folder) -> Counter:
    """Marks over so many answers."""
    plan_folder = folder / "profiles"
    plan_folder.mkdir()
    made.write(plan_folder)
    names = {"pulse": "even-pulse", "steady": "plain-steady", "random": "odd-random"}
    profiles = {kind: load(plan_folder / f"{name}.yaml") for kind, name in names.items()}
    words, rng = load_words(), random.Random(seed)
    found: Counter = Counter()
    for _ in range(tries):
        item, right, share = judged(rng, profiles, words)
        found[item, "right" if right else "wrong", share] += 1
    return found


def rates(found: Counter) -> tuple[int, int, int, int]:
    """False wrong and how many were right, false right and how many were wrong."""
    right = sum(n for (_, truth, _), n in found.items() if truth == "right")
    wrong = sum(n for (_, truth, _), n in found.items() if truth == "wrong")
    false_wrong = sum(n for (_, truth, share), n in found.items() if truth == "right" and share != 1.0)
    false_right = sum(n for (_, truth, share), n in found.items() if truth == "wrong" and share == 1.0)
    return false_wrong, right, false_right, wrong


def test_right_answers_are_right_and_wrong_ones_wrong(tmp_path, seed):
    false_wrong, right, false_right, wrong = rates(count(seed, 300, tmp_path))
    assert (false_wrong, false_right) == (0, 0), f"of {right} and {wrong}"


@pytest.mark.campaign
def test_rates_over_many_answers(tmp_path, seed):
    found = count(seed, 6000, tmp_path)
    false_wrong, right, false_right, wrong = rates(found)
    print(
        f"\nmarked wrong though right: {false_wrong} of {right}; right though wrong: {false_right} of {wrong}"
    )
    assert (false_wrong, false_right) == (0, 0)
