"""The recorder that edges tell, and how sure instants are: hand-worked rows and simulated edges."""

from __future__ import annotations

import numpy as np
import pytest
from nightdraw.capture import transitions as tr
from nightdraw.capture.seen import Floats

SHARP = tr.Recorder(0.0, False, 0.01, 0.5)


def rows(count: int, **columns: float | Floats) -> tr.Transitions:
    """Alike but for some columns: edges of 100 with noise of 1, far from each other."""
    usual: dict[str, float | Floats] = {
        "before": 0.0, "after": 100.0, "n_before": 400.0, "n_after": 100.0, "at_s": np.arange(count) * 1.0,
        "at_u": np.nan, "sigma": 1.0, "bias": 0.0, "slope": 100.0, "smooth": 1.0, "inside": 0.0,
    }  # fmt: skip
    names = tr.Transitions.__dataclass_fields__
    return tr.Transitions(
        **{name: np.broadcast_to((usual | columns).get(name, 0.0), count).astype(float) for name in names}
    )


def u_of(recorder: tr.Recorder, **columns: float | Floats) -> float:
    """The standard uncertainty of one row's instant, in samples."""
    at_s, u_s = tr.instants(rows(1, **columns), recorder)
    assert at_s.tolist() == [0.0]
    return float(u_s[0] / recorder.interval_s)


def levels_u(slope: float = 100.0, bias: float = 0.0) -> float:
    """Half of what both levels leave of the height, by the slope."""
    return float(np.sqrt(1 / 400 + 1 / 100 + 2 * bias**2) / 2 / slope)


def test_a_sharp_edge_lies_anywhere_between_two_samples() -> None:
    """1 / sqrt(12) (uniform law), what noise adds, and the levels' own."""
    wanted = np.sqrt(1 / 12 + 0.007**2 + 0.0007**2 + levels_u() ** 2)
    assert u_of(SHARP) == pytest.approx(wanted)
    assert u_of(SHARP, after=-100.0) == pytest.approx(wanted)
    weak = np.sqrt(1 / 12 + 0.07**2 + 0.07**2 + levels_u() ** 2)
    assert u_of(SHARP, after=10.0) == pytest.approx(weak)
    assert u_of(SHARP, sigma=10.0) == pytest.approx(
        np.sqrt(1 / 12 + 0.07**2 + 0.07**2 + (10 * levels_u()) ** 2)
    )
    biased = np.sqrt(1 / 12 + 0.007**2 + 0.0007**2 + levels_u(bias=3.0) ** 2)
    assert u_of(SHARP, bias=3.0) == pytest.approx(biased)


def test_a_recorder_that_averages_tells_the_share_unless_noise_hides_it() -> None:
    averages = tr.Recorder(0.0, True, 0.01, 0.5)
    half = 0.06 + (1 / np.sqrt(12) - 0.06) * 6 / 12
    for high, place in (
        (100.0, 0.06 + (1 / np.sqrt(12) - 0.06) * 0.06),
        (12.0, half),
        (3.0, 1 / np.sqrt(12)),
    ):
        wanted = np.sqrt(place**2 + (0.7 / high) ** 2 + (7 / high**2) ** 2 + levels_u() ** 2)
        assert u_of(averages, after=high) == pytest.approx(wanted)


@pytest.mark.parametrize(("width", "noise_u"), [(2.4, 0.7), (2.6, 4.2 * np.sqrt(2.6)), (9.0, 12.6)])
def test_a_wide_edge_may_be_anywhere_in_it(width: float, noise_u: float) -> None:
    wide = tr.Recorder(0.0, False, 0.01, width)
    wanted = np.sqrt(1 / 12 + (noise_u / 10) ** 2 + 0.07**2 + levels_u() ** 2)
    assert u_of(wide, after=10.0) == pytest.approx(wanted)


def test_a_smoothed_edge_is_as_sure_as_its_slope() -> None:
    wanted = np.sqrt((1 / 3 / 5) ** 2 + 0.06**2 + levels_u(5.0) ** 2)
    assert u_of(SHARP, smooth=9.0, slope=5.0) == pytest.approx(wanted)
    assert u_of(SHARP, at_u=0.4) == pytest.approx(np.hypot(0.4, 0.06))


@pytest.mark.parametrize("high", [8.0, 20.0])
def test_the_place_of_a_sharp_edge_is_as_sure_as_is_told(high: float, seed: int) -> None:
    """Edges at random between samples, split where least squares put them: the rms of 2000 is no more than
    what is told, and no less than half of it (a deviation of 2000 draws is known to 2 %)."""
    rng = np.random.default_rng(seed)
    true = rng.uniform(-0.5, 0.5, 2000)
    k = np.arange(-20, 20)
    value = high * (k[None, :] > true[:, None]) + rng.normal(0, 1, (2000, 40))
    total = np.cumsum(value, axis=1)
    split = np.arange(1, 40)
    excess = total[:, :-1] - total[:, -1:] * split / 40
    best = k[np.argmax(excess**2 / (split * (40 - split)), axis=1)] + 0.5
    rms = float(np.sqrt(np.mean((best - true) ** 2)))
    told = u_of(SHARP, after=high)
    assert 0.5 * told < rms < 1.06 * told


@pytest.mark.parametrize(
    ("count", "inside", "after", "averages"),
    [(3, 1.0, 100.0, True), (2, 1.0, 100.0, False), (3, 0.0, 100.0, False), (3, 1.0, 29.0, False),
     (3, 1.0, -31.0, True)],
)  # fmt: skip
def test_samples_inside_strong_edges_tell_that_a_recorder_averages(
    count: int, inside: float, after: float, averages: bool
) -> None:
    found = scan_of(rows(count, inside=inside, after=after))
    recorder = tr.recorder_of(found)
    assert recorder == tr.Recorder(3.0 * 0.1, averages, 0.1, 2.5)


def test_more_than_half_of_the_strong_edges_must_have_samples_inside() -> None:
    """Those in gaps and weak ones have no say."""
    nan = np.nan
    for inside, at_s, after, averages in (
        ([1, 1, 0, 0], [0, 1, 2, 3], [100.0] * 4, False),
        ([1, 1, 1, 0], [0, 1, 2, 3], [100.0] * 4, True),
        ([1, 1, 1, 0, 0, 0], [0, 1, 2, 3, nan, nan], [100.0] * 6, True),
        ([1, 1, 1, 0, 0, 0], [0, 1, 2, 3, 4, 5], [100.0] * 4 + [5.0] * 2, True),
        ([1, 1, 0], [nan, 1, 2], [100.0] * 3, False),
    ):
        t = rows(len(inside), inside=np.array(inside), at_s=np.array(at_s), after=np.array(after))
        assert tr.recorder_of(scan_of(t)).averages == averages


def scan_of(t: tr.Transitions, samples: int = 10) -> tr.Scan:
    return tr.Scan(
        t,
        tr.empty(tr.Trace),
        tr.empty(tr.Pieces),
        samples,
        0.0,
        9.0,
        0.1,
        1.0,
        0.0,
        0.0,
        35.0,
        6.0,
        10,
        3.0,
        2.5,
    )


def test_the_mean_is_of_all_samples() -> None:
    assert scan_of(rows(1)).mean == 3.5
    assert scan_of(rows(1), samples=0).mean == 0.0
    assert rows(2, before=3.0, after=5.0).height.tolist() == [2.0, 2.0]
