"""Whole boards at random, as an engineer would draw them up by hand.

Written without the rules: nothing of nightdraw.bank is used. What is sound here is sound by the textbook
(Ohm's law, half of a rating, the least of a data sheet over the most of its load), with room to spare. Series
and figures of suppressors are those of the usual 1.5 kW family, ratings those of usual parts (both from
memory).
"""

from __future__ import annotations

import random

from tests.bank.planted import Tree

E24 = (1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0,
       3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5, 8.2, 9.1)  # fmt: skip
# stand-off, lowest breakdown, clamping voltage, its current
SUPPRESSORS = {
    39: (33.3, 37.1, 53.9, 27.8),
    43: (36.8, 40.9, 59.3, 25.3),
    47: (40.2, 44.7, 64.8, 23.2),
    51: (43.6, 48.5, 70.1, 21.4),
    56: (47.8, 53.2, 77.0, 19.5),
    62: (53.0, 58.9, 85.0, 17.7),
    68: (58.1, 64.6, 92.0, 16.3),
    75: (64.1, 71.3, 103.0, 14.6),
    82: (70.1, 77.9, 113.0, 13.3),
}
DUMP_V = {12: 35.0, 24: 58.0}  # ISO 16750-2, test B, suppressed
FILM_W = {"film-0.6w": 0.6, "film-1w": 1.0, "film-2w": 2.0, "film-3w": 3.0}
ENABLES = ((10, 15), (6.8, 10), (8.2, 12), (4.7, 6.8), (9.1, 13))  # kohm: 3 V of 5 V


def ohms_text(value: float) -> str:
    """An E24 value as a board file has it."""
    return f"{value / 1000:g} kohm" if value >= 1000 else f"{value:g} ohm"


def e24(value: float) -> float:
    """The next value of the series at or above."""
    decade = 1.0
    while value >= decade * 10:
        decade *= 10
    return next((round(step * decade, 6) for step in E24 if step * decade >= value * 0.999), 10 * decade)


def sound(draw: random.Random) -> Tree:
    """A board that is right: small resistors on the circuit board, larger ones on the enclosure's floor."""
    system = draw.choice((12, 24))
    nominal, low, high = (12.6, draw.choice((9.0, 9.5, 10.0)), draw.choice((15.5, 16.0)))
    if system == 24:
        nominal, low, high = 25.2, draw.choice((18.0, 19.0, 20.0)), draw.choice((30.0, 32.0))
    channels = _channels(draw, high)
    peak = sum(high / ohms for ohms, _ in channels) + 0.025
    fuse = next(rating for rating in (1, 2, 3, 4) if rating * 0.7 >= peak)
    nominal_v = draw.choice(
        [v for v, row in SUPPRESSORS.items() if DUMP_V[system] <= row[0] <= DUMP_V[system] * 1.25]
    )
    clamps = SUPPRESSORS[nominal_v][2]
    drain = draw.choice([v for v in (80, 100, 150, 200, 250) if v >= clamps * 1.1])
    on_mohm = draw.choice((20, 35, 50, 80))
    own_ma = 11 if system == 12 else 7
    return {
        "board": "drawn",
        "about": "Drawn at random.",
        "supply": {"nominal": f"{nominal:g} V", "min": f"{low:g} V", "max": f"{high:g} V"},
        "own": {"running": f"{own_ma} mA"},
        "channels": [_channel(k, ohms, body, on_mohm, system) for k, (ohms, body) in enumerate(channels)],
        "sense": _sense(draw, high, peak),
        "caps": {
            "supply_min": f"{low:g} V",
            "supply_max": f"{high:g} V",
            "run": "4 d",
            "charge": "40 Ah",
            "bank_temp": draw.choice(("85 C", "90 C", "95 C")),
        },
        "switch": _switch(draw, drain, on_mohm),
        "gates": _gates(draw),
        "clamp": _clamp(nominal_v),
        "reverse": _reverse(draw, clamps),
        "converter": {
            "part": f"step-down module, 5 V out, input to {e24(clamps):g} V, 0.5 A",
            "input_max": f"{e24(clamps):g} V",
            "output": "5 V",
            "series": draw.choice(("10 ohm", "15 ohm", "22 ohm", "33 ohm")),
        },
        "pins": {"enable": "12", "selector": [], "arm": "20", "button": "21", "indicator": "22"},
        "lead": {"area": draw.choice(("0.75 mm2", "1 mm2")), "length": draw.choice(("1.5 m", "2 m", "3 m"))},
        "inside": {"area": draw.choice(("0.5 mm2", "0.75 mm2")), "length": "0.2 m"},
        "fuse": {"type": "C", "rating": f"{fuse} A"},
        "splice": {"fuse": draw.choice(("10 A", "15 A")), "load": draw.choice(("1 A", "3 A"))},
        "enclosure": _enclosure(draw),
    }


def _switch(draw: random.Random, drain: int, on_mohm: int) -> Tree:
    return {
        "part": f"{draw.choice(('logic-level N-channel MOSFET', 'N-channel MOSFET, logic level'))}, "
        f"{drain} V, "
        "TO-220",
        "drain": f"{drain} V",
        "gate_max": draw.choice(("10 V", "16 V", "20 V")),
        "specified": [
            {"gate": draw.choice(("4 V", "3.5 V")), "ohms": f"{on_mohm / 1000 * 1.2:.4g} ohm"},
            {"gate": "5 V", "ohms": f"{on_mohm / 1000:.4g} ohm"},
        ],
        "junction": draw.choice(("150 C", "175 C")),
        "to_air": "62 K/W",
    }


def _gates(draw: random.Random) -> Tree:
    up, down = draw.choice(ENABLES)
    return {
        "part": f"octal three-state buffer 74{draw.choice(('AHCT', 'VHCT', 'HCT'))}541, DIP-20",
        "supply": "5 V",
        "lockout": draw.choice(("4.5 V", "4.4 V")),
        "series": draw.choice(("47 ohm", "68 ohm", "150 ohm", "330 ohm")),
        "pull_down": draw.choice(("22 kohm", "33 kohm", "68 kohm", "100 kohm")),
        "enable_pull_up": f"{up:g} kohm",
        "enable_pull_down": f"{down:g} kohm",
    }


def _clamp(nominal_v: int) -> Tree:
    standoff, breakdown, clamps, at = SUPPRESSORS[nominal_v]
    return {
        "part": f"bidirectional suppressor diode, 1.5 kW, {nominal_v} V nominal, axial",
        "standoff": f"{standoff:g} V",
        "breakdown": f"{breakdown:g} V",
        "clamps": f"{clamps:g} V",
        "at": f"{at:g} A",
    }


def _enclosure(draw: random.Random) -> Tree:
    return {
        "material": "aluminium",
        "length": draw.choice(("275 mm", "300 mm")),
        "width": draw.choice(("175 mm", "190 mm")),
        "height": draw.choice(("70 mm", "80 mm")),
        "wall": "2 mm",
        "emissivity": "90 %",
        "bottom": "free",
        "plate": "5 mm",
    }


def _sense(draw: random.Random, high: float, peak: float) -> Tree:
    measured = draw.random() < 0.7
    bottom = draw.choice((4.7, 6.8, 10.0, 15.0))
    top = e24(bottom * 1000 * (high * draw.uniform(1.15, 1.35) / 3.135 - 1)) / 1000
    thermistor = draw.choice(
        (("10 kohm", "10 kohm"), ("10 kohm", "8.2 kohm"), ("47 kohm", "47 kohm"), ("10 kohm", "4.7 kohm"))
    )
    sense: Tree = {
        "current": "monitor" if measured else "none",
        "divider": {"top": f"{top:g} kohm", "bottom": f"{bottom:g} kohm"},
        "thermistor": {
            "ohms": thermistor[0],
            "beta": draw.choice(("3435 K", "3950 K", "3977 K")),
            "pull_up": thermistor[1],
        },
    }
    if measured:
        sense["shunt"] = draw.choice([f"{ohms:g} ohm" for ohms in (0.02, 0.033, 0.05) if ohms * peak < 0.06])
    return sense


def _channels(draw: random.Random, high_v: float) -> list[tuple[float, str]]:
    """Ohms and body of each channel, about a factor of two apart; each at half its rating at the most."""
    count = draw.randint(3, 8)
    ohms = e24(draw.uniform(5.0, 9.0) * 1000 / (1 if count > 5 else 3))
    found = []
    for _ in range(count):
        watts = high_v**2 / ohms
        body = next((body for body, rating in FILM_W.items() if watts <= rating * 0.5), None)
        if body is None and watts <= 3.0:
            body = "clad-25w"
        if body is None:
            break
        found.append((ohms, body))
        ohms = e24(ohms / draw.uniform(1.9, 2.1))
    return found


def _channel(k: int, ohms: float, body: str, on_mohm: float, system: int) -> Tree:
    row = {
        "pin": str(2 + k),
        "ohms": ohms_text(ohms),
        "tolerance": "1 %",
        "on_ohms": f"{on_mohm / 1000:g} ohm",
        "body": body,
    }
    return row | ({"mounting": "plate"} if body.startswith("clad") else {})


def _reverse(draw: random.Random, clamps: float) -> Tree:
    volts = next(v for v in (60, 80, 100, 150, 200) if v >= clamps * 1.05)
    if draw.random() < 0.3:
        return {
            "kind": "diode",
            "part": f"Schottky diode, 3 A, {volts} V, axial",
            "volts": f"{volts} V",
            "drop": "0.6 V",
        }
    return {
        "kind": "mosfet",
        "part": f"P-channel MOSFET, {volts} V, 0.1 ohm at 10 V, TO-220",
        "volts": f"{volts} V",
        "ohms": "0.1 ohm",
        "gate_max": "20 V",
        "gate_clamp": draw.choice(("10 V", "12 V", "15 V")),
    }
