"""What recorder and clamp did to a signal: gain and polarity, zero and its drift, time constant, clock.

Theory of operation. Against an account whose edges are known, the samples around the largest of them show
the instrument's step response: a first-order low pass, averaged over the sampling interval, is fitted to
them by least squares. The gain is the median of the ratios of edge heights, so that a few edges that a fault
or another load spoilt don't count; whether it is the gain or the box that is off is weighed in hypotheses.
The clock is refined by the charge around the edges. What is found is said as "your clamp: ..." with its value
and taken out before the box is judged.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from nightdraw.capture.accounts import Account
from nightdraw.capture.align import Piece
from nightdraw.capture.expected import Response, Span
from nightdraw.capture.place import Clock
from nightdraw.capture.read import Recording
from nightdraw.capture.seen import Bools, Floats, Ints, Seen

USUAL_GAIN = 0.02  # a clamp in order reads right within this
USUAL_PPM = 200.0  # two crystals of 100 ppm each
ZERO_MA = 2.0  # a zero off by less is within the tolerance of levels
MOST_LEVELS = 2000  # of a long run: the largest edges of so many show the response
EDGES = 16  # of the largest: more say nothing new
ROOM_S = 0.25  # on both sides of an edge its response is looked at
LEAST_SAMPLES = 10  # around an edge
LEAST_Z = 20.0  # deviations that the samples around an edge span at least
SHARE_U = 1e-3
SPOILT = 4.0  # an edge with so many times the median's squares counts by that much less
TAU_STARTS_S = (3e-3, 15e-3)  # from one of these the fit finds any time constant
LEAST_TOLD_S = 1.5e-3  # a time constant below this, or below the sampling interval, moves nothing
MOST_TAU_S = 0.06  # a slower one hides what is to be compared
BETTER_Z2 = 50.0  # by how much the squares must be smaller, in units of the noise: seven deviations
BETTER_SHARE = 0.7  # and they must be this share or less of what they were
ROUNDS = 7  # of the fit
FINEST_MA = 0.05  # a digit that moves no level
FLIPPING = 0.55  # of a step is the most noise that a level without any shows between two steps
WHOLE_STEPS = 0.05  # of a step values may be off whole ones: they were rounded again
LEAST_EDGES = 4  # to refine a clock by
FINE_U_S = 1e-3  # edges that are known better than this refine it ...
FINE_SHARE = 0.2  # ... or than this share of a slow recorder's sampling interval


@dataclass(frozen=True)
class Instrument:
    """gain: what is shown of an ampere (negative: the wrong way round); tau_s: time constant; zero_ma: what
    is shown of nothing, drift_ma_per_h: how it changes (both told only, levels are taken beside the base);
    rate_ppm: how much faster the recorder's clock is than the box's; lead_ohm: what lies in series with the
    box besides usual wiring; digit_ma: by how much a mean may be off for the recorder's last digit."""

    gain: float = 1.0
    tau_s: float = 0.0
    zero_ma: float = 0.0
    drift_ma_per_h: float = 0.0
    rate_ppm: float = 0.0
    lead_ohm: float = 0.0
    digit_ma: float = 0.0

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
                told = f"{max(near, 1 / near):g} times too {'large' if near > 1 else 'small'}"
            yield f"your clamp: scale off, it shows {size:.4g} mA of each mA ({told}); --scale sets it right"
        if abs(self.zero_ma) > ZERO_MA:
            yield f"your clamp: zero {self.zero_ma:+.1f} mA; levels are taken above the base beside them"
        if self.lead_ohm:
            yield (
                f"the wiring: {self.lead_ohm:.2f} ohm in series with the box, which draws the less the more "
                "it should; taken into account: shorter or thicker leads, or a better contact, mend it"
            )
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
            "lead_ohm": round(self.lead_ohm, 3),
        }


PERFECT = Instrument()


def digit_of(recording: Recording, noise: float) -> float:
    """By how much a mean may be off for the recorder's last digit (in the recording's unit, peak to peak).

    Noise of a sample's size averages it out: the mean of a signal with Gaussian noise of deviation s in steps
    of q is off by less than q exp(-2 pi^2 s^2 / q^2) (Widrow and Kollar 2008, from memory).
    """
    _, value = next(iter(recording.blocks()))
    values = np.unique(np.round(value, 6))
    if len(values) < 2:
        return 0.0
    apart = np.diff(values)
    digit = float(apart.min())
    # a value that isn't a whole number of steps is no digit's: the recorder has finer ones
    if digit <= FINEST_MA or np.abs(apart / digit - np.round(apart / digit)).max() > WHOLE_STEPS:
        return 0.0
    if noise < FLIPPING * digit:  # one level that lies between two steps may make that much, others none
        return digit
    own2 = noise**2 - digit**2 / 12  # the steps themselves are seen as noise
    return digit * float(np.exp(-2 * np.pi**2 * own2 / digit**2))


def gain_of(seen_ma: Floats, known_ma: Floats) -> float:
    """The median ratio of edge heights, each by its own height (mA); 1 without any."""
    return weighed_quantile(seen_ma / known_ma, np.abs(known_ma)) if len(known_ma) else 1.0


def weighed_quantile(value: Floats, weight: Floats, share: float = 0.5) -> float:
    """What half of the weight lies below, or another share of it."""
    order = np.argsort(value)
    run = np.cumsum(weight[order])
    return float(value[order][np.searchsorted(run, run[-1] * share)])


def refined(clock: Clock, at_s: Floats, late_s: Floats, late_u_s: Floats, interval_s: float) -> Clock:
    """A clock that the edges' own lateness (s since the run's start) sets right; outliers don't count."""
    good = np.isfinite(late_s) & (late_u_s < max(FINE_U_S, FINE_SHARE * interval_s))
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


def time_constant(recording: Recording, account: Account, piece: Piece, seen: Seen) -> tuple[float, float]:
    """Time constant (s, 0: too short to be seen) and by how much later the edges come than the clock says."""
    stack = _stacked(recording, account, piece, seen)
    if stack is None:
        return 0.0, 0.0
    tau_s, late_s, _ = min((stack.fitted(tau_s) for tau_s in TAU_STARTS_S), key=lambda found: found[2])
    if not max(LEAST_TOLD_S, seen.interval_s) <= tau_s <= MOST_TAU_S:
        return 0.0, 0.0
    # a slow clamp rounds rises and falls alike: pulses that all end late are no time constant
    plain = [stack.misfits(0.0, late_s + share * tau_s) for share in np.linspace(-0.5, 2.0, 26)]
    slow = stack.misfits(tau_s, late_s)
    clear = slow <= SPOILT * np.median(slow)  # two edges that another load spoils must not outvote the others
    for way in (stack.rises & clear, ~stack.rises & clear):
        least, best = min(float(each[way].sum()) for each in plain), float(slow[way].sum())
        if way.any() and (least - best < BETTER_Z2 or best > BETTER_SHARE * least):
            return 0.0, 0.0
    return tau_s, late_s


@dataclass(frozen=True)
class _Stack:
    """The samples around some edges (t_s on the run's clock, value, where each edge's begin), and the account
    that is expected there.

    Each edge's height and level are free, so that neither a clamp's scale nor a level that is off makes a
    time constant; what moves beside an edge is in what is expected.
    """

    account: Account
    t_s: Floats
    value: Floats
    first: Ints
    rises: Bools
    interval_s: float
    sigma: float

    def misfits(self, tau_s: float, late_s: float) -> Floats:
        """For each edge the squares left, in units of what its samples are known to."""
        misfit: Floats = np.add.reduceat(self._left(tau_s, late_s) ** 2, self.first)
        return misfit

    def fitted(self, tau_s: float) -> tuple[float, float, float]:
        """Time constant and lateness from a first value on, and the squares left: Gauss-Newton on both, edges
        that another load spoils weighed down (Huber)."""
        at = np.array([np.log(tau_s), 0.0])
        moves = (1e-3, 1e-3 * tau_s)
        number = np.diff(np.append(self.first, len(self.t_s)))
        for _ in range(ROUNDS):
            left = self._left(float(np.exp(at[0])), float(at[1]))
            misfit = np.add.reduceat(left**2, self.first)
            trust = np.repeat(np.minimum(1.0, SPOILT * np.median(misfit) / np.maximum(misfit, 1e-12)), number)
            slopes = np.column_stack(
                [
                    (
                        self._left(float(np.exp(at[0] + (k == 0) * move)), float(at[1] + (k == 1) * move))
                        - left
                    )
                    / move
                    for k, move in enumerate(moves)
                ]
            )
            weighed = slopes * trust[:, None]
            step = -np.linalg.lstsq(weighed.T @ slopes, weighed.T @ left, rcond=None)[0]
            # no step beyond a third or three times of the time constant: further the slopes lie
            at = at + step * min(1.0, 1.1 / max(abs(float(step[0])), 1e-12))
            at[0] = np.clip(at[0], np.log(self.interval_s / 4), np.log(4 * MOST_TAU_S))
        misfit = self.misfits(float(np.exp(at[0])), float(at[1]))
        return float(np.exp(at[0])), float(at[1]), float(np.minimum(misfit, SPOILT * np.median(misfit)).sum())

    def _left(self, tau_s: float, late_s: float) -> Floats:
        """What a low pass that is averaged over each sampling interval leaves of the samples, each edge's
        height and level by least squares."""
        end_s = self.t_s - late_s
        due = Response(self.account, tau_s).mean(Span(end_s - self.interval_s, end_s, end_s, end_s))
        number = np.diff(np.append(self.first, len(due)))
        x, y = (v - np.repeat(np.add.reduceat(v, self.first) / number, number) for v in (due, self.value))
        xy, xx = (np.add.reduceat(v, self.first) for v in (x * y, x * x))
        height = xy / np.maximum(xx, 1e-12)
        # an edge far above the noise must not outvote the others: none is known better than to a thousandth
        known_to = np.hypot(self.sigma, SHARE_U * height * np.sqrt(xx / number))
        left: Floats = (y - np.repeat(height, number) * x) / np.repeat(known_to, number)
        return left


def _stacked(recording: Recording, account: Account, piece: Piece, seen: Seen) -> _Stack | None:
    """The samples around the largest edges, None where they are too few or too small."""
    at_s = piece.clock.to_recording(account.t_s)
    first = int(np.searchsorted(at_s, piece.from_s))
    some = slice(first, first + MOST_LEVELS)
    account, at_s = account.part(some), at_s[some]
    whole = (at_s > piece.from_s + ROOM_S) & (at_s < piece.until_s - ROOM_S)
    height = np.abs(account.step_ma) * whole
    chosen = np.sort(np.argsort(-height, kind="stable")[:EDGES])
    chosen = chosen[height[chosen] > 0]
    rows = []
    for k, t_s, value in _around(recording, at_s[chosen], ROOM_S):
        run_s = piece.clock.to_run(t_s + at_s[chosen[k]])
        if len(value) < LEAST_SAMPLES or float(np.ptp(value)) < LEAST_Z * seen.noise:
            continue
        rows.append((run_s, value, bool(account.step_ma[chosen[k]] > 0)))
    if len(rows) < LEAST_EDGES:
        return None
    lengths = [len(value) for _, value, _ in rows]
    return _Stack(
        account,
        np.concatenate([t_s for t_s, _, _ in rows]),
        np.concatenate([value for _, value, _ in rows]),
        np.cumsum([0, *lengths[:-1]]),
        np.array([rises for _, _, rises in rows]),
        seen.interval_s,
        max(seen.noise, 1e-6),
    )


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
