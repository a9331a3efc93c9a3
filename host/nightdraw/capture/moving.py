"""Which fuse carries the pulses of a clamp: drops across fuses at the clamp's own instants.

Each pulse is looked for in each drop: by how much the drop rises with it and falls with it again. What noise
and a fuse's other loads make of such a difference is taken from the same look at other instants. A drop that
falls as the clamp rises (loads that yield to a sagging battery) carries nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from nightdraw.capture.pulses import Pulses
from nightdraw.capture.read import Recording, windows
from nightdraw.capture.steps import Floats, Ints
from nightdraw.capture.transitions import Bools
from nightdraw.capture.volts import MOST_MV

SURE_Z = 5.0  # both steps of a kind of pulse together: once in three million quiet fuses
SIDE_Z = 2.5  # and each of them by itself: half of it is left of a half of it
LEAST_OHM = 2e-4  # an 80 A main fuse with its contacts; less is what leaks from one input into another
SHIFTS = 24  # other instants that each pulse is looked for at
LEAST_SHIFTED = 20  # fewer say too little about chance
MOST_PULSES = 2000  # of a kind, evenly chosen: more say nothing new
KIND_MA = 3.0  # pulses whose levels are nearer than this, or a tenth, are of one kind
KIND_SHARE = 0.1
WINDOW_S = 0.5  # beside an edge the drop is averaged over this at the most
EDGE_SAMPLES = 1.0  # left out beside an edge
LEAST_MV = 1e-9  # a recording without noise
MAIN_SHARE = 0.5  # of the pulses' charge: who carries more carries them

Chance = tuple[float, float, float]  # rms of rise, fall and their mean


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

    def at(self, which: Ints | Bools) -> _Looks:
        """Of some pulses."""
        return _Looks(self.begin_s[:, which], self.end_s[:, which])

    def steps(self, drop: Recording) -> tuple[Floats, Floats]:
        """By how much the drop rises with each pulse, and falls after it, mV; nan where samples lack."""
        mean, _ = windows.means(drop, self.begin_s.ravel(), self.end_s.ravel())
        before, first, last, after = mean.reshape(4, -1)
        return first - before, last - after


def moves_with(pulses: Pulses, drops: Sequence[Recording]) -> Moving:
    """Which drops (mV, in one file with the clamp) move with a clamp's pulses."""
    looks = _looks(pulses)
    kind = _kinds(pulses.level_ma)
    charge = pulses.level_ma * pulses.duration_s
    if len(kind):  # what came once (a lamp, a door) is no habit, and may outweigh them all
        charge = np.where(np.bincount(kind)[kind] > 1, charge, 0.0)
    sound = [drop.times(1.0, drop.unit, MOST_MV) for drop in drops]
    return Moving(tuple(_mover(drop, pulses, looks, kind, charge) for drop in sound))


def _looks(pulses: Pulses) -> _Looks:
    """Windows of up to WINDOW_S, and half of the pulse or of the way to its neighbour, beside each edge."""
    margin_s = EDGE_SAMPLES * pulses.scan.interval_s
    start_s, end_s = pulses.start_s, pulses.start_s + pulses.duration_s
    inside_s = np.clip(pulses.duration_s / 2 - margin_s, 0.0, WINDOW_S)
    gap_s = np.concatenate(([np.inf], start_s[1:] - end_s[:-1], [np.inf])) / 2 - margin_s
    before_s, after_s = np.clip(gap_s[:-1], 0.0, WINDOW_S), np.clip(gap_s[1:], 0.0, WINDOW_S)
    begin = (start_s - margin_s - before_s, start_s + margin_s, end_s - margin_s - inside_s, end_s + margin_s)
    until = (start_s - margin_s, start_s + margin_s + inside_s, end_s - margin_s, end_s + margin_s + after_s)
    return _Looks(np.array(begin), np.array(until))


def _kinds(level_ma: Floats) -> Ints:
    values = np.unique(level_ma)
    gaps = np.diff(values) > np.maximum(KIND_MA, KIND_SHARE * np.abs(values[:-1]))
    kinds: Ints = np.concatenate(([0], np.cumsum(gaps)))[np.searchsorted(values, level_ma)]
    return kinds if len(values) else np.empty(0, dtype=np.int64)


def _mover(drop: Recording, pulses: Pulses, looks: _Looks, kind: Ints, charge: Floats) -> Mover:
    count, carried, ohms, clearest = 0.0, 0.0, list[float](), 0.0
    for number in np.unique(kind):
        members = np.flatnonzero(kind == number)
        some = members[np.unique(np.linspace(0, len(members) - 1, MOST_PULSES).astype(int))]
        rise, fall = looks.at(some).steps(drop)
        chance = _chance(drop, pulses, looks, some)
        seen = np.isfinite(rise) & np.isfinite(fall)
        rise, fall, level = rise[seen], fall[seen], pulses.level_ma[some][seen]
        chance = chance or _scatter(rise, fall)
        if chance is None or not len(rise):
            continue
        z, sides = _stands_out(rise, fall, chance)
        clearest = z if abs(z) > abs(clearest) else clearest
        resistance = float(np.sum((rise + fall) / 2) / np.sum(level))
        if z < SURE_Z or sides < SIDE_Z or resistance < LEAST_OHM:
            continue
        share = _share((rise + fall) / 2, resistance * level)
        count += share * len(members)
        carried += share * float(charge[members].sum())
        ohms.append(resistance / share)
    return Mover(
        channel=drop.channel,
        pulses=round(count),
        share=count / max(len(kind), 1),
        charge_share=carried / max(float(charge.sum()), 1e-12),
        ohms=float(np.median(ohms)) if ohms else None,
        z=clearest,
    )


def _stands_out(rise: Floats, fall: Floats, chance: Chance) -> tuple[float, float]:
    """How many deviations of chance the mean of both steps lies above nothing, and the lesser of the two."""
    number = float(np.sqrt(len(rise)))
    sides = [float(value.mean()) / rms * number for value, rms in zip((rise, fall), chance, strict=False)]
    return float((rise + fall).mean() / 2 / chance[2] * number), min(sides)


def _rms(rise: Floats, fall: Floats) -> Chance:
    both = (float(np.sqrt(np.mean(value**2))) for value in (rise, fall, (rise + fall) / 2))
    one, other, mean = (max(value, LEAST_MV) for value in both)
    return one, other, mean


def _scatter(rise: Floats, fall: Floats) -> Chance | None:
    """Where pulses leave no other instants: how the steps of the pulses themselves scatter."""
    if len(rise) < LEAST_SHIFTED:
        return None
    return _rms(rise - rise.mean(), fall - fall.mean())


def _share(step: Floats, wanted: Floats) -> float:
    """How many of the pulses are in the drop: those that move it by more than half of what the others do."""
    for _ in range(3):  # where only some do, the mean of all is too little to go by
        there = step > wanted / 2
        if not there.any():
            return 1.0
        wanted = wanted * float(np.sum(step[there]) / np.sum(wanted[there]))
    return float(np.mean(step > wanted / 2))


def _chance(drop: Recording, pulses: Pulses, looks: _Looks, some: Ints) -> Chance | None:
    """The rms of rise, fall and their mean at instants at which no pulse of this kind is."""
    scan = pulses.scan
    room_s = scan.end_s - scan.start_s
    shifts_s = (np.arange(1, SHIFTS + 1) / (SHIFTS + 1) + 0.003) * room_s
    few = some[np.unique(np.linspace(0, len(some) - 1, max(MOST_PULSES // SHIFTS, 1)).astype(int))]
    start_s, end_s = pulses.start_s[some], (pulses.start_s + pulses.duration_s)[some]
    parts = []
    for shift_s in shifts_s:
        at = looks.at(few)
        wrapped = scan.start_s + (at.begin_s[0] - scan.start_s + shift_s) % room_s
        moved = at.moved(wrapped - at.begin_s[0])
        clear = np.searchsorted(end_s, moved.begin_s[0]) == np.searchsorted(start_s, moved.end_s[3])
        clear &= moved.end_s[3] <= scan.end_s
        parts.append(moved.at(clear))
    looked = _Looks(
        np.concatenate([part.begin_s for part in parts], axis=1),
        np.concatenate([part.end_s for part in parts], axis=1),
    )
    rise, fall = looked.steps(drop)
    seen = np.isfinite(rise) & np.isfinite(fall)
    if np.count_nonzero(seen) < LEAST_SHIFTED:
        return None
    return _rms(rise[seen], fall[seen])
