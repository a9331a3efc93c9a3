"""What a box's board makes of a profile: as written, or with levels moved where the class allows it."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from nightdraw import profile as profiles
from nightdraw.board import BoardModel
from nightdraw.lesson.model import Assignment, Fault, Plan
from nightdraw.profile import Profile


def played(plan: Plan, one: Assignment) -> Profile:
    """The profile as that group's box plays it: fitted to its board where the class allows, with the plan's
    seed in place of its own. Raises InputError where the board can't."""
    made = fitted(plan.of.fault(one.profile), plan.of.box(one.box).board, plan.of.fit)
    return replace(made, seed=one.seed)


def fitted(fault: Fault, board: BoardModel, share: Fraction) -> Profile:
    """The fault's profile for a board; `share` (0..1) is how far a level may be moved. Raises InputError."""
    return profiles.load(fault.file, board)
