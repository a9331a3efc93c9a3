"""Vehicle and script files made at random, and what is so in such a vehicle at an instant.

For the tests: nothing of the project. What stands still within a bench's first slow step (charge, warmth of
fuses) is as at the beginning: all happens in the first nine seconds.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np

LASTS_S = 8.8
# Cold resistances of blade fuses, milliohms (practitioners' tables, as the vehicle reference tests have them)
FUSES = {("C", 10): 7.70, ("F", 15): 4.58, ("C", 5): 17.85}
MAIN_OHMS = 0.0014  # type E, 40 A
FLOODED_V = ((0, 11.89), (25, 12.06), (50, 12.24), (75, 12.45), (100, 12.65))
AGM_V = ((0, 11.80), (25, 12.00), (50, 12.30), (75, 12.60), (100, 12.80))
ACCEPTS_VH = {"flooded": 2.8, "agm": 2.0}
Said = dict[str, Any]


@dataclass
class Cell:
    """A battery as its file's words describe it."""

    kind: str
    ah: float
    pct: float
    temp_c: float
    ohms: float

    @property
    def rest_v(self) -> float:
        table = FLOODED_V if self.kind == "flooded" else AGM_V
        volts = np.interp(self.pct, *zip(*table, strict=True))
        return float(volts) + 0.024 / (10 * 5 / 9) * (self.temp_c - 80 / 9 * 3)

    @property
    def gives_ohms(self) -> float:
        """Twice as much when it is empty, 1.8 % more for each kelvin below 25 C."""
        return self.ohms * (2 - self.pct / 100) * (1 + 0.018 * max(0.0, 25 - self.temp_c))

    @property
    def takes_ohms(self) -> float:
        """Acceptance besides, half as much for each 20 K below 25 C."""
        accepts = ACCEPTS_VH[self.kind] / (self.ah * (1 - self.pct / 100 + 0.02))
        return self.gives_ohms + accepts * 2 ** (max(0.0, 25 - self.temp_c) / 20)

    def said(self) -> str:
        return (
            f"type: {self.kind}, capacity: {self.ah} Ah, charge: {self.pct} %, temperature: {self.temp_c} C,"
            f" resistance: {self.ohms} ohm, self_discharge: 0 %"
        )


@dataclass
class Hidden:
    """A vehicle and what happens to it; events: (second, what, word)."""

    cell: Cell
    second: Cell | None
    second_ohms: float
    joined: str
    charger: tuple[float, float, float] | None
    alternator: tuple[float, float, float]
    crank_a: float
    crank_s: float
    feeds: list[Said]
    fuses: list[Said]
    modules: list[Said]
    idle_s: float
    lamps: list[Said]
    relays: list[Said]
    defects: list[Said]
    events: list[tuple[float, str, str]] = field(default_factory=list)

    def vehicle(self) -> str:
        """The file."""
        lines = [
            "vehicle: hidden",
            f"battery: {{{self.cell.said()}}}",
            "alternator: " + _source(self.alternator),
        ]
        if self.second is not None:
            more = f"ohms: {self.second_ohms} ohm, joined: {self.joined}, relay: joint"
            lines.append(f"second: {{{self.second.said()}, {more}}}")
        lines += ["charger: " + _source(self.charger)] if self.charger else []
        lines += [f"starter: {{draw: {self.crank_a} A, for: {self.crank_s} s}}", "feeds:"]
        for feed in self.feeds:
            main = ", fuse: {type: E, rating: 40 A}" if feed["main"] else ""
            lines.append(f"  - {{feed: {feed['name']}, ohms: {feed['ohms']} ohm{main}}}")
        lines.append("fuses:")
        for one in self.fuses:
            kind, rating = one["kind"]
            at = f"fuse: {one['name']}, feed: {one['feed']}, type: {kind}, rating: {rating} A"
            lines.append(f"  - {{{at}, ohms: {one['ohms']} ohm}}")
        lines += [f"buses: [{{bus: net, idle: {self.idle_s} s}}]", "modules:"]
        for one in self.modules:
            stages = ", ".join(f"{{draw: {a} A, for: {s} s}}" for a, s in one["stages"])
            bus = f", buses: [net], waits: {one['waits']} A" if one["bus"] else ""
            at = f"module: {one['name']}, fuse: {one['fuse']}, stages: [{stages}], asleep: {one['asleep']} A"
            lines.append(f"  - {{{at}, wakes: [{', '.join(one['wakes'])}]{bus}}}")
        lines.append("lamps:")
        for one in self.lamps:
            at = f"lamp: {one['name']}, fuse: {one['fuse']}, power: {one['watts']} W"
            lines.append(f"  - {{{at}, lit: [door], for: {one['for']} s}}")
        lines.append("relays:")
        for one in self.relays:
            at = f"relay: {one['name']}, fuse: {one['fuse']}, power: {one['watts']} W"
            lines.append(f"  - {{{at}, closed: [{one['closed']}]}}")
        lines.append("defects:")
        for one in self.defects:
            more = "".join(f", {key}: {one[key]}" for key in ("fuse", "relay") if key in one)
            more += f", ohms: {one['ohms']} ohm" if "ohms" in one else ""
            lines.append(f"  - {{defect: {one['name']}, kind: {one['kind']}, on: no{more}}}")
        return "\n".join(lines) + "\n"

    def script(self) -> str:
        """The file."""
        lines = [f"  - {{at: {at} s, {what}: {word}}}" for at, what, word in self.events]
        return "script: hidden\nevents:\n" + "\n".join(lines) + "\n"

    def quiet(self, source: random.Random) -> list[float]:
        """Instants at which nothing has just changed: the middles of what lies between all changes."""
        times = {0.0, LASTS_S, *(at for at, _, _ in self.events), *Life(self, LASTS_S).changes}
        times = sorted(at for at in times if at <= LASTS_S)
        gaps = [(a, b) for a, b in pairwise(times) if b - a > 0.02]
        cranked = [at for at, what, _ in self.events if what == "engine"]
        while_it_turns = [(a, b) for a, b in gaps for at in cranked if at <= a and b <= at + self.crank_s]
        chosen = source.sample(gaps, min(6, len(gaps))) + while_it_turns[:1]
        return [(a + b) / 2 for a, b in chosen]


def _source(said: tuple[float, float, float]) -> str:
    volts, ohms, most = said
    return f"{{voltage: {volts} V, ohms: {ohms} ohm, most: {most} A}}"


def _modules(source: random.Random, where: list[str]) -> list[Said]:
    """Modules anywhere, some of them on the bus."""

    def some(low: float, high: float) -> float:
        return round(source.uniform(low, high), 4)

    return [
        {
            "name": f"m{k}", "fuse": source.choice(where), "asleep": some(0.001, 0.01),
            "stages": [(some(0.05, 0.9), some(0.3, 2.0)) for _ in range(source.randint(1, 3))],
            "wakes": source.sample(["door", "unlock", "fuse", "key"], source.randint(1, 3)),
            "bus": source.random() < 0.6, "waits": some(0.01, 0.2),
        }
        for k in range(source.randint(1, 5))
    ]  # fmt: skip


def make(seed: str) -> Hidden:
    """One at random."""
    source = random.Random(seed)

    def some(low: float, high: float) -> float:
        return round(source.uniform(low, high), 4)

    def cell(ah: float, ohms: float) -> Cell:
        kind = source.choice(("flooded", "agm"))
        return Cell(kind, ah, some(55, 99), some(-5, 40), round(ohms, 5))

    feeds = [
        {"name": f"feed{k}", "ohms": some(0.001, 0.02), "main": source.random() < 0.5}
        for k in range(source.randint(1, 3))
    ]
    fuses = [
        {
            "name": f"F{k}",
            "feed": source.choice(feeds)["name"],
            "kind": source.choice(list(FUSES)),
            "ohms": some(0.01, 0.1),
        }
        for k in range(source.randint(2, 7))
    ]
    where = [one["name"] for one in fuses]
    modules = _modules(source, where)
    lamps = [{"name": "l", "fuse": source.choice(where), "watts": some(2, 12), "for": some(0.4, 1.5)}]
    relays = [
        {
            "name": f"r{k}",
            "fuse": source.choice(where),
            "watts": some(3, 15),
            "closed": source.choice(("ignition", "engine")),
        }
        for k in range(2)
    ]
    two = source.random() < 0.5
    defects = [
        {"name": "wire", "kind": "ground-fault", "fuse": source.choice(where), "ohms": some(20, 200)},
        {"name": "plug", "kind": "corrosion", "fuse": source.choice(where), "ohms": some(50, 500)},
        {"name": "posts", "kind": "corrosion", "ohms": some(20, 400)},
        {"name": "diode", "kind": "diode", "ohms": some(20, 400)},
        {"name": "welded", "kind": "stuck-contact", "relay": "r0"},
        {"name": "burnt", "kind": "open-contact", "relay": "r1"},
    ]
    if two:
        failed = source.choice(("stuck-contact", "open-contact"))
        defects.append({"name": "failed", "kind": failed, "relay": "joint"})
    charger = (some(13, 15), some(0.02, 0.3), some(0.5, 10)) if source.random() < 0.7 else None
    hidden = Hidden(
        cell(60.0, some(0.004, 0.008)), cell(12.0, some(0.008, 0.02)) if two else None, some(0.002, 0.02),
        source.choice(("always", "engine", "not-cranking")), charger,
        (some(14, 14.8), some(0.01, 0.03), 70.0), some(60, 180), some(0.3, 0.9), feeds, fuses,
        modules, some(0.3, 1.5), lamps, relays, defects,
    )  # fmt: skip
    _happenings(hidden, source)
    return hidden


def _happenings(hidden: Hidden, source: random.Random) -> None:
    """Give it some events, each of which can happen when it does."""
    where = [one["name"] for one in hidden.fuses]
    at = sorted(round(source.uniform(0.1, LASTS_S - 0.2), 3) for _ in range(source.randint(5, 12)))
    state = {"door": False, "car": False, "charger": False, "ignition": False, "key": False}
    words = {"door": ("closes", "opens"), "car": ("locked", "unlocked"), "charger": ("off", "on"),
             "ignition": ("off", "on"), "key": ("away", "near")}  # fmt: skip
    out: set[str] = set()
    there: set[str] = set()
    for when in at:
        what = source.choice([*state, "fuse", "fuse", "defect", "defect", "defect"])
        if what == "charger" and hidden.charger is None:
            continue
        if what == "fuse":
            name = source.choice(where)
            hidden.events.append((when, "back" if name in out else "pull", name))
            out ^= {name}
        elif what == "defect":
            name = source.choice(hidden.defects)["name"]
            hidden.events.append((when, "mended" if name in there else "defect", name))
            there ^= {name}
        else:
            state[what] = not state[what]
            hidden.events.append((when, what, words[what][state[what]]))
    if source.random() < 0.5:
        hidden.events.append(
            (round(source.uniform(2, 5), 3), "engine", f"{round(source.uniform(1.0, 2.0), 4)} s")
        )
    hidden.events.sort()


class Life:
    """What is so at an instant, by the events before it."""

    def __init__(self, said: Hidden, until: float) -> None:
        self.said = said
        self.out: set[str] = set()
        self.there: set[str] = set()
        self.on = {"charger": False, "ignition": False, "door": False}
        self.starter = self.engine = False
        self.lamp_from = self.lamp_until = -1.0
        self.changes: list[float] = []  # instants at which something goes on by itself
        self._woken: dict[str, float] = {}  # module: when its first stage began
        self._held: float | None = None  # since when the engine keeps all in their first stage
        self._net_until = -1.0  # the bus is awake until then, as far as is known
        steps = []
        for at, what, word in said.events:
            if what == "engine":
                turns = at + said.crank_s
                stops = turns + float(word.split()[0])
                steps += [(at, "cranks", ""), (turns, "runs", ""), (stops, "stops", "")]
            else:
                steps.append((at, what, word))
        for at, what, word in sorted(steps):
            self.changes += [at] if what in ("runs", "stops") else []
            if at <= until:
                self._happens(at, what, word)
        self.at = until

    def _happens(self, at: float, what: str, word: str) -> None:
        if what in ("pull", "back"):
            (self.out.add if what == "pull" else self.out.discard)(word)
            for one in self.said.modules:
                if what == "pull" and one["fuse"] == word:
                    self._bus_falls_silent(one, at)
                elif "fuse" in one["wakes"] or (what == "back" and one["fuse"] == word):
                    self._wake(one, at)
        elif what in ("defect", "mended"):
            (self.there.add if what == "defect" else self.there.discard)(word)
        elif what == "door":
            self.on["door"] = word == "opens"
            if word == "opens":
                self.lamp_from, self.lamp_until = at, float("inf")
            else:
                self.lamp_until = at + self.said.lamps[0]["for"]
                self.changes.append(self.lamp_until)
            self._all(at, "door")
        elif what == "car":
            if word == "locked" and not self.on["door"]:
                self.lamp_until = at
            self._all(at, "unlock")
        elif what == "key":
            self._all(at, "key" if word == "near" else "")
        elif what == "cranks":
            self.starter, self._held = True, at
            for one in self.said.modules:
                self._wake(one, at)
        elif what == "runs":
            self.starter, self.engine = False, True
        elif what == "stops":
            self.engine, self._held = False, None
            for one in self.said.modules:
                self._wake(one, at)
        else:
            self.on[what] = word == "on"

    def _all(self, at: float, what: str) -> None:
        for one in self.said.modules:
            if what in one["wakes"]:
                self._wake(one, at)

    def _wake(self, one: Said, at: float) -> None:
        """Its stages begin anew, unless it has no supply."""
        if one["fuse"] in self.out:
            return
        self._woken[one["name"]] = at
        ends = at
        for _, lasts in one["stages"]:
            ends += lasts
            self.changes.append(ends)
        if one["bus"]:
            self._busy(at)

    def _busy(self, at: float) -> None:
        """The bus was woken, or one on it is no more: how long what is on it keeps it awake."""
        ends = [at]
        for one in self.said.modules:
            begun = self._woken.get(one["name"])
            if one["bus"] and begun is not None and one["fuse"] not in self.out:
                ends.append(begun + sum(lasts for _, lasts in one["stages"]))
        self._net_until = max(ends) + self.said.idle_s
        self.changes.append(self._net_until)

    def _bus_falls_silent(self, one: Said, at: float) -> None:
        begun = self._woken.pop(one["name"], None)
        busy = begun is not None and begun + sum(lasts for _, lasts in one["stages"]) > at
        if one["bus"] and busy and self._net_until > at:
            self._busy(at)

    def draws_a(self, one: Said) -> float:
        """What a module draws."""
        if one["fuse"] in self.out:
            return 0.0
        begun = self._woken.get(one["name"])
        if begun is not None:
            if self._held is not None:
                return float(one["stages"][0][0])
            for amps, lasts in one["stages"]:
                begun += lasts
                if self.at < begun:
                    return float(amps)
        awake = one["bus"] and (self.at < self._net_until or self._held is not None)
        return float(one["waits"] if awake else one["asleep"])

    def siemens(self, fuse: str) -> float:
        """Of lamps, relays and leaks behind a fuse."""
        total = 0.0
        lamp = self.said.lamps[0]
        if lamp["fuse"] == fuse and self.lamp_from <= self.at < self.lamp_until and self.lamp_from >= 0:
            total += lamp["watts"] / 144
        for relay in self.said.relays:
            driven = self.on["ignition"] if relay["closed"] == "ignition" else self.engine or self.starter
            if relay["fuse"] == fuse and self._closed(relay["name"], driven):
                total += relay["watts"] / 144
        return total + sum(1 / one["ohms"] for one in self._there() if one.get("fuse") == fuse)

    def _there(self) -> list[Said]:
        return [one for one in self.said.defects if one["name"] in self.there]

    def _closed(self, relay: str, driven: bool) -> bool:
        kinds = [one["kind"] for one in self._there() if one.get("relay") == relay]
        return "stuck-contact" in kinds or (driven and "open-contact" not in kinds)

    def leak_s(self, kind: str) -> float:
        """At the root (diode), or across the posts (corrosion)."""
        found = [one for one in self._there() if one["kind"] == kind and "fuse" not in one]
        return sum(1 / one["ohms"] for one in found)

    @property
    def joins(self) -> bool:
        """Whether the second battery is there."""
        if self.said.second is None:
            return False
        driven = {"always": True, "engine": self.engine, "not-cranking": not self.starter}
        return self._closed("joint", driven[self.said.joined])

    def sources(self) -> list[tuple[float, float, float]]:
        """Volts, ohms, most amperes of those that are on."""
        found = [self.said.charger] if self.said.charger and self.on["charger"] else []
        return [*found, self.said.alternator] if self.engine else found
