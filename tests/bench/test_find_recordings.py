"""What findable says shows is looked for in recordings of the real firmware, through the kit's front ends.

The detector here knows nothing of the analysis but the settings that it advises: a trigger level and a rate,
and that a pulse stays above the level for half of its width. Which pulses there were the journal says.
"""

from __future__ import annotations

import dataclasses
import json
import math
import random
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from nightdraw import data
from nightdraw.bench import drive, findable
from nightdraw.bench.finding import detectability
from nightdraw.bench.finding.circuit import ASLEEP, State
from nightdraw.bench.setup import build
from nightdraw.instruments import setup
from nightdraw.instruments.model import Instruments
from nightdraw.instruments.read import load_instruments
from nightdraw.profile.model import Profile
from nightdraw.vehicle import script
from nightdraw.vehicle.model import BATTERY, Vehicle
from scipy.stats import binom

from tests.bench.finding import profile, vehicle
from tests.counts import tries

S = 10_000
PULSES = 12  # in a recording
MOST_SAMPLES = 600_000
KITS = {path.stem: load_instruments(path) for path in data.shipped_paths("instruments")}
NOISY = dataclasses.replace(
    KITS["workshop"],
    name="noisy",
    clamp=dataclasses.replace(KITS["workshop"].clamp, noise_a=0.3, drift_a=0.0),
    recorder=dataclasses.replace(KITS["workshop"].recorder, noise_mv=1.5),
)
KITS["noisy"] = NOISY
RECORDING = ["workshop", "laboratory", "earthed-scope", "noisy"]
EVERY = {path.stem: vehicle(path.stem) for path in data.shipped_paths("vehicles")}
# Those with one battery: there all of a fault is in the battery's cable; else it is measured (moved).
CARS = {name: car for name, car in EVERY.items() if car.second is None}
CLAMP, DROPS = "clamp and recorder", "voltage drops across fuses"


@dataclass(frozen=True)
class Case:
    """A fault of one periodic draw, made up from a seed, in a shipped vehicle with a shipped kit."""

    seed: int
    made: Profile
    car: Vehicle
    kit: Instruments
    splice: str
    draw_ma: int
    on_s: float
    every_s: float
    plan: script.Script = script.EMPTY
    at_ticks: int = 0

    @property
    def plain(self) -> bool:
        """Whether one battery is the only source."""
        return self.plan is script.EMPTY and self.car.second is None

    @property
    def search(self) -> findable.Search:
        state = State(self.plan, self.at_ticks) if self.plan is not script.EMPTY else ASLEEP
        return findable.Search(self.made, self.car, self.kit, self.splice, 1, state=state)

    def boxes(self) -> list[drive.Placed]:
        return [drive.Placed(self.splice, self.made.program(1), build(seed=self.seed), 1)]


def case(tmp_path: Path, seed: int, kits: list[str], cars: dict[str, Vehicle] = CARS) -> Case:
    source = random.Random(f"finding {seed}")
    draw_ma = round(math.exp(source.uniform(math.log(8), math.log(900))))
    on_ms = round(math.exp(source.uniform(math.log(1), math.log(2500))), 1)
    every_s = round(on_ms / 1000 + source.uniform(1, 15), 4)  # no multiple of any capture time
    first_s = round(source.uniform(0.5, every_s), 4)
    draw = f"  - pulse: {{draw: {draw_ma} mA, on: {on_ms} ms, every: {every_s} s, first: {first_s} s}}\n"
    car = cars[source.choice(sorted(cars))]
    splice = source.choice(car.splices).name
    kit = KITS[source.choice(kits)]
    return Case(seed, profile(tmp_path, draw), car, kit, splice, draw_ma, on_ms / 1000, every_s)


@dataclass(frozen=True)
class Record:
    """Samples of one channel, and the pulses that the box's journal says it played."""

    values: np.ndarray
    rate_hz: float
    pulses: list[tuple[float, float]]

    def found(self, level: float, least_s: float) -> list[tuple[float, float]]:
        """Stretches above a level, as long as that at least."""
        above = np.r_[False, self.values > level, False]
        edges = np.flatnonzero(np.diff(above.astype(np.int8)))
        spans = [(a / self.rate_hz, b / self.rate_hz) for a, b in edges.reshape(-1, 2).tolist()]
        return [(a, b) for a, b in spans if (b - a) >= least_s - 1e-9]


def smooth(values: np.ndarray, samples: int) -> np.ndarray:
    return values if samples == 1 else np.convolve(values, np.full(samples, 1 / samples), "same")


def record(
    tmp_path: Path,
    one: Case,
    channel: str,
    settings: dict,
    traits,
    boxed: bool = True,
    length_s: float | None = None,
) -> Record:
    """The channel asleep, by the settings, through a front end; length_s: else of so many PULSES."""
    rate_hz = settings["rate_hz"]
    seconds = min((PULSES + 0.5) * one.every_s if length_s is None else length_s, MOST_SAMPLES / rate_hz)
    wanted = drive.Drive(
        round(seconds * S), (channel,), Fraction(rate_hz), one.seed, out=tmp_path / f"{channel}.parquet",
        form="parquet", fronts=lambda kind: traits,
    )  # fmt: skip
    done = drive.drive(one.car, one.boxes() if boxed else [], wanted, one.plan)
    import pyarrow.parquet as pq

    values = pq.read_table(done.recording)[1].to_numpy()
    return Record(smooth(values, settings.get("smoothed_samples", 1)), rate_hz, _pulses(one, done))


def _pulses(one: Case, done: drive.Driven) -> list[tuple[float, float]]:
    """By the journal: whole pulses."""
    if not done.journals:
        return []
    spans, begun = [], None
    base_ma = one.made.base_ua() / 1000
    for text in done.journals[0].read_text().splitlines():
        line = json.loads(text)
        if line["kind"] != "edge":
            continue
        high = line["level_ma"] > base_ma + one.draw_ma / 2
        if high and begun is None:
            begun = line["at_s"]
        elif not high and begun is not None:
            spans.append((begun, line["at_s"]))
            begun = None
    return spans if begun is None else [*spans, (begun, math.inf)]  # the last goes on at the end


@dataclass(frozen=True)
class Outcome:
    """Pulses played and found; finds that are neither a pulse nor the vehicle's own."""

    pulses: int
    found: int
    false: int


def between(values: np.ndarray, one: Case) -> float:
    """The level between the pulses: the middle of what isn't in one, however much of the time that is."""
    return float(np.quantile(values, (1 - one.on_s / one.every_s) / 2))


def outcome(one: Case, kept: Record, quiet: Record, level: float) -> Outcome:
    """quiet: the same vehicle without the box, the same twitches, no noise."""
    slack = 1.5 / kept.rate_hz + 0.1 * one.on_s
    spans = kept.found(level, one.on_s / 2)
    own = quiet.found(float(np.median(quiet.values)) + (level - between(kept.values, one)) / 2, 0.0)
    there_s = one.at_ticks / S  # before that the state that is judged isn't there yet
    whole = [(start, end) for start, end in kept.pulses if math.isfinite(end) and start >= there_s]
    hits = met(whole, spans, slack)
    near = met(spans, kept.pulses, slack) | met(spans, own, slack)
    return Outcome(len(hits), int(sum(hits)), int(sum(~near)))


def met(spans: list[tuple[float, float]], others: list[tuple[float, float]], slack: float) -> np.ndarray:
    """Which spans overlap one of the others, which stand in order and apart, to that slack."""
    starts, ends = np.array(spans).reshape(-1, 2).T
    begun, ended = np.array(others).reshape(-1, 2).T
    return begun.searchsorted(ends + slack, "left") > ended.searchsorted(starts - slack, "right")


def look(tmp_path: Path, one: Case, row: findable.Method) -> Outcome:
    """Record by the row's settings and look for pulses by its trigger."""
    given = row.settings
    clamped = row.method == CLAMP
    fuse = one.car.splice(one.splice).fuse
    assert one.kit.recorder is not None
    if clamped:
        assert one.kit.clamp is not None
        traits = setup.clamp_front(one.kit.clamp, one.kit.recorder, given["range_a"])
        asleep, scale = sum(m.asleep_a for m in one.car.modules), 1.0
    else:
        traits = setup.drop_front(one.kit.recorder, given["range_mv"])
        asleep = sum(m.asleep_a for m in one.car.modules if m.fuse == fuse)
        scale = one.search.site.fuse_ohms(fuse) * 1000
    kept = record(tmp_path, one, BATTERY if clamped else fuse, given, traits)
    quiet = record(tmp_path, one, BATTERY if clamped else fuse, given, drive.IDEAL, boxed=False)
    trigger = given.get("trigger_a", given.get("trigger_mv"))
    if not one.plain:
        # beside a source the base creeps as the battery fills, and a place has only a part of the fault
        kept = dataclasses.replace(kept, values=kept.values - course(kept.values, kept.rate_hz, one))
        quiet = dataclasses.replace(quiet, values=quiet.values - course(quiet.values, quiet.rate_hz, one))
        rest, away = moved(tmp_path, one, BATTERY if clamped else fuse)
        return outcome(one, kept, quiet, away / 2 if trigger is None else trigger - rest)
    if trigger is None:
        # by eye: against the trace's own course, which wanders slowly
        kept = dataclasses.replace(kept, values=kept.values - course(kept.values, kept.rate_hz, one))
        return outcome(one, kept, quiet, one.draw_ma / 2000 * scale)
    # a zero that is off moves the whole trace: one sets it, or reads the level from the trace
    rest = (one.made.base_ua() / 1e6 + asleep) * scale
    return outcome(one, kept, quiet, between(kept.values, one) + trigger - rest)


def moved(tmp_path: Path, one: Case, channel: str) -> tuple[float, float]:
    """What is there before a pulse, and by how much that moves it, by a recording without noise, twitches."""
    rate_hz = 2000.0 if one.on_s > 0.002 else 10_000.0
    alone = dataclasses.replace(one, car=dataclasses.replace(one.car, twitches=()))
    length_s = one.at_ticks / S + 2.5 * one.every_s + one.on_s
    kept = record(tmp_path, alone, channel, {"rate_hz": rate_hz}, drive.IDEAL, length_s=length_s)
    begun_s, ended_s = [pulse for pulse in kept.pulses if math.isfinite(pulse[1])][-1]
    begun, ended = round(begun_s * rate_hz), math.ceil(ended_s * rate_hz)
    base = float(np.median(kept.values[max(0, begun - round(0.3 * rate_hz)) : begun - 2]))
    away = kept.values[begun:ended] - base
    return base, float(away[np.argmax(np.abs(away))])


def course(values: np.ndarray, rate_hz: float, one: Case) -> np.ndarray:
    """What lies between the pulses, slowly varying: the middles of stretches of two periods, lines between.
    Beside a source it varies faster: one compares a pulse with what is beside it, ten widths."""
    stretch_s = 2 * one.every_s if one.plain else min(2 * one.every_s, 10 * one.on_s)
    length = max(8, round(stretch_s * rate_hz))
    cuts = range(0, max(1, len(values) - length // 2), length)
    middles = [cut + length / 2 for cut in cuts]
    return np.interp(np.arange(len(values)), middles, [between(values[c : c + length], one) for c in cuts])


def judged(tmp_path: Path, one: Case) -> list[tuple[str, bool, float, Outcome]]:
    """(method, shows, ratio to what it takes, what the recording says) for clamp and drops."""
    found = []
    rows = {row.method: row for row in one.search.methods()}
    for name in (CLAMP, DROPS):
        row = rows[name]
        # a pulse that lasts for long beside a wandering zero is for people to see, not for this detector
        triggered = "trigger_a" in row.settings or "trigger_mv" in row.settings
        if "screen_s" in row.settings and (triggered or one.on_s < 0.25 * one.every_s):
            found.append((name, row.shows, _ratio(row), look(tmp_path, one, row)))
    return found


def _ratio(row: findable.Method) -> float:
    """How many times the noise the row says that the signal is."""
    return float(row.why.split(" times")[0].split(": ")[-1])


def check(tmp_path: Path, seeds: Iterable[int]) -> tuple[int, int]:
    """Every case of these seeds; returns how many verdicts of either kind were put to the proof."""
    yes = no = pulses = found = false = 0
    for seed in seeds:
        one = case(tmp_path, seed, RECORDING)
        for name, shows, ratio, said in judged(tmp_path, one):
            with_times = (
                f"seed {seed}: {name}, {one.draw_ma} mA {one.on_s} s, {one.kit.name}, {ratio} times: {said}"
            )
            if shows:
                yes += 1
                pulses, found, false = pulses + said.pulses, found + said.found, false + said.false
                assert said.found >= 0.9 * said.pulses, with_times
                assert said.false <= 0.1 * said.pulses, with_times
            elif ratio < detectability.CLEAR / 3:
                no += 1
                assert said.found < 0.95 * said.pulses or said.false > 0.05 * said.pulses, with_times
    assert found >= 0.99 * pulses
    assert false <= 0.01 * pulses
    return yes, no


def test_what_is_said_to_show_is_found_in_a_recording(tmp_path: Path) -> None:
    yes, no = check(tmp_path, range(8, 18))
    assert yes >= 8
    assert no >= 1


# What feeds the vehicle besides its battery, and when into it the search is: the engine has been cranked.
SOURCES = {
    "off": (script.EMPTY, 0),
    "charger": (script.Script("charging", False, (script.Event(0, script.CHARGER, "on"),)), 0),
    "engine": (script.Script("running", False, (script.Event(0, script.ENGINE, "", 7200 * S),)), 10 * S),
    "locked": (script.Script("locked", True, ()), S),  # on its way to sleep, in its modules' first stage
}


def drawn(tmp_path: Path, seed: int, fed: str) -> Case:
    """A fault in any shipped vehicle; how faint it is comes from the kit's noise, which is drawn: findable
    has no say in it. Modules have no stages, or their first for ever: one state lasts while one searches."""
    source = random.Random(f"drawn {seed}")
    one = case(tmp_path, seed, ["workshop", "laboratory"], EVERY)
    times = math.exp(source.uniform(0.0, math.log(3000)))
    assert one.kit.clamp is not None
    assert one.kit.recorder is not None
    kit = dataclasses.replace(
        one.kit,
        clamp=dataclasses.replace(one.kit.clamp, noise_a=one.kit.clamp.noise_a * times),
        recorder=dataclasses.replace(one.kit.recorder, noise_mv=one.kit.recorder.noise_mv * times),
    )
    modules = tuple(
        dataclasses.replace(
            module,
            stages=tuple(dataclasses.replace(stage, ticks=10 * 3600 * S) for stage in module.stages[:1])
            if fed == "locked"
            else (),
            holds=(), calls=None, wakes=(), buses=(),
        )
        for module in one.car.modules
    )  # fmt: skip
    car = dataclasses.replace(one.car, modules=modules, buses=(), defects=())
    plan, at_ticks = SOURCES[fed]
    return dataclasses.replace(one, kit=kit, car=car, plan=plan, at_ticks=at_ticks)


@dataclass
class Count:
    """Verdicts that were put to the proof, and of them wrong; those between, where nothing is claimed."""

    yes: int = 0
    false_yes: int = 0
    no: int = 0
    false_no: int = 0
    between: int = 0

    def take(self, shows: bool, ratio: float, said: Outcome) -> bool:
        """One verdict and its recording; True where it is wrong. That it doesn't show is wrong where the
        detector finds it all the same without a false alarm."""
        if shows:
            wrong = said.found < 0.9 * said.pulses or said.false > 0.1 * said.pulses
            self.yes, self.false_yes = self.yes + 1, self.false_yes + wrong
        elif ratio < detectability.CLEAR / 3:
            wrong = said.found >= 0.95 * said.pulses and said.false <= 0.05 * said.pulses
            self.no, self.false_no = self.no + 1, self.false_no + wrong
        else:
            wrong, self.between = False, self.between + 1
        return wrong


def most_wrong(count: int) -> int:
    """More of so many come once in 100 000 counts where one in fifty is wrong."""
    return int(binom.ppf(1 - 1e-5, count, 0.02))


def counted(tmp_path: Path, seeds: Iterable[int], fed: str) -> Count:
    """The verdicts over drawn faults with one of SOURCES; those that are wrong are printed."""
    count = Count()
    for seed in seeds:
        one = drawn(tmp_path, seed, fed)
        if (fed == "charger" and one.car.charger is None) or (fed == "engine" and one.car.alternator is None):
            continue
        if fed == "locked" and one.car.second is not None:
            continue  # awake, two batteries even out by the bench's steps of 10 s: as large as faint pulses
        for name, shows, ratio, said in judged(tmp_path, one):
            if count.take(shows, ratio, said):
                print(f"{fed}, seed {seed}: {name}, {one.car.name}, {one.draw_ma} mA {one.on_s} s every"
                      f" {one.every_s} s, {one.kit.name}, shows {shows}, {ratio} times: {said}")  # fmt: skip
    print(f"{fed}: {count}")
    return count


def test_verdicts_whatever_feeds_the_vehicle(tmp_path: Path) -> None:
    """Drawn faults, each with battery alone, charger, engine, in all vehicles that ship."""
    for fed in SOURCES:
        count = counted(tmp_path, range(5000, 5003), fed)
        assert count.false_yes == count.false_no == 0


@pytest.mark.campaign
@pytest.mark.parametrize("fed", SOURCES)
def test_rates_of_verdicts_over_drawn_faults(fed: str, seed: int, tmp_path: Path) -> None:
    """False yes and false no, each with its count of tries."""
    first = 10_000 + seed % 1_000_000
    count = counted(tmp_path, range(first, first + tries(100, 40)), fed)
    assert count.yes >= tries(20, 8)
    assert count.no >= tries(12, 4)
    assert count.false_yes <= most_wrong(count.yes)
    assert count.false_no <= most_wrong(count.no)


@pytest.mark.campaign
def test_many_made_up_faults_are_found_as_said(tmp_path: Path) -> None:
    yes, _ = check(tmp_path, range(18, 18 + tries(72, 30)))
    assert yes >= tries(50, 20)
