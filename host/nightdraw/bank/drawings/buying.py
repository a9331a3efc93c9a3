"""What the goods of the parts list cost, how many spares to take, and what a substitute must have.

The prices are this project's own estimates: classes for one piece, without tax and delivery, from no shop's
list, and they age. The spares and what matters are common practice, without a source. No part is named here:
what a part is bought as is its `goods`, in the netlist.
"""

from __future__ import annotations

from dataclasses import dataclass

from nightdraw.bank.circuit.netlist import (
    BUFFER,
    CLAMP,
    CONVERTER,
    FUSE,
    LIGHT,
    MONITOR,
    PROCESSOR,
    REVERSE_FET,
    SCHOTTKY,
    SPLICE,
    SUPERVISOR,
    SWITCH,
    TERMINAL,
    THERMISTOR,
    WIRE,
    ZENER,
)

CURRENCY = "EUR"
ESTIMATE = "estimates of this project's own, for one piece, without tax and delivery; no shop's prices"


@dataclass(frozen=True)
class PriceClass:
    """Lowest and highest estimate for one piece, in hundredths of the currency's unit."""

    low_cents: int
    high_cents: int


CLASSES = {
    "A": PriceClass(2, 20),
    "B": PriceClass(20, 100),
    "C": PriceClass(100, 500),
    "D": PriceClass(500, 2000),
    "E": PriceClass(2000, 6000),
}


@dataclass(frozen=True)
class Goods:
    """The price class, spares to buy beside what the box takes, and what matters in a substitute."""

    price_class: str
    spares: int
    matters: str

    @property
    def price(self) -> PriceClass:
        return CLASSES[self.price_class]


FILM = "value, tolerance and rating at 70 C; a body and a pitch that the board takes"
WOUND = "value, tolerance and rating in air at 70 C; stands off the board"
CLAD = "value, rating on a plate of this size, and hole distances; flat underside"
PANEL = "a thread that fits the drilled hole; contacts good for 1 mA at 3.3 V"

GOODS = {
    SPLICE: Goods("B", 1, "made for the circuit's own wire; sealed against water"),
    FUSE: Goods("C", 0, "rating and type as printed, never larger; the voltage of the vehicle's system"),
    "spare fuse": Goods("B", 0, "the same as F1"),
    WIRE: Goods("C", 0, "cross-section, and insulation that bears 100 C and oil"),
    TERMINAL: Goods("B", 0, "10 A or more, takes 2.5 mm2; pitch and height"),
    CLAMP: Goods("B", 1, "bidirectional; stand-off not below, clamping voltage not above; 1.5 kW"),
    REVERSE_FET: Goods("C", 1, "P-channel; drain voltage and resistance; gate, drain, source in this order"),
    ZENER: Goods("A", 1, "its voltage below what the MOSFET's gate bears"),
    "film resistor": Goods("A", 2, "value; body at most 6.5 x 2.5 mm"),
    "charging resistor": Goods("B", 1, "a single pulse's energy in its sheet; body at most 6.5 x 2.5 mm"),
    "shunt": Goods("B", 0, "value and 1 %; 1 W, 75 ppm/K or less"),
    "ceramic capacitor": Goods("A", 1, "voltage; X7R or film, never Y5V or Z5U; 5 mm pitch"),
    "electrolytic capacitor": Goods("A", 1, "voltage and 105 C; diameter and pitch"),
    CONVERTER: Goods("D", 0, "highest input voltage; set or fixed to 5.0 V; the order of its pins"),
    PROCESSOR: Goods("C", 0, "RP2040 with all 40 pins in the usual order; 2 MB of flash"),
    SCHOTTKY: Goods("B", 1, "reverse voltage and current; band to the board's"),
    MONITOR: Goods("D", 0, "register map or gain; pin order; its own resistor, which RS1 replaces"),
    THERMISTOR: Goods("C", 0, "ohms at 25 C and beta; insulated from what it sits on"),
    "rotary switch": Goods("D", 0, "real BCD code, not complement; " + PANEL),
    "toggle switch": Goods("C", 0, "stays where it is put; " + PANEL),
    "push-button": Goods("C", 0, "normally open, springs back; " + PANEL),
    LIGHT: Goods("B", 1, "bright at 1 mA; not red"),
    BUFFER: Goods("C", 1, "AHCT or VHCT, never HC, HCT or ACT; 541, DIP-20"),
    SUPERVISOR: Goods("B", 1, "RESET active high, push-pull; threshold; its pins by name, not by place"),
    SWITCH: Goods("C", 1, "on-resistance stated at the gate voltage named or less (a threshold voltage says "
                  "nothing); drain voltage; gate, drain, source in this order"),
    "film-0.25w": Goods("A", 1, FILM),
    "film-0.6w": Goods("A", 1, FILM),
    "film-1w": Goods("B", 0, FILM),
    "film-2w": Goods("B", 0, FILM),
    "film-3w": Goods("B", 0, FILM),
    "clad-10w": Goods("C", 0, CLAD),
    "clad-15w": Goods("C", 0, CLAD),
    "clad-25w": Goods("C", 0, CLAD),
    "clad-50w": Goods("D", 0, CLAD),
    "ceramic-5w": Goods("B", 0, WOUND),
    "ceramic-10w": Goods("B", 0, WOUND),
    "ceramic-17w": Goods("C", 0, WOUND),
    "silicone-5w": Goods("C", 0, WOUND),
    "latched header": Goods("B", 0, "2.54 mm, housings and crimps of the same family"),
    "housing": Goods("A", 1, "of the headers' family"),
    "crimp": Goods("A", 5, "of the housings' family, for 0.22 mm2"),
    "socket": Goods("B", 0, "turned contacts hold longer than stamped ones"),
    "socket strip": Goods("B", 0, "2.54 mm, 20-way, as high as the drawing of the box has it"),
    "aluminium box": Goods("E", 0, "outside and wall as named: heat and holes were worked out for them"),
    "plastic box": Goods("D", 0, "outside as named; plastic that bears 80 C, never PLA"),
    "sheet": Goods("D", 0, "aluminium, and as thick; flat and without burrs under the resistors"),
    "foot": Goods("B", 0, "height: the bottom needs its air"),
    "stand-off": Goods("B", 0, "height: the USB socket meets its hole by it"),
    "screw": Goods("A", 2, "thread and length; with lock washer"),
    "compound": Goods("C", 0, "no adhesive"),
    "cable gland": Goods("C", 0, "thread of the hole; clamps two thin wires in sleeving"),
    "plug": Goods("B", 0, "fits the hole when the USB lead is out"),
    "sleeving": Goods("B", 0, "600 V or more; bears 105 C"),
    "weather cap": Goods("B", 0, "closes over the holder"),
    "tag": Goods("B", 0, "readable from where the battery is worked on"),
    "warning sign": Goods("A", 0, "bears the wall's heat; readable from where the box is touched"),
    "bus wire": Goods("B", 0, "cross-section; only for a board wired by hand"),
    "circuit board": Goods("D", 0, "two layers, 35 um of copper or more"),
    "hook-up wire": Goods("C", 0, "cross-section; insulation that bears 90 C or more"),
    "USB lead": Goods("C", 0, "all four wires: a lead for charging has no data"),
    "USB isolator": Goods("E", 0, "full speed (12 Mbit/s) and 100 mA or more at its far side"),
    "solder": Goods("C", 0, "rosin core; no plumber's flux"),
}  # fmt: skip


def goods_of(name: str, whose: str) -> Goods:
    """The row of these goods; raises KeyError that names them and the part that is bought as them."""
    if name not in GOODS:
        raise KeyError(f"{whose} is bought as {name!r}, of which bank/drawings/buying.py has no price class")
    return GOODS[name]
