"""The noise of a record: the deviation of its samples among levels and steps, the resolution of its values,
and how many deviations a change must stand out by."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from nightdraw.capture.seen import Floats, Ints

HALF_Z = 0.67448975  # half of |normal| lies below this
TRIMMED = 1.02  # by which the deviation is too low for what is left out
TRIM_Z = 2.5  # one in eighty normal differences is larger: leaving them out lowers the deviation by 2 %
DYNAMIC = 1e-4  # a recorder resolves 13 bits at the most: noise below 1e-4 of the range is arithmetic
QUANTUM_MA = 20.0  # coarser steps of the values than this are pulses, not the resolution of a recorder
# Values in steps of FINE_MA or less, or of FINE_SHARE of their range, show a recorder's resolution: as a zero
# creeps they jump by one unit, which is no pulse.
FINE_MA, FINE_SHARE = 2.0, 0.05
FLICKER, FLICKER_SHARE = 3, 0.3  # or go to and fro within so many samples this often
SOME = 1 << 13  # values enough for a quantile: it is known to a percent or so then
PIECE = 1 << 16  # samples that share a threshold: a minute at 1 kHz; cars settle, clamps drift over minutes
QUARTER_Z = 0.31863936  # a quarter of |normal| lies below this: three in four windows may hold steps
ROUNDS = 4  # of leaving out what can only be steps


@dataclass(frozen=True)
class Noise:
    """sigma: deviation of one sample, of each PIECE; least: the smallest change that the values' resolution
    allows."""

    sigma: Floats
    least: float

    def at(self, place: Ints) -> Floats:
        """The deviation at some samples."""
        found: Floats = self.sigma[np.minimum(place // PIECE, len(self.sigma) - 1)]
        return found


def deviations(false_alarms_per_h: float, rate_hz: float) -> float:
    """How many deviations a change must stand out by, for noise to make so many an hour.

    All filters together try about TRIES independent windows a sample, each on two sides (Bonferroni's bound).
    """
    tries = TRIES * 3600 * max(rate_hz, 1e-6)
    chance = min(max(false_alarms_per_h / tries / 2, 1e-15), 0.01)
    return float(-NormalDist().inv_cdf(chance))


TRIES = 6.0  # of the widths 1, 2, 2, 3 of single samples, and half as many at each doubling


def noise_of(value: Floats) -> Noise:
    """The noise of a record in which levels and steps are mixed, piece by piece."""
    pieces = [value[start : start + PIECE] for start in range(0, max(len(value), 1), PIECE)]
    if len(pieces) > 1 and len(pieces[-1]) < PIECE // 8:  # too few to measure by themselves
        pieces[-2:] = [value[(len(pieces) - 2) * PIECE :]]
    measured = [_noise_of_piece(piece) for piece in pieces]
    return Noise(np.array([sigma for sigma, _ in measured]), max(least for _, least in measured))


def _noise_of_piece(value: Floats) -> tuple[float, float]:
    """Deviation of one sample, from the smaller differences of neighbours, and the least change.

    Differences that can only be steps are left out and the rest measured again, until nothing changes much.
    """
    if len(value) < 3:
        return 0.0, 0.0
    low, high = np.quantile(value[:: max(len(value) // SOME, 1)], (0.001, 0.999))
    floor = DYNAMIC * float(high - low)
    moves = np.diff(value)
    differences = np.abs(moves[:: max(len(moves) // SOME, 1)])
    sigma = float(np.quantile(differences, 0.25)) / (QUARTER_Z * np.sqrt(2))
    for _ in range(ROUNDS):
        rest = differences[differences <= TRIM_Z * np.sqrt(2) * sigma]
        sigma = min(sigma, float(np.median(rest)) / (HALF_Z * np.sqrt(2)))
    sigma *= TRIMMED
    real = differences[differences > max(floor, 1e-9)]
    quantum = float(real.min()) if len(real) and 2 * sigma < real.min() <= QUANTUM_MA else 0.0
    if quantum:  # values that rarely change: differences are 0 or a unit, no quantile of them is the noise
        flicker = differences[differences < 3.5 * quantum]
        floor = max(floor, quantum / np.sqrt(12), float(np.sqrt(np.mean(flicker**2) / 2)))
    resolution = quantum <= max(FINE_MA, FINE_SHARE * float(high - low)) or (quantum > 0 and _flickers(moves))
    return max(sigma, floor), 1.5 * quantum if resolution else 0.0


def _flickers(moves: Floats) -> bool:
    """Whether values that rarely change go to and fro within few samples, as between two units of a
    recorder."""
    at = np.flatnonzero(moves)
    soon = (np.diff(at) <= FLICKER) & (moves[at[1:]] * moves[at[:-1]] < 0)
    return len(soon) > 0 and float(np.mean(soon)) >= FLICKER_SHARE
