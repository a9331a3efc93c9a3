"""What was seen, under the names that comparisons still use for it; goes when they read Seen themselves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from nightdraw.capture.seen import Floats, Seen


@dataclass(frozen=True)
class Moments:
    """Edges and gaps (at_s nan) in order of time."""

    at_s: Floats
    before: Floats
    after: Floats
    last_s: Floats
    first_s: Floats
    height_u: Floats


class ScanView:
    """A scan as it was."""

    def __init__(self, seen: Seen) -> None:
        e, gaps = seen.edges, seen.gaps
        nothing = np.full(len(gaps), np.nan)
        columns = (
            np.concatenate((e.at_s, nothing)),
            np.concatenate((e.before, nothing)),
            np.concatenate((e.after, nothing)),
            np.concatenate((e.last_s, gaps[:, 0])),
            np.concatenate((e.first_s, gaps[:, 1])),
            np.concatenate((e.height_u, nothing)),
        )
        order = np.argsort(columns[3], kind="stable")
        self.transitions = Moments(*(column[order] for column in columns))
        self.gaps = len(gaps)
        self.samples = seen.samples
        self.start_s, self.end_s = seen.start_s, seen.end_s
        self.interval_s, self.noise_ma, self.mean_ma = seen.interval_s, seen.noise, seen.mean
