"""What recorder and clamp did to a signal: gain and polarity, zero and its drift, time constant, clock.

Theory of operation. Against an account whose edges are known, the edges that were seen, laid on each other
in units of their own height, are the instrument's step response: a first-order low pass, averaged over the
sampling interval, is fitted to it by least squares. The gain is the median of the ratios of edge heights, so
that a few edges that a fault or another load spoilt don't count; whether it is the gain or the box that is
off is weighed in hypotheses. The clock is refined by the charge around the edges. What is found is said as
"your clamp: ..." with its value and taken out before the box is judged.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from nightdraw.capture.accounts import Account
from nightdraw.capture.align import Piece
from nightdraw.capture.place import Clock
from nightdraw.capture.read import Recording
from nightdraw.capture.scanview import ScanView as Scan
from nightdraw.capture.seen import Bools, Floats

USUAL_GAIN = 0.02  # a clamp in order reads right within this
USUAL_PPM = 200.0  # two crystals of 100 ppm each
ZERO_MA = 2.0  # a zero off by less is within the tolerance of levels
EDGES = 16  # of the largest, laid on each other: more say nothing new
ROOM_S = 0.25  # an edge alone for so long on both sides shows the whole response
LEAST_TOLD_S = 1.5e-3  # a time constant below this, or below the sampling interval, moves nothing
MOST_TAU_S = 0.06  # a slower one hides what is to be compared
BETTER_Z2 = 50.0  # by how much the squares must be smaller, in units of the noise: seven deviations
BETTER_SHARE = 0.7  # and they must be this share or less of what they were
ROUNDS = 5  # of a grid of 9 by 9, each a third as wide
GRID = 9
LEAST_EDGES = 4  # to refine a clock by
FINE_U_S = 1e-3  # edges that are known better than this refine it


@dataclass(frozen=True)
class Instrument:
    """gain: what is shown of an ampere (negative: the wrong way round); tau_s: time constant; zero_ma: what
    is shown of nothing, drift_ma_per_h: how it changes (both told only, levels are taken beside the base);
    rate_ppm: how much faster the recorder's clock is than the box's."""

    gain: float = 1.0
    tau_s: float = 0.0
    zero_ma: float = 0.0
    drift_ma_per_h: float = 0.0
    rate_ppm: float = 0.0

    @property
    def inverted(self) -> bool:
        """True for a clamp the wrong way round."""
        return self.gain < 0

    def remarks(self) -> Iterator[str]:
        """For people: what is off, with its value."""
        size = abs(self.gain)
        if self.inverted:
            yield "your clamp: the wrong way round, currents are negative (--invert turns them)"
        if abs(size - 1) > USUAL_GAIN:
            near = 10 ** round(float(np.log10(size)))
            power = near != 1 and abs(size / near - 1) <= 2 * USUAL_GAIN
            told = f"{100 * (size - 1):+.1f} %"
            if power:
                told = f"{near:g} times too {'large' if near > 1 else 'small'}"
            yield f"your clamp: scale off, it shows {size:.4g} mA of each mA ({told}); --scale sets it right"
        if abs(self.zero_ma) > ZERO_MA:
            yield f"your clamp: zero {self.zero_ma:+.1f} mA; levels are taken above the base beside them"
        if self.tau_s:
            yield (
                f"your clamp: time constant {self.tau_s * 1e3:.1f} ms; edges are judged by the charge around "
                "them"
            )
        if abs(self.rate_ppm) > USUAL_PPM:
            yield f"your recorder: its clock goes {self.rate_ppm:+.0f} ppm against the box's, taken out"

    def document(self) -> dict[str, float | bool]:
        """For programs."""
        return {
            "gain": round(self.gain, 6),
            "inverted": self.inverted,
            "zero_ma": round(self.zero_ma, 3),
            "drift_ma_per_h": round(self.drift_ma_per_h, 3),
            "time_constant_s": round(self.tau_s, 6),
            "rate_ppm": round(self.rate_ppm, 3),
        }


PERFECT = Instrument()


def gain_of(seen_ma: Floats, known_ma: Floats) -> float:
    """The median ratio of edge heights, each by its own height (mA); 1 without any."""
    if not len(known_ma):
        return 1.0
    ratio, weight = seen_ma / known_ma, np.abs(known_ma)
    order = np.argsort(ratio)
    run = np.cumsum(weight[order])
    return float(ratio[order][np.searchsorted(run, run[-1] / 2)])


def refined(clock: Clock, at_s: Floats, late_s: Floats, late_u_s: Floats) -> Clock:
    """A clock that the edges' own lateness (s since the run's start) sets right; outliers don't count."""
    good = np.isfinite(late_s) & (late_u_s < FINE_U_S)
    if np.count_nonzero(good) < LEAST_EDGES:
        return clock
    t_s, late = at_s[good], late_s[good]
    weight = 1 / late_u_s[good] ** 2
    offset = slope = 0.0
    for _ in range(3):
        left = late - offset - slope * t_s
        middle = float(np.median(left))
        spread = max(1.4826 * float(np.median(np.abs(left - middle))), 2e-5)
        kept = weight * (np.abs(left - middle) <= 4 * spread)
        mean_t, mean = np.average(t_s, weights=kept), np.average(late, weights=kept)
        away = t_s - mean_t
        # a few edges close together say nothing of a rate: hold it by what an edge is known to
        stiff = float(np.sum(kept * away**2)) + float(kept.sum()) * (2e-5 / 5e-5) ** 2
        slope = float(np.sum(kept * away * (late - mean))) / stiff
        offset = float(mean - slope * mean_t)
    scale = 1 + clock.rate_ppm * 1e-6
    rate = scale * (1 + slope) - 1
    return replace(clock, offset_s=clock.offset_s + offset * scale, rate_ppm=rate * 1e6)


def time_constant(recording: Recording, account: Account, piece: Piece, scan: Scan) -> tuple[float, float]:
    """Time constant (s, 0: too short to be seen) and by how much later the edges come than the clock says."""
    stacked = _stacked(recording, account, piece, scan)
    if stacked is None:
        return 0.0, 0.0
    interval_s = scan.interval_s
    best_tau, best_late, best = 0.0, 0.0, np.inf
    low, high = np.log(interval_s / 2), np.log(2 * MOST_TAU_S)
    late_low, late_high = -MOST_TAU_S, MOST_TAU_S / 4
    for _ in range(ROUNDS):
        for log_tau in np.linspace(low, high, GRID):
            for late in np.linspace(late_low, late_high, GRID):
                misfit = stacked.misfit(interval_s, float(np.exp(log_tau)), float(late))
                if misfit < best:
                    best_tau, best_late, best = float(np.exp(log_tau)), float(late), misfit
        width, late_width = (high - low) / 3, (late_high - late_low) / 3
        low, high = np.log(best_tau) - width / 2, np.log(best_tau) + width / 2
        late_low, late_high = best_late - late_width / 2, best_late + late_width / 2
    if not max(LEAST_TOLD_S, interval_s) <= best_tau <= MOST_TAU_S:
        return 0.0, 0.0
    # a slow clamp rounds rises and falls alike: pulses that all end late are no time constant
    for way in (stacked.only(stacked.rises), stacked.only(~stacked.rises)):
        plain = min(way.misfit(interval_s, 0.0, late) for late in np.linspace(-3, 3, 31) * interval_s)
        slow = way.misfit(interval_s, best_tau, best_late)
        if len(way.t_s) and (plain - slow < BETTER_Z2 or slow > BETTER_SHARE * plain):
            return 0.0, 0.0
    return best_tau, best_late


@dataclass(frozen=True)
class _Stack:
    """Edges on each other, one entry a sample: time since the edge, share of its height, weight, its way."""

    t_s: Floats
    share: Floats
    weight: Floats
    rises: Bools

    def only(self, kept: Bools) -> _Stack:
        """Some of it."""
        return _Stack(self.t_s[kept], self.share[kept], self.weight[kept], self.rises[kept])

    def misfit(self, interval_s: float, tau_s: float, late_s: float) -> float:
        """Squares left of a step response that is averaged over each sampling interval."""
        end, begin = np.maximum(self.t_s - late_s, 0.0), np.maximum(self.t_s - late_s - interval_s, 0.0)
        response = (end - begin) / interval_s
        if tau_s:
            response = response + tau_s / interval_s * (np.exp(-end / tau_s) - np.exp(-begin / tau_s))
        return float(np.sum(self.weight * (self.share - response) ** 2))


def _stacked(recording: Recording, account: Account, piece: Piece, scan: Scan) -> _Stack | None:
    """The largest lone edges on each other, None without."""
    room = np.minimum(np.append(np.inf, account.lasting_s[:-1]), account.lasting_s)
    at_s = piece.clock.to_recording(account.t_s)
    lone = (room >= ROOM_S) & (at_s > piece.from_s + ROOM_S) & (at_s < piece.until_s - ROOM_S)
    height = np.abs(account.step_ma) * lone
    chosen = np.sort(np.argsort(-height)[:EDGES])
    chosen = chosen[height[chosen] > max(20 * scan.noise_ma, 1e-6)]
    if len(chosen) < LEAST_EDGES:
        return None
    times, shares, weights, ways = [], [], [], []
    side_s = ROOM_S * 0.9
    for k, t_s, value in _around(recording, at_s[chosen], side_s):
        before, after = value[t_s < -side_s * 0.6], value[t_s > side_s * 0.6]
        if not len(before) or not len(after):
            continue
        step = after.mean() - before.mean()
        if abs(step) < 10 * scan.noise_ma:
            continue
        near = (t_s > -MOST_TAU_S) & (t_s < side_s * 0.6)
        times.append(t_s[near])
        shares.append((value[near] - before.mean()) / step)
        weights.append(np.full(int(near.sum()), (step / max(scan.noise_ma, 1e-6)) ** 2))
        ways.append(np.full(int(near.sum()), account.step_ma[chosen[k]] > 0))
    if len(times) < LEAST_EDGES:
        return None
    t_s, share, weight, rises = (np.concatenate(rows) for rows in (times, shares, weights, ways))
    # edges far above the noise must not outvote the others: a share is never known better than a thousandth
    return _Stack(t_s, share, np.minimum(weight, 1e6), rises)


def _around(recording: Recording, instants_s: Floats, side_s: float) -> Iterator[tuple[int, Floats, Floats]]:
    """The samples around each instant (in order), on its own clock."""
    parts: dict[int, list[tuple[Floats, Floats]]] = {}
    for time_s, value in recording.blocks():
        first = int(np.searchsorted(instants_s, time_s[0] - side_s))
        last = int(np.searchsorted(instants_s, time_s[-1] + side_s))
        for k in range(first, last):
            low, high = np.searchsorted(time_s, (instants_s[k] - side_s, instants_s[k] + side_s))
            parts.setdefault(k, []).append((time_s[low:high] - instants_s[k], value[low:high]))
    for k, found in parts.items():
        yield k, np.concatenate([t for t, _ in found]), np.concatenate([v for _, v in found])
