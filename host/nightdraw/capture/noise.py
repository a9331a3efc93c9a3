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
FEW = 1 << 10  # values enough for a range
RUN = 1 << 12  # samples of which some in a row are looked at
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

    All filters together make as many edges of noise as TRIES independent windows a sample, each on two sides.
    """
    tries = TRIES * 3600 * max(rate_hz, 1e-6)
    chance = min(max(false_alarms_per_h / tries / 2, 1e-15), 0.01)
    return float(-NormalDist().inv_cdf(chance))


TRIES = 15.0  # as counted: all filters at all widths, of a pulse each of its two edges


def noise_of(value: Floats) -> Noise:
    """The noise of a record in which levels and steps are mixed, piece by piece."""
    whole = len(value) // PIECE
    if len(value) - whole * PIECE >= PIECE // 8 or not whole:  # fewer are too few to measure by themselves
        rest = _of_pieces(value[None, whole * PIECE :])
    else:
        rest = np.empty(0), 0.0
    measured = _of_pieces(value[: whole * PIECE].reshape(whole, PIECE)) if whole else (np.empty(0), 0.0)
    return Noise(np.concatenate((measured[0], rest[0])), max(measured[1], rest[1]))


def _of_pieces(value: Floats) -> tuple[Floats, float]:
    """Deviation of one sample in each row, from the smaller differences of neighbours, and the least change.

    Differences that can only be steps are left out and the rest measured again, until nothing changes much.
    """
    count, length = value.shape
    if length < 3:
        return np.zeros(count), 0.0
    rows = np.arange(count)
    some = np.sort(value[:, :: max(length // FEW, 1)], axis=1)
    rare = some.shape[1] // 1000
    spread = some[:, -1 - rare] - some[:, rare]
    floor = DYNAMIC * spread
    # neighbours from all over the piece, but in runs, which cost less to fetch than one here and there
    runs = value[:, : length // RUN * RUN].reshape(count, -1, RUN) if length >= PIECE else value[:, None]
    runs = runs[:, :, : RUN * SOME // PIECE + 1] if length >= PIECE else runs
    moves = np.abs(np.diff(runs, axis=2)).reshape(count, -1).astype(np.float32)  # which sorts twice as fast
    moves.sort(axis=1)
    sigma = moves[:, moves.shape[1] // 4] / (QUARTER_Z * np.sqrt(2))
    for _ in range(ROUNDS):
        rest = np.count_nonzero(moves <= TRIM_Z * np.sqrt(2) * sigma[:, None], axis=1)
        sigma = np.minimum(sigma, moves[rows, np.maximum(rest - 1, 0) // 2] / (HALF_Z * np.sqrt(2)))
    sigma = sigma.astype(float) * TRIMMED
    least = 0.0
    first = np.argmax(moves > np.maximum(floor, 1e-9)[:, None], axis=1)
    quanta = moves[rows, first].astype(float)
    for k in np.flatnonzero(
        (quanta > np.maximum(floor, 1e-9)) & (2 * sigma < quanta) & (quanta <= QUANTUM_MA)
    ):
        # values that rarely change: differences are 0 or a unit, no quantile of them is the noise
        quantum = float(quanta[k])
        flicker = moves[k][moves[k] < 3.5 * quantum].astype(float)
        floor[k] = max(floor[k], quantum / np.sqrt(12), float(np.sqrt(np.mean(flicker**2) / 2)))
        if quantum <= max(FINE_MA, FINE_SHARE * spread[k]) or _flickers(np.diff(value[k])):
            least = max(least, 1.5 * quantum)
    return np.maximum(sigma, floor), least


def _flickers(moves: Floats) -> bool:
    """Whether values that rarely change go to and fro within few samples, as between two units of a
    recorder."""
    at = np.flatnonzero(moves)
    soon = (np.diff(at) <= FLICKER) & (moves[at[1:]] * moves[at[:-1]] < 0)
    return len(soon) > 0 and float(np.mean(soon)) >= FLICKER_SHARE
