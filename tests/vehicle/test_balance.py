"""Charge and energy over batteries' whole lives: drained by modules and boxes to their end and through
brown-outs, charged, cranked, driven, with leaks, a meter in the cable and a second battery.

What flows is summed up here a second time, from voltages at the posts; the bench's own counters aren't asked.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, replace
from itertools import pairwise

import pytest
from boxcore import program as pg
from nightdraw.bench.boxlog import BoxLog
from nightdraw.bench.rig import Rig
from nightdraw.bench.setup import build
from nightdraw.vehicle import battery, model
from nightdraw.vehicle.model import Battery, Defect, Lamp, Module, Relay, Second, Source, Stage, Vehicle
from nightdraw.vehicle.script import Event, Script

from tests.bench.support import program
from tests.vehicle.circuits import BATTERY, S, vehicle

HOUR = 3600 * S
STEP = 10 * S  # the charge is brought up to date this often, and the open-circuit voltage with it
FOR_HOURS = 25


@dataclass
class Cell:
    """What one battery gave and took: ampere-hours, and watt-hours at its open-circuit voltage.

    slack_wh: by how much a voltage that stands still within each slow step may misjudge the latter."""

    spec: Battery
    out_ah: float = 0.0
    in_ah: float = 0.0
    gone_wh: float = 0.0
    slack_wh: float = 0.0

    def flows(self, amps: float, rest_v: float, hours: float) -> None:
        """amps: out of it, below 0 into it."""
        self.out_ah += max(amps, 0.0) * hours
        self.in_ah -= min(amps, 0.0) * hours
        stored = battery.STORED[self.spec.type] if amps < 0 else 1.0
        self.gone_wh += rest_v * amps * stored * hours

    @property
    def gone_ah(self) -> float:
        """What it lost: of what entered only a part was stored."""
        return self.out_ah - battery.STORED[self.spec.type] * self.in_ah

    def held_wh(self, charge_pct: float) -> float:
        """The energy that it holds: the integral of its open-circuit voltage, which has straight pieces."""
        points = [pct for pct, _ in battery.OCV_V[self.spec.type]]
        ends = sorted({0.0, charge_pct, *(float(pct) for pct in points if pct < charge_pct)})
        volts = [battery.rest_v(self.spec, pct) for pct in ends]
        pieces = zip(pairwise(ends), pairwise(volts), strict=True)
        return (
            sum((b - a) * (at_a + at_b) / 2 for (a, b), (at_a, at_b) in pieces)
            / 100
            * battery.stored_ah(self.spec)
        )


class Ledger(Rig):
    """A rig that keeps an account of its own at each of its solutions: watt-hours that all that gives gave,
    and that all that takes took; each battery's."""

    def __init__(self, made: Vehicle, *rest: object) -> None:
        self.given_wh = self.taken_wh = 0.0
        self.cells = [Cell(made.battery)] + ([] if made.second is None else [Cell(made.second.cell)])
        self._at = 0
        self._flows: list[
            tuple[float, float, float]
        ] = []  # of each cell: amps out, rest volts, surface's watts
        self._watts = (0.0, 0.0)
        super().__init__(made, *rest)  # type: ignore[arg-type]

    def settle(self) -> None:
        hours, self._at = (self.tick - self._at) / HOUR, self.tick
        self.given_wh += self._watts[0] * hours
        self.taken_wh += self._watts[1] * hours
        for cell, flows in zip(self.cells, self._flows, strict=False):
            cell.flows(*flows, hours)
        super().settle()
        self.network.solve()
        self._watts = self._look()

    def _look(self) -> tuple[float, float]:
        """Watts given and taken by the present solution."""
        net = self.network
        posts_v = net.bus_v + net.meter_ohms * net.battery_a
        out_a = max(0.0, net.voc_v + net.surface_v - posts_v) / net.battery_ohms
        in_a = max(0.0, posts_v - net.voc_v) / net.charge_ohms
        self._flows = [(out_a - in_a, net.voc_v)]
        given = (net.voc_v + net.surface_v) * out_a - net.voc_v * in_a
        taken = out_a**2 * net.battery_ohms + in_a**2 * net.charge_ohms + posts_v**2 * net.posts_s
        taken += net.meter_ohms * net.battery_a**2
        if len(self.cells) > 1:
            over_v = net.second_v - net.bus_v if net.joined else 0.0
            ohms = net.second_ohms if over_v > 0 else net.second_charge_ohms
            given += net.second_v * over_v / ohms
            taken += over_v**2 / ohms
            self._flows.append((over_v / ohms, net.second_v))
        for source, on in zip(net.sources, net.on, strict=True):
            if source is not None and on:  # behind its ohms and what limits it
                given += net.bus_v * min(max(0.0, (source.volts - net.bus_v) / source.ohms), source.most_a)
        taken += net.starter_a * net.share * net.bus_v + net.leak_s * net.bus_v**2
        return given, taken + self._wires_w()

    def _wires_w(self) -> float:
        """What feeds, fuses, wires, loads and boxes take: each current from the voltages at its ends."""
        net, taken = self.network, 0.0
        for feed in net.feeds:
            taken += (net.bus_v - feed.volts) * feed.current_a if not feed.pulled else 0.0
        for place, branch in enumerate(net.branches):
            if branch.pulled or branch.feed.pulled:
                continue
            amps = branch.feed.share * branch.draw_a + branch.siemens * branch.end_v
            taken += branch.end_v * amps
            for box in branch.boxes:
                volts = net.box_v(place, box)
                own_a = branch.feed.share * box[1] + box[2] * volts
                taken += volts * own_a + box[0] * own_a**2
                amps += own_a
            taken += amps**2 * (branch.fuse_ohms + branch.wire_ohms)
        return taken

    def judge(self, before_wh: list[float], charges: list[float]) -> None:
        """Hold the account against the charges that the vehicle has now, and the energy they stand for."""
        for cell, held_wh, charge_pct in zip(self.cells, before_wh, charges, strict=True):
            gone_ah = (cell.spec.charge_pct - charge_pct) / 100 * battery.stored_ah(cell.spec)
            assert gone_ah == pytest.approx(cell.gone_ah, rel=1e-10, abs=1e-9)
            lost_wh = held_wh - cell.held_wh(charge_pct)
            assert lost_wh == pytest.approx(cell.gone_wh, abs=cell.slack_wh + 1e-9)


def life(source: random.Random) -> Script:
    """Parked until all is flat, charged for hours, cranked and driven, parked again; a door, a fuse."""
    charged = source.randint(10, 13)
    events = [
        Event(HOUR, "door", "opens"), Event(2 * HOUR, "door", "closes"),
        Event(5 * HOUR, "pull", "F2"), Event(5 * HOUR + 20 * 60 * S, "back", "F2"),
        Event(charged * HOUR, "charger", "on"),
        Event((charged + source.randint(4, 6)) * HOUR, "charger", "off"),
    ]  # fmt: skip
    events += [Event(at * HOUR + 1234, "engine", "", 20 * 60 * S) for at in (charged + 7, charged + 9)]
    return Script("life", False, tuple(sorted(events, key=lambda event: event.at_ticks)))


def made(source: random.Random, sources: bool, second: bool) -> Vehicle:
    """A small battery with leaks, modules that brown out, a relay, lamps; a charger, and perhaps a second
    battery."""
    cell = replace(
        BATTERY, type=source.choice(model.BATTERY_TYPES), capacity_ah=source.uniform(3, 5),
        charge_pct=source.uniform(30, 60), temp_c=source.choice((-10.0, 25.0)), self_discharge_pct=0.0,
        health_pct=source.choice((70.0, 100.0)), no_start_pct=0.0, crank_min_v=4.0,
    )  # fmt: skip
    small = replace(cell, capacity_ah=2.0, type=model.AGM, charge_pct=source.uniform(20, 60))
    defects = (
        Defect("posts", model.CORROSION, True, siemens=1 / source.uniform(60, 200)),
        Defect("diode", model.DIODE, True, siemens=1 / source.uniform(60, 200)),
        Defect("wire", model.GROUND_FAULT, True, fuse="F2", siemens=1 / source.uniform(90, 200)),
    )
    modules = (
        Module("m", "F1", (Stage(0.8, 60 * S),), 0.2, ("door",), False, 5.0),
        Module("n", "F2", (Stage(1.0, 10 * S),), 0.2, (), False, 8.0),
    )
    joined = source.choice(model.JOINED)
    return vehicle(
        battery=cell, modules=modules, lamps=(Lamp("l", "F3", 5 / 144, ("door",), HOUR),), defects=defects,
        relays=(Relay("fan", "F1", 1 / 12, ("engine",)),),
        second=Second(small, source.uniform(0.002, 0.02), joined) if second else None,
        charger=Source(13.4, 0.1, source.uniform(0.8, 2.0)) if sources else None,
        alternator=Source(14.2, 0.02, 70.0) if sources else None,
        starter=model.Starter(60.0, 8000, 150.0, 0.2),
    )  # fmt: skip


@pytest.mark.parametrize("sources", [True, False], ids=["fed", "alone"])
@pytest.mark.parametrize("second", [False, True], ids=["one", "two"])
def test_charge_and_energy_balance_to_rounding_over_a_whole_life(
    sources: bool, second: bool, seed: int
) -> None:
    """Each battery lost what its own current took; what gave, gave what all that takes took; and the energy
    that the batteries hold is less by what they gave."""
    source = random.Random(f"balance {sources} {second} {seed}")
    car, plan = made(source, sources, second), life(source)
    if not sources:
        plan = replace(plan, events=tuple(event for event in plan.events if event.action != "charger"))
    rig = Ledger(
        car, [("a", build(seed=1)), ("b", build(seed=2))], (), plan, S, 1, source.choice((0.0, 0.05))
    )
    rig.advance(S, through=False)
    pulses = program((pg.STEADY, 40_000), (pg.PULSE, 250_000, 60 * S, 1200 * S, 0), run_ticks=90 * HOUR)
    for world in rig.worlds:
        BoxLog(world, pulses, 1, 1, S).arm()
    rig.settle()
    before_wh = [cell.held_wh(cell.spec.charge_pct) for cell in rig.cells]
    browned_out, boots, lowest = 0, [len(world.boots) for world in rig.worlds], 100.0
    for hour in range(1, FOR_HOURS + 1):
        for step in range(HOUR // STEP):
            charges = charges_of(rig)
            rig.advance((hour - 1) * HOUR + (step + 1) * STEP)
            for cell, was, now in zip(rig.cells, charges, charges_of(rig), strict=True):
                volts = battery.rest_v(cell.spec, was) - battery.rest_v(cell.spec, now)
                cell.slack_wh += abs(volts * (was - now)) / 100 * battery.stored_ah(cell.spec)
        browned_out = max(browned_out, sum(module.browned_out for module in rig.simulated._modules))
        lowest = min(lowest, rig.simulated.charge_pct)
        rig.judge(before_wh, charges_of(rig))
        assert rig.given_wh == pytest.approx(rig.taken_wh, rel=1e-11, abs=1e-12)
    assert lowest < 100 * battery.stays_in(car.battery) + 3  # to its end
    assert browned_out == 2
    assert any(len(world.boots) > was for world, was in zip(rig.worlds, boots, strict=True)) or not sources
    print(f"energy: {abs(rig.given_wh / rig.taken_wh - 1):.1e} off")


def charges_of(rig: Ledger) -> list[float]:
    cells = rig.simulated.cells
    return [cells.charge_pct, cells.second_pct][: len(rig.cells)]
