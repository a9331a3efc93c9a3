"""Which fuse carries the pulses of a clamp: truth known, quiet fuses never named, scipy beside it."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from nightdraw.capture import correlation, read
from nightdraw.capture import seen as sn
from nightdraw.capture.events import see
from nightdraw.capture.seen import Seen
from nightdraw.cli import main
from scipy import stats

from tests.capture.synthetic import Clamp, Floats, pulse, random_draw, steady, truth_of

NOISE_MV = 0.02  # of a sample, a differential input averaged over a millisecond
OHMS = 0.0077  # a 10 A blade fuse, 7.5 milliohm, and its contacts
DRAWS = {
    "even": [steady(40), pulse(350, 0.7, 7.5)],
    "small": [steady(40), pulse(25, 0.2, 5.0)],
    "random": [steady(40), random_draw(200, (0.1, 0.9), (1.0, 8.0))],
    "crowded": [steady(40), pulse(60, 0.3, 0.7)],
}


def drop(t_s: Floats, mv: Floats, name: str = "F1") -> read.Recording:
    """Millivolts in memory as a recording."""
    return read.from_arrays(t_s, mv, "drop", "mV", name)


def clamp_of(name: str, seed: int = 1, seconds: float = 90.0) -> tuple[Seen, Floats, Floats]:
    """The pulses as a clamp has them, and the true current."""
    truth = truth_of(DRAWS[name], seconds, seed)
    t_s, ma = Clamp(sigma_ma=0.0).samples(truth)
    return see(Clamp(sigma_ma=1.0, seed=seed).recording(truth)), t_s, ma


def noise(count: int, seed: int) -> Floats:
    return np.random.default_rng(seed).normal(0, NOISE_MV, count)


@pytest.mark.parametrize("name", DRAWS)
def test_the_fuse_that_carries_them_is_named_with_its_resistance(name: str) -> None:
    pulses, t_s, ma = clamp_of(name)
    drops = [
        drop(t_s, noise(len(t_s), 1) + 0.1, "F1"),
        drop(t_s, OHMS * ma + noise(len(t_s), 2), "F2"),
        drop(t_s, noise(len(t_s), 3), "F3"),
    ]
    found = correlation.moves_with(pulses, drops)
    assert found.carried_by == "F2"
    quiet, carrier, other = found.movers
    assert (quiet.pulses, quiet.ohms, other.pulses, other.ohms) == (0, None, 0, None)
    count = int(np.count_nonzero(pulses.events.kind == sn.PULSE))
    assert carrier.pulses == pytest.approx(count, abs=0.05 * count)
    assert carrier.ohms == pytest.approx(OHMS, rel=0.03)
    assert "F2 carries the pulses" in found.text()


@pytest.mark.parametrize("name", ["even", "random"])
def test_a_hundred_quiet_fuses_never_move(name: str) -> None:
    """Two trains, 200 seeds: noise, and loads of the fuse's own at instants of their own."""
    pulses, t_s, _ = clamp_of(name)
    drops = []
    for seed in range(100):
        rng = np.random.default_rng(seed)
        own = np.zeros(len(t_s))
        if seed % 2:  # a lamp that blinks, a module that wakes for a while
            own += OHMS * 8.0 * ((t_s + rng.uniform(0, 2)) % rng.uniform(1.5, 2.5) < 0.06)
            woken = rng.uniform(0, 80)
            own += OHMS * 120.0 * ((t_s > woken) & (t_s < woken + 7))
        drops.append(drop(t_s, own + noise(len(t_s), 1000 + seed), f"F{seed}"))
    found = correlation.moves_with(pulses, drops)
    assert [mover.channel for mover in found.movers if mover.ohms is not None] == []
    assert found.carried_by is None


def test_a_load_that_yields_to_the_sagging_battery_is_not_named() -> None:
    """0.2 ohm of battery and wires in common: a 21 W lamp's current falls as the box's rises."""
    pulses, t_s, ma = clamp_of("even")
    lamp_ma = 1750.0 * (1 - 0.2 * ma / 1000 / 12.5)
    found = correlation.moves_with(pulses, [drop(t_s, OHMS * lamp_ma + noise(len(t_s), 4))])
    assert found.movers[0].z < -correlation.SURE_Z, "it moves, the other way round"
    assert (found.movers[0].ohms, found.carried_by) == (None, None)


def test_what_leaks_from_another_input_is_no_fuse() -> None:
    pulses, t_s, ma = clamp_of("even")
    found = correlation.moves_with(pulses, [drop(t_s, 1e-5 * ma + 0.01 * noise(len(t_s), 4))])
    assert found.movers[0].z > correlation.SURE_Z
    assert found.carried_by is None


def test_two_fuses_in_a_row_are_both_told() -> None:
    pulses, t_s, ma = clamp_of("even")
    drops = [
        drop(t_s, 0.0008 * ma + 0.1 * noise(len(t_s), 5), "main"),
        drop(t_s, OHMS * ma + noise(len(t_s), 6), "F7"),
    ]
    found = correlation.moves_with(pulses, drops)
    assert [mover.share for mover in found.movers] == pytest.approx([1, 1], abs=0.05)
    assert found.carried_by is None
    assert "one lies behind the other" in found.text()


def test_half_of_the_pulses_in_each_of_two_fuses() -> None:
    truth = truth_of(DRAWS["even"], 300.0)
    t_s, ma = Clamp(sigma_ma=0.0).samples(truth)
    pulses = see(Clamp().recording(truth))
    odd = (t_s // 7.5).astype(int) % 2 == 1
    drops = [
        drop(t_s, OHMS * np.where(odd == half, ma, 40.0) + noise(len(t_s), 7 + half), f"F{half}")
        for half in (0, 1)
    ]
    found = correlation.moves_with(pulses, drops)
    assert [mover.share for mover in found.movers] == pytest.approx([0.5, 0.5], abs=0.03)
    assert [mover.ohms for mover in found.movers] == pytest.approx([OHMS, OHMS], rel=0.03)


def test_scipy_says_the_same_of_the_same_samples() -> None:
    """Sample by sample: a drop that moves correlates with the clamp (Pearson), a quiet one does not; and the
    slope of the least squares is the resistance."""
    pulses, t_s, ma = clamp_of("random")
    moves, quiet = OHMS * ma + noise(len(t_s), 8), noise(len(t_s), 9)
    found = correlation.moves_with(pulses, [drop(t_s, moves), drop(t_s, quiet)])
    line = stats.linregress(ma, moves)
    assert line.pvalue < 1e-6
    assert found.movers[0].ohms == pytest.approx(line.slope, rel=0.02)
    assert stats.pearsonr(ma, quiet).pvalue > 1e-4
    assert abs(found.movers[1].z) < correlation.SURE_Z


def test_chance_is_as_wide_as_normal_noise_makes_it() -> None:
    """z of quiet fuses is a standard normal's, by Kolmogorov and Smirnov; heavy tails would make names."""
    pulses, t_s, _ = clamp_of("even")
    drops = [drop(t_s, noise(len(t_s), 5000 + k)) for k in range(150)]
    z = [mover.z for mover in correlation.moves_with(pulses, drops).movers]
    below = [value for value in z if value < 0]
    assert 40 < len(below) < 110
    assert stats.kstest(np.abs(below), "halfnorm", args=(0, 1.1)).pvalue > 1e-3


def test_on_the_bench_the_splices_own_fuse_carries_the_pulses(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Twitches of other fuses are in the clamp as well: each is found in its own."""
    monkeypatch.chdir(tmp_path)
    Path("p.yaml").write_text(
        "profile: p\nabout: A test's own.\nstart: {when: power, after: 2 s}\n"
        "draws:\n  - steady: 20 mA\n  - pulse: {draw: 250 mA, on: 300 ms, every: 4.3 s}\n"
    )
    wanted = [f"--channel={name}" for name in ("battery", "F1", "F3", "F7", "F9")]
    words = ["bench", "record", "--vehicle", "vehicle-1", "--box", "p.yaml@tailgate", *wanted]
    assert main.run([*words, "--for", "90s", "--out", "r.csv"]) == 0
    capsys.readouterr()
    assert main.run(["capture", "pulses", "r.csv", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["carried_by"] == "F7"
    moves = {row["channel"]: row for row in found["moves_with"]}
    assert set(moves) == {"F1", "F3", "F7", "F9"}
    assert moves["F7"]["pulses"] == pytest.approx(20, abs=1)
    assert moves["F7"]["mohm"] == pytest.approx(7.7, abs=0.4), (
        "a 10 A blade fuse: 7.5 milliohm and its holder"
    )
    assert moves["F3"]["pulses"] == pytest.approx(44, abs=8), "the alarm lamp, every 2 s"
    assert [moves[name]["mohm"] for name in ("F1", "F9")] == [None, None]
    assert main.run(["capture", "pulses", "r.csv", "--channel", "F7", "--json"]) == 0
    assert "moves_with" not in json.loads(capsys.readouterr().out)
