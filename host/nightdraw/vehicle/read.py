"""From a vehicle's YAML to the checked model: what each key means, and everything that can be wrong with it.

All findings of a file are collected and raised together, as profiles' are.
"""

from __future__ import annotations

import re
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

from nightdraw import places, units
from nightdraw.bank.parts import blade_fuses as blades
from nightdraw.fields import Fields
from nightdraw.places import Node
from nightdraw.vehicle import model
from nightdraw.vehicle.loading import overloads
from nightdraw.vehicle.model import (
    Battery,
    Feed,
    Fuse,
    Lamp,
    Main,
    Module,
    Second,
    Sensor,
    Source,
    Splice,
    Stage,
    Starter,
    Twitch,
    Vehicle,
)
from nightdraw.vehicle.readbus import DRAW, LAMP_VOLTS, MODULE_KEYS, TIME, BusReader, span

KEYS = (
    "vehicle", "about", "battery", "feeds", "fuses", "modules", "twitches", "lamps", "splices", "charger",
    "alternator", "starter", "sensor", "buses", "defects", "relays",
    "second", "warnings", "noise",
)  # fmt: skip
REQUIRED = ("vehicle", "battery", "feeds", "fuses")
MAX_ABOUT = 4000  # characters: a page
VEHICLE_NAME = re.compile(r"[a-z][a-z0-9-]{0,31}")
IN_SERIES = ("1", "2")  # a 12 V or a 24 V vehicle

OHMS = ("0 ohm", "10 ohm")
NOISE = ("0 A", "1 A")
CRANK = ("1 ms", "1 min")  # longer than any starter bears
SAVER_S = Fraction(30 * 60)  # a battery saver's time; owners' manuals give 10 .. 30 min
SOURCE = ("12 V", "16 V")  # for each battery in series
DIES = ("1 V", "11 V")  # for each battery in series
DIES_V = Fraction(6)  # a module's own supply needs so much (common practice)
# The battery's numbers: key -> dimension, bounds, default in base units (None: must be given)
BATTERY: dict[str, tuple[str, tuple[str, str], Fraction | None]] = {
    "capacity": ("charge", ("1 Ah", "500 Ah"), None),
    "charge": ("percent", ("0 %", "100 %"), None),
    "temperature": ("temperature", ("-40 C", "80 C"), Fraction(25)),
    "resistance": ("resistance", ("0.0005 ohm", "1 ohm"), None),
    "self_discharge": ("percent", ("0 %", "60 %"), Fraction(5)),  # a month; common practice: 2 .. 10 %
    "no_start": ("percent", ("0 %", "99 %"), Fraction(50)),  # common practice
    "health": ("percent", ("20 %", "100 %"), Fraction(100)),  # of its capacity that age has left
    "crank_min": ("voltage", ("5 V", "12 V"), Fraction("9.6")),  # common practice: a load test's floor; each
}
BATTERY_FIELDS = (
    "capacity_ah", "charge_pct", "temp_c", "ohms", "self_discharge_pct", "no_start_pct", "health_pct",
    "crank_min_v",
)  # fmt: skip
MAIN = "-main"  # behind a feed's name: what its main fuse is called that has no name of its own


def load_vehicle(path: str | Path) -> Vehicle:
    """The vehicle in a YAML file; raises InputError with every finding, each with file, line and column."""
    root, findings = places.read(path)
    vehicle = _Reader(findings).read(root)
    findings.stop()
    assert vehicle is not None
    return vehicle


class _Reader(BusReader):
    """Reads one vehicle; each method reads one part and leaves findings for what is wrong in it."""

    def read(self, root: Node) -> Vehicle | None:
        """The vehicle, or None with findings."""
        f = Fields(root, self._findings, "the vehicle", KEYS, REQUIRED)
        before = len(self._findings)
        name = f.parsed("vehicle", vehicle_name, "")
        about = f.parsed("about", _about, "")
        battery = self._battery(f.node("battery"))
        feeds = self._list(f, "feeds", self._feed)
        fuses = self._list(f, "fuses", self._fuse)
        buses = self._list(f, "buses", self._bus)
        modules = self._list(f, "modules", self._module)
        self._check_masters(f, buses, modules)
        relays = self._list(f, "relays", self._relay)
        has = [part for part in KEYS if part in f]
        defects = self._list(f, "defects", lambda node: self._defect(node, has))
        second = self._second(f) if "second" in f else None
        warnings = self._list(f, "warnings", self._warning)
        twitches = self._list(f, "twitches", self._twitch)
        lamps = self._list(f, "lamps", self._lamp)
        splices = self._list(f, "splices", self._splice)
        charger = self._source(f, "charger", ("on",))
        alternator = self._source(f, "alternator")
        starter = self._starter(f)
        sensor = self._sensor(f)
        noise = f.quantity("noise", "current", NOISE)
        for key, found in (("feeds", feeds), ("fuses", fuses)):
            if key in f and not found and len(self._findings) == before:
                self._findings.add(f.value_place(key), f"{key} must have at least one item")
        if len(self._findings) or battery is None:
            return None
        made = Vehicle(
            name or "", about or "", battery, tuple(feeds), tuple(fuses), tuple(modules), tuple(twitches),
            tuple(lamps), tuple(splices), charger, alternator, starter, sensor, self._findings.file,
            tuple(buses), tuple(defects), tuple(relays), second, tuple(warnings),
            None if noise is None else float(noise),
        )  # fmt: skip
        for limb, said in overloads(made):
            self._findings.add(self._places[limb], said)
        return made

    def _battery(self, node: Node | None) -> Battery | None:
        if node is None:
            return None
        required = ("type", *(key for key, row in BATTERY.items() if row[2] is None))
        f = Fields(node, self._findings, "battery", ("type", *BATTERY, "in_series"), required)
        return self._cell(f)

    def _second(self, f: Fields) -> Second | None:
        """A second battery: as many in series as the first has."""
        required = ("type", *(key for key, row in BATTERY.items() if row[2] is None), "joined")
        g = Fields(f.node("second"), self._findings, "second", ("type", *BATTERY, "ohms", "joined"), required)
        ohms = g.quantity("ohms", "resistance", OHMS, units.parse("0.005 ohm", "resistance"))
        joined = g.choice("joined", model.JOINED)
        series = self._in_series
        cell = self._cell(g)
        self._in_series = series
        if cell is None or ohms is None or joined is None:
            return None
        return Second(replace(cell, in_series=series), float(ohms), joined)

    def _cell(self, f: Fields) -> Battery | None:
        kind = f.choice("type", model.BATTERY_TYPES)
        self._in_series = int(f.choice("in_series", IN_SERIES, str(self._in_series)) or 1)
        numbers: dict[str, float] = {}
        for (key, (dimension, bounds, default)), name in zip(BATTERY.items(), BATTERY_FIELDS, strict=True):
            times = self._in_series if dimension == "voltage" else 1
            value = f.quantity(key, dimension, self._series(bounds) if times > 1 else bounds)
            value = default * times if value is None and default is not None and key not in f else value
            if value is not None:
                numbers[name] = float(value)
        if kind is None or len(numbers) < len(BATTERY):
            return None
        return Battery(type=kind, in_series=self._in_series, **numbers)

    def _series(self, bounds: tuple[str, str]) -> tuple[str, str]:
        """Bounds in volts for one battery, for all in series."""
        low, high = (units.parse(bound, "voltage") * self._in_series for bound in bounds)
        return units.show(low, "voltage"), units.show(high, "voltage")

    def _feed(self, node: Node) -> Feed | None:
        f = Fields(node, self._findings, "a feed", ("feed", "ohms", "fuse"), ("feed", "ohms"))
        name = self._name(f, "feed", self._feeds)
        ohms = f.quantity("ohms", "resistance", OHMS)
        main = self._main(f, name) if "fuse" in f else None
        return None if name is None or ohms is None else Feed(name, float(ohms), main)

    def _main(self, f: Fields, feed: str | None) -> Main | None:
        """A feed's main fuse, named after the feed unless it has a name."""
        keys = ("fuse", "type", "rating")
        g = Fields(f.node("fuse"), self._findings, "fuse", keys, keys[1:])
        blade = self._blade(g)
        if "fuse" in g:
            name = self._name(g, "fuse")
        else:
            name = None if feed is None else self._own(f"{feed}{MAIN}", g.place, "main fuse")
        return None if blade is None or name is None else Main(name, *blade)

    def _fuse(self, node: Node) -> Fuse | None:
        keys = ("fuse", "feed", "type", "rating", "ohms")
        f = Fields(node, self._findings, "a fuse", keys, ("fuse", "feed", "type", "rating"))
        name = self._name(f, "fuse", self._fuses)
        feed = self._known(f, "feed", self._feeds, "feed")
        blade = self._blade(f)
        ohms = f.quantity("ohms", "resistance", OHMS, units.parse("0.02 ohm", "resistance"))
        if name is None or feed is None or blade is None or ohms is None:
            return None
        return Fuse(name, feed, *blade, float(ohms))

    def _blade(self, f: Fields) -> tuple[str, float] | None:
        """A fuse's type and rating; a finding where no list knows its resistance."""
        kind = f.choice("type", tuple(blades.RATINGS))
        rating = f.quantity("rating", "current")
        if kind is None or rating is None:
            return None
        known = blades.RATINGS[kind]
        if float(rating) not in known:
            names = ", ".join(f"{value:g} A" for value in known)
            self._findings.add(f.value_place("rating"), f"type {kind} has no such rating", f"known: {names}")
            return None
        mohm, source = blades.cold_mohm(kind, float(rating))
        if mohm is None:
            self._findings.add(f.value_place("rating"), f"its resistance isn't known: {source}")
            return None
        return kind, float(rating)

    def _module(self, node: Node) -> Module | None:
        keys = ("module", "fuse", "stages", "asleep", "wakes", "sheds", "dies_below", *MODULE_KEYS)
        f = Fields(node, self._findings, "a module", keys, ("module", "fuse", "asleep"))
        name = self._name(f, "module", self._modules)
        fuse = self._known(f, "fuse", self._fuses, "fuse")
        stages = self._list(f, "stages", self._stage)
        asleep = f.quantity("asleep", "current", DRAW)
        wakes = self._words(f, "wakes", model.MODULE_WAKES)
        sheds = f.choice("sheds", ("yes", "no"), "no")
        dies = f.quantity("dies_below", "voltage", self._series(DIES), DIES_V * self._in_series)
        if name is None or fuse is None or asleep is None or sheds is None or dies is None:
            return None
        made = Module(name, fuse, tuple(stages), float(asleep), wakes, sheds == "yes", float(dies))
        return self._bus_life(f, made)

    def _stage(self, node: Node) -> Stage | None:
        f = Fields(node, self._findings, "a stage", ("draw", "for"), ("draw", "for"))
        draw, length = f.quantity("draw", "current", DRAW), f.quantity("for", "time", TIME)
        return None if draw is None or length is None else Stage(float(draw), units.to_ticks(length))

    def _twitch(self, node: Node) -> Twitch | None:
        keys = ("twitch", "fuse", "draw", "on", "every", "when")
        f = Fields(node, self._findings, "a twitch", keys, keys[:-1])
        name = self._name(f, "twitch")
        fuse = self._known(f, "fuse", self._fuses, "fuse")
        draw = f.quantity("draw", "current", DRAW)
        on = f.quantity("on", "time", TIME)
        every = f.parsed("every", span)
        when = f.choice("when", ("asleep", "always"), "always")
        if name is None or fuse is None or draw is None or on is None or every is None or when is None:
            return None
        if units.to_ticks(on) >= every[0]:
            self._findings.add(f.value_place("on"), "on must be shorter than every")
        return Twitch(name, fuse, float(draw), units.to_ticks(on), every, when == "asleep")

    def _lamp(self, node: Node) -> Lamp | None:
        keys = ("lamp", "fuse", "power", "lit", "for", "saver")
        f = Fields(node, self._findings, "a lamp", keys, keys[:-1])
        name = self._name(f, "lamp")
        fuse = self._known(f, "fuse", self._fuses, "fuse")
        watts = f.quantity("power", "power", ("0.1 W", "200 W"))
        lit = self._words(f, "lit", model.WAKES)
        length = f.quantity("for", "time", TIME)
        saver = f.quantity("saver", "time", TIME, SAVER_S)
        if name is None or fuse is None or watts is None or length is None or saver is None:
            return None
        siemens = float(watts) / (LAMP_VOLTS * self._in_series) ** 2
        return Lamp(name, fuse, siemens, lit, units.to_ticks(length), units.to_ticks(saver))

    def _splice(self, node: Node) -> Splice | None:
        f = Fields(node, self._findings, "a splice", ("splice", "fuse", "ohms"), ("splice", "fuse"))
        name = self._name(f, "splice")
        fuse = self._known(f, "fuse", self._fuses, "fuse")
        ohms = f.quantity("ohms", "resistance", OHMS, units.parse("0.02 ohm", "resistance"))
        return None if name is None or fuse is None or ohms is None else Splice(name, fuse, float(ohms))

    def _source(self, f: Fields, key: str, more: tuple[str, ...] = ()) -> Source | None:
        if key not in f:
            return None
        keys = ("voltage", "ohms", "most")
        g = Fields(f.node(key), self._findings, key, keys + more, keys)
        volts = g.quantity("voltage", "voltage", self._series(SOURCE))
        ohms = g.quantity("ohms", "resistance", ("0.001 ohm", "10 ohm"))
        most = g.quantity("most", "current", ("0.1 A", "300 A"))
        on = g.choice("on", ("yes", "no"), "no")
        if volts is None or ohms is None or most is None or on is None:
            return None
        return Source(float(volts), float(ohms), float(most), on == "yes")

    def _starter(self, f: Fields) -> Starter | None:
        if "starter" not in f:
            return None
        keys = ("draw", "for", "inrush", "ripple")
        g = Fields(f.node("starter"), self._findings, "starter", keys, keys[:2])
        draw, length = g.quantity("draw", "current", ("10 A", "500 A")), g.quantity("for", "time", CRANK)
        inrush = g.quantity("inrush", "current", ("10 A", "2000 A"), Fraction(0))
        ripple = g.quantity("ripple", "percent", ("0 %", "90 %"), Fraction(0))
        if draw is None or length is None or inrush is None or ripple is None:
            return None
        if 0 < inrush < draw:
            self._findings.add(g.value_place("inrush"), "inrush must be at least draw")
        return Starter(float(draw), units.to_ticks(length), float(inrush), float(ripple) / 100)

    def _sensor(self, f: Fields) -> Sensor | None:
        if "sensor" not in f:
            return None
        keys = ("logs_above", "logs_after", "sheds_below")
        g = Fields(f.node("sensor"), self._findings, "sensor", keys, keys)
        above, after = g.quantity("logs_above", "current", DRAW), g.quantity("logs_after", "time", TIME)
        below = g.quantity("sheds_below", "percent", ("0 %", "100 %"))
        if above is None or after is None or below is None:
            return None
        return Sensor(float(above), units.to_ticks(after), float(below))


def vehicle_name(text: str) -> str:
    """The text as a vehicle's name; raises ValueError."""
    if VEHICLE_NAME.fullmatch(text):
        return text
    shape = "a small letter, then small letters, digits and '-', at most 32"
    raise ValueError(f"{units.shown(text)} is no name: {shape}")


def _about(text: str) -> str:
    if len(text) > MAX_ABOUT:
        raise ValueError(f"must have at most {MAX_ABOUT} characters, not {len(text)}")
    return " ".join(text.split())
