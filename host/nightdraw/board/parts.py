"""The board file's parts: the channels' resistors, the MOSFET, the enclosure, resistor packages of the
board's own.

It reads and checks keys and ranges; whether a part is fit for its work is bank's to say.
"""

from __future__ import annotations

import re
from fractions import Fraction
from typing import Any

from nightdraw import units
from nightdraw.board.model import (
    AIR,
    ALUMINIUM,
    BOTTOMS,
    COVERED,
    MATERIALS,
    MOUNTINGS,
    PLASTIC,
    Enclosure,
    GateRow,
    OwnPackage,
    Switch,
)
from nightdraw.fields import Fields, items
from nightdraw.places import Findings, Node

SWITCH_KEYS = ("part", "drain", "gate_max", "specified", "junction", "to_air", "tempco")
SWITCH_REQUIRED = ("part", "drain", "specified", "junction", "to_air")
ROW_KEYS = ("gate", "ohms")
ENCLOSURE_KEYS = ("material", "length", "width", "height", "wall", "emissivity", "bottom", "plate")
ENCLOSURE_REQUIRED = ("material", "length", "width", "height", "wall")
# key of a resistor package of the board's own -> dimension, bounds
PACKAGE_NUMBERS = {
    "rating": ("power", ("0.01 W", "1000 W")),
    "full_to": ("temperature", ("0 C", "400 C")),
    "zero_at": ("temperature", ("0 C", "500 C")),
    "volts": ("voltage", ("1 V", "10000 V")),
    "tempco": ("temperature coefficient", ("0 ppm/K", "10000 ppm/K")),
    "plate_rating": ("power", ("0.01 W", "1000 W")),
    "to_plate": ("thermal resistance", ("0.01 K/W", "1000 K/W")),
    "heat": ("heat capacity", ("0.001 J/K", "10000 J/K")),
}
PACKAGE_KEYS = ("body", "like", *PACKAGE_NUMBERS)
BODY_NAME = re.compile(r"[a-z][a-z0-9.-]{0,31}")
ON_BOUNDS = ("0.0001 ohm", "100 ohm")
GATE_BOUNDS = ("0.5 V", "30 V")
DRAIN_BOUNDS = ("10 V", "1000 V")
JUNCTION_BOUNDS = ("85 C", "250 C")
TO_AIR_BOUNDS = ("0.1 K/W", "1000 K/W")
TEMPCO_BOUNDS = ("0 ppm/K", "20000 ppm/K")
SIZE_BOUNDS = ("20 mm", "1 m")
WALL_BOUNDS = ("0.5 mm", "20 mm")
PLATE_BOUNDS = ("0 mm", "10 mm")
EMISSIVITY_BOUNDS = ("1 %", "100 %")
MOST_BODIES = 9  # in series or in parallel: a three by three square is as far as anyone would wire
TEMPCO = Fraction(6, 1000)  # 1.6 times the resistance at 125 C, the usual sheet's curve (common practice)
EMISSIVITY = {
    ALUMINIUM: Fraction(1, 10),
    PLASTIC: Fraction(9, 10),
}  # handbooks; bare aluminium hardly radiates


def package_name(text: str) -> str:
    """A resistor package's name as it stands; raises ValueError for what can't be one."""
    if BODY_NAME.fullmatch(text):
        return text
    raise ValueError(f"must be a resistor package's name, [a-z][a-z0-9.-]{{0,31}}, not {units.shown(text)}")


def read_channel(keys: Fields, ohms: Fraction | None, findings: Findings) -> dict[str, Any]:
    """The part of a channel as Channel's own keywords; `ohms` is the whole channel's resistance."""
    package = keys.parsed("body", package_name)
    mounting = keys.choice("mounting", MOUNTINGS, AIR)
    series = keys.whole("in_series", 1, MOST_BODIES, 1)
    parallel = keys.whole("in_parallel", 1, MOST_BODIES, 1)
    each = keys.quantity("each", "resistance")
    if each is None and "each" not in keys and (series or 1) * (parallel or 1) > 1:
        findings.add(keys.place, f"{keys.what} is made of several resistors: say the ohms of `each`")
    if each is not None and ohms is not None and series and parallel and each * series != ohms * parallel:
        made = units.show(each * series / parallel, "resistance")
        findings.add(
            keys.value_place("each"), f"{series} x {parallel} of these make {made}, not what ohms says"
        )
    return {
        "package": package,
        "mounting": mounting or AIR,
        "each": each,
        "in_series": series or 1,
        "in_parallel": parallel or 1,
        "place": keys.place,
    }


def read_switch(node: Node | None, findings: Findings) -> Switch | None:
    """The MOSFET; None where the file has none, or after a finding."""
    if node is None:
        return None
    keys = Fields(node, findings, "switch", SWITCH_KEYS, SWITCH_REQUIRED)
    part = keys.text("part")
    drain = keys.quantity("drain", "voltage", DRAIN_BOUNDS)
    gate_max = keys.quantity("gate_max", "voltage", GATE_BOUNDS)
    rows = _rows(keys, findings)
    junction = keys.quantity("junction", "temperature", JUNCTION_BOUNDS)
    to_air = keys.quantity("to_air", "thermal resistance", TO_AIR_BOUNDS)
    tempco = keys.quantity("tempco", "temperature coefficient", TEMPCO_BOUNDS, TEMPCO)
    if part is None or drain is None or junction is None or to_air is None or tempco is None or not rows:
        return None
    return Switch(part, drain, gate_max, rows, junction, to_air, tempco, node)


def _rows(keys: Fields, findings: Findings) -> tuple[GateRow, ...]:
    rows = []
    nodes = items(keys.node("specified"), findings, "specified")
    if "specified" in keys and not nodes:
        findings.add(keys.value_place("specified"), "specified must list at least one row of the sheet")
    for node in nodes:
        row = Fields(node, findings, "a row of specified", ROW_KEYS, ROW_KEYS)
        gate = row.quantity("gate", "voltage", GATE_BOUNDS)
        ohms = row.quantity("ohms", "resistance", ON_BOUNDS)
        if gate is not None and ohms is not None:
            rows.append(GateRow(gate, ohms))
    return tuple(sorted(rows, key=lambda row: row.gate_v))


def read_enclosure(node: Node | None, findings: Findings) -> Enclosure | None:
    """The enclosure; None where the file has none, or after a finding."""
    if node is None:
        return None
    keys = Fields(node, findings, "enclosure", ENCLOSURE_KEYS, ENCLOSURE_REQUIRED)
    material = keys.choice("material", MATERIALS)
    sizes = [keys.quantity(key, "length", SIZE_BOUNDS) for key in ("length", "width", "height")]
    wall = keys.quantity("wall", "length", WALL_BOUNDS)
    shine = keys.quantity("emissivity", "percent", EMISSIVITY_BOUNDS)
    bottom = keys.choice("bottom", BOTTOMS, COVERED)
    plate = keys.quantity("plate", "length", PLATE_BOUNDS, Fraction(0))
    length, width, height = sizes
    if (
        material is None
        or length is None
        or width is None
        or height is None
        or wall is None
        or bottom is None
        or plate is None
    ):
        return None
    if 2 * wall >= min(length, width, height):
        findings.add(keys.value_place("wall"), "two walls leave no room inside")
    emissivity = EMISSIVITY[material] if shine is None else shine / 100
    return Enclosure(material, length, width, height, wall, emissivity, bottom, node, plate)


def read_packages(node: Node | None, findings: Findings) -> tuple[OwnPackage, ...]:
    """The resistor packages of the board's own, in the order of the file."""
    found: dict[str, OwnPackage] = {}
    for item in items(node, findings, "bodies"):
        keys = Fields(item, findings, "a resistor package", PACKAGE_KEYS, ("body", "like"))
        name = keys.parsed("body", package_name)
        like = keys.parsed("like", package_name)
        given = {
            key: value
            for key, (dimension, bounds) in PACKAGE_NUMBERS.items()
            if key in keys and (value := keys.quantity(key, dimension, bounds)) is not None
        }
        if name is None or like is None:
            continue
        if name in found:
            findings.add(keys.value_place("body"), f"the resistor package {name!r} stands twice")
        found[name] = OwnPackage(name, like, given, item)
    return tuple(found.values())
