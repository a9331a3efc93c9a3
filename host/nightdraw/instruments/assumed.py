"""What a search is taken to need of people: handling times, patience, what counts as seen; from a YAML file.

A school's file names only what differs from the one that ships. All findings of a file are raised together.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from fractions import Fraction
from pathlib import Path
from typing import Any

from nightdraw import data, places, units
from nightdraw.fields import FLOAT, FLOAT_SHARE, Field, Form, Quantity, Record, Text, Whole

SHIPPED = "usual"
MOST_PULSES = 100
TIME = Quantity("time", ("0 s", "10 h"), FLOAT)
SHARE, SURE = (Quantity("percent", (low, "100 %"), FLOAT_SHARE) for low in ("0 %", "1 %"))
CURRENT = Quantity("current", ("1 mA", "10 A"), FLOAT)
AS_SHIPPED = "as in the file that ships"


def _field(key: str, form: Form, meaning: str, unit: str = "") -> Field:
    return Field(key, form, meaning, otherwise=AS_SHIPPED, to=key + unit)


ASSUMPTIONS = Record(
    "the assumptions",
    (
        Field("assumptions", Text(), "A name for these assumptions.", True, to="name"),
        Field("about", Text(), "For people."),
        _field("move_clamp", TIME, "To move a clamp, or a recorder's leads, to the next place.", "_s"),
        _field("move_probes", TIME, "To put a millivolt meter's probes on the next fuse.", "_s"),
        _field("pull_fuse", TIME, "To pull a fuse and note where it was, or to put it back.", "_s"),
        _field("meter_in", TIME, "To put a meter in line at the battery.", "_s"),
        _field(
            "meter_wakes", SHARE, "Of the times the circuit opens meanwhile: modules wake, a box starts anew."
        ),
        _field(
            "look",
            Quantity("time", ("0.1 s", "10 min"), FLOAT),
            "To read a level that stays; so much of a longer pulse is enough.",
            "_s",
        ),
        _field(
            "pulses",
            Whole(1, MOST_PULSES),
            "Pulses that are wanted on a recording before its period is believed.",
        ),
        _field("notices", SURE, "Of the pulses on a hand-held display are noticed by who reads it."),
        _field(
            "wrong_fuse",
            Quantity("percent", ("0.1 %", "50 %"), FLOAT_SHARE),
            "Of searches may blame a wrong fuse, or pass the right one.",
        ),
        _field("weak", SURE, "Of the strongest pulse: weaker ones hide behind it, nobody waits for them."),
        _field("healthy", CURRENT, "A sleeping vehicle draws up to this and is called healthy.", "_a"),
        _field("conspicuous", CURRENT, "From here on everybody follows up what stays.", "_a"),
        _field("class", Quantity("time", ("1 min", "100 h"), FLOAT), "What a class has.", "_s"),
        _field("warm_up", TIME, "Until what draws for long is warm.", "_s"),
        _field("scan", TIME, "To look at the parts of one circuit with a hand or a camera.", "_s"),
    ),
)


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
    if path is not None and path != shipped:
        found |= _read(path, found)
    return Assumed(**found)


def _read(path: str | Path, under: dict[str, Any] | None = None) -> dict[str, Any]:
    """The fields that a file names; under: what the others are."""
    root, findings = places.read(path)
    read = ASSUMPTIONS.open(root, findings)
    found = {name: value for name, value in read.named().items() if value is not None and name != "about"}
    known = {**(under or {}), **found}
    low, high = known.get("healthy_a"), known.get("conspicuous_a")
    if low is not None and high is not None and high < low:
        shown = units.show(Fraction(low).limit_denominator(10**6), "current")
        given = "conspicuous_a" if "conspicuous_a" in read else "healthy_a"
        message = f"{read.key('conspicuous_a')} must be at least what is {read.key('healthy_a')}, {shown}"
        read.add(given, message)
    findings.stop()
    return found
