"""Searches simulated from their description in words, for the tests: numpy alone, nothing of the project.

A search is a person's way through a vehicle: moves that take time, and waits for the fault to show. The fault
is a timeline of pulses made here. A pulse counts when it was seen whole, or for a look at it; one that is
under way counts while a look of it is left.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

BATCHES = 20
TRIALS = 600  # in each batch
SAVED_S = 10.0  # a run that goes on does so from where it was saved last

Times = np.ndarray
Pulses = tuple[np.ndarray, np.ndarray]  # seconds from the run's start: starts, ends


@dataclass(frozen=True)
class Periodic:
    """Pulses of on_s every every_s, the first at first_s."""

    amps: float
    on_s: float
    every_s: float
    first_s: float = 0.0

    @property
    def cycle_s(self) -> float:
        return self.every_s

    def pulses(self, until_s: float, random: np.random.Generator) -> Pulses:
        starts = np.arange(self.first_s, until_s, self.every_s)
        return starts, starts + self.on_s


@dataclass(frozen=True)
class Renewal:
    """A gap, a pulse, a gap: on_s and gap_s are ranges; or gap_s has a mean, exponential, cut at 8 means."""

    amps: float
    on_s: tuple[float, float]
    gap_s: tuple[float, float] | float

    @property
    def cycle_s(self) -> float:
        mean_s = self.gap_s if isinstance(self.gap_s, float) else sum(self.gap_s) / 2
        return mean_s + sum(self.on_s) / 2

    def pulses(self, until_s: float, random: np.random.Generator) -> Pulses:
        count = int(1.3 * until_s / self.cycle_s) + 50
        widths = random.uniform(*self.on_s, count)
        if isinstance(self.gap_s, float):
            gaps = np.minimum(random.exponential(self.gap_s, count), 8 * self.gap_s)
        else:
            gaps = random.uniform(*self.gap_s, count)
        ends = np.cumsum(gaps + widths)
        return ends - widths, ends


@dataclass(frozen=True)
class Staircase:
    """Levels, (amperes, seconds), over and over."""

    levels: tuple[tuple[float, float], ...]

    @property
    def amps(self) -> float:
        return max(amps for amps, _ in self.levels) - min(amps for amps, _ in self.levels)

    @property
    def cycle_s(self) -> float:
        return sum(seconds for _, seconds in self.levels)

    def pulses(self, until_s: float, random: np.random.Generator) -> Pulses:
        ends = np.cumsum([seconds for _, seconds in self.levels])
        low = min(amps for amps, _ in self.levels)
        high = [k for k, (amps, _) in enumerate(self.levels) if amps - low >= self.amps / 2]
        turns = np.arange(0, until_s, self.cycle_s)[:, None]
        starts = (turns + np.array([ends[k] - self.levels[k][1] for k in high])).ravel()
        return starts, (turns + ends[high]).ravel()


Draw = Periodic | Renewal | Staircase


def together(draws: list[Draw], least_a: float, until_s: float, random: np.random.Generator) -> Pulses:
    """Where the sum of all is at least so much."""
    at, steps = [], []
    for draw in draws:
        starts, ends = draw.pulses(until_s, random)
        at += [starts, ends]
        steps += [np.full(len(starts), draw.amps), np.full(len(ends), -draw.amps)]
    times, amps = np.concatenate(at), np.concatenate(steps)
    order = np.lexsort((-amps, times))  # one that begins as another ends goes on with it
    times, above = times[order], np.cumsum(amps[order]) >= least_a - 1e-9
    rises = np.flatnonzero(above & ~np.r_[False, above[:-1]])
    falls = np.flatnonzero(~above & np.r_[False, above[:-1]])
    rises = rises[: len(falls)]
    lasts = times[falls] > times[rises]  # one ends where the next begins
    return times[rises][lasts], times[falls][lasts]


class Showing:
    """A fault's pulses (None: it stays), and searches that begin anywhere in its run."""

    def __init__(
        self,
        draws: list[Draw],
        weak: float,
        look_s: float,
        random: np.random.Generator,
    ) -> None:
        self.random = random
        self.look_s = look_s
        self.pulsed = bool(draws)
        self.begun = np.zeros(TRIALS)
        if draws:
            least_a = weak * max(draw.amps for draw in draws)
            strong = [draw for draw in draws if draw.amps >= least_a]
            left_a = sum(draw.amps for draw in draws if draw.amps < least_a)
            used = strong if left_a < least_a else draws
            cycle_s = max(draw.cycle_s for draw in used)
            self._starts, self._ends = together(used, least_a, 5000 * cycle_s + 100_000, random)
            self.begun = random.uniform(0, 3000 * cycle_s, TRIALS) + self._starts[0]

    def seen(self, at: Times, number: int = 1) -> Times:
        """When it has shown so often to who looks from then on."""
        if not self.pulsed:
            return at + self.look_s
        place = np.searchsorted(self._starts, at - 1e-9)
        left_s = np.where(place > 0, self._ends[np.maximum(place - 1, 0)] - at, -1.0)
        under_way = left_s >= self.look_s - 1e-9
        last = place + number - 1 - under_way
        wanted = np.maximum(last, 0)
        whole = np.minimum(self._ends[wanted], self._starts[wanted] + self.look_s)
        return np.where(under_way & (number == 1), at + self.look_s, whole)


@dataclass(frozen=True)
class People:
    """What a class takes for what: seconds, and shares."""

    look_s: float
    move_clamp_s: float
    move_probes_s: float
    pull_s: float
    meter_in_s: float
    meter_wakes: float
    notices: float
    warm_up_s: float
    scan_s: float


@dataclass(frozen=True)
class Car:
    """fuses: by name their feed; woken_s: seconds that what is on a fuse stays awake when any fuse is pulled;
    fed_s: when its own fuse is put back."""

    fuses: dict[str, str]
    woken_s: dict[str, float]
    fed_s: dict[str, float]

    def awake_s(self, out: np.ndarray) -> Times:
        """After a fuse was moved, with those that are `out` of their sockets (trials x fuses)."""
        names = list(self.fuses)
        stays = [np.where(out[:, names.index(name)], 0.0, s) for name, s in self.woken_s.items()]
        return np.max(stays, axis=0) if stays else np.zeros(len(out))


@dataclass(frozen=True)
class Back:
    """How a box comes back that was cut off: its rule, and seconds from power to its schedule."""

    rule: str
    return_s: float

    def seen(self, showing: Showing, cut: Times, asleep_s: Times) -> Times:
        """Seconds from power to its first pulse that anybody sees: all must sleep before."""
        saved = np.floor(cut / SAVED_S) * SAVED_S if self.rule == "continue" else np.zeros(len(cut))
        quiet_s = np.maximum(0.0, asleep_s - self.return_s)
        return self.return_s + showing.seen(saved + quiet_s) - saved


Search = Callable[[Showing], tuple[Times, Times]]  # seconds, and which went well


def waiting(number: int) -> Search:
    """Until so many pulses were seen."""

    def search(showing: Showing) -> tuple[Times, Times]:
        return showing.seen(showing.begun, number) - showing.begun, np.full(TRIALS, True)

    return search


def by_meter(people: People, back: Back, sleeps_s: float) -> Search:
    """A meter is put in line first, which may cut the box off and wake what there is."""

    def search(showing: Showing) -> tuple[Times, Times]:
        at = showing.begun + people.meter_in_s
        opened = showing.random.uniform(size=TRIALS) < people.meter_wakes
        anew = at + back.seen(showing, at, np.full(TRIALS, sleeps_s))
        ended = np.where(opened, anew, showing.seen(at))
        return ended - showing.begun, ~opened | (back.rule != "stay-off")

    return search


def in_sets(groups: list[tuple[int, int, int]], move_s: float) -> Search:
    """Groups of (candidates, at once, sets): set after set of each until it shows there; the last has what is
    left over."""

    def search(showing: Showing) -> tuple[Times, Times]:
        at = showing.begun.copy()
        for candidates, at_once, sets in groups:
            place = showing.random.integers(candidates, size=TRIALS)
            wanted = np.minimum(place // at_once, sets - 1)
            for turn in range(sets):
                at = np.where(wanted >= turn, showing.seen(at + move_s), at)
        return at - showing.begun, np.full(TRIALS, True)

    return search


def by_hand(people: People, candidates: int, looks: int, notices: float, first_s: float) -> Search:
    """Candidate after candidate, so many pulses at each; the right one is passed where none is noticed."""

    def search(showing: Showing) -> tuple[Times, Times]:
        at, wanted = showing.begun + first_s, showing.random.integers(candidates, size=TRIALS)
        found = np.zeros(TRIALS, bool)
        for turn in range(candidates):
            going = (wanted >= turn) & ~found
            here = at + people.move_probes_s
            for _ in range(looks):
                here = np.where(found, here, showing.seen(here))
                found |= going & (wanted == turn) & (showing.random.uniform(size=TRIALS) < notices)
            at = np.where(going, here, at)
        return at - showing.begun, found

    return search


def by_heat(people: People, candidates: int) -> Search:
    """Wait until it is warm, then look at circuit after circuit."""

    def search(showing: Showing) -> tuple[Times, Times]:
        looked = 1 + showing.random.integers(candidates, size=TRIALS)
        return people.warm_up_s + people.scan_s * looked, np.full(TRIALS, True)

    return search


def by_pulling(people: People, car: Car, own: str, back: Back, watch_s: float, first_s: float) -> Search:
    """Fuse after fuse is pulled and left out, until it stops; that one is put back to see it again."""

    def search(showing: Showing) -> tuple[Times, Times]:
        names = list(car.fuses)
        order = showing.random.permuted(np.tile(np.arange(len(names)), (TRIALS, 1)), axis=1)
        out = np.zeros((TRIALS, len(names)), bool)
        at, ended = showing.seen(showing.begun + first_s), np.full(TRIALS, np.nan)
        going, well = np.full(TRIALS, True), np.full(TRIALS, False)
        for turn in range(len(names)):
            now = order[:, turn]
            out[np.arange(TRIALS), now] = True
            cut = at + people.pull_s
            watched = cut + car.awake_s(out)
            right = going & (now == names.index(own))
            confirmed = watched + watch_s
            if back.rule != "stay-off":
                again = out.copy()
                again[:, names.index(own)] = False
                asleep_s = np.maximum(car.awake_s(again), car.fed_s.get(own, 0.0))
                confirmed = confirmed + people.pull_s + back.seen(showing, cut, asleep_s)
            ended = np.where(right, confirmed, ended)
            well |= right
            found = showing.seen(watched)
            going &= ~right & (found <= watched + watch_s)
            at = np.where(going, found, at)
        return ended - showing.begun, well

    return search


@dataclass(frozen=True)
class Estimate:
    """A figure and its standard error, from how batches differ."""

    value: float
    error: float

    @classmethod
    def of(cls, parts: list[float]) -> Estimate:
        return cls(float(np.mean(parts)), float(np.std(parts, ddof=1)) / len(parts) ** 0.5)


@dataclass(frozen=True)
class Told:
    """What batches of searches came to; seconds of those that went well."""

    batches: list[Times]
    well: Estimate

    def mean(self) -> Estimate:
        return Estimate.of([float(batch.mean()) for batch in self.batches])

    def within(self, seconds: float) -> Estimate:
        """The share that has ended by then."""
        return Estimate.of([float((batch <= seconds).mean()) for batch in self.batches])


def simulate(make: Callable[[np.random.Generator], tuple[Times, Times]], seed: int) -> Told:
    """Batches, each with pulses of its own."""
    taken, well = [], []
    for k in range(BATCHES):
        seconds, good = make(np.random.default_rng([seed, k]))
        taken.append(seconds[good])
        well.append(float(good.mean()))
    return Told(taken, Estimate.of(well))
