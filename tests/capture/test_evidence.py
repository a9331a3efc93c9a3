"""Evidence against references of its own: the covariance entry by entry, the likelihood by scipy's normal
law, an amount by a search for the least squares, the kinds of step by a dictionary."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from nightdraw.capture.evidence import FREE, TIGHT, Evidence, Setup, setups
from nightdraw.capture.faults import OFF, OPEN, STUCK_ON
from nightdraw.capture.observed import Observed
from nightdraw.capture.view import View
from scipy import optimize, special, stats

from tests.capture.by_hand import CHANNELS_NS, OWN_MA, account_of, did_of_patterns, observed_of, view_of

LOG_2PI = float(np.log(2 * np.pi))


def random_case(rng: np.random.Generator, journal: bool = True) -> tuple[View, Observed]:
    """Some pulses of few kinds, each edge seen a little off, some not seen, some bases short of samples."""
    pattern = [1]
    for _ in range(14):
        pattern += [int(rng.choice([5, 9, 12])), 1]
    supply = 12_600.0 - 2000.0 * np.array([p >> 3 & 1 for p in pattern])
    box = did_of_patterns(pattern, rng.uniform(0.1, 2.0, len(pattern)), supply)
    count = len(pattern)
    unseen = rng.random(count) < 0.15
    seen = observed_of(
        box.account,
        rng.normal(0.3, 0.4, count),
        edge_var=np.where(unseen, np.inf, rng.uniform(1e-3, 0.05, count)),
        systematic_ma=rng.uniform(0, 0.2, count),
        ahead_ma=rng.normal(0, 0.3, count),
        whole_ma=np.where(rng.random(count) < 0.1, np.nan, rng.normal(2.0, 0.5, count)),
        count=rng.integers(0, 4, count) * 50.0,
        sigma_ma=0.8,
        digit_ma=0.5,
    )
    view = view_of(box, seen) if journal else view_of(None, seen, asked=box.account)
    return view, seen


def kinds_of_step(view: View, seen: Observed) -> list[list[int]]:
    """The edges that were seen by kind, those of most edges first, ties by the kind's number."""
    groups: dict[int, list[int]] = {}
    for k, kind in enumerate(view.kinds().tolist()):
        if np.isfinite(seen.edge_var[k]):
            groups.setdefault(kind, []).append(k)
    return [groups[kind] for kind in sorted(groups, key=lambda kind: (-len(groups[kind]), kind))]


@pytest.mark.parametrize("lone_ma", [0.0, 50.0])
def test_the_steps_are_each_kinds_median_with_the_larger_of_noise_and_scatter(
    seed: int, lone_ma: float
) -> None:
    rng = np.random.default_rng(seed)
    for _ in range(5):
        view, seen = random_case(rng)
        box = view.reference.box
        assert box is not None
        steps = Evidence(view, seen, (FREE, TIGHT), lone_ma).steps
        groups = kinds_of_step(view, seen)
        assert len(steps.excess) == len(groups)
        for row, members in enumerate(groups):
            off = sorted(seen.edge_ma[members])
            middle = (off[(len(off) - 1) // 2] + off[len(off) // 2]) / 2
            away = sorted(abs(value - middle) for value in off)
            mad = (away[(len(away) - 1) // 2] + away[len(away) // 2]) / 2
            # a normal deviate is within 0.6745 of its standard deviation half of the time
            noise = max(float(np.mean(seen.edge_var[members])), (mad / 0.6744897501960817) ** 2)
            due = np.pi / 2 * noise / len(members) + np.mean(seen.systematic_ma[members] ** 2)
            due += lone_ma**2 if len(members) < 3 else 0.0
            before = [int(box.pattern[k - 1]) if k else 0 for k in members]
            supply = [(box.supply_mv[max(k - 1, 0)] + box.supply_mv[k]) / 2 for k in members]
            assert steps.excess[row] == pytest.approx(middle)
            assert steps.variance[row] == pytest.approx(due, rel=2e-3)
            assert {*before} == {int(steps.before[row])}
            assert {int(box.pattern[k]) for k in members} == {int(steps.after[row])}
            assert steps.supply_mv[row] == pytest.approx(np.mean(supply))
            assert steps.level_before[row] == pytest.approx(np.mean(box.account.before_ma[members]))
            assert steps.level_after[row] == pytest.approx(np.mean(box.account.level_ma[members]))
            assert steps.ahead_ma[row] == pytest.approx(np.mean(seen.ahead_ma[members]))


def test_the_base_is_weighed_by_its_samples(seed: int) -> None:
    rng = np.random.default_rng(seed)
    for gain in (1.0, -2.0):
        view, seen = random_case(rng)
        box = view.reference.box
        assert box is not None
        found = Evidence(view, seen, (FREE, TIGHT), 0.0, gain)
        samples, level, whole, lift = 0.0, 0.0, 0.0, 0.0
        for k in range(len(seen.count)):
            if seen.base[k] and seen.count[k] > 0 and not np.isnan(seen.whole_ma[k]):
                samples += seen.count[k]
                level += seen.count[k] * box.account.level_ma[k]
                whole += seen.count[k] * seen.whole_ma[k]
                lift += seen.count[k] * (
                    0.0 if box.pattern[k] & 2 else CHANNELS_NS[1] * 1e-9 * box.supply_mv[k]
                )
        assert found.base_ma == pytest.approx(level / samples)
        assert found.due[-1] == pytest.approx(level / samples)
        assert found.value[-1] == pytest.approx((level + whole) / samples / gain - level / samples)
        assert found.effect(STUCK_ON, 1)[-1] == pytest.approx(lift / samples)


def covariance(found: Evidence, seen: Observed, setup: Setup, gain: float) -> np.ndarray:
    """Entry by entry, from the words of evidence: what each nuisance adds to each pair of numbers."""
    steps, n = found.steps, len(found.value)
    level = [*zip(steps.level_before, steps.level_after, strict=True), (0.0, found.base_ma)]
    tops = [max(pair) for pair in level]
    swing_a = (max(tops) - min([*steps.level_before, found.base_ma])) / 1000
    table = np.empty((n, n))
    off = [found.effect(OFF, k) for k in range(len(found.channels_ns))]
    bent = [(after**2 - before**2) / 1000 for before, after in level]
    ahead = [*steps.ahead_ma, 0.0]
    kept = [
        k
        for k in range(len(seen.count))
        if seen.base[k] and seen.count[k] > 0 and np.isfinite(seen.whole_ma[k])
    ]
    whole = seen.whole_ma[kept]
    spread = 1.4826 * float(np.median(np.abs(whole - np.median(whole))))
    base_var = max(seen.sigma_ma, 1e-3) ** 2 / sum(seen.count[kept]) + spread**2 + seen.digit_ma**2 / 12
    variance = [*steps.variance, base_var]
    floor_ma = 0.05 if found.channels_ns else 1.0
    for i in range(n):
        for j in range(n):
            table[i, j] = setup.gain**2 * found.due[i] * found.due[j]
            table[i, j] += setup.source**2 * bent[i] * bent[j] + ahead[i] * ahead[j]
            table[i, j] += setup.channel**2 * sum(effect[i] * effect[j] for effect in off)
        table[i, i] += variance[i] / gain**2
        table[i, i] += floor_ma**2 + ((3e-4 + found.free.source / 2 * swing_a) * tops[i]) ** 2
    table[-1, -1] += setup.zero_ma**2
    return table


@pytest.mark.parametrize("journal", [True, False])
def test_the_likelihood_is_the_normal_laws(seed: int, journal: bool) -> None:
    """scipy.stats.multivariate_normal beside a covariance that is put together entry by entry."""
    rng = np.random.default_rng(seed)
    for gain in (1.0, 2.5):
        view, seen = random_case(rng, journal)
        found = Evidence(view, seen, (FREE, TIGHT), 0.0, gain)
        mean, spread = rng.normal(0, 0.5, (2, len(found.value)))
        each = []
        for setup in (FREE, TIGHT):
            table = covariance(found, seen, setup, gain) + np.outer(spread, spread)
            due = stats.multivariate_normal(mean, table).logpdf(found.value) + LOG_2PI * len(mean) / 2
            assert found.likelihood(mean, spread, setup) == pytest.approx(due, rel=1e-6, abs=1e-6)
            each.append(due)
        assert found.either(mean, spread) == pytest.approx(special.logsumexp(each))


def test_a_recording_without_noise_is_no_better_known_than_the_floor(seed: int) -> None:
    view, seen = random_case(np.random.default_rng(seed))
    silent = replace(seen, sigma_ma=0.0, digit_ma=0.0, edge_var=np.full(len(seen.edge_var), 1e-12))
    silent = replace(silent, whole_ma=np.full(len(seen.whole_ma), 2.0), edge_ma=np.zeros(len(seen.edge_ma)))
    found = Evidence(view, silent, (FREE, TIGHT), 0.0)
    least = [
        np.pi / 2 * 1e-9 / len(m) + np.mean(seen.systematic_ma[m] ** 2) for m in kinds_of_step(view, silent)
    ]
    assert found.steps.variance == pytest.approx(least)
    zero = np.zeros(len(found.value))
    due = stats.multivariate_normal(zero, covariance(found, silent, TIGHT, 1.0)).logpdf(found.value)
    assert found.likelihood(zero, zero, TIGHT) == pytest.approx(due + LOG_2PI * len(zero) / 2, rel=1e-6)


def test_an_amount_is_where_the_likelihood_is_greatest(seed: int) -> None:
    """Brute force: scipy's search over the amount."""
    rng = np.random.default_rng(seed)
    view, seen = random_case(rng)
    found = Evidence(view, seen, (FREE, TIGHT), 0.0)
    none = np.zeros(len(found.value))
    for k in range(len(CHANNELS_NS)):
        effect = found.effect(OFF, k)
        if np.any(effect):
            best = optimize.minimize_scalar(
                lambda share, effect=effect: -found.likelihood(share * effect, none, TIGHT)
            )
            assert found.amount(effect) == pytest.approx(best.x, rel=1e-4, abs=1e-6)
        else:
            assert found.amount(effect) == 0.0


def test_an_effect_is_what_the_channel_adds_after_less_before() -> None:
    """By hand: from nothing to channels 1 and 3, to 1 alone, and back, at 12.6 V; the base has channel 1."""
    box = did_of_patterns([1, 5, 1, 5, 1], [1.0] * 5)
    seen = observed_of(box.account)
    found = Evidence(view_of(box, seen), seen, (FREE, TIGHT), 0.0)
    rows = {
        (int(b), int(a)): k
        for k, (b, a) in enumerate(zip(found.steps.before, found.steps.after, strict=True))
    }
    assert set(rows) == {(0, 1), (1, 5), (5, 1)}
    one, third, fourth = (ns * 12.6e-6 for ns in (CHANNELS_NS[0], CHANNELS_NS[2], CHANNELS_NS[3]))
    for kind, k, due in (
        (OFF, 2, {(0, 1): 0.0, (1, 5): third, (5, 1): -third}),
        (OPEN, 2, {(0, 1): 0.0, (1, 5): third, (5, 1): -third}),
        (STUCK_ON, 2, {(0, 1): 0.0, (1, 5): -third, (5, 1): third}),
        (OFF, 0, {(0, 1): one, (1, 5): 0.0, (5, 1): 0.0}),
        (STUCK_ON, 3, {(0, 1): 0.0, (1, 5): 0.0, (5, 1): 0.0}),
    ):
        effect = found.effect(kind, k)
        for step, ma in due.items():
            assert effect[rows[step]] == pytest.approx(ma)
    for kind, k, base in ((OFF, 0, one), (OFF, 2, 0.0), (STUCK_ON, 0, 0.0), (STUCK_ON, 3, fourth)):
        assert found.effect(kind, k)[-1] == pytest.approx(base)


def test_there_needs_an_edge_and_a_base_of_known_height() -> None:
    account = account_of([11.0, 60.0, 11.0, 60.0, 11.0], [1.0] * 5, OWN_MA)
    seen = observed_of(account)
    never, nothing = np.full(5, np.inf), np.full(5, np.nan)
    assert Evidence.there(seen)
    assert not Evidence.there(replace(seen, edge_var=never))
    assert not Evidence.there(replace(seen, count=np.where(seen.base, 0.0, 9.0)))
    assert not Evidence.there(replace(seen, whole_ma=np.where(seen.base, nothing, 0.0)))
    assert not Evidence.there(replace(seen, base=np.zeros(5, dtype=bool)))


def test_the_busiest_kinds_are_kept_first(seed: int) -> None:
    """Without a journal a kind is a pair of levels (whole mA): 200 kinds once each, one kind three times."""
    levels = [30.0]
    for k in range(100):
        levels += [100.0 + 4 * k, 30.0]
    levels += [900.0, 30.0] * 3
    account = account_of(levels, np.full(len(levels), 0.5), 30.0)
    seen = observed_of(account, np.random.default_rng(seed).normal(0, 1, len(levels)))
    found = Evidence(view_of(None, seen, asked=account), seen, (FREE, TIGHT), 0.0)
    assert len(found.steps.excess) == 150
    for before, after, edges in ((30.0, 900.0, [201, 203, 205]), (900.0, 30.0, [202, 204, 206])):
        row = np.flatnonzero((found.steps.level_before == before) & (found.steps.level_after == after))
        assert found.steps.excess[row] == pytest.approx(np.median(seen.edge_ma[edges]))
        assert row[0] < 2


@pytest.mark.parametrize("shared", [False, True])
@pytest.mark.parametrize("base_known", [False, True])
@pytest.mark.parametrize("levels", [False, True])
def test_setups_loosen_only_what_is_not_known(shared: bool, base_known: bool, levels: bool) -> None:
    free, tight = setups(shared, base_known, levels)
    assert (free.channel, tight.channel) == (0.003, 0.0003)
    assert free.source == tight.source == (0.016 if shared else 0.004)
    assert free.zero_ma == tight.zero_ma == (20.0 if base_known else 1000.0)
    assert (free.gain, tight.gain) == ((0.01, 0.001) if levels else (1.0, 1.0))
