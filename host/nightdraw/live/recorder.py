"""A recorder in a live vehicle: its inputs, its rate, its trigger, and the recording it makes.

Samples are those of `bench record`: means (or instants) of the truth at multiples of the sample interval from
the vehicle's zero, through the school's own front ends.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np
from boxcore.program import TICKS_PER_S

from nightdraw.bench.averaging import Averager
from nightdraw.bench.drive import BESIDE
from nightdraw.bench.rig import Stretch
from nightdraw.bench.tables import Piece
from nightdraw.instruments.front import Front, Traits
from nightdraw.live.tools import EVER, only
from nightdraw.live.trace import Envelope, Trace

if TYPE_CHECKING:
    import numpy.typing as npt

MOST_NUMBERS = 40_000_000  # of all channels: ten channels for an hour at 1 kHz, 320 MB on disk
RATES = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000)  # a whole number of ticks apart
MOST_TRIGGERS = 10_000  # kept; the newest
PIECE = 1 << 18  # samples a channel at once on the way to a file
RISES, FALLS = "rises", "falls"
TURNS = (RISES, FALLS)


@dataclass(frozen=True)
class Input:
    """What an input shows: the vehicle's channel, the column's name with its unit, its front end.

    at, number: as it was asked for, the place and the range (None: the usual one).
    """

    at: str
    number: int | None
    channel: str
    column: str
    traits: Traits


@dataclass(frozen=True)
class Trigger:
    """An instant at which an input rises (falls) through a level, in A or mV."""

    number: int
    level: float
    turn: str


class Recording:
    """A recording under way or at its end: `rate` samples a second, one of RATES.

    memory: how many samples the recorder holds; index: each channel's place in the truth.
    """

    def __init__(
        self,
        inputs: Sequence[Input],
        rate: int,
        trigger: Trigger | None,
        memory: int | None,
        zero: int,
        tick: int,
        seed: int,
        index: dict[str, int],
    ) -> None:
        self.inputs, self.rate, self.trigger = tuple(inputs), rate, trigger
        self.running, self.full = True, False
        interval = TICKS_PER_S // rate
        number = -(-(tick - zero) // interval)  # the first multiple that is not before now
        self.origin = zero + number * interval
        self.begins_s = number / rate
        self.trace = Trace(len(inputs))
        self.triggers: list[int] = []  # numbers of samples
        self._channels = [index[one.channel] for one in inputs]
        instants = [k for k, one in enumerate(inputs) if one.traits.instant]
        self._averager = Averager(Fraction(rate), self.origin, EVER, instants)
        self._fronts = [Front(one.traits, float(rate), (seed, BESIDE, k)) for k, one in enumerate(inputs)]
        most = MOST_NUMBERS if memory is None else min(memory, MOST_NUMBERS)
        self._most = most // len(inputs)
        self._last: float | None = None

    @property
    def count(self) -> int:
        """Samples a channel so far."""
        return self.trace.count

    def feed(self, stretch: Stretch) -> None:
        """Take a further stretch of the truth."""
        if not self.running or stretch.stop < self.origin:
            return
        truth = self._averager.feed(only(stretch, self._channels))
        room = self._most - self.count
        if truth.shape[1] >= room:
            truth = truth[:, :room]
            self.running, self.full = False, True
        if not truth.shape[1]:
            return
        samples = np.array([front(row) for front, row in zip(self._fronts, truth, strict=True)])
        self._look(samples)
        self.trace.append(samples)

    def _look(self, samples: npt.NDArray[np.float64]) -> None:
        """Note where the trigger's input goes through its level."""
        wanted = self.trigger
        if wanted is None:
            return
        row = samples[wanted.number]
        if wanted.turn == FALLS:
            row, level = -row, -wanted.level
        else:
            level = wanted.level
        before = np.concatenate(([level if self._last is None else self._last], row[:-1]))
        found = np.flatnonzero((row >= level) & (before < level))
        self._last = float(row[-1])
        self.triggers = [*self.triggers, *(self.count + found).tolist()][-MOST_TRIGGERS:]

    def zero(self, at: str, enclosed: float) -> None:
        """A clamp is zeroed, or was before: it takes so many amperes for zero from the next sample on."""
        for one, front in zip(self.inputs, self._fronts, strict=True):
            if one.at == at:
                front.zero(enclosed)

    def envelope(self, from_s: float, for_s: float, columns: int) -> Envelope:
        """Its extremes from so many seconds after its begin on, in columns."""
        first = int(from_s * self.rate)
        return self.trace.envelope(first, int((from_s + for_s) * self.rate) + 2, columns)

    def header(self) -> list[str]:
        """The columns of a file."""
        return [one.column for one in self.inputs]

    def pieces(self) -> Iterator[Piece]:
        """All samples until now, piece by piece, for a file; seconds count from the recording's begin."""
        count = self.count
        for first in range(0, count, PIECE):
            last = min(first + PIECE, count)
            yield np.arange(first, last) / self.rate, list(self.trace.read(first, last))
