"""The battery sensor: it notes a draw exactly when the means say so, sheds, and lets on again by its rule."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import event, given, settings
from hypothesis import strategies as st
from nightdraw.bench.rig import Rig
from nightdraw.vehicle.model import Module, Sensor, Stage, Vehicle
from nightdraw.vehicle.script import EMPTY, Event, Script
from nightdraw.vehicle.simulated import SLOW_TICKS

from tests.vehicle.circuits import BATTERY, S, vehicle

ABOVE_A, AFTER_TICKS = 0.3, 60 * S
LIGHT, HEAVY = 0.05, 0.8  # asleep draws below and above what is noted


def watched(*modules: Module, charge_pct: float = 85.0, sheds_below: float = 0.0) -> Vehicle:
    return vehicle(
        modules=modules,
        battery=replace(BATTERY, charge_pct=charge_pct, self_discharge_pct=0.0, capacity_ah=1.0),
        sensor=Sensor(ABOVE_A, AFTER_TICKS, sheds_below),
        charger=None,
    )


class Heard:
    """A rig, and what its sensor said with the tick of it."""

    def __init__(self, made: Vehicle, plan: Script = EMPTY, channels: tuple[str, ...] = ("battery",)) -> None:
        self.said: list[tuple[int, str]] = []
        self.rig = Rig(made, [], channels, plan, say=self.hear)

    def hear(self, text: str) -> None:
        self.said.append((self.rig.tick, text))

    def ticks(self, words: str) -> list[int]:
        return [tick for tick, text in self.said if words in text]


def engine_steps(plan: Script, steps: int, crank_ticks: int) -> set[int]:
    """The steps in which the engine was cranked or ran, be it for an instant."""
    found: set[int] = set()
    for each in plan.events:
        if each.action == "engine":
            last = each.at_ticks + crank_ticks + each.ticks
            found |= set(range(each.at_ticks // SLOW_TICKS, last // SLOW_TICKS + 1))
    return {step for step in found if step < steps}


@st.composite
def lives(draw: st.DrawFn) -> tuple[Vehicle, Script]:
    """A module that is heavy or light for a while at each door, and an engine that may run."""
    stages = tuple(
        Stage(draw(st.sampled_from([LIGHT, HEAVY, 0.29, 0.31])), draw(st.integers(1, 60)) * S + 137)
        for _ in range(draw(st.integers(1, 5)))
    )
    asleep = draw(st.sampled_from([LIGHT, HEAVY]))
    doors = draw(st.lists(st.integers(1, 500), max_size=4))
    events = [Event(at * S, "door", "opens") for at in doors]
    if draw(st.booleans()):
        at = draw(st.integers(1, 400)) * S + 7  # never in the tick of a step
        events.append(Event(at, "engine", "", draw(st.integers(1, 60)) * S))
    events.sort(key=lambda each: each.at_ticks)
    made = watched(Module("m", "F1", stages, asleep, ("door",), False))
    return replace(made, battery=replace(made.battery, capacity_ah=60.0)), Script("s", False, tuple(events))


@given(lives())
@settings(max_examples=60, deadline=None)
def test_it_notes_exactly_when_the_mean_has_been_above_for_the_time(life: tuple[Vehicle, Script]) -> None:
    made, plan = life
    steps = 60
    heard = Heard(made, plan)
    heard.rig.advance(steps * SLOW_TICKS)
    truth = heard.rig.take()
    corners = np.append(truth.ticks, truth.stop)
    total = np.concatenate(([0.0], np.cumsum(truth.levels[:, 0] * np.diff(corners))))
    edges = np.interp(np.arange(steps + 1) * SLOW_TICKS, corners, total)
    means = np.diff(edges) / SLOW_TICKS
    assert made.starter is not None
    running = engine_steps(plan, steps, made.starter.ticks)
    expected, count = [], 0
    for step, mean in enumerate(means):
        count = count + 1 if mean > ABOVE_A and step not in running else 0
        if count == AFTER_TICKS // SLOW_TICKS:
            expected.append((step + 1) * SLOW_TICKS)
    assert heard.ticks("notes a draw") == expected
    event(f"notes {len(expected)}, engine {bool(running)}")


def test_cranking_is_no_draw_that_lasts() -> None:
    """An engine that stalls at once leaves a mean of 12 A in its step: it doesn't count."""
    made = watched(Module("m", "F1", (), LIGHT, (), False))
    made = replace(made, sensor=Sensor(ABOVE_A, SLOW_TICKS, 0.0), alternator=None)
    heard = Heard(made, Script("s", False, (Event(12 * S, "engine", "", 1 * S),)))
    heard.rig.advance(200 * S)
    assert not heard.ticks("notes a draw")
    assert heard.rig.take().levels[:, 0].max() > 100


SHED = (
    Module("radio", "F1", (Stage(0.6, 30 * S),), 0.4, ("door",), True),
    Module("alarm", "F2", (), 0.1, (), False),
)


def test_what_is_shed_is_gone_from_the_recording() -> None:
    made = watched(*SHED, charge_pct=50.2, sheds_below=50.0)
    heard = Heard(made, channels=("battery", "F1", "F2"))
    heard.rig.advance(600 * S)
    truth = heard.rig.take()
    (at,) = heard.ticks("sheds radio")
    assert not heard.ticks("alarm")
    # 0.5 A out of 1 Ah: 0.2 % are gone after 14.4 s, and the sensor looks every ten
    assert at == 2 * SLOW_TICKS
    before, after = truth.ticks < at, truth.ticks >= at
    assert truth.levels[before, 0] == pytest.approx(0.5)
    assert truth.levels[after, 0] == pytest.approx(0.1)
    assert not truth.levels[after, 1].any()
    assert truth.levels[after, 2].all()


def stages_and_draws(events: tuple[Event, ...], seconds: tuple[int, ...]) -> list[float]:
    made = watched(*SHED, charge_pct=50.1, sheds_below=50.0)
    heard = Heard(made, Script("s", False, events))
    found = []
    for second in seconds:
        heard.rig.advance(second * S)
        heard.rig.network.solve()
        found.append(round(heard.rig.network.branches[0].current_a, 9))
    return found


def test_no_door_wakes_what_is_shed() -> None:
    assert stages_and_draws((Event(40 * S, "door", "opens"),), (5, 35, 45)) == [0.4, 0.0, 0.0]


def test_a_fuse_pulled_and_put_back_leaves_it_shed() -> None:
    events = (Event(40 * S, "pull", "F1"), Event(50 * S, "back", "F1"))
    assert stages_and_draws(events, (5, 35, 45, 55, 100)) == [0.4, 0.0, 0.0, 0.0, 0.0]


def test_shed_while_its_fuse_is_out_it_stays_off_when_that_is_put_back() -> None:
    made = watched(*SHED, charge_pct=50.02, sheds_below=50.0)
    events = (Event(2 * S, "pull", "F1"), Event(50 * S, "back", "F1"))
    heard = Heard(made, Script("s", False, events))
    heard.rig.advance(60 * S)
    assert heard.ticks("sheds radio") == [SLOW_TICKS]
    assert heard.rig.network.branches[0].current_a == 0


def test_it_comes_on_again_once_the_engine_has_run() -> None:
    made = watched(*SHED, charge_pct=50.1, sheds_below=50.0)
    made = replace(made, battery=replace(made.battery, no_start_pct=10.0))
    heard = Heard(made, Script("s", False, (Event(65 * S, "engine", "", 1500 * S),)))
    heard.rig.advance(64 * S)
    assert heard.rig.network.branches[0].current_a == 0
    heard.rig.advance(65 * S + 4000)
    assert heard.rig.network.branches[0].current_a == 0  # cranking alone is no start
    heard.rig.advance(80 * S)
    assert heard.ticks("lets on again radio") == [65 * S + 8000]
    assert heard.rig.network.branches[0].current_a == pytest.approx(0.6)
    heard.rig.advance(1700 * S)
    assert heard.rig.simulated.charge_pct > 50
    assert heard.rig.network.branches[0].current_a == pytest.approx(0.4)  # charged meanwhile: not shed again


def test_an_engine_that_does_not_start_lets_nothing_on() -> None:
    made = watched(*SHED, charge_pct=50.1, sheds_below=50.0)  # at less than half it doesn't start
    heard = Heard(made, Script("s", False, (Event(65 * S, "engine", "", 100 * S),)))
    heard.rig.advance(100 * S)
    assert not heard.ticks("lets on again")
    assert heard.rig.network.branches[0].current_a == 0


def test_a_charger_alone_lets_nothing_on() -> None:
    made = watched(*SHED, charge_pct=50.1, sheds_below=50.0)
    made = replace(made, charger=vehicle().charger)
    heard = Heard(made, Script("s", False, (Event(65 * S, "charger", "on"),)))
    heard.rig.advance(400 * S)
    assert heard.rig.simulated.charge_pct > 51
    assert heard.rig.network.branches[0].current_a == 0
