"""How a run is recorded, at random: sampling, noise, and one fault of the instrument or the wiring."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.signal import lfilter

from tests.capture.synthetic import OWN_MA, SUPPLY_MV, Floats, Truth

FINE = 8  # the clamp's own filter works on so many parts of a sampling interval
INSTRUMENT = (
    "",
    "",
    "inverted",
    "times ten",
    "gain",
    "zero",
    "clock",
    "time constant",
    "spike",
    "lead",
    "digit",
)


@dataclass(frozen=True)
class Recorder:
    """How a run is recorded: samples a second, noise of one, lead before the run, the rest as in
    INSTRUMENT."""

    rate_hz: float
    sigma_ma: float
    before_s: float
    ppm: float = 0.0
    gain: float = 1.0
    zero_ma: float = 0.0
    drift_ma: float = 0.0
    tau_s: float = 0.0
    spikes: tuple[float, ...] = ()
    lead_ohm: float = 0.0
    digit_ma: float = 0.0

    def samples(self, truth: Truth, rng: np.random.Generator) -> tuple[Floats, Floats]:
        """Times (s) and currents (mA): means over each interval of what the clamp passes on."""
        truth = behind_lead(truth, self.lead_ohm)
        stretch = 1 + self.ppm * 1e-6
        count = round((truth.end_s * stretch + self.before_s) * self.rate_hz)
        t_s = np.arange(count) / self.rate_hz
        fine = np.arange(-FINE, count * FINE + 1) / (self.rate_hz * FINE)
        charge = truth.charge((fine - self.before_s) / stretch)
        current = np.diff(charge) / np.diff((fine - self.before_s) / stretch)
        if self.tau_s:
            keep = float(np.exp(-1 / (self.rate_hz * FINE * self.tau_s)))
            current, _ = lfilter([1 - keep], [1, -keep], current, zi=[keep * current[0]])
        mean = current[: count * FINE].reshape(count, FINE).mean(axis=1)
        drift = self.drift_ma * np.sin(2 * np.pi * t_s / 300 + rng.uniform(0, 6))
        ma = self.gain * (mean + self.zero_ma + drift)
        ma += rng.normal(0, self.sigma_ma * abs(self.gain), count)
        for at_s in self.spikes:
            ma[int(at_s * self.rate_hz) % count] += 2000.0
        return t_s, np.round(ma / self.digit_ma) * self.digit_ma if self.digit_ma else ma


def behind_lead(truth: Truth, ohm: float) -> Truth:
    """The same from a bank behind a series resistance, by Ohm's law: each level's conductance in series with
    it, the box's own consumption as it was."""
    volts = SUPPLY_MV / 1000
    siemens = np.maximum(truth.level_ma - OWN_MA, 1e-9) / 1000 / volts
    return replace(truth, level_ma=OWN_MA + 1000 * volts / (1 / siemens + ohm))


def recorder(rng: np.random.Generator, instrument: str = "") -> tuple[Recorder, float]:
    """A random recorder with one fault, and the fault's value."""
    made = Recorder(
        rate_hz=float(rng.choice([250, 500, 1000, 2000])),
        sigma_ma=float(np.exp(rng.uniform(np.log(0.2), np.log(3)))),
        before_s=float(rng.uniform(0, 25)),
        ppm=float(rng.uniform(-80, 80)),
        gain=float(rng.uniform(0.992, 1.008)),
        zero_ma=float(rng.uniform(-1, 1)),
        drift_ma=float(rng.uniform(0, 1.0)),
    )
    sign = float(rng.choice([-1, 1]))
    faults: dict[str, tuple[str, float]] = {
        "inverted": ("gain", -made.gain),
        "times ten": ("gain", made.gain * float(rng.choice([10, 0.1, 100, 0.01]))),
        "gain": ("gain", float(np.exp(sign * rng.uniform(0.1, 0.7)))),
        "zero": ("zero_ma", sign * float(rng.uniform(3, 6))),
        "clock": ("ppm", sign * float(rng.uniform(500, 5000))),
        "time constant": ("tau_s", float(rng.uniform(5e-3, 20e-3))),
        "lead": ("lead_ohm", float(rng.uniform(0.3, 3.0))),
        "digit": ("digit_ma", float(rng.choice([1.0, 2.0, 5.0, 10.0, 20.0]))),
    }
    if instrument == "spike":
        return replace(made, spikes=(float(rng.uniform(20, 70)),)), 2000.0
    if not instrument:
        return made, 0.0
    name, value = faults[instrument]
    return replace(made, **{name: value}), value  # type: ignore[arg-type]
