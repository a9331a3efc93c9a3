"""What a bank is asked for over a range of supplies: each level's span of wanted conductance, and the error
of a bank over all of them.

Theory: a level L less the box's own consumption wants (L - own) / V siemens at V volts, and the box picks the
nearest sum of its channels anew at each supply. Over a span the error is greatest at its ends, and half way
between two neighbouring sums: |s - w| / w there is (b - a) / (b + a). So the error over a range is exact,
from finitely many points. Targets at sampled points can only show less: what is proven of them is a lower
bound for all.
"""

from __future__ import annotations

import math

import numpy as np

from nightdraw.bank.patterns import Floats, Targets, nearest_distance, subset_sums


class Spans:
    """low, high: siemens that each level wants at the highest and the lowest supply; share: (L - own) / L, by
    which an error of the bank counts less in what the circuit sees."""

    def __init__(self, low: Floats, high: Floats, share: Floats) -> None:
        self.low, self.high, self.share = low, high, share
        self._edges = np.unique(np.concatenate([low, high]))
        starts, ends = self._edges[:-1], self._edges[1:]
        covers = (low[:, None] <= starts) & (high[:, None] >= ends)
        self._between = np.where(covers, share[:, None], 0.0).max(axis=0)  # the largest share of each stretch
        at = (low[:, None] <= self._edges) & (high[:, None] >= self._edges)
        self._at_edge = np.where(at, share[:, None], 0.0).max(axis=0)

    @classmethod
    def of(cls, levels_a: Floats, own_a: float, range_v: tuple[float, float]) -> Spans:
        """The spans of levels (amperes, as the circuit sees them) over a supply range."""
        net = levels_a - own_a
        return cls(net / range_v[1], net / range_v[0], net / levels_a)

    def error(self, conductances: Floats) -> float:
        """The largest relative error over every level and supply: exact."""
        return float(
            max(self._at_ends(np.sort(subset_sums(conductances))).max(), self._gaps(conductances)[1].max())
        )

    def worst_points(self, conductances: Floats, above: float) -> Targets:
        """Targets where the error of this bank is more than `above`: the middles of its gaps."""
        middles, errors = self._gaps(conductances)
        off = errors > above
        return Targets(middles[off], middles[off] / self._share_at(middles[off]))

    def targets(self, step: float) -> Targets:
        """Points of the spans, neighbours no further apart than the ratio 1 + step, every end among them."""
        wanted, share = [self._edges], [self._at_edge]
        for start, end, counts in zip(self._edges, self._edges[1:], self._between, strict=False):
            if counts > 0:  # nothing is wanted in the stretches between spans
                inside = np.geomspace(start, end, 1 + math.ceil(math.log(end / start) / math.log1p(step)))[
                    1:-1
                ]
                wanted.append(inside)
                share.append(np.full(len(inside), counts))
        points = np.concatenate(wanted)
        return Targets(points, points / np.concatenate(share))

    def _share_at(self, wanted: Floats) -> Floats:
        """The largest share of the levels that want this at some supply; 0 where none does."""
        if not len(self._between):
            return np.zeros(len(wanted))
        stretch = np.searchsorted(self._edges, wanted, side="right") - 1
        inside = (stretch >= 0) & (stretch < len(self._between))
        return np.where(inside, self._between[np.clip(stretch, 0, len(self._between) - 1)], 0.0)

    def _at_ends(self, ascending: Floats) -> Floats:
        relative: Floats = nearest_distance(ascending, self._edges) / self._edges * self._at_edge
        return relative

    def _gaps(self, conductances: Floats) -> tuple[Floats, Floats]:
        """The middles between neighbouring sums, and the error there (0 where no level wants it)."""
        sums = np.sort(subset_sums(conductances))
        middles = (sums[1:] + sums[:-1]) / 2
        # the lowest sum is 0: its relative error is undefined, and no level wants 0
        with np.errstate(invalid="ignore"):
            errors = np.where(middles > 0, (sums[1:] - middles) / middles, 0.0) * self._share_at(middles)
        return middles, errors
