"""A recording at the levels and edges of an account that is known (asked or did): how far off each one is.

Theory of operation. The known edges say where to look, so means are taken over whole levels and small
differences stand out of the noise. What a window should show is the account's current as the clamp passes it
on: its gain, and a first-order low pass, whose integral is exact (the charge less the time constant times the
output). Three things are measured: each edge as the mean just after it less the mean just before it; its
instant by the charge around it, which noise moves least; and each level above its base, from the edges of its
pulse on either side or from the zero beside it, whichever is known better. All windows end where something
moves that is none of the account's, so other loads and a drifting zero touch little. Nothing is judged here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from nightdraw.capture.accounts import Account, Train
from nightdraw.capture.align import Piece
from nightdraw.capture.expected import ENOUGH, SETTLING, Moves, Response, Span, moves, places, take
from nightdraw.capture.instrument import Instrument
from nightdraw.capture.loads import Loads
from nightdraw.capture.place import Clock
from nightdraw.capture.read import Recording
from nightdraw.capture.seen import Bools, Floats, Seen

TAIL_U = 0.1  # of a tail that is in a window: no clamp is a low pass of first order alone
STANDS_OUT = 5.0  # deviations that a step must have for the charge around it to tell its instant
ABSENT, ABSENT_NOISE = 0.25, 3.0  # of an edge, and deviations of noise, may be seen where none is
TOUCHED = 0.2  # of a sample an edge may be off its place
LEAST_TAUS = 6.0  # the charge around an edge must reach so far, or its neighbours' tails are in it
TAU_U = 0.08  # of a time constant an edge's instant is known to: no clamp is a low pass of first order alone
LEAST_RESPONSE = 0.5  # a level of which a slow clamp shows less than half is not judged
YIELDING = 0.5  # of what others draw, give or take, yields with the supply (lamps do, modules don't)
LONG_WIRES_PER_A = 0.016  # a vehicle's feeds, fuses and a tired battery: 200 mOhm at 12.6 V, per ampere
LEAST_MA2 = 1e-12
SLEEPING_MA = 5.0  # levels at which a vehicle draws no more than this above its least tell the base


@dataclass(frozen=True)
class Observed:
    """What a recording shows of each level of an account; edge k begins level k.

    edge_ma: by how much it was seen higher than it should be, edge_var its variance (inf: not seen),
    systematic_ma: what averaging doesn't mend: other loads draw less while the box pulls their supply down;
    ahead_ma: what the box's reading its supply ahead of its edges may add;
    late_s, late_u_s: by how much later, with its standard uncertainty (nan: not told), reach_s: more than
    this can't be seen so; whole_ma: each level's mean less what it should be, zero included, count: its
    samples (0: none), whole_var; zero, before: levels beside an edge as they read (mA).
    """

    account: Account
    train: Train
    base: Bools
    edge_ma: Floats
    edge_var: Floats
    systematic_ma: Floats
    ahead_ma: Floats
    late_s: Floats
    late_u_s: Floats
    reach_s: Floats
    whole_ma: Floats
    whole_var: Floats
    count: Floats
    clear: Bools
    beside: tuple[Floats, Floats, Floats]
    sigma_ma: float
    interval_s: float
    tau_s: float
    digit_ma: float

    @property
    def known(self) -> Bools:
        """True for edges that were seen."""
        known: Bools = np.isfinite(self.edge_var)
        return known

    @property
    def absent(self) -> Bools:
        """The edges of which nothing is seen where they should be: less than noise, or another load's small
        move, makes of one that isn't there."""
        size = np.abs(self.account.step_ma)
        noise = np.sqrt(np.where(self.known, self.edge_var, 0.0))
        faint = ABSENT * size + np.minimum(ABSENT_NOISE * noise, ABSENT * size)
        absent: Bools = self.known & (np.abs(self.edge_ma + self.account.step_ma) <= faint)
        return absent

    def beside_loads(self, loads: Loads, clock: Clock) -> Observed:
        """The same with what a vehicle's own loads draw taken from each level; nothing is known of the height
        of one in which something happened."""
        from_s, to_s = clock.to_recording(self.account.t_s), clock.to_recording(self.account.until_s)
        others_ma = loads.mean_ma(from_s, to_s)
        settled = loads.settled(from_s, to_s)
        # an awake module's ampere is known to per cents only: a base beneath it would be hidden
        settled &= others_ma <= np.min(others_ma[settled], initial=np.inf) + SLEEPING_MA
        whole_ma = np.where(settled, self.whole_ma - others_ma, np.nan)
        return replace(self, whole_ma=whole_ma)

    def against(self, expected: Account) -> Observed:
        """The same against other levels at the same instants."""
        more_ma = expected.level_ma - self.account.level_ma
        return replace(
            self,
            account=expected,
            edge_ma=self.edge_ma - np.diff(more_ma, prepend=0.0),
            whole_ma=self.whole_ma - more_ma,
        )

    def without_edges(self, unsure: Bools) -> Observed:
        """The same with some edges as if they had not been seen."""
        return replace(self, edge_var=np.where(unsure, np.inf, self.edge_var))

    def without(self, unknown: Bools) -> Observed:
        """The same with some levels as if the recording had nothing of them."""
        either = unknown.copy()
        either[1:] |= unknown[:-1]
        return replace(
            self.without_edges(either),
            count=np.where(unknown, 0.0, self.count),
            late_s=np.where(either, np.nan, self.late_s),
            clear=self.clear & ~unknown,
        )

    def levels(self, shared: bool) -> tuple[Floats, Floats]:
        """By how much each level, above the base beside it, was seen higher than it should be, and the
        variance of that (inf: not known). shared: other loads move the base, only edges tell."""
        along, along_var = self._along_edges()
        if shared:
            return along, along_var
        over, over_var = self._over_zero()
        better = over_var < along_var
        return np.where(better, over, along), np.where(better, over_var, along_var)

    def _along_edges(self) -> tuple[Floats, Floats]:
        """A level is as much too high as its pulse's edges up to it were too large, and those after it too
        small."""
        train = self.train
        excess = np.where(self.known, self.edge_ma, 0.0)
        variance = np.where(self.known, self.edge_var + self.systematic_ma**2, 0.0)
        risen, summed_var = np.append(0.0, np.cumsum(excess)), np.append(0.0, np.cumsum(variance))
        unseen = np.append(0, np.cumsum(~self.known))
        off, spread = np.zeros(len(excess)), np.where(self.base, 0.0, np.inf)
        level = np.arange(len(excess))
        pulse = train.of_level(level)
        level, pulse = level[pulse >= 0], pulse[pulse >= 0]
        first, after = train.first[pulse], train.last[pulse] + 1
        weights, sides = [], []
        for low, high, sign in ((first, level + 1, 1.0), (level + 1, after + 1, -1.0)):
            seen = unseen[high] == unseen[low]
            sides.append(sign * (risen[high] - risen[low]))
            weights.append(np.where(seen, 1 / np.maximum(summed_var[high] - summed_var[low], LEAST_MA2), 0.0))
        whole = weights[0] + weights[1]
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = (weights[0] * sides[0] + weights[1] * sides[1]) / whole
            off[level] = np.where(whole > 0, mean, 0.0)
            spread[level] = np.where(whole > 0, 1 / whole, np.inf)
        return off, spread

    def _over_zero(self) -> tuple[Floats, Floats]:
        """A level's mean above the zero beside it: a bridge between the base's windows on its two sides,
        which wanders as the base itself was seen to."""
        at_s, zero, var = self.beside
        nothing = np.full(len(self.base), np.inf)
        if len(at_s) < 2:
            return np.zeros(len(self.base)), nothing
        middle = self.account.t_s + self.account.lasting_s / 2
        right = np.clip(np.searchsorted(at_s, middle), 1, len(at_s) - 1)
        left = right - 1
        wander = _wander(at_s, zero, var)
        one, other = np.abs(middle - at_s[left]), np.abs(at_s[right] - middle)
        share = np.where(one + other > 0, one / np.maximum(one + other, 1e-12), 0.5)
        outside = (middle < at_s[0]) | (middle > at_s[-1])
        bridge = wander * np.where(
            outside, np.minimum(one, other), one * other / np.maximum(one + other, 1e-12)
        )
        share = np.where(outside, (one > other).astype(float), share)
        level = (1 - share) * zero[left] + share * zero[right]
        level_var = (1 - share) ** 2 * var[left] + share**2 * var[right]
        known = self.clear & (self.count > 0)
        return np.where(known, self.whole_ma - level, 0.0), np.where(
            known, self.whole_var + level_var + bridge, np.inf
        )


def _wander(at_s: Floats, zero: Floats, var: Floats) -> float:
    """By how much the base's zero wanders, mA2 a second: its median step from window to window, the noise
    taken off (a random walk; the median, so that other loads' moves don't count)."""
    apart = np.diff(at_s)
    far = apart > 0
    if not far.any():
        return 0.0
    step = (np.diff(zero)[far] ** 2 - var[1:][far] - var[:-1][far]) / apart[far]
    return float(max(np.median(step) / 0.455, 0.0))  # half of chi squared of one degree lies below 0.455


def read_ahead_ma(account: Account, supply_mv: Floats) -> Floats:
    """By how much (mA) each edge's height is off if the box read its supply, up to a second before the edge
    that it stamps with it, on the other side of the edge before: of two levels beside each other one is
    stamped from before the load pulled the supply down, the other from after it. What flows on through the
    edge then seems to change with the supply, and a small step between large levels is off by more than its
    own tolerance."""
    stamp_mv = np.maximum(supply_mv, 1.0)
    # what is more than usual wires give way is a lead's, which the hypotheses weigh
    most = LONG_WIRES_PER_A * np.max(account.level_ma) / 1000
    share = np.clip(np.diff(stamp_mv, prepend=stamp_mv[:1]) / stamp_mv, -most, most)
    off: Floats = -np.minimum(account.before_ma, account.level_ma) * share
    return off


def look(
    account: Account,
    piece: Piece,
    recording: Recording,
    seen: Seen,
    instrument: Instrument,
    alive_s: float | None = None,
    shared: bool = False,
    supply_mv: Floats | None = None,
) -> Observed:
    """Take the windows' means, in one pass over the recording, and hold them against the account.

    alive_s: from when on (in the run) the box is known to have waited for the run with open switches (None:
    it isn't known); shared: other loads may yield to the box's; supply_mv: as the journal stamps each level.
    """
    clock, tau_s = piece.clock, instrument.tau_s
    others = moves(account, piece, seen, tau_s)
    wanted = places(account, piece, seen, others, tau_s, alive_s)
    spans = take(wanted, recording, piece)
    response = Response(account, tau_s)
    found = _held(account, spans, response, seen, instrument, others, clock, shared)
    low_s, high_s = wanted[-1]  # the charge around an edge is another one's too where that isn't settled
    alone = others.inside(low_s - SETTLING * tau_s, high_s) == 0
    found = replace(found, late_s=np.where(alone, found.late_s, np.nan))
    return found if supply_mv is None else replace(found, ahead_ma=read_ahead_ma(account, supply_mv))


def _held(
    account: Account,
    spans: list[Span],
    response: Response,
    seen: Seen,
    instrument: Instrument,
    others: Moves,
    clock: Clock,
    shared: bool,
) -> Observed:
    """The windows against what they should show."""
    gain, tau_s, base = instrument.gain, instrument.tau_s, account.is_base()
    whole, after, before, around = spans
    mean, wanted = [span.mean / gain for span in spans], [response.mean(span) for span in spans]
    off = [one - other for one, other in zip(mean, wanted, strict=True)]
    sigma = seen.noise / abs(gain)
    digit = instrument.digit_ma / abs(gain)
    share = response.share(whole)
    count = np.where(share >= LEAST_RESPONSE, whole.count, 0.0)
    known = (after.count > 0) & (before.count > 0) & (response.share(after) >= LEAST_RESPONSE)
    with np.errstate(invalid="ignore", divide="ignore"):
        edge_ma = np.where(known, off[1] - off[2], 0.0)
        edge_var = np.where(
            known, np.maximum(sigma**2 * (1 / after.count + 1 / before.count), LEAST_MA2), np.inf
        )
        others_a = np.where(known & shared, np.maximum(off[2], 0.0), 0.0) / 1000
        systematic_ma = YIELDING * LONG_WIRES_PER_A * others_a * np.abs(account.step_ma)
        touched = _touched(account, after, response.share(after))
        # a mean is anywhere within a coarse digit, and no averaging of equal levels mends that
        edge_var = edge_var + digit**2 / 6 + np.where(known, touched + np.append(0.0, touched[:-1]), 0.0)
        systematic_ma = np.hypot(systematic_ma, digit / np.sqrt(6))
        beside = _beside(base, before, after, off, sigma)
        apart = (after.from_s + after.to_s - before.from_s - before.to_s) / 2
        # between its two windows the base moves as within a level: what others switch ends a window
        edge_var = edge_var + np.where(known, (seen.wander / gain) ** 2 * np.maximum(apart, 0.0), 0.0)
        limits = float(np.hypot(0.1 * seen.interval_s, TAU_U * tau_s)), LEAST_TAUS * tau_s
        late, late_u = _late(account.step_ma, mean[1:], wanted[1:], around, edge_var, sigma, *limits)
        whole_var = sigma**2 / np.maximum(count, 1) / share**2 + touched
    reach = np.where(around.count > 0, (around.to_s - around.from_s) / 2, 0.0)
    return Observed(
        account=account,
        train=account.train(),
        base=base,
        edge_ma=edge_ma,
        edge_var=edge_var,
        systematic_ma=systematic_ma,
        ahead_ma=np.zeros(len(edge_ma)),
        late_s=late,
        late_u_s=late_u,
        reach_s=reach,
        whole_ma=np.where(count > 0, off[0] / share, np.nan),
        whole_var=np.maximum(whole_var + digit**2 / 12, LEAST_MA2),
        count=count,
        clear=others.inside(clock.to_recording(account.t_s), clock.to_recording(account.until_s)) == 0,
        beside=beside,
        sigma_ma=sigma,
        interval_s=seen.interval_s,
        tau_s=tau_s,
        digit_ma=digit,
    )


def _touched(account: Account, after: Span, response: Floats) -> Floats:
    """The variance of a level so short that its windows touch its edges, which are known to a part of a
    sample, or a slow clamp's tail, which is known to a part of itself."""
    step = np.abs(account.step_ma)
    larger = np.maximum(step, np.append(step[1:], 0.0))
    share = np.where(after.count < ENOUGH, TOUCHED / np.maximum(after.count, 1), 0.0)
    share = np.hypot(share, TAIL_U * (1 - response))
    variance: Floats = (share * larger) ** 2
    return variance


def _late(
    step_ma: Floats,
    mean: list[Floats],
    wanted: list[Floats],
    around: Span,
    edge_var: Floats,
    sigma: float,
    known_to_s: float,
    least_s: float,
) -> tuple[Floats, Floats]:
    """By how much each edge came late: the charge that is missing around it, over its height as it was seen,
    so that neither a clamp's scale nor a level that is off moves an instant.

    mean, wanted: seen and expected after, before and around each edge; known_to_s: no edge is known better;
    least_s: the charge must reach so far.
    """
    (after, before, middle), (due_after, due_before, due) = mean, wanted
    width = around.to_s - around.from_s
    rise = after - before
    told = np.isfinite(edge_var) & (around.count >= 2) & (width >= least_s)
    told &= np.abs(rise) > STANDS_OUT * np.sqrt(np.where(told, edge_var, 0.0))
    scale = np.where(told, rise, 1.0) / np.where(
        told & (due_after != due_before), due_after - due_before, 1.0
    )
    height = np.where(told, np.abs(scale * step_ma), 1.0) * np.sign(scale * step_ma)
    late = -(middle - before - scale * (due - due_before)) * width / np.where(height == 0, 1.0, height)
    spread = sigma**2 / np.maximum(around.count, 1) + edge_var / 4
    late_u = width * np.sqrt(spread) / np.maximum(np.abs(height), LEAST_MA2)
    return np.where(told, late, np.nan), np.where(told, np.hypot(late_u, known_to_s), np.nan)


def _beside(
    base: Bools, before: Span, after: Span, off: list[Floats], sigma: float
) -> tuple[Floats, Floats, Floats]:
    """The base's windows in order of time: instants, by how much they read high, and the variance of that."""
    at_s = np.concatenate(((after.from_s + after.to_s) / 2, (before.from_s + before.to_s) / 2))
    zero = np.concatenate((off[1], off[2]))
    count = np.concatenate((after.count, before.count))
    is_base = np.concatenate((base, np.append(False, base[:-1])))
    kept = np.flatnonzero(is_base & (count > 0))
    order = kept[np.argsort(at_s[kept], kind="stable")]
    return at_s[order], zero[order], sigma**2 / count[order]
