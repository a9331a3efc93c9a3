"""Whether a signal can be seen with an instrument, and the settings of the instrument for it.

Theory of operation. A pulse is detectable where the part of its level that a sample gets is CLEAR times the
rms deviation of a sample. That deviation is the root sum of squares of three independent parts:

- noise within the bandwidth of front end and sampling rate;
- quantisation, a step / sqrt 12 (Bennett 1948), where the noise does not move the last digit;
- drift of the zero over the pulse's width, a first-order Gauss-Markov process.

The level that a sample gets: all of it at an instant; of a mean over a window the share of the window that
the pulse fills, which is smaller for a pulse across the boundary of two windows (`straddling_share`); behind
a low-pass what its step response reaches. Several rates are tried, the one that shows most of the pulse
first; with samples at instants also the mean of a quarter of the pulse's samples.

Assumptions: independent normal noise, one pulse in view, no aliasing of periodic disturbances. O(1) a call.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Any

from nightdraw.bench.finding.train import LOOK_S, SCARCE, Signature
from nightdraw.instruments.front import DRIFT_TIME_S, Traits
from nightdraw.instruments.model import Recorder

CLEAR = 6.0  # least ratio of a step to the rms noise: 3 rms on either side of its middle
PEAKS = 3.0  # least threshold in rms, for a few samples
FALSE = 0.1  # false triggers in one wait, on average
SHAPE, WIDTH = 10.0, 4.0  # samples a pulse: as many as show its shape, and the fewest that show its width
SMOOTHED = 100.0  # samples a pulse where smoothing must help
STEADY_RATES_HZ = (20.0, 1.0)  # for a level that stays: as a trace usually is, and averaged
LEAST_RATE_HZ = 20.0
MOVED_S = 60.0  # a clamp's zero is set again whenever the clamp is moved
HEADROOM = 1.2  # of a range above the highest level: noise, and an offset of the zero


@dataclass(frozen=True)
class Assessment:
    """Whether a signal is detectable (`clear`), why in words, the settings of the instrument."""

    clear: bool
    why: str
    settings: dict[str, Any]


@dataclass(frozen=True)
class Signal:
    """A signature of the fault at a recorder's channel, in `unit`: its size, the level below it, the
    vehicle's own largest pulse there, the front end that it passes, the level's own drift a second."""

    signature: Signature
    size: float
    level: float
    twitch: float
    front: Traits
    unit: str
    creep: float = 0.0


def straddling_share(width_s: float, window_s: float) -> float:
    """The share of a pulse's level that the fullest of a row of windows has as its mean, at least, in 95 of
    100 positions of the pulse.

    Windows w, pulse p: where p < 2 w it straddles two; the fuller one's share is then uniform from p / 2 w
    upwards with density 2, up to p / w or 1.
    """
    if width_s >= 2 * window_s:
        return 1.0
    return min(1.0, width_s / window_s, width_s / (2 * window_s) + SCARCE / 2)


def window_share(signature: Signature, window_s: float) -> float:
    """The share of a fault's level that the fullest window has as its mean, at least: whole cycles, and of
    one more pulse what is left of the window."""
    if not signature.pulsed:
        return 1.0
    whole = math.floor(window_s / signature.cycle_most_s) if signature.cycle_most_s else 0
    rest_s = min(signature.narrow_s, window_s - whole * signature.cycle_most_s)
    return min(1.0, (whole * signature.narrow_s + rest_s) / window_s)


def step_response(width_s: float, corner_hz: float) -> float:
    """The share of a pulse's level that is reached behind a first-order corner."""
    return 1.0 if math.isinf(corner_hz) else -math.expm1(-2 * math.pi * corner_hz * width_s)


def seen_share(front: Traits, rate_hz: float, width_s: float) -> float:
    """The share of a pulse's level that a recorder's samples get, at least."""
    if front.instant:
        return 1.0 if width_s * rate_hz >= 1 else 0.0
    corner_hz = front.bandwidth_hz if front.bandwidth_hz < rate_hz / 2 else math.inf
    return straddling_share(width_s, 1 / rate_hz) * step_response(width_s, corner_hz)


def noise_of(front: Traits, rate_hz: float, width_s: float, smoothed: int = 1) -> float:
    """What a sample is off by, rms: noise, rounding, and the zero's wander within a pulse's width; smoothed:
    the mean of so many samples, which helps against rounding only where the noise moves the last digit."""
    wander = drift_of(front, min(width_s, MOVED_S))
    noise, rounding = front.rms_at(rate_hz), front.step / math.sqrt(12)
    # below half a step the samples are all alike: their mean repeats the same rounding
    if noise >= front.step / 2:
        rounding /= math.sqrt(smoothed)
    return math.hypot(noise / math.sqrt(smoothed), rounding, wander)


def drift_of(front: Traits, time_s: float) -> float:
    """Drift of a zero within some time, rms: a first-order Gauss-Markov process of DRIFT_TIME_S."""
    return front.drift * math.sqrt(-2 * math.expm1(-time_s / DRIFT_TIME_S))


def tries(signature: Signature, front: Traits, most_hz: float) -> list[tuple[float, int]]:
    """Rates to try and samples to smooth over, what shows most of the pulse first."""
    if not signature.pulsed:
        rates = [min(rate, most_hz) for rate in STEADY_RATES_HZ]
        return (
            [(rates[0], 1), (rates[0], max(1, round(rates[0])))] if front.instant else [(r, 1) for r in rates]
        )
    shape_hz = min(most_hz, max(LEAST_RATE_HZ, SHAPE / signature.narrow_s))
    if not front.instant:
        return [(shape_hz, 1), (min(most_hz, max(STEADY_RATES_HZ[1], WIDTH / signature.narrow_s)), 1)]
    fast_hz = min(most_hz, SMOOTHED / signature.narrow_s)
    return [(shape_hz, 1), (fast_hz, max(1, math.floor(fast_hz * signature.narrow_s / WIDTH)))]


def assess(signal: Signal, most_hz: float) -> tuple[Assessment, float]:
    """A signal at a recorder's channel, and its noise there; of the settings its rate."""
    front, unit, narrow_s = signal.front, signal.unit, signal.signature.narrow_s
    for rate_hz, smoothed in tries(signal.signature, front, most_hz):
        seen = signal.size * seen_share(front, rate_hz, narrow_s)
        noise = noise_of(front, rate_hz, narrow_s, smoothed)
        clear = seen >= CLEAR * noise
        if clear:
            break
    most = f" of {signal.size:.3g} {unit}" if seen < 0.995 * signal.size else ""
    ratio = seen / noise if noise else math.inf
    why = f"{seen:.3g} {unit}{most} against {noise:.2g} {unit} rms of noise, steps and drift"
    why += (
        f": {ratio:.3g} times"
        if clear and ratio < 1000
        else f": {ratio:.0f} times"
        if clear
        else f": {ratio:.2g} times, it takes {CLEAR:g}"
    )
    settings: dict[str, Any] = {"rate_hz": _rounded(rate_hz)}
    if smoothed > 1:
        settings["smoothed_samples"] = smoothed
    return Assessment(clear, why, settings), noise


def screen(
    signature: Signature,
    recorder: Recorder,
    channels: int,
    rate_hz: float,
    wait_s: float,
    triggers: bool,
    look_s: float = LOOK_S,
) -> dict[str, Any] | None:
    """Time across the screen and memory for a wait of `wait_s`; None where the memory holds too little: all
    of the wait, or one pulse where a trigger can be had."""
    wanted_s = max(2 * look_s, wait_s)
    fits_s = math.inf if recorder.memory is None else recorder.memory / channels / rate_hz
    across_s = min(wanted_s, fits_s)
    if across_s < wanted_s and (not triggers or across_s < 2 * min(signature.narrow_s, look_s)):
        return None
    across_s = math.floor(across_s * 10) / 10 if across_s >= 1 else across_s
    found: dict[str, Any] = {
        "screen_s": across_s,
        "memory_samples": math.floor(across_s * rate_hz) * channels,
    }
    if recorder.memory is not None:
        found["memory_lasts_s"] = math.floor(fits_s)
    if across_s < math.floor(wanted_s):
        found["capture"] = "pulse by pulse, by the trigger: the memory is too short for the whole wait"
    return found


def trigger(signal: Signal, noise: float, wait_s: float, samples: float = 1.0) -> float | None:
    """Halfway up, or halfway from the vehicle's own twitches up to the pulse where that leaves room; higher
    where noise would else cross it: seldom in a wait of so many samples. None where no level holds."""
    size, twitch = signal.size, signal.twitch
    wander, crept = drift_of(signal.front, wait_s), signal.creep * wait_s
    low = math.hypot(peaks(samples) * noise, PEAKS * wander) + crept
    room = PEAKS * math.hypot(noise, wander) + crept
    # noise and drift would cross every level that the pulse still reaches
    if low > size - room:
        return None
    # above the vehicle's own pulses where there is room on both sides, else they would trigger
    between = twitch > size / 2 - room and size - twitch >= 2 * room
    level = (twitch + size) / 2 if between else size / 2
    return signal.level + min(max(level, low), size - room)


def peaks(samples: float) -> float:
    """The rms that so many samples of noise seldom go beyond: FALSE times on average, by the normal law."""
    return max(PEAKS, NormalDist().inv_cdf(1 - min(0.5, FALSE / max(1.0, samples))))


def _rounded(rate_hz: float) -> float:
    """Three digits, never above what was asked for."""
    digits = 2 - math.floor(math.log10(rate_hz))
    scale: float = 10.0**digits
    return math.floor(rate_hz * scale + 1e-9) / scale
