"""Pulling fuses: walks and trials against a plain simulation of modules, waits and blame."""

from __future__ import annotations

import math
import random
from pathlib import Path

import numpy as np
import pytest
from nightdraw.bench.finding import laws
from nightdraw.bench.finding.place import Site
from nightdraw.bench.finding.train import Signature, Train
from nightdraw.bench.finding.trials import Restoration, Trials
from nightdraw.bench.finding.walks import Wakes, by_pulling

from tests.bench.finding import DEEP, by_name, profile, search, vehicle
from tests.bench.plain import Alternating, Periodic, Told

PERIODIC = "  - pulse: {draw: 400 mA, on: 200 ms, every: 7 s, first: 3 s}\n"
UNIFORM = "  - random: {draw: 400 mA, on: 1 s .. 2 s, gap: 20 s .. 90 s}\n"
POISSON = "  - random: {draw: 400 mA, on: 300 ms, gap: 40 s, law: exponential}\n"
NAME = "pulling fuses"
S = 10_000


def plain(
    car: str, own: str, pulses: Periodic | Alternating, patience_s: float, back_s, trials: int = 4000
) -> tuple[Told, float]:
    """The search in the words of its docstring; the vehicle's modules as its file says they wake.

    back_s(seconds until all sleeps after the fuse went back): what it takes to see it again.
    """
    source = random.Random(3)
    made = vehicle(car)
    names = [fuse.name for fuse in made.fuses]
    taken, wrong = [], 0
    for _ in range(trials):
        wait = pulses.begin(source)
        order = names[:]
        source.shuffle(order)
        out: set[str] = set()
        now = wait(0.0)
        for name in order:
            out.add(name)
            now += 15 + _asleep_after(made, out, None)
            if name == own:
                taken.append(now + patience_s + back_s(_asleep_after(made, out - {own}, own)))
                break
            seen = wait(now)
            if seen - now > patience_s:
                wrong += 1
                break
            now = seen
    return Told(taken), wrong / trials


def _asleep_after(made, out: set[str], put_back: str | None) -> float:
    """Seconds until the modules that a pull (or a fuse put back) woke sleep again; one without power doesn't
    count."""
    longest = 0.0
    for module in made.modules:
        woken = "fuse" in module.wakes or module.fuse == put_back
        if woken and module.fuse not in out:
            longest = max(longest, sum(stage.ticks for stage in module.stages) / 10_000)
    return longest


@pytest.mark.parametrize(
    ("car", "splice"), [("vehicle-1", "tailgate"), ("vehicle-1", "body"), ("vehicle-2", "telematics")]
)
def test_periodic_pulses(tmp_path: Path, car: str, splice: str) -> None:
    more = DEEP + "resume: restart\nresume_after: 20 s\n"
    method = by_name(profile(tmp_path, PERIODIC, more), at=splice, car=car)[NAME]
    own = vehicle(car).splice(splice).fuse

    def back_s(asleep_s: float) -> float:
        # 15 s to put it back, 20 s by resume_after, then the schedule anew: pulses at 3, 10, 17 ...
        now = 3.0
        while 20 + now < asleep_s:
            now += 7
        return 15 + 20 + now + 0.2

    assert method.settings["watch_s"] == pytest.approx(7.2)
    with_times, wrong = plain(car, own, Periodic(7, 0.2), 7.2, back_s)
    assert wrong == 0
    assert method.more["wrong_fuse"] == 0
    assert with_times.agrees(method.time.expected_s, method.time.p95_s, method.time.errors_s())
    assert with_times.agrees(method.closed.expected_s, method.closed.p95_s)


@pytest.mark.parametrize("draw", [UNIFORM, POISSON], ids=["uniform", "exponential"])
def test_random_pulses_blame_a_wrong_fuse_in_at_most_one_search_of_twenty(tmp_path: Path, draw: str) -> None:
    made = profile(tmp_path, draw, DEEP + "resume: stay-off\n")
    method = by_name(made, at="siren")[NAME]
    patience_s = method.settings["watch_s"]
    pulses = (
        Alternating(lambda s: s.uniform(20, 90), lambda s: s.uniform(1, 2))
        if draw == UNIFORM
        else Alternating(lambda s: min(320.0, s.expovariate(1 / 40)), lambda s: 0.3)
    )
    with_times, wrong = plain("vehicle-1", "F9", pulses, patience_s, lambda asleep_s: 0.0)
    assert 0.002 < wrong <= 0.05
    assert method.more["wrong_fuse"] <= 0.05
    assert method.closed.wrong <= 0.05
    assert method.more["wrong_fuse"] == pytest.approx(wrong, abs=0.012)  # 4 standard errors of 4000 trials
    assert method.closed.wrong == pytest.approx(wrong, abs=0.012)
    assert with_times.agrees(method.time.expected_s, method.time.p95_s, method.time.errors_s())
    assert with_times.agrees(method.closed.expected_s, method.closed.p95_s)
    assert "can't be confirmed" in method.why
    assert method.settings["confirm"] == "no"


def test_a_run_that_goes_on_is_seen_again_where_it_was(tmp_path: Path) -> None:
    """Continue: no more than restart's wait on average, and no closed form is claimed."""
    rows = {
        rule: by_name(profile(tmp_path, PERIODIC, DEEP + f"resume: {rule}\n"))[NAME]
        for rule in ("restart", "continue", "stay-off")
    }
    assert rows["continue"].closed is None
    assert rows["stay-off"].time.expected_s < rows["continue"].time.expected_s
    assert rows["continue"].time.expected_s == pytest.approx(rows["restart"].time.expected_s, rel=0.02)


def test_a_steady_fault_is_read_at_once_after_each_pull(tmp_path: Path) -> None:
    method = by_name(profile(tmp_path, "  - steady: 300 mA\n", DEEP + "resume: stay-off\n"), at="siren")[NAME]
    with_times, wrong = plain("vehicle-1", "F9", _Steady(), 5.0, lambda asleep_s: 0.0)
    assert wrong == 0
    assert with_times.agrees(method.time.expected_s, method.time.p95_s, method.time.errors_s())
    assert with_times.agrees(method.closed.expected_s, method.closed.p95_s)


class _Steady:
    def begin(self, source: random.Random):
        return lambda at: at + 5.0


def test_modules_sleep_sooner_the_more_of_them_are_out() -> None:
    site = Site(None, vehicle("vehicle-1"), vehicle("vehicle-1").splice("tailgate"))
    wakes = site.wakes()
    assert wakes.pulled_s(frozenset()) == 390  # the body module's stages: 30 s, 2 min, 4 min
    assert wakes.pulled_s(frozenset({"F1"})) == 140  # the instruments': 20 s, 2 min
    assert wakes.pulled_s(frozenset({"F1", "F3"})) == 0
    assert wakes.back_s(frozenset({"F1", "F3", "F7"}), "F7") == 30  # a fuse put back wakes what it feeds


def test_a_walks_weights_are_a_law() -> None:
    wakes = Wakes({"A": 60.0, "B": 20.0}, {}, {name: k for k, name in enumerate("ABCDE")})
    walk = by_pulling(wakes, "C", 15.0, 7.0, lambda asleep_s: 0.0)
    assert sum(path.weight for path in walk.paths) == pytest.approx(1)
    first = [path for path in walk.paths if not any(path.counts)]
    assert [path.weight for path in first] == [pytest.approx(1 / 5)]  # it is the first one pulled
    assert first[0].constant_s == 15 + 60 + 7


def test_what_the_right_fuse_feeds_wakes_when_it_goes_back() -> None:
    """Five fuses, a steady fault on C that feeds a module which takes 200 s: walk, trials and words agree."""
    wakes = Wakes({"A": 60.0, "B": 20.0}, {"C": 200.0}, {name: k for k, name in enumerate("ABCDE")})
    walk = by_pulling(wakes, "C", 15.0, 7.0, lambda asleep_s: 15.0 + asleep_s + 5.0)
    assert min(path.constant_s for path in walk.paths) >= 15 + 7 + 15 + 200 + 5
    closed = laws.STEADY.spread(walk)
    times = Trials(Signature(0.3, math.inf, None), 1).by_pulling(
        wakes, "C", 15.0, 7.0, Restoration("restart", 15.0, 0.0)
    )
    mean_s, p95_s = times.errors_s()
    assert times.expected_s == pytest.approx(closed.expected_s, abs=5 * mean_s)
    assert times.p95_s == pytest.approx(closed.p95_s, abs=5 * p95_s + 0.001)


def test_a_run_that_goes_on_has_lost_up_to_ten_seconds() -> None:
    """One fuse, pulses of 1 s every 20 s: cut off 15 s behind a pulse, the next would be seen 5 s later, were
    nothing lost; the box wrote its place down at most 10 s before."""
    wakes = Wakes({}, {}, {"A": 0})
    starts = np.arange(3001) * 20.0 * S
    train = Train(starts, starts + S, np.full(len(starts), 0.3))
    trials = Trials(Signature(0.3, 1.0, train), 1)
    once_s = trials.pulses(1).taken_s
    times = trials.by_pulling(wakes, "A", 15.0, 21.0, Restoration("continue", 15.0, 30.0))
    played_s = times.taken_s - once_s - (15 + 21 + 15 + 30)
    assert played_s.min() >= 5 - 1e-6
    assert played_s.max() <= 15 + 1e-6
    # pulses end at 1, 21, 41 .. s, so the cut is at 16, 36 .. s: 6 s behind what was written down
    assert played_s == pytest.approx(11.0)


def test_the_search_says_which_instrument_watches(tmp_path: Path) -> None:
    rows = {row.method: row for row in search(profile(tmp_path, PERIODIC), "basic").methods()}
    assert rows[NAME].settings["with"] == "MAX on a meter"
    # what a pulled fuse wakes (1.1 A and 0.3 A, the tailgate's 50 mA) is too much for the 400 mA range
    assert rows["MAX on a meter"].settings["range_a"] == 10
    assert rows[NAME].settings["range_a"] == 10
    small = "  - pulse: {draw: 60 mA, on: 200 ms, every: 7 s}\n"
    rows = {row.method: row for row in search(profile(tmp_path, small), "basic", at="body").methods()}
    assert rows["MAX on a meter"].settings["range_a"] == 0.4
    assert rows[NAME].settings["range_a"] == 10
    tiny = "  - pulse: {draw: 40 mA, on: 200 ms, every: 7 s}\n"
    rows = {row.method: row for row in search(profile(tmp_path, tiny), "basic", at="body").methods()}
    assert rows["MAX on a meter"].shows
    assert not rows[NAME].shows  # 40 mA against the keep-alive's 28 mA and steps of 10 mA


@pytest.mark.parametrize(("on", "every"), [("10 min", "30 min"), ("40 s", "3 min"), ("25 min", "26 min")])
@pytest.mark.parametrize(("car", "splice"), [("vehicle-3", "tracker"), ("vehicle-1", "siren")])
def test_several_fuses_pulled_within_one_long_pulse_blame_none_of_them(
    tmp_path: Path, on: str, every: str, car: str, splice: str
) -> None:
    """Who sees the end of a long pulse waits the whole pause; an independent search counts wrong blames."""
    made = profile(tmp_path, f"  - pulse: {{draw: 300 mA, on: {on}, every: {every}}}\n")
    method = by_name(made, at=splice, car=car)[NAME]
    long_s, period_s = (float(text.split()[0]) * (60 if "min" in text else 1) for text in (on, every))
    source, wrong, trials = random.Random(9), 0, 3000
    stands = vehicle(car)
    for _ in range(trials):
        names = [fuse.name for fuse in stands.fuses]
        source.shuffle(names)
        now, out = source.uniform(0, period_s), set()
        now = _shown(now, long_s, period_s)
        for name in names:
            out.add(name)
            if name == stands.splice(splice).fuse:
                break
            watched = now + 15 + _asleep_after(stands, out, None)
            now = _shown(watched, long_s, period_s)
            if now - watched > method.settings["watch_s"]:
                wrong += 1
                break
    assert wrong / trials <= 0.05
    error = math.sqrt(max(method.more["wrong_fuse"], 1 / trials) / trials)
    assert method.more["wrong_fuse"] == pytest.approx(wrong / trials, abs=4 * error)


def _shown(now: float, long_s: float, period_s: float) -> float:
    """When 5 s of a pulse were seen, pulses beginning at multiples of their period."""
    inside = now % period_s
    return now + 5 if inside + 5 <= long_s else now - inside + period_s + 5
