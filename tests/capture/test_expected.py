"""What a clamp should show of an account, against references of its own: scipy's simulation of the low pass,
plain loops over samples and moves."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from nightdraw.capture.accounts import Account
from nightdraw.capture.align import Piece
from nightdraw.capture.expected import Moves, Response, Span, moves, places, take
from nightdraw.capture.place import Clock
from nightdraw.capture.read import from_arrays
from scipy import integrate, signal

from tests.capture.by_hand import Change, Floats, account_of, random_account, seen_of

GRID_S = 1e-3
NO_MOVES = Moves(*(np.empty(0) for _ in range(4)))


def span(from_s: Floats, to_s: Floats) -> Span:
    return Span(from_s, to_s, np.zeros(len(from_s)), np.ones(len(from_s)))


def low_passed(account: Account, tau_s: float, before_s: float, after_s: float) -> tuple[Floats, Floats]:
    """Instants on a grid that holds all edges, and the running integral of the output: scipy.signal.lsim,
    whose zero-order hold is exact for an input that is constant between the instants."""
    count = round((before_s + account.end_s + after_s) / GRID_S)
    t_s = np.arange(count + 1) * GRID_S - before_s
    middle = t_s + GRID_S / 2
    ma = np.full(len(t_s), account.idle_ma)
    for from_s, until_s, level in zip(account.t_s, account.until_s, account.level_ma, strict=True):
        ma[(middle > from_s) & (middle < until_s)] = level
    if not tau_s:
        return t_s, np.append(0.0, np.cumsum(ma[:-1] * GRID_S))
    system = signal.StateSpace([[-1 / tau_s, 0], [1, 0]], [[1 / tau_s], [0]], [[0, 1]], [[0]])
    _, charge, _ = signal.lsim(system, ma, t_s + before_s, X0=[account.idle_ma, 0.0], interp=False)
    return t_s, charge


@pytest.mark.parametrize("tau_s", [0.0, 0.004, 0.06])
def test_a_windows_mean_is_the_simulated_low_passes(seed: int, tau_s: float) -> None:
    rng = np.random.default_rng(seed)
    for _ in range(4):
        account = random_account(rng, 6)
        account = Account(account.t_s, account.level_ma, account.end_s, float(rng.choice([30.0, 11.0])))
        t_s, charge = low_passed(account, tau_s, 0.3, 0.0)
        here, there = np.sort(rng.choice(len(t_s), (2, 60)), axis=0)
        # windows of one grid step, and such as begin or end on an edge or on the account's ends
        edges = np.searchsorted(t_s, account.t_s - GRID_S / 2)
        here, there = (
            np.append(here, [edges, edges - 1, edges]),
            np.append(there, [edges + 1, edges, edges + 30]),
        )
        here, there = here[here < there], there[here < there]
        found = Response(account, tau_s).mean(span(t_s[here], t_s[there]))
        due = (charge[there] - charge[here]) / (t_s[there] - t_s[here])
        assert found == pytest.approx(due, abs=1e-6)


@given(tau_s=st.sampled_from([0.002, 0.02, 0.3]), since_s=st.floats(0, 0.2), lasting_s=st.floats(1e-3, 0.5))
def test_the_share_of_a_level_is_the_mean_of_its_step_response(
    tau_s: float, since_s: float, lasting_s: float
) -> None:
    account = account_of([30.0, 90.0], [0.7, 1.0], 30.0)
    from_s = account.t_s + since_s
    found = Response(account, tau_s).share(span(from_s, from_s + lasting_s))
    whole, _ = integrate.quad(lambda t: 1 - np.exp(-t / tau_s), since_s, since_s + lasting_s)
    assert found == pytest.approx([whole / lasting_s] * 2, rel=1e-6, abs=1e-9)
    assert Response(account, 0.0).share(span(from_s, from_s + lasting_s)).tolist() == [1.0, 1.0]


def test_a_window_that_begins_before_its_level_shows_only_what_comes_after() -> None:
    account = account_of([30.0, 90.0], [0.7, 1.0], 30.0)
    found = Response(account, 0.1).share(span(account.t_s - 0.1, account.t_s + 0.3))
    whole, _ = integrate.quad(lambda t: 1 - np.exp(-t / 0.1), 0, 0.3)
    assert found == pytest.approx([(whole + 0.1) / 0.4] * 2)  # before it there is nothing to be off


def some_moves(rng: np.random.Generator) -> Moves:
    last_s = np.cumsum(rng.integers(0, 4, 12)).astype(float)
    first_s = last_s + np.minimum(rng.integers(0, 2, 12), np.append(np.diff(last_s), 1.0))
    return Moves(last_s, first_s, rng.normal(0, 9, 12), np.ones(12))


@pytest.mark.parametrize("slack_s", [0.0, 0.5])
def test_spans_end_and_begin_at_the_nearest_move(seed: int, slack_s: float) -> None:
    """Small whole numbers, so that spans begin and end on moves."""
    rng = np.random.default_rng(seed)
    for _ in range(40):
        table = some_moves(rng)
        low = rng.integers(-2, 30, 20).astype(float)
        high = low + rng.integers(0, 8, 20)
        rows = list(zip(table.last_s, table.first_s, strict=True))
        after, before, inside = [], [], []
        for one, other in zip(low, high, strict=True):
            ends = [last for last, first in rows if first > one]
            begins = [first for last, first in rows if last < other]
            after.append(min(max(min(ends) + slack_s, one), other) if ends else other)
            before.append(min(max(max(begins) - slack_s, one), other) if begins else one)
            inside.append(sum(last < other and first >= one for last, first in rows))
        assert table.cut_after(low, high, slack_s).tolist() == after
        assert table.cut_before(low, high, slack_s).tolist() == before
        assert table.inside(low, high).tolist() == inside


def test_without_moves_spans_stay_whole() -> None:
    low, high = np.array([0.0, 3.0]), np.array([1.0, 3.0])
    assert NO_MOVES.cut_after(low, high, 0.1).tolist() == high.tolist()
    assert NO_MOVES.cut_before(low, high, 0.1).tolist() == low.tolist()
    assert NO_MOVES.inside(low, high).tolist() == [0, 0]


def piece_of(clock: Clock, from_s: float = -100.0, until_s: float = 100.0) -> Piece:
    return Piece(clock, from_s, until_s, -np.inf, np.inf)


@pytest.mark.parametrize("tau_s", [0.0, 0.01])
def test_moves_are_the_edges_near_none_of_the_accounts(seed: int, tau_s: float) -> None:
    """By a loop over edges: near is 2 ms, two samples and a time constant; a tail lasts ten time constants
    more, after an edge only. A gap is a move of unknown height; all in order."""
    rng = np.random.default_rng(seed)
    account = account_of([30.0, 90.0, 30.0, 200.0, 30.0], [1.0, 0.5, 2.0, 1.0, 1.0], 30.0)
    clock = Clock(2.0, 80.0, 9, 0.0, 0)
    reach_s = 2e-3 + 2e-3 + tau_s
    corners = [2.0 + t * (1 + 80e-6) for t in (*account.t_s, account.end_s)]
    near = [c + way * reach_s * f for c in corners for way in (-1, 1) for f in (0.99, 1.01)]
    tails = [c + (reach_s + 10 * tau_s) * f for c in corners for f in (0.99, 1.01)]
    at_s = np.unique([*near, *tails, *rng.uniform(0, 9, 10)])
    seen = seen_of([Change(t, 5.0, float(k)) for k, t in enumerate(at_s)], 9.0, [(1.5, 1.6), (5.2, 5.9)])
    found = moves(account, piece_of(clock), seen, tau_s)
    due = [(1.5, 1.6, np.nan, np.nan), (5.2, 5.9, np.nan, np.nan)]
    for k, t in enumerate(at_s):
        meets = any(abs(t - c) <= reach_s for c in corners)
        before = [c for c in corners if c <= t]
        tail = bool(before) and t - before[-1] <= reach_s + 10 * tau_s
        if not meets and not tail:
            due.append((t - 1e-3, t + 1e-3, k - 5.0, 0.3 / 3 * np.sqrt(2)))
    due.sort()
    table = np.column_stack((found.last_s, found.first_s, found.height_ma, found.u_ma))
    assert table == pytest.approx(np.array(due), nan_ok=True)
    assert len(due) > 8


@pytest.mark.parametrize(("tau_s", "interval_s"), [(0.0, 1e-3), (0.02, 1e-3), (0.003, 0.02)])
@pytest.mark.parametrize("alive_s", [None, -5.0, -0.3, 3.0])
def test_windows_level_by_level(seed: int, tau_s: float, interval_s: float, alive_s: float | None) -> None:
    """What the words say of each window, for one level after the other."""
    rng = np.random.default_rng(seed)
    lasting = rng.choice([0.003, 0.02, 0.08, 0.1, 0.7, 1.5, 3.0], 40)
    account = account_of(rng.uniform(20, 90, 40), lasting, 30.0)
    clock = Clock(7.0, -150.0, 9, 0.0, 0)
    table = Moves(*(7.0 + np.array([[-0.4, 3.3, 9.0], [-0.39, 3.3, 9.5]])), np.zeros(3), np.ones(3))
    seen = seen_of([], 100.0, interval_s=interval_s)
    whole, after, before, around = places(account, piece_of(clock), seen, table, tau_s, alive_s)
    window_s = max(1.0, 64 * interval_s)
    corner = [7.0 + t * (1 - 150e-6) for t in (*account.t_s, account.end_s)]
    rows = []
    for k in range(len(account.t_s)):
        lasts = corner[k + 1] - corner[k]
        margin = interval_s * (1.0 if lasts >= 5 * interval_s else 0.45)
        low, high = corner[k] + margin + min(2 * tau_s, 0.4 * lasts), corner[k + 1] - margin
        rows.append((low, high, lasts))
    for k, (low, high, lasts) in enumerate(rows):
        assert (whole[0][k], whole[1][k]) == pytest.approx((low, high))
        cut = table.cut_after(np.array([low]), np.array([min(high, low + window_s)]), interval_s / 2)
        assert (after[0][k], after[1][k]) == pytest.approx((low, cut[0]))
        if k:
            begin, end = max(rows[k - 1][0], rows[k - 1][1] - window_s), rows[k - 1][1]
        else:
            end = corner[0] - interval_s
            begin = end if alive_s is None else min(max(end - window_s, 7.0 + alive_s * (1 - 150e-6)), end)
        begin = table.cut_before(np.array([begin]), np.array([end]), interval_s / 2)[0]
        assert (before[0][k], before[1][k]) == pytest.approx((begin, end))
        room = min(lasts, rows[k - 1][2] if k else np.inf)
        side = min(max(4e-3, 4 * interval_s, 4 * tau_s), 0.45 * room)
        assert (around[0][k], around[1][k]) == pytest.approx((corner[k] - side, corner[k] + side))


def test_means_are_taken_of_whole_windows_of_the_piece(seed: int) -> None:
    """A loop over the samples; windows that leave the piece, that hold no sample or in which samples lack.
    Most are whole, for the sampling interval is the median of what the windows show."""
    rng = np.random.default_rng(seed)
    for _ in range(10):
        t_s = np.arange(400) * 0.01
        kept = (t_s < 1.2) | (t_s > 1.42)
        t_s = t_s[kept]
        value = rng.normal(50, 5, len(t_s))
        low = np.round(rng.uniform(-0.3, 4.2, 25), 2) + rng.choice([0.0, 0.004], 25)
        high = low + rng.choice([0.0, 0.004, 0.03, 0.2, 1.0], 25)
        low, high = np.append(low, [1.15, 1.3, 1.15]), np.append(high, [1.5, 1.35, 1.44])
        low, high = np.append(low, 1.5 + np.arange(60) * 0.03), np.append(high, 1.55 + np.arange(60) * 0.03)
        begin, until = 0.5, 3.5
        clock = Clock(0.25, 1000.0, 9, 0.0, 0)
        levels, around = take(
            [(low, high), (low, high)], from_arrays(t_s, value, unit="mA"), piece_of(clock, begin, until)
        )
        cut = np.clip(low, np.nextafter(begin, 9), until), np.clip(high, np.nextafter(begin, 9), until)
        for found, (one, other) in ((levels, cut), (around, (low, high))):
            for k in range(len(low)):
                inside = [i for i in range(len(t_s)) if one[k] <= t_s[i] < other[k]]
                earlier = [i for i in range(len(t_s)) if t_s[i] < one[k]]
                known = bool(inside) and bool(earlier) and one[k] >= begin and other[k] <= until
                known = known and t_s[inside[-1]] - t_s[earlier[-1]] < (len(inside) + 1.5) * 0.01
                assert found.count[k] == (len(inside) if known else 0)
                if known:
                    assert found.mean[k] == pytest.approx(np.mean(value[inside]))
                    assert found.from_s[k] == pytest.approx((t_s[earlier[-1]] - 0.25) / 1.001)
                    assert found.to_s[k] == pytest.approx((t_s[inside[-1]] - 0.25) / 1.001)
