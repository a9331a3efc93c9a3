"""What the vehicle's tests share: vehicles made at random, and a world of boxes in one."""

from __future__ import annotations

import math

from hypothesis import strategies as st
from nightdraw.vehicle import battery, model
from nightdraw.vehicle.model import (
    Battery,
    Feed,
    Fuse,
    Lamp,
    Main,
    Module,
    Source,
    Splice,
    Stage,
    Twitch,
    Vehicle,
)
from nightdraw.vehicle.script import Event, Script

S = 10_000  # ticks a second
BATTERY = Battery(model.FLOODED, 60.0, 85.0, 25.0, 0.008, 5.0, 50.0, 9.6)
RATINGS = {"C": (2.0, 5.0, 7.5, 10.0, 15.0, 30.0), "F": (5.0, 7.5, 10.0, 15.0, 20.0)}


def vehicle(**changes: object) -> Vehicle:
    """A small vehicle: two feeds, three fuses, one module that sleeps, one splice."""
    said: dict[str, object] = {
        "name": "made",
        "about": "",
        "battery": BATTERY,
        "feeds": (Feed("front", 0.004), Feed("rear", 0.006)),
        "fuses": (
            Fuse("F1", "front", "C", 10.0, 0.03),
            Fuse("F2", "rear", "F", 15.0, 0.04),
            Fuse("F3", "rear", "C", 5.0, 0.05),
        ),
        "modules": (Module("body", "F1", (Stage(0.9, 20 * S), Stage(0.2, 40 * S)), 0.01, ("door",), False),),
        "twitches": (),
        "lamps": (),
        "splices": (Splice("a", "F2", 0.02), Splice("b", "F3", 0.02)),
        "charger": Source(13.6, 0.05, 5.0),
        "alternator": Source(14.4, 0.02, 70.0),
        "starter": model.Starter(150.0, 8000),
        "sensor": None,
        "file": "made.yaml",
    }
    return Vehicle(**{**said, **changes})  # type: ignore[arg-type]


def days_to_no_start(cell: Battery, charge_pct: float, drain_a: float, crank_a: float) -> float | None:
    """The closed form under a constant drain: q' = -I/C - k q solved for the time to the starting floor."""
    if not battery.starts(cell, charge_pct, crank_a):
        return 0.0
    share, rate = drain_a / cell.capacity_ah, battery.lost_per_hour(cell)
    start, end = charge_pct / 100, battery.floor_pct(cell, charge_pct, crank_a) / 100
    if rate < 1e-12:
        return (start - end) / share / 24 if share > 0 else None
    if share + rate * end <= 0:
        return None
    return math.log((start * rate + share) / (end * rate + share)) / rate / 24


@st.composite
def vehicles(draw: st.DrawFn) -> Vehicle:
    """Vehicles with a few feeds and fuses, modules, twitches and lamps anywhere."""
    milli = st.integers(1, 60).map(lambda value: value / 1000)
    mains = st.sampled_from([None, 40.0, 60.0, 80.0])
    feeds = tuple(
        Feed(f"feed{k}", draw(milli), None if (rating := draw(mains)) is None else Main(f"M{k}", "E", rating))
        for k in range(draw(st.integers(1, 3)))
    )
    fuses = []
    for k in range(draw(st.integers(1, 6))):
        kind = draw(st.sampled_from(sorted(RATINGS)))
        rating = draw(st.sampled_from(RATINGS[kind]))
        fuses.append(Fuse(f"F{k}", draw(st.sampled_from(feeds)).name, kind, rating, draw(milli)))
    names = st.sampled_from([fuse.name for fuse in fuses])
    amps = st.integers(1, 3000).map(lambda value: value / 1000)
    ticks = st.integers(10, 20 * S)
    buses = tuple(model.Bus(f"b{k}", draw(ticks)) for k in range(draw(st.integers(0, 2))))
    on = st.sets(st.sampled_from([bus.name for bus in buses])) if buses else st.just(set[str]())
    modules = tuple(
        Module(
            f"m{k}",
            draw(names),
            tuple(Stage(draw(amps), draw(ticks)) for _ in range(draw(st.integers(0, 3)))),
            draw(amps) / 100,
            tuple(draw(st.sets(st.sampled_from(model.MODULE_WAKES)))),
            False,
            buses=tuple(sorted(draw(on))),
            waits_a=draw(amps) / 10,
            holds=tuple(draw(st.sets(st.sampled_from(model.HOLDS)))),
            gives_up_ticks=draw(st.none() | ticks),
        )
        for k in range(draw(st.integers(0, 4)))
    )
    kinds = st.sampled_from([model.NO_SLEEP, model.WAKES_ITSELF])
    defects = tuple(
        model.Defect(f"d{k}", draw(kinds), draw(st.booleans()), f"m{k}", (S, 9 * S))
        for k in range(draw(st.integers(0, len(modules))))
    )
    twitches = tuple(
        Twitch(f"t{k}", draw(names), draw(amps), 50, (100, 40_000), draw(st.booleans()))
        for k in range(draw(st.integers(0, 2)))
    )
    lamps = tuple(
        Lamp(f"l{k}", draw(names), draw(amps) / 12, tuple(model.WAKES), draw(ticks), draw(ticks) * 3)
        for k in range(draw(st.integers(0, 2)))
    )
    splices = tuple(Splice(f"s{k}", draw(names), draw(milli)) for k in range(2))
    return vehicle(
        feeds=feeds,
        fuses=tuple(fuses),
        modules=modules,
        twitches=twitches,
        lamps=lamps,
        splices=splices,
        buses=buses,
        defects=defects,
    )


@st.composite
def scripts(draw: st.DrawFn, made: Vehicle, most_ticks: int) -> Script:
    """Scripts that keep a fuse's order, main fuses among them, within so many ticks."""
    events, out = [], set[str]()
    for at in sorted(draw(st.lists(st.integers(0, most_ticks), max_size=8))):
        fuse = draw(st.sampled_from(made.fuse_names()))
        action, word = draw(
            st.sampled_from(
                [
                    ("door", "opens"),
                    ("door", "closes"),
                    ("car", "unlocked"),
                    ("car", "locked"),
                    ("charger", "on"),
                    ("charger", "off"),
                    ("engine", ""),
                    ("ignition", "off"),
                    ("ignition", "on"),
                    ("key", "near"),
                    ("key", "away"),
                ]
                + [("back" if fuse in out else "pull", fuse)] * 3
            )
        )
        if action in ("pull", "back"):
            (out.add if action == "pull" else out.discard)(fuse)
        events.append(Event(at, action, word, 3 * S if action == "engine" else 0))
    return Script("made", draw(st.booleans()), tuple(events))
