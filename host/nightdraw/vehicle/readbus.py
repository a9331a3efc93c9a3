"""What a vehicle's file says of data buses, of what holds modules awake, and of the vehicle's own defects."""

from __future__ import annotations

from collections.abc import Container, Sequence
from dataclasses import replace
from fractions import Fraction

from nightdraw import units
from nightdraw.fields import Fields, read_with
from nightdraw.places import Node
from nightdraw.vehicle import model
from nightdraw.vehicle.model import Bus, Calls, Defect, Module, Relay
from nightdraw.vehicle.readnames import Names

TIME = ("1 ms", "30 d")
DRAW = ("0 A", "100 A")
MODULE_KEYS = ("buses", "waits", "holds", "gives_up", "calls")
IDLE = ("1 ms", "1 h")
LIN_IDLE = ("4 s", "10 s")  # ISO 17987-2: how long a bus is silent until its nodes sleep by themselves
CAN_IDLE_S = 2  # some seconds in practice; our own figure
CALLS_EVERY = "1 s"  # more often than that is no schedule: a twitch
MOST_CALLS = 100_000
MOST_WARNING = 400  # characters: what somebody reads before he touches the car
LAMP_VOLTS = 12.0  # the voltage that watts are given at, for each battery in series
LEAK = ("1 ohm", "1000 kohm")
# a defect's kind -> the keys that it must have, and those that it may
DEFECT_KEYS: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    model.NO_SLEEP: (("module",), ()),
    model.WAKES_ITSELF: (("module", "every"), ()),
    model.LATCH_OPEN: ((), ()),
    model.STUCK_CONTACT: (("relay",), ()),
    model.GROUND_FAULT: (("fuse", "ohms"), ()),
    model.CORROSION: (("ohms",), ("fuse",)),
    model.DIODE: (("ohms",), ()),
    model.SHEDS_EARLY: (("below",), ()),
}
# a kind -> what of the vehicle it is a defect of
NEEDS = {model.DIODE: "alternator", model.SHEDS_EARLY: "sensor"}


def span(text: str) -> tuple[int, int]:
    """A duration or a range of durations in ticks, 1 ms .. 30 d; raises QuantityError."""
    low, high = units.parse_span(text, "time")
    if low < units.MIN_DURATION_S:
        raise units.QuantityError(f"{units.shown(text)} is too short, a duration is at least 1 ms")
    if high > units.parse(TIME[1], "time"):
        raise units.QuantityError(f"{units.shown(text)} is too long, a duration is at most {TIME[1]}")
    return units.to_ticks(low), units.to_ticks(high)


class BusReader(Names):
    """Reads these parts of one vehicle; leaves findings for what is wrong in them."""

    def _bus(self, node: Node) -> Bus | None:
        f = Fields(node, self._findings, "a bus", ("bus", "idle", "master"), ("bus",))
        name = self._name(f, "bus", self._buses)
        master = f.text("master")
        lin = "master" in f
        default = units.parse(LIN_IDLE[0], "time") if lin else units.parse(f"{CAN_IDLE_S} s", "time")
        idle = f.quantity("idle", "time", LIN_IDLE if lin else IDLE, default)
        if name is None or idle is None or (lin and master is None):
            return None
        return Bus(name, units.to_ticks(idle), master)

    def _check_masters(self, f: Fields, buses: Sequence[Bus], modules: Sequence[Module]) -> None:
        """A master is a module on its bus; a child has no other bus."""
        for bus in buses:
            on = [module for module in modules if bus.name in module.buses]
            if bus.master is not None and bus.master not in [module.name for module in on]:
                said = f"the master of bus {bus.name} must be a module on it, {units.shown(bus.master)} isn't"
                self._findings.add(f.value_place("buses"), said)
            for module in on if bus.master is not None else ():
                if module.name != bus.master and len(module.buses) > 1:
                    said = f"{module.name} is a child on bus {bus.name} and can't be on another bus"
                    self._findings.add(f.value_place("modules"), said)

    def _bus_life(self, f: Fields, module: Module) -> Module:
        """A module with what it says of its buses, of what holds it and of when it wakes by itself."""
        buses = tuple(dict.fromkeys(self._words(f, "buses", tuple(self._buses))))
        holds = self._words(f, "holds", model.HOLDS)
        gives_up = f.quantity("gives_up", "time", TIME)
        last_a = module.stages[-1].draw_a if module.stages else module.asleep_a
        waits = f.quantity("waits", "current", DRAW)
        calls = self._calls(f) if "calls" in f else None
        for key in ("holds", "calls"):
            if key in f and "stages" not in f:
                self._findings.add(f.key_place(key), f"{key} needs stages: without them it is never awake")
        for key, needs in (("waits", "buses"), ("gives_up", "holds")):
            if key in f and needs not in f:
                self._findings.add(f.key_place(key), f"{key} means nothing without {needs}")
        return replace(
            module, buses=buses, holds=holds, calls=calls,
            waits_a=last_a if waits is None else float(waits),
            gives_up_ticks=None if gives_up is None else units.to_ticks(gives_up),
        )  # fmt: skip

    def _calls(self, f: Fields) -> Calls | None:
        g = Fields(f.node("calls"), self._findings, "calls", ("first", "every", "times"), ("every",))
        every = self._often(g)
        first = g.quantity("first", "time", ("0 s", "30 d"))
        times = g.whole("times", 1, MOST_CALLS, 0)
        if every is None or times is None:
            return None
        return Calls(every[0] if first is None else units.to_ticks(first), every, times)

    def _often(self, f: Fields) -> tuple[int, int] | None:
        every = f.parsed("every", span)
        if every is not None and every[0] < units.to_ticks(units.parse(CALLS_EVERY, "time")):
            self._findings.add(f.value_place("every"), f"every must be at least {CALLS_EVERY}")
            return None
        return every

    def _defect(self, node: Node, has: Container[str]) -> Defect | None:
        """has: the parts that the vehicle has."""
        keys = tuple(dict.fromkeys(key for both in DEFECT_KEYS.values() for keys in both for key in keys))
        f = Fields(node, self._findings, "a defect", ("defect", "kind", "on", *keys), ("defect", "kind"))
        name = self._name(f, "defect")
        kind = f.choice("kind", model.DEFECTS)
        on = f.choice("on", ("yes", "no"), "yes")
        before = len(self._findings)
        if kind is not None:
            self._check_keys(f, kind, keys)
            if NEEDS.get(kind, "") not in ("", *(part for part in NEEDS.values() if part in has)):
                self._findings.add(f.value_place("kind"), f"{kind}: this vehicle has no {NEEDS[kind]}")
        module = self._known(f, "module", self._modules, "module") if "module" in f else None
        relay = self._known(f, "relay", self._relays, "relay") if "relay" in f else None
        fuse = self._known(f, "fuse", self._fuses, "fuse") if "fuse" in f else None
        every = self._often(f) if "every" in f else (0, 0)
        ohms = f.quantity("ohms", "resistance", LEAK)
        below = f.quantity("below", "percent", ("0 %", "100 %"), Fraction(0))
        if name is None or kind is None or on is None or every is None or below is None:
            return None
        if len(self._findings) > before:
            return None
        siemens = 0.0 if ohms is None else 1 / float(ohms)
        return Defect(name, kind, on == "yes", module, every, relay, fuse, siemens, float(below))

    def _check_keys(self, f: Fields, kind: str, keys: tuple[str, ...]) -> None:
        must, may = DEFECT_KEYS[kind]
        for key in keys:
            if key in f and key not in (*must, *may):
                self._findings.add(f.key_place(key), f"{kind} takes no {key}")
            elif key in must and key not in f:
                self._findings.add(f.key_place(key), f"{kind} lacks the key {key!r}")

    def _relay(self, node: Node) -> Relay | None:
        keys = ("relay", "fuse", "power", "closed", "by")
        f = Fields(node, self._findings, "a relay", keys, keys[:3])
        name = self._name(f, "relay", self._relays)
        fuse = self._known(f, "fuse", self._fuses, "fuse")
        watts = f.quantity("power", "power", ("0.1 W", "500 W"))
        closed = self._words(f, "closed", model.RELAY_CLOSED)
        by = self._known(f, "by", self._modules, "module") if "by" in f else None
        if name is None or fuse is None or watts is None:
            return None
        return Relay(name, fuse, float(watts) / (LAMP_VOLTS * self._in_series) ** 2, closed, by)

    def _warning(self, node: Node) -> str | None:
        text = read_with(node, self._findings, "a warning", str)
        if text is not None and len(text) > MOST_WARNING:
            self._findings.add(node, f"a warning has at most {MOST_WARNING} characters")
            return None
        return None if text is None else " ".join(text.split())
