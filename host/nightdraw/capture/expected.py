"""What a clamp shows of an account in windows of a recording: where to look, the means, and what they should
be.

A window's mean is the account's charge over it behind a first-order low pass, exactly: the charge less the
time constant times what the output rises by. Windows end where something moves that is none of the
account's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from nightdraw.capture.accounts import Account
from nightdraw.capture.align import Piece
from nightdraw.capture.place import REACH_S, nearest
from nightdraw.capture.read import Recording, windows
from nightdraw.capture.seen import Columns, Floats, Ints, Seen

NEAR_EDGE = (
    0.45  # of a sample left out beside an edge: a mean over the sampling interval ends half of one away
)
CLEAR_EDGE = 1.0  # of a sample left out where there are enough
ENOUGH = 5.0
SETTLING = 2.0  # time constants left out after an edge: the model of the rest may be off by a tenth
MOST_SETTLING = 0.4  # of a level
WINDOW_S = 1.0  # beside an edge levels are compared over this long: a zero drifts little in it
LEAST_WINDOW = 64  # or over so many samples
AROUND_S = 4e-3  # the charge around an edge is taken over so much on either side ...
AROUND_SAMPLES = 4.0  # ... or so many samples ...
AROUND_TAUS = 4.0  # ... or time constants ...
AROUND_SHARE = 0.45  # ... but no further than this share of the way to the next edge
TAIL_TAUS = 10.0  # an edge's tail may be taken for an edge so long after it


@dataclass(frozen=True)
class Moves(Columns):
    """Changes of the recording at which the account has no edge: the last instant before, the first after, in
    order, the height and its standard uncertainty; a gap counts as one, of unknown height."""

    last_s: Floats
    first_s: Floats
    height_ma: Floats
    u_ma: Floats

    def cut_after(self, low_s: Floats, high_s: Floats, slack_s: float) -> Floats:
        """How far each span stays undisturbed from its beginning."""
        if not len(self):
            return high_s
        place = np.searchsorted(self.first_s, low_s, side="right")
        cut: Floats = np.clip(np.append(self.last_s, np.inf)[place] + slack_s, low_s, high_s)
        return cut

    def cut_before(self, low_s: Floats, high_s: Floats, slack_s: float) -> Floats:
        """From where on each span is undisturbed up to its end."""
        if not len(self):
            return low_s
        place = np.searchsorted(self.last_s, high_s, side="left")
        cut: Floats = np.clip(np.append(-np.inf, self.first_s)[place] - slack_s, low_s, high_s)
        return cut

    def inside(self, low_s: Floats, high_s: Floats) -> Ints:
        """How many lie in each span."""
        found: Ints = np.searchsorted(self.last_s, high_s) - np.searchsorted(self.first_s, low_s)
        return np.maximum(found, 0)


def moves(account: Account, piece: Piece, seen: Seen, tau_s: float) -> Moves:
    """The changes of a recording that are at none of an account's edges."""
    e, gaps = seen.edges, seen.gaps
    edges_s = piece.clock.to_recording(np.append(account.t_s, account.end_s))
    reach_s = REACH_S + 2 * seen.interval_s + tau_s  # a slow clamp's edges are known to no better
    after_s = e.at_s - edges_s[np.maximum(np.searchsorted(edges_s, e.at_s, side="right") - 1, 0)]
    tail = (after_s >= 0) & (after_s <= reach_s + TAIL_TAUS * tau_s)
    others = e.take((np.abs(edges_s[nearest(edges_s, e.at_s)] - e.at_s) > reach_s) & ~tail)
    unknown = np.full(len(gaps), np.nan)
    last_s = np.concatenate((others.last_s, gaps[:, 0]))
    first_s = np.concatenate((others.first_s, gaps[:, 1]))
    height, u = (np.concatenate((column, unknown)) for column in (others.height, others.height_u))
    return Moves(last_s, first_s, height, u).take(np.argsort(last_s, kind="stable"))


@dataclass(frozen=True)
class Span:
    """Windows: from and to (the run's clock, as the samples lie), mean, number of samples (0: nothing
    known)."""

    from_s: Floats
    to_s: Floats
    mean: Floats
    count: Floats


def places(
    account: Account, piece: Piece, seen: Seen, others: Moves, tau_s: float, alive_s: float | None
) -> list[tuple[Floats, Floats]]:
    """Windows on the recording's clock: whole levels, just after each edge, just before it, around it."""
    clock, interval_s = piece.clock, seen.interval_s
    from_s, to_s = clock.to_recording(account.t_s), clock.to_recording(account.until_s)
    lasting = to_s - from_s
    margin_s = np.where(lasting / interval_s >= ENOUGH, CLEAR_EDGE, NEAR_EDGE) * interval_s
    low = from_s + margin_s + np.minimum(SETTLING * tau_s, MOST_SETTLING * lasting)
    high = to_s - margin_s
    window_s = max(WINDOW_S, LEAST_WINDOW * interval_s)
    begin, end = np.minimum(high, low + window_s), np.maximum(low, high - window_s)
    waiting = _waiting(
        clock.to_recording(-np.inf if alive_s is None else alive_s),
        from_s[0],
        window_s,
        interval_s,
    )
    before_low, before_high = np.append(waiting[0], end[:-1]), np.append(waiting[1], high[:-1])
    begin = others.cut_after(low, begin, interval_s / 2)
    before_low = others.cut_before(before_low, before_high, interval_s / 2)
    room = np.minimum(np.append(np.inf, lasting[:-1]), lasting)
    around_s = max(AROUND_S, AROUND_SAMPLES * interval_s, AROUND_TAUS * tau_s)
    around_s = np.minimum(around_s, AROUND_SHARE * room)
    return [(low, high), (low, begin), (before_low, before_high), (from_s - around_s, from_s + around_s)]


def _waiting(alive_at_s: float, first_s: float, window_s: float, interval_s: float) -> tuple[float, float]:
    """The window before the run's first edge; of no length where the box may have had no power in it."""
    end_s = first_s - CLEAR_EDGE * interval_s
    if not np.isfinite(alive_at_s):
        return end_s, end_s
    return min(max(end_s - window_s, float(alive_at_s)), end_s), end_s


def take(places: list[tuple[Floats, Floats]], recording: Recording, piece: Piece) -> list[Span]:
    """The means in the windows; nothing is known of one that leaves the piece or has a gap in it."""
    *levels, around = places
    # of a level that the piece cuts its part is looked at; around an edge both sides are needed
    # (from just after the first sample on: a window begins where the sample before it ends)
    cut = [np.clip(both, np.nextafter(piece.from_s, np.inf), piece.until_s) for both in levels]
    low = np.concatenate([*(one[0] for one in cut), around[0]])
    high = np.concatenate([*(one[1] for one in cut), around[1]])
    found = windows(recording, low, high)
    count, first_s, last_s = found.count, found.before_s, found.last_s
    inside = (count > 0) & np.isfinite(first_s) & (low >= piece.from_s) & (high <= piece.until_s)
    mean = np.where(inside, found.mean, np.nan)
    with np.errstate(invalid="ignore", divide="ignore"):
        interval_s = (
            np.nanmedian(np.where(inside, (last_s - first_s) / count, np.nan)) if inside.any() else 1.0
        )
        inside &= last_s - first_s < (count + 1.5) * interval_s
    from_s, to_s = (
        piece.clock.to_run(np.where(inside, first_s, 0.0)),
        piece.clock.to_run(np.where(inside, last_s, 1.0)),
    )
    count = np.where(inside, count, 0.0)
    each = np.split(np.arange(len(low)), len(places))
    return [Span(from_s[k], to_s[k], mean[k], count[k]) for k in each]


class Response:
    """An account's current behind a first-order low pass."""

    def __init__(self, account: Account, tau_s: float) -> None:
        self._account, self._tau_s = account, tau_s
        self._start = np.empty(0)
        if tau_s > 0:
            level, fading = account.level_ma.tolist(), np.exp(-account.lasting_s / tau_s).tolist()
            output = account.idle_ma
            starts = []
            for ma, rest in zip(level, fading, strict=True):
                starts.append(output)
                output = ma + (output - ma) * rest
            self._start = np.array(starts)

    def mean(self, span: Span) -> Floats:
        """What the windows should show, mA."""
        charge = self._account.charge(span.to_s) - self._account.charge(span.from_s)
        if self._tau_s > 0:  # the integral of a first-order response: its input's less tau times its own rise
            charge = charge - self._tau_s * (self._output(span.to_s) - self._output(span.from_s))
        mean: Floats = charge / np.maximum(span.to_s - span.from_s, 1e-9)
        return mean

    def _output(self, t_s: Floats) -> Floats:
        account = self._account
        place = np.searchsorted(account.t_s, t_s, side="right") - 1
        inside = np.maximum(place, 0)
        level = account.level_ma[inside]
        fading = np.exp(-np.maximum(t_s - account.t_s[inside], 0.0) / self._tau_s)
        return np.where(place < 0, account.idle_ma, level + (self._start[inside] - level) * fading)

    def share(self, span: Span) -> Floats:
        """How much of a level that is off a window shows."""
        if not self._tau_s:
            return np.ones(len(span.from_s))
        since_s, until_s = span.from_s - self._account.t_s, span.to_s - self._account.t_s
        faded = np.exp(-np.maximum(since_s, 0) / self._tau_s) - np.exp(-np.maximum(until_s, 0) / self._tau_s)
        share: Floats = 1 - self._tau_s * faded / np.maximum(until_s - since_s, 1e-9)
        return share
