"""Hum of the mains, taken out of a record: a line near 50 or 60 Hz and its harmonics, followed as they drift.

Theory of operation. What is left of the record without its known levels is looked at by its spectrum; a line
that stands LINE times above the median of its surroundings is hum (of noise one look in a million has one).
It is turned to frequency nothing, averaged over a second or so, which keeps its slow changes of size and
phase and adds a thousandth of the noise, and turned back. Levels go first, or each edge would ring for a
second.
"""

from __future__ import annotations

import numpy as np

from nightdraw.capture.seen import Floats, Ints

LOWEST_HZ, HIGHEST_HZ = 45.0, 65.0
HARMONICS = 3
NYQUIST_SHARE = 0.45  # of the rate: a line above can't be told from its mirror
LOOKED_AT = 1 << 15  # samples
LEAST_S = 4.0  # of a stretch without gaps
LINE = 30.0
LEAST_SHARE = 1e-4  # of all that is left: a hundredth of it in size changes nothing
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
        if power[place] <= max(LINE * float(np.median(wide)), LEAST_SHARE * float(power.sum())):
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
