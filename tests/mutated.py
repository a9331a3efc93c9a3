"""Documents with a random mistake in them, made from the shipped files of a format as plain data."""

from __future__ import annotations

import copy
import random
import re
from typing import Any

import yaml

Way = tuple[str | int, ...]
# What may stand where something else is wanted: other dimensions, bounds passed, spellings, kinds.
TEXTS = """
5; -5; 0; 12; 1e308 A; 40; 40 mA; 0 mA; -40 mA; +1 A; 500 A; 40mA; 40  mA; 40 ma; 700 ms; 0 s; 1 us;
90 d; 75 s; 5 min .. 20 min; 20 min .. 5 min; 1 s..2 s; 3 sec; 12.6 V; 24 V; 0 V; -3 V; 900 V; 1 Ah;
0 Ah; 2000 Ah; 85 %; 0 %; 130 %; -1 %; 20 C; -20 C; 900 C; 0.05 ohm; 0 ohm; 4.7 kohm; 9 Mohm; 0.75
mm2; 18 AWG; 2 m; 55 mm; 62 K/W; 100 ppm/K; 14 J/K; 3950 K; 96000 kHz; 1 kHz; 0.6 W; 5 years; 0
years; yes; no; power; panel; supply-rest; uniform; exponential; once; forever; mosfet; diode;
monitor; amplifier; none; air; plate; C; F; E; X; a; Restless; a b; half; 2027-03-04 09:00;
2027-02-31 09:00; 12:30; 1:02:03; 30 min, 60 min; all; door; opens; asleep; a-name-of-more-than-
thirty-two-letters
"""
SCALARS = tuple(text.strip() for text in TEXTS.split(";"))
KINDS = ("leave", "rename", "scalar", "scalar", "scaled", "scaled", "kind", "more", "many", "borrow")
NUMBER = re.compile(r"[0-9]+(\.[0-9]+)?")
FACTORS = (0.001, 0.1, 0.5, 0.9, 1.1, 2, 10, 1000)


def short(value: Any) -> Any:
    """The document with its long texts cut: they say nothing that a mistake could change."""
    if isinstance(value, dict):
        return {key: short(one) for key, one in value.items()}
    if isinstance(value, list):
        return [short(one) for one in value]
    return value if len(value) <= 40 else value.split(".")[0].split(",")[0][:40].strip()


def ways(value: Any, at: Way = ()) -> list[Way]:
    """The way to every value of a document, its root first."""
    found = [at]
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, one in inner:
        found += ways(one, (*at, key))
    return found


def mutated(document: Any, choose: random.Random) -> Any:
    """The document with a random mistake, or a change that is none."""
    made = copy.deepcopy(document)
    way = choose.choice(ways(made)[1:])
    holder = made
    for step in way[:-1]:
        holder = holder[step]
    kind = choose.choice(
        ("leave", "rename", "scalar", "scalar", "scaled", "scaled", "kind", "more", "many", "borrow")
    )
    last: Any = way[-1]
    if kind == "leave":
        del holder[last]
    elif kind == "rename" and isinstance(holder, dict):
        holder[choose.choice((last[:-1] or "q", last + "s", last.upper()))] = holder.pop(last)
    elif kind == "more" and isinstance(holder, dict):
        holder[choose.choice(("zzz", "fuse", "draw", "ohms"))] = choose.choice(SCALARS)
    elif kind == "many" and isinstance(holder, list):
        holder += [copy.deepcopy(holder[last]) for _ in range(choose.choice((1, 9, 70)))]
    elif kind == "scaled" and isinstance(holder[last], str):
        factor = choose.choice(FACTORS)
        holder[last] = NUMBER.sub(lambda match: f"{float(match[0]) * factor:.6g}", holder[last])
    elif kind == "kind":
        holder[last] = choose.choice(([], {}, [holder[last]], {"a": "5"}))
    elif kind == "borrow":
        other = made
        for step in choose.choice(ways(made)):
            other = other[step]
        holder[last] = copy.deepcopy(other)
    else:
        holder[last] = choose.choice(SCALARS)
    return made


class _Plain(yaml.SafeDumper):
    """Every text as it stands, without quotes where none are needed."""

    yaml_implicit_resolvers = {}  # noqa: RUF012 - PyYAML's own way

    def ignore_aliases(self, data: Any) -> bool:
        return True


def dump(document: Any) -> str:
    """The document as YAML."""
    text: str = yaml.dump(document, Dumper=_Plain, sort_keys=False, width=200, allow_unicode=True)
    return text
