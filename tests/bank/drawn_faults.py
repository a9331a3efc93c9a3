"""Single faults at random in boards drawn at random: a part that is missing, of another family, turned round,
or of a value that the textbook refuses by a factor of 1.5 or more.

Written without the rules: nothing of nightdraw.bank is used.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass

from tests.bank.drawn_boards import e24, ohms_text, sound
from tests.bank.planted import Tree, edited


@dataclass(frozen=True)
class Broken:
    """A fault in a drawn board: its name, the board, which rules may refuse it, at parts that begin so."""

    name: str
    tree: Tree
    rules: tuple[str, ...]
    parts: tuple[str, ...]


def _of(tree: Tree, path: str) -> float:
    place: object = tree
    for name in path.split("."):
        place = place[int(name)] if isinstance(place, list) else place[name]  # type: ignore[index]
    number, unit = str(place).split()
    return float(number) * (1000 if unit.startswith("k") else 1)


def _share(tree: Tree, name: str, times: float) -> str:
    """A resistance of the sensing so many times, within what a board file takes."""
    return f"{min(9.9e5, _of(tree, f'sense.{name}') * times):.4g} ohm"


def _lower_clamp(draw: random.Random, tree: Tree) -> dict[str, str | None]:
    """A suppressor of the family, but for a supply that never sees a load dump."""
    standoff = _of(tree, "supply.nominal") * draw.uniform(1.3, 1.9)
    clamps = standoff * 1.6
    return {
        "clamp.standoff": f"{standoff:g} V",
        "clamp.breakdown": f"{standoff * 1.11:g} V",
        "clamp.clamps": f"{clamps:g} V",
        "clamp.at": f"{1500 / clamps:g} A",
    }


def _reverse_with(part: str, gate_clamp_v: float) -> dict[str, str | None]:
    figures = "volts: 200 V, ohms: 0.1 ohm, gate_max: 20 V"
    return {
        "reverse": f"{{kind: mosfet, part: '{part}, 200 V, TO-220', {figures}, gate_clamp: {gate_clamp_v} V}}"
    }


Maker = Callable[[random.Random, Tree], dict[str, str | None]]
ANY = ("",)
# name -> the edits of a fault in this board, the rules and parts that may name it
KINDS: dict[str, tuple[Maker, tuple[str, ...], tuple[str, ...]]] = {
    "MOSFETs below the clamp": (
        lambda draw, t: {"switch.drain": f"{_of(t, 'clamp.clamps') * draw.uniform(0.4, 0.9):.3g} V"},
        ("switch-volts", "rating"),
        ("switch", "Q"),
    ),
    "reverse protection below the clamp": (
        lambda draw, t: {"reverse.volts": f"{_of(t, 'clamp.clamps') * draw.uniform(0.3, 0.7):.3g} V"},
        ("reverse-volts", "rating"),
        ("reverse", "Q0", "D0"),
    ),
    "converter below the dump": (
        lambda draw, t: {"converter.input_max": f"{_of(t, 'supply.nominal') * draw.uniform(1.6, 2.3):.3g} V"},
        ("converter-input", "rating"),
        ("converter", "PS1"),
    ),
    "clamp of a lower voltage": (
        _lower_clamp,
        ("clamp-standoff", "rating", "clamp-figures"),
        ("clamp", "D1"),
    ),
    "clamp one way": (
        lambda draw, t: {"clamp.part": f"unidirectional suppressor diode, 1.5 kW, {draw.randint(43, 68)} V"},
        ("part-family",),
        ("clamp",),
    ),
    "clamp of 400 W": (
        lambda draw, t: {"clamp.part": f"bidirectional suppressor diode, {draw.choice((400, 600))} W"},
        ("part-text", "clamp-figures"),
        ("clamp",),
    ),
    "no clamp": (lambda draw, t: {"clamp": None}, ("load-dump-clamp", "board-missing"), ("clamp",)),
    "no reverse protection": (
        lambda draw, t: {"reverse": None},
        ("reverse-protection", "board-missing"),
        ("reverse",),
    ),
    "no converter": (lambda draw, t: {"converter": None}, ("board-missing",), ("converter",)),
    "no fuse": (lambda draw, t: {"fuse": None}, ("fuse-missing",), ("fuse",)),
    "no lead": (lambda draw, t: {"lead": None}, ("lead-missing",), ("lead",)),
    "no gates": (
        lambda draw, t: {"gates": None},
        ("gates-missing", "gate-pull-down", "board-missing"),
        ("gates",),
    ),
    "no MOSFETs": (lambda draw, t: {"switch": None}, ("switch-missing", "board-missing"), ("switch",)),
    "gate pull-down missing": (
        lambda draw, t: {"gates.pull_down": None},
        ("gate-pull-down",),
        ("gates", "Q"),
    ),
    "gate series missing": (lambda draw, t: {"gates.series": None}, ("gate-series",), ("gates", "Q")),
    "enable pull-up missing": (
        lambda draw, t: {"gates.enable_pull_up": None},
        ("enable-pull-up",),
        ("gates",),
    ),
    "enable pull-down missing": (
        lambda draw, t: {"gates.enable_pull_down": None},
        ("enable-pin",),
        ("gates",),
    ),
    "lock-out missing": (lambda draw, t: {"gates.lockout": None}, ("gate-lockout",), ("gates",)),
    "enable pull-up too large": (
        lambda draw, t: {"gates.enable_pull_up": f"{draw.uniform(33, 900):.3g} kohm"},
        ("enable-pull-up",),
        ("gates",),
    ),
    "enable pull-up too small": (
        lambda draw, t: {"gates.enable_pull_up": f"{draw.uniform(100, 800):.3g} ohm"},
        ("enable-pull-up", "enable-pin"),
        ("gates",),
    ),
    "enable pull-down too small": (
        lambda draw, t: {"gates.enable_pull_down": f"{draw.uniform(100, 2500):.3g} ohm"},
        ("enable-pull-up",),
        ("gates",),
    ),
    "pull-down too large": (
        lambda draw, t: {"gates.pull_down": f"{draw.uniform(450, 1000):.3g} kohm"},
        ("gate-pull-down",),
        ("gates", "Q"),
    ),
    "pull-down too small": (
        lambda draw, t: {"gates.pull_down": f"{draw.uniform(10, 400):.3g} ohm"},
        ("gate-drive", "rating"),
        ("gates", "RP"),
    ),
    "gate series too large": (
        lambda draw, t: {"gates.series": f"{draw.uniform(8, 900):.3g} kohm"},
        ("gate-series", "gate-drive"),
        ("gates",),
    ),
    "gate series too small": (
        lambda draw, t: {"gates.series": f"{draw.uniform(1, 6):.2g} ohm"},
        ("gate-series",),
        ("gates",),
    ),
    "buffers of another family": (
        lambda draw, t: {
            "gates.part": f"octal buffer 74{draw.choice(('HC', 'AHC', 'AC', 'LS', 'ALS', 'LV'))}541"
        },
        ("part-family",),
        ("gates",),
    ),
    "buffers of another function": (
        lambda draw, t: {"gates.part": f"octal 74AHCT{draw.choice((240, 244, 245, 373, 540, 574))}, DIP-20"},
        ("part-family",),
        ("gates",),
    ),
    "P-channel switches": (
        lambda draw, t: {"switch.part": f"P-channel MOSFET, {_of(t, 'switch.drain'):g} V, TO-220"},
        ("part-family",),
        ("switch",),
    ),
    "standard-level switches": (
        lambda draw, t: {"switch.specified": f"[{{gate: {draw.choice((6, 8, 10))} V, ohms: 0.05 ohm}}]"},
        ("gate-drive", "on-resistance"),
        ("switch",),
    ),
    "switch named for less": (
        lambda draw, t: {
            "switch.part": f"N-channel MOSFET, logic level, {draw.choice((20, 30, 40))} V, TO-220"
        },
        ("part-text",),
        ("switch",),
    ),
    "switch's gate bears too little": (
        lambda draw, t: {"switch.gate_max": f"{draw.uniform(2, 4.8):.2g} V"},
        ("gate-volts", "rating"),
        ("switch", "Q"),
    ),
    "converter's output": (
        lambda draw, t: {"converter.output": f"{draw.choice((3.3, 4.2, 4.5, 5.7, 6, 9, 12))} V"},
        ("converter-output", "rating"),
        ("converter", "gates"),
    ),
    "step-up module": (
        lambda draw, t: {"converter.part": draw.choice(("step-up module, 5 V", "boost module, 5 V out"))},
        ("part-family", "part-text"),
        ("converter",),
    ),
    "converter's series resistor": (
        lambda draw, t: {"converter.series": f"{draw.uniform(0.8, 50):.3g} kohm"},
        ("guard-supply", "converter-headroom", "rating"),
        ("caps", "supply", "R2", "converter"),
    ),
    "divider clips": (
        lambda draw, t: {"sense.divider.bottom": _share(t, "divider.bottom", draw.uniform(2, 9))},
        ("divider-span",),
        ("sense",),
    ),
    "divider reads too little": (
        lambda draw, t: {"sense.divider.bottom": _share(t, "divider.bottom", 1 / draw.uniform(20, 60))},
        ("divider-span",),
        ("sense",),
    ),
    "thermistor's pull-up": (
        lambda draw, t: {"sense.thermistor.pull_up": _share(t, "thermistor.ohms", draw.uniform(60, 90))},
        ("thermistor-span",),
        ("sense",),
    ),
    "bank's limit": (
        lambda draw, t: {"caps.bank_temp": f"{draw.randint(160, 280)} C"},
        ("guard-temperature",),
        ("caps",),
    ),
    "supply guard too low": (
        lambda draw, t: {"caps.supply_min": f"{draw.uniform(2, 5):.2g} V"},
        ("guard-supply", "reverse-gate", "converter-headroom"),
        ("caps", "supply", "reverse", "converter"),
    ),
    "a resistor of a size too small": (
        lambda draw, t: {
            "channels.-1.body": "film-0.25w",
            "channels.-1.mounting": None,
            "channels.-1.ohms": ohms_text(e24(_of(t, "supply.max") ** 2 / draw.uniform(0.6, 0.9))),
        },
        ("resistor-power", "rating", "dump-overload"),
        ("channel", "RB"),
    ),
    "one pin twice": (
        lambda draw, t: {"channels.1.pin": "2"},
        ("pin-shared", "pins-edge-player"),
        ("channel",),
    ),
    "a pin that isn't there": (
        lambda draw, t: {"pins.indicator": str(draw.choice((23, 24, 25, 29)))},
        ("pin-unreachable",),
        ("indicator",),
    ),
    "fuse too large": (
        lambda draw, t: {"fuse.rating": f"{draw.choice((15, 20, 25, 30))} A"},
        ("fuse-larger", "fuse-above-conductor"),
        ("fuse",),
    ),
    "lead too long": (
        lambda draw, t: {"lead.length": f"{draw.randint(60, 100)} m", "lead.area": "0.35 mm2"},
        ("conductor", "fuse-above-conductor"),
        ("lead", "fuse"),
    ),
    "splice overloaded": (
        lambda draw, t: {"splice.load": f"{_of(t, 'splice.fuse') * draw.uniform(0.9, 0.99):.3g} A"},
        ("splice-fuse",),
        ("splice",),
    ),
    "own draw": (
        lambda draw, t: {"own.running": f"{draw.choice((0.3, 0.8, 200, 400))} mA"},
        ("own-draw", "rating"),
        ("own", "R2"),
    ),
    "reverse gate clamp too high": (
        lambda draw, t: _reverse_with("P-channel MOSFET", draw.choice((20, 22, 24, 30))),
        ("reverse-gate", "rating"),
        ("reverse", "Q0"),
    ),
    "reverse gate clamp too low": (
        lambda draw, t: _reverse_with("P-channel MOSFET", draw.choice((3.3, 3.9, 4.7, 5.6))),
        ("reverse-gate",),
        ("reverse",),
    ),
    "N-channel reverse": (
        lambda draw, t: _reverse_with("N-channel MOSFET", 12),
        ("part-family",),
        ("reverse",),
    ),
    "box too small": (
        lambda draw, t: {
            "enclosure.length": f"{draw.randint(60, 90)} mm",
            "enclosure.width": "60 mm",
            "enclosure.height": "40 mm",
        },
        ("room", "heat"),
        ANY,
    ),
}


def broken(draw: random.Random, kind: str) -> Broken:
    """A sound board with one fault of that kind."""
    make, rules, parts = KINDS[kind]
    tree = sound(draw)
    edits = make(draw, tree)
    last = tree["channels"][-1]
    if "mounting" not in last:
        edits = {path: text for path, text in edits.items() if path != "channels.-1.mounting"}
    return Broken(f"{kind}: {edits}", edited(tree, edits), rules, parts)
