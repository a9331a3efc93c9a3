"""Boards with one fault each, and boards that differ from the shipped ones and are sound.

Made from the shipped files as plain YAML, by an engineer's list of what goes wrong, not from the rules:
nothing of nightdraw.bank is used here. A row says what is changed (a path with its new text, None: taken
out), and which rules may refuse it at which part.
"""

from __future__ import annotations

from copy import deepcopy
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

Tree = dict[str, Any]
Edits = dict[str, str | None]


@dataclass(frozen=True)
class Fault:
    """name; edits; the rules of which one at least must refuse it; the parts that it may be laid to, by how
    their names begin; boards: which shipped ones it is a fault of, () all."""

    name: str
    edits: Edits
    rules: tuple[str, ...]
    parts: tuple[str, ...]
    boards: tuple[str, ...] = ()


TWELVE = ("bench-12v", "workshop-12v", "starter-12v")
MEASURED = ("bench-12v", "workshop-12v", "workshop-24v")
GATE, OFF = ("gate-drive",), ("gate-pull-down",)

FAULTS = (
    # the 5 V supply
    Fault("output 12 V", {"converter.output": "12 V"}, ("converter-output", "rating"), ("converter",)),
    Fault("output 3.3 V", {"converter.output": "3.3 V"}, ("converter-output",), ("converter",)),
    Fault("output 6 V", {"converter.output": "6 V"}, ("converter-output",), ("converter",)),
    Fault("output 4.2 V", {"converter.output": "4.2 V"}, ("converter-output",), ("converter",)),
    Fault("output 9 V", {"converter.output": "9 V"}, ("converter-output",), ("converter",)),
    Fault("step-up", {"converter.part": "step-up module, 5 V out, 100 V"}, ("part-family",), ("converter",)),
    Fault("input 20 V", {"converter.input_max": "20 V"}, ("converter-input",), ("converter",)),
    Fault("input 28 V", {"converter.input_max": "28 V"}, ("converter-input",), ("converter",)),
    Fault("series 2.2k", {"converter.series": "2.2 kohm"},
          ("guard-supply", "converter-headroom", "rating"), ("caps", "supply", "R2")),
    Fault("series 1M", {"converter.series": "1000 kohm"},
          ("guard-supply", "converter-headroom"), ("caps", "supply")),
    Fault("buffers at 12 V", {"gates.supply": "12 V"}, ("converter-output",), ("gates",)),
    Fault("buffers at 3.3 V", {"gates.supply": "3.3 V", "gates.lockout": "3 V"},
          ("converter-output",), ("gates",)),
    Fault("no converter", {"converter": None}, ("board-missing",), ("converter",)),
    # the divider
    Fault("divider clips at 9.9 V", {"sense.divider": "{top: 100 kohm, bottom: 50 kohm}"},
          ("divider-span",), ("sense",)),
    Fault("divider clips at supply_max", {"sense.divider": "{top: 38 kohm, bottom: 10 kohm}"},
          ("divider-span",), ("sense",)),
    Fault("divider upside down", {"sense.divider": "{top: 15 kohm, bottom: 100 kohm}"},
          ("divider-span",), ("sense",)),
    Fault("divider of 1 to 1000", {"sense.divider": "{top: 1000 kohm, bottom: 1 kohm}"},
          ("divider-span",), ("sense",)),
    Fault("divider too large for the pin", {"sense.divider": "{top: 1000 kohm, bottom: 150 kohm}"},
          ("divider-span",), ("sense",)),
    Fault("divider that burns", {"sense.divider": "{top: 1 kohm, bottom: 0.1 kohm}"},
          ("rating",), ("R5",)),
    Fault("no divider", {"sense.divider": None}, ("divider-span",), ("sense",)),
    # output-enable, pulls, gates
    Fault("enable 100k", {"gates.enable_pull_up": "100 kohm"}, ("enable-pull-up",), ("gates",)),
    Fault("enable 47k", {"gates.enable_pull_up": "47 kohm"}, ("enable-pull-up",), ("gates",)),
    Fault("enable 1M", {"gates.enable_pull_up": "1000 kohm"}, ("enable-pull-up",), ("gates",)),
    Fault("enable 100 ohm", {"gates.enable_pull_up": "100 ohm"}, ("enable-pull-up",), ("gates",)),
    Fault("no enable pull-up", {"gates.enable_pull_up": None}, ("enable-pull-up",), ("gates",)),
    Fault("no enable pull-down", {"gates.enable_pull_down": None}, ("enable-pin",), ("gates",)),
    Fault("enable pull-down 100k", {"gates.enable_pull_down": "100 kohm"}, ("enable-pin",), ("gates",)),
    Fault("enable pull-down 4.7k", {"gates.enable_pull_down": "4.7 kohm"}, ("enable-pull-up",), ("gates",)),
    Fault("pull-down 330", {"gates.pull_down": "330 ohm"}, GATE, ("gates",)),
    Fault("pull-down 100", {"gates.pull_down": "100 ohm"}, GATE, ("gates",)),
    Fault("pull-down 1 ohm", {"gates.pull_down": "1 ohm"}, GATE, ("gates",)),
    Fault("pull-down 1M", {"gates.pull_down": "1000 kohm"}, OFF, ("gates",)),
    Fault("no pull-down", {"gates.pull_down": None}, OFF, ("gates", "Q1")),
    Fault("series of 1M", {"gates.series": "1000 kohm"}, ("gate-series", *GATE), ("gates",)),
    Fault("series of 22k", {"gates.series": "22 kohm"}, ("gate-series", *GATE), ("gates",)),
    Fault("series of 1 ohm", {"gates.series": "1 ohm"}, ("gate-series",), ("gates",)),
    Fault("no gate series", {"gates.series": None}, ("gate-series",), ("gates",)),
    Fault("lock-out at 3 V", {"gates.lockout": "3 V"}, GATE, ("switch",)),
    Fault("lock-out at 4.9 V", {"gates.lockout": "4.9 V"}, ("gate-lockout",), ("gates",)),
    Fault("no lock-out", {"gates.lockout": None}, ("gate-lockout",), ("gates",)),
    # parts of the wrong kind
    Fault("HC", {"gates.part": "octal buffer 74HC541, DIP-20"}, ("part-family",), ("gates",)),
    Fault("AHC", {"gates.part": "octal buffer 74AHC541, DIP-20"}, ("part-family",), ("gates",)),
    Fault("LS", {"gates.part": "octal buffer 74LS541, DIP-20"}, ("part-family",), ("gates",)),
    Fault("inverting", {"gates.part": "octal buffer 74HCT540, DIP-20"}, ("part-family",), ("gates",)),
    Fault("other pins", {"gates.part": "octal buffer 74HCT244, DIP-20"}, ("part-family",), ("gates",)),
    Fault("P switch", {"switch.part": "logic-level P-channel MOSFET, 100 V, TO-220"},
          ("part-family",), ("switch",)),
    Fault("N reverse", {"reverse.part": "N-channel MOSFET, 100 V, TO-220"},
          ("part-family",), ("reverse",)),
    Fault("a diode as MOSFET", {"reverse.part": "Schottky diode, 100 V, 3 A"},
          ("part-family",), ("reverse",)),
    Fault("unidirectional", {"clamp.part": "unidirectional suppressor diode, 1.5 kW, axial"},
          ("part-family",), ("clamp",)),
    Fault("standard gate", {"switch.specified": "[{gate: 10 V, ohms: 0.022 ohm}]"}, GATE, ("switch",)),
    # reverse protection
    Fault("gate clamp 3 V", {"reverse.gate_clamp": "3 V"}, ("reverse-gate",), ("reverse",)),
    Fault("gate clamp 4.7 V", {"reverse.gate_clamp": "4.7 V"}, ("reverse-gate",), ("reverse",)),
    Fault("gate clamp 27 V", {"reverse.gate_clamp": "27 V"}, ("reverse-gate",), ("reverse",)),
    Fault("no gate clamp", {"reverse.gate_clamp": None}, ("reverse-gate",), ("reverse",)),
    Fault("reverse part of 20 V", {"reverse.volts": "20 V"}, ("reverse-volts",), ("reverse",)),
    Fault("reverse part of 10 ohm", {"reverse.ohms": "10 ohm"}, ("rating", "heat"), ("Q0", "air"), MEASURED),
    Fault("no reverse protection", {"reverse": None}, ("reverse-protection",), ("reverse",)),
    # the clamp
    Fault("stand-off 15 V", {"clamp.standoff": "15 V"}, ("clamp-standoff",), ("clamp",)),
    Fault("lets 190 V through", {"clamp.clamps": "190 V"}, ("switch-volts",), ("switch",)),
    Fault("rated for 1 A", {"clamp.at": "1 A"}, ("clamp-figures",), ("clamp",)),
    Fault("rated for 500 A", {"clamp.at": "500 A"}, ("part-text",), ("clamp",)),
    Fault("no clamp", {"clamp": None}, ("load-dump-clamp",), ("clamp",)),
    # thermistor, shunt, guards
    Fault("thermistor 1M up", {"sense.thermistor.pull_up": "1000 kohm"}, ("thermistor-span",), ("sense",)),
    Fault("thermistor 10 ohm up", {"sense.thermistor.pull_up": "10 ohm"}, ("thermistor-span",), ("sense",)),
    Fault("thermistor of 1M", {"sense.thermistor.ohms": "1000 kohm"}, ("thermistor-span",), ("sense",)),
    Fault("thermistor of beta 9000", {"sense.thermistor.beta": "9000 K"}, ("thermistor-span",), ("sense",)),
    Fault("bank_temp 250 C", {"caps.bank_temp": "250 C"}, ("guard-temperature",), ("caps",)),
    Fault("bank_temp 150 C", {"caps.bank_temp": "150 C"}, ("guard-temperature",), ("caps",)),
    Fault("bank_temp 30 C", {"caps.bank_temp": "30 C"}, ("guard-temperature",), ("caps",)),
    Fault("supply_min 3 V", {"caps.supply_min": "3 V"}, ("guard-supply",), ("caps",)),
    Fault("supply_min 5 V", {"caps.supply_min": "5 V"}, ("guard-supply",), ("caps",)),
    Fault("supply_min above nominal", {"caps.supply_min": "14 V"}, ("guard-supply",), ("caps",), TWELVE),
    Fault("supply_max 58 V", {"caps.supply_max": "58 V"}, ("guard-supply",), ("caps",)),
    Fault("claims 3 V", {"supply.min": "3 V"}, ("converter-headroom",), ("supply",)),
    Fault("shunt 1 mohm", {"sense.shunt": "0.001 ohm"}, ("shunt-range",), ("sense",), MEASURED),
    Fault("shunt 1 ohm", {"sense.shunt": "1 ohm"}, ("rating", *GATE), ("RS1", "gates"), MEASURED),
    Fault("no shunt", {"sense.shunt": None}, ("shunt-range",), ("sense",), MEASURED),
    Fault("own 0 mA", {"own.running": "0 mA"}, ("own-draw",), ("own",)),
    # bank, switch, box, wires
    Fault("switch of 10 ohm", {"channels.-1.on_ohms": "10 ohm"}, ("on-resistance",), ("channel",)),
    Fault("resistor package too small", {"channels.-1.body": "film-0.25w", "channels.-1.mounting": "air"},
          ("resistor-power",), ("channel",)),
    Fault("a tenth of the ohms", {"channels.-1.ohms": "2 ohm"}, ("resistor-power",), ("channel",)),
    Fault("switch of 20 V", {"switch.drain": "20 V"}, ("switch-volts",), ("switch",)),
    Fault("switch claims 500 V", {"switch.drain": "500 V"}, ("part-text",), ("switch",)),
    Fault("gate bears 4 V", {"switch.gate_max": "4 V"}, ("gate-volts",), ("switch",)),
    Fault("a sheet at 0.5 V", {"switch.specified": "[{gate: 0.5 V, ohms: 0.03 ohm}]"},
          ("part-figures",), ("switch",)),
    Fault("junction 250 C", {"switch.junction": "250 C"}, ("part-figures",), ("switch",)),
    Fault("0.1 K/W", {"switch.to_air": "0.1 K/W"}, ("part-figures",), ("switch",)),
    Fault("tiny box", {"enclosure.length": "60 mm", "enclosure.width": "50 mm", "enclosure.height": "30 mm"},
          ("heat", "room", "resistor-power"), ("wall", "enclosure", "air", "channel")),
    Fault("fuse 30 A", {"fuse.rating": "30 A"}, ("fuse-above-conductor", "fuse-larger"), ("fuse",)),
    Fault("no fuse", {"fuse": None}, ("fuse-missing",), ("fuse",)),
    Fault("no lead", {"lead": None}, ("lead-missing",), ("lead",)),
    Fault("a lead of 100 m", {"lead.length": "100 m"}, ("conductor",), ("lead",), MEASURED),
    Fault("splice overloaded", {"splice.load": "9.9 A"}, ("splice-fuse",), ("splice",)),
    Fault("enable on a channel's pin", {"pins.enable": "2"}, ("pin-shared",), ("gate buffer",)),
    Fault("an inner pin", {"pins.indicator": "25"}, ("pin-unreachable",), ("indicator",)),
)  # fmt: skip

# Other boards that are right: values and parts that an engineer might as well have taken.
SOUND: dict[str, Edits] = {
    "HCT buffers": {"gates.part": "octal three-state buffer 74HCT541, DIP-20"},
    "AHCT buffers": {"gates.part": "octal three-state buffer 74AHCT541N, DIP-20"},
    "a maker's letters": {"gates.part": "SN74HCT541N"},
    "gate series 47": {"gates.series": "47 ohm"},
    "gate series 220": {"gates.series": "220 ohm"},
    "gate series 1k": {"gates.series": "1 kohm"},
    "pull-down 10k": {"gates.pull_down": "10 kohm"},
    "pull-down 47k": {"gates.pull_down": "47 kohm"},
    "enable 4.7k": {"gates.enable_pull_up": "4.7 kohm", "gates.enable_pull_down": "6.8 kohm"},
    "enable 6.8k": {"gates.enable_pull_up": "6.8 kohm", "gates.enable_pull_down": "10 kohm"},
    "bank_temp 80 C": {"caps.bank_temp": "80 C"},
    "bank_temp 100 C": {"caps.bank_temp": "100 C"},
    "a thermistor of beta 3435": {"sense.thermistor.beta": "3435 K"},
    "a thermistor of 100k": {
        "sense.thermistor.ohms": "100 kohm", "sense.thermistor.pull_up": "47 kohm",
        "sense.thermistor.beta": "3950 K",
    },
    "a thermistor's pull-up of 4.7k": {"sense.thermistor.pull_up": "4.7 kohm"},
    "gate clamp 10 V": {"reverse.gate_clamp": "10 V"},
    "gate clamp 15 V": {"reverse.gate_clamp": "15 V"},
    "converter's series 10": {"converter.series": "10 ohm"},
    "converter's series 33": {"converter.series": "33 ohm"},
    "a MOSFET with less resistance": {
        "switch.specified": "[{gate: 4.3 V, ohms: 0.025 ohm}, {gate: 10 V, ohms: 0.018 ohm}]"
    },
    "a junction of 150 C": {"switch.junction": "150 C"},
    "resistors of 5 %": {"channels.0.tolerance": "5 %"},
    "a supply guard of 10.5 V": {"caps.supply_min": "10.5 V"},
    "a shorter run": {"caps.run": "1 h", "caps.charge": "2 Ah"},
    "a divider of half the ohms": {"sense.divider.top": "HALF", "sense.divider.bottom": "HALF"},
    "a lead of 1 mm2": {"lead.area": "1 mm2"},
    "own 12 mA": {"own.running": "12 mA"},
    "a larger box": {
        "enclosure.length": "330 mm", "enclosure.width": "230 mm", "enclosure.height": "110 mm"
    },
}  # fmt: skip


def load(path: Path) -> Tree:
    """A board file as a plain tree of texts."""
    tree: Tree = yaml.load(path.read_text(), yaml.BaseLoader)
    return tree


def edited(tree: Tree, edits: Edits) -> Tree:
    """A copy with every edit made; `channels.-1.ohms` is the last channel's."""
    copy = deepcopy(tree)
    for path, text in edits.items():
        last: Any
        place: Any = copy
        *way, last = path.split(".")
        for name in way:
            place = place[int(name)] if isinstance(place, list) else place[name]
        if isinstance(place, list):
            last = int(last)
        if text is None:
            del place[last]
        elif text == "HALF":
            number, unit = place[last].split()
            place[last] = f"{float(number) / 2:g} {unit}"
        else:
            place[last] = yaml.load(text, yaml.BaseLoader) if text[0] in "[{" else text
    return copy


def write(tree: Tree, path: Path) -> Path:
    """The tree as a board file."""
    path.write_text(yaml.safe_dump(tree, sort_keys=False, width=1000))
    return path


def leaves(tree: Any, way: tuple[str, ...] = ()) -> list[tuple[str, str]]:
    """Every key's path with its text."""
    if isinstance(tree, dict):
        return [leaf for key, value in tree.items() for leaf in leaves(value, (*way, key))]
    if isinstance(tree, list):
        return [leaf for number, value in enumerate(tree) for leaf in leaves(value, (*way, str(number)))]
    return [(".".join(way), tree)]
