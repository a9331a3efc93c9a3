"""The class file's tables of fields: every key with what it may be, its default and what it means."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from typing import Any

from nightdraw import units
from nightdraw.fields import (
    FLOAT,
    NAME,
    Choice,
    Defs,
    Either,
    Field,
    Form,
    Listed,
    Placed,
    Quantity,
    Read,
    Record,
    Text,
    Whole,
    items,
    read_with,
)
from nightdraw.lesson import entries, model
from nightdraw.lesson.model import Tolerance
from nightdraw.places import Findings, Node, Scalar

MOST_ITEMS = 60  # of a list: no school teaches more groups at once
MOST_TITLE = 200  # characters: a line of a sheet
MOST_POINTS = 100
MOST_HINTS = 9
WHEN = "%Y-%m-%d %H:%M"
FIT_YES = Fraction(1, 4)  # what `fit: yes` means: a quarter is what a student still calls the same fault
HINTS = "30 min, 60 min, 90 min"
LABEL = Text("a name of letters, digits and '-', at most 24", r"[A-Za-z0-9][A-Za-z0-9-]{0,23}")
GROUP = Text("a code of small letters, digits and '-', at most 16", r"[a-z0-9-]{1,16}")
IDENTITY = Text("a serial as *IDN? says it", r"[ -~]{1,64}")
PERCENT = Quantity("percent")


def _when(text: str) -> str:
    try:
        return datetime.strptime(text, WHEN).strftime(WHEN)
    except ValueError:
        raise ValueError(f"{units.shown(text)} is no date and time like 2027-03-04 09:00") from None


def _fit(text: str) -> Fraction:
    """How far a level may be moved: `20 %`."""
    value = units.parse(text, "percent") / 100
    if value > Fraction(1, 2):
        raise ValueError(f"a level moved by {units.shown(text)} is another fault: at most 50 %")
    return value


@dataclass(frozen=True)
class Off(Form):
    """How far an answer may be off: percent of it, or an amount of `dimension`."""

    dimension: str

    def read(self, node: Node, findings: Findings, what: str) -> Tolerance | None:
        return read_with(node, findings, what, self._tolerance)

    def _tolerance(self, text: str) -> Tolerance:
        if text.rstrip().endswith("%"):
            return Tolerance(units.parse(text, "percent"), None)
        return Tolerance(None, units.parse(text, self.dimension))

    def schema(self, defs: Defs) -> dict[str, Any]:
        return {"anyOf": [PERCENT.schema(defs), Quantity(self.dimension).schema(defs)]}

    def describe(self) -> str:
        return f"percent or {self.dimension}"


class Times(Form):
    """Times in a list, or in one text between commas."""

    def read(self, node: Node, findings: Findings, what: str) -> tuple[float, ...]:
        nodes = [node] if isinstance(node, Scalar) else items(node, findings, what)
        found = [time for one in nodes for time in read_with(one, findings, what, self._times) or ()]
        if len(found) > MOST_HINTS or found != sorted(set(found)):
            findings.add(node, f"{what} must be at most {MOST_HINTS} times, each later than the one before")
        return tuple(found)

    def _times(self, text: str) -> tuple[float, ...]:
        return tuple(float(units.parse(part, "time")) for part in text.split(","))

    def schema(self, defs: Defs) -> dict[str, Any]:
        one = Quantity("time").schema(defs)
        pattern = defs["time"]["pattern"].strip("^$")
        several = {"type": "string", "pattern": f"^{pattern}(,{pattern})*$"}
        return {"anyOf": [several, {"type": "array", "items": {"anyOf": [one, several]}}]}

    def describe(self) -> str:
        return f"at most {MOST_HINTS} times, in a list or between commas"


def _worth_something(read: Read) -> None:
    if not any(read[key] for key in entries.POINTS):
        read.add(None, "points must be above 0 for something")


def _listed(of: Form, many: str, one: str) -> Listed:
    return Listed(of, 1, MOST_ITEMS, many, one)


CAR = Record(
    "a vehicle",
    (
        Field("name", LABEL, "Its name in this class.", True),
        Field(
            "vehicle",
            Text("a path or a shipped name"),
            "A vehicle file beside this one, or a shipped name.",
            True,
        ),
        Field(
            "splices",
            Listed(Placed(Text("a splice")), 1, many="splices", alone=True),
            "Where boxes may be put.",
            otherwise="`all`",
        ),
    ),
)
BOX = Record(
    "a box",
    (
        Field("box", LABEL, "The label on it.", True),
        Field("identity", IDENTITY, "The serial that its *IDN? says."),
        Field("board", Text("a path or a shipped name"), "A board file.", otherwise="`bench-12v`"),
    ),
)
KIT = Record(
    "a kit",
    (
        Field("kit", LABEL, "Its name.", True),
        Field("instruments", Text("a path or a shipped name"), "An instruments file.", True),
    ),
)
POINTS = Record(
    "points",
    tuple(
        Field(key, Whole(0, MOST_POINTS), f"What the {key} is worth.", default=f"{points}")
        for key, points in entries.POINTS.items()
    ),
    check=_worth_something,
    make=dict,
)
TOLERANCE = Record(
    "tolerance",
    (
        Field("current", Off("current"), "Of a level."),
        Field("duration", Off("time"), "Of a pulse's length."),
        Field("interval", Off("time"), "Of the time from pulse to pulse."),
    ),
)
CLASS = Record(
    "the class",
    (
        Field("class", NAME, "Its name.", True),
        Field(
            "title",
            Text(most=MOST_TITLE, folded=True),
            "What stands above the sheets.",
            otherwise="the class's name",
            instead="",
        ),
        Field(
            "when",
            Text(
                "a date and time like 2027-03-04 09:00",
                r" *[0-9]{4}-[0-9]{1,2}-[0-9]{1,2} +[0-9]{1,2}:[0-9]{1,2} *",
                parse=_when,
            ),
            "When the lesson is.",
        ),
        Field("time", Quantity("time", ("10 min", "12 h"), FLOAT), "What the groups have.", True),
        Field(
            "groups",
            _listed(Placed(GROUP), "groups", "a group"),
            "Codes of the groups; no names of persons are needed.",
            True,
        ),
        Field("vehicles", _listed(CAR, "vehicles", "a vehicle"), "The training vehicles.", True),
        Field("boxes", _listed(BOX, "boxes", "a box"), "The boxes, one for each group at least.", True),
        Field("kits", _listed(KIT, "kits", "a kit"), "What one group measures with at a time.", True),
        Field(
            "faults",
            _listed(Placed(Text("a path or a shipped name")), "faults", "a fault"),
            "The profiles that may be given.",
            True,
        ),
        Field("points", POINTS, "What each part of an answer is worth.", instead=dict(entries.POINTS)),
        Field(
            "pass", Quantity("percent", ("0 %", "100 %")), "From here on a group has passed.", default="60 %"
        ),
        Field(
            "tolerance",
            TOLERANCE,
            "How far an answer may be off.",
            otherwise="what the group's instruments can tell",
        ),
        Field(
            "units",
            Choice(model.UNIT_RULES),
            "What an answer wrong by a power of 1000 or 60 gets.",
            default=model.HALF,
        ),
        Field("hints", Times(), "When hints may be given.", default=HINTS),
        Field(
            "fit",
            Either({"no": Fraction(0), "yes": FIT_YES}, Quantity("percent", ("0 %", "50 %"), parse=_fit)),
            "How far a level may be moved to what a board plays; yes: 25 %.",
            default="no",
        ),
    ),
)
