"""Runs, recordings and what is wrong with them, made at random: truth by construction, never by the judged
code.

A case is a run (a random profile on a box of random condition), seen by a random recorder and clamp, perhaps
tampered with. Right cases may have any fault of the instrument, wrong ones differ by more than the
tolerances.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from boxcore import program as pg
from nightdraw import programs
from nightdraw.capture import read as reading
from nightdraw.capture.compare import Asked
from nightdraw.capture.journal import Did

from tests.capture.recorders import INSTRUMENT, Recorder, recorder
from tests.capture.synthetic import (
    CHANNELS_NS,
    OWN_MA,
    SUPPLY_MV,
    Floats,
    Run,
    Truth,
    plant_of,
    pulse,
    random_draw,
    run_of,
    steady,
)

MOST_MA = 1150.0  # what the bank can make with every switch closed
LEVEL_MA, LEVEL_SHARE = 2.0, 0.02  # the tolerances that users are told
CLEARLY = 2.0  # a wrong level is wrong by this many tolerances, a wrong instant by this many too
TIME_S = 1e-3
WRONGS = (
    "stuck",
    "open",
    "off value",
    "missing",
    "extra",
    "level",
    "flat",
    "tail",
    "slip",
    "restart",
    "splice",
    "moved",
    "longer",
    "other run",
)


@dataclass(frozen=True)
class Case:
    """One try: the accounts that are handed over, and what is true of them. instrument: its fault ("" none)
    and the fault's value; wrong: what differs ("" nothing)."""

    seed: int
    asked: Asked | None
    did: Did | None
    recording: reading.Recording | None
    wrong: str = ""
    instrument: str = ""
    value: float = 0.0

    def __str__(self) -> str:
        given = "+".join(
            n for n, a in (("asked", self.asked), ("did", self.did), ("seen", self.recording)) if a
        )
        return (
            f"seed {self.seed}: {self.wrong or 'right'}, {self.instrument or 'plain'} {self.value:g} "
            f"({given})"
        )


def staircase(rng: np.random.Generator) -> tuple[Any, ...]:
    """A replayed staircase, repeated for ever."""
    steps = int(rng.integers(2, 7))
    levels = [(int(rng.uniform(30, 500) * 1000), _ticks(rng.uniform(0.5, 8))) for _ in range(steps)]
    levels.append((0, _ticks(rng.uniform(2, 12))))
    return (pg.REPLAY, 0, programs.pack_levels(levels))


def _ticks(seconds: float) -> int:
    return round(seconds * pg.TICKS_PER_S)


def profile(rng: np.random.Generator) -> list[tuple[Any, ...]]:
    """A random profile: a steady draw and one to three others."""
    draws = [steady(float(rng.uniform(15, 190)))]
    for _ in range(int(rng.integers(1, 4))):
        level = float(np.exp(rng.uniform(np.log(40), np.log(700))))
        which = rng.integers(0, 3)
        if which == 0:
            on = float(rng.uniform(0.1, 1.5))
            draws.append(pulse(level, on, on + float(rng.uniform(1.5, 15)), float(rng.uniform(0, 3))))
        elif which == 1:
            least = float(rng.uniform(0.1, 1))
            draws.append(
                random_draw(
                    level, (least, least + float(rng.uniform(0, 2))), (0.8, float(rng.uniform(3, 20)))
                )
            )
        else:
            draws.append(staircase(rng))
    return draws


def a_run(rng: np.random.Generator) -> Run:
    """A random run that has a dozen edges at least."""
    while True:
        run = run_of(profile(rng), float(rng.uniform(80, 240)), int(rng.integers(1, 1 << 30)))
        if len(run.truth.t_s) >= 12 and run.truth.level_ma.max() < MOST_MA:
            return run


def given(rng: np.random.Generator, run: Run, recording: reading.Recording) -> tuple[Any, Any, Any]:
    """Two or three of the accounts, the recording among them."""
    which = rng.integers(0, 3)
    return (run.asked if which != 0 else None), (run.did if which != 1 else None), recording


def right(seed: int) -> Case:
    """A healthy box, honestly recorded, by an instrument that may be at fault."""
    rng = np.random.default_rng((seed, 1))
    run = a_run(rng)
    fault = str(rng.choice(INSTRUMENT))
    made, value = recorder(rng, fault)
    t_s, ma = made.samples(run.truth, rng)
    if not fault and rng.random() < 0.3:  # a part of the run
        begin = int(rng.uniform(0, 0.3) * len(t_s))
        t_s, ma = t_s[begin:] - t_s[begin], ma[begin:]
    return Case(seed, *given(rng, run, reading.from_arrays(t_s, ma / 1000)), instrument=fault, value=value)


def tolerance_ma(level_ma: Floats) -> Floats:
    """What a level may be off by."""
    allowed: Floats = np.maximum(LEVEL_MA, LEVEL_SHARE * np.abs(level_ma))
    return allowed


def planted(rng: np.random.Generator, run: Run, kind: str) -> Truth | None:
    """A broken channel that spoils steps of the run by more than the tolerances; None where none does."""
    for channel in rng.permutation(len(CHANNELS_NS)) + 1:
        factor = float(rng.choice([0.6, 0.75, 1.35, 1.7]))
        how: dict[str, Any] = {
            "stuck": {"stuck": int(channel)},
            "open": {"opened": int(channel)},
            "off value": {"off": (int(channel), factor)},
        }[kind]
        real = plant_of(run.did, **how)
        off = real.level_ma - run.truth.level_ma
        step = np.diff(off)
        high = np.maximum(run.truth.level_ma[1:], run.truth.level_ma[:-1])
        if np.count_nonzero(np.abs(step) > CLEARLY * tolerance_ma(high)) >= 4:
            return real
    return None


@dataclass
class Tampering:
    """Levels of a run as lists, to be changed; the recorder then sees the result."""

    truth: Truth
    rng: np.random.Generator
    lasting: Floats = field(init=False)

    def __post_init__(self) -> None:
        self.lasting = np.diff(np.append(self.truth.t_s, self.truth.end_s))

    def excursions(self) -> list[tuple[int, int]]:
        """First and last level of each stretch that stands above the lowest level."""
        level = self.truth.level_ma
        up = level > level.min() + 25.0
        change = np.diff(np.concatenate(([0], up.astype(int), [0])))
        pairs = zip(np.flatnonzero(change == 1), np.flatnonzero(change == -1) - 1, strict=True)
        return [(int(a), int(b)) for a, b in pairs if a > 0 and b < len(level) - 1]

    def pick(self) -> tuple[int, int]:
        """One of them."""
        found = self.excursions()
        return found[int(self.rng.integers(len(found)))]

    def with_levels(self, level_ma: Floats) -> Truth:
        """The same instants, other levels."""
        return replace(self.truth, level_ma=level_ma)

    def missing(self) -> Truth:
        first, last = self.pick()
        level = self.truth.level_ma.copy()
        level[first : last + 1] = level[first - 1]
        return self.with_levels(level)

    def level(self) -> Truth:
        """One part of an excursion off by some tolerances, the rest as it was."""
        first, last = self.pick()
        parts = [k for k in range(first, last + 1) if self.lasting[k] > 0.1]
        k = int(self.rng.choice(parts)) if parts else first
        level = self.truth.level_ma.copy()
        level[k] += float(self.rng.choice([-1, 1])) * (10 + 4 * tolerance_ma(level[k : k + 1])[0])
        return self.with_levels(level)

    def flat(self) -> Truth:
        """An excursion of several levels as one of the same mean; of one level as two of that mean."""
        several = [
            pair for pair in self.excursions() if np.ptp(self.truth.level_ma[pair[0] : pair[1] + 1]) > 60
        ]
        if several:
            first, last = several[int(self.rng.integers(len(several)))]
            level = self.truth.level_ma.copy()
            part = slice(first, last + 1)
            level[part] = np.average(level[part], weights=self.lasting[part])
            return self.with_levels(level)
        first, _ = self.pick()
        return self.insert(self.truth.t_s[first] + self.lasting[first] / 2, None, first)

    def insert(self, at_s: float, to_s: float | None, place: int) -> Truth:
        """Split a level in two: the first a quarter higher, the second as much lower."""
        level, t_s = self.truth.level_ma, self.truth.t_s
        high = (level[place] - level[place - 1]) / 4
        levels = np.concatenate(
            (level[:place], [level[place] + high, level[place] - high], level[place + 1 :])
        )
        return replace(self.truth, t_s=np.insert(t_s, place + 1, at_s), level_ma=levels)

    def extra(self) -> Truth:
        """A pulse of 30 mA and more where the run stays at one level for a second at least."""
        long = np.flatnonzero(self.lasting[1:-1] > 1.0) + 1
        k = int(self.rng.choice(long))
        begin = self.truth.t_s[k] + float(self.rng.uniform(0.2, 0.4)) * self.lasting[k]
        end = begin + min(float(self.rng.uniform(0.05, 0.4)), self.lasting[k] * 0.4)
        level = self.truth.level_ma
        levels = np.insert(level, k + 1, [level[k] + float(self.rng.uniform(30, 300)), level[k]])
        return replace(self.truth, t_s=np.insert(self.truth.t_s, k + 1, [begin, end]), level_ma=levels)

    def tail(self) -> Truth:
        """Everything after an instant late."""
        return self._late(float(self.rng.uniform(0.3, 0.8)), float(self.rng.uniform(0.05, 1.5)))

    def slip(self) -> Truth:
        """The same by a little."""
        return self._late(float(self.rng.uniform(0.3, 0.7)), float(self.rng.uniform(0.012, 0.05)))

    def _late(self, share: float, by_s: float) -> Truth:
        k = max(int(len(self.truth.t_s) * share), 1)
        t_s = self.truth.t_s.copy()
        t_s[k:] += by_s
        return replace(self.truth, t_s=t_s, end_s=self.truth.end_s + by_s)

    def restart(self) -> Truth:
        """The run begins anew midway."""
        at_s = float(self.rng.uniform(0.35, 0.65)) * self.truth.end_s
        before = self.truth.t_s < at_s
        fits = self.truth.t_s + at_s < self.truth.end_s
        t_s = np.concatenate((self.truth.t_s[before], self.truth.t_s[fits] + at_s))
        return replace(
            self.truth,
            t_s=t_s,
            level_ma=np.concatenate((self.truth.level_ma[before], self.truth.level_ma[fits])),
        )

    def moved(self) -> Truth:
        """One excursion late by tens of milliseconds."""
        return self._shift(both=True)

    def longer(self) -> Truth:
        """One excursion's end late by tens of milliseconds."""
        return self._shift(both=False)

    def _shift(self, both: bool) -> Truth:
        far = [
            p
            for p in self.excursions()
            if self.lasting[p[1] + 1] > 0.3 and self.lasting[p[0] : p[1] + 1].sum() > 0.05
        ]
        first, last = far[int(self.rng.integers(len(far)))]
        by_s = float(self.rng.uniform(0.02, 0.12))
        t_s = self.truth.t_s.copy()
        t_s[first if both else last + 1 : last + 2] += by_s
        return replace(self.truth, t_s=t_s)


def splice(rng: np.random.Generator, t_s: Floats, ma: Floats, edges_s: Floats) -> tuple[Floats, Floats]:
    """Some seconds with edges in them cut out of the middle, the rest put together."""
    inside = edges_s[(edges_s > 0.25 * t_s[-1]) & (edges_s < 0.7 * t_s[-1])]
    cut_s = float(rng.uniform(3, 12))
    begin = float(rng.choice(inside)) - cut_s / 2 if len(inside) else 0.4 * t_s[-1]
    kept = (t_s < begin) | (t_s >= begin + cut_s)
    return t_s[: int(kept.sum())], ma[kept]


def wrong(seed: int) -> Case:
    """Something that differs by more than the tolerances, seen by an instrument that may be at fault too."""
    rng = np.random.default_rng((seed, 2))
    kind = str(rng.choice(WRONGS))
    while True:
        run = a_run(rng)
        try:
            truth = wrong_truth(rng, run, kind)
        except ValueError:  # no place for it in this run
            continue
        if truth is not None:
            break
    fault = str(rng.choice(INSTRUMENT)) if rng.random() < 0.25 else ""
    made, value = recorder(rng, fault)
    t_s, ma = made.samples(truth, rng)
    if kind == "splice":
        t_s, ma = splice(rng, t_s, ma, truth.t_s + made.before_s)
    accounts = given(rng, run, reading.from_arrays(t_s, ma / 1000))
    return Case(seed, *accounts, wrong=kind, instrument=fault, value=value)


def wrong_truth(rng: np.random.Generator, run: Run, kind: str) -> Truth | None:
    """What is drawn instead of the run; None or ValueError where that run has no place for it."""
    if kind in ("stuck", "open", "off value"):
        return planted(rng, run, kind)
    if kind == "splice":
        return run.truth
    if kind == "other run":
        if not any(draw[0] == pg.RANDOM for draw in run.asked.plan.draws):
            return None
        again = run_of(list(run.asked.plan.draws), run.truth.end_s, int(rng.integers(1, 1 << 30)))
        return again.truth
    tampering = Tampering(run.truth, rng)
    if not tampering.excursions():
        return None
    changed: Truth = getattr(tampering, kind)()
    return changed


__all__ = ["INSTRUMENT", "OWN_MA", "SUPPLY_MV", "WRONGS", "Case", "Recorder", "recorder", "right", "wrong"]
