"""What a picture shows: no spike lost, no range flattened, ticks at times that people use."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.figure import Figure
from nightdraw.report import chart as ch
from nightdraw.report import still


def band_of(t_s: ch.Floats, value: ch.Floats, most: int = 4096, pieces: int = 1) -> ch.Band:
    decimator = ch.Decimator(most)
    for part in zip(np.array_split(t_s, pieces), np.array_split(value, pieces), strict=True):
        decimator.add(*part)
    return decimator.band()


@given(
    seed=st.integers(0, 1 << 20),
    most=st.integers(8, 300),
    count=st.integers(2, 5000),
    pieces=st.integers(1, 7),
    coarser=st.integers(1, 400),
)
def test_every_extreme_survives_where_it_was(
    seed: int, most: int, count: int, pieces: int, coarser: int
) -> None:
    rng = np.random.default_rng(seed)
    t_s, value = np.sort(rng.uniform(5, 15, count)), rng.normal(0, 100, count)
    whole = band_of(t_s, value, most, min(pieces, count))
    for band in (whole, whole.coarser(coarser)):
        assert len(band.low) <= most
        assert np.nanmax(band.high) == value.max()
        assert np.nanmin(band.low) == value.min()
        for found, at_s in (
            (np.nanargmax(band.high), t_s[value.argmax()]),
            (np.nanargmin(band.low), t_s[value.argmin()]),
        ):
            assert abs(band.begin_s + (found + 0.5) * band.width_s - at_s) <= band.width_s / 2 + 1e-9
    assert whole.samples == count


def test_each_sample_of_a_short_record_has_its_column_and_place() -> None:
    t_s, value = 3 + np.arange(1000) / 100, np.random.default_rng(1).normal(0, 1, 1000)
    band = band_of(t_s, value, pieces=3)
    assert np.array_equal(band.low, value)
    assert np.array_equal(band.high, value)
    assert band.begin_s + band.width_s * (np.arange(1000) + 0.5) == pytest.approx(t_s)


def test_a_gap_stays_a_gap_and_unsteady_samples_are_none() -> None:
    t_s = np.concatenate((np.arange(500), 700 + np.arange(500))) / 100
    shape = band_of(t_s, np.ones(1000)).line(400)
    assert np.count_nonzero(np.isnan(shape.low)) == 1
    shaken = np.sort(np.arange(1000) / 100 + np.random.default_rng(2).uniform(0, 0.006, 1000))
    assert not np.isnan(band_of(shaken, np.ones(1000)).line(400).low).any()


def reach(value: ch.Floats, unit: str = "mA") -> tuple[float, float]:
    return ch.usual_range(band_of(np.arange(len(value)) / 100, value), unit)


def drain() -> ch.Floats:
    """40 mA with noise, 350 mA for 0.7 s every 75 s, for 20 minutes."""
    t_s = np.arange(120_000) / 100
    return 40 + 350.0 * (t_s % 75 < 0.7) + np.random.default_rng(3).normal(0, 1, len(t_s))


def test_one_crank_does_not_flatten_a_drain() -> None:
    value = drain()
    value[60_000:60_120] = np.linspace(400_000, 90_000, 120)
    value[60_120:60_400] = 6000 * np.exp(-np.arange(280) / 60)
    bottom, top = reach(value)
    assert 390 < top < 10 * 400, "the drain takes at least a tenth of the height"
    assert bottom <= 0


def test_an_open_fuse_socket_does_not_flatten_a_drop() -> None:
    value = drain() * 0.0077
    value[30_000:39_000] = 12_500.0
    assert 3 < reach(value, "mV")[1] < 35


def test_what_is_there_for_long_is_in_the_range() -> None:
    value = drain()
    value[40_000:80_000] -= 9000  # the engine runs for a third of the time
    assert reach(value)[0] < -8900


@pytest.mark.parametrize("level_ma", [3.0, 60.0, 900.0])
def test_a_single_pulse_above_a_quiet_base_is_in_the_range(level_ma: float) -> None:
    value = np.full(100_000, 15.0)
    value[5000:5010] += level_ma
    assert reach(value)[1] > 15 + level_ma


@pytest.mark.parametrize(
    ("end_s", "most", "told"),
    [
        (3 * 3600.0, 4, ["0 h", "1 h", "2 h", "3 h"]),
        (6 * 3600.0, 2, ["0 h", "3 h", "6 h"]),
        (24 * 3600.0, 5, ["0 h", "6 h", "12 h", "18 h", "24 h"]),
        (3600.0, 4, ["0 min", "15 min", "30 min", "45 min", "60 min"]),
        (3 * 3600.0, 12, [f"{h}:{m} h" for h in range(3) for m in ("00", "15", "30", "45")] + ["3:00 h"]),
        (600.0, 5, ["0 min", "2 min", "4 min", "6 min", "8 min", "10 min"]),
        (150.0, 5, ["0:00 min", "0:30 min", "1:00 min", "1:30 min", "2:00 min", "2:30 min"]),
        (1.0, 5, ["0.0 s", "0.2 s", "0.4 s", "0.6 s", "0.8 s", "1.0 s"]),
    ],
)
def test_ticks_stand_at_times_that_people_use(end_s: float, most: int, told: list[str]) -> None:
    at_s, step_s = ch.ticks(0.0, end_s, most)
    assert [ch.label(t_s, step_s, end_s) for t_s in at_s] == told


def test_a_tick_that_rounds_up_says_so_in_minutes() -> None:
    assert ch.label(59.9996, 0.001, 300.0) == "1:00.000 min"
    assert ch.label(3661.25, 0.01, 9000.0) == "1:01:01.25 h"
    assert ch.label(-30.0, 1.0, 100.0) == "-30 s"


def test_histograms_count_all_and_say_so_in_words() -> None:
    values = np.concatenate((np.full(30, 0.7), np.full(20, 0.25), [400.0]))
    found = ch.histogram("durations", values)
    assert found is not None
    assert found.counts.sum() == 51
    assert found.ratio, "one of minutes must not put all others into one bar"
    assert found.text == "51: 250 ms to 6.667 min, median 700 ms"
    assert np.count_nonzero(found.counts) == 3
    same = ch.histogram("gaps", np.full(9, 75.0))
    assert same is not None
    assert same.counts.tolist() == [9]
    assert ch.histogram("gaps", np.array([1.0])) is None


def test_a_pictures_labels_stand_one_under_the_other_left_of_all_numbers(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As drawn: numbers of one digit and of five, so that the widest of them sets the place."""
    figures: list[Figure] = []
    monkeypatch.setattr(Figure, "savefig", lambda self, *_, **__: figures.append(self))
    t_s = np.linspace(0, 10, 200)
    strips = [
        ch.Strip(name, unit, band_of(t_s, most * (1 + np.sin(t_s))))
        for name, unit, most in (("a", "mA", 3.0), ("b", "mV", 0.0031), ("c", "mA", 600.0))
    ]
    still.draw(tmp_path / "p.png", ch.Chart("title", "note", tuple(strips), 0.0, 10.0))
    (figure,) = figures
    figure.draw_without_rendering()
    labels = [panel.yaxis.label.get_window_extent() for panel in figure.axes]
    numbers = [text.get_window_extent().x0 for panel in figure.axes for text in panel.get_yticklabels()]
    assert len({round(label.x1, 3) for label in labels}) == 1
    assert labels[0].x1 <= min(numbers) < labels[0].x1 + 0.25 * figure.dpi
    assert labels[0].x0 >= 0
