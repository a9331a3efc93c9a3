"""A script: what happens to the vehicle, and when. Read from YAML, checked against the vehicle's names."""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

from nightdraw import places, units
from nightdraw.errors import nearest
from nightdraw.fields import (
    TICKS,
    Choice,
    Defs,
    ExactlyOne,
    Field,
    Form,
    Listed,
    Quantity,
    Read,
    Record,
    Text,
    in_range,
    read_with,
)
from nightdraw.places import Findings, Node
from nightdraw.vehicle.cabin import POSITIONS
from nightdraw.vehicle.model import Vehicle

BEGINS = ("asleep", "awake")  # how the vehicle stands at zero: long parked, or just locked
PULL, BACK, DOOR, CAR, ENGINE, CHARGER = "pull", "back", "door", "car", "engine", "charger"
LATCH, IGNITION, KEY, DEFECT, MENDED = "latch", "ignition", "key", "defect", "mended"
MAX_EVENTS = 10_000  # a day of one every nine seconds
MAX_AT = ("0 s", "31 d")
SIXTY = 60
CLOCK = re.compile(r"(?:([0-9]{1,3}):(?=[0-9]{2}:))?([0-9]{1,5}):([0-9]{2}(?:\.[0-9]{1,4})?)")  # to the tick
ENGINE_TIME = ("1 s", "10 h")


NAMED = Text("a name")


@dataclass(frozen=True)
class Moment(Form):
    """An instant after zero in ticks: a duration, or `12:30` and `1:02:03` as on a clock that counts up."""

    bounds = MAX_AT

    def read(self, node: Node, findings: Findings, what: str) -> int | None:
        at = read_with(node, findings, what, moment)
        if at is None or not in_range(node, findings, what, at, self.bounds, "time"):
            return None
        return units.to_ticks(at)

    def schema(self, defs: Defs) -> dict[str, Any]:
        duration = Quantity("time").schema(defs)
        clock = r"^ *([0-9]{1,3}:[0-5][0-9]|[0-9]{1,5}):[0-5][0-9](\.[0-9]{1,4})? *$"
        return {"anyOf": [duration, {"type": "string", "pattern": clock}]}

    def describe(self) -> str:
        return f"time, {self.bounds[0]} .. {self.bounds[1]}; or minutes:seconds, hours:minutes:seconds"


# What can happen.
HAPPENS = (
    Field(PULL, NAMED, "A fuse is pulled."),
    Field(BACK, NAMED, "It is put back."),
    Field(
        DOOR,
        Choice(("opens", "closes")),
        "It opens or closes; it is closed at first, and may stay open at the end.",
    ),
    Field(
        LATCH,
        Choice(("opens", "closes")),
        "An open door's latch is moved by hand: closed, the modules take the door for closed.",
    ),
    Field(CAR, Choice(("unlocked", "locked")), "It is unlocked or locked."),
    Field(ENGINE, Quantity("time", ENGINE_TIME, TICKS), "It is started and runs so long."),
    Field(CHARGER, Choice(("on", "off")), "The support charger is switched."),
    Field(IGNITION, Choice(tuple(POSITIONS)), "It is turned."),
    Field(KEY, Choice(("near", "away")), "It comes near the car, or goes."),
    Field(DEFECT, NAMED, "A defect of the vehicle comes about."),
    Field(MENDED, NAMED, "It is mended."),
)
# what can happen -> the words that it can have; None: the name of a fuse or a defect; (): a duration
ACTIONS: dict[str, tuple[str, ...] | None] = {
    field.key: field.form.names if isinstance(field.form, Choice) else None if field.form is NAMED else ()
    for field in HAPPENS
}
EVENT = Record(
    "an event",
    (Field("at", Moment(), "After the recording's zero.", True), *HAPPENS),
    rules=(ExactlyOne(tuple(ACTIONS)),),
)
SCRIPT = Record(
    "the script",
    (
        Field("script", Text(), "A name for it.", True),
        Field("about", Text(), "For people."),
        Field("begins", Choice(BEGINS), "Long parked, or just locked.", default=BEGINS[0]),
        Field("events", Listed(EVENT, 0, MAX_EVENTS, "events", "an event"), "What happens.", True),
    ),
)


@dataclass(frozen=True)
class Event:
    """Something that happens `at_ticks` after zero: the action, its word or fuse, or its length in ticks."""

    at_ticks: int
    action: str
    word: str
    ticks: int = 0


@dataclass(frozen=True)
class Script:
    """Events in the order of time; awake: the vehicle has just been locked at zero."""

    name: str
    awake: bool
    events: tuple[Event, ...]


EMPTY = Script("nothing happens", False, ())


def load_script(path: str | Path, vehicle: Vehicle) -> Script:
    """The script in a YAML file for a vehicle; raises InputError with every finding and its place."""
    root, findings = places.read(path)
    f = SCRIPT.open(root, findings)
    read = [(one.place, _event(one, vehicle)) for one in f["events"] or ()]
    events = [(node, event) for node, event in read if event is not None]
    events.sort(key=lambda pair: pair[1].at_ticks)
    _names_in_turn(events, findings, vehicle)
    _doors_in_turn(events, findings)
    _engine_in_turn(events, findings, vehicle)
    findings.stop()
    return Script(f["script"], f["begins"] == "awake", tuple(event for _, event in events))


def _event(f: Read, vehicle: Vehicle) -> Event | None:
    named = [action for action in ACTIONS if action in f]
    if f["at"] is None or len(named) != 1:
        return None
    action, value = named[0], f[named[0]]
    words = ACTIONS[action]
    if action == CHARGER and vehicle.charger is None:
        f.findings.add(f.key_place(action), "this vehicle has no support charger")
    if value is None or (words is None and not _exists(f, action, vehicle)):
        return None
    return Event(f["at"], action, "", value) if words == () else Event(f["at"], action, value)


def moment(text: str) -> Fraction:
    """Seconds from `12.5 min` or another duration, `12:30` (minutes) or `1:02:03` (hours); QuantityError."""
    match = CLOCK.fullmatch(text.strip(" ")) if len(text) <= units.MAX_TEXT else None
    if match is None:
        if ":" in text:
            raise units.QuantityError(f"{units.shown(text)} is no time: minutes:seconds such as 12:30")
        return units.parse(text, "time")
    hours, minutes, seconds = match.groups()
    if Fraction(seconds) >= SIXTY:
        raise units.QuantityError(f"{units.shown(text)} has more than 59 seconds")
    if hours is not None and int(minutes) >= SIXTY:
        raise units.QuantityError(f"{units.shown(text)} has more than 59 minutes")
    return (int(hours or 0) * SIXTY + int(minutes)) * SIXTY + Fraction(seconds)


def names(vehicle: Vehicle, action: str) -> tuple[str, list[str]]:
    """What an action whose word is a name acts on, and the names that there are."""
    if action in (DEFECT, MENDED):
        return "defect", [defect.name for defect in vehicle.defects]
    return "fuse", vehicle.fuse_names()


def _exists(f: Read, key: str, vehicle: Vehicle) -> bool:
    name, (what, known) = f[key], names(vehicle, key)
    if name not in known:
        hint = nearest(name[:60], known) or f"known: {', '.join(known) or 'none'}"
        f.add(key, f"this vehicle has no {what} {units.shown(name)}", hint)
    return name in known


def _names_in_turn(events: list[tuple[Node, Event]], findings: Findings, vehicle: Vehicle) -> None:
    """A fuse that is out can't be pulled, one that is in can't be put back; likewise for defects."""
    out: set[tuple[str, str]] = {(DEFECT, defect.name) for defect in vehicle.defects if defect.on}
    turns = {PULL: (PULL, True), BACK: (PULL, False), DEFECT: (DEFECT, True), MENDED: (DEFECT, False)}
    messages = {PULL: "fuse {} is out already", BACK: "fuse {} is in already",
            DEFECT: "the defect {} is there already", MENDED: "the defect {} isn't there"}  # fmt: skip
    for node, event in events:
        if event.action not in turns:
            continue
        kind, goes = turns[event.action]
        if ((kind, event.word) in out) == goes:
            findings.add(node, messages[event.action].format(event.word))
        (out.add if goes else out.discard)((kind, event.word))


def _doors_in_turn(events: list[tuple[Node, Event]], findings: Findings) -> None:
    """A door that is open can't open; it is closed at first, and may stay open at the end. Its latch moves
    with it; by hand only while the door is open, and closed it keeps the door from closing."""
    door = latch = False
    for node, event in events:
        if event.action not in (DOOR, LATCH):
            continue
        opens, is_open = event.word == "opens", door if event.action == DOOR else latch
        if opens == is_open:
            findings.add(node, f"the {event.action} is {'open' if is_open else 'closed'} already")
        elif event.action == LATCH and not door:
            findings.add(node, "the door is closed, its latch can't be reached")
        elif event.action == DOOR and not opens and not latch:
            findings.add(node, "the door doesn't close on a closed latch: open the latch before")
        latch = opens
        door = opens if event.action == DOOR else door


def _engine_in_turn(events: list[tuple[Node, Event]], findings: Findings, vehicle: Vehicle) -> None:
    """An engine that cranks or runs can't be started."""
    crank_ticks = 0 if vehicle.starter is None else vehicle.starter.ticks
    until = 0
    for node, event in events:
        if event.action != ENGINE:
            continue
        if event.at_ticks < until:
            findings.add(node, f"the engine runs already, until {until / units.TICKS_PER_S:g} s")
        until = max(until, event.at_ticks + crank_ticks + event.ticks)
