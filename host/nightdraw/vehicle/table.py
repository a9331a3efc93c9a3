"""The vehicle file's tables of fields: every key with what it may be, its default and what it means."""

from __future__ import annotations

from functools import lru_cache

from nightdraw import units
from nightdraw.bank.parts import blade_fuses as blades
from nightdraw.fields import (
    FLOAT,
    NAME,
    TICKS,
    YES,
    Choice,
    Field,
    Held,
    KeysBy,
    Listed,
    Placed,
    Quantity,
    Read,
    Record,
    Span,
    Text,
    Whole,
)
from nightdraw.vehicle import model
from nightdraw.vehicle import supplykeys as sk
from nightdraw.vehicle.model import Calls, Stage
from nightdraw.vehicle.supplykeys import DRAW, LONGEST, OHMS, TIME

MAX_ITEMS = 200  # of a list: a large vehicle has some 120 fuses
MAX_ABOUT = 4000  # characters: a page
MOST_WARNING = 400  # characters: what somebody reads before he touches the car
MOST_CALLS = 100_000
LAMP_VOLTS = 12.0  # the voltage that watts are given at, for each battery in series
CALLS_EVERY = "1 s"  # more often than that is no schedule: a twitch
IDLE = ("1 ms", "1 h")
LIN_IDLE = ("4 s", "10 s")  # ISO 17987-2: how long a bus is silent until its nodes sleep by themselves
CAN_IDLE = "2 s"  # some seconds in practice; our own figure
NAMED = Text("a name")  # of something that must exist
LEAK = Quantity("resistance", ("1 ohm", "1000 kohm"), Held(lambda ohms: 1 / float(ohms)))
# A defect's kind -> the keys that it must have, and those that it may.
DEFECT_KEYS: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    model.NO_SLEEP: (("module",), ()),
    model.WAKES_ITSELF: (("module", "every"), ()),
    model.LATCH_OPEN: ((), ()),
    model.STUCK_CONTACT: (("relay",), ()),
    model.OPEN_CONTACT: (("relay",), ()),
    model.GROUND_FAULT: (("fuse", "ohms"), ()),
    model.CORROSION: (("ohms",), ("fuse",)),
    model.DIODE: (("ohms",), ()),
    model.SHEDS_EARLY: (("below",), ()),
}


def span(text: str) -> tuple[int, int]:
    """A duration or a range of durations in ticks, 1 ms .. 30 d; raises QuantityError."""
    low, high = units.parse_span(text, "time")
    if low < units.MIN_DURATION_S:
        raise units.QuantityError(f"{units.shown(text)} is too short, a duration is at least 1 ms")
    if high > units.parse(LONGEST, "time"):
        raise units.QuantityError(f"{units.shown(text)} is too long, a duration is at most {LONGEST}")
    return units.to_ticks(low), units.to_ticks(high)


def often(text: str) -> tuple[int, int]:
    """The same, of what comes again by a schedule: at least a second; raises QuantityError."""
    found = span(text)
    if found[0] < units.to_ticks(units.parse(CALLS_EVERY, "time")):
        raise units.QuantityError(f"{units.shown(text)} is too short, it must be at least {CALLS_EVERY}")
    return found


OFTEN = Span("time", (CALLS_EVERY, LONGEST), parse=often)
ON_FUSE = Field("fuse", NAMED, "The fuse that it hangs on.", True)


def _calls(first: int | None, every: tuple[int, int], times: int) -> Calls:
    return Calls(every[0] if first is None else first, every, times)


def _pauses(read: Read) -> None:
    if read["on_ticks"] >= read["every_ticks"][0]:
        read.add("on_ticks", f"{read.key('on_ticks')} must be shorter than {read.key('every_ticks')}")


def _list(of: Record, many: str, low: int = 0) -> Listed:
    return Listed(of, low, MAX_ITEMS, many, of.what)


def _named(key: str, meaning: str = "Its name.") -> Field:
    return Field(key, sk.ITEM, meaning, True, to="name")


def _watts(most: int) -> Quantity:
    return Quantity("power", ("0.1 W", f"{most} W"), FLOAT)


BLADE = (
    Field("type", Choice(tuple(blades.RATINGS)), "ISO 8820-3: C medium, F miniature, E high current.", True),
    Field("rating", Quantity("current", held=FLOAT), "One that its type has.", True, to="rating_a"),
)
MAIN = Record(
    "fuse",
    (Field("fuse", sk.ITEM, "Its name.", otherwise="the feed's with `-main` behind it", to="name"), *BLADE),
)
FEED = Record(
    "a feed",
    (
        _named("feed", "Its name, which is a channel's, too."),
        Field("ohms", OHMS, "The wire from the battery, without its fuse.", True),
        Field(
            "fuse", MAIN, "The feed's main fuse, at the battery's end: it can be pulled, its drop recorded."
        ),
    ),
)
FUSE = Record(
    "a fuse",
    (
        _named("fuse", "Its name, which is a channel's, too."),
        Field("feed", NAMED, "The feed that it hangs on.", True),
        *BLADE,
        Field("ohms", OHMS, "From the fuse to its loads and back.", default="0.02 ohm", to="wire_ohms"),
    ),
)
BUS = Record(
    "a bus",
    (
        _named("bus"),
        Field(
            "idle",
            Quantity("time", IDLE, TICKS),
            "From the instant at which every module on it is ready to its sleep; with a master 4 s .. 10 s,"
            " the silence after which its children sleep by themselves.",
            otherwise=f"{CAN_IDLE}, with a master {LIN_IDLE[0]}",
            to="idle_ticks",
        ),
        Field("master", NAMED, "LIN: the module that it is awake with."),
    ),
)
CALLS = Record(
    "calls",
    (
        Field(
            "first",
            Quantity("time", ("0 s", LONGEST), TICKS),
            "After the recording's zero.",
            otherwise="the shortest of every",
        ),
        Field("every", OFTEN, "Start to start.", True),
        Field(
            "times",
            Whole(1, MOST_CALLS),
            "How often until the engine has run again.",
            otherwise="without end",
            instead=0,
        ),
    ),
    make=_calls,
)
STAGE = Record(
    "a stage",
    (
        Field("draw", DRAW, "What it draws.", True, to="draw_a"),
        Field("for", TIME, "How long.", True, to="ticks"),
    ),
    make=Stage,
)
TWITCH = Record(
    "a twitch",
    (
        _named("twitch"),
        ON_FUSE,
        Field("draw", DRAW, "What it draws.", True, to="draw_a"),
        Field("on", TIME, "How long.", True, to="on_ticks"),
        Field(
            "every", Span("time", ("1 ms", LONGEST), parse=span), "Start to start.", True, to="every_ticks"
        ),
        Field(
            "when",
            Choice(("asleep", "always"), {"asleep": True, "always": False}),
            "When it comes.",
            default="always",
            to="asleep_only",
        ),
    ),
    check=_pauses,
)
LAMP = Record(
    "a lamp",
    (
        _named("lamp"),
        ON_FUSE,
        Field("power", _watts(200), "At 12 V, or at 24 V with two batteries in series.", True),
        Field(
            "lit",
            Listed(Choice(model.WAKES), one="lit"),
            "What lights it: a door for as long as it is open, unlocking, a fuse pulled or put back.",
            True,
        ),
        Field("for", TIME, "How long after the door is closed, or after what else lit it.", True, to="ticks"),
        # Owners' manuals give 10 .. 30 min.
        Field(
            "saver",
            TIME,
            "A battery saver darkens it after this time at most.",
            default="30 min",
            to="saver_ticks",
        ),
    ),
)
SPLICE = Record(
    "a splice", (_named("splice"), ON_FUSE, Field("ohms", OHMS, "The box's lead.", default="0.02 ohm"))
)
RELAY = Record(
    "a relay",
    (
        _named("relay"),
        ON_FUSE,
        Field("power", _watts(500), "Of the load behind its contact, at 12 V or 24 V as for lamps.", True),
        Field(
            "closed",
            Listed(Choice(model.RELAY_CLOSED), one="closed"),
            "While one of these is so its contact is closed.",
            instead=(),
        ),
        Field("by", NAMED, "A module that holds it closed while it is awake."),
    ),
)
DEFECT = Record(
    "a defect",
    (
        _named("defect"),
        Field(
            "kind",
            Choice(model.DEFECTS),
            "no-sleep: woken, a module is never ready to sleep; wakes-itself: it wakes at random; latch-open:"
            " the doors' latch reads open; stuck-contact: a relay stays closed; open-contact: one stays open,"
            " unless it is stuck; ground-fault: a chafed wire behind a fuse; corrosion: a leak behind a fuse,"
            " or without one across the battery's posts;"
            " diode: the alternator's leaks; sheds-early: the battery sensor sheds below another charge.",
            True,
        ),
        Field("on", YES, "There from the start; else a script brings it about.", default="yes"),
        Field("module", NAMED, "The module that it concerns."),
        Field("every", OFTEN, "wakes-itself: start to start.", instead=(0, 0), to="every_ticks"),
        Field("relay", NAMED, "The relay that it concerns."),
        Field("fuse", NAMED, "The fuse that it is behind."),
        Field("ohms", LEAK, "Of the leak.", instead=0.0, to="siemens"),
        Field(
            "below",
            Quantity("percent", ("0 %", "100 %"), FLOAT),
            "sheds-early: the charge below which the sensor sheds.",
            instead=0.0,
            to="below_pct",
        ),
    ),
    rules=(KeysBy("kind", DEFECT_KEYS),),
)


def module(in_series: int) -> Record:
    """A module's fields."""
    wakes = (
        "What wakes it: a door opening or closing, the car unlocked or locked, another fuse pulled or put"
        " back, the key coming near, the ignition turned to accessory or on, or back; its own fuse put back"
        " always does."
    )
    dies = "Volts at its wires below which it stops, to start anew when they come back; for each battery."
    return Record(
        "a module",
        (
            _named("module"),
            ON_FUSE,
            Field("stages", _list(STAGE, "stages"), "The steps on its way to sleep.", instead=()),
            Field("asleep", DRAW, "What it draws asleep.", True, to="asleep_a"),
            Field("wakes", Listed(Choice(model.MODULE_WAKES), one="wakes"), wakes, instead=()),
            Field("sheds", YES, "The battery sensor may switch it off.", default="no"),
            # A module's own supply needs 6 V (common practice).
            Field(
                "dies_below",
                sk.volts(1, 11, in_series),
                dies,
                default=sk.each("6 V", in_series),
                to="dies_below_v",
            ),
            Field(
                "buses",
                Listed(Placed(NAMED), many="buses", one="buses"),
                "The data buses that it is on; on more than one it is a gateway, which passes wake-ups on.",
                instead=(),
            ),
            Field(
                "waits",
                DRAW,
                "What it draws while it is ready to sleep and a bus of it is awake.",
                otherwise="its last stage's draw",
                to="waits_a",
            ),
            Field(
                "holds",
                Listed(Choice(model.HOLDS), one="holds"),
                "While one of these is so it isn't ready to sleep, but stays in its last stage.",
                instead=(),
            ),
            Field(
                "gives_up",
                TIME,
                "After so long in its last stage it is ready whatever holds it.",
                otherwise="never",
                to="gives_up_ticks",
            ),
            Field("calls", CALLS, "It wakes by itself on a schedule, as telematics do."),
        ),
    )


@lru_cache
def vehicle(in_series: int = 1) -> Record:
    """The vehicle's fields, for so many 12 V batteries in series."""
    warning = Text("text", most=MOST_WARNING, folded=True)
    noise = Quantity("current", ("0 A", "1 A"), FLOAT)
    return Record(
        "the vehicle",
        (
            Field("vehicle", NAME, "Its name.", True),
            Field("about", Text(most=MAX_ABOUT, folded=True), "For people.", instead=""),
            Field("battery", sk.battery(in_series), "What starts it.", True),
            Field("second", sk.second(in_series), "A second battery; as many in series as the first."),
            Field("feeds", _list(FEED, "feeds", 1), "Wires from the battery to fuse boxes.", True),
            Field("fuses", _list(FUSE, "fuses", 1), "The circuits.", True),
            Field("buses", _list(BUS, "buses"), "While a module on one isn't ready to sleep, none sleeps."),
            Field("modules", _list(module(in_series), "modules"), "What falls asleep in steps."),
            Field("twitches", _list(TWITCH, "twitches"), "Short draws that come again."),
            Field("lamps", _list(LAMP, "lamps"), "What is lit for a while."),
            Field("relays", _list(RELAY, "relays"), "Relays with the loads behind their contacts."),
            Field("splices", _list(SPLICE, "splices"), "Where boxes can sit."),
            Field(
                "charger",
                sk.source("charger", in_series, sk.ON_FROM_START),
                "A support charger on the vehicle's side of the battery sensor.",
            ),
            Field("alternator", sk.source("alternator", in_series), "Charges while the engine runs."),
            Field("starter", sk.STARTER, "What cranking takes."),
            Field("sensor", sk.SENSOR, "It notes a draw that lasts, and sheds loads below a charge."),
            Field("defects", _list(DEFECT, "defects"), "What is wrong with the vehicle itself."),
            Field(
                "warnings",
                Listed(warning, 0, MAX_ITEMS, "texts", "a warning"),
                "What must be read before somebody touches it.",
                instead=(),
            ),
            Field("noise", noise, "Rms of what a recorder at 1 kHz has of it.", otherwise="not known"),
        ),
    )
