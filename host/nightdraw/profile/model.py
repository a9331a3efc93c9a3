"""The model of a checked profile, in whole ticks, microamperes and millivolts, and its program.

Built only by `read`, which has checked every range; nothing here reads files or reports errors.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from fractions import Fraction

from boxcore import program as pg
from boxcore.bank import Bank

from nightdraw import programs
from nightdraw.board import BoardModel
from nightdraw.errors import Finding
from nightdraw.places import Node

STARTS = {"power": pg.START_POWER, "panel": pg.START_PANEL, "supply-rest": pg.START_REST}
RESUMES = {
    "restart": pg.RESUME_RESTART,
    "continue": pg.RESUME_CONTINUE,
    "stay-off": pg.RESUME_STAY_OFF,
}
LAWS = {"uniform": pg.UNIFORM, "exponential": pg.EXPONENTIAL}
# A gap that is cut at 8 means is a little shorter on average: E[min(x, 8m)] = m (1 - e^-8).
EXPONENTIAL_MEAN = Fraction(1 - math.exp(-pg.EXP_CUT))


@dataclass(frozen=True)
class Start:
    """When a run begins: a key of STARTS, the rest rule's threshold and time, the delay after it holds."""

    when: str = "power"
    below_mv: int = 0
    steady_ticks: int = 0
    after_ticks: int = 0


@dataclass(frozen=True)
class Steady:
    """One level for ever; all steady draws together are what the circuit sees, own consumption included."""

    draw_ua: int
    place: Node
    number: int

    kind = "steady"

    def core(self) -> tuple[object, ...]:
        """The draw as the program holds it."""
        return (pg.STEADY, self.draw_ua)

    def peak_ua(self) -> int:
        """The most it adds."""
        return self.draw_ua

    def mean_ua(self) -> Fraction:
        """What it adds in the long run."""
        return Fraction(self.draw_ua)

    def pulses_per_tick(self) -> Fraction:
        """How often it pulses in the long run."""
        return Fraction(0)


@dataclass(frozen=True)
class Pulse:
    """`draw_ua` for `on`, every `every` from start to start, the first `first` after the run's start."""

    draw_ua: int
    on_ticks: int
    every_ticks: int
    first_ticks: int
    place: Node
    number: int

    kind = "pulse"

    def core(self) -> tuple[object, ...]:
        """The draw as the program holds it."""
        return (pg.PULSE, self.draw_ua, self.on_ticks, self.every_ticks, self.first_ticks)

    def peak_ua(self) -> int:
        """The most it adds."""
        return self.draw_ua

    def mean_ua(self) -> Fraction:
        """What it adds in the long run: the pulse train's duty times its level."""
        return Fraction(self.draw_ua * self.on_ticks, self.every_ticks)

    def pulses_per_tick(self) -> Fraction:
        """How often it pulses in the long run."""
        return Fraction(1, self.every_ticks)


@dataclass(frozen=True)
class Random:
    """Gap, pulse, gap, pulse: widths uniform over `on`, gaps by `law`, an exponential mean in both ends."""

    draw_ua: int
    on_ticks: tuple[int, int]
    law: str
    gap_ticks: tuple[int, int]
    place: Node
    number: int

    kind = "random"

    def core(self) -> tuple[object, ...]:
        """The draw as the program holds it."""
        return (pg.RANDOM, self.draw_ua, *self.on_ticks, LAWS[self.law], *self.gap_ticks)

    def peak_ua(self) -> int:
        """The most it adds."""
        return self.draw_ua

    def mean_on_ticks(self) -> Fraction:
        """The mean width."""
        return Fraction(sum(self.on_ticks), 2)

    def mean_gap_ticks(self) -> Fraction:
        """The mean gap, the cut of an exponential one counted."""
        if self.law == "exponential":
            return self.gap_ticks[0] * EXPONENTIAL_MEAN
        return Fraction(sum(self.gap_ticks), 2)

    def mean_ua(self) -> Fraction:
        """What it adds in the long run, by the renewal-reward theorem: E[on] / E[on + gap] of its level."""
        return self.draw_ua * self.mean_on_ticks() * self.pulses_per_tick()

    def pulses_per_tick(self) -> Fraction:
        """How often it pulses in the long run."""
        return 1 / (self.mean_on_ticks() + self.mean_gap_ticks())


@dataclass(frozen=True)
class Replay:
    """(microamperes, ticks) pairs played `repeat` times over, 0 for ever; then it adds nothing."""

    levels: tuple[tuple[int, int], ...]
    repeat: int
    place: Node
    number: int

    kind = "replay"

    def core(self) -> tuple[object, ...]:
        """The draw as the program holds it."""
        return (pg.REPLAY, self.repeat, programs.pack_levels(self.levels))

    def round_ticks(self) -> int:
        """The length of one round."""
        return sum(ticks for _, ticks in self.levels)

    def peak_ua(self) -> int:
        """The most it adds."""
        return max(level for level, _ in self.levels)

    def mean_ua(self) -> Fraction:
        """What it adds in the long run: its weighted mean, or nothing when it ends."""
        if self.repeat:
            return Fraction(0)
        return Fraction(sum(level * ticks for level, ticks in self.levels), self.round_ticks())

    def pulses_per_tick(self) -> Fraction:
        """How often it rises from its lowest level in the long run, rounds following each other."""
        return Fraction(0 if self.repeat else self.rises(), self.round_ticks())

    def rises(self) -> int:
        """How many times a round, followed by itself, leaves its lowest level."""
        low = min(level for level, _ in self.levels)
        before = self.levels[-1][0]
        count = 0
        for level, _ in self.levels:
            count += before == low < level
            before = level
        return count


# Every draw knows its place in the file and its number there, from 1, so that errors can name it.
Draw = Steady | Pulse | Random | Replay


@dataclass(frozen=True)
class Sketch:
    """What is known of a draw whose timing is wrong: enough to say that it is too large."""

    kind: str
    draw_ua: int | None
    place: Node
    number: int

    def peak_ua(self) -> int:
        """The most it adds, as far as is known."""
        return self.draw_ua or 0


@dataclass(frozen=True)
class Limits:
    """Where the box must stop, by boxcore's names and units; each is the profile's own or the default."""

    supply_min_mv: int
    supply_max_mv: int
    run_ticks: int
    charge_mas: int
    bank_temp_cdeg: int

    def within(self, caps: dict[str, int]) -> Limits:
        """The limits that hold on a board: the tighter of each and the board's own cap."""
        values = {
            name: (max if name == "supply_min_mv" else min)(value, caps[name])
            for name, value in vars(self).items()
        }
        return Limits(**values)


@dataclass(frozen=True)
class Case:
    """What a student calculates with: ampere-hours when new, age in years (0: not said), percent of
    the capacity left, percent charged when it was parked, the vehicle's own draw asleep in amperes."""

    battery_ah: Fraction
    age_years: int
    left_pct: Fraction
    charge_pct: Fraction
    own_a: Fraction


@dataclass(frozen=True)
class Profile:
    """A profile that has passed every check for its board; `notes` are findings that are no errors.

    draws are in the order of the file. limits are as written; `limits.within(board.caps)` is what holds.
    """

    name: str
    about: str
    complaint: str
    start: Start
    draws: tuple[Draw, ...]
    limits: Limits
    resume: str
    resume_after_ticks: int
    seed: int
    board: BoardModel
    file: str
    notes: tuple[Finding, ...] = field(default=())
    case: Case | None = None

    def has_steady(self) -> bool:
        """True where steady draws set the base; else the base is the box's own consumption."""
        return any(isinstance(draw, Steady) for draw in self.draws)

    def base_ua(self) -> int:
        """The level between pulses, what the box itself consumes included."""
        steady = sum(draw.draw_ua for draw in self.draws if isinstance(draw, Steady))
        return steady if self.has_steady() else self.board.own_ua

    def bank(self) -> Bank:
        """The board's bank with nominal values."""
        return self.board.bank()

    def program(self, seed: int | None = None) -> pg.Program:
        """The program, with the profile's seed or another one (0 .. 2^32 - 1)."""
        return pg.Program(
            self.name,
            [draw.core() for draw in self.draws],
            start=STARTS[self.start.when],
            resume=RESUMES[self.resume],
            seed=self.seed if seed is None else seed,
            start_below_mv=self.start.below_mv,
            start_steady_ticks=self.start.steady_ticks,
            start_after_ticks=self.start.after_ticks,
            resume_after_ticks=self.resume_after_ticks,
            **vars(self.limits),
        )
