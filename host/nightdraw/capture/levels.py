"""Which levels of a recording are the base, and which excursions rise from it, though the base itself
wanders.

Theory of operation. Between two transitions lies one level, known at both of its ends. An excursion is what
returns: a stretch of levels above (or below) the levels on both sides, which are alike. Alike means: within
what noise, the values' resolution and the wander in that time allow; the wander is measured in the recording,
as the rms difference of the settled record over 1, 2, 4 ... seconds (its structure function). So a base that
wanders by more than a pulse is high between two pulses is still the same base, which no comparison of
absolute levels could tell.

Excursions are taken off from the inside out: single levels that stand above two neighbours alike are removed,
the neighbours joined to one level, and so on until none is left; then stretches of several levels that come
back (staircases, pulses that overlap); then dips, which are shorter than what they interrupt. What is left in
the end are the levels of the base, and between them the steps that stay: loads switched on or off for good, a
car that falls asleep. Each round is a pass over the levels that are left; nested excursions take as many
rounds as they are deep.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from nightdraw.capture.noise import HALF_Z
from nightdraw.capture.seen import Bools, Floats, Ints
from nightdraw.capture.transitions import Scan, Trace

ALIKE_Z = 5.0  # deviations within which two levels are one
ALIKE_MA = 0.25  # and a fixed amount: the best clamps resolve 0.1 to 1 mA
STEPS_Z = 7.0  # deviations within which steps add up to nothing, of each step's two sides
SUPPLY_SHARE = 0.01  # of the height: a load's current moves by a percent as the supply does
WANDER_Z = 4.0  # wander isn't normal: a sine goes to 1.4 rms, a car that falls asleep beyond 3
LOOSE_SHARE = (
    0.25  # where nothing is alike: levels this much of the height apart, with a step that stays between
)
LOST_SHARE = 0.5  # a lost sample is as likely near an edge as elsewhere
LONE_Z = 4.0  # a step is found only where it stands out further
SLOPE_Z = 2.0  # of the rms of what wanders: a sine's steepest piece is 1.4 of it
SLOPE_LEAST = 0.1  # of the window that levels are means over, on either side of a piece of slope
# A line over n samples on either side of a step leaves slope^2 n^3 / 8 of squares about two levels. A test
# that asks for 16 variances (see settle) can miss up to 64 of them: noise takes off 3 times its deviation
# there, 2 sqrt(64). So high is then what is left for a step: sqrt(8 * 64 / 2) of its uncertainty.
UNBENT_Z = 16.0
FEW_SAMPLES = 3  # of a recording before its first transition
LOST_SAMPLES = 2  # a dip so short is no level that anything rises from
LOOKAHEAD = 64  # levels of one excursion at most
DIP_SHARE = 0.1  # a dip lasts less than this of what it interrupts; else it is the base between two pulses
UNKNOWN_MA2_PER_S = (
    0.3  # wander where none could be measured: 6 mA in two minutes (low-current clamps: 5 to 20 mA)
)
LEAST_PAIRS = 8  # differences that tell an rms
FADING_SHARE = 0.2  # of a step: cars that fall asleep move by a twentieth of it in a second
FADING_RMS = 10.0  # times what most of the record moves by


@dataclass(frozen=True)
class Level:
    """Rows of levels, one more than transitions: value, its standard uncertainty and the time that it is a
    mean over, at the start and the end; their mean, settled samples, and the instants they begin and end
    (inside a gap: its middle)."""

    start: Floats
    start_u: Floats
    start_over_s: Floats
    end: Floats
    end_u: Floats
    end_over_s: Floats
    mean: Floats
    n: Floats
    from_s: Floats
    until_s: Floats


@dataclass(frozen=True)
class Excursions:
    """Rows of transitions that an excursion begins and ends with, and whether it goes down; those inside
    another are among them. base: rows of levels that are the base's; root: of each of those, which run
    between steps it is in."""

    first: Ints
    last: Ints
    down: Bools
    shifted: Bools
    base: Ints
    root: Ints
    stay: Ints
    is_gap: Bools


def _fades(trace: Trace, height: Floats) -> Bools:
    """The cells of levels that within a second move by a good part of the step that they follow, as none of
    the others does: that is how a load fades, and no wander of what is beneath it."""
    level = trace.level.astype(np.int64)
    same = level[1:] == level[:-1]
    if not same.any():
        return np.zeros(len(level), dtype=bool)
    moved = np.where(same, np.abs(np.diff(trace.mean)), 0.0)
    typical = float(np.median(moved[same])) / HALF_Z
    most = np.zeros(len(height) + 1)
    np.maximum.at(most, level[1:], moved)
    step = np.abs(np.append(height[:1], height))  # before each level; of the first the one after it
    fades = (most > FADING_SHARE * step) & (most > FADING_RMS * typical) if len(height) else most < 0
    found: Bools = fades[level]
    return found


class Wander:
    """By how much (rms) the record moves within some seconds without any transition: its structure function.
    height: of each transition."""

    def __init__(self, trace: Trace, noise: float, height: Floats) -> None:
        trace = trace.take(~_fades(trace, height))
        lags, rms = [], []
        lag = 1
        while lag < len(trace):
            same = trace.level[lag:] == trace.level[:-lag]
            if np.count_nonzero(same) < LEAST_PAIRS:
                break
            moved = (trace.mean[lag:] - trace.mean[:-lag])[same]
            by_noise = noise**2 * (1 / trace.n[lag:] + 1 / trace.n[:-lag])[same].mean()
            lags.append(float(np.median((trace.t_s[lag:] - trace.t_s[:-lag])[same])))
            rms.append(float(np.sqrt(max(np.mean(moved**2) - by_noise, 0.0))))
            lag *= 2
        self._lags = np.array(lags)
        self._rms = np.maximum.accumulate(np.array(rms)) if rms else np.empty(0)

    def within(self, seconds: Floats) -> Floats:
        """The rms change in some time: in proportion below the shortest that was measured, by the root above
        the longest."""
        seconds = np.maximum(seconds, 0.0)
        if not len(self._lags):
            return np.sqrt(UNKNOWN_MA2_PER_S * seconds)
        inside = np.interp(seconds, self._lags, self._rms)
        below = self._rms[0] * seconds / self._lags[0]
        above = self._rms[-1] * np.sqrt(seconds / self._lags[-1])
        moved: Floats = np.where(
            seconds < self._lags[0], below, np.where(seconds > self._lags[-1], above, inside)
        )
        return moved


def levels_of(scan: Scan, at_s: Floats) -> Level:
    """The levels between a scan's transitions, which are at at_s (nan in gaps)."""
    t = scan.transitions
    at_s = np.where(np.isnan(at_s), (t.last_s + t.first_s) / 2, at_s)
    sums = np.append(t.sum_to, scan.total) - np.append(0.0, t.sum_from)
    n = np.append(t.n_to, scan.samples) - np.append(0.0, t.n_from)
    fitted = np.append(np.nan, t.level)  # what never settles is known by its edges alone
    mean = np.where(np.isfinite(fitted), fitted, sums / np.maximum(n, 1))
    u_before, u_after = (
        np.hypot(t.sigma / np.sqrt(np.maximum(k, 1)), t.bias) for k in (t.n_before, t.n_after)
    )
    return Level(
        start=np.append(mean[:1] if not len(t) else t.before[:1], t.after),
        start_u=np.append(scan.noise if not len(t) else u_before[:1], u_after),
        start_over_s=np.append(0.0, t.n_after) * scan.interval_s,
        end=np.append(t.before, t.after[-1:] if len(t) else mean[:1]),
        end_u=np.append(u_before, u_after[-1:] if len(t) else scan.noise),
        end_over_s=np.append(t.n_before, 0.0) * scan.interval_s,
        mean=mean,
        n=n,
        from_s=np.append(scan.start_s, at_s),
        until_s=np.append(at_s, scan.end_s + scan.interval_s),
    )


class _Chain:
    """The levels that are left, each perhaps joined of several: `lo`, `hi` are its first and last row."""

    def __init__(
        self, level: Level, is_gap: Bools, wander: Wander, window_s: float, interval_s: float
    ) -> None:
        self.level = level
        self.few_s = FEW_SAMPLES * interval_s
        self.wander = wander
        self.window_s = window_s
        self.lo = np.arange(len(level.n))
        self.hi = self.lo.copy()
        self.found: list[tuple[Ints, Ints, Bools, Bools]] = []
        step = np.where(is_gap, 0.0, level.start[1:] - level.end[:-1])  # across a gap none is known
        self._steps = np.append(0.0, np.cumsum(step))  # up to each row
        # where nothing changed across a gap nothing is said to have
        quiet = is_gap & self._alike(self.lo[:-1], self.lo[1:], np.zeros(len(is_gap)), 0.0)
        self.is_gap = is_gap & ~quiet
        # an edge whose fellow noise hid: further on the level is what it was before
        step = np.abs(level.start[1:] - level.end[:-1])
        step_u = np.hypot(level.end_u[:-1], level.start_u[1:])
        quiet |= ~is_gap & (step <= np.maximum(LONE_Z * step_u, self._slopes(step_u)))
        self._join(np.flatnonzero(quiet))

    def _slopes(self, step_u: Floats) -> Floats:
        """Up to which height a transition may be a steep piece of the wander: such a one never comes back,
        or only with the next swing, and all pulses until then would be levels of one excursion.

        Short levels are spared: nothing that is slow rises and falls within them.
        """
        seen_s = np.minimum(self.level.until_s - self.level.from_s, self.window_s)
        both = np.minimum(seen_s[:-1], seen_s[1:]) >= SLOPE_LEAST * self.window_s
        steepest = SLOPE_Z * self.wander.within((seen_s[:-1] + seen_s[1:]) / 2) + LONE_Z * step_u
        return np.where(both, np.minimum(steepest, UNBENT_Z * step_u), 0.0)

    def _samples(self) -> Floats:
        """Settled samples of each level, of a joined one those of its first."""
        return self.level.n[self.lo]

    def _residual(self, here: Ints, there: Ints) -> Floats:
        """The start of some levels less the end of others."""
        rest: Floats = self.level.start[self.lo[there]] - self.level.end[self.hi[here]]
        return rest

    def _alike(self, here: Ints, there: Ints, height: Floats, loose: float) -> Bools:
        """Whether pairs of levels are one, as far as noise and what wanders in the time between them allow;
        height: of what lies between; loose: a share of it by which they may differ besides.

        Where the wander may be more than that height, what returns by it may be anything: then the steps
        between, each known by what lies right beside it, must add up to nothing as well.
        """
        level, behind, ahead = self.level, self.hi[here], self.lo[there]
        noise = np.hypot(level.end_u[behind], level.start_u[ahead])
        # means over some time are levels as of half of that ago
        over_s = (level.end_over_s[behind] + level.start_over_s[ahead]) / 2
        wander = WANDER_Z * self.wander.within(level.from_s[ahead] - level.until_s[behind] + over_s)
        allowed = ALIKE_Z * noise + wander + SUPPLY_SHARE * height + ALIKE_MA
        by_level = np.abs(self._residual(here, there)) <= np.maximum(allowed, loose * height)
        net = np.abs(self._steps[ahead] - self._steps[behind])
        by_steps = net <= STEPS_Z * noise * np.sqrt(ahead - behind) + LOOSE_SHARE * height + ALIKE_MA
        alike: Bools = by_level & ((allowed < height) | by_steps)
        return alike

    def _join(self, before: Ints) -> None:
        """Join the levels `before` with the ones right behind them."""
        joined = np.zeros(len(self.lo) - 1, dtype=bool)
        joined[before] = True
        first = np.flatnonzero(np.append(True, ~joined))
        last = np.append(first[1:] - 1, len(self.lo) - 1)
        self.lo, self.hi = self.lo[first], self.hi[last]

    def _take_off(self, places: Ints, down: bool, loose: float = 0.0) -> None:
        """Remove single levels, and join the neighbours of each."""
        count = len(places)
        flags = np.full(count, down), np.full(count, loose > 0)
        self.found.append((self.lo[places] - 1, self.hi[places], *flags))
        rest = np.setdiff1d(np.arange(len(self.lo)), places)
        joined = np.searchsorted(rest, places) - 1
        self.lo, self.hi = self.lo[rest], self.hi[rest]
        self._join(joined)

    def peaks(self, loose: float) -> bool:
        """Take off single levels above two neighbours alike; True where there were any."""
        inner = np.arange(1, len(self.lo) - 1)
        rise = self.level.start[self.lo[inner]] - self.level.end[self.hi[inner - 1]]
        fall = self.level.end[self.hi[inner]] - self.level.start[self.lo[inner + 1]]
        height = np.minimum(rise, fall)
        up = height > 0
        alike = self._alike(inner[up] - 1, inner[up] + 1, height[up], loose)
        if loose:  # a sample or two before a recording's first pulse don't tell its base
            few = (inner[up] == 1) & (
                self.level.until_s[self.hi[0]] - self.level.from_s[self.lo[0]] < self.few_s
            )
            alike |= few
        up[up] = alike
        self._take_off(inner[up], False, loose)
        return bool(up.any())

    def dips(self, most: float = np.inf) -> bool:
        """Take off single levels below two neighbours alike that are much shorter than those; most:
        samples."""
        inner = np.arange(1, len(self.lo) - 1)
        fall = self.level.end[self.hi[inner - 1]] - self.level.start[self.lo[inner]]
        rise = self.level.start[self.lo[inner + 1]] - self.level.end[self.hi[inner]]
        depth = np.minimum(rise, fall)
        lasting = self.level.until_s[self.hi] - self.level.from_s[self.lo]
        share = DIP_SHARE if np.isinf(most) else LOST_SHARE
        short = lasting[inner] < share * np.minimum(lasting[inner - 1], lasting[inner + 1])
        down = (depth > 0) & short & (self._samples()[inner] <= most)
        down[down] = self._alike(inner[down] - 1, inner[down] + 1, depth[down], 0.0)
        down[1:] &= ~down[:-1]
        self._take_off(inner[down], down=True)
        return bool(down.any())

    def staircases(self, loose: float) -> bool:
        """Take off the stretches of several levels that come back to where they rose from."""
        count = len(self.lo)
        first, last = [], []
        here = 0
        # heights by the steps alone: what creeps within a level neither lifts nor lowers what rises from it
        height = self._steps[self.lo]
        joined = np.zeros(count, dtype=bool)
        while here < count - 2:
            back = self._return(here, height, loose)
            if back:
                first.append(int(self.hi[here]))
                last.append(int(self.lo[back]) - 1)
                joined[here + 1 : back] = True
                joined[back] = True
            here = back or here + 1
        if not first:
            return False
        flags = np.zeros(len(first), dtype=bool), np.full(len(first), loose > 0)
        self.found.append((np.array(first), np.array(last), *flags))
        head = np.flatnonzero(~joined)
        tail = np.append(head[1:] - 1, count - 1)
        self.lo, self.hi = self.lo[head], self.hi[tail]
        return True

    def _return(self, here: int, height: Floats, loose: float) -> int:
        """The level at which an excursion of several levels comes back to `here`, 0 where none does."""
        high = height[here + 1 : here + LOOKAHEAD] - height[here]
        least = np.minimum.accumulate(high)
        # half as high as it began, or less
        for k in (np.flatnonzero(high[1:] <= high[0] / 2) + 1).tolist():
            if least[k - 1] <= 0:
                return 0
            there = here + 1 + k
            if self._alike(np.array([here]), np.array([there]), least[k - 1 : k], loose)[0]:
                return there
        return 0


def excursions(level: Level, is_gap: Bools, wander: Wander, window_s: float, interval_s: float) -> Excursions:
    """Take the levels apart; is_gap: transitions that fell into a gap; window_s: levels are means over
    this."""
    chain = _Chain(level, is_gap, wander, window_s, interval_s)
    # samples that a recorder lost or a contact made: what lies between two of them is no pulse
    chain.dips(LOST_SAMPLES)
    chain.peaks(0.0)  # first of all, or short gaps between long pulses would be dips
    for loose in (0.0, LOOSE_SHARE):
        while len(chain.lo) > 2 and (
            chain.dips()
            or chain.peaks(0.0)
            or chain.staircases(0.0)
            or (loose and (chain.peaks(loose) or chain.staircases(loose)))
        ):
            pass
    nothing = np.empty(0, dtype=np.int64)
    first, last, down, loose_ = (
        np.concatenate([rows[k] for rows in chain.found] or [nothing]) for k in range(4)
    )
    order = np.lexsort((-last, first))
    first, last = first[order], last[order]
    down, shifted = down[order].astype(bool), loose_[order].astype(bool)
    covered = np.zeros(len(level.n) + 1, dtype=np.int64)
    np.add.at(covered, first + 1, 1)
    np.add.at(covered, last + 1, -1)
    base = np.flatnonzero(np.cumsum(covered[:-1]) == 0)
    root = np.searchsorted(chain.lo, base, side="right") - 1
    return Excursions(first, last, down, shifted, base, root, chain.hi[:-1], chain.is_gap)
