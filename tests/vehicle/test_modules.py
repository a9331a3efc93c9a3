"""A module, a lamp and what wakes them, one call at a time on a clock of the test's own; what loads ask of
fuses, and a root dragged down to nothing, by hand."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest
from nightdraw.bank.parts import blade_fuses
from nightdraw.vehicle import loading, model
from nightdraw.vehicle.agenda import NEVER, Agenda
from nightdraw.vehicle.cabin import Cabin
from nightdraw.vehicle.loads import LampState, Loads
from nightdraw.vehicle.model import Calls, Feed, Fuse, Lamp, Main, Module, Relay, Source, Stage, Twitch
from nightdraw.vehicle.modules import ASLEEP, Caller, ModuleState
from nightdraw.vehicle.network import Network

from tests.vehicle.circuits import S, vehicle

BODY = Module("body", "F1", (Stage(0.9, 20 * S), Stage(0.2, 40 * S)), 0.01, ("door",), False, holds=("door",))


class Bench:
    """One module on a branch, and its clock."""

    def __init__(self, spec: Module = BODY) -> None:
        self.tick = 0
        self.agenda, self.cabin = Agenda(), Cabin()
        self.network = Network(vehicle(), 0.0, lambda: self.tick)
        self.loads = Loads(self.network, self.network.branches[0])
        self.module = ModuleState(spec, self.loads, self.agenda, lambda: self.tick, self.cabin)

    def run(self, tick: int) -> float:
        """Go to a tick; what the module draws then."""
        while self.agenda.next() <= tick:
            self.tick = self.agenda.next()
            self.agenda.run(self.tick)
        self.tick = tick
        assert self.loads.branch.draw_a == self.module.draws_a
        return self.module.draws_a

    def pull(self, out: bool) -> None:
        self.loads.branch.pulled = out
        self.module.revive()


def test_woken_it_goes_through_its_stages_and_sleeps() -> None:
    bench = Bench()
    assert bench.run(S) == 0.01
    bench.module.wake()
    assert [bench.run(at * S) for at in (20, 21, 60, 61)] == [0.9, 0.2, 0.2, 0.01]


def test_woken_again_it_begins_anew_and_what_was_planned_is_void() -> None:
    bench = Bench()
    bench.module.wake()
    bench.run(15 * S)
    bench.module.wake()
    assert [bench.run(at * S) for at in (34, 35, 74, 75)] == [0.9, 0.2, 0.2, 0.01]


def test_what_died_stays_dead_and_asleep_whatever_was_planned_and_begins_anew_with_its_fuse() -> None:
    bench = Bench()
    bench.module.wake()
    bench.run(5 * S)
    bench.pull(True)
    assert bench.run(25 * S) == 0.0
    assert bench.module.stage == ASLEEP
    bench.pull(False)
    assert [bench.run(at * S) for at in (44, 45, 84, 85)] == [0.9, 0.2, 0.2, 0.01]


def test_one_that_sleeps_is_not_made_ready_once_more() -> None:
    bench = Bench()
    told: list[int] = []
    bench.module.changed = lambda: told.append(bench.tick)
    bench.module.reconsider()
    bench.module.wake()
    bench.run(S)
    bench.module.reconsider()
    assert (told, bench.run(2 * S)) == ([], 0.9)


def test_held_it_stays_in_its_last_stage_until_let_go_or_until_it_gives_up() -> None:
    bench = Bench(replace(BODY, gives_up_ticks=100 * S))
    bench.cabin.set("door", True)
    bench.module.wake()
    assert [bench.run(at * S) for at in (61, 159, 160)] == [0.2, 0.2, 0.01]
    bench.module.wake()
    assert bench.run(225 * S) == 0.2
    bench.cabin.set("door", False)
    bench.module.reconsider()
    assert bench.run(226 * S) == 0.01
    bench.cabin.set("door", True)
    bench.module.wake()
    assert bench.run(319 * S) == 0.2  # 226 + 60 + 33: the plan to give up at 320 was the other waking's
    assert bench.run(321 * S) == 0.2
    assert bench.run(386 * S) == 0.01


def test_a_defect_never_lets_it_leave_its_last_stage() -> None:
    bench = Bench(replace(BODY, gives_up_ticks=10 * S))
    bench.module.never_ready = True
    bench.module.wake()
    assert bench.run(9_000 * S) == 0.2


def test_held_for_long_it_stands_in_its_last_stage_and_no_plan_of_before_moves_it() -> None:
    bench = Bench()
    bench.module.wake()
    bench.cabin.set("door", True)
    bench.run(S)
    bench.module.stay_in_last_stage()
    assert [bench.run(at * S) for at in (2, 21, 500)] == [0.2, 0.2, 0.2]
    bench.cabin.set("door", False)
    bench.module.reconsider()
    assert bench.run(501 * S) == 0.01


def test_each_stop_soon_after_its_new_start_makes_it_wait_twice_as_long_up_to_a_minute() -> None:
    """0.3 s at first; a stop a minute and more after the last start is the first of others."""
    bench = Bench()
    waits = []
    for _ in range(10):
        bench.module.brown_out()
        waits.append(bench.module.pause_ticks)
        bench.tick += 5 * S
        bench.module.restart()
        bench.tick += 60 * S - 1
    assert waits == [3_000, 6_000, 12_000, 24_000, 48_000, 96_000, 192_000, 384_000, 600_000, 600_000]
    assert bench.module.back == NEVER
    bench.tick += 1
    bench.module.brown_out()
    assert bench.module.pause_ticks == 3_000


def calling(spec: Calls) -> tuple[Bench, Caller, list[int]]:
    bench = Bench()
    woken: list[int] = []
    bench.module.wake = lambda: woken.append(bench.tick)  # type: ignore[method-assign]
    return bench, Caller(spec, bench.module, 3, bench.agenda, lambda: bench.tick), woken


def test_a_schedule_calls_first_when_it_says_and_then_at_its_interval() -> None:
    bench, caller, woken = calling(Calls(5 * S, (7 * S, 7 * S)))
    caller.begin(100 * S)
    bench.run(130 * S)
    assert woken == [105 * S, 112 * S, 119 * S, 126 * S]
    caller.stop()
    bench.run(500 * S)
    assert len(woken) == 4


def test_so_many_calls_until_the_engine_has_run() -> None:
    bench, caller, woken = calling(Calls(0, (7 * S, 7 * S), 2))
    caller.begin(0)
    bench.run(30 * S)
    assert woken == [0, 7 * S]
    caller.driven()
    bench.run(60 * S)
    assert woken == [0, 7 * S, 35 * S, 42 * S]


def test_a_defect_that_calls_begins_within_an_interval_and_again_without_its_old_calls() -> None:
    for _ in range(20):
        bench, caller, woken = calling(Calls(0, (7 * S, 9 * S)))
        caller.begin_anywhere()
        bench.run(3 * S)
        caller.begin_anywhere()  # mended and there again: one series of calls, not two
        bench.run(100 * S)
        gaps = [after - before for before, after in pairwise(woken)]
        first = [tick for tick in woken if tick > 3 * S]
        assert first[0] <= 12 * S
        assert all(7 * S <= gap <= 9 * S for gap in gaps[len(woken) - len(first) :])


def test_a_lamp_is_lit_for_its_time_and_no_longer_than_its_saver() -> None:
    bench = Bench()
    lamp = LampState(Lamp("l", "F1", 0.5, ("door",), 10 * S, 60 * S), bench.loads, bench.agenda)

    def lit(at: float) -> bool:
        bench.run(round(at * S))
        assert bench.loads.branch.siemens == lamp.conducts
        return lamp.conducts > 0

    lamp.light(0, stays=False)
    assert [lit(at) for at in (9.9, 10)] == [True, False]
    lamp.light(bench.tick, stays=True)  # from 10 s on, 70 s at most
    assert lit(40)
    lamp.let_go(bench.tick)
    assert [lit(at) for at in (49.9, 50)] == [True, False]
    lamp.light(bench.tick, stays=True)
    assert lit(105)
    lamp.let_go(bench.tick)  # its own ten seconds would pass the saver's end
    assert [lit(at) for at in (109.9, 110)] == [True, False]
    lamp.let_go(bench.tick)
    assert not lit(111)
    lamp.light(bench.tick, stays=False)
    bench.run(115 * S)
    lamp.light(bench.tick, stays=False)
    assert [lit(at) for at in (121.5, 124.9, 125)] == [True, True, False]


# -- what loads ask of their fuses: blade fuses have 2 * the cold resistance at most


def test_what_loads_on_a_fuse_draw_at_their_most() -> None:
    made = vehicle(
        modules=(
            Module("a", "F2", (Stage(0.9, S), Stage(1.5, S)), 0.01, (), False, waits_a=0.2),
            Module("b", "F2", (), 0.3, (), False, waits_a=0.1),
            Module("c", "F2", (), 0.1, (), False, waits_a=0.4),
            Module("d", "F1", (), 7.0, (), False),
        ),
        twitches=(Twitch("t", "F2", 0.05, 50, (100, 200), False),),
        lamps=(Lamp("l", "F2", 0.5, ("door",), S),),
        relays=(Relay("r", "F2", 0.25, ("ignition",)),),
        defects=(model.Defect("w", model.GROUND_FAULT, False, fuse="F2", siemens=0.125),),
    )
    assert loading.most_a(made, "F2") == pytest.approx(1.5 + 0.3 + 0.4 + 0.05 + 12 * 0.875)
    assert loading.most_a(made, "F1") == 7.0
    assert loading.most_a(made, "F3") == 0.0


@pytest.mark.parametrize(("amps", "said"), [(10.0, []), (10.001, ["F1"])])
def test_a_fuse_bears_its_rating_and_no_more(amps: float, said: list[str]) -> None:
    made = vehicle(modules=(Module("a", "F1", (), amps, (), False),))
    found = list(loading.overloads(made))
    assert [name for name, _ in found] == said
    if said:
        assert found[0][1] == "the loads on fuse F1 may draw 10 A together, its fuse is for 10 A"


@pytest.mark.parametrize(("amps", "said"), [(20.0, []), (20.001, ["rear"])])
def test_a_feeds_main_fuse_bears_all_behind_it(amps: float, said: list[str]) -> None:
    feeds = (Feed("front", 0.004), Feed("rear", 0.006, Main("M", "E", 40.0)))
    fuses = (
        Fuse("F1", "front", "C", 10.0, 0.03),
        Fuse("F2", "rear", "C", 30.0, 0.01),
        Fuse("F3", "rear", "C", 30.0, 0.01),
    )
    modules = (Module("a", "F2", (), amps, (), False), Module("b", "F3", (), 20.0, (), False))
    found = list(loading.overloads(vehicle(feeds=feeds, fuses=fuses, modules=modules, splices=())))
    assert [name for name, _ in found] == said


@pytest.mark.parametrize(("share", "count"), [(0.9999, 0), (1.0001, 1)])
def test_wires_and_fuses_may_drop_three_volts(share: float, count: int) -> None:
    """10 A through the feed's 4 mOhm, the wire, and a fuse taken as twice as high as cold: 0.3 ohm in all."""
    cold_mohm, _ = blade_fuses.cold_mohm("C", 10.0)
    assert cold_mohm is not None
    wire_ohms = share * 0.3 - 0.004 - 2 * cold_mohm / 1000
    fuses = (Fuse("F1", "front", "C", 10.0, wire_ohms), *vehicle().fuses[1:])
    made = vehicle(fuses=fuses, modules=(Module("a", "F1", (), 10.0, (), False),))
    assert [text for _, text in loading.overloads(made)] == [
        "wires and fuses to the loads on F1 may drop 3 V"
    ] * count


def test_two_batteries_in_series_bear_twice_the_drop_and_a_main_fuse_drops_with_the_feed() -> None:
    two = replace(vehicle().battery, in_series=2)
    fuses = (Fuse("F1", "front", "C", 10.0, 0.4), *vehicle().fuses[1:])
    load = Module("a", "F1", (), 10.0, (), False)
    assert list(loading.overloads(vehicle(fuses=fuses, modules=(load,))))
    assert list(loading.overloads(vehicle(fuses=fuses, modules=(load,), battery=two))) == []
    # 20 A and 60 A from one feed: 0.034 ohm of wire drop 2.72 V; a hot main fuse of 1.25 mohm cold adds 0.2 V
    for main, wire_ohms, count in (
        (None, 0.0374, 0),
        (Main("M", "E", 80.0), 0.0374, 1),
        (Main("M", "E", 80.0), 0.034, 0),
    ):
        feeds = (Feed("front", wire_ohms, main), Feed("rear", 0.006))
        fuses = (
            Fuse("F1", "front", "C", 40.0, 0.0),
            Fuse("F4", "front", "C", 40.0, 0.0),
            *vehicle().fuses[1:],
        )
        modules = (Module("a", "F1", (), 0.0, (), False), Module("b", "F4", (), 80.0, (), False))
        made = vehicle(feeds=feeds, fuses=fuses, modules=modules)
        found = [text for name, text in loading.overloads(made) if name == "F1" and "may drop" in text]
        assert len(found) == count


# -- the root


def test_a_charger_alone_drags_a_short_circuit_to_its_own_limit() -> None:
    """10.5 V behind 2 ohm, 5 A at most, from 0.5 V down: into 50 mohm that is 0.25 V."""
    made = vehicle(charger=Source(10.5, 2.0, 5.0, True), modules=())
    net = Network(made)
    net.battery_ohms = net.charge_ohms = 1e12
    for siemens, volts in ((20.0, 0.25), (10.0, 0.5), (2.0, 10.5 / 2 / 2.5)):
        net.leak_s = siemens
        net.touch()
        net.solve()
        assert net.bus_v == pytest.approx(volts, rel=1e-9)
        assert net.source_a == [pytest.approx(volts * siemens, rel=1e-9), 0.0]


def test_with_the_battery_cut_off_there_is_no_voltage_anywhere() -> None:
    net = Network(vehicle())
    net.cut = True
    net.touch()
    box = [0.02, 0.011, 0.1]
    assert net.box_v(0, box) == 0.0
    assert (net.bus_v, net.battery_a) == (0.0, 0.0)


def test_a_question_without_a_change_solves_nothing_anew() -> None:
    solved: list[float] = []

    class Counted(Network):
        def settle(self, amps: float, siemens: float) -> float:
            solved.append(amps)
            return super().settle(amps, siemens)

    net = Counted(vehicle())
    for _ in range(3):
        net.solve()
    assert len(solved) == 1
    net.touch(net.branches[0])
    net.solve()
    net.solve()
    assert len(solved) == 2


@pytest.mark.parametrize(("in_series", "weak_v"), [(1, 3.0), (2, 6.0)])
def test_below_three_volts_a_battery_a_constant_draw_becomes_a_resistance(
    in_series: int, weak_v: float
) -> None:
    """12.6 V behind 1 ohm: 9.5 A would leave 3.1 V; 10 A are 0.3 ohm then, which take 12.6 * 0.3 / 1.3."""
    net = Network(
        vehicle(battery=replace(vehicle().battery, in_series=in_series), charger=None, alternator=None)
    )
    net.voc_v = 4.2 * weak_v
    net.battery_ohms = net.charge_ohms = float(in_series)
    net.forget()
    assert net.settle(9.5, 0.0) == pytest.approx(4.2 * weak_v - 9.5 * in_series)
    assert net.share == 1.0
    ohms = weak_v / 10
    assert net.settle(10.0, 0.0) == pytest.approx(4.2 * weak_v * ohms / (ohms + in_series))
    assert net.share == pytest.approx(net.bus_v / weak_v)
