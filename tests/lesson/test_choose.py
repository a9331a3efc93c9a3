"""The most even choice against every choice there is, on small made-up classes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from itertools import combinations, pairwise, permutations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from nightdraw.lesson.candidates import Candidate
from nightdraw.lesson.choose import AGAIN, GAP, SAME_ANSWER, SHARED, SLACK, Choice
from nightdraw.lesson.rows import Row

TIMES = st.sampled_from([60.0, 80.0, 95.5, 110.0, 180.0, 240.0, 300.25])


@st.composite
def classes(draw: st.DrawFn) -> tuple[list[Candidate], list[Row], int]:
    """Up to 14 candidates on 3 cars, rows of every kind, 2 or 3 groups."""
    count = draw(st.integers(2, 14))
    found = [
        Candidate(
            draw(st.integers(0, 2)), draw(st.sampled_from("abc")), "F1", draw(st.sampled_from("pqrs")), 0,
            draw(st.integers(0, 1)), draw(TIMES), 500.0, draw(st.sampled_from([1.0, 2.5, 4.0])), 600.0, 0.1,
        )
        for _ in range(count)
    ]  # fmt: skip
    rows = [
        Row("splices", {k: 1.0 for k, one in enumerate(found) if one.place == place}, 1)
        for place in {one.place for one in found}
    ]
    rows += [
        Row("neighbours", {k: 1.0 for k, one in enumerate(found) if (one.car, one.profile) == key}, 1)
        for key in {(one.car, one.profile) for one in found}
    ]
    kits = {k: 1.0 for k, one in enumerate(found) if one.kit == 0}
    rows.append(Row("kits", kits, draw(st.integers(0, 2))))
    weights = {k: draw(st.sampled_from([0.1, 0.5])) for k in range(count)}
    rows.append(Row("battery", weights, draw(st.sampled_from([0.3, 0.7, 2.0]))))
    return found, [row for row in rows if row.weights], draw(st.integers(2, 3))


def allowed(chosen: tuple[int, ...], rows: list[Row]) -> bool:
    """Whether a choice keeps every row."""
    return all(sum(row.weights.get(k, 0.0) for k in chosen) <= row.most + 1e-9 for row in rows)


def best_of_all(found: list[Candidate], rows: list[Row], groups: int) -> float | None:
    """The least ratio of times over every choice; None where there is none."""
    ratios = [
        max(found[k].expected_s for k in chosen) / min(found[k].expected_s for k in chosen)
        for chosen in combinations(range(len(found)), groups)
        if allowed(chosen, rows)
    ]
    return min(ratios, default=None)


@settings(max_examples=40, deadline=None)
@given(classes(), st.integers(0, 99))
def test_no_choice_is_more_even(drawn: tuple[list[Candidate], list[Row], int], seed: int) -> None:
    found, rows, groups = drawn
    choice = Choice(found, rows, groups)
    best, wanted = choice.most_even(), best_of_all(found, rows, groups)
    if best is None:
        assert wanted is None
        return
    assert wanted is not None
    assert best.evenness == pytest.approx(wanted, rel=1e-9)
    assert best.bound == pytest.approx(wanted, rel=1e-9)
    fine = choice.finest(best, seed)
    places = tuple(k for k, one in enumerate(found) if any(one is other for other in fine.found))
    assert len(fine.found) == groups
    assert fine.evenness <= wanted * SLACK * (1 + 1e-9)
    assert fine.found == choice.finest(best, seed).found
    assert allowed(places, rows)


@settings(max_examples=20, deadline=None)
@given(classes())
def test_as_many_groups_are_served_as_can_be(drawn: tuple[list[Candidate], list[Row], int]) -> None:
    found, rows, groups = drawn
    most = max(
        (n for n in range(groups + 1) if any(allowed(c, rows) for c in combinations(range(len(found)), n))),
    )
    assert round(Choice(found, rows, groups).most(any_number=True)[0]) == most


def pairs(given: Iterable[object]) -> int:
    """How many pairs of equal things there are, counted one by one."""
    return sum(one == other for one, other in combinations(list(given), 2))


def cost(found: list[Candidate], chosen: tuple[int, ...]) -> float:
    """The range of difficulties, and what each pair with one fault, one answer or one car costs."""
    mine = [found[k] for k in chosen]
    hard = [one.difficulty for one in mine]
    again = AGAIN * pairs(one.profile for one in mine) + SHARED * pairs(one.car for one in mine)
    return max(hard) - min(hard) + again + SAME_ANSWER * pairs((one.profile, one.fuse) for one in mine)


@settings(max_examples=40, deadline=None)
@given(classes(), st.integers(0, 99))
def test_repeats_are_spread_as_evenly_as_in_any_choice_about_as_even(
    drawn: tuple[list[Candidate], list[Row], int], seed: int
) -> None:
    """Against every choice within the slack; the solver's gap is a hundredth of the cost."""
    found, rows, _ = drawn
    groups = 4
    choice = Choice(found, rows, groups)
    best = choice.most_even()
    if best is None:
        return
    fine = choice.finest(best, seed)
    most = best.evenness * SLACK * (1 + 1e-9)
    within = [
        cost(found, chosen)
        for chosen in combinations(range(len(found)), groups)
        if allowed(chosen, rows)
        and max(found[k].expected_s for k in chosen) <= most * min(found[k].expected_s for k in chosen)
    ]
    places = tuple(k for k, one in enumerate(found) if any(one is other for other in fine.found))
    assert cost(found, places) <= min(within) * (1 + GAP) + GAP


def test_six_groups_on_three_cars_are_two_a_car_with_each_fault_twice() -> None:
    """By hand: three faults that all take as long, three cars with a splice for each of six boxes."""
    found = [
        Candidate(car, f"s{splice}", f"F{splice}", fault, 0, 0, 100.0, 200.0, 2.0, 300.0, 0.1)
        for car in range(3)
        for splice in range(6)
        for fault in "pqr"
    ]
    rows = [
        Row("splices", {k: 1.0 for k, one in enumerate(found) if one.place == place}, 1)
        for place in {one.place for one in found}
    ]
    choice = Choice(found, rows, 6)
    best = choice.most_even()
    assert best is not None
    fine = choice.finest(best, 1).found
    assert sorted(Counter(one.car for one in fine).values()) == [2, 2, 2]
    assert sorted(Counter(one.profile for one in fine).values()) == [2, 2, 2]
    assert len({(one.profile, one.fuse) for one in fine}) == 6


@settings(max_examples=40, deadline=None)
@given(classes(), st.data())
def test_as_much_is_kept_as_in_any_order_of_any_choice(
    drawn: tuple[list[Candidate], list[Row], int], data: st.DataObject
) -> None:
    """Candidates at a group's old place are its own; no fault stands twice side by side in the row."""
    found, rows, groups = drawn
    rows = [*rows, *(Row("once", {k: 1.0}, 1) for k in range(len(found)))]
    places = sorted({one.place for one in found})
    had = data.draw(st.lists(st.sampled_from(places), min_size=1, max_size=groups, unique=True))
    own = {k: had.index(one.place) for k, one in enumerate(found) if one.place in had}
    worth = {k: float(data.draw(st.integers(1, 8))) for k in own}
    most = -1.0
    for order in permutations(range(len(found)), groups):
        if not allowed(order, rows) or any(own.get(k, at) != at for at, k in enumerate(order)):
            continue
        if all(found[one].profile != found[other].profile for one, other in pairwise(order)):
            most = max(most, sum(worth.get(k, 0.0) for k in order))
    told, chosen = Choice(found, rows, groups, own=own).most(worth)
    assert told == most
    assert (most < 0) is (chosen == [])
