"""Data buses, what holds modules awake, ignition, key, latch, schedules, LIN children: by hand reckoning."""

from __future__ import annotations

import itertools
import random
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from nightdraw import data
from nightdraw.errors import InputError
from nightdraw.vehicle import load_vehicle, model, standing
from nightdraw.vehicle.model import Bus, Calls, Defect, Module, Stage, Vehicle
from nightdraw.vehicle.script import Event, Script, load_script
from nightdraw.vehicle.simulated import SimulatedVehicle

from tests.vehicle.circuits import S, vehicle

IDLE_S, PASS_S = 2.0, 0.05


def module(name: str, fuse: str = "F1", **changes: object) -> Module:
    """Asleep 1 mA, up without work 100 mA, at work 500 mA for 10 s and 200 mA for 20 s."""
    said: dict[str, object] = {
        "name": name, "fuse": fuse, "stages": (Stage(0.5, 10 * S), Stage(0.2, 20 * S)), "asleep_a": 0.001,
        "wakes": (), "sheds": False, "waits_a": 0.1,
    }  # fmt: skip
    return Module(**{**said, **changes})  # type: ignore[arg-type]


def events(*said: tuple[float, str, str]) -> Script:
    return Script("made", False, tuple(Event(round(at * S), action, word) for at, action, word in said))


class Life:
    """A vehicle's life; draws(): what each module draws after each change, by the second."""

    def __init__(self, made: Vehicle, plan: Script, seed: int = 1) -> None:
        self.tick = 0
        self.simulated = SimulatedVehicle(made, plan, lambda: self.tick, seed=seed)

    def to(self, at_s: float) -> dict[str, float]:
        """What each module draws at an instant, what is due at it included."""
        until = round(at_s * S)
        while self.simulated.agenda.next() <= until:
            self.tick = self.simulated.agenda.next()
            self.simulated.agenda.run(self.tick)
        self.tick = until
        return {name: amps for (name, _), amps in self.simulated.drawn().items()}

    def changes(self, name: str, until_s: float) -> Iterator[tuple[float, float]]:
        """(seconds, amperes) of each change of one module."""
        before = self.to(0)[name]
        while self.simulated.agenda.next() <= until_s * S:
            at_s = self.simulated.agenda.next() / S
            now = self.to(at_s)[name]
            if now != before:
                yield at_s, now
                before = now


def on_one_bus(**changes: object) -> Vehicle:
    doors = module("doors", wakes=("door",), buses=("body",))
    radio = module("radio", "F2", buses=("body",))
    made: dict[str, object] = {"modules": (doors, radio), "buses": (Bus("body", round(IDLE_S * S)),)}
    return vehicle(**{**made, **changes})


def test_a_module_keeps_the_others_on_its_bus_awake() -> None:
    life = Life(on_one_bus(), events((5, "door", "opens"), (6, "door", "closes")))
    assert list(life.changes("radio", 100)) == [(5.0, 0.1), (6 + 30 + IDLE_S, 0.001)]
    again = Life(on_one_bus(), events((5, "door", "opens"), (6, "door", "closes")))
    # ready to sleep, it waits for the bus itself
    assert list(again.changes("doors", 100)) == [(5.0, 0.5), (16.0, 0.2), (36.0, 0.1), (38.0, 0.001)]


def test_a_need_that_comes_within_the_idle_time_keeps_the_bus() -> None:
    life = Life(on_one_bus(), events((1, "door", "opens"), (32, "door", "closes")))
    assert list(life.changes("radio", 100)) == [(1.0, 0.1), (64.0, 0.001)]


def test_a_node_that_never_sends_its_sleep_indication_keeps_all_awake() -> None:
    sick = on_one_bus(defects=(Defect("door-node", model.NO_SLEEP, True, "doors"),))
    assert Life(sick, events()).to(80_000) == {"doors": 0.2, "radio": 0.1}
    asleep = {"doors": 0.001, "radio": 0.001}
    mended = Life(sick, events((100, "mended", "door-node")))
    assert mended.to(99) == {"doors": 0.2, "radio": 0.1}
    assert mended.to(102.5) == asleep
    later = Life(
        on_one_bus(defects=(Defect("door-node", model.NO_SLEEP, False, "doors"),)),
        events((10, "defect", "door-node"), (20, "door", "opens"), (21, "door", "closes")),
    )
    assert later.to(19) == asleep  # nothing has woken it yet
    assert later.to(50_000) == {"doors": 0.2, "radio": 0.1}


def test_its_fuse_pulled_the_others_sleep() -> None:
    sick = on_one_bus(defects=(Defect("door-node", model.NO_SLEEP, True, "doors"),))
    life = Life(sick, events((100, "pull", "F1"), (200, "back", "F1")))
    assert life.to(101.9) == {"doors": 0.0, "radio": 0.1}
    assert life.to(102.1) == {"doors": 0.0, "radio": 0.001}
    assert life.to(200.1) == {"doors": 0.5, "radio": 0.1}
    assert life.to(9_000) == {"doors": 0.2, "radio": 0.1}


def chain(count: int) -> Vehicle:
    """A wake-up chain: gateways g1 .. from bus b0 to bus b1 and so on; the door wakes the one at its head."""
    head = module("head", wakes=("door",), buses=("b0",))
    gateways = [module(f"g{k}", "F2", buses=(f"b{k - 1}", f"b{k}")) for k in range(1, count)]
    tail = module("tail", "F3", buses=(f"b{count - 1}",))
    buses = tuple(Bus(f"b{k}", round((k + 1) * S)) for k in range(count))
    return vehicle(modules=(head, *gateways, tail), buses=buses)


@pytest.mark.parametrize("count", [2, 3, 6])
def test_a_wake_up_travels_from_bus_to_bus(count: int) -> None:
    life = Life(chain(count), events((1, "door", "opens")))
    hops = count - 1
    found = list(life.changes("tail", 100))
    assert found == [(pytest.approx(1 + hops * PASS_S), 0.1), (pytest.approx(31.0 + count), 0.001)]


def test_a_gateway_without_power_passes_nothing_on() -> None:
    life = Life(chain(3), events((0, "pull", "F2"), (1, "door", "opens")))
    assert list(life.changes("tail", 100)) == []


def lin(**changes: object) -> Vehicle:
    master = module("master", "F1", wakes=("unlock",), buses=("body", "lin"))
    child = module("child", "F2", buses=("lin",))
    switch = module("switch", "F3", wakes=("door",), stages=(), buses=("lin",))
    buses = (Bus("body", round(IDLE_S * S)), Bus("lin", 4 * S, "master"))
    return vehicle(**{"modules": (master, child, switch), "buses": buses, **changes})


def test_children_sleep_with_their_masters_frame() -> None:
    life = Life(lin(), events((1, "car", "unlocked")))
    changes = list(life.changes("child", 100))
    assert changes == [(1.0, 0.1), (33.0, 0.001)]  # with the master, whose other bus idles 2 s


def test_a_child_wakes_its_master_which_then_does_its_work() -> None:
    life = Life(lin(), events((1, "door", "opens")))
    assert list(life.changes("master", 100)) == [(1.0, 0.5), (11.0, 0.2), (31.0, 0.1), (33.0, 0.001)]


def test_children_of_a_master_that_was_cut_off_sleep_by_themselves() -> None:
    life = Life(lin(), events((1, "car", "unlocked"), (5, "pull", "F1")))
    assert list(life.changes("child", 100)) == [(1.0, 0.1), (9.0, 0.001)]  # 4 s of silence (ISO 17987-2)
    alone = Life(lin(), events((1, "pull", "F1"), (20, "door", "opens")))
    assert list(alone.changes("child", 100)) == [(20.0, 0.1), (24.0, 0.001)]


def test_a_master_without_work_of_its_own_and_its_bus_let_each_other_sleep() -> None:
    quiet = replace(lin().modules[0], stages=(), buses=("lin",))
    life = Life(lin(modules=(quiet, *lin().modules[1:])), events((1, "door", "opens")))
    assert life.to(60)["child"] == 0.001


def held(**changes: object) -> Vehicle:
    said = {"wakes": ("door", "key", "ignition", "unlock"), **changes}
    return vehicle(modules=(module("body", **said),))


@pytest.mark.parametrize(
    ("holds", "begin", "end"),
    [
        ("door", ("door", "opens"), ("door", "closes")),
        ("door", ("door", "opens"), ("latch", "closes")),  # a closed latch lets it sleep, the door stays open
        ("unlocked", ("car", "unlocked"), ("car", "locked")),
        ("key", ("key", "near"), ("key", "away")),
    ],
)
def test_what_holds_a_module_keeps_it_in_its_last_stage(
    holds: str, begin: tuple[str, str], end: tuple[str, str]
) -> None:
    life = Life(held(holds=(holds,)), events((1, *begin), (500, *end)))
    assert life.to(499)["body"] == 0.2
    assert life.to(500 + 30)["body"] == 0.001
    patient = Life(held(holds=(holds,), gives_up_ticks=60 * S), events((1, *begin), (500, *end)))
    assert patient.to(90)["body"] == 0.2
    assert patient.to(92)["body"] == 0.001  # 30 s of stages, 60 s of patience


def test_the_key_going_away_alone_lets_it_sleep_at_once() -> None:
    life = Life(held(holds=("key",)), events((1, "key", "near"), (100, "key", "away")))
    assert life.to(99)["body"] == 0.2
    assert life.to(100)["body"] == 0.001


def test_the_ignition_keeps_what_it_switches_up() -> None:
    life = Life(held(), events((1, "ignition", "on"), (1000, "ignition", "off")))
    assert life.to(999)["body"] == 0.5
    assert list(life.changes("body", 2000)) == [(1010.0, 0.2), (1030.0, 0.001)]
    accessory = Life(held(), events((1, "ignition", "accessory")))
    assert accessory.to(999)["body"] == 0.001  # this module is switched by the ignition alone


def test_a_latch_that_reads_open_keeps_the_car_awake() -> None:
    sick = replace(held(holds=("door",)), defects=(Defect("latch", model.LATCH_OPEN, True),))
    assert Life(sick, events()).to(4000)["body"] == 0.2
    closed = Life(sick, events((10, "door", "opens"), (20, "door", "closes"), (30, "mended", "latch")))
    assert closed.to(29)["body"] == 0.2  # it never saw the door
    assert closed.to(60)["body"] == 0.001


def test_a_schedule_wakes_a_module_so_many_times_until_the_engine_has_run() -> None:
    calls = Calls(100 * S, (300 * S, 300 * S), 2)
    made = vehicle(modules=(module("telematics", calls=calls),))
    life = Life(made, Script("made", False, (Event(2000 * S, "engine", "", 10 * S),)))
    wakes = [at for at, amps in life.changes("telematics", 5000) if amps == 0.5]
    assert wakes == [100.0, 400.0, 2000.0, pytest.approx(2200.0), pytest.approx(2500.0)]


def test_a_defect_wakes_at_random_within_its_bounds(seed: int) -> None:
    sick = replace(
        vehicle(modules=(module("keyless", stages=(Stage(0.3, S),)),)),
        defects=(Defect("wet", model.WAKES_ITSELF, True, "keyless", (60 * S, 90 * S)),),
    )
    life = Life(sick, events(), seed)
    begins = [at for at, amps in life.changes("keyless", 20_000) if amps == 0.3]
    gaps = [later - one for one, later in itertools.pairwise(begins)]
    assert begins[0] <= 90
    assert len(gaps) > 200
    assert all(60 <= gap <= 90 for gap in gaps)
    assert sum(gaps) / len(gaps) == pytest.approx(75, abs=6 * 30 / 12**0.5 / len(gaps) ** 0.5)


def reckoned(made: Vehicle, plan: Script, at_s: float) -> Callable[[str], bool]:
    """Which modules are up at an instant, by intervals: for one bus, no gateways, no pulled fuses."""
    needs = []
    for one in made.modules:
        work_s = sum(stage.ticks for stage in one.stages) / S
        for event in plan.events:
            if event.action in one.wakes:
                needs.append((one.name, event.at_ticks / S, event.at_ticks / S + work_s))
    up = sorted((begin, end) for _, begin, end in needs)

    def is_up(name: str) -> bool:
        own = any(begin <= at_s < end for who, begin, end in needs if who == name)
        one = next(m for m in made.modules if m.name == name)
        return own or (bool(one.buses) and any(begin <= at_s < end + IDLE_S for begin, end in up))

    return is_up


@pytest.mark.parametrize("turn", range(8))
def test_any_bus_against_a_second_reckoning(turn: int, seed: int) -> None:
    draw = random.Random(f"{seed} {turn}")
    modules = tuple(
        module(
            f"m{k}",
            stages=tuple(Stage(0.3, draw.randint(1, 40) * S) for _ in range(draw.randint(1, 3))),
            wakes=("door",) if draw.random() < 0.4 else (),
            buses=("body",),
        )
        for k in range(draw.randint(1, 5))
    )
    at_s = sorted(draw.sample(range(1, 400), 6))
    plan = events(*[(at, "door", "opens" if k % 2 == 0 else "closes") for k, at in enumerate(at_s)])
    made = vehicle(modules=modules, buses=(Bus("body", round(IDLE_S * S)),))
    life = Life(made, plan)
    for at in sorted(draw.uniform(0, 500) for _ in range(40)):
        drawn, is_up = life.to(at), reckoned(made, plan, at)
        assert {name: amps > 0.01 for name, amps in drawn.items()} == {
            one.name: is_up(one.name) for one in modules
        }


def test_what_stays_awake_is_reckoned_as_it_lives() -> None:
    """`standing`, by which finding and charge are reckoned, against hours of the vehicle's own life."""
    car = load_vehicle(data.shipped("vehicles", "vehicle-5"))
    for defects in ((), tuple(replace(d, on=True) for d in car.defects if d.kind != model.WAKES_ITSELF)):
        made = replace(car, defects=defects, twitches=())
        life = Life(made, Script("locked", not defects, ()))
        stands = {name: amps for (name, _), amps in standing.stands(made).items()}
        assert life.to(3600) == stands
    healthy = replace(car, twitches=(), defects=())
    calls = 43_200 / 21_600
    extra = {"telematics": [(25, 0.24), (20, 0.12), (3, 0.07)], "gateway": [(48, 0.14)], "body": [(48, 0.12)],
             "radio": [(48, 0.19)], "keyless": [(48, 0.06)], "engine": [(47, 0.09)], "wiper": [(47, 0.04)],
             "door-left": [(48, 0.045)], "door-right": [(48, 0.045)],
             "rain-sensor": [(47, 0.015)]}  # fmt: skip
    asleep = {one.name: one.asleep_a for one in car.modules}
    more = sum(s * (amps - asleep[name]) for name, parts in extra.items() for s, amps in parts)
    by_hand = sum(asleep.values()) + 2 * calls * more / 86_400
    # 2 + 2 calls in a day, of which the last begins at its very end
    assert standing.mean_a(healthy) == pytest.approx(by_hand - more / 86_400, rel=2e-4)


MISTAKES = [
    ("asleep: 4 mA\n", "asleep: 4 mA\n    buses: [body]\n", "buses can't have 'body'"),
    ("asleep: 4 mA\n", "asleep: 4 mA\n    waits: 90 mA\n", "waits means nothing without buses"),
    ("asleep: 4 mA\n", "asleep: 4 mA\n    gives_up: 9 min\n", "gives_up means nothing without holds"),
    ("asleep: 4 mA\n", "asleep: 4 mA\n    holds: [dor]\n", "did you mean 'door'"),
    ("asleep: 4 mA\n", "asleep: 4 mA\n    calls: {every: 10 ms}\n", "must be at least 1 s"),
    ("siren, fuse: F9,", "siren, fuse: F9, holds: [door],", "holds needs stages"),
    ("twitches:\n", "buses: [{bus: lin, master: nobody}]\ntwitches:\n", "must be a module on it,"),
    ("twitches:\n", "buses: [{bus: lin, master: siren, idle: 3 s}]\ntwitches:\n", "idle must be 4 s .. 10 s"),
    ("twitches:\n", "defects: [{defect: d, kind: no-sleep}]\ntwitches:\n", "no-sleep lacks the key 'module'"),
    ("twitches:\n", "defects: [{defect: d, kind: latch-open, module: siren}]\ntwitches:\n", "no module"),
    ("twitches:\n", "defects: [{defect: d, kind: no-sleep, module: siron}]\ntwitches:\n", "mean 'siren'"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "words"), MISTAKES)
def test_mistakes_are_found(old: str, new: str, words: str, tmp_path: Path) -> None:
    source = data.shipped("vehicles", "vehicle-1").read_text()
    assert old in source
    (tmp_path / "v.yaml").write_text(source.replace(old, new, 1))
    with pytest.raises(InputError) as raised:
        load_vehicle(tmp_path / "v.yaml")
    assert any(words in finding.text() for finding in raised.value.findings), raised.value.findings
    assert all(finding.line and finding.column for finding in raised.value.findings)


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ("- {at: 1 s, latch: closes}", "the latch is closed already"),
        ("- {at: 1 s, door: opens}\n- {at: 2 s, latch: closes}\n- {at: 3 s, door: closes}", "open the latch"),
        ("- {at: 1 s, defect: rust}", "this vehicle has no defect 'rust'"),
        ("- {at: 1 s, ignition: start}", "ignition must be one of off, accessory, on"),
        ("- {at: 1 s, key: far}", "key must be one of near, away"),
    ],
)
def test_a_scripts_mistakes_are_found(lines: str, words: str, tmp_path: Path) -> None:
    (tmp_path / "s.yaml").write_text(f"script: made\nevents:\n{lines}\n")
    with pytest.raises(InputError) as raised:
        load_script(tmp_path / "s.yaml", load_vehicle(data.shipped("vehicles", "vehicle-1")))
    assert any(words in finding.text() for finding in raised.value.findings), raised.value.findings
