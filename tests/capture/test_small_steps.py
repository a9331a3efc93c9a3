"""Small steps of the capture by hand: what is surely found, what a base stands for, the worst edge of a
replay, what a file without a unit or a header is told."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from nightdraw.capture import fuses, pulses
from nightdraw.capture import replay as rp
from nightdraw.capture import seen as sn
from nightdraw.capture.read import from_arrays, open_recording
from nightdraw.errors import InputError

from tests.capture.by_hand import Change, seen_of


def sure(**columns: float) -> sn.Seen:
    usual = {"z": 6.4, "noise": 1.0, "least_change": 2.0, "wander": 0.0}
    return replace(seen_of([], 10.0), **(usual | columns))


@pytest.mark.parametrize(
    ("level", "due_s"),
    [
        (2.0, np.inf),  # no more than the least change
        (2.001, 0.037),  # (6.4 + 3.1) 1.27 / 2.001 = 6.03, squared 36.4: 37 samples
        (3.0, 0.017),
        (12.065, 0.002),  # one sample is a spike
        (500.0, 0.002),
    ],
)
def test_the_shortest_pulse_that_is_surely_found(level: float, due_s: float) -> None:
    assert sure().shortest_s(level) == pytest.approx(due_s)


@pytest.mark.parametrize(
    ("lasting_s", "wander", "due"),
    [
        (0.016, 0.0, 12.065 / 4),  # 16 samples
        (1e-4, 0.0, 12.065),  # one at least
        (0.9, 0.0, 2.0),
        (0.9, 10.0, 27.0),  # three times what the base moves by in its time
    ],
)
def test_the_least_pulse_that_is_surely_found(lasting_s: float, wander: float, due: float) -> None:
    assert sure(wander=wander).least(lasting_s) == pytest.approx(due)


def test_what_was_not_judged_counts_once(seed: int) -> None:
    """Against the union of the spans on a grid of tenths."""
    rng = np.random.default_rng(seed)
    for _ in range(20):
        begin = rng.integers(0, 90, 6)
        end = begin + rng.integers(1, 25, 6)
        spans = tuple(sn.Span(a / 10, b / 10, sn.NOISE) for a, b in zip(begin, end, strict=True))
        covered = {k for a, b in zip(begin.tolist(), end.tolist(), strict=True) for k in range(a, b)}
        assert replace(sure(), unjudged=spans).unjudged_s == pytest.approx(len(covered) / 10)
    assert sure().unjudged_s == 0.0
    assert sure().length_s == pytest.approx(10.001)


def test_an_instant_of_the_base_stands_for_half_the_way_to_both_neighbours() -> None:
    seen = sure()
    lasting_s = pulses._lasting(np.array([0.0, 1.0, 3.0, 3.0, 6.0]), seen)
    assert lasting_s.tolist() == [0.5, 1.5, 1.0, 1.5, 1.5]
    assert pulses._lasting(np.array([0.0, 0.0, 4.0]), seen).tolist() == [
        5e-4,
        2.0,
        2.0,
    ]  # half a sample at least
    assert pulses._lasting(np.array([7.0]), seen).tolist() == [1.0]
    assert len(pulses._lasting(np.empty(0), seen)) == 0


def test_the_base_is_the_level_of_half_of_the_time() -> None:
    level, weight = np.array([5.0, 1.0, 9.0, 3.0]), np.array([2, 3, 4, 1])
    copies = np.sort(np.repeat(level, weight))
    assert pulses._median(level, weight.astype(float)) == copies[4]  # of ten the fifth
    assert pulses._median(np.array([4.0]), np.array([0.1])) == 4.0


def test_of_a_base_that_falls_asleep_the_last_third_counts() -> None:
    t_s = np.linspace(0.0, 90.0, 91)
    for levels, asleep in (((10.0, 6.0, 5.0), True), ((10.0, 6.0, 6.5), False), ((10.0, 9.9, 5.0), False),
                           ((5.0, 6.0, 10.0), False), ((6.0, 6.0, 6.0), False)):  # fmt: skip
        level = np.array(levels)[np.minimum((t_s / 30).astype(int), 2)]
        due = t_s >= 60 if asleep else np.ones(91, dtype=bool)
        assert pulses._settled(t_s, level).tolist() == due.tolist()
    assert pulses._settled(np.array([0.0, 9.0]), np.array([9.0, 1.0])).tolist() == [True, True]


@pytest.mark.parametrize(("height", "noise", "told"), [
    (9.9, 0.1, False), (10.0, 0.1, True), (17.9, 3.0, False), (18.1, 3.0, True), (-10.1, 0.1, True),
])  # fmt: skip
@pytest.mark.parametrize("which", ["made", "shown"])
def test_an_edge_of_a_tenth_of_the_peak_and_six_times_the_noise_must_be_there(
    height: float, noise: float, told: bool, which: str
) -> None:
    """An edge that the played recording hasn't got is missing where it is so high."""
    large = [Change(2.0, 0.0, 100.0), Change(3.0, 100.0, 0.0)]
    noises = {name: noise if name == which else 0.1 for name in ("made", "shown")}
    recorded = seen_of([*large, Change(5.0, 20.0, 20.0 + height)], 9.0, noise=noises["made"])
    earlier = [Change(change.at_s - 1.0, change.before, change.after) for change in large]
    played = seen_of(earlier, 9.0, noise=noises["shown"])
    made = SimpleNamespace(
        seen=recorded, sharp=np.ones(3, dtype=bool), peak_ma=100.0, at_s=np.array([1.0, 8.0])
    )
    found = rp._worst_edge(made, played)  # type: ignore[arg-type]
    assert found == (None if told else pytest.approx(0.0))


def test_a_recording_without_a_drop_names_nobody() -> None:
    clamp = from_arrays(np.arange(9) / 1000, np.zeros(9))
    with pytest.raises(InputError) as caught:
        fuses.culprit([fuses.Capture(clamp, ())], None)
    assert caught.value.findings[0].message == "no recording has a drop across a fuse"
    assert caught.value.findings[0].file == clamp.name


def test_values_without_a_unit_that_may_be_amperes_are_said_in_both(tmp_path: Path) -> None:
    path = tmp_path / "r.csv"
    path.write_text("".join(f"{k / 100:.2f},{2500 + k % 2}\n" for k in range(200)))
    with pytest.raises(InputError, match=r"no unit is named: 250[01](\.\d)? may be amperes or milliamperes"):
        list(open_recording(path).blocks())


@pytest.mark.parametrize("blank", [0, 1, 2])
def test_a_line_that_is_no_header_is_told_by_its_number(tmp_path: Path, blank: int) -> None:
    path = tmp_path / "r.csv"
    rows = "".join(f"{k / 100:.2f},{k % 2}\n" for k in range(200))
    path.write_text("\n" * blank + "one,two,three,four,five\n" + rows)
    with pytest.raises(InputError) as caught:
        list(open_recording(path).blocks())
    assert caught.value.findings[0].line == blank + 1
