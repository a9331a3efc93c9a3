"""Events from levels taken apart: each step on rows made by hand, against sums written out."""

from __future__ import annotations

import numpy as np
import pytest
from nightdraw.capture import events as ev
from nightdraw.capture import levels as lv
from nightdraw.capture import read
from nightdraw.capture import seen as sn
from nightdraw.capture.seen import Floats
from nightdraw.capture.transitions import Pieces, Recorder, Scan, Trace, Transitions, empty
from nightdraw.errors import CannotTellError

INTERVAL_S = 0.01


def measured(
    value: list[float],
    at_s: list[float],
    end_s: float = 100.0,
    wander_ma: float = 0.0,
    gaps: tuple[int, ...] = (),
    **columns: list[float],
) -> ev._Measured:
    """A scan of exact levels between some instants, with noise of 1; wander_ma: rms over a second, as of a
    base that moves by steps; columns: of transitions, that differ."""
    at, v = np.array(at_s), np.array(value, dtype=float)
    ends = np.concatenate(([0.0], at, [end_s]))
    n = np.round(np.diff(ends) / INTERVAL_S)
    usual: dict[str, Floats] = {
        "at_s": np.where(np.isin(np.arange(len(at)), gaps), np.nan, at),
        "before": v[:-1], "after": v[1:],
        "n_before": np.minimum(n[:-1], 100.0), "n_after": np.minimum(n[1:], 100.0),
        "last_s": at - INTERVAL_S / 2, "first_s": at + INTERVAL_S / 2,
        "sum_to": np.cumsum(v * n)[:-1], "sum_from": np.cumsum(v * n)[:-1],
        "n_to": np.cumsum(n)[:-1], "n_from": np.cumsum(n)[:-1],
    }  # fmt: skip
    nan = {"at_u", "level", "lasting_u"}
    usual |= {name: np.full(len(at), np.nan) for name in nan} | {"sigma": np.ones(len(at))}
    given = {name: np.array(column) for name, column in columns.items()}
    names = Transitions.__dataclass_fields__
    t = Transitions(**{name: (usual | given).get(name, np.zeros(len(at))) for name in names})
    moves = np.tile([0.0, wander_ma], 20) if wander_ma else np.zeros(40)
    trace = Trace(np.arange(40.0), moves, np.full(40, 1e12), np.zeros(40))
    total = float(np.sum(v * n))
    scan = Scan(
        t,
        trace,
        empty(Pieces),
        int(n.sum()),
        0.0,
        end_s - INTERVAL_S,
        INTERVAL_S,
        1.0,
        0.0,
        0.0,
        total,
        6.0,
        100,
        0.0,
        0.0,
    )
    level = lv.levels_of(scan, t.at_s)
    wander = lv.Wander(trace, 1.0, np.empty(0))
    return ev._Measured(
        scan, Recorder(0.0, False, INTERVAL_S, 0.5), t.at_s, np.full(len(at), 2e-3), level, wander
    )


def rows(*numbers: int) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    return np.array(numbers, dtype=np.int64)


def test_the_base_beside_an_event_is_a_line_where_both_sides_are_long() -> None:
    """Sides of 16 samples and more count alike, and a line joins them; shorter ones by their samples."""
    for n, line, share in (
        ((16, 16), True, 0.5), ((100, 30), True, 0.5), ((15, 16), False, 15 / 31), ((100, 5), False, 16 / 21),
        ((4, 4), False, 0.5), ((3, 4), False, 0.0), ((4, 3.9), False, 1.0), ((3, 1), False, 0.75),
    ):  # fmt: skip
        m = measured([10, 60, 20], [5, 6], n_before=[n[0], 9.0], n_after=[9.0, n[1]])
        left, right, u = ev._beside(m, rows(0), rows(1))
        middle = share * 10 + (1 - share) * 20
        wanted = (middle - 5, middle + 5) if line else (middle, middle)
        assert (left[0], right[0]) == pytest.approx(wanted)
        sides = np.hypot(share / np.sqrt(n[0]), (1 - share) / np.sqrt(max(n[1], 1)))
        assert u[0] == pytest.approx(sides)
    wanders = measured([10, 60, 20], [5, 6], wander_ma=2.0)
    u = ev._beside(wanders, rows(0), rows(1))[2]
    beneath = 0.3 * wanders.wander.within(np.array([1.0]))[0]
    assert beneath > 0.3
    assert u[0] == pytest.approx(np.hypot(np.hypot(0.05, 0.05), beneath))


def test_parts_are_the_levels_above_the_line_beneath_them() -> None:
    """A staircase of 2 s at 100, 3 s at 60, from 10 up to 20: the base beneath the middles is 12 and 17."""
    m = measured([10, 100, 60, 20, 70, 20], [5, 7, 10, 40, 41], bias=[0.5] * 5)
    parts, begins = ev._parts(m, rows(0, 3), rows(2, 4))
    assert begins.tolist() == [0, 2, 3]
    assert parts.start_s.tolist() == [5, 7, 40]
    assert parts.duration_s.tolist() == pytest.approx([2, 3, 1])
    assert parts.level.tolist() == pytest.approx([88, 43, 50])
    beside = np.hypot(np.hypot(0.1, 0.5) / 2, np.hypot(0.1, 0.5) / 2)
    own = np.hypot(1 / np.sqrt([200, 300, 100]), 0.5)
    assert parts.level_u.tolist() == pytest.approx(np.hypot(own, beside).tolist())


def test_an_event_is_measured_from_its_parts() -> None:
    m = measured([10, 100, 60, 10, 70, 10], [5, 7, 10, 40, 41], lasting_u=[np.nan, 0, 0, 0.9, 0])
    first, last = rows(0, 3), rows(2, 4)
    parts, begins = ev._parts(m, first, last)
    events = ev._measure(m, rows(sn.PULSE, sn.PULSE), first, last, parts, begins)
    assert events.start_s.tolist() == [5, 40]
    assert events.duration_s.tolist() == pytest.approx([5, 1])
    both = np.hypot(np.hypot(2e-3, 2e-3), 1e-5)
    assert events.duration_u_s.tolist() == pytest.approx([both, 0.9 * INTERVAL_S])
    assert events.level.tolist() == pytest.approx([90, 60])
    assert events.mean.tolist() == pytest.approx([(2 * 90 + 3 * 50) / 5, 60])
    assert events.level_u.tolist() == pytest.approx([parts.level_u[0], parts.level_u[2]])
    assert (events.part_from.tolist(), events.part_to.tolist()) == ([0, 2], [2, 3])
    assert events.start_u_s.tolist() == [2e-3, 2e-3]
    none = ev._measure(m, rows(), rows(), rows(), parts.take(rows()), rows(0))
    assert len(none) == 0


@pytest.mark.parametrize(("samples", "top"), [(2, 50.0), (3, 90.0)])
def test_the_highest_part_has_three_samples_if_any_has(samples: int, top: float) -> None:
    """A dip's is its lowest; of short parts alone the highest of them."""
    short = samples * INTERVAL_S
    m = measured([10, 60, 100, 10, 90, 30, 10], [5, 8, 8 + short, 40, 40.01, 40.02])
    for way in (1, -1):
        level = np.array([50.0, 90.0, 80.0, 20.0]) * way
        parts = sn.Parts(np.zeros(4), np.ones(4), level, np.ones(4))
        found = ev._highest(m, parts, np.array([0, 0, 1, 1]), rows(0, 3))
        assert level[found].tolist() == [top * way, 80.0 * way]


def test_single_samples_are_spikes_unless_five_alike_come_at_a_period() -> None:
    for count, step, periodic in ((5, 2.0, True), (4, 2.0, False), (7, 0.0, False)):
        starts = 5 + 2.0 * np.arange(count) if step else 5 + 1.7 * np.arange(count) ** 2
        at = np.sort(np.concatenate([starts, starts + INTERVAL_S]))
        m = measured([10, *[80, 10] * count], at.tolist(), end_s=150.0)
        first = np.arange(0, 2 * count, 2)
        parts, begins = ev._parts(m, first, first + 1)
        for kind in (sn.PULSE, sn.DIP):
            events = ev._measure(m, np.full(count, kind), first, first + 1, parts, begins)
            pulse = periodic and kind == sn.PULSE
            assert ev._spikes(m, events).tolist() == [sn.PULSE if pulse else sn.SPIKE] * count
            assert events.kind.tolist() == [kind] * count


@pytest.mark.parametrize(("outside", "spike"), [(2.4, True), (2.6, False)])
def test_a_spike_is_a_single_sample_between_settled_ones(outside: float, spike: bool) -> None:
    m = measured([10, 80, 10], [5.0, 5.01], last_s=[4.995, 5.0], first_s=[5.0, 4.995 + outside * INTERVAL_S])
    parts, begins = ev._parts(m, rows(0), rows(1))
    events = ev._measure(m, rows(sn.PULSE), rows(0), rows(1), parts, begins)
    assert ev._spikes(m, events).tolist() == [sn.SPIKE if spike else sn.PULSE]


def apart(m: ev._Measured) -> lv.Excursions:
    return lv.excursions(m.level, m.is_gap, m.wander, 1.0, INTERVAL_S)


def found_in(
    m: ev._Measured, least: float = 0.0
) -> tuple[list[tuple[int, float, float, float]], list[tuple[float, float, str]]]:
    events, _, doubted = ev._events(m, apart(m), least)
    columns = events.kind.tolist(), events.start_s.tolist(), events.duration_s.tolist(), events.level.tolist()
    rounded = [(k, a, round(b, 6), round(c, 6)) for k, a, b, c in zip(*columns, strict=True)]
    return rounded, [(s.from_s, s.until_s, s.why) for s in doubted]


def test_the_outermost_excursions_are_the_events() -> None:
    m = measured([10, 60, 110, 60, 10, 110, 10], [5, 7, 8, 10, 20, 21])
    assert found_in(m) == ([(sn.PULSE, 5.0, 5.0, 100.0), (sn.PULSE, 20.0, 1.0, 100.0)], [])
    assert found_in(m, least=100.1) == ([], [])


@pytest.mark.parametrize(
    ("lasting_s", "pulses", "plateau"), [(61.0, 3, True), (59.0, 3, False), (61.0, 2, False)]
)
def test_a_long_excursion_that_carries_pulses_is_a_base_to_them(
    lasting_s: float, pulses: int, plateau: bool
) -> None:
    inner = [k * 10.0 + d for k in range(1, 1 + pulses) for d in (0.0, 1.0)]
    m = measured([10, 60, *[160, 60] * pulses, 10], [5.0, *[5 + s for s in inner], 5 + lasting_s])
    found = [kind for kind, *_ in found_in(m)[0]]
    assert found == ([sn.PLATEAU] + [sn.PULSE] * pulses if plateau else [sn.PULSE])


def test_what_a_gap_cuts_is_not_judged() -> None:
    """A stretch of several levels one edge of which fell into a gap; a lone gap within it."""
    m = measured([10, 60, 90, 60, 10, 60, 10], [5, 7, 8, 10, 20, 21], gaps=(2,))
    events, doubted = found_in(m)
    assert (sn.PULSE, 20.0, 1.0, 50.0) in events
    assert all(start >= 20 or end <= 8 for _, start, end, _ in [(k, a, a + b, c) for k, a, b, c in events])
    assert all(why == sn.CUT for *_, why in doubted)


def test_noise_that_hides_small_pulses_is_told_in_stretches() -> None:
    """z sigma sqrt(2 / 10) of 0.1 s beyond 50: from 18.7 on; stretches that touch are one."""
    sigma = np.array([1.0, 18.6, 18.7, 30.0, 1.0, 40.0])
    pieces = Pieces(np.arange(6.0), np.arange(6.0) + 1 - INTERVAL_S, sigma, sigma, sigma)
    m = measured([10, 60, 10], [5, 6])
    scan = Scan(**{**m.scan.__dict__, "pieces": pieces})
    assert ev._hidden(scan, np.array([1.0]))[0] == pytest.approx(6 * np.sqrt(2 / 10))
    spans = ev._noisy(scan)
    assert [(span.from_s, span.until_s, span.why) for span in spans] == [
        (2.0, 4.0 - INTERVAL_S, sn.NOISE),
        (5.0, 6.0 - INTERVAL_S, sn.NOISE),
    ]
    slow = Scan(**{**scan.__dict__, "interval_s": 1.0})
    assert ev._hidden(slow, np.array([1.0]))[0] == pytest.approx(6 * np.sqrt(2))


def steps_of(m: ev._Measured) -> tuple[list[tuple[float, float]], list[tuple[float, float]], list[int]]:
    x = apart(m)
    events, _, _ = ev._events(m, x, 0.0)
    steps, cut, base = ev._steps(m, x, events)
    return list(zip(steps.start_s.tolist(), steps.level.tolist(), strict=True)), cut, base.tolist()


def test_what_does_not_come_back_is_a_step_that_stays() -> None:
    assert steps_of(measured([10, 60, 10, 40], [5, 6, 50])) == ([(50.0, 30.0)], [], [0, 2, 3])
    assert steps_of(measured([10, 60, 10, 4], [5, 6, 50])) == ([(50.0, -6.0)], [], [0, 2, 3])


@pytest.mark.parametrize(
    ("first_s", "high", "is_cut"),
    [
        (3.9, 60.0, True),
        (4.1, 60.0, False),
        (1.0, 76.6, True),
        (1.0, 76.8, False),
        (1.0, 50.1, True),
        (1.0, 49.9, False),
    ],
)
def test_a_stretch_at_an_end_as_high_as_some_pulse_is_a_pulse_that_is_cut(
    first_s: float, high: float, is_cut: bool
) -> None:
    """Of pulses of 50 and a second: a quarter of its own height about it, up to four times as long."""
    m = measured([high, 10, 60, 10], [first_s, 50, 51])
    steps, cut, base = steps_of(m)
    assert cut == ([(0.0, first_s)] if is_cut else [])
    assert steps == ([] if is_cut else [(first_s, 10 - high)])
    assert base == ([1, 3] if is_cut else [0, 1, 3])
    m = measured([10, 60, 10, high], [48, 49, 100 - first_s])
    steps, cut, base = steps_of(m)
    assert cut == ([(100 - first_s, 100.0)] if is_cut else [])
    assert [high for _, high in steps] == ([] if is_cut else [high - 10])


def test_the_base_has_its_cells_and_both_sides_of_its_steps() -> None:
    m = measured([10, 60, 10, 40], [5, 6, 50])
    base = ev._base(m, rows(0, 2, 3))
    assert base.t_s.tolist() == sorted([*np.arange(40.0), 49.995, 50.005])
    beside = np.searchsorted(base.t_s, [49.995, 50.005])
    assert base.level[beside].tolist() == [10, 40]
    assert base.level_u[beside].tolist() == pytest.approx([0.1, 0.1])


def test_edges_are_the_transitions_with_their_levels() -> None:
    m = measured([10, 60, 10], [5, 6])
    edges = ev._edges(m)
    assert (edges.before.tolist(), edges.after.tolist()) == ([10, 60], [60, 10])
    assert edges.at_s.tolist() == [5, 6]
    assert edges.last_s.tolist() == pytest.approx([4.995, 5.995])
    assert edges.first_s.tolist() == pytest.approx([5.005, 6.005])


def test_what_the_base_may_have_made_itself_is_not_judged() -> None:
    """A single level as high as its own two edges counts, whatever the base does; within what the base moves
    by in its time one that isn't doesn't, nor does a staircase."""
    low = {"before": [10.0, 60.0], "after": [60.0, 10.0]}
    events, doubted = found_in(measured([10, 60, 10], [5, 6], wander_ma=60.0, **low))
    assert ([kind for kind, *_ in events], doubted) == ([sn.PULSE], [])
    events, doubted = found_in(measured([10, 80, 10], [5, 6], wander_ma=60.0, **low))
    assert (events, [why for *_, why in doubted]) == ([], [sn.WANDER])
    assert doubted[0][:2] == (5.0, 6.0)


def test_a_step_in_the_time_of_a_pulse_is_told_at_its_end() -> None:
    """100 and then 20 above what was before; where it stands out by 5 deviations."""
    steps, _, _ = steps_of(measured([10, 110, 30, 30.1], [5, 6, 50]))
    assert steps == [(6.0, 20.0)]


def exact(gap_s: float, sigma_ma: float, high_ma: float) -> tuple[Floats, Floats]:
    time_s = np.arange(6000) * INTERVAL_S
    value = 40.0 + np.random.default_rng(1).normal(0, sigma_ma, 6000)
    for at in (5.0, 20.0, 41.0):
        value += high_ma * ((time_s > at) & (time_s < at + 1))
    return time_s + gap_s * (time_s > 30), value / 1000


def test_events_point_at_their_edges_where_gaps_are_none() -> None:
    seen = ev.see(read.from_arrays(*exact(4.0, 1.0, 100.0)))
    pulses = seen.events.of(sn.PULSE)
    assert len(pulses) == 3
    np.testing.assert_array_equal(seen.edges.at_s[pulses.first_edge], pulses.start_s)
    ends = seen.edges.at_s[pulses.last_edge]
    np.testing.assert_allclose(ends, pulses.start_s + pulses.duration_s)
    assert [(span.from_s, span.until_s, span.why) for span in seen.unjudged] == [
        (pytest.approx(30.0), pytest.approx(34.01), sn.GAP)
    ]


def test_noise_that_hides_all_is_refused_where_nothing_stands_out() -> None:
    """A quiet record without events is an answer, as is a loud one with events."""
    assert len(ev.see(read.from_arrays(*exact(0.0, 1.0, 0.0))).events) == 0
    assert len(ev.see(read.from_arrays(*exact(0.0, 60.0, 1000.0))).events) == 3
    with pytest.raises(CannotTellError, match="noise of"):
        ev.see(read.from_arrays(*exact(0.0, 60.0, 0.0)))
    time_s, value = exact(0.0, 1.0, 0.0)
    with pytest.raises(CannotTellError, match="9 samples are too few"):
        ev.see(read.from_arrays(time_s[:9], value[:9]))
    assert ev.see(read.from_arrays(time_s[:10], value[:10])).samples == 10
