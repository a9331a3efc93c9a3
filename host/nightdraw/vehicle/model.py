"""What a vehicle file says, in amperes, ohms, volts and whole ticks. Plain data, nothing else."""

from __future__ import annotations

import functools
from dataclasses import dataclass

FLOODED, AGM = "flooded", "agm"
BATTERY_TYPES = (FLOODED, AGM)
DOOR, UNLOCK, FUSE = "door", "unlock", "fuse"  # what wakes a module; its own fuse put back always does
WAKES = (DOOR, UNLOCK, FUSE)
KEY, ACCESSORY, IGNITION, UNLOCKED = "key", "accessory", "ignition", "unlocked"
MODULE_WAKES = (*WAKES, KEY, ACCESSORY, IGNITION)
RELAY_CLOSED = (ACCESSORY, IGNITION, "engine")
HOLDS = (DOOR, UNLOCKED, KEY, ACCESSORY, IGNITION)  # while one of these is so a module isn't ready to sleep
ENGINE = "engine"  # what a relay may be closed by, beside ACCESSORY and IGNITION
# kinds of defects
NO_SLEEP, WAKES_ITSELF, LATCH_OPEN = "no-sleep", "wakes-itself", "latch-open"
STUCK_CONTACT, GROUND_FAULT, CORROSION = "stuck-contact", "ground-fault", "corrosion"
OPEN_CONTACT, DIODE, SHEDS_EARLY = "open-contact", "diode", "sheds-early"
DEFECTS = (
    NO_SLEEP, WAKES_ITSELF, LATCH_OPEN, STUCK_CONTACT, OPEN_CONTACT, GROUND_FAULT, CORROSION, DIODE,
    SHEDS_EARLY,
)  # fmt: skip
ALWAYS, NOT_CRANKING = "always", "not-cranking"
JOINED = (ALWAYS, ENGINE, NOT_CRANKING)  # when a second battery is joined with the first
BATTERY = "battery"  # the channel around the battery's own cable
FEED, DROP = "feed", "drop"
ALL = "all"  # stands for every channel where channels are named: nothing else may have that name


@dataclass(frozen=True)
class Battery:
    """Ah at 20 h, percent charged, C, ohms when full at 25 C, percent a month lost by itself at 25 C; percent
    of charge, and terminal volts while cranking, below which the engine does not start.

    in_series: so many 12 V batteries alike; ohms are each one's, crank_min_v is that of all. health_pct: of
    its capacity that age has left.
    """

    type: str
    capacity_ah: float
    charge_pct: float
    temp_c: float
    ohms: float
    self_discharge_pct: float
    no_start_pct: float
    crank_min_v: float
    in_series: int = 1
    health_pct: float = 100.0


@dataclass(frozen=True)
class Main:
    """A feed's main fuse: type and rating by ISO 8820-3."""

    name: str
    type: str
    rating_a: float


@dataclass(frozen=True)
class Feed:
    """A wire from the battery to a fuse box, and its main fuse at the battery's end, if it has one."""

    name: str
    ohms: float
    main: Main | None = None


@dataclass(frozen=True)
class Fuse:
    """A fuse in a fuse box: type and rating by ISO 8820-3; `wire_ohms` from it to its loads and back."""

    name: str
    feed: str
    type: str
    rating_a: float
    wire_ohms: float


@dataclass(frozen=True)
class Stage:
    """One step on the way to sleep."""

    draw_a: float
    ticks: int


@dataclass(frozen=True)
class Calls:
    """A module that wakes by itself: `first_ticks` after zero, then start to start within `every_ticks`
    (uniform), so many `times` until the engine has run again; 0: without end."""

    first_ticks: int
    every_ticks: tuple[int, int]
    times: int = 0


@dataclass(frozen=True)
class Bus:
    """A data bus: it is awake while a module on it isn't ready to sleep, and `idle_ticks` beyond.

    With a master (LIN) it is awake while that is, and goes with the master's go-to-sleep frame; `idle_ticks`
    is then after how much silence its children sleep where the master was cut off before it.
    """

    name: str
    idle_ticks: int
    master: str | None = None


@dataclass(frozen=True)
class Defect:
    """Something that is wrong with the vehicle itself: its kind and what it concerns.

    every_ticks: start to start of what comes again; on: from the start, else a script brings it about.
    siemens: of a leak behind `fuse`, or, without one, across the battery's posts (corrosion) or in the
    alternator's cable (diode). below_pct: the charge below which the sensor sheds.
    """

    name: str
    kind: str
    on: bool
    module: str | None = None
    every_ticks: tuple[int, int] = (0, 0)
    relay: str | None = None
    fuse: str | None = None
    siemens: float = 0.0
    below_pct: float = 0.0


@dataclass(frozen=True)
class Relay:
    """A relay's contact and the load behind it, a conductance on a fuse: closed while one of `closed` (of
    RELAY_CLOSED) is so, or while the module `by` is awake."""

    name: str
    fuse: str
    siemens: float
    closed: tuple[str, ...]
    by: str | None = None


@dataclass(frozen=True)
class Second:
    """A second battery behind its cable's ohms, on the first's side of all feeds while it is `joined`; relay:
    the name of what joins it, where it has one."""

    cell: Battery
    ohms: float
    joined: str
    relay: str | None = None


@dataclass(frozen=True)
class Module:
    """A control module: woken it goes through its stages, then draws `asleep_a`. sheds: the battery sensor
    may switch it off. Below `dies_below_v` at its wires it stops, and starts anew when they come back.

    While one of `holds` is so it stays in its last stage, `gives_up_ticks` at most. Ready to sleep, it draws
    `waits_a` until the last of its buses sleeps.
    """

    name: str
    fuse: str
    stages: tuple[Stage, ...]
    asleep_a: float
    wakes: tuple[str, ...]
    sheds: bool
    dies_below_v: float = 6.0
    buses: tuple[str, ...] = ()
    waits_a: float = 0.0
    holds: tuple[str, ...] = ()
    gives_up_ticks: int | None = None
    calls: Calls | None = None

    @functools.cached_property
    def wakes_by(self) -> frozenset[str]:
        """`wakes`, to be asked often."""
        return frozenset(self.wakes)


@dataclass(frozen=True)
class Twitch:
    """A short draw that comes again: an indicator lamp, a radio's keep-alive. Start to start lies within
    `every_ticks`, uniform; it comes at all times unless `asleep_only`."""

    name: str
    fuse: str
    draw_a: float
    on_ticks: int
    every_ticks: tuple[int, int]
    asleep_only: bool


@dataclass(frozen=True)
class Lamp:
    """A filament or resistor: a conductance, watts / volts^2 at 12 V (24 V). `lit` names what lights it.

    One that a door lights stays lit while it is open and `ticks` beyond, but never longer than a battery
    saver allows; locking darkens it where the doors are closed.
    """

    name: str
    fuse: str
    siemens: float
    lit: tuple[str, ...]
    ticks: int
    saver_ticks: int = 30 * 60 * 10_000


@dataclass(frozen=True)
class Source:
    """A support charger or an alternator: volts behind ohms, never more than `most_a`, never backwards."""

    volts: float
    ohms: float
    most_a: float
    on: bool = False


@dataclass(frozen=True)
class Starter:
    """What cranking takes, at the battery: on average `draw_a`, swinging by a share of it with each
    compression; before that, until it turns, up to `inrush_a`."""

    draw_a: float
    ticks: int
    inrush_a: float = 0.0
    ripple: float = 0.0


@dataclass(frozen=True)
class Sensor:
    """A battery sensor: it notes a draw above `logs_above_a` that lasts, and sheds loads below a charge."""

    logs_above_a: float
    logs_after_ticks: int
    sheds_below_pct: float


@dataclass(frozen=True)
class Splice:
    """A place where a box can sit: behind a fuse, with a lead of its own."""

    name: str
    fuse: str
    ohms: float


@dataclass(frozen=True)
class Vehicle:
    """A whole vehicle, checked: names are unique and everything that is referred to exists."""

    name: str
    about: str
    battery: Battery
    feeds: tuple[Feed, ...]
    fuses: tuple[Fuse, ...]
    modules: tuple[Module, ...]
    twitches: tuple[Twitch, ...]
    lamps: tuple[Lamp, ...]
    splices: tuple[Splice, ...]
    charger: Source | None
    alternator: Source | None
    starter: Starter | None
    sensor: Sensor | None
    file: str
    buses: tuple[Bus, ...] = ()
    defects: tuple[Defect, ...] = ()
    relays: tuple[Relay, ...] = ()
    second: Second | None = None
    warnings: tuple[str, ...] = ()
    noise_a: float | None = None  # rms of what a recorder at 1 kHz has of it; None: not known

    def channels(self) -> dict[str, str]:
        """Every channel that can be recorded, and its kind: BATTERY, FEED in amperes, DROP in millivolts."""
        found = {BATTERY: BATTERY}
        found.update({feed.name: FEED for feed in self.feeds})
        found.update(dict.fromkeys(self.fuse_names(), DROP))
        return found

    def fuse_names(self) -> list[str]:
        """Every fuse that can be pulled: those of the circuits, then the feeds' main fuses."""
        return [fuse.name for fuse in self.fuses] + [main.name for main in self.mains()]

    def mains(self) -> tuple[Main, ...]:
        """The feeds' main fuses; `fuses` are those of the circuits only."""
        return tuple(feed.main for feed in self.feeds if feed.main is not None)

    def splice(self, name: str) -> Splice | None:
        """The splice of that name."""
        return next((splice for splice in self.splices if splice.name == name), None)

    def feed_of(self, fuse: str) -> str:
        """The feed that a fuse hangs on."""
        return next(slot.feed for slot in self.fuses if slot.name == fuse)

    def asleep_a(self) -> float:
        """The mean draw with every module asleep, twitches counted by their duty."""
        twitches = sum(t.draw_a * t.on_ticks * 2 / sum(t.every_ticks) for t in self.twitches)
        return sum(module.asleep_a for module in self.modules) + twitches
