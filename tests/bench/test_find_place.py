"""The vehicle around a fault, against the vehicle's own life and the firmware's own coming back."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from nightdraw import data
from nightdraw.bench import drive, metering
from nightdraw.bench.finding.place import Site
from nightdraw.bench.rig import Rig
from nightdraw.bench.setup import build
from nightdraw.instruments.read import load_instruments
from nightdraw.profile import load
from nightdraw.vehicle.model import BATTERY
from nightdraw.vehicle.script import EMPTY, Event, Script

from tests.bench.finding import DEEP, by_name, profile, search, vehicle

S = 10_000
CARS = ["vehicle-1", "vehicle-2", "vehicle-3", "vehicle-5"]
PULSES = "  - pulse: {draw: 300 mA, on: 200 ms, every: 7 s, first: 3 s}\n"


@pytest.mark.parametrize("name", CARS)
def test_a_locked_vehicle_sleeps_after_as_long_as_is_said(name: str) -> None:
    car = vehicle(name)
    ticks = round(Site(None, car, car.splices[0]).sleep_s() * S)
    rig = Rig(car, [], (BATTERY,), Script("locked", True, ()))
    rig.advance(ticks - 1)
    assert not rig.simulated.asleep()
    rig.advance(ticks)
    assert rig.simulated.asleep()


@pytest.mark.parametrize("name", CARS)
def test_a_pulled_fuse_wakes_for_as_long_as_is_said(name: str) -> None:
    """Each fuse pulled and put back by itself: when the vehicle's own draw is its asleep level again."""
    car = vehicle(name)
    wakes = Site(None, car, car.splices[0]).wakes()
    for fuse in (fuse.name for fuse in car.fuses):
        events = (Event(S, "pull", fuse), Event(2000 * S, "back", fuse))
        rig = Rig(car, [], (), Script("pulled", False, events))
        for since, expected_s in (
            (S, wakes.pulled_s(frozenset({fuse}))),
            (2000 * S, wakes.back_s(frozenset({fuse}), fuse)),
        ):
            rig.advance(since)
            last = since
            quiet = {module.fuse: 0.0 for module in car.modules}
            for module in car.modules:
                quiet[module.fuse] += module.asleep_a
            step = S
            for tick in range(since, since + round((expected_s + 30) * S), step):
                rig.advance(tick)
                if any(
                    rig.network.branches[rig.network.fuse_places[place]].draw_a > asleep_a + 0.021
                    for place, asleep_a in quiet.items()
                    if not rig.network.branches[rig.network.fuse_places[place]].pulled
                    and not any(t.fuse == place for t in car.twitches if not t.asleep_only)
                ):
                    last = tick + step
            assert last - since == pytest.approx(expected_s * S, abs=1.01 * step), fuse


STARTS = {
    "power": ("start: {when: power, after: 12 s}\n", 12.0),
    "rest": ("start: {when: supply-rest, below: 13.0 V, steady: 9 s, after: 4 s}\n", 13.0),
}


@pytest.mark.parametrize("start", STARTS)
@pytest.mark.parametrize("rule", ["restart", "continue", "stay-off"])
def test_a_box_comes_back_when_the_firmware_brings_it_back(tmp_path: Path, start: str, rule: str) -> None:
    """Its fuse is pulled in the run and put back a minute later; the journal says when the run goes on."""
    text, waits_s = STARTS[start]
    path = tmp_path / "case.yaml"
    more = f"resume: {rule}\nresume_after: 20 s\n"
    path.write_text(f"profile: case\n{text}draws:\n{PULSES}{DEEP}{more}")
    made, car = load(path), vehicle()
    place = car.splice("tailgate")
    site = Site(made, car, place)
    assert site.return_s() == 20 + waits_s
    plan = Script("pulled", False, (Event(100 * S, "pull", "F7"), Event(160 * S, "back", "F7")))
    boxes = [drive.Placed("tailgate", made.program(1), build(seed=1), 1)]
    wanted = drive.Drive(260 * S, (BATTERY,), out=tmp_path / "r.csv", fronts=drive.ideal)
    done = drive.drive(car, boxes, wanted, plan)
    lines = [json.loads(line) for line in done.journals[0].read_text().splitlines()]
    rises = [line["at_s"] for line in lines if line["kind"] == "edge" and line["level_ma"] > 150]
    after = [at for at in rises if at > 160]
    if rule == "stay-off":
        assert after == []
        return
    back_s = 160 + site.return_s()
    if rule == "restart":
        assert after[0] == pytest.approx(back_s + 3.0, abs=0.3)
        return
    # it goes on where it was when it last wrote that down: at most 10 s before the cut
    cut_s = 100 - waits_s  # of the run
    phases = [(at - back_s) % 7 for at in after[:1]]
    played = [(3.0 - (cut_s - lost)) % 7 for lost in range(11)]
    assert any(min(abs(phases[0] - one), 7 - abs(phases[0] - one)) < 0.6 for one in played)
    assert after[0] <= back_s + 7 + 0.3


def test_the_supply_at_the_box_is_what_the_circuit_says() -> None:
    """Open-circuit voltage less the drops: battery, feed, fuse, wire and lead carry the box's current."""
    car = vehicle("vehicle-3")
    site = Site(None, car, car.splice("load-space"))
    drop = site.supply_mv(0.0) - site.supply_mv(1.0)
    feed = next(feed for feed in car.feeds if feed.name == "load")
    # 0.12 ohm of wire, 0.03 ohm of lead, feed and fuse; the battery's and a main fuse's come on top
    least = 1000 * (0.12 + 0.03 + feed.ohms + site.fuse_ohms("F5"))
    assert least < drop < least + 40


@pytest.mark.parametrize("width_ms", [400, 900])
def test_a_millivolt_meter_shows_what_it_is_said_to(tmp_path: Path, width_ms: int) -> None:
    made = profile(
        tmp_path, f"  - pulse: {{draw: 300 mA, on: {width_ms} ms, every: 6.17 s, first: 1.23 s}}\n"
    )
    kit = load_instruments(data.shipped("instruments", "basic"))
    row = by_name(made, "basic")["voltage drops across fuses"]
    assert row.shows
    said_mv = float(row.why.split(": ")[1].split(" mV")[0])
    site = search(made, "basic").site
    rest_mv = (0.011 + 0.0006) * site.fuse_ohms("F7") * 1000
    wanted = drive.Drive(60 * S, ("F7",), seed=1, fronts=drive.ideal)
    boxes = [drive.Placed("tailgate", made.program(1), build(seed=1), 1)]
    seen = metering.across(vehicle(), boxes, wanted, EMPTY, kit.fuse_meter)
    # nine pulses: in each the best reading shows as much, but for noise and the last digit
    best = [
        max(mv for t_s, mv in seen.readings if 1.23 + 6.17 * k <= t_s <= 1.23 + 6.17 * k + 2)
        for k in range(9)
    ]
    enough = sum(mv - rest_mv >= said_mv - 0.2 for mv in best)
    assert enough >= 8
