"""The search for changes, function by function: against weights told by impulses, naive loops, and records
whose steps are known to the sample."""

from __future__ import annotations

import numpy as np
import pytest
from nightdraw.capture import changes as ch
from nightdraw.capture.noise import PIECE, RUN, Noise
from nightdraw.capture.seen import Bools, Floats, Ints
from scipy import stats

FILTERS = (ch.HIGH, *ch.PULSES_OF_SAMPLES, *ch.PULSES, *ch.EDGES_OF_SAMPLES, *ch.EDGES)
NO_GAPS = np.empty(0, dtype=np.int64)


def noise_for(samples: int, sigma: float = 1.0, least: float = 0.0) -> Noise:
    """The same noise everywhere."""
    runs, pieces = -(-samples // RUN), max(-(-samples // PIECE), 1)
    return Noise(np.full(runs, sigma), np.full(runs, sigma), np.full(pieces, least), np.zeros(pieces))


def running(value: Floats) -> Floats:
    return np.concatenate(([0.0], np.cumsum(value)))


def search_of(value: Floats, gaps: Ints = NO_GAPS, z: float = 6.0, least: float = 0.0) -> ch._Search:
    return ch._Search(running(value), gaps, noise_for(len(value), 1.0, least), z)


def weights(matched: ch._Filter, size: int) -> Floats:
    """A filter's weight of each sample, from how it answers impulses."""
    count = matched.span * size + 2 * size
    found = np.empty(count)
    for k in range(count):
        total = running((np.arange(count) == k).astype(float))
        found[k] = matched.answers(lambda at, t=total: t[at], np.array([0]), size)[0]  # type: ignore[misc]
    return found


@pytest.mark.parametrize("matched", FILTERS, ids=str)
@pytest.mark.parametrize("size", [1, 4])
def test_a_filter_is_its_top_less_the_means_beside_it(matched: ch._Filter, size: int) -> None:
    """Matched filter of an unknown level: weight 1 on the top, the sides' mean off it, nothing behind; its
    variance in white noise is the sum of its squared weights."""
    w = weights(matched, size)
    top, side, sides = matched.top * size, matched.side * size, 2 if matched.two_sided else 1
    low = np.full(side, -top / (sides * side))
    wanted = np.concatenate([low, np.ones(top), low if matched.two_sided else []])
    np.testing.assert_allclose(w[: len(wanted)], wanted, atol=1e-12)
    np.testing.assert_allclose(w[len(wanted) :], 0, atol=1e-12)
    assert matched.span * size == len(wanted)
    assert matched.energy * size == pytest.approx(np.sum(w**2))
    places = np.flatnonzero(np.diff(np.sign(np.round(wanted, 9)))) + 1
    assert tuple(edge * size for edge in matched.edges) == tuple(places.tolist())


def naive_screen(blocks: Floats, widths: tuple[int, ...]) -> set[int]:
    """Blocks at which the sum of some differs from the sum of as many before by 6 deviations; where one in
    50 does, by 6 deviations of what the lower quarter of the differences shows."""
    passed: set[int] = set()
    for w in widths:
        places = range(w, len(blocks) - w + 1)
        moves = [abs(blocks[p : p + w].sum() - blocks[p - w : p].sum()) for p in places]
        least = 6 * np.sqrt(2.0 * w)
        if sum(move > least for move in moves) > len(moves) / 50:
            least = max(least, 6 * sorted(moves)[len(moves) // 4] / stats.norm.ppf(0.625))
        passed |= {p for p, move in zip(places, moves, strict=True) if move > least}
    return passed


@pytest.mark.parametrize("count", [1, 2, 3, 5, 8, 9, 31, 700])
@pytest.mark.parametrize("widths", [(1,), (2, 4), (4,)])
def test_a_screen_looks_at_every_block(count: int, widths: tuple[int, ...], seed: int) -> None:
    """Whole numbers, few of which are high, so that single precision is exact; and sums at the bound itself,
    which don't pass."""
    rng = np.random.default_rng(seed + count)
    passed = 0
    for _ in range(20):
        blocks = np.zeros(count)
        at = rng.integers(0, count, max(count // 100, 1))
        blocks[at] = rng.choice([-12, 12, -13, 13, 9, 17, 60], len(at))
        screen = ch._Screen(blocks.astype(np.float32), 1, noise_for(count), 10.0)
        found = screen.passed(widths)
        assert found.tolist() == sorted(naive_screen(blocks, widths))
        passed += len(found)
    assert passed > 0 or count < 31


@pytest.mark.parametrize("size", [1, 8])
def test_a_screen_has_each_runs_own_threshold_in_tiles_and_over_their_bounds(size: int) -> None:
    """Steps before, on and behind every bound of a tile and a run; runs differ in noise."""
    samples = (2 * ch.TILE + 3 * RUN // 2) * size
    runs = -(-samples // RUN)
    sigma = 1.0 + np.arange(runs) % 3
    noise = Noise(sigma, sigma, np.zeros(runs), np.zeros(runs))
    per, count = RUN // size, samples // size
    rng = np.random.default_rng(5)
    steps = np.zeros(count)
    bounds = np.concatenate([np.arange(per, count, per * 7), [ch.TILE, 2 * ch.TILE, count - 5]])
    for k in np.unique(np.concatenate([bounds + d for d in (-4, 1, 6)])):
        if k < count:
            steps[k] = rng.choice([-45, 33, 70, 25, 12]) * size
    blocks = np.cumsum(steps)
    screen = ch._Screen(blocks.astype(np.float32), size, noise, 10.0)
    for widths in ((1,), (2, 4)):
        found = screen.passed(widths)
        places = np.unique(np.concatenate([np.flatnonzero(steps) + d for d in range(-5, 6)]))
        by_runs = 6.0 * np.sqrt(size) * sigma
        wanted = []
        for p in places[(places > 0) & (places < count)].tolist():
            for w in widths:
                if p >= w and p + w <= count:
                    move = blocks[p : p + w].sum() - blocks[p - w : p].sum()
                    if abs(move) > by_runs[(p - w) // per] * np.sqrt(2.0 * w):
                        wanted.append(p)
                        break
        assert found.tolist() == wanted
        assert len(wanted) > 15


def test_a_crowded_screen_rises_to_what_the_record_shows() -> None:
    """Eight times the noise that it was told: of the normal law 2 (1 - cdf(6)) pass instead of a half, and
    the bound is never below SCREEN_LEAST of it."""
    value = np.random.default_rng(3).normal(0, 8.0, ch.TILE)
    for z, bound in ((1.0, ch.SCREEN_LEAST), (5.5, 3.3)):
        found = ch._Screen(value.astype(np.float32), 1, noise_for(len(value)), z).passed((1,))
        share = 2 * stats.norm.sf(bound)
        off = 6 * np.sqrt(share / len(value))  # neighbours go together: 6 instead of 4 deviations
        off += 2 * bound * stats.norm.pdf(bound) * 0.06  # the quarter's own error: 4 of 1.5 %
        assert len(found) / len(value) == pytest.approx(share, abs=off)


def test_a_screen_with_few_high_places_keeps_its_threshold() -> None:
    """Just fewer than CROWDED of the places are high: the quiet ones between tell no other threshold."""
    value = np.zeros(10_000)
    rng = np.random.default_rng(4)
    value += rng.choice([-2.0, 2.0], len(value))  # moves of 0 or 4, below 6 sqrt(2)
    value[50::110] = 14.0
    found = ch._Screen(value.astype(np.float32), 1, noise_for(len(value)), 10.0).passed((1,))
    high = np.flatnonzero(np.abs(np.diff(value)) > 6 * np.sqrt(2)) + 1
    assert 0 < len(high) < ch.CROWDED * len(value)
    assert found.tolist() == high.tolist()


def naive_free(known: Ints, start: int, size: int, matched: ch._Filter, first: bool) -> bool:
    begin, end = start * size, (start + matched.span) * size
    inside = [k for k in known if begin < k < end]
    if matched.two_sided and not first:
        edges = [(start + edge) * size for edge in matched.edges]
        inside = [k for k in inside if all(abs(k - edge) > size for edge in edges)]
    return not inside


@pytest.mark.parametrize("matched", [ch.HIGH, ch.EDGES[0], ch.PULSES[0], *ch.PULSES_OF_SAMPLES[:2]], ids=str)
@pytest.mark.parametrize("size", [1, 2])
@pytest.mark.parametrize("first", [True, False])
def test_windows_are_free_of_known_changes(matched: ch._Filter, size: int, first: bool, seed: int) -> None:
    rng = np.random.default_rng(seed)
    search = search_of(np.zeros(400))
    search.is_first = first
    count = 400 // size - matched.span + 1
    for _ in range(20):
        search.known = np.sort(rng.choice(400, rng.integers(1, 30), replace=False))
        free = search._free(np.arange(count), size, matched)
        assert free.tolist() == [naive_free(search.known, k, size, matched, first) for k in range(count)]


def test_known_changes_between_are_counted_with_both_bounds() -> None:
    search = search_of(np.zeros(30))
    search.known = np.array([5, 6, 20])
    at = np.arange(30)
    wanted = [sum(k - 2 <= one <= k + 3 for one in (5, 6, 20)) for k in at]
    assert search._count(at, -2, 3).tolist() == wanted


@pytest.mark.parametrize("size", [1, 2, 8])
def test_a_step_is_placed_where_the_means_differ_most(size: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    value = rng.normal(0, 1, 300)
    search = search_of(value)
    reach = 3 * size
    at = np.array([0, size, 100, 149, 300 - size, 300])
    found = search._placed(at, size, reach)
    apart = max(size // ch.PLACES, 1)
    for start, k in zip(at.tolist(), found.tolist(), strict=True):
        tried = [min(max(start + d, reach), 300 - reach) for d in range(-size, size + 1, apart)]
        high = [abs(value[p : p + reach].sum() - value[p - reach : p].sum()) for p in tried]
        assert k in tried
        assert high[tried.index(k)] == pytest.approx(max(high))


def test_known_steps_are_taken_off_by_the_means_beside_them(seed: int) -> None:
    """Each by at most STEP_SIDE samples on either side, up to its neighbours; what wanders stays."""
    rng = np.random.default_rng(seed)
    value = np.cumsum(rng.normal(0, 1, 500))
    search = search_of(value)
    known = np.array([0, 40, 45, 300, 500])
    rest, ends = value.copy(), [0, 40, 45, 300, 500]
    for i in (1, 2, 3):
        k = ends[i]
        low, high = max(ends[i - 1], k - ch.STEP_SIDE), min(ends[i + 1], k + ch.STEP_SIDE)
        rest[k:] -= value[k:high].mean() - value[low:k].mean()
    at = np.arange(501)
    np.testing.assert_allclose(search._without_steps(known)(at), running(rest), atol=1e-8)
    np.testing.assert_array_equal(search._without_steps(known[[0, 4]])(at), search.total)


def naive_spread(value: Floats, matched: ch._Filter, size: int) -> float:
    """The lower quarter of all answers of the windows that are looked at, as a deviation; inf: too few."""
    count = len(value) // size - matched.span + 1
    apart = max(max(PIECE // size, 1) // ch.LOOKED_AT, matched.span // 4, 1)
    w = weights(matched, size)[: matched.span * size]
    answers = sorted(abs(np.dot(w, value[k * size : k * size + len(w)])) for k in range(0, count, apart))
    if len(answers) < ch.QUIET_WINDOWS:
        return float("inf")
    return float(answers[len(answers) // 4] / stats.norm.ppf(0.625))


@pytest.mark.parametrize("matched", [ch.PULSES[0], ch.EDGES[0], ch.PULSES_OF_SAMPLES[4]], ids=str)
@pytest.mark.parametrize("size", [1, 16])
def test_a_short_records_spread_is_the_quarter_of_all_its_windows(
    matched: ch._Filter, size: int, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    apart = max(PIECE // size // ch.LOOKED_AT, matched.span // 4, 1)
    for windows in (ch.QUIET_WINDOWS - 1, ch.QUIET_WINDOWS, ch.QUIET_WINDOWS + 1, 50):
        count = (windows - 1) * apart + 1
        value = rng.normal(0, 1, (count + matched.span - 1) * size)
        spread = search_of(value)._spreads(matched, size, count, NO_GAPS)
        assert spread.tolist() == [pytest.approx(naive_spread(value, matched, size))]


def test_each_pieces_spread_is_its_own() -> None:
    """White noise of 1 in the first piece and 4 in the second: each tells its own to a few percent, and a
    third with too few windows has their median."""
    rng = np.random.default_rng(9)
    value = rng.normal(0, 1, 2 * PIECE + 300)
    value[PIECE:] *= 4
    search = search_of(value)
    matched, size = ch.PULSES[0], 2
    count = len(value) // size - matched.span + 1
    spread = search._spreads(matched, size, count, NO_GAPS) / np.sqrt(matched.energy * size)
    assert spread.tolist() == pytest.approx([1.0, 4.0, 2.5], rel=0.2)  # 1024 windows: 5 % each, four of it


def naive_peaks(starts: Ints, answer: Floats) -> list[int]:
    runs: list[list[int]] = [[0]]
    for k in range(1, len(starts)):
        if starts[k] - starts[k - 1] > 2 or (answer[k] > 0) != (answer[k - 1] > 0):
            runs.append([])
        runs[-1].append(k)
    return [max(run, key=lambda k: abs(answer[k])) for run in runs]


def test_of_neighbouring_windows_the_largest_is_the_peak(seed: int) -> None:
    rng = np.random.default_rng(seed)
    for _ in range(100):
        starts = np.cumsum(rng.integers(1, 5, rng.integers(1, 20)))
        answer = rng.normal(0, 1, len(starts))
        assert ch._peaks(starts, answer).tolist() == naive_peaks(starts, answer)


@pytest.mark.parametrize(
    ("levels", "two"),
    [((0, 10, 0), True), ((0, 6, 0), True), ((0, 5.9, 0), False), ((0, 10, 10), False), ((0, 10, 4), True),
     ((0, 10, 4.1), False), ((4.1, 10, 0), False), ((0, -10, 0), True), ((10, 5, 0), False),
     ((0, 0, 0), False), ((0, -10, -4.1), False)],
)  # fmt: skip
def test_a_pulse_stands_out_on_both_sides(levels: tuple[float, float, float], two: bool) -> None:
    """Each flank reaches HALF_TOP of a threshold of 10."""
    matched = ch.PULSES[0]
    parts = [matched.side, matched.top, matched.side]
    search = search_of(np.repeat(np.array(levels, dtype=float), np.array(parts) * 2))
    has: Bools = search._has_two_flanks(np.array([0]), 2, matched, np.array([10.0]))
    assert bool(has[0]) == two


def stepped(heights: dict[int, float], samples: int) -> Floats:
    value = np.zeros(samples)
    for k, high in heights.items():
        value[k:] += high
    return value


def test_a_look_marks_what_exceeds_both_thresholds(seed: int) -> None:
    """z deviations of the means' difference, and the least change that is one; strictly."""
    z = 6.0
    bound = z * np.sqrt(2)  # of single samples
    for high, least, found in (
        (bound * 1.001, 0.0, 1),
        (bound * 0.999, 0.0, 0),
        (20.0, 20.5, 0),
        (20.0, 19.5, 1),
    ):
        search = search_of(stepped({50: high}, 100), z=z, least=least)
        search.look(ch.HIGH, 1, np.array([50]))
        assert search.known.tolist() == [50] * found
    search = search_of(stepped({50: 20.0}, 100))
    for at in ([10], [48], [52], []):  # only around the places that are asked for
        search.look(ch.HIGH, 1, np.array(at, dtype=np.int64))
        assert search.known.tolist() == []
    for at in ([49], [51]):
        search = search_of(stepped({50: 20.0}, 100))
        search.look(ch.HIGH, 1, np.array(at))
        assert search.known.tolist() == [50]


@pytest.mark.parametrize("at", [1, 2, 98, 99])
def test_an_edge_beside_the_records_ends_is_found(at: int) -> None:
    search = search_of(stepped({at: 50.0}, 100))
    search.look(ch.HIGH, 1, np.array([at]))
    assert search.known.tolist() == [at]


def test_steps_and_pulses_of_every_width_are_found_at_their_samples(seed: int) -> None:
    """Far above the noise (40 deviations of one sample): each change, and no other."""
    rng = np.random.default_rng(seed)
    for _ in range(6):
        at = np.cumsum(rng.choice([1, 2, 3, 7, 30, 100, 400, 3000], 12))
        heights = dict(
            zip(at.tolist(), (rng.choice([-1, 1], 12) * rng.uniform(40, 90, 12)).tolist(), strict=True)
        )
        samples = int(at[-1]) + int(rng.choice([1, 2, 5, 400]))
        value = stepped(heights, samples) + rng.normal(0, 1, samples)
        found = ch.find(value, running(value), NO_GAPS, noise_for(samples), 6.5, 1000, 0.0)
        assert found.tolist() == at.tolist()


@pytest.mark.parametrize("width", [1, 2, 4, 6, 12, 48, 200])
def test_a_weak_pulse_is_found_by_the_filter_of_its_width(width: int, seed: int) -> None:
    """So high that it stands out by 13 deviations over its own width, in a second tile of the record: found
    beside its edges, where z is 6.5."""
    samples, at = ch.TILE + 3000, ch.TILE + 900
    rng = np.random.default_rng(seed + width)
    high = 13 / np.sqrt(width)
    value = stepped({at: high, at + width: -high}, samples) + rng.normal(0, 1, samples)
    found = ch.find(value, running(value), NO_GAPS, noise_for(samples), 6.5, 1000, 0.0)
    assert len(found) == 2
    # A place k samples off fits better where their noise's mean is beyond h / 2: a chance below
    # exp(-h^2 k / 8) (Chernoff), once in 10^5 at the bound.
    np.testing.assert_allclose(found, [at, at + width], atol=1 + 8 * np.log(1e5) / high**2)


def test_high_steps_are_taken_off_before_wider_looks(monkeypatch: pytest.MonkeyPatch, seed: int) -> None:
    """Without noise nothing is left of them: no wider screen passes a block."""
    rng = np.random.default_rng(seed)
    at = np.cumsum(rng.integers(1, 300, 40))
    value = stepped(dict.fromkeys(at.tolist(), 30.0), int(at[-1]) + 50) + 1000.0
    passed, seen = ch._Screen.passed, []
    monkeypatch.setattr(ch._Screen, "passed", lambda *a: seen.append(passed(*a)) or seen[-1])
    ch.find(value, running(value), NO_GAPS, noise_for(len(value)), 6.5, 1000, 0.0)
    assert [len(found) for found in seen] == [len(at)] + [0] * (len(seen) - 1)
    # sums of 4 blocks of 1, 2, 4 ... samples, up to the widest, and as long as a pulse fits
    sizes = [2**k for k in range(12) if 4 * 2**k <= 1000 and len(value) >> k > ch.PULSES[-1].span]
    assert len(seen) == 1 + len(sizes)


@pytest.mark.parametrize("width", [1, 2])
def test_one_flank_found_alone_tells_where_the_other_is(width: int, seed: int) -> None:
    """Lone pulses of one and two samples, 10.5 deviations over their width: noise hides one flank of many
    from the narrowest edge filter. One in a hundred is lost: more than six of sixty once in 10^5."""
    lost, high = 0, 10.5 / np.sqrt(width)
    for k in range(60):
        rng = np.random.default_rng((seed, k))
        value = stepped({900: high, 900 + width: -high}, 1800) + rng.normal(0, 1, 1800)
        lost += len(ch.find(value, running(value), NO_GAPS, noise_for(1800), 6.5, 1000, 0.0)) != 2
    assert lost <= 6


def test_a_gap_is_no_change_and_no_window_spans_it(seed: int) -> None:
    """The level before a gap says nothing of the one behind it: a step right there is none, one beside is."""
    rng = np.random.default_rng(seed)
    value = stepped({300: 50.0, 640: 50.0}, 1000) + rng.normal(0, 1, 1000)
    found = ch.find(value, running(value), np.array([300]), noise_for(1000), 6.5, 200, 0.0)
    assert found.tolist() == [640]
