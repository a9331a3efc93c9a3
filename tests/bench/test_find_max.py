"""What findable says that MAX shows is looked for on a meter in line, in runs of the real firmware."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path

import pytest
from nightdraw.bench import drive, findable, metering
from nightdraw.vehicle import script
from nightdraw.vehicle.model import BATTERY

from tests.bench.test_find_recordings import Case, S, case


def seen_by_max(one: Case, row: findable.Method) -> bool:
    """Whether MAX rises over what the vehicle's own life shows by two steps of the display, in a run with one
    pulse."""
    meter = one.kit.meter
    assert meter is not None
    scale = meter.range_for(row.settings["range_a"])
    assert scale is not None
    first = next(draw for draw in one.made.draws).first_ticks
    wanted = drive.Drive(first + round(one.on_s * S) + S, (BATTERY,), seed=one.seed, fronts=drive.ideal)
    exact = dataclasses.replace(meter, accuracy=0.0)
    highest = [
        metering.in_line(one.car, boxes, wanted, script.EMPTY, exact, scale).max_shown
        for boxes in (one.boxes(), [])
    ]
    assert highest[0] is not None
    assert highest[1] is not None
    return highest[0] - highest[1] - one.made.base_ua() / 1000 >= 2 * scale.step_a * 1000 - 1e-6


def check_max(tmp_path: Path, seeds: range) -> tuple[int, int, int]:
    """(verdicts that it shows, those of them that a run with one pulse doesn't bear out, verdicts that it
    doesn't) over made-up faults."""
    yes = missed = no = 0
    for seed in seeds:
        one = case(tmp_path, seed, ["basic", "workshop", "laboratory"])
        row = one.search.methods()[0]
        assert one.kit.meter is not None
        if row.shows:
            yes += 1
            missed += not seen_by_max(one, row)
        elif "range_a" in row.settings and _best_of_max(one) < 0.8 * _floor_of_max(one, row):
            no += 1
            assert not seen_by_max(one, row), f"seed {seed}: {row.why}"
    return yes, missed, no


def _best_of_max(one: Case) -> float:
    """The most of the pulse that one capture can hold, mA."""
    assert one.kit.meter is not None
    return one.draw_ma * min(1.0, one.on_s / one.kit.meter.capture_s)


def _floor_of_max(one: Case, row: findable.Method) -> float:
    """Two steps of the display, mA: below them nothing can be told apart, twitches or not."""
    assert one.kit.meter is not None
    scale = one.kit.meter.range_for(row.settings["range_a"])
    assert scale is not None
    return 2 * scale.step_a * 1000


def test_what_max_is_said_to_show_it_shows(tmp_path: Path) -> None:
    yes, missed, _ = check_max(tmp_path, range(200, 206))
    assert yes >= 1
    assert missed == 0


@pytest.mark.campaign
def test_max_shows_what_is_said_in_95_of_100(tmp_path: Path) -> None:
    yes, missed, no = check_max(tmp_path, range(300, 400))
    assert yes >= 25
    # 5 % of the pulses may straddle two captures worse than was said; three standard errors of that
    assert missed <= 0.05 * yes + 3 * math.sqrt(0.05 * 0.95 * yes)
    assert no >= 3
