"""Main fuses are fuses: pulled, put back, recorded; what is behind one dies with it and wakes with it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from boxcore import program as pg
from boxcore import schedule
from nightdraw import data, programs
from nightdraw.bench import drive
from nightdraw.bench.rig import Rig
from nightdraw.bench.setup import build
from nightdraw.errors import InputError
from nightdraw.vehicle import load_vehicle
from nightdraw.vehicle.model import DROP, Feed, Fuse, Lamp, Main, Module, Stage, Twitch
from nightdraw.vehicle.script import Event, Script, load_script

from tests.bench.support import program
from tests.bench.test_drive import lines, recorded
from tests.vehicle.circuits import S, vehicle

MAIN = vehicle(
    feeds=(Feed("front", 0.004), Feed("rear", 0.006, Main("rear-main", "E", 40.0))),
    modules=(
        Module("near", "F1", (Stage(0.5, 20 * S),), 0.01, ("door",), False),
        Module("far", "F2", (Stage(0.9, 20 * S), Stage(0.2, 40 * S)), 0.02, ("door",), False),
    ),
)
PLAN = program((pg.STEADY, 40_000), (pg.PULSE, 350_000, 7_000, 30_000, 12_345))
PULLED = Script("pulled", False, (Event(20 * S, "pull", "rear-main"), Event(35 * S, "back", "rear-main")))


def stages(rig: Rig) -> list[int]:
    return [module.stage for module in rig.simulated._modules]


def test_channels_name_the_main_fuses_behind_the_others() -> None:
    assert list(MAIN.channels()) == ["battery", "front", "rear", "F1", "F2", "F3", "rear-main"]
    assert MAIN.channels()["rear-main"] == DROP
    assert drive.chosen(MAIN, ["all"]) == tuple(MAIN.channels())
    shipped = load_vehicle(data.shipped("vehicles", "vehicle-1"))
    assert [main.name for main in shipped.mains()] == ["cabin-main", "bonnet-main"]
    assert "cabin-main" not in {fuse.name for fuse in shipped.fuses}


def test_a_box_behind_a_pulled_main_fuse_dies_and_comes_back_by_its_rule(tmp_path: Path) -> None:
    made = replace(MAIN, modules=())
    boxes = [drive.Placed("a", PLAN, build(seed=1), 1), drive.Placed("b", PLAN, build(seed=2), 2)]
    wanted = drive.Drive(60 * S, drive.chosen(made, ["all"]), out=tmp_path / "r.csv", fronts=drive.ideal)
    done = drive.drive(made, boxes, wanted, PULLED)
    seen = recorded(tmp_path / "r.csv")
    out = (seen["time_s"] > 20.0005) & (seen["time_s"] < 35.0005)
    assert not seen["rear_a"][out].any()
    assert not seen["battery_a"][out].any()
    assert not seen["F2_mv"][out].any()
    assert abs(seen["rear-main_mv"][out] - 12_530).max() < 50  # the battery stands across the empty socket
    cold_mohm = 1.4  # the maker's sheet, 40 A; nothing here warms it
    assert seen["rear-main_mv"][~out] == pytest.approx(seen["rear_a"][~out] * cold_mohm, rel=1e-3)
    asked = [tick / S for tick, _ in programs.edges(schedule.Schedule(PLAN, 1, 11_000), 25 * S)]
    for path in done.journals:
        log = lines(path)
        assert [r["at_s"] for r in log if r["kind"] == "boot"] == [-1.0, 35.0]
        edges = [r["at_s"] for r in log if r["kind"] == "edge" and r["boot"] == 2]
        assert edges[: len(asked)] == pytest.approx([35 + at for at in asked])


def test_modules_behind_it_die_and_wake_when_it_is_put_back() -> None:
    rig = Rig(MAIN, [], ("battery",), PULLED)
    rig.advance(25 * S)
    assert rig.network.feed_a(1) == 0
    assert rig.simulated.asleep()
    rig.advance(36 * S)
    assert stages(rig) == [-1, 0]  # the other hangs on the other feed and heeds no fuse
    assert rig.network.feed_a(1) == pytest.approx(0.9)
    assert not rig.simulated.asleep()
    rig.advance(60 * S)
    assert rig.network.feed_a(1) == pytest.approx(0.2)
    rig.advance(96 * S)
    assert rig.simulated.asleep()


def test_a_module_between_two_pulled_fuses_wakes_with_the_last() -> None:
    events = [("pull", "rear-main"), ("pull", "F2"), ("back", "rear-main"), ("back", "F2")]
    plan = Script("s", True, tuple(Event((10 + 10 * k) * S, *what) for k, what in enumerate(events)))
    rig = Rig(MAIN, [], ("battery",), plan)
    found = []
    for second in (5, 15, 25, 35, 45):
        rig.advance(second * S)
        found.append((stages(rig)[1], rig.network.branches[1].current_a))
    assert [stage for stage, _ in found] == [0, -1, -1, -1, 0]
    assert [amps for _, amps in found] == pytest.approx([0.9, 0, 0, 0, 0.9])


def test_a_door_does_not_wake_what_has_no_power() -> None:
    events = (Event(10 * S, "pull", "F2"), Event(12 * S, "door", "opens"))
    rig = Rig(MAIN, [], ("battery",), Script("s", False, events))
    rig.advance(13 * S)
    assert stages(rig) == [0, -1]
    rig.advance(40 * S)  # only the other has a way to sleep
    assert rig.simulated.asleep()


def test_a_main_fuse_warms_as_any_fuse_does() -> None:
    made = vehicle(
        feeds=(Feed("f", 0.0, Main("f-main", "E", 40.0)),),
        fuses=(Fuse("F1", "f", "C", 40.0, 0.0),), splices=(), twitches=(),
        modules=(Module("m", "F1", (Stage(40.0, 1000 * S),), 0.0, (), False),),
    )  # fmt: skip
    rig = Rig(made, [], ("f-main",), Script("s", True, ()))
    cold_mv, warm_mv = rig.network.across_v(rig.network.fused_paths["f-main"]) * 1000, 0.0
    rig.advance(300 * S)
    warm_mv = rig.network.across_v(rig.network.fused_paths["f-main"]) * 1000
    assert cold_mv == pytest.approx(40 * 1.4)
    assert warm_mv == pytest.approx(1.5 * 40 * 1.4, rel=1e-3)  # the factor where no sheet was seen


def test_nothing_draws_behind_a_pulled_main_fuse() -> None:
    made = replace(
        MAIN,
        twitches=(Twitch("t", "F2", 0.5, 500, (1000, 2000), False),),
        lamps=(Lamp("l", "F3", 0.1, ("fuse",), 100 * S),),
    )
    rig = Rig(made, [], tuple(made.channels()), PULLED)
    rig.advance(60 * S)
    truth = rig.take()
    rear = truth.levels[:, list(made.channels()).index("rear")]
    out = (truth.ticks >= 20 * S) & (truth.ticks < 35 * S)
    assert not rear[out].any()
    assert rear[~out].any()


NAMED = "{type: E, rating: 60 A}"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("{fuse: F1, type: E, rating: 60 A}", "the name 'F1' is taken by the fuse on line"),
        ("{fuse: cabin, type: E, rating: 60 A}", "the name 'cabin' is taken by the feed on line"),
        ("{fuse: battery, type: E, rating: 60 A}", "the name 'battery' is taken by the battery's channel"),
        ("{fuse: all, type: E, rating: 60 A}", "the name 'all' is taken by the word for every channel"),
        ("{fuse: 1st, type: E, rating: 60 A}", "is not a name"),
        ("{type: E}", "lacks the key 'rating'"),
        ("60 A", "must be a mapping"),
        ("{type: E, rating: 60 A, ohms: 1 ohm}", "unknown key 'ohms'"),
    ],
)
def test_what_is_wrong_with_a_main_fuse_is_said(text: str, said: str, tmp_path: Path) -> None:
    source = data.shipped("vehicles", "vehicle-1").read_text()
    path = tmp_path / "v.yaml"
    path.write_text(source.replace(NAMED, text, 1))
    with pytest.raises(InputError) as raised:
        load_vehicle(path)
    (finding,) = raised.value.findings
    assert said in finding.text()
    assert finding.line
    assert finding.column


def test_a_name_given_is_a_name_used(tmp_path: Path) -> None:
    source = data.shipped("vehicles", "vehicle-1").read_text()
    path = tmp_path / "v.yaml"
    path.write_text(source.replace(NAMED, "{fuse: M1, type: E, rating: 60 A}", 1))
    made = load_vehicle(path)
    assert [main.name for main in made.mains()] == ["M1", "bonnet-main"]
    events = "events: [{at: 1 s, pull: M1}, {at: 2 s, back: M1}, {at: 3 s, pull: bonnet-main}]\n"
    (tmp_path / "s.yaml").write_text("script: s\n" + events)
    words = [event.word for event in load_script(tmp_path / "s.yaml", made).events]
    assert words == ["M1", "M1", "bonnet-main"]
    (tmp_path / "s.yaml").write_text("script: s\nevents: [{at: 1 s, pull: cabin-main}]\n")
    with pytest.raises(InputError, match="no fuse 'cabin-main'"):
        load_script(tmp_path / "s.yaml", made)


def test_a_default_name_is_not_taken_twice(tmp_path: Path) -> None:
    source = data.shipped("vehicles", "vehicle-1").read_text()
    path = tmp_path / "v.yaml"
    path.write_text(source.replace("feed: bonnet, ohms", "feed: cabin-main, ohms", 1))
    with pytest.raises(InputError, match="'cabin-main' is taken by the main fuse on line"):
        load_vehicle(path)
