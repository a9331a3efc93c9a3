"""Asked, did and seen as one thing: a list of edges with levels and standard uncertainties.

Asked and did are known exactly, as levels on the box's clock, zero at the run's start; seen comes from the
edges of a recording. Which edge of one is which of another is found in align; nothing is compared here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from boxcore import program as pg
from boxcore import schedule

from nightdraw import programs
from nightdraw.capture.seen import Bools, Columns, Floats, Ints, Seen, grouped

TICK_S = 1 / pg.TICKS_PER_S
SAME_MA = 2.0  # levels nearer than this, or than a fiftieth, are one state: the bank's steps lie between them
SAME_SHARE = 0.02
RETURNS = 2  # a base is a level that the current comes back to
SHARE_OF_VISITS = 8  # a base is visited at least an eighth as often as the busiest state: a lone dip is none
SHARE_OF_TIME = 0.2  # or it fills a fifth of the time
SEEN_SHARE = 0.05  # where nothing returns: the lowest level that fills a twentieth of the time
FADING = 0.6  # of the step before it: a part of a slow clamp's edge is smaller than what went before
TAIL_S = 0.06  # and follows it so closely
WIDTH_U = 0.25  # of its width an edge that takes long is known to
EDGE_U = (0.3, 2.0)  # samples: an edge's instant is uncertain by its sampling, and by noise over its height


@dataclass(frozen=True)
class Edges(Columns):
    """Changes of level of any account, in order of time. at_s: instants, at_u_s: their standard uncertainty;
    before_ma, after_ma: the levels beside each; u_ma: standard uncertainty of the height."""

    at_s: Floats
    at_u_s: Floats
    before_ma: Floats
    after_ma: Floats
    u_ma: Floats

    @property
    def height_ma(self) -> Floats:
        """By how much each rises."""
        return self.after_ma - self.before_ma


@dataclass(frozen=True)
class Train:
    """The pulses of an account: excursions above its base, arrays in order of time, seconds and mA.

    level_ma is the mean above the base; first, last: the account's levels that a pulse is made of. A pulse
    that the account's end cuts is left out.
    """

    start_s: Floats
    duration_s: Floats
    level_ma: Floats
    base_ma: float
    first: Ints
    last: Ints

    def __len__(self) -> int:
        return len(self.start_s)

    @property
    def end_s(self) -> Floats:
        """The end of each pulse."""
        return self.start_s + self.duration_s

    def of_level(self, level: Ints) -> Ints:
        """The pulse that each of some levels belongs to, -1 for those of none."""
        pulse = np.searchsorted(self.first, level, side="right") - 1
        inside = (pulse >= 0) & (level <= np.append(self.last, -1)[pulse])
        return np.where(inside, pulse, -1)


@dataclass(frozen=True)
class Account:
    """What was asked, or what the box says it did: level_ma[i] holds from t_s[i] to t_s[i + 1], the last to
    end_s; idle_ma before the first and after the end. Seconds from the run's start."""

    t_s: Floats
    level_ma: Floats
    end_s: float
    idle_ma: float

    @property
    def until_s(self) -> Floats:
        """The end of each level."""
        return np.append(self.t_s[1:], self.end_s)

    @property
    def lasting_s(self) -> Floats:
        """The duration of each level."""
        return self.until_s - self.t_s

    @property
    def before_ma(self) -> Floats:
        """The level before each level."""
        return np.append(self.idle_ma, self.level_ma[:-1])

    @property
    def step_ma(self) -> Floats:
        """The height of the edge that begins each level."""
        return self.level_ma - self.before_ma

    @property
    def mean_ma(self) -> float:
        """The mean from the first level to the end."""
        lasting = self.lasting_s
        return float(np.sum(self.level_ma * lasting) / max(lasting.sum(), 1e-12))

    def edges(self) -> Edges:
        """Its changes of level; they are exact."""
        exact = np.zeros(len(self.t_s))
        return Edges(self.t_s, exact, self.before_ma, self.level_ma, exact)

    def at(self, t_s: Floats) -> Floats:
        """The level at each instant."""
        place = np.searchsorted(self.t_s, t_s, side="right") - 1
        levels = np.where(place < 0, self.idle_ma, self.level_ma[np.maximum(place, 0)])
        return np.where(t_s < self.end_s, levels, self.idle_ma)

    def charge(self, t_s: Floats) -> Floats:
        """The integral of the current from the run's start to each instant, mA s; idle before and after."""
        corners = np.append(self.t_s, self.end_s)
        run = np.append(0.0, np.cumsum(self.level_ma * self.lasting_s))
        inside: Floats = np.interp(t_s, corners, run)
        outside = np.minimum(t_s - corners[0], 0.0) + np.maximum(t_s - self.end_s, 0.0)
        charge: Floats = inside + self.idle_ma * outside
        return charge

    def since(self, from_s: float) -> Account:
        """The same from an instant on."""
        place = max(int(np.searchsorted(self.t_s, from_s, side="right")) - 1, 0)
        t_s = np.maximum(self.t_s[place:], from_s)
        return replace(self, t_s=t_s, level_ma=self.level_ma[place:], end_s=max(self.end_s, from_s))

    def behind_lead(self, per_a: float, open_share: Floats | float = 1.0) -> Account:
        """The same from a box behind a series resistance of which it knows nothing.

        per_a: the resistance over the supply's voltage without load; open_share: that voltage over the one
        by which the box reckoned each level. Ohm's law for the bank, whose conductance is its level over the
        voltage that it was reckoned by.
        """
        bank_a = np.maximum(self.level_ma - self.idle_ma, 0.0) / 1000
        drawn_a = bank_a * open_share / (1 + per_a * bank_a * open_share)
        return replace(self, level_ma=self.level_ma + 1000 * (drawn_a - bank_a))

    def part(self, levels: slice) -> Account:
        """Some of its levels, idle at the level before them."""
        first, last = levels.start, min(levels.stop, len(self.t_s))
        until = self.until_s[last - 1] if last > first else self.end_s
        idle_ma = float(self.before_ma[first]) if first < len(self.t_s) else self.idle_ma
        return Account(self.t_s[levels], self.level_ma[levels], float(until), idle_ma)

    def states(self) -> Ints:
        """For each level the number of its state: levels a bank step apart are one."""
        return grouped(self.level_ma, lambda ma: np.maximum(SAME_MA, SAME_SHARE * ma))

    def is_base(self) -> Bools:
        """True for the levels that pulses rise from."""
        of_level = self.states()
        value = np.bincount(of_level, self.level_ma) / np.bincount(of_level)
        base: Bools = of_level == _base_state(of_level, value, self.lasting_s)
        return base

    def train(self) -> Train:
        """Its pulses."""
        base = self.is_base()
        lasting = self.lasting_s
        base_ma = float(np.sum(self.level_ma[base] * lasting[base]) / max(lasting[base].sum(), 1e-12))
        up = ~base & (self.level_ma > base_ma)
        change = np.diff(np.concatenate(([0], up.astype(np.int8), [0])))
        first, last = np.flatnonzero(change == 1), np.flatnonzero(change == -1) - 1
        whole = last < len(up) - 1
        first, last = first[whole], last[whole]
        charge = np.append(0.0, np.cumsum(self.level_ma * lasting))
        duration = self.until_s[last] - self.t_s[first]
        mean = (charge[last + 1] - charge[first]) / np.maximum(duration, 1e-12)
        return Train(self.t_s[first], duration, mean - base_ma, base_ma, first, last)


@dataclass(frozen=True)
class Asked:
    """What was asked: a program, the run's number (from 1) and the box's own consumption."""

    plan: pg.Program
    run: int
    own_ua: int

    @property
    def limit_s(self) -> float:
        """How long the program itself lets a run last."""
        return programs.numbers(self.plan)["run_ticks"] / pg.TICKS_PER_S

    def account(self, end_s: float, from_s: float = 0.0) -> Account:
        """Its levels to end_s or to the program's own limit, from from_s of the run on."""
        ticks = round(min(max(end_s, TICK_S), self.limit_s) * pg.TICKS_PER_S)
        edges = list(programs.edges(schedule.Schedule(self.plan, self.run, self.own_ua), max(ticks, 1)))
        table = np.array(edges, dtype=float).reshape(len(edges), 2)
        whole = Account(
            table[:, 0] / pg.TICKS_PER_S, table[:, 1] / 1000, ticks / pg.TICKS_PER_S, self.own_ua / 1000
        )
        return whole.since(from_s) if from_s else whole


def _base_state(of_level: Ints, value: Floats, lasting_s: Floats) -> int:
    """The state that pulses rise from: the lowest of those that the current keeps coming back to.

    of_level: each level's state, value: each state's level. The first and the last level are cut by the
    account's ends, and the box may have waited before its run: they count only where nothing between them
    returns to a base.
    """
    inside = slice(1, len(lasting_s) - 1)
    found = _lowest(of_level[inside], value, lasting_s[inside], above=True)
    if found is None:
        found = _lowest(of_level, value, lasting_s, above=False)
    if found is not None:
        return found
    share = np.bincount(of_level, lasting_s, len(value)) / max(float(lasting_s.sum()), 1e-12)
    often = np.flatnonzero(share >= min(SEEN_SHARE, float(share.max())))
    return int(often[np.argmin(value[often])])


def _lowest(of_level: Ints, value: Floats, lasting_s: Floats, above: bool) -> int | None:
    """The lowest state of some levels that is visited often; above: only where another one lies above it."""
    if not len(of_level):
        return None
    visits: Ints = np.bincount(of_level, minlength=len(value))
    times = np.bincount(of_level, lasting_s, len(value))
    often = (visits * SHARE_OF_VISITS >= visits.max()) | (times >= SHARE_OF_TIME * times.sum())
    often &= visits >= RETURNS
    if above:
        often &= value < value[visits > 0].max()
    found = np.flatnonzero(often)
    return int(found[np.argmin(value[found])]) if len(found) else None


def seen_edges(seen: Seen, slow: bool = True) -> Edges:
    """The edges of a recording, on its own clock. slow: steps of one direction close together, each smaller
    than the one before, are one edge as a slow clamp shows it, at the first of them."""
    e = seen.edges
    height = e.height
    more = np.zeros(len(height), dtype=bool)
    if slow and len(height) > 1:
        fading = (height[1:] * height[:-1] > 0) & (np.abs(height[1:]) < FADING * np.abs(height[:-1]))
        more[1:] = fading & (e.first_s[1:] - e.last_s[:-1] < TAIL_S)
    begin = np.flatnonzero(~more)
    end = np.append(begin[1:], len(height))[: len(begin)] - 1
    before, after = e.before[begin], e.after[end]
    size = np.maximum(np.abs(after - before), 1e-9)
    width_s = np.maximum(e.first_s[end] - e.last_s[begin] - 2 * seen.interval_s, 0.0)
    at_u_s = seen.interval_s * (EDGE_U[0] + EDGE_U[1] * seen.noise / size) + WIDTH_U * width_s
    return Edges(e.at_s[begin], at_u_s, before, after, np.hypot(e.before_u[begin], e.after_u[end]))
