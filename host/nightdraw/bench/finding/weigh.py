"""Whether a signal stands clear of an instrument's limits, and how the instrument is to be set.

A pulse is weighed against the noise of one sample at a rate that puts several into it; rounding counts as
noise of a step / sqrt 12 (Bennett 1948), a zero's wander as what it does during the pulse. Pulses against a
meter's or a recorder's windows: one that straddles two shows less in either.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from nightdraw.bench.finding.train import LOOK_S, SCARCE, Face
from nightdraw.instruments.front import DRIFT_TIME_S, Traits
from nightdraw.instruments.model import Recorder

CLEAR = 8.0  # a step of so many noise rms stands clear of the noise's peaks (4 rms either way)
PEAKS = 4.0  # noise seldom goes beyond so many rms
SAMPLES_A_PULSE = (10.0, 4.0)  # as many as show its shape, and the fewest that show its width
STEADY_RATES_HZ = (20.0, 1.0)  # for a level that stays: as a trace usually is, and averaged
LEAST_RATE_HZ = 20.0
MOVED_S = 60.0  # a zero is set anew whenever the clamp is moved
HEADROOM = 1.2  # of a range above the highest level: noise, and a zero that isn't quite


@dataclass(frozen=True)
class Weighed:
    """Whether a signal is clear, why in words, the settings."""

    clear: bool
    why: str
    settings: dict[str, Any]


def shown(width_s: float, window_s: float) -> float:
    """The share of a pulse's level that the fullest of a row of windows has as its mean, at least, in 95 of
    100 positions of the pulse.

    Windows w, pulse p: where p < 2 w it straddles two; the fuller one's share is then uniform from p / 2 w
    upwards with density 2, up to p / w or 1.
    """
    if width_s >= 2 * window_s:
        return 1.0
    return min(1.0, width_s / window_s, width_s / (2 * window_s) + SCARCE / 2)


def rose(width_s: float, corner_hz: float) -> float:
    """The share of a pulse's level that is reached behind a first-order corner."""
    return 1.0 if math.isinf(corner_hz) else -math.expm1(-2 * math.pi * corner_hz * width_s)


def noise_of(front: Traits, rate_hz: float, width_s: float) -> float:
    """What a sample is off by, rms: noise, rounding, and the zero's wander within a pulse's width."""
    wander = front.drift * math.sqrt(-2 * math.expm1(-min(width_s, MOVED_S) / DRIFT_TIME_S))
    return math.hypot(front.rms_at(rate_hz), front.step / math.sqrt(12), wander)


def rates_hz(face: Face, most_hz: float) -> list[float]:
    """The rates to try, the one that shows most first."""
    if not face.pulsed:
        return [min(rate, most_hz) for rate in STEADY_RATES_HZ]
    first, least = (number / face.narrow_s for number in SAMPLES_A_PULSE)
    return [min(most_hz, max(LEAST_RATE_HZ, first)), min(most_hz, least)]


def weigh(face: Face, signal: float, front: Traits, unit: str, most_hz: float) -> tuple[Weighed, float]:
    """A signal at a recorder's channel, and its noise there, in `unit`; of the settings its rate."""
    for rate_hz in rates_hz(face, most_hz):
        share = shown(face.narrow_s, 1 / rate_hz)
        corner_hz = front.bandwidth_hz if front.bandwidth_hz < rate_hz / 2 else math.inf
        seen = signal * share * rose(face.narrow_s, corner_hz)
        noise = noise_of(front, rate_hz, face.narrow_s)
        clear = seen >= CLEAR * noise
        if clear:
            break
    most = f" of {signal:.3g} {unit}" if seen < 0.995 * signal else ""
    ratio = seen / noise if noise else math.inf
    why = f"{seen:.3g} {unit}{most} against {noise:.2g} {unit} rms of noise, steps and drift"
    why += f": {ratio:.3g} times" if clear else f": {ratio:.2g} times, it takes {CLEAR:g}"
    return Weighed(clear, why, {"rate_hz": _rounded(rate_hz)}), noise


def screen(
    face: Face, recorder: Recorder, channels: int, rate_hz: float, wait_s: float
) -> dict[str, Any] | None:
    """Time across the screen and memory for a wait of `wait_s`; None where not even one pulse fits."""
    wanted_s = max(2 * LOOK_S, wait_s)
    fits_s = math.inf if recorder.memory is None else recorder.memory / channels / rate_hz
    across_s = min(wanted_s, fits_s)
    if face.pulsed and across_s < 2 * min(face.narrow_s, LOOK_S):
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


def trigger(level: float, signal: float, noise: float, twitch: float) -> float:
    """Halfway up; above the vehicle's own twitches where the pulse leaves room, clear of noise either way."""
    above, top = twitch + PEAKS * noise, signal - PEAKS * noise
    return level + (min(max(signal / 2, above), top) if above <= top else signal / 2)


def _rounded(rate_hz: float) -> float:
    """Three digits, never above what was asked for."""
    digits = 2 - math.floor(math.log10(rate_hz))
    scale: float = 10.0**digits
    return math.floor(rate_hz * scale + 1e-9) / scale
