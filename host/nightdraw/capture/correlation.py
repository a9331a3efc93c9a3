"""Which fuses carry the pulses of a clamp: drops across fuses, looked at where the clamp has its pulses.

Theory of operation. Both are in one file, so their clock is the same. The clamp sees what all fuses carry,
and loads overlap: a pulse of several levels is taken apart into the times that one load each was on, by edges
up and down that are alike. For each on-time the mean drop inside it is held against the means just before and
just after, none of them beyond the clamp's next edge: the rise with the load, and the fall after it. A fuse
that carries the load rises by its resistance times the level, each time. What noise, hum, drift and loads
that the clamp doesn't show make of such a look is taken from the same looks at other instants, where the
clamp has no edge: nothing about the noise is assumed. On-times are sorted into kinds by their level. A drop
that falls as the clamp rises (loads that yield to a sagging battery) carries nothing. One pass over each
drop; memory grows with the number of on-times.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from nightdraw.capture import seen as sn
from nightdraw.capture.current import MOST_MV
from nightdraw.capture.read import Recording, windows
from nightdraw.capture.seen import Floats, Ints, Seen

SURE_Z = 5.0  # both steps of a kind of pulse together: once in three million quiet fuses
SIDE_Z = 2.5  # and each of them by itself: half of it is left of a half of it
LEAST_OHM = 2e-4  # an 80 A main fuse with its contacts; less is what leaks from one input into another
SHIFTS = 24  # other instants that each pulse is looked for at
LEAST_SHIFTED = 20  # fewer say too little about chance
MOST_PULSES = 2000  # of a kind, evenly chosen: more say nothing new
KIND_MA = 3.0  # pulses whose levels are nearer than this, or a tenth, are of one kind
KIND_SHARE = 0.1
WINDOW_S = 0.5  # beside a pulse the drop is averaged over this, or the length of the pulse where that is more
EDGE_SAMPLES = 1.0  # left out beside an edge
FAR = 4.0  # times what most looks let through of the noise: such a look at another instant isn't like them
LEAST_MV = 1e-9  # a recording without noise
MAIN_SHARE = 0.5  # of the pulses' charge: who carries more carries them

PAIR_SHARE = 0.03  # of their height: two edges of one load differ by less, for the supply sags,
PAIR_U = 5.0  # or by so many standard uncertainties

Chance = tuple[float, float, float]  # rms of rise, fall and their mean


@dataclass(frozen=True)
class OnTimes(sn.Columns):
    """The times that one load each was on: start, end, level (mA) and charge (mA s); and the stretches beside
    both edges that have no other edge of the clamp: from before_s to the start and on to first_s, from last_s
    to the end and on to after_s."""

    start_s: Floats
    end_s: Floats
    level: Floats
    charge: Floats
    before_s: Floats
    first_s: Floats
    last_s: Floats
    after_s: Floats


@dataclass(frozen=True)
class Coincidence:
    """One kind of on-time in one drop: by how much the drop rises (mV) with each that could be looked at and
    falls after it, their levels (mA), and how much noise each look lets through (spread: of white noise of
    one in a second); idle: rise, fall and spread of the same looks where the clamp has no edge; pulses: how
    many the kind has in all, charge theirs (mA s)."""

    rise: Floats
    fall: Floats
    level_ma: Floats
    spread: Floats
    idle: tuple[Floats, Floats, Floats]
    pulses: int
    charge: float

    @property
    def chance(self) -> Chance | None:
        """The rms of what a look shows without a pulse (by how the pulses scatter, where no other instants
        are left); None where neither is known."""
        return _rms(*self.idle[:2]) or _rms(self.rise - self.rise.mean(), self.fall - self.fall.mean())

    @property
    def step(self) -> Floats:
        """Rise and fall as one figure for each pulse, mV."""
        mean: Floats = (self.rise + self.fall) / 2
        return mean

    @property
    def ohms(self) -> float:
        """What the drop is across, if the pulses run through it: least squares through nothing."""
        return float(np.sum(self.step) / np.sum(self.level_ma))

    def stands_out(self) -> tuple[float, float]:
        """How many deviations of chance the mean step lies above nothing, and the lesser of its two sides."""
        chance = self.chance
        if chance is None:
            return 0.0, 0.0
        root = float(np.sqrt(len(self.rise)))
        sides = float(self.rise.mean()) / chance[0], float(self.fall.mean()) / chance[1]
        return float(self.step.mean()) / chance[2] * root, min(sides) * root

    def share(self) -> float:
        """How many of the pulses are in the drop: those that move it by more than half of what the others
        do."""
        wanted = self.ohms * self.level_ma
        for _ in range(3):  # where only some do, the mean of all is too little to go by
            there = self.step > wanted / 2
            if not there.any():
                return 1.0
            wanted = wanted * float(np.sum(self.step[there]) / np.sum(wanted[there]))
        return float(np.mean(self.step > wanted / 2))


@dataclass(frozen=True)
class Mover:
    """One fuse's drop. pulses: how many of the clamp's are seen in it, share: of all; charge_share: how much
    those are of the charge of all pulses but such as came once; ohms: what the drop is across, None where
    nothing moves; z: how far the clearest kind of pulse stands out of chance, in deviations."""

    channel: str
    pulses: int
    share: float
    charge_share: float
    ohms: float | None
    z: float

    def document(self) -> dict[str, object]:
        """For programs."""
        return {
            "channel": self.channel,
            "pulses": self.pulses,
            "share": round(self.share, 4),
            "charge_share": round(self.charge_share, 4),
            "mohm": None if self.ohms is None else round(self.ohms * 1e3, 3),
            "z": round(self.z, 2),
        }

    def text(self) -> str:
        """For people."""
        if self.ohms is None:
            return f"{self.channel}: does not move with the clamp"
        return (
            f"{self.channel}: {self.pulses} of the clamp's pulses ({100 * self.share:.0f} %, "
            f"{100 * self.charge_share:.0f} % of their charge), as across {self.ohms * 1e3:.2f} milliohm"
        )


@dataclass(frozen=True)
class Moving:
    """Every drop, and which of them carries most of the pulses' charge (None: none, or several in a row)."""

    movers: tuple[Mover, ...]

    @property
    def carried_by(self) -> str | None:
        """The one fuse that carries more than half of the pulses' charge."""
        main = [mover for mover in self.movers if mover.charge_share > MAIN_SHARE]
        return main[0].channel if len(main) == 1 else None

    def document(self) -> dict[str, object]:
        """Two keys beside those of the pulses."""
        return {"moves_with": [mover.document() for mover in self.movers], "carried_by": self.carried_by}

    def text(self) -> str:
        """For people."""
        lines = [mover.text() for mover in self.movers]
        main = [mover.channel for mover in self.movers if mover.charge_share > MAIN_SHARE]
        if len(main) == 1:
            lines.append(f"{main[0]} carries the pulses")
        elif main:
            lines.append(f"{' and '.join(main)} carry the same pulses: one lies behind the other")
        else:
            lines.append("no one of these fuses carries the pulses")
        return "\n".join(lines)


@dataclass(frozen=True)
class _Looks:
    """Windows beside and in each on-time: before, first and last part of it, after; rows of begin and end."""

    begin_s: Floats
    end_s: Floats

    @property
    def spread(self) -> Floats:
        """What white noise of one in a second leaves in the mean of rise and fall."""
        found: Floats = np.sqrt(np.sum(1 / np.maximum(self.end_s - self.begin_s, 1e-9), axis=0)) / 2
        return found


def moves_with(clamp: Seen, drops: Sequence[Recording]) -> Moving:
    """Which drops (mV, in one file with the clamp) move with what the clamp's loads do."""
    on = on_times(clamp)
    kind = kinds(on.level)
    return Moving(tuple(_mover(drop, coincidences(clamp, on, drop, kind)) for drop in drops))


def on_times(clamp: Seen) -> OnTimes:
    """The times that one load each was on: a clamp's pulses, those of several levels taken apart.

    A pulse none of whose edges are alike (a load of several levels of its own) stays whole.
    """
    pulses, edges = clamp.events.of(sn.PULSE), clamp.edges
    rows = list[tuple[int, int, int]]()  # first and last edge, and the pulse that stays whole (-1: none does)
    for k, (first, last) in enumerate(
        zip(pulses.first_edge.tolist(), pulses.last_edge.tolist(), strict=True)
    ):
        pairs = _pairs(edges, first, last) if last > first + 1 else []
        rows += [(a, b, -1) for a, b in pairs] or [(first, last, k)]
    first, last, whole = np.array(sorted(rows), dtype=np.int64).reshape(len(rows), 3).T
    is_whole = whole >= 0
    at_s = np.concatenate(([-np.inf], edges.at_s, [np.inf]))
    start_s, end_s = edges.at_s[first], edges.at_s[last]
    level = (edges.height[first] - edges.height[last]) / 2
    mean = level.copy()
    level[is_whole], mean[is_whole] = pulses.level[whole[is_whole]], pulses.mean[whole[is_whole]]
    return OnTimes(
        start_s,
        end_s,
        level,
        mean * (end_s - start_s),
        at_s[first],
        np.where(is_whole, end_s, at_s[first + 2]),
        np.where(is_whole, start_s, at_s[last]),
        at_s[last + 2],
    )


def _pairs(edges: sn.Edges, first: int, last: int) -> list[tuple[int, int]]:
    """The edges up and down of one load each among those from first to last: each edge down belongs to the
    one up before it that is most alike, if any is."""
    height, u = edges.height[first : last + 1], edges.height_u[first : last + 1]
    up, found = list[int](), list[tuple[int, int]]()
    for k in range(len(height)):
        if height[k] > 0:
            up.append(k)
            continue
        off = np.abs(height[up] + height[k])
        off[off > PAIR_SHARE * -height[k] + PAIR_U * np.hypot(u[up], u[k])] = np.inf
        if np.isfinite(off).any():
            found.append((first + up.pop(int(np.argmin(off))), first + k))
    return found


def kinds(level_ma: Floats, weight: Floats | None = None) -> Ints:
    """The number of each pulse's kind, by its level: the first is where most weight (number, where none is
    given) lies within KIND_MA or KIND_SHARE of one level, the next where most of the rest does.

    Levels aren't joined from one to the next: where draws overlap they leave no gap anywhere between them.
    """
    order = np.argsort(level_ma, kind="stable")
    level = level_ma[order]
    weight = np.ones(len(level)) if weight is None else np.maximum(weight[order], 0.0)
    until = np.searchsorted(level, level + 2 * np.maximum(KIND_MA, KIND_SHARE * np.abs(level)), side="right")
    found, number = np.full(len(level), -1), 0
    while (found < 0).any():
        run = np.append(0.0, np.cumsum(np.where(found < 0, weight + LEAST_MV, 0.0)))
        first = int(np.argmax(run[until] - run[:-1]))
        here = slice(first, until[first])
        found[here] = np.where(found[here] < 0, number, found[here])
        number += 1
    kind = np.empty_like(found)
    kind[order] = found
    return kind


def coincidences(clamp: Seen, on: OnTimes, drop: Recording, kind: Ints) -> dict[int, Coincidence]:
    """Each kind of a clamp's on-times, looked at in a drop; kind: the number of each one's kind."""
    chosen, asked = list[tuple[int, OnTimes, Ints]](), list[_Looks]()
    for number in np.unique(kind):
        members = on.take(kind == number)
        some = np.unique(np.linspace(0, len(members) - 1, MOST_PULSES).astype(int))
        # at most half of the way to the kind's next, or two looks would share their noise
        halfway = (members.end_s[:-1] + members.start_s[1:]) / 2
        before_s = np.maximum(members.before_s, np.append(-np.inf, halfway))
        after_s = np.minimum(members.after_s, np.append(halfway, np.inf))
        looked = replace(members, before_s=before_s, after_s=after_s).take(some)
        chosen.append((int(number), members, some))
        asked += [_looks(each, clamp.interval_s) for each in (looked, _elsewhere(clamp, looked))]
    found = {}
    steps = _steps(drop.times(1.0, drop.unit, MOST_MV), asked)
    for (number, members, some), looks, elsewhere in zip(chosen, asked[::2], asked[1::2], strict=True):
        (rise, fall), (up, down) = next(steps), next(steps)
        seen, still = (np.isfinite(a) & np.isfinite(b) for a, b in ((rise, fall), (up, down)))
        still &= elsewhere.spread <= FAR * float(np.median(looks.spread))
        if seen.any():
            found[number] = Coincidence(
                rise=rise[seen],
                fall=fall[seen],
                level_ma=members.level[some][seen],
                spread=looks.spread[seen],
                idle=(up[still], down[still], elsewhere.spread[still]),
                pulses=len(members),
                charge=float(members.charge.sum()),
            )
    return found


def _looks(on: OnTimes, interval_s: float) -> _Looks:
    """Windows beside each edge of some on-times, as far as the clamp has no other edge: inside half of the
    on-time, outside as long as it or WINDOW_S."""
    margin_s = EDGE_SAMPLES * interval_s
    start_s, end_s = on.start_s, on.end_s
    half_s = (end_s - start_s) / 2
    most_s = np.maximum(2 * half_s, WINDOW_S) + margin_s
    begin = (
        np.maximum(on.before_s + margin_s, start_s - most_s),
        start_s + margin_s,
        np.maximum(on.last_s + margin_s, end_s - half_s),  # no edge is in the middle: no margin there
        end_s + margin_s,
    )
    until = (
        start_s - margin_s,
        np.minimum(on.first_s - margin_s, start_s + half_s),
        end_s - margin_s,
        np.minimum(on.after_s - margin_s, end_s + most_s),
    )
    return _Looks(np.array(begin), np.maximum(np.array(until), np.array(begin)))


def _elsewhere(clamp: Seen, on: OnTimes) -> OnTimes:
    """The same on-times at instants at which the clamp has none of their edges, as if they were there."""
    room_s = clamp.end_s - clamp.start_s
    shifts_s = (np.arange(1, SHIFTS + 1) / (SHIFTS + 1) + 0.003) * room_s
    few = np.unique(np.linspace(0, len(on) - 1, max(MOST_PULSES // SHIFTS, 1)).astype(int))
    moved = on.take(np.tile(few, SHIFTS))
    start_s = clamp.start_s + (moved.start_s - clamp.start_s + np.repeat(shifts_s, len(few))) % room_s
    end_s = start_s + moved.end_s - moved.start_s
    at_s = np.concatenate(([clamp.start_s], clamp.edges.at_s, [clamp.end_s]))
    begun, ended = (np.clip(np.searchsorted(at_s, each_s), 1, len(at_s) - 1) for each_s in (start_s, end_s))
    moved = replace(
        moved,
        start_s=start_s,
        end_s=end_s,
        before_s=at_s[begun - 1],
        first_s=at_s[begun],
        last_s=at_s[ended - 1],
        after_s=at_s[ended],
    )
    return moved.take(end_s < clamp.end_s)


def _steps(drop: Recording, looks: list[_Looks]) -> Iterator[tuple[Floats, Floats]]:
    """For each set of looks by how much the drop rises and falls, mV; nan where samples lack. One pass."""
    begin_s = np.concatenate([one.begin_s for one in looks], axis=1) if looks else np.empty((4, 0))
    end_s = np.concatenate([one.end_s for one in looks], axis=1) if looks else np.empty((4, 0))
    mean = windows(drop, begin_s.ravel(), end_s.ravel()).mean
    before, first, last, after = mean.reshape(4, -1)
    at = 0
    for one in looks:
        here = slice(at, at + one.begin_s.shape[1])
        at = here.stop
        yield first[here] - before[here], last[here] - after[here]


def _rms(rise: Floats, fall: Floats) -> Chance | None:
    if len(rise) < LEAST_SHIFTED:
        return None
    both = (float(np.sqrt(np.mean(value**2))) for value in (rise, fall, (rise + fall) / 2))
    one, other, mean = (max(value, LEAST_MV) for value in both)
    return one, other, mean


def _mover(drop: Recording, found: dict[int, Coincidence]) -> Mover:
    count, carried, ohms, clearest = 0.0, 0.0, list[float](), 0.0
    for one in found.values():
        z, sides = one.stands_out()
        clearest = z if abs(z) > abs(clearest) else clearest
        if z < SURE_Z or sides < SIDE_Z or one.ohms < LEAST_OHM:
            continue
        share = one.share()
        count += share * one.pulses
        carried += share * one.charge * (one.pulses > 1)
        ohms.append(one.ohms / share)
    # What came once (a lamp, a door) is no habit, and may outweigh them all.
    habits = sum(one.charge for one in found.values() if one.pulses > 1)
    return Mover(
        channel=drop.channel,
        pulses=round(count),
        share=count / max(sum(one.pulses for one in found.values()), 1),
        charge_share=carried / max(habits, 1e-12),
        ohms=float(np.median(ohms)) if ohms else None,
        z=clearest,
    )
