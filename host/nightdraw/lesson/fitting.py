"""What a box's board makes of a profile: as written, or with levels moved where the class allows it."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from nightdraw import profile as profiles
from nightdraw import units
from nightdraw.board import BoardModel
from nightdraw.errors import Finding, InputError
from nightdraw.lesson.model import Assignment, Fault, Plan
from nightdraw.profile import Profile, fit
from nightdraw.profile.model import Draw, Replay, Steady
from nightdraw.profile.quantities import show_ua
from nightdraw.profile.read import load_as_written

REST_MV = (12_000, 12_900)  # a resting battery's volts, half full to full: where a lesson's box works


def played(plan: Plan, one: Assignment) -> Profile:
    """The profile as that group's box plays it: fitted to its board where the class allows, with the plan's
    seed in place of its own. Raises InputError where the board can't."""
    made = fitted(plan.of.fault(one.profile), plan.of.box(one.box).board, plan.of.fit)
    return replace(made, seed=one.seed)


def beside(plan: Plan, one: Assignment) -> list[tuple[Assignment, Profile]]:
    """The other groups' boxes on the same vehicle, and what they play: a clamp at the battery sees them."""
    others = (other for other in plan.assignments if other.vehicle == one.vehicle and other != one)
    return [(other, played(plan, other)) for other in others]


def fitted(fault: Fault, board: BoardModel, share: Fraction) -> Profile:
    """The fault's profile for a board; `share` (0..1) is how far a level may be moved.

    Levels are moved only where the board can't play them as written, and then all to what it makes at its
    nominal supply. Raises InputError with what can't be played.
    """
    try:
        return profiles.load(fault.file, board)
    except InputError:
        if not share:
            raise
    return _Moved(load_as_written(fault.file, board), share).profile()


def is_moved(fault: Fault, made: Profile) -> bool:
    """Whether its levels aren't its author's."""
    return [draw.core() for draw in made.draws] != [draw.core() for draw in fault.written.draws]


class _Moved:
    """One profile's levels moved to a board's own."""

    def __init__(self, written: Profile, share: Fraction) -> None:
        self._written, self._share = written, share
        self._bank, self._own_ua = written.bank(), written.board.own_ua
        self._supply_mv = written.board.supply_nominal_mv
        self._base_ua = self._near(written.base_ua(), written.base_ua(), "the level between pulses")

    def profile(self) -> Profile:
        """The profile; raises InputError."""
        written = self._written
        more_ua = self._base_ua - written.base_ua()
        draws: list[Draw] = []
        for draw in written.draws:
            if isinstance(draw, Steady):
                # all steady draws together are the base: the first one takes what was moved
                draws.append(replace(draw, draw_ua=draw.draw_ua + more_ua))
                more_ua = 0
            elif isinstance(draw, Replay):
                levels = tuple((self._above(draw, level), ticks) for level, ticks in draw.levels)
                draws.append(replace(draw, levels=levels))
            else:
                draws.append(replace(draw, draw_ua=self._above(draw, draw.draw_ua)))
        peak_ua = self._base_ua + fit.peak(draws)[0]
        self._near(peak_ua, peak_ua, "the highest level")
        if any(draw.draw_ua < 0 for draw in draws if isinstance(draw, Steady)):
            raise self._no("its steady draws can't be moved together")
        return replace(written, draws=tuple(draws))

    def _above(self, draw: Draw, level_ua: int) -> int:
        """A draw's level above the base."""
        if not level_ua:
            return 0
        what = f"{fit.name(draw)} of {show_ua(level_ua)}"
        made_ua = self._near(self._base_ua + level_ua, level_ua, what) - self._base_ua
        if made_ua <= 0:
            raise self._no(f"{what} changes no switch")
        return made_ua

    def _near(self, level_ua: int, of_ua: int, what: str) -> int:
        """The nearest level that the board makes; at rest too it is off by the share of `of_ua` at most."""
        made_ua = self._makes(level_ua, self._supply_mv)
        low, high = (mv * self._supply_mv // 12_600 for mv in REST_MV)
        offs = [abs(made_ua - level_ua), *(abs(self._makes(made_ua, mv) - level_ua) for mv in (low, high))]
        if max(offs) > max(Fraction(fit.TOLERANCE_UA), self._share * of_ua):
            most = units.show(self._share * 100, "percent")
            raise self._no(f"{what} would be {show_ua(max(offs))} off, more than {most}")
        return made_ua

    def _makes(self, level_ua: int, supply_mv: int) -> int:
        pattern = self._bank.pattern(max(0, level_ua - self._own_ua), supply_mv)
        return self._own_ua + int(self._bank.current_ua(pattern, supply_mv))

    def _no(self, why: str) -> InputError:
        message = f"board {self._written.board.name} can't be fitted to it: {why}"
        return InputError(Finding(message, self._written.file))
