"""A fault from outside: its steady part, and its pulses as the firmware's schedule makes them.

Pulses of one run, from the run's zero on, in ticks. No instrument and no search lives here.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import islice
from typing import TYPE_CHECKING, Any

from boxcore import program as pg
from boxcore import schedule
from boxcore.program import TICKS_PER_S

from nightdraw import programs
from nightdraw.errors import InputError
from nightdraw.profile import Profile
from nightdraw.profile.model import Draw, Pulse, Random, Replay, Steady

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    Ticks = npt.NDArray[np.int64]

LOOK_S = 5.0  # where no assumptions say it: to read what stands still; so much of a longer pulse is enough
EDGES = 100_000  # of a schedule that are read: 50 000 pulses, a mean gap known to 0.5 % were it exponential
KEPT = 16  # schedules whose edges are kept, 1.6 MB each
LONGEST_TICKS = 100 * 365 * 86_400 * TICKS_PER_S  # of a schedule: rare pulses, too, must be many
WEAK = 0.5  # likewise, of the strongest draw's peak: weaker pulses hide behind it, nobody waits for them
SCARCE = 0.05  # the share of pulses that may be smaller or shorter than what the settings are made for
DENSE_S = 0.025  # pulses that come as often, four in a meter's usual 0.1 s, are read as their mean
KINDS = (Steady, Pulse, Random, Replay)  # what is known here; others are refused, never weighed as nothing


class Train:
    """Pulses by start and end, ticks from the run's zero. Where it lasts the last start is the first one of
    the next round; else nothing comes after the last.

    cycle_most_s: the longest time from start to start; dense: they come so often that any instrument shows
    their mean; amps (above the level between pulses) and narrow_s are what 95 % of the pulses have at least.
    period_ticks: of pulses that are all alike and equally far apart, else None. look_s: so much of a longer
    pulse is enough.
    """

    def __init__(
        self,
        starts: npt.NDArray[np.float64],
        ends: npt.NDArray[np.float64],
        amps: npt.NDArray[np.float64],
        lasting: bool = True,
        look_s: float = LOOK_S,
    ) -> None:
        import numpy as np

        self.lasting = lasting
        self._look = look_s * TICKS_PER_S
        self.first = float(starts[0])
        self.length = float(starts[-1] - starts[0]) if lasting else float(ends[-1])
        kept = len(starts) - lasting
        self._starts = starts[:kept]
        self._ends = ends[:kept]
        self._seen = np.minimum(self._ends, self._starts + self._look)
        self.amps = float(np.quantile(amps[:kept], SCARCE, method="lower"))
        widths = self._ends - self._starts
        self.narrow_s = float(np.quantile(widths, SCARCE, method="lower")) / TICKS_PER_S
        cycles = np.diff(np.append(self._starts, starts[-1]))
        self.cycle_most_s = float(cycles.max()) / TICKS_PER_S if lasting else math.inf
        self.dense = self.cycle_most_s <= DENSE_S
        self.widest_s = float(widths.max()) / TICKS_PER_S
        alike = lasting and np.ptp(widths) == 0 and np.ptp(cycles) == 0
        self.period_ticks = round(float(cycles[0])) if alike else None
        self.on_share = float(widths.sum()) / self.length

    def __len__(self) -> int:
        return len(self._starts)

    @property
    def cycle_s(self) -> float:
        """From start to start, on average."""
        return self.length / len(self) / TICKS_PER_S

    def seen(self, at: npt.NDArray[np.float64], number: int = 1) -> npt.NDArray[np.float64]:
        """When `number` pulses were seen by who looks from `at` (ticks) on; inf: never.

        A pulse counts when it was seen whole, or for look_s of it; one that is under way counts while so much
        of it is left.
        """
        import numpy as np

        turn = np.zeros(len(at))
        if self.lasting:
            turn = np.maximum(0.0, np.floor((at - self.first) / self.length))
        inside = at - turn * self.length
        known = np.isfinite(inside)
        place = np.searchsorted(self._starts, np.where(known, inside, 0.0))
        before = np.maximum(place - 1, 0)
        under_way = (place > 0) & (self._ends[before] - inside >= self._look)
        found = self._done(turn, place - under_way + number - 1)
        if number == 1:
            found = np.where(under_way, at + self._look, found)
        return np.where(known, found, np.inf)

    def _done(self, turn: npt.NDArray[np.float64], place: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
        import numpy as np

        count = len(self._starts)
        if self.lasting:
            done: npt.NDArray[np.float64] = (turn + place // count) * self.length + self._seen[place % count]
            return done
        return np.where(place < count, self._seen[np.minimum(place, count - 1)], np.inf)


@dataclass(frozen=True, eq=False)
class Signature:
    """One way in which the fault shows: amperes that come and go by `train`, or stay (None).

    narrow_s: how long they last at least (inf); draw: the only draw that makes the train, where it is one.
    """

    amps: float
    narrow_s: float
    train: Train | None
    draw: Draw | None = None

    @property
    def cycle_most_s(self) -> float:
        """The longest time from one pulse's start to the next one's; 0 where it stays."""
        return 0.0 if self.train is None else self.train.cycle_most_s

    @property
    def pulsed(self) -> bool:
        """Whether one waits for it."""
        return self.train is not None

    @property
    def lasting(self) -> bool:
        """Whether it goes on for ever."""
        return self.train is None or self.train.lasting


def base_a(profile: Profile) -> float:
    """The level between pulses: steady draws, the box's own consumption, the lowest level of replays."""
    lowest = sum(_lowest_ua(d) for d in profile.draws)
    return (profile.base_ua() + lowest) / 1e6


def check(profile: Profile) -> None:
    """Raise InputError for a draw of a kind that isn't known here."""
    for draw in profile.draws:
        if not isinstance(draw, KINDS):
            kind = getattr(draw, "kind", type(draw).__name__)
            raise InputError(f"a draw of kind {kind} can't be weighed: findable doesn't know how it shows")


def pulses(profile: Profile, seed: int, look_s: float = LOOK_S, weak: float = WEAK) -> list[Signature]:
    """The fault's strong pulses, none or one signature; limits and the start rule left out.

    Replays that end count only where nothing else moves: then each pulse comes once.
    """
    check(profile)
    moving = [d for d in profile.draws if not isinstance(d, Steady)]
    endless = [d for d in moving if not isinstance(d, Replay) or not d.repeat]
    used = endless or moving
    swings = {id(d): swing_ua(d) for d in used}
    least_ua = weak * max(swings.values(), default=0)
    if least_ua <= 0:
        return []
    strong = [d for d in used if swings[id(d)] >= least_ua]
    weak_ua = sum(swings[id(d)] for d in used if d not in strong)
    alone = weak_ua < least_ua  # then weak pulses neither make nor lengthen a strong one
    made = _train(profile, seed, strong if alone else used, least_ua, bool(endless), look_s)
    if made is None:
        return []
    only = strong[0] if alone and len(strong) == 1 and endless else None
    return [Signature(made.amps, made.narrow_s, made, only)]


def alone(
    profile: Profile, seed: int, draw: Draw, look_s: float = LOOK_S, weak: float = WEAK
) -> Signature | None:
    """One draw's pulses without the others'; of a replay what rises over `weak` of its own swing."""
    lasting = not isinstance(draw, Replay) or not draw.repeat
    least_ua = weak * swing_ua(draw)
    made = _train(profile, seed, [draw], least_ua, lasting, look_s) if least_ua > 0 else None
    return None if made is None else Signature(made.amps, made.narrow_s, made, draw if lasting else None)


def _lowest_ua(draw: Draw) -> int:
    """What a draw never falls below: only a replay without end has such a level."""
    if isinstance(draw, Replay) and not draw.repeat:
        return min(level for level, _ in draw.levels)
    return 0


def swing_ua(draw: Draw) -> int:
    """From its lowest level to its highest."""
    return draw.peak_ua() - _lowest_ua(draw)


def _train(
    profile: Profile, seed: int, used: Sequence[Draw], least_ua: float, lasting: bool, look_s: float
) -> Train | None:
    import numpy as np

    # a draw's place among the others seeds its random numbers: what isn't wanted is silenced, not left out
    heard = [d.core() if d in used else (pg.STEADY, 0) for d in profile.draws]
    silent_ua = sum(_lowest_ua(d) for d in used)
    table = _edges(seed, (*heard, (pg.STEADY, 0)))  # a steady draw stands for the box's own consumption
    ticks, above = table[:, 0], table[:, 1] - silent_ua
    strong = above >= least_ua
    rises = np.flatnonzero(strong & ~np.r_[False, strong[:-1]])
    falls = np.flatnonzero(~strong & np.r_[False, strong[:-1]])
    rises = rises[: len(falls)]  # one that doesn't end is left out
    if len(rises) < 1 + lasting:
        return None
    return Train(ticks[rises], ticks[falls], above[rises] / 1e6, lasting, look_s)


@functools.lru_cache(KEPT)
def _edges(seed: int, draws: tuple[tuple[Any, ...], ...]) -> npt.NDArray[np.float64]:
    """The first EDGES of a run of these draws: ticks, microamperes. Seconds of work where several draws have
    exponential gaps, and the same at every splice, in every vehicle, with every kit."""
    import numpy as np

    moving = [draw for draw in draws if draw[0] != pg.STEADY]
    base_ua = sum(draw[1] for draw in draws if draw[0] == pg.STEADY)
    if len(moving) == 1 and moving[0][0] in (pg.PULSE, pg.RANDOM):
        kind, draw_ua, *times = moving[0]
        if (base_ua, draw_ua) != (0, 1):  # the instants of one draw are the same at every level
            unit = tuple((kind, 1, *times) if draw is moving[0] else (pg.STEADY, 0) for draw in draws)
            ticks, level = _edges(seed, unit).T
            return np.column_stack((ticks, base_ua + draw_ua * level))
        first = (
            _even_pulses(*times) if kind == pg.PULSE else _random_pulses(seed, draws.index(moving[0]), *times)
        )
        return _edges_of(*first)
    run = schedule.Schedule(pg.Program("", draws, seed=seed), 1, 0)
    edges = islice(programs.edges(run, LONGEST_TICKS), EDGES)
    return np.array(list(edges), float).reshape(-1, 2)


def _edges_of(starts: Ticks, ends: Ticks) -> npt.NDArray[np.float64]:
    """The first EDGES of pulses of 1 uA; one that begins as another ends is the same pulse."""
    import numpy as np

    ticks = np.append(0, np.column_stack((starts, ends)).ravel())
    level = np.arange(len(ticks)) % 2
    last = np.diff(ticks, append=LONGEST_TICKS) > 0  # of several at one instant
    table = np.column_stack((ticks, level)).astype(float)[last & (ticks < LONGEST_TICKS)]
    changes: npt.NDArray[np.float64] = table[np.diff(table[:, 1], prepend=-1) != 0]
    return changes[:EDGES]


def _even_pulses(on_ticks: int, every_ticks: int, first_ticks: int) -> tuple[Ticks, Ticks]:
    """An even draw's pulses, by arithmetic: the schedule takes 0.25 s for them."""
    import numpy as np

    starts = first_ticks + every_ticks * np.arange(EDGES)
    return starts, starts + on_ticks


def _random_pulses(
    seed: int, place: int, on_lo: int, on_hi: int, law: int, gap_lo: int, gap_hi: int
) -> tuple[Ticks, Ticks]:
    """A random draw's pulses, all at once by the law that boxcore.schedule states: one by one exponential
    gaps take the schedule 3 s."""
    import numpy as np

    numbers = schedule.Xorshift32(schedule.first_state(seed, 1, place))
    states = np.empty(2 * EDGES, np.uint64)
    for k in range(len(states)):
        numbers.step()
        states[k] = numbers.high << 16 | numbers.low
    gaps = _shares(states[::2], gap_lo, gap_hi) if law == pg.UNIFORM else _exponential(states[::2], gap_lo)
    widths = _shares(states[1::2], on_lo, on_hi)
    ends = np.cumsum(gaps + widths)
    return ends - widths, ends


def _shares(states: npt.NDArray[np.uint64], low: int, high: int) -> Ticks:
    """Durations of low .. high ticks, each equally likely."""
    import numpy as np

    return low + (states * np.uint64(high - low + 1) >> np.uint64(32)).astype(np.int64)


def _exponential(states: npt.NDArray[np.uint64], mean: int) -> Ticks:
    """Durations with a mean. The box's 40 bits of a logarithm are right to 1e-12 means, its products to 1e-5
    ticks, and doubles to less: where the rounding hangs on ten times that, the box's arithmetic decides."""
    import numpy as np

    exact = np.minimum(-np.log((states + 0.5) / 2**32), pg.EXP_CUT) * mean
    found: Ticks = np.rint(exact).astype(np.int64)
    box = schedule.Exponential(mean)
    for k in np.flatnonzero(np.abs(np.abs(exact - found) - 0.5) < 1e-4 + 1e-11 * mean):
        state = int(states[k])
        found[k] = box.ticks(state >> 16, state & schedule.MASK16)
    return found
