"""What stands clear of an instrument's limits: bounds, triggers, screens, by hand-worked figures."""

from __future__ import annotations

import math

import pytest
from nightdraw.bench.finding.detectability import Signal, assess, noise_of, screen, straddling_share, trigger
from nightdraw.bench.finding.train import Signature
from nightdraw.instruments.front import Traits
from nightdraw.instruments.model import DIFFERENTIAL, Recorder
from scipy.stats import norm

PULSE = Signature(0.1, 0.5, object())  # half a second; no train is asked for anything here
STAYS = Signature(0.1, math.inf, None)


def signal(size: float, front: Traits, signature: Signature = PULSE, twitch: float = 0.0) -> Signal:
    return Signal(signature, size, 0.02, twitch, front, "A")


def test_white_noise_of_a_mean_goes_with_the_root_of_the_rate() -> None:
    """10 mA rms in 1 kHz: of means over an eighth of a second (8 Hz) it is 10 sqrt(4 / 1000) = 0.632 mA."""
    front = Traits(0.01, 1000.0)
    assert noise_of(front, 8.0, 0.5) == pytest.approx(0.01 * math.sqrt(4 / 1000))
    clear, noise = assess(signal(0.0039, front), 10_000.0)  # 6.17 times that
    assert clear.clear
    assert clear.settings["rate_hz"] == 8  # four samples a pulse; at twenty a second it isn't clear
    assert noise == pytest.approx(0.000632, rel=1e-3)
    assert not assess(signal(0.0037, front), 10_000.0)[0].clear  # 5.85 times
    assert assess(signal(0.01, front), 10_000.0)[0].settings["rate_hz"] == 20


def test_samples_at_instants_keep_their_noise_until_they_are_smoothed() -> None:
    front = Traits(0.01, 1000.0, instant=True)
    row, noise = assess(signal(0.013, front), 10_000.0)
    # 100 samples a pulse, smoothed over 25: a fifth of the noise
    assert (row.settings["rate_hz"], row.settings["smoothed_samples"]) == (200, 25)
    assert noise == pytest.approx(0.002)
    assert row.clear
    assert not assess(signal(0.011, front), 10_000.0)[0].clear
    assert "smoothed_samples" not in assess(signal(0.07, front), 10_000.0)[0].settings


def test_rounding_counts_as_noise_of_a_step_over_root_12() -> None:
    """A step of 10 mA is 2.89 mA rms: 17.3 mA are clear of it; smoothing helps only where noise moves it."""
    front = Traits(step=0.01)
    assert assess(signal(0.0174, front), 10_000.0)[0].clear
    assert not assess(signal(0.0172, front), 10_000.0)[0].clear
    still, moved = Traits(0.002, step=0.01, instant=True), Traits(0.006, step=0.01, instant=True)
    assert noise_of(still, 200.0, 0.5, 25) > 0.01 / math.sqrt(12)
    assert noise_of(moved, 200.0, 0.5, 25) == pytest.approx(math.hypot(0.006, 0.01 / math.sqrt(12)) / 5)


def test_a_zero_that_wanders_limits_what_stays_and_the_trigger() -> None:
    """Rms after t: drift sqrt(2 (1 - e^(-t / 300 s))); within a minute 0.602, within half a second 0.0577."""
    front = Traits(drift=0.01)
    assert noise_of(front, 20.0, math.inf) == pytest.approx(0.00602, rel=1e-2)
    assert noise_of(front, 20.0, 0.5) == pytest.approx(0.000577, rel=1e-2)
    assert not assess(signal(0.035, front, STAYS), 10_000.0)[0].clear
    assert assess(signal(0.037, front, STAYS), 10_000.0)[0].clear
    # a wait of ten minutes: 13.1 mA; half of the pulse must be three times that
    assert trigger(signal(0.078, front), 0.0, 600.0) is None
    assert trigger(signal(0.080, front), 0.0, 600.0) == pytest.approx(0.02 + 0.04)


def test_the_trigger_is_halfway_and_above_twitches_where_there_is_room() -> None:
    front = Traits()
    assert trigger(signal(0.1, front), 0.005, 10.0) == pytest.approx(0.02 + 0.05)
    assert trigger(signal(0.1, front, twitch=0.03), 0.005, 10.0) == pytest.approx(0.02 + 0.05)
    assert trigger(signal(0.1, front, twitch=0.06), 0.005, 10.0) == pytest.approx(0.02 + 0.08)
    assert trigger(signal(0.1, front, twitch=0.08), 0.005, 10.0) == pytest.approx(0.02 + 0.05)  # 20 < 30 mA
    assert trigger(signal(0.1, front, twitch=0.3), 0.005, 10.0) == pytest.approx(0.02 + 0.05)


def test_the_trigger_keeps_clear_of_the_noise_of_a_whole_wait() -> None:
    """Six rms up: halfway is crossed by 1.35 in 1000 samples; of 30 000 none may (scipy's normal law)."""
    front, noise = Traits(), 0.01
    assert trigger(signal(0.06, front), noise, 10.0, 1.0) == pytest.approx(0.02 + 0.03)
    assert trigger(signal(0.06, front), noise, 50.0, 30_000.0) is None  # 4.5 rms and 3 are more than 6
    level = trigger(signal(0.08, front), noise, 50.0, 30_000.0)
    assert level == pytest.approx(0.02 + noise * norm.isf(0.1 / 30_000))
    assert 30_000 * norm.sf((level - 0.02) / noise) == pytest.approx(0.1)
    assert trigger(signal(0.2, front), noise, 50.0, 30_000.0) == pytest.approx(0.02 + 0.1)


def test_a_screen_holds_the_wait_or_pulse_by_pulse() -> None:
    def kit(memory: int | None) -> Recorder:
        return Recorder(4, DIFFERENTIAL, 12, (100.0,), 1000.0, memory, 0.0)

    assert screen(PULSE, kit(None), 2, 100.0, 60.0, True) == {"screen_s": 60.0, "memory_samples": 12_000}
    whole = screen(PULSE, kit(20_000), 2, 100.0, 60.0, False)
    assert whole == {"screen_s": 60.0, "memory_samples": 12_000, "memory_lasts_s": 100}
    part = screen(PULSE, kit(4_000), 2, 100.0, 60.0, True)
    assert part["screen_s"] == 20
    assert "pulse by pulse" in part["capture"]
    assert (
        screen(PULSE, kit(4_000), 2, 100.0, 60.0, False) is None
    )  # no trigger: it would have to hold it all
    assert (
        screen(PULSE, kit(150), 2, 100.0, 60.0, True) is None
    )  # 0.75 s: a pulse and as much again don't fit


def test_a_pulse_shorter_than_a_sample_straddles_two() -> None:
    front = Traits(1e-6, 1000.0)
    short = Signature(0.1, 0.001, object())
    row, _ = assess(signal(0.1, front, short), 500.0)  # 1 ms in windows of 2 ms
    assert f"{0.1 * straddling_share(0.001, 0.002):.3g} A of 0.1 A" in row.why
    assert straddling_share(0.001, 0.002) == pytest.approx(0.275)
