"""What a search is taken to need of people: handling times, patience, what counts as seen; from a YAML file.

A school's file names only what differs from the one that ships. All findings of a file are raised together.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from fractions import Fraction
from pathlib import Path
from typing import Any

from nightdraw import data, places, units
from nightdraw.fields import Fields
from nightdraw.places import Findings

SHIPPED = "usual"
TIME = ("0 s", "10 h")
SHARE, SURE = ("0 %", "100 %"), ("1 %", "100 %")
CURRENT = ("1 mA", "10 A")
MOST_PULSES = 100
# key -> dimension and bounds; what it means stands beside it in the file that ships
QUANTITIES: dict[str, tuple[str, tuple[str, str]]] = {
    "move_clamp": ("time", TIME),
    "move_probes": ("time", TIME),
    "pull_fuse": ("time", TIME),
    "meter_in": ("time", TIME),
    "meter_wakes": ("percent", SHARE),
    "look": ("time", ("0.1 s", "10 min")),
    "notices": ("percent", SURE),
    "wrong_fuse": ("percent", ("0.1 %", "50 %")),
    "weak": ("percent", SURE),
    "healthy": ("current", CURRENT),
    "conspicuous": ("current", CURRENT),
    "class": ("time", ("1 min", "100 h")),
    "warm_up": ("time", TIME),
    "scan": ("time", TIME),
}
PULSES, NAME, ABOUT = "pulses", "assumptions", "about"
KEYS = (NAME, ABOUT, PULSES, *QUANTITIES)
NAMED_S, NAMED_A = "_s", "_a"


@dataclass(frozen=True)
class Assumed:
    """Seconds, amperes, shares of one; the keys of the file with their unit behind them."""

    name: str
    move_clamp_s: float
    move_probes_s: float
    pull_fuse_s: float
    meter_in_s: float
    meter_wakes: float
    look_s: float
    pulses: int
    notices: float
    wrong_fuse: float
    weak: float
    healthy_a: float
    conspicuous_a: float
    class_s: float
    warm_up_s: float
    scan_s: float

    def document(self) -> dict[str, Any]:
        """Every figure by its name."""
        return {field.name: getattr(self, field.name) for field in fields(self)}

    def watched(self) -> int:
        """How many pulses one watches at a fuse by hand: all of them are missed in `wrong_fuse` at most."""
        count, missed = 1, 1 - self.notices
        while missed**count > self.wrong_fuse:
            count += 1
        return count


def load_assumed(path: str | Path | None = None) -> Assumed:
    """The assumptions in a YAML file, completed by those that ship; raises InputError with every finding."""
    shipped = data.shipped("assumptions", SHIPPED)
    found = _read(shipped)
    name = SHIPPED
    if path is not None and path != shipped:
        own = _read(path, found)
        name = own.pop(NAME) or ""
        found.update(own)
    found.pop(NAME, None)
    return Assumed(name=name, **found)


def _read(path: str | Path, under: dict[str, Any] | None = None) -> dict[str, Any]:
    """The fields that a file names; under: what the others are."""
    root, findings = places.read(path)
    f = Fields(root, findings, "the assumptions", KEYS, (NAME,))
    found: dict[str, Any] = {NAME: f.text(NAME)}
    f.text(ABOUT)
    count = f.whole(PULSES, 1, MOST_PULSES)
    if count is not None:
        found[PULSES] = count
    for key, (dimension, bounds) in QUANTITIES.items():
        value = f.quantity(key, dimension, bounds)
        if value is not None:
            found[_field(key, dimension)] = _plain(value, dimension)
    _in_order({**(under or {}), **found}, f, findings)
    findings.stop()
    return found


def _in_order(known: dict[str, Any], f: Fields, findings: Findings) -> None:
    low, high = known.get("healthy_a"), known.get("conspicuous_a")
    if low is not None and high is not None and high < low:
        key = "conspicuous" if "conspicuous" in f else "healthy"
        shown = units.show(Fraction(low).limit_denominator(10**6), "current")
        findings.add(f.value_place(key), f"conspicuous must be at least what is healthy, {shown}")


def _field(key: str, dimension: str) -> str:
    return key + {"time": NAMED_S, "current": NAMED_A}.get(dimension, "")


def _plain(value: Fraction, dimension: str) -> float:
    return float(value) / (100 if dimension == "percent" else 1)
