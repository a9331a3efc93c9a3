"""What recorders do to a signal, by an independent generator: digits coarser than the noise, no noise at all,
stray samples, staircases behind a low-pass, noise that comes and goes. Counts of tries are printed."""

from __future__ import annotations

import numpy as np
import pytest
from nightdraw.capture import noise
from nightdraw.capture import seen as sn
from nightdraw.capture.events import see
from nightdraw.capture.pulses import measure
from nightdraw.capture.read import from_arrays

from tests.capture.faults import fault
from tests.capture.scoring import Score
from tests.capture.signals import Recorder, World, staircases, train
from tests.counts import tries

SLOW: dict[str, dict[str, float]] = {
    "still": {},
    "wander": {"wander_ma": 10.0},
    "drift": {"drift_ma_per_h": 300.0},
    "asleep": {"asleep_ma": 300.0},
    "hum": {"hum_ma": 5.0},
}


def look(recorder: Recorder, world: World, score: Score) -> int:
    """Score a recording; returns how many edges it has beyond the truth's."""
    seen = see(recorder.recording(world))
    score.add(world, seen)
    return len(seen.edges) - len(world.edges()[0])


@pytest.mark.parametrize("slow", SLOW)
def test_a_record_without_noise_has_no_edges_of_its_own(slow: str, seed: int) -> None:
    """Nothing but the bends of what creeps, and what is left of a hum."""
    score, extra = Score(), 0
    for k in range(3):
        extra += look(Recorder(noise_ma=0.0, seed=seed + k), _world(slow, seed + k), score)
    assert (score.found, score.invented) == (score.tries, 0)
    assert extra <= 3


@pytest.mark.parametrize("slow", ["still", "wander", "asleep"])
@pytest.mark.parametrize(("digit_ma", "noise_ma"), [(2.0, 0.2), (10.0, 0.0), (24.4, 2.4), (24.4, 7.3)])
def test_a_digit_coarser_than_the_noise(slow: str, digit_ma: float, noise_ma: float, seed: int) -> None:
    """12 bits over 100 A are 24.4 mA each. No edge is invented, and levels are as sure as they are said to
    be."""
    score = Score()
    extra = look(Recorder(noise_ma=noise_ma, digit_ma=digit_ma, seed=seed), _world(slow, seed), score)
    assert (score.found, score.invented) == (score.tries, 0)
    assert extra <= 0.05 * score.tries
    assert score.covered() >= 0.9
    assert score.levels_covered() >= 0.9


def _world(slow: str, seed: int) -> World:
    return World(120.0, train(120, 100, 0.5, 3.0, seed), **SLOW[slow])


@pytest.mark.parametrize(("own", "share"), [(0.0, 1.0), (0.2, 0.45), (0.3, 0.17), (0.5, 0.007), (1.0, 0.0)])
def test_what_a_digit_leaves_to_a_mean(own: float, share: float) -> None:
    """Against the amplitude of the quantizer's mean error itself, numerically: E[round(x + n)] - x over x."""
    rng = np.random.default_rng(1)
    inside = np.linspace(-0.5, 0.5, 41)
    error = [float(np.mean(np.round(x + rng.normal(0, own, 20_000)))) - x for x in inside]
    told = noise.quantization_u(1.0, float(np.sqrt(own**2 + 1 / 12)))
    assert told * np.sqrt(12) == pytest.approx(share, abs=0.02)
    assert float(np.sqrt(np.mean(np.square(error)))) <= 1.1 * told + 0.006


def test_levels_of_a_script_are_no_digits() -> None:
    """Three levels, evenly spaced, without noise: nothing says that they are codes."""
    t_s = np.arange(9000) / 1000
    ma = 40.0 + 50.0 * ((t_s % 3 > 1).astype(float) + (t_s % 3 > 2))
    assert noise.resolution(ma, 100.0) == 0.0
    assert len(measure(from_arrays(t_s, ma / 1000))) == 2


@pytest.mark.parametrize("kind", ["anywhere", "full scale", "zero"])
def test_stray_samples_are_spikes(kind: str, seed: int) -> None:
    """40 in two minutes; two that happen to be neighbours may be a pulse."""
    rng = np.random.default_rng(seed)
    at_s = np.unique(rng.integers(500, 119_000, 40)) / 1000
    value = {"anywhere": rng.uniform(-500, 2000, 40), "full scale": np.full(40, 2000.0), "zero": np.zeros(40)}
    world = World(120.0, train(120, 150, 0.5, 3.0, seed))
    score = Score()
    look(
        Recorder(seed=seed, stray=tuple(zip(at_s.tolist(), value[kind].tolist(), strict=False))), world, score
    )
    assert score.found >= score.tries - 1
    assert score.invented <= 1


def test_single_samples_at_a_period_are_pulses(seed: int) -> None:
    """A pulse shorter than a sampling interval, told by its period alone."""
    t_s, ma = Recorder(seed=seed).samples(World(60.0, ()))
    ma[500::2000] += 300
    found = measure(from_arrays(t_s, ma / 1000))
    assert len(found) == 30
    assert found.period_s == pytest.approx(2.0, abs=1e-3)
    rng = np.random.default_rng(seed)
    t_s, ma = Recorder(seed=seed).samples(World(60.0, ()))
    ma[rng.choice(60_000, 30, replace=False)] += 300
    assert len(measure(from_arrays(t_s, ma / 1000))) <= 1


@pytest.mark.parametrize("noise_ma", [0.0, 0.05, 1.0])
def test_a_low_pass_without_noise_is_a_low_pass(noise_ma: float, seed: int) -> None:
    """Without noise an edge's tail seems endless: it must not hide the time constant."""
    world = World(120.0, train(120, 100, 0.5, 3.0, seed))
    seen = see(Recorder(time_constant_s=0.02, noise_ma=noise_ma, seed=seed).recording(world))
    assert seen.time_constant_s == pytest.approx(0.02, rel=0.02)
    pulses = seen.events.take(seen.events.kind == sn.PULSE)
    np.testing.assert_allclose(pulses.start_s, [e.start_s + 0.0005 for e in world.events], atol=1e-3)
    np.testing.assert_allclose(pulses.duration_s, 0.5, atol=1e-3)


@pytest.mark.campaign
@pytest.mark.parametrize("noise_ma", [1.0, 5.0])
@pytest.mark.parametrize("time_constant_s", [0.0, 0.005, 0.02])
def test_campaign_of_staircases(
    time_constant_s: float, noise_ma: float, seed: int, capsys: pytest.CaptureFixture[str]
) -> None:
    """Levels of 50 ms to 1 s, steps from 12 dB on and of 30 mA at least (a tail hides less than
    a twentieth of its edge), through a low-pass: all found, and as sure as stated."""
    score = Score()
    for k in range(tries(8, 4)):
        world = World(300.0, staircases(300.0, max(4 * noise_ma, 30.0), (0.05, 1.0), seed + k))
        recorder = Recorder(noise_ma=noise_ma, time_constant_s=time_constant_s, seed=seed + k)
        score.add(world, see(recorder.recording(world)))
    with capsys.disabled():
        print(f"\nstaircases, {1e3 * time_constant_s:g} ms, noise {noise_ma:g} mA: {score.text()}")
    assert score.found >= 0.99 * score.tries
    assert score.invented <= 0.01 * score.tries
    assert score.covered() >= 0.93
    assert score.levels_covered() >= 0.93


@pytest.mark.campaign
def test_campaign_of_digits(seed: int, capsys: pytest.CaptureFixture[str]) -> None:
    """Digits of 0.1 to 50 mA, noise from none to a third of one, all kinds of base, pulses of 8 digits and
    more."""
    score, edges, extra = Score(), 0, 0
    rng = np.random.default_rng(seed)
    for k in range(120):
        digit_ma = float(np.exp(rng.uniform(*np.log([0.1, 50.0]))))
        slow = SLOW[str(rng.choice(["still", "wander", "drift", "asleep"]))]
        world = World(120.0, train(120, max(100.0, 8 * digit_ma), 0.5, 3.0, seed + k), **slow)
        noise_ma = float(rng.choice([0.0, 0.1, 0.2, 0.35])) * digit_ma
        extra += look(Recorder(noise_ma=noise_ma, digit_ma=digit_ma, seed=seed + k), world, score)
        edges += len(world.edges()[0])
    with capsys.disabled():
        print(f"\ndigits: {score.text()}; {extra} edges beyond the {edges} of the truth")
    assert score.found >= 0.99 * score.tries
    assert score.invented <= 0.01 * score.tries
    assert extra <= 0.02 * edges
    assert score.covered() >= 0.93
    assert score.levels_covered() >= 0.93


@pytest.mark.parametrize("number", [105, 108, 112])
def test_what_settles_at_its_own_pace_is_no_low_pass(number: int) -> None:
    """Exponential falls and ramps of a fault, beside edges that are sharp."""
    made = fault(number)
    seen = see(from_arrays(made.t_s, made.ma / 1e3))
    assert seen.time_constant_s == 0.0
    sample_s = float(made.t_s[1])
    rises = made.edge_s[made.height_ma > 0.1 * made.height_ma.max()]
    assert np.max(np.min(np.abs(seen.edges.at_s - rises[:, None]), axis=1)) <= sample_s


@pytest.mark.parametrize(("from_s", "until_s"), [(300.0, 600.0), (340.0, 500.0), (300.0, 302.0)])
def test_what_noise_hides_is_not_judged(from_s: float, until_s: float, seed: int) -> None:
    """An engine runs for some of fifteen minutes, with 400 mA rms of ripple: told in seconds, and
    nothing is made of it."""
    world = World(900.0, train(900, 150, 0.5, 7.0, seed))
    t_s, ma = Recorder(seed=seed).samples(world)
    loud = (t_s >= from_s) & (t_s < until_s)
    ma[loud] += np.random.default_rng(seed).normal(0, 400, int(loud.sum()))
    found = measure(from_arrays(t_s, ma / 1000))
    spans = [span for span in found.seen.unjudged if span.why == sn.NOISE]
    assert len(spans) == 1
    assert from_s - 21 <= spans[0].from_s <= from_s
    assert until_s <= spans[0].until_s <= until_s + 21
    outside = (found.start_s < spans[0].from_s) | (found.start_s > spans[0].until_s)
    started = np.array([event.start_s for event in world.events])
    assert np.count_nonzero(outside) >= np.count_nonzero((started < from_s - 22) | (started > until_s + 22))
    assert np.all(found.level_ma[outside] < 160)
    assert any("too noisy" in remark for remark in found.remarks())


@pytest.mark.parametrize("time_constant_s", [0.016, 0.024, 0.032])
def test_weak_edges_tell_a_low_pass_together(time_constant_s: float, seed: int) -> None:
    """At 6 dB noise hides each edge's shape; of 170 edges the time constant is known to a quarter, and
    uncertainties hold the durations. Of a hundred edges the shortest was not found in 1 of 24 records."""
    world = World(300.0, train(300, 10.0, 0.5, 3.0, seed))
    seen = see(Recorder(noise_ma=5.0, time_constant_s=time_constant_s, seed=seed).recording(world))
    assert seen.time_constant_s == pytest.approx(time_constant_s, rel=0.3)
    score = Score()
    score.add(world, seen)
    assert score.found >= 0.97 * score.tries
    assert score.covered(3.0) >= 0.9


def test_weak_edges_on_a_base_that_creeps_tell_no_low_pass(seed: int) -> None:
    """Pieces of a slope rise as slowly as edges of a very slow recorder would."""
    world = World(200.0, train(200, 10.0, 0.5, 3.0, seed), wander_ma=10.0, wander_s=20.0)
    assert see(Recorder(noise_ma=5.0, seed=seed).recording(world)).time_constant_s == 0.0
