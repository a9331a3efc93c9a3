"""Levels between transitions: the wander's structure function, what is alike, and excursions taken off,
against naive loops and accounts whose answer is known by construction."""

from __future__ import annotations

import numpy as np
import pytest
from nightdraw.capture import levels as lv
from nightdraw.capture.seen import Floats
from nightdraw.capture.transitions import Pieces, Scan, Trace, Transitions, empty

Span = tuple[int, int, bool]  # first and last transition of an excursion, and whether it goes down


def trace_of(mean: Floats, level: Floats | None = None, n: float = 1.0) -> Trace:
    count = len(mean)
    own = np.zeros(count) if level is None else level
    return Trace(np.arange(count) * 1.0, mean, np.full(count, n), own)


def structure(trace: Trace, noise: float, lag: int) -> float | None:
    """The rms difference over `lag` cells of one level, without what noise makes; None: too few pairs."""
    moved, by_noise = [], []
    for a in range(len(trace) - lag):
        if trace.level[a] == trace.level[a + lag]:
            moved.append((trace.mean[a + lag] - trace.mean[a]) ** 2)
            by_noise.append(noise**2 * (1 / trace.n[a] + 1 / trace.n[a + lag]))
    if len(moved) < 8:
        return None
    return float(np.sqrt(max(np.mean(moved) - np.mean(by_noise), 0.0)))


def test_wander_is_the_structure_function(seed: int) -> None:
    """At 1, 2, 4 ... cells by a naive loop (growing at the least), in proportion below, by the root above."""
    rng = np.random.default_rng(seed)
    for count in (10, 30, 100):
        cut = np.repeat([0.0, 2.0], [count // 3, count - count // 3])
        trace = trace_of(np.cumsum(rng.normal(0, 1, count)), cut, 4.0)
        wander = lv.Wander(trace, 0.8, np.zeros(2))
        lag, most, shortest = 1, 0.0, None
        while lag < count and (rms := structure(trace, 0.8, lag)) is not None:
            most = max(most, rms)
            shortest = most if shortest is None else shortest
            assert wander.within(np.array([float(lag)]))[0] == pytest.approx(most)
            lag *= 2
        if shortest is not None:
            longest = lag / 2
            wanted = [shortest * 0.3, 0.0, 0.0, most * 3.0]
            asked = np.array([0.3, 0.0, -5.0, 9 * longest])
            assert wander.within(asked).tolist() == pytest.approx(wanted)


@pytest.mark.parametrize("pairs", [7, 8])
def test_eight_differences_tell_a_wander(pairs: int) -> None:
    """Fewer tell none: then 0.3 mA^2 a second."""
    wander = lv.Wander(trace_of(np.arange(pairs + 1) * 5.0), 0.0, np.empty(0))
    told = 5.0 if pairs == 8 else np.sqrt(0.3)
    assert wander.within(np.array([1.0])).tolist() == pytest.approx([told])


def test_a_load_that_fades_is_no_wander() -> None:
    """Level 1 falls by 30 a second behind a step of 100; elsewhere cells move by 1, one as much as 9."""
    rng = np.random.default_rng(3)
    level = np.repeat([0.0, 1.0, 2.0], 40)
    mean = np.cumsum(rng.choice([-1.0, 1.0], 120))
    for fall, height, fades in (
        (30.0, 100.0, True),
        (19.0, 100.0, False),
        (30.0, 151.0, False),
        (14.0, 20.0, False),
    ):
        moved = mean.copy()
        moved[60:80] -= fall
        moved[80:] += 500.0  # between levels no difference counts
        found = lv._fades(trace_of(moved, level), np.array([height, 1e4]))
        assert found.tolist() == (level == 1.0).tolist() if fades else not found.any()
    # the first level is held against the step behind it, the last one against the step before it
    for row, heights in ((0, [100.0, 1e4]), (2, [1e4, 100.0])):
        moved = mean.copy()
        moved[20 + 40 * row : 40 * row + 40] += 40.0
        found = lv._fades(trace_of(moved, level), np.array(heights))
        assert found.tolist() == (level == row).tolist()
    assert not lv._fades(trace_of(mean), np.empty(0)).any()
    assert not lv._fades(trace_of(np.zeros(3), np.arange(3.0)), np.ones(2)).any()
    assert not lv._fades(trace_of(np.empty(0)), np.ones(2)).any()


def transitions_of(rows: list[dict[str, float]]) -> Transitions:
    names = Transitions.__dataclass_fields__
    return Transitions(**{name: np.array([row[name] for row in rows]) for name in names})


def scan_of(t: Transitions, samples: int, total: float) -> Scan:
    return Scan(
        t, empty(Trace), empty(Pieces), samples, 0.0, 19.9, 0.1, 2.0, 0.0, 0.0, total, 6.0, 10, 0.0, 0.0
    )


def test_levels_lie_between_the_scans_sums() -> None:
    """Two transitions by hand, one of them in a gap, the level between them fitted or not."""
    names = (
        "at_s at_u before after n_before n_after level lasting_u last_s first_s sum_to sum_from n_to n_from"
    )
    nan, sums = np.nan, (500.0, 520.0, 50.0, 51.0)
    numbers = (5.0, nan, 10.0, 30.0, 4.0, 9.0, nan, nan, 4.9, 5.1, *sums, 2.0, 0.5, 1.0, 1.0, 1.0)
    one = dict(zip([*names.split(), "sigma", "bias", "slope", "smooth", "inside"], numbers, strict=True))
    two = {**one, "at_s": np.nan, "before": 31.0, "after": 12.0, "n_before": 16.0, "n_after": 0.0}
    two |= {
        "last_s": 9.0,
        "first_s": 12.0,
        "sum_to": 1520.0,
        "sum_from": 1530.0,
        "n_to": 91.0,
        "n_from": 93.0,
    }
    t = transitions_of([one, two])
    level = lv.levels_of(scan_of(t, 200, 2814.0), t.at_s)
    assert level.mean.tolist() == pytest.approx([10.0, 25.0, 12.0])
    assert level.n.tolist() == [50, 40, 107]
    assert level.start.tolist() == [10, 30, 12]
    assert level.end.tolist() == [10, 31, 12]
    before_u = [np.hypot(1.0, 0.5), np.hypot(0.5, 0.5)]
    after_u = [np.hypot(2 / 3, 0.5), np.hypot(2.0, 0.5)]
    assert level.start_u.tolist() == pytest.approx([before_u[0], *after_u])
    assert level.end_u.tolist() == pytest.approx([*before_u, after_u[1]])
    assert level.start_over_s.tolist() == pytest.approx([0, 0.9, 0])
    assert level.end_over_s.tolist() == pytest.approx([0.4, 1.6, 0])
    assert level.from_s.tolist() == [0.0, 5.0, 10.5]
    assert level.until_s.tolist() == pytest.approx([5.0, 10.5, 20.0])
    fitted = lv.levels_of(scan_of(transitions_of([{**one, "level": 77.0}, two]), 200, 2814.0), t.at_s)
    assert fitted.mean.tolist() == pytest.approx([10.0, 77.0, 12.0])


def test_without_transitions_there_is_one_level() -> None:
    level = lv.levels_of(scan_of(empty(Transitions), 200, 800.0), np.empty(0))
    assert (level.mean.tolist(), level.n.tolist()) == ([4.0], [200.0])
    assert (level.start.tolist(), level.end.tolist(), level.end_u.tolist()) == ([4.0], [4.0], [2.0])
    assert level.start_u.tolist() == [2.0]


def level_of(
    value: list[float], lasting_s: list[float] | None = None, u: float = 0.01, n: float = 50.0
) -> lv.Level:
    """Levels one after the other, each of one value throughout."""
    lasting = np.array([5.0] * len(value) if lasting_s is None else lasting_s)
    v, until = np.array(value, dtype=float), np.cumsum(lasting)
    some, zero = np.full(len(v), u), np.zeros(len(v))
    return lv.Level(v.copy(), some, zero, v.copy(), some, zero, v, np.full(len(v), n), until - lasting, until)


def taken(level: lv.Level, gaps: tuple[int, ...] = ()) -> lv.Excursions:
    is_gap = np.isin(np.arange(len(level.n) - 1), gaps)
    return lv.excursions(level, is_gap, lv.Wander(trace_of(np.zeros(20)), 0.0, np.empty(0)), 1.0, 0.01)


def found_in(level: lv.Level, gaps: tuple[int, ...] = ()) -> list[Span]:
    x = taken(level, gaps)
    return list(zip(x.first.tolist(), x.last.tolist(), x.down.tolist(), strict=True))


def test_pulses_staircases_and_dips_by_hand() -> None:
    assert found_in(level_of([0, 9, 0, 9, 0])) == [(0, 1, False), (2, 3, False)]
    assert found_in(level_of([0, 5, 9, 5, 0])) == [(0, 3, False), (1, 2, False)]
    assert found_in(level_of([0, 9, 5, 0])) == [(0, 2, False)]
    assert found_in(level_of([0, 5, 9, 0])) == [(0, 2, False)]
    assert found_in(level_of([0, 9])) == []
    assert found_in(level_of([0])) == []
    assert found_in(level_of([0, 9, 20])) == []
    # a dip is shorter than a tenth of what it interrupts: else it is the base between two pulses
    assert found_in(level_of([9, 0, 9], [10, 0.99, 10])) == [(0, 1, True)]
    assert found_in(level_of([9, 0, 9], [10, 1.01, 10])) == []
    assert found_in(level_of([9, 0, 9], [9.8, 0.99, 10])) == []


def test_the_base_is_what_no_excursion_covers() -> None:
    x = taken(level_of([0, 9, 0, 20, 25, 20, 60, 69, 60]))
    assert x.base.tolist() == [0, 2, 3, 5, 6, 8]
    assert x.root.tolist() == [0, 0, 1, 1, 2, 2]
    assert x.stay.tolist() == [2, 5]
    assert not x.shifted.any()


def test_a_step_within_a_pulse_is_told_as_shifted() -> None:
    """The level behind a pulse of 100 is higher by less than a quarter of it."""
    x = taken(level_of([0, 100, 20, 20.1]))
    assert (x.first.tolist(), x.last.tolist(), x.shifted.tolist()) == ([0], [1], [True])
    assert found_in(level_of([0, 100, 26, 26.1])) == []


def test_across_a_gap_no_step_is_known() -> None:
    """A level that goes on behind a gap is one; a pulse that begins in a gap has no step of its own."""
    x = taken(level_of([3, 3, 9, 3]), (0,))
    assert x.is_gap.tolist() == [False, False, False]
    assert (x.first.tolist(), x.last.tolist()) == ([1], [2])
    x = taken(level_of([3, 9, 9, 3]), (0,))
    assert x.is_gap.tolist() == [True, False, False]


def random_nest(
    rng: np.random.Generator, depth: int, base: float, out: list[tuple[float, float]]
) -> list[Span]:
    """Levels of an excursion from `base`: up, perhaps something upon it, and the same level once more. What
    carries others lasts ten times as long, or it would be a dip between them. Returns its brackets."""
    high, lasting_s = base + float(rng.uniform(20, 40)), 10.0**depth
    begin, inner = len(out) - 1, list[Span]()
    out.append((high, lasting_s))
    for _ in range(int(rng.integers(0, 3)) if depth else 0):
        inner += random_nest(rng, depth - 1, high, out)
        out.append((high, lasting_s))
    return [(begin, len(out) - 1, False), *inner]


def test_nested_excursions_are_taken_off_as_they_were_put_on(seed: int) -> None:
    """Brackets: whatever was put on a level and taken off again, at any depth."""
    rng = np.random.default_rng(seed)
    for _ in range(40):
        out, spans = [(0.0, 1e3)], list[Span]()
        for _ in range(int(rng.integers(1, 8))):
            spans += random_nest(rng, 2, 0.0, out)
            out.append((0.0, 1e3))
        value, lasting_s = zip(*out, strict=True)
        assert found_in(level_of(list(value), list(lasting_s))) == spans


@pytest.mark.parametrize(("off", "alike"), [(0.9, True), (1.2, False)])
def test_levels_are_alike_within_noise_supply_and_a_fixed_amount(off: float, alike: bool) -> None:
    """5 deviations of the difference, a percent of the height, 0.25 mA; where the steps add up to nothing."""
    u, height = 0.05, 10.0
    level = level_of([0, height, 0], u=u)
    allowed = 5 * np.sqrt(2) * u + 0.01 * height + 0.25
    level.start[2] = off * allowed
    chain = lv._Chain(
        level, np.zeros(2, dtype=bool), lv.Wander(trace_of(np.zeros(20)), 0.0, np.empty(0)), 1.0, 0.01
    )
    found = chain._alike(np.array([0]), np.array([2]), np.array([height]), 0.0)
    assert found.tolist() == [alike]


def test_wander_over_a_pulse_allows_for_more_where_the_steps_add_up() -> None:
    """A base that moves by 20 mA rms in the pulse's 5 s: alike by its steps, not without them."""
    mean = np.tile([0.0, 0.0, 20.0, 20.0], 20) * np.sqrt(2)
    wander = lv.Wander(trace_of(mean), 0.0, np.empty(0))
    assert wander.within(np.array([5.0]))[0] > 15
    for step_back, alike in ((-30.0, True), (-10.0, False)):
        level = level_of([0, 30, 0])
        level.end[1] = 60.0  # it rose while the pulse lasted
        level.start[2] = level.end[2] = 60.0 + step_back
        chain = lv._Chain(level, np.zeros(2, dtype=bool), wander, 100.0, 0.01)
        found = chain._alike(np.array([0]), np.array([2]), np.array([30.0]), 0.0)
        assert found.tolist() == [alike]


def test_a_lone_step_that_noise_made_is_none() -> None:
    """4 deviations of both sides' difference: joined at once."""
    for high, stays in ((3.99, []), (4.01, [0])):
        x = taken(level_of([0.0, high * np.sqrt(2) * 0.5], u=0.5))
        assert x.stay.tolist() == stays


@pytest.mark.parametrize("u", [0.5, 0.9, 3.0])
@pytest.mark.parametrize("lasting_s", [0.09, 0.1, 0.5, 1.0, 5.0])
def test_a_steep_piece_of_the_wander_is_no_step(u: float, lasting_s: float) -> None:
    """Up to twice what the record moves by within what is seen of both levels (up to a second each, 10 mA
    rms) and 4 deviations of the step, never beyond 16 of those; levels shorter than a tenth of the window are
    spared."""
    wander = lv.Wander(trace_of(np.arange(20) % 2 * 10.0), 0.0, np.empty(0))
    seen_s, step_u = (1.0 + min(lasting_s, 1.0)) / 2, np.hypot(u, u)
    steepest = min(2 * 10.0 * seen_s + 4 * step_u, 16 * step_u)
    bound = max(4 * step_u, steepest if lasting_s >= 0.1 else 0.0)
    for share, stays in ((0.999, []), (1.001, [0])):
        level = level_of([0, share * bound], [5.0, lasting_s], u=u)
        level.from_s[1], level.until_s[1] = 0.0, lasting_s  # exact
        x = lv.excursions(level, np.zeros(1, dtype=bool), wander, 1.0, 0.01)
        assert x.stay.tolist() == stays


def test_samples_that_were_lost_are_a_dip_before_anything_else() -> None:
    """Two samples at nothing in the midst of short pulses: shorter than half of what lies beside them."""
    for n, lasting, wanted in ((2.0, 0.4, [(0, 3, False), (1, 2, True)]), (3.0, 0.4, None), (2.0, 0.6, None)):
        level = level_of([0, 9, 0, 9, 0], [5, 1, lasting, 1, 5])
        level.n[2] = n
        found = found_in(level)
        assert found == (wanted or [(0, 1, False), (2, 3, False)])
