"""Profiles on boards that can't play them: moved to the board's own levels where the class allows it."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest
from nightdraw import data
from nightdraw.board import load_board
from nightdraw.errors import InputError
from nightdraw.lesson.fitting import fitted, is_moved
from nightdraw.lesson.model import Fault
from nightdraw.places import Node
from nightdraw.profile import Profile
from nightdraw.profile.model import Replay, Steady
from nightdraw.profile.read import load_as_written

STARTER = load_board("starter-12v")
SHARE = Fraction(1, 4)


def fault(path: Path) -> Fault:
    """A shipped profile as a class has it."""
    written = load_as_written(path)
    return Fault(written.name, path, written, Node(1, 1))


def levels(profile: Profile) -> list[tuple[int, int]]:
    """(level with the base, level alone) of each draw, microamperes; the base first."""
    base = profile.base_ua()
    found = [(base, base)]
    for draw in profile.draws:
        if isinstance(draw, Replay):
            found += [(base + level, level) for level, _ in draw.levels]
        elif not isinstance(draw, Steady):
            found.append((base + draw.draw_ua, draw.draw_ua))
    return found


@pytest.mark.parametrize("path", data.profile_paths(), ids=lambda path: path.stem)
def test_moved_levels_are_the_boards_own_and_near_enough(path: Path) -> None:
    one = fault(path)
    try:
        made = fitted(one, STARTER, SHARE)
    except InputError:
        return  # refused: what it can't do is said
    bank, supply_mv = STARTER.bank(), STARTER.supply_nominal_mv
    if not is_moved(one, made):
        return
    for (now, alone), (_, before) in zip(levels(made), levels(one.written), strict=True):
        pattern = bank.pattern(max(0, now - STARTER.own_ua), supply_mv)
        assert abs(STARTER.own_ua + bank.current_ua(pattern, supply_mv) - now) <= 1
        assert abs(alone - before) <= max(2000, SHARE * before) * 2  # the base moves by its own share, too


def test_some_are_moved_and_some_are_not_played() -> None:
    moved, refused = [], []
    for path in data.profile_paths():
        one = fault(path)
        try:
            if is_moved(one, fitted(one, STARTER, SHARE)):
                moved.append(one.name)
        except InputError:
            refused.append(one.name)
    assert "chattering-relay" in moved
    assert "glovebox-lamp" in refused, "410 mA are beyond three channels"


def test_without_the_classes_word_nothing_is_moved() -> None:
    with pytest.raises(InputError, match="bank makes"):
        fitted(fault(data.profile_path("chattering-relay")), STARTER, Fraction(0))
