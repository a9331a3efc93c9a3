"""The board file's table of fields: every key with what it may be, its default and what it means.

Keys and ranges only; whether a part is fit for its work is bank's to say. `circuitkeys` has the circuit
around the channels.
"""

from __future__ import annotations

from fractions import Fraction
from functools import lru_cache
from typing import Any

from boxcore import bank

from nightdraw import units
from nightdraw.board import circuitkeys as ck
from nightdraw.board.model import (
    AIR,
    ALUMINIUM,
    BOTTOMS,
    COVERED,
    MATERIALS,
    MOUNTINGS,
    PLASTIC,
    Channel,
    Enclosure,
    GateRow,
    OwnPackage,
    Switch,
)
from nightdraw.fields import (
    CDEG,
    MAS,
    MV,
    NAME,
    SHARE,
    TICKS,
    UA,
    Choice,
    Field,
    Listed,
    Quantity,
    Read,
    Record,
    Text,
    Whole,
)

PACKAGE_NAME = Text(
    "a resistor package's name: small letters, digits, '.' and '-', at most 32", r"[a-z][a-z0-9.-]{0,31}"
)
SUPPLY = Quantity("voltage", ("1 V", "60 V"), MV)  # above 60 V it is no longer extra-low voltage (IEC 61140)
OWN = Quantity("current", ("0 mA", "1 A"), UA)
ON_OHMS = Quantity("resistance", ("0.0001 ohm", "100 ohm"))
GATE = Quantity("voltage", ("0.5 V", "30 V"))
SIDE = Quantity("length", ("20 mm", "1 m"))
WATTS = Quantity("power", ("0.01 W", "1000 W"))
MOST_RESISTORS = 9  # in series or in parallel: a three by three square is as far as anyone would wire
EMISSIVITY = {
    ALUMINIUM: Fraction(1, 10),
    PLASTIC: Fraction(9, 10),
}  # handbooks; bare aluminium hardly radiates


def _supply_order(read: Read) -> None:
    names = ("supply_min_mv", "supply_nominal_mv", "supply_max_mv")
    low_mv, nominal_mv, high_mv = (read[name] for name in names)
    if not low_mv <= nominal_mv <= high_mv or low_mv == high_mv:
        low, nominal, high = map(read.key, names)
        read.add(None, f"{read.what} must have {low} <= {nominal} <= {high}, and {low} below {high}")


def _caps_order(read: Read) -> None:
    if read["supply_min_mv"] >= read["supply_max_mv"]:
        low, high = read.key("supply_min_mv"), read.key("supply_max_mv")
        read.add("supply_min_mv", f"{low} must be below {high}")


def _made_of(read: Read) -> None:
    each, series, parallel = read["each"], read["in_series"], read["in_parallel"]
    if each is None and series * parallel > 1:
        read.add(None, f"{read.what} is made of several resistors: say the ohms of `each`")
    elif each is not None and each * series != read["ohms"] * parallel:
        made = units.show(each * series / parallel, "resistance")
        read.add("each", f"{series} x {parallel} of these make {made}, not what ohms says")


def _room_inside(read: Read) -> None:
    if 2 * read["wall_m"] >= min(read["length_m"], read["width_m"], read["height_m"]):
        read.add("wall_m", "two walls leave no room inside")


def _switch(specified: tuple[GateRow, ...], **values: Any) -> Switch:
    return Switch(specified=tuple(sorted(specified, key=lambda row: row.gate_v)), **values)


def _enclosure(material: str, emissivity: Fraction | None, **values: Any) -> Enclosure:
    shine = EMISSIVITY[material] if emissivity is None else emissivity
    return Enclosure(material=material, emissivity=shine, **values)


def _package(name: str, like: str, place: Any, **given: Fraction | None) -> OwnPackage:
    return OwnPackage(name, like, {key: value for key, value in given.items() if value is not None}, place)


SUPPLY_KEYS = Record(
    "supply",
    (
        Field("nominal", SUPPLY, "18 V and more is a 24 V system.", True, to="supply_nominal_mv"),
        Field("min", SUPPLY, "The lowest that it is built for.", True, to="supply_min_mv"),
        Field("max", SUPPLY, "The highest that it is built for.", True, to="supply_max_mv"),
    ),
    check=_supply_order,
    make=dict,
)
OWN_STATES = Record(
    "own_states",
    (
        Field("idle", OWN, "While nothing plays and no computer is connected."),
        Field("writing", OWN, "While the flash is written."),
        Field("usb", OWN, "While a computer is connected and asks."),
        Field("basis", Text(), "How these currents are known.", instead=""),
    ),
    make=dict,
)
CAPS = Record(
    "caps",
    (
        Field("supply_min", SUPPLY, "The lowest supply.", True, to="supply_min_mv"),
        Field("supply_max", SUPPLY, "The highest supply.", True, to="supply_max_mv"),
        # A tick count of 32 bits ends at 4.97 d, one of milliampere-seconds at 1193 Ah.
        Field("run", Quantity("time", ("1 ms", "4.97 d"), TICKS), "The longest run.", True, to="run_ticks"),
        Field(
            "charge",
            Quantity("charge", ("0.001 Ah", "1000 Ah"), MAS),
            "The most that a run takes from the battery.",
            True,
            to="charge_mas",
        ),
        Field(
            "bank_temp",
            Quantity("temperature", ("1 C", "300 C"), CDEG),
            "The hottest that the bank may get.",
            True,
            to="bank_temp_cdeg",
        ),
    ),
    check=_caps_order,
    make=dict,
)
SWITCH = Record(
    "switch",
    (
        Field("part", Text(), "What to buy.", True),
        Field(
            "drain",
            Quantity("voltage", ("10 V", "1000 V")),
            "Highest drain to source voltage.",
            True,
            to="drain_v",
        ),
        Field("gate_max", GATE, "Highest gate to source voltage.", to="gate_max_v"),
        Field(
            "specified",
            Listed(
                Record(
                    "a row of specified",
                    (
                        Field("gate", GATE, "Volts on the gate.", True, to="gate_v"),
                        Field("ohms", Quantity("resistance", ("0.0001 ohm", "100 ohm")), "At 25 C.", True),
                    ),
                    make=GateRow,
                ),
                1,
                many="rows of the sheet",
                one="a row of specified",
            ),
            "The sheet's rows: highest on-resistance by gate voltage.",
            True,
        ),
        Field(
            "junction",
            Quantity("temperature", ("85 C", "250 C")),
            "Highest junction temperature.",
            True,
            to="junction_c",
        ),
        Field(
            "to_air",
            Quantity("thermal resistance", ("0.1 K/W", "1000 K/W")),
            "Junction to air, as mounted.",
            True,
            to="to_air_k_w",
        ),
        Field(
            "tempco",
            Quantity("temperature coefficient", ("0 ppm/K", "20000 ppm/K")),
            "Growth of the on-resistance.",
            default="0.6 %/K",  # 1.6 times the resistance at 125 C, the usual sheet's curve (common practice)
        ),
    ),
    make=_switch,
    placed=True,
)
ENCLOSURE = Record(
    "enclosure",
    (
        Field("material", Choice(MATERIALS), "What its walls are.", True),
        Field("length", SIDE, "Outside.", True, to="length_m"),
        Field("width", SIDE, "Outside.", True, to="width_m"),
        Field("height", SIDE, "Outside.", True, to="height_m"),
        Field("wall", Quantity("length", ("0.5 mm", "20 mm")), "The wall's thickness.", True, to="wall_m"),
        Field(
            "emissivity",
            Quantity("percent", ("1 %", "100 %"), SHARE),
            "90 % painted, anodised or plastic; 10 % bare aluminium.",
            otherwise="that of the bare material",
        ),
        Field(
            "bottom",
            Choice(BOTTOMS),
            "Whether it stands on something, or free on feet of 20 mm.",
            default=COVERED,
        ),
        Field(
            "plate",
            Quantity("length", ("0 mm", "10 mm")),
            "An aluminium sheet on the floor, under the resistors, that spreads their heat; 0 mm: none.",
            default="0 mm",
            to="plate_m",
        ),
    ),
    check=_room_inside,
    make=_enclosure,
    placed=True,
)
PACKAGE_NUMBERS = (
    Field("rating", WATTS, "Full rating, in air."),
    Field("full_to", Quantity("temperature", ("0 C", "400 C")), "Full rating up to here."),
    Field("zero_at", Quantity("temperature", ("0 C", "500 C")), "Nothing allowed from here on."),
    Field("volts", Quantity("voltage", ("1 V", "10000 V")), "Highest voltage across it."),
    Field("tempco", Quantity("temperature coefficient", ("0 ppm/K", "10000 ppm/K")), "Of its resistance."),
    Field("plate_rating", WATTS, "Full rating, on a plate."),
    Field("to_plate", Quantity("thermal resistance", ("0.01 K/W", "1000 K/W")), "From element to plate."),
    Field("heat", Quantity("heat capacity", ("0.001 J/K", "10000 J/K")), "What it stores."),
)
PACKAGE = Record(
    "a resistor package",
    (
        Field("body", PACKAGE_NAME, "Its name.", True, to="name"),
        Field(
            "like",
            PACKAGE_NAME,
            "The known resistor package whose data hold where nothing else is said.",
            True,
        ),
        *PACKAGE_NUMBERS,
    ),
    make=_package,
    placed=True,
)


def channel(most_pin: int) -> Record:
    """A channel's fields."""
    several = Whole(1, MOST_RESISTORS)
    return Record(
        "a channel",
        (
            Field("pin", Whole(0, most_pin), "Its GPIO; channels ascend without a gap.", True),
            # 1 Mohm is 1000 nS, still a thousand steps of the core's unit.
            Field("ohms", Quantity("resistance", ("0.1 ohm", "1000 kohm")), "The resistor.", True),
            Field(
                "tolerance",
                Quantity("percent", ("0 %", "20 %")),  # E6, the widest series, has 20 %
                "Of the resistor.",
                True,
                to="tolerance_pct",
            ),
            Field(
                "on_ohms",
                Quantity("resistance", ("0 ohm", "10 ohm")),
                "Switch and wiring, in series with the resistor.",
                True,
            ),
            Field(
                "body",
                PACKAGE_NAME,
                "The resistor package, see `nightdraw bank bodies`; without it its heat can't be weighed.",
                to="package",
            ),
            Field("mounting", Choice(MOUNTINGS), "In air, or on the enclosure's wall.", default=AIR),
            Field("each", Quantity("resistance"), "Where it is made of several resistors: the ohms of one."),
            Field("in_series", several, "Resistors in one string.", default="1"),
            Field("in_parallel", several, "Strings side by side.", default="1"),
        ),
        check=_made_of,
        make=Channel,
        placed=True,
    )


@lru_cache
def board(most_pin: int = ck.MAX_PIN) -> Record:
    """The board's fields, for a chip with so many GPIO."""
    return Record(
        "the board",
        (
            Field("board", NAME, "The board's name.", True),
            Field("about", Text(), "A sentence about it.", instead=""),
            Field("supply", SUPPLY_KEYS, "What the box is built for.", True),
            Field(
                "own",
                Record(
                    "own",
                    (
                        Field(
                            "running", OWN, "What the box itself consumes while it runs.", True, to="own_ua"
                        ),
                    ),
                    make=dict,
                ),
                "What the box itself consumes.",
                True,
            ),
            Field("own_states", OWN_STATES, "The same in other states than running."),
            Field(
                "channels",
                Listed(channel(most_pin), 1, bank.MAX_CHANNELS, "channels", "channel {number}"),
                "Channel 1 first; bit 0 of a pattern is channel 1.",
                True,
            ),
            Field("sense", ck.SENSE, "What is measured, and how.", True),
            Field("caps", CAPS, "The board's own limits, which no profile may widen.", True),
            Field("switch", SWITCH, "The MOSFET of every channel, from its sheet."),
            *ck.sections(most_pin),
            Field("enclosure", ENCLOSURE, "The box's outside."),
            Field(
                "bodies",
                Listed(PACKAGE, many="resistor packages", one="a resistor package"),
                "Resistor packages of the board's own.",
                instead=(),
                to="packages",
            ),
        ),
    )
