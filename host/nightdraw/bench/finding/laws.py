"""Exact distributions of the duration of a search where one draw makes the pulses: no simulation.

Theory of operation. Pulses of one draw are a renewal process: gap, width, gap, width, independent. A search
that begins at a random instant waits the forward recurrence time (density (1 - F(t)) / mean, Cox 1962), then
a pulse's width. A pulse that was seen is a renewal point, so every later wait depends only on the length of
the move before it. The total is a mixture over the paths of the walk (walks.py) of sums of independent waits.

- Periodic draw: every later wait is a constant, the first is uniform. The total is a mixture of uniform
  distributions; mean and quantile are exact.
- Random draw: the sums (Erlang where gaps are exponential) are convolved by FFT on a grid of CELLS. A law is
  laid on the grid by second differences of its integrated distribution, which keeps means exact; DAMPING
  weights the grid exponentially, so that what lies beyond its end does not fold back (aliasing of the FFT).

Assumptions: the firmware's quantised tick is small against gaps; several draws at once have no closed form
and go to trials.py. Cost: one FFT of 2 * CELLS for each kind of move, O(CELLS) a path.
"""

from __future__ import annotations

import bisect
import functools
import math
from collections.abc import Callable
from dataclasses import dataclass
from itertools import accumulate, repeat
from typing import TYPE_CHECKING

from boxcore.program import EXP_CUT, TICKS_PER_S

from nightdraw.bench.finding.train import LOOK_S, Signature
from nightdraw.bench.finding.walks import ONCE, Walk
from nightdraw.profile.model import Draw, Pulse, Random

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

QUANTILE = 0.95  # the quantile that is published
CELLS = 1 << 15  # of the grid that a law is laid out on: a quantile is right to 1 in 10 000
ROW = 1 << 8  # of a spectrum that is made as rows times columns
ROUNDING = 1e-12  # what sums of weights may miss
DAMPING = 1e-9  # of the grid's last cell against its first: so much of what lies beyond folds back


@dataclass(frozen=True)
class SearchTime:
    """Expected and 95 % time, seconds, of those searches that end well; wrong: the share that doesn't."""

    expected_s: float
    p95_s: float
    wrong: float = 0.0


@dataclass(frozen=True)
class Interruption:
    """Something before one looks: it takes delay_s, and in a share of the searches the fault begins anew,
    which is then seen point_s after it (inf: never again)."""

    delay_s: float = 0.0
    share: float = 0.0
    point_s: float = 0.0


NO_INTERRUPTION = Interruption()


class Fixed:
    """After the first wait, uniform over `first_s` (low, width), nothing is left to chance.

    every_ticks, on_ticks: of a periodic draw; None: steady, each look takes first_s's low end.
    """

    def __init__(
        self, first_s: tuple[float, float], every_ticks: int | None = None, on_ticks: int = 0
    ) -> None:
        self.name = "mixture of uniform laws" if every_ticks else "counted"
        self._first_s = first_s
        self._every_ticks = every_ticks
        self._on_ticks = on_ticks

    def wait_s(self, move_s: float) -> float:
        """From the end of a move, begun when a pulse ended, to the end of the next whole pulse."""
        if self._every_ticks is None:
            return self._first_s[0]
        passed = self._on_ticks + round(move_s * TICKS_PER_S)
        return -(-passed // self._every_ticks) * self._every_ticks / TICKS_PER_S - move_s

    def spread(self, walk: Walk) -> SearchTime:
        """Mean and quantile of the mixture over the walk's paths."""
        waits = [self.wait_s(move_s) for move_s in walk.moves_s]
        kept = [
            (p.weight, p.constant_s + sum(n * t for n, t in zip(p.counts, waits, strict=True)))
            for p in walk.paths
        ]
        low, width = self._first_s
        parts = [(weight, constant + low, width) for weight, constant in kept]
        mean = sum(weight * (start + length / 2) for weight, start, length in parts)
        return SearchTime(mean, _quantile(parts, QUANTILE))

    def pulses(self, number: int, before: Interruption = NO_INTERRUPTION) -> SearchTime:
        """Until so many pulses were seen."""
        low, width = self._first_s
        low += before.delay_s
        if self._every_ticks is not None:
            low += (number - 1) * self._every_ticks / TICKS_PER_S
        point_s = before.delay_s + before.point_s
        if not before.share or math.isinf(point_s):
            return SearchTime(low + width / 2, low + QUANTILE * width, before.share)
        mean = (1 - before.share) * (low + width / 2) + before.share * point_s
        parts = [(1 - before.share, low, width), (before.share, point_s, 0.0)]
        return SearchTime(mean, _quantile(parts, QUANTILE))

    def counted(self, candidates: int, each_s: float) -> SearchTime:
        """The first wait, then candidate after candidate in any order up to the one that it is."""
        parts = [(1 / candidates, self._first_s[0] + each_s * (k + 1), 0.0) for k in range(candidates)]
        return SearchTime(sum(weight * t for weight, t, _ in parts), _quantile(parts, QUANTILE))

    def patience_s(self, moves_s: tuple[float, ...], miss: float) -> float:
        """The longest wait that there is."""
        return sum(self._first_s)


def _quantile(parts: list[tuple[float, float, float]], share: float) -> float:
    """The least t by which a mixture of uniform laws (weight, low, width; 0: a point) reaches a share."""

    def reached(t: float) -> float:
        return sum(
            weight * (min(1.0, max(0.0, (t - low) / width)) if width else float(t >= low))
            for weight, low, width in parts
        )

    # between two corners the distribution is a straight line, so the quantile is found on one piece
    corners = sorted({low for _, low, _ in parts} | {low + width for _, low, width in parts})
    k = bisect.bisect_left(corners, share - ROUNDING, key=reached)
    if k in (0, len(corners)):
        return corners[max(0, k - 1)]
    before, corner = corners[k - 1], corners[k]
    inner = [(weight / width, low, width) for weight, low, width in parts if width]
    slope = sum(d for d, low, width in inner if low <= before and corner <= low + width + ROUNDING)
    if slope <= 0:  # the share is reached by a jump at this corner, not on the line before it
        return corner
    return min(corner, before + max(0.0, share - reached(before)) / slope)


Ramp = Callable[["npt.NDArray[np.float64]"], "npt.NDArray[np.float64]"]  # x -> E[max(0, x - X)]


def _uniform(low: float, high: float) -> Ramp:
    def ramp(x: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        import numpy as np

        if high <= low:
            return np.maximum(0.0, x - low)
        inside = np.clip(x, low, high) - low
        return inside**2 / (2 * (high - low)) + np.maximum(0.0, x - high)

    return ramp


def _exponential(mean: float) -> Ramp:
    """Cut at EXP_CUT means, as the firmware does."""

    def ramp(x: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        import numpy as np

        inside = np.clip(x, 0.0, EXP_CUT * mean)
        return inside + mean * np.expm1(-inside / mean) + np.maximum(0.0, x - EXP_CUT * mean)

    return ramp


class Renewal:
    """The renewal process of a random draw: gap, pulse, gap, pulse, of independent lengths."""

    def __init__(self, draw: Random) -> None:
        low, high = (ticks / TICKS_PER_S for ticks in draw.on_ticks)
        gap_low, gap_high = (ticks / TICKS_PER_S for ticks in draw.gap_ticks)
        exponential = draw.law == "exponential"
        self.name = "Erlang laws, convolved" if exponential else "renewal laws, convolved"
        self._on = _uniform(low, high)
        self._gap = _exponential(gap_low) if exponential else _uniform(gap_low, gap_high)
        self._cycle_s = float(draw.mean_on_ticks() + draw.mean_gap_ticks()) / TICKS_PER_S

    def spread(self, walk: Walk) -> SearchTime:
        """Mean and quantile of the mixture over the walk's paths, waits beyond its patience left out."""
        import numpy as np

        grid = self._grid(walk.most_rounds, max(path.constant_s for path in walk.paths))
        waits = [grid.spectrum(grid.wait(move_s), walk.patience_s) for move_s in walk.moves_s]
        most = [max(counts) for counts in zip(*(path.counts for path in walk.paths), strict=True)]
        powers = [list(accumulate(repeat(wait, n), np.multiply)) for wait, n in zip(waits, most, strict=True)]
        total = np.zeros(CELLS + 1, complex)
        for path in walk.paths:  # thousands, where many fuses wake something
            part = path.weight * grid.shift(path.constant_s)
            for power, times in zip(powers, path.counts, strict=True):
                if times:
                    part *= power[times - 1]
            total += part
        return grid.with_times(total * grid.spectrum(grid.first()))

    def pulses(self, number: int, before: Interruption = NO_INTERRUPTION) -> SearchTime:
        """Until so many pulses were seen: a recurrence, a width, and a cycle for each further one."""
        back = before.share > 0 and math.isfinite(before.point_s)
        grid = self._grid(number, before.delay_s + (before.point_s if back else 0.0))
        law = grid.spectrum(grid.cycle()) ** (number - 1) * grid.spectrum(grid.first())
        law = (1 - before.share) * law * grid.shift(before.delay_s)
        if back:
            law = law + before.share * grid.shift(before.delay_s + before.point_s)
        return grid.with_times(law)

    def patience_s(self, moves_s: tuple[float, ...], miss: float) -> float:
        """The wait that a share `miss` of the waits after any of these moves exceeds."""
        grid = self._grid(1, max(moves_s, default=0.0))
        return max(grid.quantile(grid.wait(move_s), 1 - miss) for move_s in moves_s)

    def _grid(self, rounds: int, constant_s: float) -> _Grid:
        # far enough that a sum of so many exponential lengths ends on it but for 1 in a million
        cycles = rounds + 1 + 8 * math.sqrt(rounds + 1) + 12
        return _Grid(constant_s + self._cycle_s * cycles, self._gap, self._on)


class _Grid:
    """Distributions as weights on 0, h, 2 h ...; a value between two cells is split so that means are
    kept."""

    def __init__(self, length_s: float, gap: Ramp, on: Ramp) -> None:
        self._step = length_s / CELLS
        self._gap = self._laid(gap)
        self._on = self._laid(on)

    def _laid(self, ramp: Ramp) -> npt.NDArray[np.float64]:
        import numpy as np

        values = ramp(np.arange(-1, CELLS + 1, dtype=np.float64) * self._step)
        weights: npt.NDArray[np.float64] = np.diff(values, 2) / self._step
        return weights

    def _along(self, *laws: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """The law of a sum, as far as the grid goes."""
        import numpy as np

        product = np.ones(CELLS + 1, complex)
        for law in laws:
            product = product * np.fft.rfft(law, 2 * CELLS)
        found: npt.NDArray[np.float64] = np.fft.irfft(product)[:CELLS]
        return found

    def cycle(self) -> npt.NDArray[np.float64]:
        """From start to start."""
        return self._along(self._gap, self._on)

    def first(self) -> npt.NDArray[np.float64]:
        """From a random instant to the end of the first whole pulse: its start comes with the density
        P(cycle > t) / E[cycle]."""
        import numpy as np

        cycle = self.cycle()
        longer = np.maximum(0.0, 1 - np.cumsum(cycle))
        halves: npt.NDArray[np.float64] = (longer + np.r_[0.0, longer[:-1]]) / 2
        return self._along(halves / halves.sum(), self._on)

    def wait(self, move_s: float) -> npt.NDArray[np.float64]:
        """From the end of a move, begun when a pulse ended, to the end of the next whole pulse."""
        import numpy as np

        after = np.clip(np.arange(CELLS) - move_s / self._step + 0.5, 0.0, 1.0)
        early = self._starts() * (1 - after)  # starts during the move, each the last one with what follows
        ends = self._along(early, self._on)
        ends[0] += 1
        first = self._along(ends, self._gap) * after
        done = self._along(first, self._on)
        cells, part = divmod(move_s / self._step, 1.0)
        moved = done[int(cells) :]
        back = np.zeros(CELLS)
        back[: len(moved)] = (1 - part) * moved
        back[: len(moved) - 1] += part * moved[1:]
        back[0] += part * moved[0]
        return back

    @functools.cached_property
    def _damp(self) -> npt.NDArray[np.float64]:
        import numpy as np

        damp: npt.NDArray[np.float64] = DAMPING ** (np.arange(CELLS) / CELLS)
        return damp

    @functools.cached_property
    def _next_cell(self) -> npt.NDArray[np.complex128]:
        import numpy as np

        return _root_of_one(np.arange(CELLS + 1))

    def _starts(self) -> npt.NDArray[np.float64]:
        """The expected number of starts in each cell after a pulse's end: gap / (1 - gap on), as spectra."""
        import numpy as np

        damp = self._damp
        gap, on = np.fft.rfft(self._gap * damp), np.fft.rfft(self._on * damp)
        found: npt.NDArray[np.float64] = np.fft.irfft(gap / (1 - gap * on)) / damp
        return found

    def spectrum(
        self, law: npt.NDArray[np.float64], most_s: float | None = None
    ) -> npt.NDArray[np.complex128]:
        """For products of laws; most_s: what exceeds it is left out."""
        import numpy as np

        if most_s is not None:
            law = law * np.clip(most_s / self._step - np.arange(CELLS) + 0.5, 0.0, 1.0)
        found: npt.NDArray[np.complex128] = np.fft.rfft(law, 2 * CELLS)
        return found

    def shift(self, constant_s: float) -> npt.NDArray[np.complex128]:
        """The spectrum of a constant, exp(-i pi k c / CELLS) for c cells, as powers by rows: an FFT takes ten
        times as long."""
        import numpy as np

        cells, part = divmod(constant_s / self._step, 1.0)
        rows, columns = np.arange(0, CELLS + 1, ROW) * int(cells), np.arange(ROW) * int(cells)
        whole = np.multiply.outer(_root_of_one(rows), _root_of_one(columns)).ravel()[: CELLS + 1]
        found: npt.NDArray[np.complex128] = whole * (1 - part + part * self._next_cell)
        return found

    def with_times(self, spectrum: npt.NDArray[np.complex128]) -> SearchTime:
        """Mean, quantile and what is missing."""
        import numpy as np

        law = np.maximum(0.0, np.fft.irfft(spectrum)[:CELLS])
        known = float(law.sum())
        mean = float((law * np.arange(CELLS)).sum()) * self._step / known
        return SearchTime(mean, self.quantile(law, QUANTILE), max(0.0, 1 - known))

    def quantile(self, law: npt.NDArray[np.float64], share: float) -> float:
        """By the sums up to the middle between cells, straight lines between."""
        import numpy as np

        sums = np.cumsum(law) / law.sum()
        return float(np.interp(share, sums, (np.arange(CELLS) + 0.5) * self._step))


def _root_of_one(powers: npt.NDArray[np.int64]) -> npt.NDArray[np.complex128]:
    """Powers of exp(-i pi / CELLS); whole turns are left out, which keeps the last digits."""
    import numpy as np

    found: npt.NDArray[np.complex128] = np.exp(-1j * math.pi / CELLS * (powers % (2 * CELLS)))
    return found


Law = Fixed | Renewal
STEADY = Fixed((LOOK_S, 0.0))


def of(draw: Draw | None, look_s: float = LOOK_S) -> Law | None:
    """The law of the waits for the pulses of one draw; None where none is known: several draws, a replay,
    pulses that outlast a look."""
    if isinstance(draw, Pulse) and draw.on_ticks <= look_s * TICKS_PER_S:
        return _periodic(draw.on_ticks, draw.every_ticks)
    if isinstance(draw, Random) and draw.on_ticks[1] <= look_s * TICKS_PER_S:
        return Renewal(draw)
    return None


def of_signature(signature: Signature, look_s: float = LOOK_S) -> Law | None:
    """The same for a signature of a fault: one that stays, too, and pulses that are all alike and equally far
    apart whatever makes them."""
    train = signature.train
    if train is None:
        return Fixed((look_s, 0.0))
    if train.period_ticks is not None and train.widest_s <= look_s:
        return _periodic(round(train.widest_s * TICKS_PER_S), train.period_ticks)
    return of(signature.draw, look_s)


def _periodic(on_ticks: int, every_ticks: int) -> Fixed:
    return Fixed((on_ticks / TICKS_PER_S, every_ticks / TICKS_PER_S), every_ticks, on_ticks)


def once(law: Law) -> SearchTime:
    """Until it shows for the first time."""
    return law.spread(ONCE)
