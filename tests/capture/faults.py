"""An independent generator of recorded faults: pulses, staircases, ramps, what falls exponentially, on a base
that wanders. Nothing of the program is used; the clamp averages over each sample by the exact integral."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Fault:
    """Samples (s, mA); the sharp edges of the truth (s) and their heights (mA), its charge above the base."""

    t_s: Floats
    ma: Floats
    edge_s: Floats
    height_ma: Floats
    charge_mas: float


def fault(seed: int) -> Fault:
    """A recorded fault of 20 to 120 s by its seed."""
    rng = np.random.default_rng(seed)
    rate_hz = float(rng.choice([200, 500, 1000, 2000]))
    length_s = float(rng.uniform(20, 120))
    pieces = _pieces(rng, length_s, 12 / rate_hz)
    t_s = np.arange(int(length_s * rate_hz)) / rate_hz
    charge = _charge(pieces, np.append(t_s - 1 / rate_hz, t_s[-1]))
    base = rng.uniform(5, 45) + rng.uniform(0, 1.0) * np.sin(2 * np.pi * t_s / rng.uniform(60, 300))
    noise = rng.normal(0, rng.choice([0.3, 1.0, 2.0]), len(t_s))
    marks = [row for begin, _, first, last, end in pieces for row in ((begin, first), (end, -last))]
    joined = _joined(marks)
    return Fault(t_s, base + np.diff(charge) * rate_hz + noise, joined[:, 0], joined[:, 1], float(charge[-1]))


Piece = tuple[
    float, float, float, float, float
]  # begin, time constant (0: a straight line), first, last, end


def _pieces(rng: np.random.Generator, length_s: float, least_s: float) -> list[Piece]:
    """What happens, in order, nothing of it shorter than a dozen samples."""
    found: list[Piece] = []
    at_s = rng.uniform(1, 3)
    while True:
        level, lasting = float(rng.uniform(60, 1100)), float(rng.uniform(max(0.03, least_s), 2.0))
        kind = rng.integers(4)
        until = at_s + lasting * (3 if kind else 1)
        if until > length_s - 1:
            return found
        if kind == 0:
            found.append((at_s, 0.0, level, level, until))
        elif kind == 1:  # a staircase down
            for k, share in enumerate((1.0, 0.6, 0.25)):
                found.append(
                    (at_s + k * lasting, 0.0, share * level, share * level, at_s + (k + 1) * lasting)
                )
        elif kind == 2:  # falls asleep exponentially
            found.append((at_s, lasting / 2, level, level * np.exp(-6.0), until))
        else:  # a ramp down to half
            found.append((at_s, 0.0, level, level / 2, until))
        at_s = until + float(rng.uniform(0.4, 6))


def _charge(pieces: list[Piece], at_s: Floats) -> Floats:
    """The integral of the current up to each instant, exactly."""
    total = np.zeros(len(at_s))
    for begin, tau_s, first, last, end in pieces:
        inside = np.clip(at_s, begin, end) - begin
        if tau_s:
            total += first * tau_s * (1 - np.exp(-inside / tau_s))
        else:
            total += first * inside + (last - first) * inside**2 / (2 * (end - begin))
    return total


def _joined(marks: list[tuple[float, float]]) -> Floats:
    """Steps at one instant as one, without those that cancel."""
    rows: list[tuple[float, float]] = []
    for at_s, height in marks:
        if rows and abs(rows[-1][0] - at_s) < 1e-9:
            rows[-1] = (at_s, rows[-1][1] + height)
        else:
            rows.append((at_s, height))
    return np.array([row for row in rows if abs(row[1]) > 1e-9]).reshape(-1, 2)
