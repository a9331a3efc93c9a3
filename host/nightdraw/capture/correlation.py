"""Which fuses carry the pulses of a clamp: drops across fuses, looked at where the clamp has its pulses.

Theory of operation. Both are in one file, so their clock is the same. For each of the clamp's pulses the
mean drop inside it is held against the means just before and just after: the rise with the pulse, and the
fall after it. A fuse that carries the pulses rises by its resistance times their level, each time. What
noise, hum, drift and the fuse's other loads make of such a look is taken from the same looks at other
instants, where the clamp has no pulse: nothing about the noise is assumed. Pulses are sorted into kinds by
their level, for the clamp also sees what other fuses carry. A drop that falls as the clamp rises (loads that
yield to a sagging battery) carries nothing. One pass over each drop; memory grows with the number of pulses.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

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
LEAST_MV = 1e-9  # a recording without noise
MAIN_SHARE = 0.5  # of the pulses' charge: who carries more carries them

Chance = tuple[float, float, float]  # rms of rise, fall and their mean


@dataclass(frozen=True)
class Coincidence:
    """One kind of pulse in one drop: by how much the drop rises (mV) with each pulse that could be looked at
    and falls after it, the pulses' levels (mA); idle: rise and fall of the same looks where no pulse is;
    pulses: how many the kind has in all, charge theirs (mA s)."""

    rise: Floats
    fall: Floats
    level_ma: Floats
    idle: tuple[Floats, Floats]
    pulses: int
    charge: float

    @property
    def chance(self) -> Chance | None:
        """The rms of what a look shows without a pulse (by how the pulses scatter, where no other instants
        are left); None where neither is known."""
        return _rms(*self.idle) or _rms(self.rise - self.rise.mean(), self.fall - self.fall.mean())

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
    """Windows beside and in each pulse: before, first and last part of it, after; rows of begin and end."""

    begin_s: Floats
    end_s: Floats

    def moved(self, by_s: Floats) -> _Looks:
        """The same at other instants."""
        return _Looks(self.begin_s + by_s, self.end_s + by_s)

    def at(self, which: Ints | sn.Bools) -> _Looks:
        """Of some pulses."""
        return _Looks(self.begin_s[:, which], self.end_s[:, which])


def moves_with(clamp: Seen, drops: Sequence[Recording]) -> Moving:
    """Which drops (mV, in one file with the clamp) move with a clamp's pulses."""
    pulses = clamp.events.of(sn.PULSE)
    kind = kinds(pulses.level)
    return Moving(tuple(_mover(drop, coincidences(clamp, drop, kind)) for drop in drops))


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


def coincidences(clamp: Seen, drop: Recording, kind: Ints) -> dict[int, Coincidence]:
    """Each kind of the clamp's pulses, looked at in a drop; kind: the number of each pulse's kind."""
    pulses = clamp.events.of(sn.PULSE)
    looks = _looks(pulses, clamp.interval_s)
    charge = pulses.mean * pulses.duration_s
    chosen, asked = list[tuple[int, Ints, Ints]](), list[_Looks]()
    for number in np.unique(kind):
        members = np.flatnonzero(kind == number)
        some = members[np.unique(np.linspace(0, len(members) - 1, MOST_PULSES).astype(int))]
        chosen.append((int(number), members, some))
        asked += [looks.at(some), _elsewhere(clamp, pulses, looks, some)]
    found = {}
    steps = _steps(drop.times(1.0, drop.unit, MOST_MV), asked)
    for number, members, some in chosen:
        (rise, fall), (up, down) = next(steps), next(steps)
        seen, still = (np.isfinite(a) & np.isfinite(b) for a, b in ((rise, fall), (up, down)))
        if seen.any():
            idle, total = (up[still], down[still]), float(charge[members].sum())
            level = pulses.level[some][seen]
            found[number] = Coincidence(rise[seen], fall[seen], level, idle, len(members), total)
    return found


def _looks(pulses: sn.Events, interval_s: float) -> _Looks:
    """Windows beside each edge: inside half of the pulse, outside as long as the pulse or WINDOW_S, but at
    most half of the way to its neighbour."""
    margin_s = EDGE_SAMPLES * interval_s
    start_s, end_s = pulses.start_s, pulses.start_s + pulses.duration_s
    inside_s = np.maximum(pulses.duration_s / 2 - margin_s, 0.0)
    most_s = np.maximum(pulses.duration_s, WINDOW_S)
    gap_s = np.concatenate(([np.inf], start_s[1:] - end_s[:-1], [np.inf])) / 2 - margin_s
    before_s, after_s = np.clip(gap_s[:-1], 0.0, most_s), np.clip(gap_s[1:], 0.0, most_s)
    begin = (start_s - margin_s - before_s, start_s + margin_s, end_s - margin_s - inside_s, end_s + margin_s)
    until = (start_s - margin_s, start_s + margin_s + inside_s, end_s - margin_s, end_s + margin_s + after_s)
    return _Looks(np.array(begin), np.array(until))


def _elsewhere(clamp: Seen, pulses: sn.Events, looks: _Looks, some: Ints) -> _Looks:
    """The same looks at instants at which the clamp has no pulse."""
    room_s = clamp.end_s - clamp.start_s
    shifts_s = (np.arange(1, SHIFTS + 1) / (SHIFTS + 1) + 0.003) * room_s
    few = some[np.unique(np.linspace(0, len(some) - 1, max(MOST_PULSES // SHIFTS, 1)).astype(int))]
    at = looks.at(np.tile(few, SHIFTS))
    by_s = np.repeat(shifts_s, len(few))
    moved = at.moved(clamp.start_s + (at.begin_s[0] - clamp.start_s + by_s) % room_s - at.begin_s[0])
    # Away from every pulse, as the looks themselves are; where that leaves nothing, from those of this kind:
    # others then count as noise, which makes a name rarer, not wrong.
    for others in (np.arange(len(pulses)), some):
        start_s = pulses.start_s[others]
        end_s = np.maximum.accumulate(start_s + pulses.duration_s[others])
        clear = np.searchsorted(end_s, moved.begin_s[0]) == np.searchsorted(start_s, moved.end_s[3])
        clear &= moved.end_s[3] <= clamp.end_s
        if np.count_nonzero(clear) >= LEAST_SHIFTED:
            break
    return moved.at(clear)


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
