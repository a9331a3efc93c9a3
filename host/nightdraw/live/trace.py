"""Samples of several channels kept on disk, and their lowest and highest values in columns at any zoom.

What is kept in memory are extremes of 64 samples, of 256, and so on: a sixteenth of the recording's numbers
at most. A column's extremes are those of every sample in it, so no spike is lost however far out one zooms.
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    Floats = npt.NDArray[np.float64]

BUCKET = 64  # samples in a column of the finest level that is kept
FACTOR = 4  # of them in one of the next
BYTES = 8


@dataclass(frozen=True)
class Envelope:
    """Columns of samples: column k holds samples edges[k] .. edges[k + 1] - 1; a row a channel."""

    edges: npt.NDArray[np.int64]
    low: Floats
    high: Floats


class _Level:
    """Extremes of so many samples each, growing; those that fill no column of the next wait."""

    def __init__(self, channels: int, size: int) -> None:
        self.size = size
        self.count = 0
        self._kept = np.empty((2, channels, 256))

    def add(self, low: Floats, high: Floats) -> None:
        needed = self.count + low.shape[1]
        if needed > self._kept.shape[2]:
            grown = np.empty((*self._kept.shape[:2], max(needed, 2 * self._kept.shape[2])))
            grown[:, :, : self.count] = self._kept[:, :, : self.count]
            self._kept = grown
        self._kept[0, :, self.count : needed] = low
        self._kept[1, :, self.count : needed] = high
        self.count = needed

    def part(self, first: int, last: int) -> tuple[Floats, Floats]:
        return self._kept[0, :, first:last], self._kept[1, :, first:last]


class Trace:
    """Samples of `channels` channels, added in pieces, on disk in a file without a name."""

    def __init__(self, channels: int) -> None:
        self.channels = channels
        self.count = 0
        self._file = tempfile.TemporaryFile()  # noqa: SIM115 - it lives as long as this object
        self._levels = [_Level(channels, BUCKET)]
        self._rest = np.empty((channels, 0))

    def close(self) -> None:
        """Let the file go."""
        self._file.close()

    def append(self, samples: Floats) -> None:
        """Add samples, one row a channel."""
        if not samples.shape[1]:
            return
        self._file.seek(self.count * self.channels * BYTES)
        self._file.write(np.ascontiguousarray(samples.T).tobytes())
        self.count += samples.shape[1]
        rest = np.concatenate((self._rest, samples), axis=1)
        whole = rest.shape[1] // BUCKET * BUCKET
        if whole:
            columns = rest[:, :whole].reshape(self.channels, -1, BUCKET)
            self._levels[0].add(columns.min(axis=2), columns.max(axis=2))
            self._raise()
        self._rest = rest[:, whole:].copy()

    def _raise(self) -> None:
        """Complete the coarser levels."""
        k = 0
        while self._levels[k].count >= FACTOR:
            if k + 1 == len(self._levels):
                self._levels.append(_Level(self.channels, self._levels[k].size * FACTOR))
            finer, coarser = self._levels[k], self._levels[k + 1]
            number = finer.count // FACTOR - coarser.count
            if number:
                first = coarser.count * FACTOR
                low, high = finer.part(first, first + number * FACTOR)
                shape = (self.channels, number, FACTOR)
                coarser.add(low.reshape(shape).min(axis=2), high.reshape(shape).max(axis=2))
            k += 1

    def read(self, first: int, last: int) -> Floats:
        """Samples first .. last - 1, one row a channel."""
        first, last = max(0, first), min(last, self.count)
        number = max(0, last - first)
        self._file.seek(first * self.channels * BYTES)
        content = self._file.read(number * self.channels * BYTES)
        return np.frombuffer(content).reshape(number, self.channels).T

    def envelope(self, first: int, last: int, columns: int) -> Envelope:
        """Extremes of samples first .. last - 1 in at most so many columns; single samples where those do.

        Beyond 64 samples a column both ends move out to whole columns of the level that serves, so that
        nothing of the part asked for is missing.
        """
        first, last = max(0, first), min(last, self.count)
        if last <= first:
            return Envelope(np.zeros(1, np.int64), np.empty((self.channels, 0)), np.empty((self.channels, 0)))
        width = (last - first) / columns
        level = next((one for one in reversed(self._levels) if one.size <= width and one.count), None)
        if level is None:
            samples = self.read(first, last)
            edges = _edges(first, last, columns)
            places = edges[:-1] - first
            return Envelope(
                edges,
                np.minimum.reduceat(samples, places, axis=1),
                np.maximum.reduceat(samples, places, axis=1),
            )
        return self._coarse(level, first, last, columns)

    def _coarse(self, level: _Level, first: int, last: int, columns: int) -> Envelope:
        size = level.size
        begin, end = first // size, min(-(-last // size), level.count)
        tail = self.read(max(level.count * size, first), last) if last > level.count * size else None
        parts = []
        for k, extreme in enumerate((np.min, np.max)):
            part = level.part(begin, end)[k]
            if tail is not None and tail.shape[1]:
                part = np.concatenate((part, extreme(tail, axis=1, keepdims=True)), axis=1)
            parts.append(part)
        number = parts[0].shape[1]
        edges = _edges(0, number, columns)
        places = edges[:-1]
        bounds = np.minimum((begin + edges) * size, self.count)
        low, high = (
            np.minimum.reduceat(parts[0], places, axis=1),
            np.maximum.reduceat(parts[1], places, axis=1),
        )
        return Envelope(bounds, low, high)


def _edges(first: int, last: int, columns: int) -> npt.NDArray[np.int64]:
    """The ends of at most so many columns, none of them empty."""
    number = min(columns, last - first)
    return first + np.arange(number + 1, dtype=np.int64) * (last - first) // number
