"""Transitions: what one pass over a recording found, and how sure each instant is.

Theory of operation. An ideal edge is moved and widened by the recorder: by sampling (an instant lies anywhere
between two samples, unless the recorder averages over its interval: then a sample in the middle of the edge
tells the share), by a first-order low-pass (clamps and their inputs have 5 to 20 ms), and by noise. The time
constant follows from strong edges: between 25 and 75 % of the height lie ln 3 time constants, and the upper
half of that takes ln 2 / ln 1.5 = 1.71 times the lower one; a ramp and a symmetric filter take the same time
for both. The response crosses half of its height ln 2 time constants late, at both ends of a long pulse
alike. A pulse of length d that is not long never reaches its top: between the crossings of half of what it
reaches lie D = d + tau ln(1 + exp(-d / tau)), so d = tau ln(exp(D / tau) - 1), and it has reached 1 - exp(-d
/ tau) of its height.

Noise moves the likeliest place of an edge of h deviations by about (5 / h^2) samples where it hides single
samples: the location of a change in Brownian motion with drift has variance 26 sigma^4 / h^4 (Yao 1987, from
memory).
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from nightdraw.capture.response import LEAST_STRONG, STRONG_Z
from nightdraw.capture.seen import Columns, Floats, Table

UNIFORM_U = 1 / np.sqrt(12.0)  # samples: an instant anywhere between two of them
SHARE_U = 0.06  # samples: what a sample inside an edge leaves unknown, when noise doesn't hide it
HIDDEN_Z = 6.0  # below so many deviations a sample inside an edge isn't told from one beside it
NOISE_U, CHANGE_U = (
    0.7,
    7.0,
)  # samples times deviations, and times their square
# Edges of so many samples, whose shape noise hides: samples times deviations, by the root of their width.
WIDE, WIDE_U = 2.5, 4.2


@dataclass(frozen=True)
class Transitions(Columns):
    """One row a transition, in order of time.

    at_s: mid-reference level instant, without a low-pass's delay (nan where it fell into a gap); at_u: its
    standard uncertainty in samples where it was fitted, else nan; before, after: levels beside it; n_before,
    n_after: samples those means are of (or are as good as); level: the one after it where it was fitted, for
    it never settles, else nan, and lasting_u: the standard uncertainty of how long, in samples; last_s,
    first_s: instants of the last settled sample before and the first one after it; sum_to, sum_from: the
    recording's running sum up to there, and n_to, n_from the samples it is of, so that a level's mean is
    (sum_to[i + 1] - sum_from[i]) / (n_to[i + 1] - n_from[i]); sigma: the noise there; bias: standard
    uncertainty that the values' resolution leaves to levels beside it; slope: of the record in the middle of
    the edge, per sample; smooth: samples that this is averaged over; inside: samples in the middle of it.
    """

    at_s: Floats
    at_u: Floats
    before: Floats
    after: Floats
    n_before: Floats
    n_after: Floats
    level: Floats
    lasting_u: Floats
    last_s: Floats
    first_s: Floats
    sum_to: Floats
    sum_from: Floats
    n_to: Floats
    n_from: Floats
    sigma: Floats
    bias: Floats
    slope: Floats
    smooth: Floats
    inside: Floats

    @property
    def height(self) -> Floats:
        """Level after less level before."""
        return self.after - self.before


@dataclass(frozen=True)
class Trace(Columns):
    """Means of the settled record, cut at transitions and about WINDOW_S long: middle, mean, number of
    samples, and level (the number of transitions before it)."""

    t_s: Floats
    mean: Floats
    n: Floats
    level: Floats


@dataclass(frozen=True)
class Pieces(Columns):
    """Stretches of the record, some seconds long: from, until, the noise of one sample there (own), the one
    that changes are held against (sigma), and the smallest change that is one."""

    from_s: Floats
    until_s: Floats
    own: Floats
    sigma: Floats
    least: Floats


def empty(kind: type[Table]) -> Table:
    """A table without rows."""
    return kind(**{f.name: np.empty(0) for f in fields(kind)})  # type: ignore[arg-type]


@dataclass(frozen=True)
class Scan:
    """What one pass over a recording found.

    interval_s: the sampling interval; noise: rms of one sample; least_change: no smaller one is an edge; hum:
    rms of what was taken out; total: the sum of all samples; z: the deviations that changes were asked for.
    """

    transitions: Transitions
    trace: Trace
    pieces: Pieces
    samples: int
    start_s: float
    end_s: float
    interval_s: float
    noise: float
    least_change: float
    hum: float
    total: float
    z: float
    window: int
    tau: float
    width: float

    @property
    def mean(self) -> float:
        """The mean of all samples."""
        return self.total / self.samples if self.samples else 0.0


@dataclass(frozen=True)
class Recorder:
    """What edges say of the recorder. time_constant_s: of its low-pass, 0 where it shows none; averages:
    whether a sample is the mean over its interval (or edges are slow); width: samples that edges take from 25
    to 75 %."""

    time_constant_s: float
    averages: bool
    interval_s: float
    width: float


def recorder_of(found: Scan) -> Recorder:
    """What the transitions of a recording say of its recorder."""
    t = found.transitions
    strong = ~np.isnan(t.at_s) & (np.abs(t.height) > STRONG_Z * t.sigma)
    averages = bool(np.count_nonzero(strong) >= LEAST_STRONG and np.mean(t.inside[strong] >= 1) > 0.5)
    return Recorder(found.tau * found.interval_s, averages, found.interval_s, found.width)


def instants(t: Transitions, recorder: Recorder) -> tuple[Floats, Floats]:
    """The mid-reference instants without the low-pass's delay, and their standard uncertainties."""
    h = np.maximum(np.abs(t.height) / np.maximum(t.sigma, 1e-12), 1e-6)
    hidden = np.minimum(HIDDEN_Z / h, 1.0)
    place_u = SHARE_U + (UNIFORM_U - SHARE_U) * hidden if recorder.averages else np.full(len(h), UNIFORM_U)
    # where noise hides the shape of an edge that is slow, it may be anywhere in it
    noise_u = NOISE_U if recorder.width < WIDE else WIDE_U * np.sqrt(recorder.width)
    sharp_u = np.sqrt(place_u**2 + (noise_u / h) ** 2 + (CHANGE_U / h**2) ** 2)
    slope = np.maximum(t.slope, 1e-12)
    slow_u = t.sigma / np.sqrt(t.smooth) / slope
    levels_u = t.sigma * np.sqrt(1 / np.maximum(t.n_before, 1) + 1 / np.maximum(t.n_after, 1))
    by_levels = np.hypot(levels_u, np.sqrt(2) * t.bias) / 2 / slope
    samples_u = np.hypot(np.where(t.smooth > 1, np.hypot(slow_u, SHARE_U), sharp_u), by_levels)
    samples_u = np.where(np.isfinite(t.at_u), np.hypot(t.at_u, SHARE_U), samples_u)
    return t.at_s, samples_u * recorder.interval_s
