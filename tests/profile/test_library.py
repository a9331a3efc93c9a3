"""The faults that ship: enough of them, each says what a student sees, all kinds used, all can be made."""

from __future__ import annotations

from itertools import islice
from pathlib import Path

import pytest
from nightdraw import data
from nightdraw.profile import Profile, load, table
from nightdraw.profile.fit import off_ua
from nightdraw.profile.model import LAWS, RESUMES, STARTS, Random
from nightdraw.profile.timeline import edges

PROFILES = [load(path) for path in data.profile_paths()]
BY_NAME = pytest.mark.parametrize("profile", PROFILES, ids=lambda profile: profile.name)
LESSON_TICKS = 2 * 3600 * 10_000  # a class has an hour or two


def test_there_are_enough_and_they_use_everything() -> None:
    assert len(PROFILES) >= 8
    draws = [draw for profile in PROFILES for draw in profile.draws]
    assert {draw.kind for draw in draws} == {kind.key for kind in table.KINDS}
    assert {draw.law for draw in draws if isinstance(draw, Random)} == set(LAWS)
    assert {profile.start.when for profile in PROFILES} == set(STARTS)
    assert {profile.resume for profile in PROFILES} == set(RESUMES)
    assert len({profile.complaint for profile in PROFILES}) == len(PROFILES)


@BY_NAME
def test_the_file_has_the_profiles_name_and_its_words(profile: Profile) -> None:
    assert Path(profile.file).stem == profile.name
    about = profile.about.lower()
    assert [word for word in ("meter", "clamp", "fuse", "ma", "mv") if word not in about] == []
    assert profile.notes == ()


@BY_NAME
def test_the_bank_makes_every_level_from_the_lowest_to_the_highest_supply(profile: Profile) -> None:
    bank = profile.bank()
    levels = {level for _, level in islice(edges(profile, LESSON_TICKS), 3000)}
    for supply_mv in range(profile.limits.supply_min_mv, profile.limits.supply_max_mv + 1, 100):
        for level in levels:
            assert off_ua(bank, level - profile.board.own_ua, supply_mv) <= max(2000, level // 50)


@BY_NAME
def test_a_class_can_find_it_within_its_limits(profile: Profile) -> None:
    start = profile.start.steady_ticks + profile.start.after_ticks
    assert start <= 15 * 60 * 10_000, "nobody waits longer for a fault to begin"
    charge_mas = at = 0
    level = profile.base_ua()
    found = list(edges(profile, LESSON_TICKS))
    for tick, now in found:
        charge_mas += level * (tick - at) // 10_000_000
        at, level = tick, now
    charge_mas += level * (LESSON_TICKS - at) // 10_000_000
    assert charge_mas < profile.limits.charge_mas, "the budget outlasts a lesson"
    assert profile.limits.run_ticks >= LESSON_TICKS
    changes = len(found) - 1
    assert changes == 0 or changes >= 4, "a fault that moves does so several times in a lesson"


@BY_NAME
def test_numbers_in_its_words_are_the_profiles_own(profile: Profile) -> None:
    """The lowest or the highest level stands in the paragraph that says what a student sees."""
    levels = [level for _, level in islice(edges(profile, LESSON_TICKS), 3000)]
    assert any(f"{level / 1000:g} mA" in profile.about for level in (min(levels), max(levels)))
