"""From a class file's YAML to the checked model: what each key means, and everything that can be wrong.

Files that it names are looked for beside it, then among what ships; what is wrong in them is told with their
own places, in the same go.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import datetime
from fractions import Fraction
from pathlib import Path
from typing import TypeVar

from nightdraw import data, places, units
from nightdraw.board import BoardModel, load_board
from nightdraw.errors import InputError, nearest
from nightdraw.fields import Fields, items, read_with, whole_number
from nightdraw.instruments.read import load_instruments
from nightdraw.lesson import model
from nightdraw.lesson.model import Box, Car, ClassFile, Fault, Kit, Tolerance
from nightdraw.places import Findings, Node, Scalar
from nightdraw.profile.read import load_as_written
from nightdraw.vehicle import load_vehicle
from nightdraw.vehicle.model import Vehicle

KEYS = (
    "class", "title", "when", "time", "groups", "vehicles", "boxes", "kits", "faults", "points", "pass",
    "tolerance", "units", "hints", "fit",
)  # fmt: skip
REQUIRED = ("class", "time", "groups", "vehicles", "boxes", "kits", "faults")
MOST_ITEMS = 60  # of a list: no school teaches more groups at once
MOST_TITLE = 200  # characters: a line of a sheet
MOST_POINTS = 100
SLUG = re.compile(r"[a-z][a-z0-9-]{0,31}")
GROUP = re.compile(r"[a-z0-9-]{1,16}")
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9-]{0,23}")
IDENTITY = re.compile(r"[ -~]{1,64}")
WHEN = "%Y-%m-%d %H:%M"
TIME = ("10 min", "12 h")  # a lesson
SHARE = ("0 %", "100 %")
FIT_YES = Fraction(1, 4)  # what `fit: yes` means: a quarter is what a student still calls the same fault
TOLERANCES = {"current": "current", "duration": "time", "interval": "time"}
HINTS = "30 min, 60 min, 90 min"
MOST_HINTS = 9
T = TypeVar("T")
Loaded = TypeVar("Loaded")


def load_class(path: str | Path) -> ClassFile:
    """The class in a YAML file, or of a shipped name; raises InputError with every finding and its place."""
    named = data.shipped("classes", path)
    root, findings = places.read(named)
    found = _Reader(findings).read(root)
    findings.stop()
    assert found is not None  # a class that can't be made left a finding
    return found


class _Reader:
    """Reads one class; each method reads one part and leaves findings for what is wrong in it."""

    def __init__(self, findings: Findings) -> None:
        self._findings = findings
        self._folder = Path(findings.file).parent
        self._loaded: dict[tuple[str, str], object] = {}
        self._taken: dict[tuple[str, str], Node] = {}

    def read(self, root: Node) -> ClassFile | None:
        """The class, or None with findings."""
        f = Fields(root, self._findings, "the class", KEYS, REQUIRED)
        name = f.parsed("class", _shaped(SLUG, "a small letter, then small letters, digits, '-', at most 32"))
        title = f.parsed("title", _title, "")
        when = f.parsed("when", _when)
        time_s = f.quantity("time", "time", TIME)
        groups = self._list(f, "groups", self._group)
        cars = self._list(f, "vehicles", self._car)
        boxes = self._list(f, "boxes", self._box)
        kits = self._list(f, "kits", self._kit)
        faults = self._list(f, "faults", self._fault)
        points = self._points(f)
        pass_pct = f.quantity("pass", "percent", SHARE, Fraction(60))
        tolerances = self._tolerances(f)
        rule = f.choice("units", model.UNIT_RULES, model.HALF)
        hints = self._hints(f)
        fit = f.parsed("fit", _fit, Fraction(0))
        if len(self._findings) or name is None or time_s is None or pass_pct is None or fit is None:
            return None
        return ClassFile(
            name=name, title=title or name, when=when, time_s=float(time_s), groups=tuple(groups),
            cars=tuple(cars), boxes=tuple(boxes), kits=tuple(kits), faults=tuple(faults), points=points,
            pass_pct=pass_pct, tolerances=tolerances, units=rule or model.HALF, hints_s=hints, fit=fit,
            file=self._findings.file, places={key: f.key_place(key) for key in KEYS},
        )  # fmt: skip

    def _list(self, f: Fields, key: str, read: Callable[[Node], T | None]) -> list[T]:
        nodes = items(f.node(key), self._findings, key)
        if key in f and isinstance(f.node(key), places.Sequence) and not nodes:
            self._findings.add(f.value_place(key), f"{key} must have at least one item")
        if len(nodes) > MOST_ITEMS:
            self._findings.add(nodes[MOST_ITEMS], f"{key} has more than {MOST_ITEMS} items")
        return [found for node in nodes[:MOST_ITEMS] if (found := read(node)) is not None]

    def _own(self, kind: str, name: str | None, place: Node) -> str | None:
        """The name, where nothing else of its kind has it."""
        if name is None:
            return None
        before = self._taken.setdefault((kind, name), place)
        if before is place:
            return name
        self._findings.add(place, f"the {kind} {units.shown(name)} stands on line {before.line} already")
        return None

    def _group(self, node: Node) -> str | None:
        parse = _shaped(GROUP, "small letters, digits and '-', at most 16")
        return self._own("group", read_with(node, self._findings, "a group", parse), node)

    def _car(self, node: Node) -> Car | None:
        f = Fields(node, self._findings, "a vehicle", ("name", "vehicle", "splices"), ("name", "vehicle"))
        name = self._own("vehicle", f.parsed("name", _named), f.value_place("name"))
        vehicle = self._file(f, "vehicle", "vehicles", load_vehicle)
        if vehicle is None:
            return None
        splices = self._splices(f, vehicle)
        return None if name is None or splices is None else Car(name, vehicle, splices, node)

    def _splices(self, f: Fields, vehicle: Vehicle) -> tuple[str, ...] | None:
        known = [splice.name for splice in vehicle.splices]
        node = f.node("splices")
        if node is None or (isinstance(node, Scalar) and node.text == "all"):
            if not known:
                self._findings.add(f.place, f"vehicle {vehicle.name} has no splice for a box to sit at")
            return tuple(known)
        found: list[str] = []
        # One splice may stand there without brackets.
        nodes = [node] if isinstance(node, Scalar) else items(node, self._findings, "splices")
        for one in nodes:
            name = read_with(one, self._findings, "splices", str)
            if name is not None and name not in known:
                hint = nearest(name[:60], known) or f"known: {', '.join(known) or 'none'}"
                self._findings.add(one, f"vehicle {vehicle.name} has no splice {units.shown(name)}", hint)
            elif name is not None and name not in found:
                found.append(name)
        if not nodes:
            self._findings.add(f.value_place("splices"), "splices must have at least one item")
        return tuple(found)

    def _box(self, node: Node) -> Box | None:
        f = Fields(node, self._findings, "a box", ("box", "identity", "board"), ("box",))
        label = self._own("box", f.parsed("box", _named), f.value_place("box"))
        identity = f.parsed("identity", _shaped(IDENTITY, "what *IDN? says of its serial"))
        identity = self._own("identity", identity, f.value_place("identity"))
        board = self._board(f)
        return None if label is None or board is None else Box(label, identity, board, node)

    def _board(self, f: Fields) -> BoardModel | None:
        if "board" not in f:
            return load_board()
        return self._file(f, "board", data.HARDWARE, load_board)

    def _kit(self, node: Node) -> Kit | None:
        f = Fields(node, self._findings, "a kit", ("kit", "instruments"), ("kit", "instruments"))
        name = self._own("kit", f.parsed("kit", _named), f.value_place("kit"))
        tools = self._file(f, "instruments", "instruments", load_instruments)
        return None if name is None or tools is None else Kit(name, tools, node)

    def _fault(self, node: Node) -> Fault | None:
        text = read_with(node, self._findings, "a fault", str)
        if text is None:
            return None
        path = data.named_in(self._folder, data.PROFILES, text)
        written = self._load(node, path, data.PROFILES, load_as_written)
        if written is None or self._own("fault", written.name, node) is None:
            return None
        return Fault(written.name, path, written, node)

    def _file(self, f: Fields, key: str, kind: str, load: Callable[[Path], Loaded]) -> Loaded | None:
        text = f.text(key)
        if text is None:
            return None
        return self._load(f.value_place(key), data.named_in(self._folder, kind, text), kind, load)

    def _load(self, place: Node, path: Path, kind: str, load: Callable[[Path], Loaded]) -> Loaded | None:
        """What the file holds, read once; a finding here where there is none, its own where it is wrong."""
        key = (kind, str(path))
        if key in self._loaded:
            return self._loaded[key]  # type: ignore[return-value]  # put there by the same load
        if not path.is_file():
            known = [found.stem for found in data.shipped_paths(kind)]
            hint = (
                nearest(path.name[:60], known)
                or f"it is looked for beside the class file; shipped: {', '.join(known)}"
            )
            self._findings.add(
                place, f"there is no file {units.shown(str(path))}, and none of that name ships", hint
            )
            return None
        found: Loaded | None = None
        try:
            found = load(path)
        except InputError as error:
            self._findings.extend(list(error.findings))
        self._loaded[key] = found
        return found

    def _points(self, f: Fields) -> dict[str, int]:
        found = dict(model.POINTS)
        if "points" not in f:
            return found
        g = Fields(f.node("points"), self._findings, "points", tuple(model.POINTS))
        for key in model.POINTS:
            value = g.parsed(key, lambda text: whole_number(text, 0, MOST_POINTS), found[key])
            found[key] = 0 if value is None else value
        if not any(found.values()):
            self._findings.add(g.place, "points must be above 0 for something")
        return found

    def _tolerances(self, f: Fields) -> dict[str, Tolerance]:
        if "tolerance" not in f:
            return {}
        g = Fields(f.node("tolerance"), self._findings, "tolerance", tuple(TOLERANCES))
        found = {key: g.parsed(key, _tolerance(dimension)) for key, dimension in TOLERANCES.items()}
        return {key: value for key, value in found.items() if value is not None}

    def _hints(self, f: Fields) -> tuple[float, ...]:
        """Times in a list, or in one text between commas."""
        node = f.node("hints")
        if node is None or isinstance(node, Scalar):
            found = f.parsed("hints", _hint_times, _hint_times(HINTS)) or ()
        else:
            read = [
                read_with(one, self._findings, "hints", _hint_times)
                for one in items(node, self._findings, "hints")
            ]
            found = tuple(one[0] for one in read if one)
        if len(found) > MOST_HINTS or list(found) != sorted(set(found)):
            self._findings.add(
                f.value_place("hints"),
                f"hints must be at most {MOST_HINTS} times, each later than the one before",
            )
        return found


def slug(text: str) -> str:
    """The name of a class or a plan; raises ValueError."""
    return _shaped(SLUG, "a small letter, then small letters, digits, '-', at most 32")(text)


def _shaped(pattern: re.Pattern[str], shape: str) -> Callable[[str], str]:
    def parse(text: str) -> str:
        if pattern.fullmatch(text):
            return text
        raise ValueError(f"{units.shown(text)} is no name here: {shape}")

    return parse


_named = _shaped(NAME, "letters, digits and '-', at most 24")


def _title(text: str) -> str:
    if len(text) > MOST_TITLE:
        raise ValueError(f"must have at most {MOST_TITLE} characters, not {len(text)}")
    return " ".join(text.split())


def _when(text: str) -> str:
    try:
        return datetime.strptime(text, WHEN).strftime(WHEN)
    except ValueError:
        raise ValueError(f"{units.shown(text)} is no date and time like 2027-03-04 09:00") from None


def _fit(text: str) -> Fraction:
    """`no`, `yes`, or how far a level may be moved: `20 %`."""
    if text in ("yes", "no"):
        return FIT_YES if text == "yes" else Fraction(0)
    value = units.parse(text, "percent") / 100
    if value > Fraction(1, 2):
        raise ValueError(f"a level moved by {units.shown(text)} is another fault: at most 50 %")
    return value


def _tolerance(dimension: str) -> Callable[[str], Tolerance]:
    def parse(text: str) -> Tolerance:
        if text.rstrip().endswith("%"):
            return Tolerance(units.parse(text, "percent"), None)
        return Tolerance(None, units.parse(text, dimension))

    return parse


def _hint_times(text: str) -> tuple[float, ...]:
    return tuple(float(units.parse(part, "time")) for part in text.split(","))
