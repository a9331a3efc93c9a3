"""From a vehicle's YAML to the checked model: what the table can't say, for names must exist and agree.

All findings of a file are collected and raised together, as profiles' are.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, TypeVar

from nightdraw import places, units
from nightdraw.bank.parts import blade_fuses as blades
from nightdraw.errors import nearest
from nightdraw.fields import NAME, Read
from nightdraw.places import Findings, Mapping, Node, Scalar
from nightdraw.vehicle import model, table
from nightdraw.vehicle.loading import overloads
from nightdraw.vehicle.model import (
    Battery,
    Bus,
    Defect,
    Feed,
    Fuse,
    Lamp,
    Main,
    Module,
    Relay,
    Second,
    Splice,
    Twitch,
    Vehicle,
)

CHANNEL = "channel"
MAIN = "-main"  # behind a feed's name: what its main fuse is called that has no name of its own
# A defect's kind -> what of the vehicle it is a defect of.
NEEDS = {model.DIODE: "alternator", model.SHEDS_EARLY: "sensor"}
T = TypeVar("T")


def load_vehicle(path: str | Path) -> Vehicle:
    """The vehicle in a YAML file; raises InputError with every finding, each with file, line and column."""
    root, findings = places.read(path)
    vehicle = _Reader(findings, _in_series(root)).read(root)
    findings.stop()
    assert vehicle is not None
    return vehicle


def vehicle_name(text: str) -> str:
    """The text as a vehicle's name; raises ValueError."""
    found: str = NAME.value(text)
    return found


def _in_series(root: Node) -> int:
    """How many batteries are in series, by which all volts are held; what is wrong there is told later."""
    for key in ("battery", "in_series"):
        entry = root.entries.get(key) if isinstance(root, Mapping) else None
        root = root if entry is None else entry.value
    return 2 if isinstance(root, Scalar) and root.text == "2" else 1


class _Reader:
    """Makes one vehicle; each method makes one part and leaves findings for what is wrong in it."""

    def __init__(self, findings: Findings, in_series: int) -> None:
        self._findings = findings
        self._in_series = in_series
        self._names: dict[tuple[str, str], str] = {
            (CHANNEL, model.BATTERY): "the battery's channel",
            (CHANNEL, model.ALL): "the word for every channel",
        }
        # What is named, whatever else is wrong with it.
        self._known: dict[str, list[str]] = {key: [] for key in ("feed", "fuse", "bus", "module", "relay")}
        self._places: dict[str, Node] = {}  # of feeds' and fuses' names

    def read(self, root: Node) -> Vehicle | None:
        """The vehicle, or None with findings."""
        f = table.vehicle(self._in_series).open(root, self._findings)
        feeds = self._made(f["feeds"], self._feed)
        fuses = self._made(f["fuses"], self._fuse)
        buses = self._made(f["buses"], self._bus)
        modules = self._made(f["modules"], self._module)
        self._check_masters(f, buses, modules)
        relays = self._made(f["relays"], self._relay)
        second = self._second(f["second"])
        made: dict[str, Any] = {
            "defects": self._made(f["defects"], lambda read: self._defect(read, f)),
            "twitches": self._made(f["twitches"], self._twitch),
            "lamps": self._made(f["lamps"], self._lamp),
            "splices": self._made(f["splices"], self._splice),
            "second": second,
        }
        if len(self._findings) or not f.good:
            return None
        rest = ("about", "battery", "charger", "alternator", "starter", "sensor", "warnings")
        vehicle = Vehicle(
            name=f["vehicle"], feeds=feeds, fuses=fuses, modules=modules, buses=buses, relays=relays,
            file=self._findings.file, noise_a=f["noise"], **made, **{key: f[key] for key in rest},
        )  # fmt: skip
        for fused_path, message in overloads(vehicle):
            self._findings.add(self._places[fused_path], message)
        return vehicle

    def _made(self, reads: tuple[Read, ...] | None, make: Callable[[Read], T | None]) -> tuple[T, ...]:
        return tuple(found for read in reads or () if (found := make(read)) is not None)

    def _feed(self, f: Read) -> Feed | None:
        is_own = self._own(f, "feed")
        main = self._main(f["fuse"], f["feed"]) if f["fuse"] is not None else None
        return Feed(f["feed"], f["ohms"], main) if is_own and f.good else None

    def _main(self, f: Read, feed: str | None) -> Main | None:
        """A feed's main fuse, named after the feed unless it has a name."""
        if "fuse" in f:
            is_own, name = self._own(f, "fuse", is_known=False), f["fuse"]
        else:
            name = None if feed is None else f"{feed}{MAIN}"
            is_own = name is not None and self._take(name, f.place, "main fuse")
        return Main(name, f["type"], f["rating_a"]) if self._blade(f) and is_own and name else None

    def _fuse(self, f: Read) -> Fuse | None:
        is_own, is_fed = self._own(f, "fuse"), self._exists(f, "feed")
        return Fuse(**f.named()) if self._blade(f) and is_own and is_fed and f.good else None

    def _blade(self, f: Read) -> bool:
        """Whether its type has such a rating, with a known resistance."""
        kind, rating = f["type"], f["rating_a"]
        if kind is None or rating is None:
            return False
        known = blades.RATINGS[kind]
        if rating not in known:
            names = ", ".join(f"{value:g} A" for value in known)
            f.add("rating_a", f"type {kind} has no such rating", f"known: {names}")
            return False
        mohm, message = blades.cold_mohm(kind, rating)
        if mohm is None:
            f.add("rating_a", f"its resistance isn't known: {message}")
        return mohm is not None

    def _bus(self, f: Read) -> Bus | None:
        is_own, is_lin = self._own(f, "bus"), "master" in f
        idle = f["idle_ticks"]
        low, high = (units.to_ticks(units.parse(bound, "time")) for bound in table.LIN_IDLE)
        if idle is None and "idle_ticks" not in f:
            idle = low if is_lin else units.to_ticks(units.parse(table.CAN_IDLE, "time"))
        elif idle is not None and is_lin and not low <= idle <= high:
            f.add("idle_ticks", f"{f.key('idle_ticks')} must be {' .. '.join(table.LIN_IDLE)} with a master")
        return Bus(f["bus"], idle, f["master"]) if is_own and f.good else None

    def _check_masters(self, f: Read, buses: Sequence[Bus], modules: Sequence[Module]) -> None:
        """A master is a module on its bus; a child has no other bus."""
        for bus in buses:
            on = [module for module in modules if bus.name in module.buses]
            if bus.master is not None and bus.master not in [module.name for module in on]:
                message = (
                    f"the master of bus {bus.name} must be a module on it, {units.shown(bus.master)} isn't"
                )
                f.add("buses", message)
            for module in on if bus.master is not None else ():
                if module.name != bus.master and len(module.buses) > 1:
                    f.add(
                        "modules", f"{module.name} is a child on bus {bus.name} and can't be on another bus"
                    )

    def _module(self, f: Read) -> Module | None:
        is_sound = self._on_fuse(f, "module")
        known = self._known["bus"]
        for name, node in f["buses"] or ():
            if name not in known:
                hint = nearest(name[:60], known) or f"known: {', '.join(known)}"
                self._findings.add(node, f"buses can't have {units.shown(name)}", hint)
        for key in ("holds", "calls"):
            if key in f and "stages" not in f:
                f.findings.add(f.key_place(key), f"{key} needs stages: without them it is never awake")
        for key, needs in (("waits", "buses"), ("gives_up", "holds")):
            if key in f and needs not in f:
                f.findings.add(f.key_place(key), f"{key} means nothing without {needs}")
        if not is_sound:
            return None
        buses = tuple(dict.fromkeys(name for name, _ in f["buses"] if name in known))
        last_a = f["stages"][-1].draw_a if f["stages"] else f["asleep_a"]
        return Module(
            **f.named() | {"buses": buses, "waits_a": last_a if f["waits_a"] is None else f["waits_a"]}
        )

    def _twitch(self, f: Read) -> Twitch | None:
        return Twitch(**f.named()) if self._on_fuse(f, "twitch") else None

    def _lamp(self, f: Read) -> Lamp | None:
        if not self._on_fuse(f, "lamp"):
            return None
        return Lamp(siemens=self._siemens(f), **_without(f, "power"))

    def _relay(self, f: Read) -> Relay | None:
        is_by = self._exists(f, "by", "module")
        if not self._on_fuse(f, "relay") or not is_by:
            return None
        return Relay(siemens=self._siemens(f), **_without(f, "power"))

    def _siemens(self, f: Read) -> float:
        """The conductance of what is rated in watts."""
        watts: float = f["power"]
        return watts / (table.LAMP_VOLTS * self._in_series) ** 2

    def _splice(self, f: Read) -> Splice | None:
        return Splice(**f.named()) if self._on_fuse(f, "splice") else None

    def _second(self, f: Read | None) -> Second | None:
        if f is None:
            return None
        is_own = "relay" not in f or self._own(f, "relay")
        if not is_own or not f.good:
            return None
        cell = Battery(in_series=self._in_series, **_without(f, "cable_ohms", "joined", "relay"))
        return Second(cell, f["cable_ohms"], f["joined"], f["relay"])

    def _defect(self, f: Read, vehicle: Read) -> Defect | None:
        is_own, kind = self._own(f, "defect"), f["kind"]
        if kind in NEEDS and NEEDS[kind] not in vehicle:
            f.add("kind", f"{kind}: this vehicle has no {NEEDS[kind]}")
        for key in ("module", "relay", "fuse"):
            self._exists(f, key)
        return Defect(**f.named()) if is_own and f.good else None

    def _on_fuse(self, f: Read, key: str) -> bool:
        """Whether it has a name of its own, hangs on a fuse that exists, and is good by itself."""
        is_own, is_fused = self._own(f, key), self._exists(f, "fuse")
        return is_own and is_fused and f.good

    def _own(self, f: Read, key: str, is_known: bool = True) -> bool:
        """Whether nothing else of its kind has its name; feeds and fuses are both channels of a recording."""
        name = f[key]
        if name is not None and is_known and key in self._known:
            self._known[key].append(name)
        return name is not None and self._take(name, f.value_place(key), key)

    def _take(self, name: str, place: Node, what: str) -> bool:
        space = CHANNEL if what in ("feed", "fuse", "main fuse") else what
        if (space, name) in self._names:
            self._findings.add(place, f"the name {name!r} is taken by {self._names[space, name]}")
            return False
        self._names[space, name] = f"the {what} on line {place.line}"
        if space == CHANNEL:
            self._places[name] = place
        return True

    def _exists(self, f: Read, key: str, what: str = "") -> bool:
        """Whether what a key names is there; a finding where it isn't."""
        what = what or key
        name, known = f[key], self._known[what]
        if name is None:
            return key not in f
        if name not in known:
            hint = nearest(name[:60], known) or f"known: {', '.join(known) or 'none'}"
            f.add(key, f"there is no {what} {units.shown(name)}", hint)
        return name in known


def _without(f: Read, *names: str) -> dict[str, Any]:
    """The values by the model's names but for some."""
    return {name: value for name, value in f.named().items() if name not in names}
