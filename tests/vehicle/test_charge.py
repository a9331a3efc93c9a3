"""The battery's charge: what is drawn is what goes, to the last box's pulse."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from boxcore import program as pg
from hypothesis import given, settings
from hypothesis import strategies as st
from nightdraw.bench import drive
from nightdraw.bench.rig import Stretch
from nightdraw.bench.setup import build
from nightdraw.vehicle.model import Vehicle
from nightdraw.vehicle.script import Script
from nightdraw.vehicle.simulated import SLOW_TICKS

from tests.bench.support import program
from tests.vehicle.circuits import BATTERY, S, scripts, vehicle, vehicles

PULSED = program((pg.STEADY, 40_000), (pg.PULSE, 350_000, 700, 3_000, 123))


def ampere_seconds(truth: Stretch, stop: int) -> float:
    """Of the first channel, up to a tick."""
    ends = np.append(truth.ticks[1:], truth.stop).clip(max=stop)
    return float((truth.levels[:, 0] * (ends - truth.ticks).clip(min=0)).sum()) / S


@given(st.data())
@settings(max_examples=25, deadline=None)
def test_what_was_drawn_is_what_is_gone(data: st.DataObject) -> None:
    made: Vehicle = data.draw(vehicles())
    cell = replace(BATTERY, self_discharge_pct=0.0)
    made = vehicle(**{**vars(made), "battery": cell, "charger": None, "alternator": None})
    plan: Script = data.draw(scripts(made, 60 * S))
    boxes = [drive.Placed("s0", PULSED, build(seed=1), 1)]
    run = drive.VehicleRecording(made, boxes, drive.Drive(100 * S, ("battery",)), plan, lambda text: None)
    rig = run.rig
    rig.advance(10 * SLOW_TICKS)
    drawn_ah = ampere_seconds(rig.take(), 10 * SLOW_TICKS) / 3600
    gone_ah = (BATTERY.charge_pct - rig.simulated.charge_pct) / 100 * cell.capacity_ah
    assert gone_ah == pytest.approx(drawn_ah, rel=1e-9, abs=1e-9)
