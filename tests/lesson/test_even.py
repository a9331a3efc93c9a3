"""Plans of large classes against a long random search that knows nothing of integer programs."""

from __future__ import annotations

import random

import pytest
from nightdraw import data
from nightdraw.lesson.candidates import Candidate, Room
from nightdraw.lesson.choose import Choice
from nightdraw.lesson.classfile import load_class
from nightdraw.lesson.rows import Cuts, Row, rows

from tests.counts import tries
from tests.lesson.long_search import most_even

AS_EVEN = 1.1  # times the best that a long search finds: what an instructor is promised
CLASSES = tries(8, 4)
STARTS = 400
NEAR = 1.25  # a search that ends farther from the bound in most classes would prove nothing


def drawn_class(draw: random.Random) -> tuple[list[Candidate], list[Row], int]:
    """Up to 12 groups, 4 cars of 4 to 8 splices, 8 faults, two kinds of boards and of kits; times as random
    as can be: log-normal about a level for each fault."""
    groups = draw.randint(4, 12)
    levels = {f"fault-{k}": draw.uniform(60, 300) for k in range(draw.randint(max(3, groups // 2), 8))}
    found = []
    for car in range(draw.randint(max(2, groups // 4), 4)):
        for splice in range(draw.randint(4, 8)):
            for fault, level_s in levels.items():
                for board, kit in ((0, 0), (0, 1), (1, 0), (1, 1)):
                    if draw.random() < 0.4:
                        seconds = round(level_s * draw.lognormvariate(0, 0.3), 3)
                        hard = draw.uniform(1, 6)
                        found.append(
                            Candidate(
                                car, f"s{splice}", f"F{splice // 2}", fault, board, kit, seconds,
                                2 * seconds, hard, 3 * seconds, draw.uniform(0.02, 0.2),
                            )
                        )  # fmt: skip
    made: list[Row] = []

    def at_most(rule: str, most: float, keys: list[object]) -> None:
        for key in sorted(set(map(repr, keys))):
            members = {k: 1.0 for k, one in enumerate(keys) if repr(one) == key}
            made.append(Row(rule, members, most))

    at_most("splices", 1, [(one.car, one.fuse) for one in found])
    at_most("neighbours", 1, [(one.car, one.profile) for one in found])
    at_most("neighbours", -(-groups // 2), [one.profile for one in found])
    at_most("boxes", -(-2 * groups // 3), [one.board for one in found])
    at_most("kits", -(-2 * groups // 3), [one.kit for one in found])
    for car in range(4):
        drain = {k: one.day_a for k, one in enumerate(found) if one.car == car}
        made.append(Row("battery", drain, 0.5))
    return found, [row for row in made if row.weights], groups


@pytest.mark.campaign
def test_large_classes_are_as_even_as_a_long_search_finds(seed: int) -> None:
    draw = random.Random(seed)
    judged, ends, worst = 0, [], 0.0
    for _ in range(CLASSES):
        found, made, groups = drawn_class(draw)
        choice = Choice(found, made, groups)
        best = choice.most_even()
        searched = most_even(found, made, groups, draw, STARTS)
        if best is None:
            assert searched == float("inf"), "refused, though a choice exists"
            continue
        fine = choice.finest(best, seed)
        judged += 1
        assert searched >= best.bound * (1 - 1e-9), "the bound isn't one"
        assert fine.evenness <= searched * AS_EVEN
        ends.append(searched / best.bound)
        worst = max(worst, fine.evenness / min(searched, best.evenness))
    told = f"{judged} of {CLASSES} classes; plans at most {worst:.3f} times the best found"
    print(f"{told}; the search ended {sorted(ends)[len(ends) // 2]:.3f} times the bound (median)")
    assert judged >= 2
    assert sorted(ends)[len(ends) // 2] <= NEAR


@pytest.mark.campaign
def test_the_shipped_class_is_as_even_as_a_long_search_finds(seed: int) -> None:
    """With the vehicles, faults, boards and kits that ship, times by `bench findable`."""
    of = load_class(data.shipped("classes", "four-groups"))
    room = Room(of, seed % 1000)
    found = list(room.candidates())
    made = rows(room, found, Cuts())
    choice = Choice(found, made, len(of.groups))
    best = choice.most_even()
    assert best is not None
    searched = most_even(found, made, len(of.groups), random.Random(seed), STARTS)
    assert best.bound * (1 - 1e-9) <= searched <= best.bound * NEAR
    assert choice.finest(best, seed).evenness <= searched * AS_EVEN
