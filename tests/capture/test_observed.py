"""What was seen of each level, against references of its own: loops over levels, exact recordings of a
clamp without noise, means weighed as the theory of errors says."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from nightdraw.capture import observed as ob
from nightdraw.capture.accounts import Account
from nightdraw.capture.align import Piece
from nightdraw.capture.expected import Span
from nightdraw.capture.instrument import Instrument
from nightdraw.capture.read import from_arrays

from tests.capture.by_hand import START, Change, Floats, account_of, observed_of, random_account, seen_of

INTERVAL_S = 1e-3


def sampled(
    account: Account,
    late_s: Floats | float = 0.0,
    zero_ma: float = 0.0,
    gain: float = 1.0,
    before_s: float = 2.0,
):
    """A clamp that averages over each sampling interval exactly, each edge so late; samples at the ends."""
    t_s = np.round(np.arange(-before_s, account.end_s + 1.0, INTERVAL_S), 9)
    moved = replace(account, t_s=account.t_s + late_s)
    mean = (moved.charge(t_s) - moved.charge(t_s - INTERVAL_S)) / INTERVAL_S
    return from_arrays(t_s, gain * mean + zero_ma, unit="mA")


def looked(
    account: Account, shown: Account, instrument: Instrument | None = None, **sampling: float
) -> ob.Observed:
    """A look at what an account should show, of a recording that shows another."""
    recording = sampled(shown, **sampling)
    piece = Piece(START, -2.0, account.end_s + 1.0, -np.inf, np.inf)
    seen = seen_of([], account.end_s + 1.0, interval_s=INTERVAL_S, noise=0.01)
    return ob.look(account, piece, recording, seen, instrument or Instrument(), alive_s=-1.5)


def test_an_edge_is_off_by_what_its_levels_are_off(seed: int) -> None:
    """No noise: edge k is seen larger by how much level k is off less how much the one before it is."""
    rng = np.random.default_rng(seed)
    account = random_account(rng, 8)
    off = rng.normal(0, 3, len(account.t_s))
    off[0] = off[-1] = 0.0
    shown = replace(account, level_ma=account.level_ma + off)
    for gain, zero_ma in ((1.0, 0.0), (-2.0, 7.0)):
        found = looked(account, shown, Instrument(gain=gain), gain=gain, zero_ma=zero_ma)
        assert found.known.all()
        assert found.edge_ma == pytest.approx(np.diff(off, prepend=0.0), abs=1e-3)
        assert found.whole_ma == pytest.approx(off + zero_ma / gain, abs=1e-3)
        assert found.sigma_ma == pytest.approx(0.01 / abs(gain))
        assert found.late_s[1:] == pytest.approx(np.zeros(len(off) - 1), abs=1e-5)


def test_an_edge_comes_as_late_as_it_came(seed: int) -> None:
    """Whatever the levels: a height that is off moves no instant. Edges halfway between samples, so that one
    that is late by less than half of one touches no window beside it."""
    rng = np.random.default_rng(seed)
    account = random_account(rng, 8)
    account = replace(account, t_s=account.t_s + INTERVAL_S / 2)
    late_s = rng.uniform(-4e-4, 4e-4, len(account.t_s))
    shown = replace(account, level_ma=np.where(account.is_base(), 30.0, account.level_ma * 1.1))
    found = looked(account, shown, late_s=late_s)
    assert found.late_s[1:] == pytest.approx(late_s[1:], abs=1e-6)


def test_the_charge_around_an_edge_tells_how_late_it_came(seed: int) -> None:
    """Windows taken exactly, by the integral of a step; the standard uncertainty by its formula."""
    rng = np.random.default_rng(seed)
    for _ in range(20):
        step, scale = rng.choice([-1, 1]) * rng.uniform(20, 400), rng.uniform(0.5, 2.0)
        width, late = rng.uniform(4e-3, 0.2), rng.uniform(-1e-3, 1e-3)
        base, count = rng.uniform(0, 50), rng.integers(2, 90)
        middle = scale * (base + step * (width / 2 - late) / width)
        around = Span(
            np.array([5 - width / 2]), np.array([5 + width / 2]), np.zeros(1), np.array([float(count)])
        )
        mean = [np.array([scale * (base + step)]), np.array([scale * base]), np.array([middle])]
        wanted = [np.array([base + step]), np.array([base]), np.array([base + step / 2])]
        var = np.array([0.02])
        found, u = ob._late(np.array([step]), mean, wanted, around, var, 0.4, 1e-4, 0.0)
        assert found[0] == pytest.approx(late, abs=1e-9)
        charge_u = width * np.sqrt(0.4**2 / count + 0.02 / 4) / abs(scale * step)
        assert u[0] == pytest.approx(np.hypot(charge_u, 1e-4))


@pytest.mark.parametrize(
    ("change", "told"),
    [({}, True), ({"var": np.inf}, False), ({"count": 1.0}, False), ({"count": 2.0}, True),
     ({"least_s": 0.05}, False), ({"least_s": 0.0499}, True), ({"rise": 0.49}, False), ({"rise": 0.51}, True),
     ({"rise": -0.49}, False)],
)  # fmt: skip
def test_an_instant_is_told_only_where_the_step_stands_out(change: dict[str, float], told: bool) -> None:
    """Five deviations of 0.1 mA, two samples, and so much time around it."""
    row = {"var": 0.01, "count": 40.0, "least_s": 0.0, "rise": 30.0, **change}
    around = Span(np.array([0.0]), np.array([0.05 - 1e-12]), np.zeros(1), np.array([row["count"]]))
    mean = [np.array([10 + row["rise"]]), np.array([10.0]), np.array([10 + row["rise"] / 2])]
    wanted = [np.array([40.0]), np.array([10.0]), np.array([25.0])]
    found, u = ob._late(
        np.array([30.0]), mean, wanted, around, np.array([row["var"]]), 0.1, 1e-4, row["least_s"]
    )
    assert bool(np.isfinite(found[0])) is bool(np.isfinite(u[0])) is told


def test_levels_along_the_edges_are_weighed_by_their_variances(seed: int) -> None:
    """From either side by a loop over the pulses, joined as the theory of errors joins two means."""
    rng = np.random.default_rng(seed)
    for begun in (False, True) * 5:  # the account may begin within a pulse
        levels = [200.0, 30.0] if begun else [30.0]
        for _ in range(6):
            levels += [*rng.uniform(100, 400, rng.integers(1, 4)), 30.0]
        account = account_of(levels, np.full(len(levels), 0.5), 30.0)
        count = len(levels)
        var = np.where(rng.random(count) < 0.2, np.inf, rng.uniform(0.01, 1, count))
        systematic = rng.uniform(0, 0.5, count)
        seen = observed_of(account, rng.normal(0, 1, count), edge_var=var, systematic_ma=systematic)
        off, spread = seen.levels(shared=True)
        train = account.train()
        for k in range(count):
            pulse = [p for p in range(len(train)) if train.first[p] <= k <= train.last[p]]
            if not pulse:
                assert (off[k], spread[k]) == (0.0, 0.0 if seen.base[k] else np.inf)
                continue
            first, last = int(train.first[pulse[0]]), int(train.last[pulse[0]])
            sides = []
            for edges, sign in ((range(first, k + 1), 1), (range(k + 1, last + 2), -1)):
                of_side = sum(var[e] + systematic[e] ** 2 for e in edges)
                if np.isfinite(of_side):
                    sides.append((sign * sum(seen.edge_ma[e] for e in edges), of_side))
            weight = sum(1 / v for _, v in sides)
            assert spread[k] == pytest.approx(1 / weight if sides else np.inf)
            assert off[k] == pytest.approx(sum(x / v for x, v in sides) / weight if sides else 0.0)


def test_over_the_zero_a_level_stands_on_a_bridge(seed: int) -> None:
    """Between two instants the zero is a Brownian bridge: mean and variance as each textbook has them
    (variance w a b / (a + b), from memory); beyond the ends it wanders freely from the nearest."""
    rng = np.random.default_rng(seed)
    account = account_of([30.0, 90.0] * 12 + [30.0], rng.uniform(0.2, 2.0, 25), 30.0)
    at_s = np.sort(rng.uniform(3, account.end_s - 3, 9))
    at_s[4] = at_s[3]
    zero, var = rng.normal(0, 4, 9), rng.uniform(0.001, 0.01, 9)
    clear = rng.random(25) < 0.8
    counts = np.where(rng.random(25) < 0.8, 50.0, 0.0)
    never = np.full(25, np.inf)
    whole_ma = rng.normal(0, 2, 25)
    beside = (at_s, zero, var)
    seen = observed_of(account, whole_ma=whole_ma, beside=beside, clear=clear, count=counts, edge_var=never)
    off, spread = seen.levels(shared=False)
    wander = ob._wander(at_s, zero, var)
    assert wander > 0
    outside = 0
    for k in range(25):
        if not clear[k] or not counts[k]:
            assert spread[k] == (0.0 if seen.base[k] else np.inf)  # by its edges alone
            continue
        middle = (account.t_s[k] + account.until_s[k]) / 2
        if middle < at_s[0] or middle > at_s[-1]:
            end = 0 if middle < at_s[0] else -1
            outside += 1
            mean, level_var = zero[end], var[end] + wander * abs(middle - at_s[end])
        else:
            right = next(i for i in range(9) if at_s[i] >= middle)
            a, b = middle - at_s[right - 1], at_s[right] - middle
            mean = (b * zero[right - 1] + a * zero[right]) / (a + b)
            level_var = (b**2 * var[right - 1] + a**2 * var[right]) / (a + b) ** 2 + wander * a * b / (a + b)
        if not seen.base[k]:  # a base is known along its edges, exactly
            assert off[k] == pytest.approx(seen.whole_ma[k] - mean)
            assert spread[k] == pytest.approx(seen.whole_var[k] + level_var)
    assert outside > 1


def test_two_zeros_at_a_levels_middle_count_alike() -> None:
    account = account_of([30.0, 90.0, 30.0], [1.0] * 3, 30.0)
    beside = (np.array([1.5, 1.5, 2.5]), np.array([4.0, 8.0, 0.0]), np.array([0.1, 0.3, 0.1]))
    seen = observed_of(account, edge_var=np.full(3, np.inf), beside=beside, whole_ma=np.full(3, 10.0))
    off, spread = seen.levels(shared=False)
    assert (off[1], spread[1]) == pytest.approx((10.0 - 6.0, 0.01 + (0.1 + 0.3) / 4))


def test_fewer_than_two_zeros_are_no_bridge() -> None:
    account = account_of([30.0, 90.0, 30.0], [1.0] * 3, 30.0)
    one, two = (tuple(np.full(n, float(n)) for _ in range(3)) for n in (1, 2))
    for beside, known in ((one, False), (two, True)):
        seen = observed_of(account, edge_var=np.full(3, np.inf), beside=beside)
        assert bool(np.isfinite(seen.levels(shared=False)[1][1])) is known


def test_the_better_known_of_two_ways_is_taken() -> None:
    account = account_of([30.0, 90.0, 30.0], [1.0] * 3, 30.0)
    beside = (np.array([0.5, 2.5]), np.array([5.0, 5.0]), np.array([0.1, 0.1]))
    for edge_var, due in ((0.01, 3.0), (9.0, 7.0)):
        seen = observed_of(account, np.array([0.0, 3.0, -3.0]), edge_var=np.full(3, edge_var), beside=beside,
                           whole_ma=np.array([0.0, 12.0, 0.0]))  # fmt: skip
        assert seen.levels(shared=False)[0][1] == pytest.approx(due)
        assert seen.levels(shared=True)[0][1] == pytest.approx(3.0)


def test_the_wander_of_a_random_walk_is_found(seed: int) -> None:
    """A walk of 2 mA2 a second and noise: 4000 steps tell it to 4 % (a median's variance), five
    of those."""
    rng = np.random.default_rng(seed)
    apart = rng.uniform(0.5, 2.0, 4000)
    at_s = np.cumsum(apart)
    var = np.full(4000, 0.05)
    zero = np.cumsum(rng.normal(0, np.sqrt(2.0 * apart))) + rng.normal(0, np.sqrt(var))
    assert ob._wander(at_s, zero, var) == pytest.approx(2.0, rel=0.2)
    assert ob._wander(at_s, np.zeros(4000), var) == 0.0
    assert ob._wander(np.ones(4), zero[:4], var[:4]) == 0.0
    # by hand: steps of 1 in 2 s and 3 in 1 s and, at one instant, of none that counts
    found = ob._wander(np.array([0.0, 2.0, 2.0, 3.0]), np.array([0.0, 1.0, 9.0, 12.0]), np.full(4, 0.1))
    assert found == pytest.approx(((1 - 0.2) / 2 + (9 - 0.2)) / 2 / 0.455)


def test_an_absent_edge_is_one_of_which_nothing_stands(seed: int) -> None:
    """A quarter of the step, and three deviations of noise besides, but no more than another quarter."""
    account = account_of([30.0, 130.0, 30.0, 130.0], [1.0] * 4, 30.0)
    for sd, limit in ((0.0, 25.0), (2.0, 31.0), (50.0, 50.0)):
        for share, due in ((0.99, True), (1.01, False)):
            off = np.array([0.0, -100 + share * limit, 100 - share * limit, -100 - share * limit])
            seen = observed_of(account, off, edge_var=np.full(4, sd**2))
            assert seen.absent.tolist()[1:] == [due] * 3
            assert not seen.without_edges(np.ones(4, dtype=bool)).absent.any()


def test_a_supply_read_ahead_moves_what_flows_on_through_an_edge() -> None:
    """By hand: the lower of both levels by the share that the stamp changed, no more than long wires make."""
    account = account_of([100.0, 500.0, 100.0, 500.0], [1.0] * 4, 20.0)
    found = ob.read_ahead_ma(account, np.array([12_000.0, 11_994.0, 12_600.0, 0.0]))
    most = 0.016 * 500 / 1000
    assert found == pytest.approx([0.0, 100 * 6 / 11_994, -100 * min(606 / 12_600, most), 100 * most])


def test_against_other_levels_only_the_differences_move(seed: int) -> None:
    rng = np.random.default_rng(seed)
    account = random_account(rng, 4)
    seen = observed_of(account, rng.normal(0, 1, 9), whole_ma=rng.normal(0, 1, 9))
    more = rng.normal(0, 5, 9)
    found = seen.against(replace(account, level_ma=account.level_ma + more))
    for k in range(9):
        rise = more[k] - (more[k - 1] if k else 0.0)
        assert found.edge_ma[k] == pytest.approx(seen.edge_ma[k] - rise)
        assert found.whole_ma[k] == pytest.approx(seen.whole_ma[k] - more[k])


def test_without_a_level_neither_of_its_edges_is_known() -> None:
    seen = observed_of(random_account(np.random.default_rng(1), 3))
    unknown = np.array([False, False, True, False, False, False, True])
    found = seen.without(unknown)
    either = [False, False, True, True, False, False, True]
    assert np.isinf(found.edge_var).tolist() == either
    assert np.isnan(found.late_s).tolist() == either
    assert (found.count == 0).tolist() == unknown.tolist()
    assert (~found.clear).tolist() == unknown.tolist()
    assert seen.known.all()


def test_what_touches_an_edge_is_known_to_a_part_of_it() -> None:
    """By hand: 0.2 of a sample of the larger step beside it below five samples, a tenth of a slow tail."""
    account = account_of([30.0, 130.0, 430.0, 30.0], [1.0] * 4, 30.0)
    count, response = np.array([4.0, 5.0, 2.0, 0.0]), np.array([1.0, 0.9, 0.8, 1.0])
    after = Span(*np.zeros((3, 4)), count)
    share = [0.2 / 4, 0.1 * 0.1, np.hypot(0.2 / 2, 0.1 * 0.2), 0.2]
    due = [(s * step) ** 2 for s, step in zip(share, (100, 300, 400, 400), strict=True)]
    assert ob._touched(account, after, response) == pytest.approx(due)


def test_the_bases_windows_lie_in_order_of_time() -> None:
    """The window after an edge belongs to its level, the one before it to the level before."""
    base = np.array([True, False, True])
    after = Span(np.array([0.1, 1.1, 2.1]), np.array([0.5, 1.5, 2.5]), np.zeros(3), np.array([4.0, 5.0, 6.0]))
    before = Span(
        np.array([-0.5, 0.6, 1.6]), np.array([-0.1, 0.8, 1.8]), np.zeros(3), np.array([7.0, 8.0, 9.0])
    )
    off = [np.zeros(3), np.array([1.0, 2.0, 3.0]), np.array([4.0, 5.0, 6.0])]
    at_s, zero, var = ob._beside(base, before, after, off, 2.0)
    assert at_s == pytest.approx([0.3, 0.7, 2.3])
    assert zero.tolist() == [1.0, 5.0, 3.0]
    assert var == pytest.approx([4 / 4, 4 / 8, 4 / 6])
    lacking = replace(after, count=np.array([4.0, 5.0, 0.0]))
    assert ob._beside(base, before, lacking, off, 2.0)[0] == pytest.approx([0.3, 0.7])


def held(instrument: Instrument, shared: bool = False, counts: float = 50.0) -> ob.Observed:
    """Windows that are put together: everything is seen 6 mA too high, a base's zero besides."""
    account = account_of([30.0, 130.0, 30.0, 130.0, 30.0], [1.0] * 5, 30.0)
    number = np.full(5, counts)
    whole = Span(account.t_s + 0.01, account.until_s - 0.01, account.level_ma + 6, number)
    after = Span(account.t_s + 0.01, account.t_s + 0.5, account.level_ma + 6, number)
    before = Span(account.t_s - 0.5, account.t_s - 0.01, account.before_ma + 6, number)
    around = Span(
        account.t_s - 0.1, account.t_s + 0.1, (account.before_ma + account.level_ma) / 2 + 6, number
    )
    seen = seen_of([], 5.0, noise=0.5)
    others = ob.Moves(*np.array([[1.5], [1.5], [0.0], [0.0]]))
    response = ob.Response(account, instrument.tau_s)
    spans = [whole, after, before, around]
    return ob._held(account, spans, response, seen, instrument, others, START, shared)


def test_variances_are_those_of_means_and_of_a_coarse_digit() -> None:
    """A mean of n samples has the variance of one over n; a digit d that no noise moves d^2 / 12 for each
    mean (uniform law), for the difference of two d^2 / 6."""
    plain, coarse = held(Instrument()), held(Instrument(digit_ma=3.0))
    assert plain.edge_var == pytest.approx(np.full(5, 2 * 0.25 / 50))
    assert plain.whole_var == pytest.approx(np.full(5, 0.25 / 50))
    assert plain.systematic_ma.tolist() == [0.0] * 5
    assert coarse.edge_var == pytest.approx(plain.edge_var + 9 / 6)
    assert coarse.systematic_ma == pytest.approx(np.full(5, np.sqrt(9 / 6)))
    assert coarse.whole_var == pytest.approx(plain.whole_var + 9 / 12)
    assert plain.reach_s == pytest.approx(np.full(5, 0.1))
    assert plain.clear.tolist() == [True, False, True, True, True]
    assert plain.whole_ma == pytest.approx(np.full(5, 6.0))
    assert plain.count.tolist() == [50.0] * 5


def test_what_others_draw_yields_to_the_box_where_they_share_the_circuit() -> None:
    """Half of 6 mA times 16 per mille an ampere times the box's step."""
    found = held(Instrument(), shared=True)
    step = np.array([0.0, 100, 100, 100, 100])
    assert found.systematic_ma == pytest.approx(0.5 * 0.016 * 0.006 * step)


def test_a_slow_clamp_shows_too_little_of_a_short_level() -> None:
    """Of a level of 0.98 s a time constant of 0.6 s leaves 50.7 %, one of 0.7 s less than half."""
    for tau_s, kept in ((0.6, True), (0.75, False)):
        found = held(Instrument(tau_s=tau_s))
        assert (found.count > 0).tolist() == [kept] * 5
        assert np.isfinite(found.whole_ma).tolist() == [kept] * 5
    for tau_s, kept in ((0.25, True), (0.5, False)):  # of the 0.49 s after an edge
        assert held(Instrument(tau_s=tau_s)).known.tolist() == [kept] * 5


def test_windows_without_samples_tell_nothing() -> None:
    found = held(Instrument(), counts=0.0)
    assert not found.known.any()
    assert np.isnan(found.whole_ma).all()
    assert found.edge_ma.tolist() == [0.0] * 5
    assert found.reach_s.tolist() == [0.0] * 5


@pytest.mark.parametrize("side", [1, 2])
def test_an_edge_needs_samples_on_both_sides(side: int) -> None:
    account = account_of([30.0, 130.0, 30.0], [1.0] * 3, 30.0)
    some, none = np.full(3, 50.0), np.array([50.0, 0.0, 50.0])
    spans = [Span(account.t_s + 0.1, account.until_s - 0.1, account.level_ma, some) for _ in range(4)]
    spans[side] = replace(spans[side], count=none)
    seen, others = seen_of([], 3.0), ob.Moves(*np.empty((4, 0)))
    response = ob.Response(account, 0.0)
    found = ob._held(account, spans, response, seen, Instrument(), others, START, False)
    assert found.known.tolist() == [True, False, True]


def test_another_loads_move_beside_an_edge_takes_its_instant() -> None:
    account = account_of([30.0, 130.0, 30.0], [1.0] * 3, 30.0)
    piece = Piece(START, -2.0, 4.0, -np.inf, np.inf)
    instants = {}
    for at_s in (0.9961, 0.9939, 0.95):
        recording = sampled(account)
        seen = seen_of([Change(at_s, 30.0, 36.0)], 4.0, noise=0.01)
        found = ob.look(account, piece, recording, seen, Instrument(), None)
        instants[at_s] = np.isfinite(found.late_s).tolist()
    assert instants[0.95] == [False, True, True]
    assert instants[0.9939] == [False, True, True]
