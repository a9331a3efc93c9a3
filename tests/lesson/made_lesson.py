"""A small class of our own with three faults, and journals written line by line, by no code of the project.

The class names its tolerances, so that points can be worked out by hand. Supply is left at 0 in the journals:
then a level is what the line says.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from pathlib import Path

from nightdraw.lesson.entries import COLUMNS

TICKS_PER_S = 10_000
OWN_MA = 11.0
# the contract's items, in the order of an answer's columns; a later one stands behind them
ASKED = ("circuit", "kind", "current", "duration", "interval", "evidence")

PROFILES = {
    "even-pulse": "- steady: 40 mA\n  - pulse: {draw: 350 mA, on: 700 ms, every: 75 s}",
    "plain-steady": "- steady: 280 mA",
    "odd-random": "- random: {draw: 250 mA, on: 200 ms .. 900 ms, gap: 20 s .. 3 min, law: uniform}",
}
CLASS = """\
class: by-hand
time: 2 h
groups: [g1, g2, g3]
vehicles: [{name: car-1, vehicle: vehicle-1, splices: all}]
boxes: [{box: A}, {box: B}, {box: C}]
kits: [{kit: K1, instruments: workshop}, {kit: K2, instruments: workshop}, {kit: K3, instruments: workshop}]
faults: [even-pulse.yaml, plain-steady.yaml, odd-random.yaml]
tolerance: {current: 10 %, duration: 10 %, interval: 5 %}
units: UNITS
"""
PLAN = """\
plan: by-hand-plan
class: by-hand.yaml
seed: 1
assignments:
  - {group: g1, vehicle: car-1, splice: tailgate, box: A, slot: 1, profile: even-pulse, seed: 1, kit: K1}
  - {group: g2, vehicle: car-1, splice: radio, box: B, slot: 1, profile: plain-steady, seed: 2, kit: K2}
  - {group: g3, vehicle: car-1, splice: siren, box: C, slot: 1, profile: odd-random, seed: 3, kit: K3}
"""
# g3's pulses: each pause is followed by one of these.
ON_S = (0.2, 0.9, 0.5, 0.4, 0.6, 0.3, 0.8, 0.7, 0.5, 0.6)
PAUSE_S = (30.0, 20.0, 180.0, 60.0, 90.0, 120.0, 40.0, 150.0, 100.0, 75.0)


def texts(*told: str) -> dict[str, str]:
    """An answer's texts by ASKED; whatever else is asked has no answer."""
    return {**dict.fromkeys(COLUMNS, ""), **dict(zip(ASKED, told, strict=False))}


def write(folder: Path, units: str = "half", plan: str = PLAN) -> Path:
    """The class's files in a folder; the plan's path."""
    for name, draws in PROFILES.items():
        text = f"profile: {name}\nabout: of our own\nstart: {{when: power}}\ndraws:\n  {draws}\n"
        (folder / f"{name}.yaml").write_text(text)
    (folder / "by-hand.yaml").write_text(CLASS.replace("UNITS", units))
    path = folder / "plan.yaml"
    path.write_text(plan)
    return path


def journal(levels: Iterable[tuple[float, float]], profile: str, last: dict | None = None) -> str:
    """A journal's lines: (seconds from the run's start, mA) each; last: a record at the end."""
    head = {
        "kind": "box", "board": "bench-12v", "own_ma": OWN_MA, "channels_ns": [1_000_000], "monitor": True,
        "profile": profile, "slot": 1, "run": 1, "seed": 1, "run_start_tick": 50_000, "run_start_boot": 1,
    }  # fmt: skip
    lines = [head, {"kind": "arm", "boot": 1, "tick": 40_000, "t_s": -1.0, "slot": 1, "run": 1, "by": "link"}]
    lines.append({"kind": "start", "boot": 1, "tick": 50_000, "t_s": 0.0, "slot": 1, "position": 0})
    for t_s, level_ma in levels:
        tick = 50_000 + round(t_s * TICKS_PER_S)
        lines.append(
            {"kind": "edge", "boot": 1, "tick": tick, "t_s": t_s, "level_ma": level_ma, "pattern": 1}
        )
    if last is not None:
        lines.append({"boot": 1, "tick": 50_000 + round(last["t_s"] * TICKS_PER_S), **last})
    return "".join(json.dumps({"supply_mv": 0, **line}) + "\n" for line in lines)


def train(pauses_s: Sequence[float], on_s: Sequence[float], base_ma: float, high_ma: float) -> list:
    """Pause, pulse, pause, pulse, and the base after the last."""
    levels, t_s = [(0.0, base_ma)], 0.0
    for pause_s, lasting_s in zip(pauses_s, on_s, strict=True):
        t_s += pause_s
        levels.append((round(t_s, 4), high_ma))
        t_s += lasting_s
        levels.append((round(t_s, 4), base_ma))
    return levels


def write_journals(folder: Path) -> None:
    """What the three boxes did."""
    folder.mkdir(exist_ok=True)
    even = train([74.3] * 30, [0.7] * 30, 40.0, 390.0)
    (folder / "A.journal.jsonl").write_text(journal(even, "even-pulse"))
    (folder / "B.journal.jsonl").write_text(journal([(0.0, 280.0)], "plain-steady"))
    odd = train(PAUSE_S, ON_S, OWN_MA, OWN_MA + 250.0)
    (folder / "C.journal.jsonl").write_text(journal(odd, "odd-random"))
