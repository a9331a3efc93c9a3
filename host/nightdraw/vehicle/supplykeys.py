"""The vehicle file's fields of what supplies it: batteries, charger, alternator, starter, sensor.

Volts that are given for one 12 V battery hold times the batteries in series: hence a table for each number.
"""

from __future__ import annotations

from nightdraw import units
from nightdraw.fields import (
    FLOAT,
    FLOAT_SHARE,
    TICKS,
    YES,
    Choice,
    Field,
    Quantity,
    Read,
    Record,
    Text,
)
from nightdraw.vehicle import model
from nightdraw.vehicle.model import Battery, Sensor, Source, Starter

ITEM = Text("a name of letters, digits and '-', a letter first, at most 24", r"[A-Za-z][A-Za-z0-9-]{0,23}")
LONGEST = "30 d"
DRAW = Quantity("current", ("0 A", "100 A"), FLOAT)
TIME = Quantity("time", ("1 ms", LONGEST), TICKS)
OHMS = Quantity("resistance", ("0 ohm", "10 ohm"), FLOAT)
CRANKING = Quantity("time", ("1 ms", "1 min"), TICKS)  # a minute is longer than any starter bears
SWING = Quantity("percent", ("0 %", "90 %"), FLOAT_SHARE)


def volts(low: int, high: int, in_series: int) -> Quantity:
    """Volts with bounds for each battery."""
    return Quantity("voltage", (f"{low * in_series} V", f"{high * in_series} V"), FLOAT)


def each(text: str, in_series: int) -> str:
    """A default in volts for one battery, for all in series."""
    return units.show(units.parse(text, "voltage") * in_series, "voltage")


def _share(low: int, high: int) -> Quantity:
    return Quantity("percent", (f"{low} %", f"{high} %"), FLOAT)


def _amps(low: int, high: int) -> Quantity:
    return Quantity("current", (f"{low} A", f"{high} A"), FLOAT)


def _draws_more_at_first(read: Read) -> None:
    if 0 < read["inrush_a"] < read["draw_a"]:
        read.add("inrush_a", f"{read.key('inrush_a')} must be at least {read.key('draw_a')}")


def cell(in_series: int) -> tuple[Field, ...]:
    """A battery's own fields."""
    capacity = Quantity("charge", ("1 Ah", "500 Ah"), FLOAT)
    temperature = Quantity("temperature", ("-40 C", "80 C"), FLOAT)
    ohms = Quantity("resistance", ("0.0005 ohm", "1 ohm"), FLOAT)
    ageing = "Of its rated capacity that age has left; its resistance grows with it."
    cranks = "Volts while cranking below which it doesn't; bounds and default are for each battery in series."
    # 2 .. 10 % a month, half a battery for a start and 9.6 V (a load test's floor) are common practice.
    return (
        Field("type", Choice(model.BATTERY_TYPES), "How it is built.", True),
        Field("capacity", capacity, "At the 20 hour rate.", True, to="capacity_ah"),
        Field("charge", _share(0, 100), "At the start.", True, to="charge_pct"),
        Field("temperature", temperature, "Its own.", default="25 C", to="temp_c"),
        Field("resistance", ohms, "Of one battery, full and at 25 C.", True, to="ohms"),
        Field("self_discharge", _share(0, 60), "A month at 25 C.", default="5 %", to="self_discharge_pct"),
        Field(
            "no_start",
            _share(0, 99),
            "Charge below which the engine doesn't start.",
            default="50 %",
            to="no_start_pct",
        ),
        Field("health", _share(20, 100), ageing, default="100 %", to="health_pct"),
        Field(
            "crank_min", volts(5, 12, in_series), cranks, default=each("9.6 V", in_series), to="crank_min_v"
        ),
    )


def battery(in_series: int) -> Record:
    """The battery, or batteries alike in series."""
    series = Choice(("1", "2"), {"1": 1, "2": 2})
    several = Field("in_series", series, "How many 12 V batteries; 2 makes a 24 V vehicle.", default="1")
    return Record("battery", (*cell(in_series), several), make=Battery)


def second(in_series: int) -> Record:
    """The second battery."""
    joined = (
        "When it is joined with the first: always, while the engine runs (a separating relay), or but for"
        " cranking (a start/stop system)."
    )
    return Record(
        "second",
        (
            *cell(in_series),
            Field("ohms", OHMS, "Its cable.", default="0.005 ohm", to="cable_ohms"),
            Field("joined", Choice(model.JOINED), joined, True),
            Field("relay", ITEM, "A name for the relay that joins it, whose contact may fail."),
        ),
    )


def source(what: str, in_series: int, *more: Field) -> Record:
    """A charger or an alternator."""
    return Record(
        what,
        (
            Field(
                "voltage", volts(12, 16, in_series), "Behind its ohms; for each battery.", True, to="volts"
            ),
            Field("ohms", Quantity("resistance", ("0.001 ohm", "10 ohm"), FLOAT), "Its own.", True),
            Field("most", Quantity("current", ("0.1 A", "300 A"), FLOAT), "Its limit.", True, to="most_a"),
            *more,
        ),
        make=Source,
    )


ON_FROM_START = Field("on", YES, "On from the start.", default="no")
STARTER = Record(
    "starter",
    (
        Field("draw", _amps(10, 500), "On average.", True, to="draw_a"),
        Field("for", CRANKING, "How long it cranks.", True, to="ticks"),
        Field(
            "inrush",
            _amps(10, 2000),
            "At the first instant, falling to draw within a tenth of a second.",
            otherwise="draw",
            instead=0.0,
            to="inrush_a",
        ),
        Field("ripple", SWING, "By which its current swings with each compression.", default="0 %"),
    ),
    check=_draws_more_at_first,
    make=Starter,
)
SENSOR = Record(
    "sensor",
    (
        Field("logs_above", DRAW, "It notes a draw above this.", True, to="logs_above_a"),
        Field("logs_after", TIME, "That lasts so long.", True, to="logs_after_ticks"),
        Field(
            "sheds_below", _share(0, 100), "Charge below which it sheds loads.", True, to="sheds_below_pct"
        ),
    ),
    make=Sensor,
)
