"""The noise of a record, how many deviations a change must stand out by, and hum, which is taken out.

Theory of operation. Noise is told by the smaller differences of neighbours, for steps make the larger ones,
in pieces of a minute or so. A recorder's resolution is told by the distance of the values beside changes; it
is a floor of noise (a uniform law: unit / sqrt(12), IEEE Std 1241), and what creeps over a code's bound is no
step. Hum: what is left of the record without its known levels is looked at by its spectrum; a line that
stands LINE times above the median of its surroundings is hum (of noise one look in a million has one). It is
turned to frequency nothing, averaged over a second or so, which keeps its slow changes of size and phase and
adds a thousandth of the noise, and turned back. Levels go first, or each edge would ring for a second. Cost:
a few thousand samples of each piece are sorted; hum takes a dozen passes where there is one.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from nightdraw.capture.seen import Floats, Ints

Singles = NDArray[np.float32]

HALF_Z = 0.67448975  # half of |normal| lies below this
TRIM_Z = 2.5  # one in eighty normal differences is larger: steps are, and are left out
TRIM_SHARE = 0.91126  # of a normal law's variance is left within TRIM_Z: 1 - 2 z phi(z) / (2 Phi(z) - 1)
DYNAMIC = 1e-4  # a recorder resolves 13 bits at the most: noise below 1e-4 of the range is arithmetic
# Without noise the slightest bend of what creeps would stand out: a change below this share of the range is
# none.
LEAST_SHARE = 5e-4
RANGE = 0.05, 0.95  # the range is between these quantiles: an engine that is started for a second is no range
LEAST_CODES = 4  # values this many and evenly spaced are a recorder's codes, fewer may be a script's levels
EVEN, EVEN_SHARE, EVEN_MOST = 0.1, 0.9, 8.5  # how near to a multiple, of how many gaps, up to which multiple
# Fewer values are codes where they are so near to each other (mA, or of the range): as a zero creeps they
# jump by one unit, which is no pulse.
FINE_MA, FINE_SHARE = 2.0, 0.05
FLICKER, FLICKER_SHARE = 3, 0.3  # or where they go to and fro within so many samples this often
SOME = 1 << 13  # values enough for a quantile: it is known to 1.5 % then
PIECE = 1 << 16  # samples that share a threshold: a minute at 1 kHz; cars settle, clamps drift over minutes
QUARTER_Z = 0.31863936  # a quarter of |normal| lies below this: three in four windows may hold steps
FEW = 1 << 10  # values enough for a range
RUN = 1 << 12  # samples that are looked at in so many places,
LOOKS = 4
LOUD = 2.5  # and that have a noise of their own where it is so many times the piece's: an engine starts
BESIDE = 2  # runs on either side
ROUNDS = 4  # of leaving out what can only be steps
REFINED = 2  # rounds from a deviation by a quantile to the one by squares: each leaves a quarter of its error


@dataclass(frozen=True)
class Noise:
    """own: deviation of one sample, of each RUN, and sigma: the largest of it and the runs beside it, which
    changes are held against; of each PIECE least: the smallest change that is one, and bias: standard
    uncertainty that the values' resolution leaves to a mean of any number of samples."""

    own: Floats
    sigma: Floats
    least: Floats
    bias: Floats

    def at(self, place: Ints) -> Floats:
        """The deviation at some samples."""
        found: Floats = self.sigma[np.minimum(place // RUN, len(self.sigma) - 1)]
        return found

    def piece(self, place: Ints) -> Ints:
        """The PIECE of some samples."""
        return np.minimum(place // PIECE, len(self.least) - 1)

    def bias_at(self, place: Ints) -> Floats:
        """What the resolution leaves to a level at some samples."""
        found: Floats = self.bias[self.piece(place)]
        return found

    def without(self, value: Floats, hum: float) -> Noise:
        """The noise of the same record without its hum (rms): the resolution stays, and a share of the hum
        is left where it begins, ends or changes."""
        rest = noise_of(value)
        own, sigma = (np.maximum(each, HUM_LEFT * hum) for each in (rest.own, rest.sigma))
        return Noise(own, sigma, np.maximum(rest.least, self.least), np.maximum(rest.bias, self.bias))


HUM_LEFT = 0.02


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
    parts = [value[: whole * PIECE].reshape(whole, PIECE)] if whole else []
    # fewer samples are too few to measure by themselves: they share what the piece before them has
    if len(value) - whole * PIECE >= PIECE // 8 or not whole:
        parts.append(value[None, whole * PIECE :])
    rows = [_of_pieces(part) for part in parts]
    own, least, bias = (np.concatenate(columns) for columns in zip(*rows, strict=True))
    # What begins within a run, or is reached by a filter from the run before, must not be held against quiet.
    beside = np.lib.stride_tricks.sliding_window_view(np.pad(own, BESIDE, mode="edge"), 2 * BESIDE + 1)
    return Noise(own, beside.max(axis=1), least, bias)


def _of_pieces(value: Floats) -> tuple[Floats, Floats, Floats]:
    """Deviation of one sample in each run of each row, from the smaller differences of neighbours; of each
    row the least change; and what resolution leaves to a mean.

    Differences that can only be steps are left out and the rest measured again, until nothing changes much;
    then all differences of the row that are left by their squares: some of them tell a quantile to 1.5 %.
    """
    count, length = value.shape
    if length < 3:
        return np.zeros(count), np.zeros(count), np.zeros(count)
    rows = np.arange(count)
    some = np.sort(value[:, :: max(length // FEW, 1)], axis=1)
    low, high = (int(share * (some.shape[1] - 1)) for share in RANGE)
    spread = some[:, high] - some[:, low]
    rare = some.shape[1] // 1000
    floor = DYNAMIC * (some[:, -1 - rare] - some[:, rare])
    each = _looks(value)
    moves = np.sort(np.abs(each if length >= PIECE else _moves(value)).reshape(count, -1), axis=1)
    sigma = moves[:, moves.shape[1] // 4] / (QUARTER_Z * np.sqrt(2))
    for _ in range(ROUNDS):
        rest = np.count_nonzero(moves <= TRIM_Z * np.sqrt(2) * sigma[:, None], axis=1)
        sigma = np.minimum(sigma, moves[rows, np.maximum(rest - 1, 0) // 2] / (HALF_Z * np.sqrt(2)))
    sigma = _by_squares(value, sigma.astype(float))
    least, bias = LEAST_SHARE * spread, np.zeros(count)
    # Values that rarely change, or between neighbouring codes alone: differences are 0 or a unit, and no
    # quantile of them is the noise.
    for k in np.flatnonzero(sigma <= np.maximum(floor, moves[:, -1] * 1e-9)):
        unit = resolution(value[k], float(some[k, -1] - some[k, 0]))
        if not unit:
            continue
        few = moves[k][moves[k] < FEW_UNITS * unit].astype(float)
        flicker = float(np.sqrt(np.mean(few**2) / 2)) if len(few) else 0.0
        floor[k] = max(floor[k], unit / np.sqrt(12), flicker)
        least[k] = max(least[k], LEAST_UNITS * unit)
        bias[k] = quantization_u(unit, flicker)
    # the middle quarter of them: a slope moves its place, not its width
    each, middle, eighth = np.sort(each, axis=3), each.shape[-1] // 2, each.shape[-1] // 8
    own = (each[..., middle + eighth] - each[..., middle - eighth]).max(axis=2) / (QUARTER_Z * np.sqrt(8))
    sigma = np.maximum(sigma, floor)[:, None]
    return np.where(own > LOUD * sigma, own, sigma).ravel(), least, bias


def _by_squares(value: Floats, sigma: Floats) -> Floats:
    """The deviation of one sample in each row by the mean square of its differences within TRIM_Z, from a
    first one by a quantile.

    Squares of neighbouring differences of white noise have a correlation of 1/4: of n of them the deviation
    is known to sqrt(0.75 / n), and without the largest to about 1 / sqrt(n): 0.4 % of a PIECE.
    """
    found = sigma.copy()
    for k in range(len(value)):  # a row at a time stays in the cache
        moves = _moves(value[k])
        for _ in range(REFINED):
            most = np.float32(np.sqrt(2) * TRIM_Z * found[k])
            beyond = int(np.count_nonzero(moves > most) + np.count_nonzero(moves < -most))
            cut = np.clip(moves, -most, most)
            within = float(np.dot(cut, cut)) - beyond * float(most) ** 2
            found[k] = np.sqrt(max(within, 0.0) / max(len(moves) - beyond, 1) / 2 / TRIM_SHARE)
    return found


def _looks(value: Floats) -> Singles:
    """Differences of neighbours from all over each row, by run and look; in looks of some samples in a row,
    which cost less to fetch than one here and there."""
    count, length = value.shape
    if length < 2 * RUN:
        return _moves(value)[:, None, None]
    looks = value[:, : length // RUN * RUN].reshape(count, length // RUN, LOOKS, -1)
    return _moves(looks[..., : RUN * SOME // PIECE // LOOKS + 1])


def _moves(value: Floats) -> Singles:
    """Differences of neighbours, in single precision, which sorts twice as fast."""
    return np.diff(value, axis=-1).astype(np.float32)


FEW_UNITS = 3.5  # of the resolution: larger moves are steps, not noise
LEAST_UNITS = 1.5  # of the resolution: what creeps over a code's bound moves by one


def quantization_u(unit: float, noise: float) -> float:
    """Standard uncertainty that a resolution leaves to a mean of samples whose rms is `noise` as it was seen.

    A constant value is anywhere within its code, unit / sqrt(12). Noise of the input makes the mean follow it
    again (dither): what is left has the amplitude of the first harmonic of the quantizer's characteristic,
    times exp(-2 pi^2 (noise / unit)^2) (Widrow and Kollar 2008; uniform law: IEEE Std 1241).
    """
    own = max(noise**2 - unit**2 / 12, 0.0)  # what is seen has the quantizer's share in it
    return float(unit / np.sqrt(12) * np.exp(-2 * np.pi**2 * own / unit**2))


def resolution(value: Floats, spread: float) -> float:
    """The distance of a recorder's codes, 0 where the values show none.

    Looked for among the values beside changes, where rare codes are as likely as common ones.
    """
    at = np.flatnonzero(np.diff(value))
    at = at[:: max(len(at) // SOME, 1)]
    codes = np.unique(value[np.concatenate((at, at + 1))])
    gaps = np.diff(codes)
    gaps = gaps[gaps > 1e-7 * spread]  # less is a sum's rounding
    if not len(gaps):
        return 0.0
    # A recorder that writes fewer digits than its codes have makes their distances differ by one digit.
    unit = float(np.mean(gaps[gaps < 1.5 * gaps.min()]))
    times = gaps / unit
    near = times[times < EVEN_MOST]
    even = np.mean(np.abs(near - np.round(near)) <= EVEN * np.round(near)) >= EVEN_SHARE
    moves = np.diff(value)
    moves[np.abs(moves) < unit / 2] = 0.0  # what flickers by less is no code, but a script's own noise
    evident = len(gaps) >= LEAST_CODES or unit <= max(FINE_MA, FINE_SHARE * spread) or _flickers(moves)
    return unit if even and evident else 0.0


def _flickers(moves: Floats) -> bool:
    """Whether values that rarely change go to and fro within few samples, as between two codes."""
    at = np.flatnonzero(moves)
    soon = (np.diff(at) <= FLICKER) & (moves[at[1:]] * moves[at[:-1]] < 0)
    return len(soon) > 0 and float(np.mean(soon)) >= FLICKER_SHARE


LOWEST_HZ, HIGHEST_HZ = 45.0, 65.0
HARMONICS = 3
NYQUIST_SHARE = 0.45  # of the rate: a line above can't be told from its mirror
LOOKED_AT = 1 << 15  # samples
LEAST_S = 4.0  # of a stretch without gaps
LINE = 30.0
HUM_SHARE = 1e-4  # of all that is left: a hundredth of it in size changes nothing
AVERAGED_S = 0.5  # twice, one after the other
CLIP_MAD = 6.0  # of what is left: stray samples and what lies beside an edge aren't hum


def hum_of(value: Floats, known: Ints, gaps: Ints, rate_hz: float) -> Floats | None:
    """The hum at each sample, None where there is none; known: where levels change, gaps: where samples are
    missing."""
    if rate_hz * NYQUIST_SHARE < HIGHEST_HZ:
        return None
    ends = np.unique(np.concatenate((known, gaps)))
    begin = max(len(value) // 2 - LOOKED_AT // 2, 0)  # a look at the middle tells whether there is any
    lines = _lines(_without_levels(value[begin : begin + LOOKED_AT], ends - begin), rate_hz)
    if not lines:
        return None
    rest, hum = _without_levels(value, ends), np.zeros(len(value))
    most = CLIP_MAD * float(np.median(np.abs(rest[:: max(len(rest) // LOOKED_AT, 1)])))
    np.clip(rest, -most, most, out=rest)
    bounds = np.concatenate(([0], gaps, [len(value)]))
    for low, high in zip(bounds[:-1].tolist(), bounds[1:].tolist(), strict=True):
        for line_hz in lines if high - low >= LEAST_S * rate_hz else ():
            hum[low:high] += _followed(rest[low:high], line_hz / rate_hz, round(AVERAGED_S * rate_hz))
    return hum


def _without_levels(value: Floats, ends: Ints) -> Floats:
    ends = np.concatenate(([0], ends[(ends > 0) & (ends < len(value))], [len(value)]))
    length = np.diff(ends)
    rest: Floats = value - np.repeat(np.add.reduceat(value, ends[:-1]) / length, length)
    return rest


def _lines(rest: Floats, rate_hz: float) -> list[float]:
    """The frequencies of the hum and its harmonics, none where there is no line."""
    if len(rest) < LEAST_S * rate_hz:
        return []
    power = np.abs(np.fft.rfft(rest * np.hanning(len(rest)))) ** 2
    per_hz = len(rest) / rate_hz

    def line(low_hz: float, high_hz: float) -> float | None:
        low, high = int(low_hz * per_hz), int(np.ceil(high_hz * per_hz)) + 1
        wide = power[max(2 * low - high, 1) : 2 * high - low]
        place = low + int(np.argmax(power[low:high]))
        if power[place] <= max(LINE * float(np.median(wide)), HUM_SHARE * float(power.sum())):
            return None
        near = power[place - 1 : place + 2]
        return float(np.sum(near * np.arange(place - 1, place + 2)) / np.sum(near)) / per_hz

    first = line(LOWEST_HZ, HIGHEST_HZ)
    if first is None:
        return []
    wanted = [k * first for k in range(2, HARMONICS + 1) if k * first < NYQUIST_SHARE * rate_hz]
    return [first, *(found for hz in wanted if (found := line(hz - 0.5, hz + 0.5)) is not None)]


def _followed(rest: Floats, cycles: float, width: int) -> Floats:
    """A line of some cycles a sample, as it changes over twice `width` samples."""
    turn = np.exp(2j * np.pi * cycles * np.arange(len(rest)))
    slow, place = rest * turn.conj(), np.arange(len(rest))
    low, high = np.maximum(place - width // 2, 0), np.minimum(place + width // 2 + 1, len(rest))
    for _ in range(2):
        total = np.concatenate(([0.0], np.cumsum(slow)))
        slow = (total[high] - total[low]) / (high - low)
    hum: Floats = 2 * (slow * turn).real
    return hum
