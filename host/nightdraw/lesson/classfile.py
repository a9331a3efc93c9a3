"""From a class file's YAML to the checked model: `classtable` has its keys, here is what they name.

Files that it names are looked for beside it, then among what ships; what is wrong in them is told with their
own places, in the same go.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from nightdraw import data, places, units
from nightdraw.board import load_board
from nightdraw.errors import InputError, nearest
from nightdraw.fields import NAME, Read
from nightdraw.instruments.read import load_instruments
from nightdraw.lesson.classtable import CLASS
from nightdraw.lesson.model import Box, Car, ClassFile, Fault, Kit
from nightdraw.places import Findings, Node, Scalar
from nightdraw.profile.read import load_as_written
from nightdraw.vehicle import load_vehicle
from nightdraw.vehicle.model import Vehicle

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
        f = CLASS.open(root, self._findings)
        groups = [self._own("group", name, node) for name, node in f["groups"] or ()]
        cars = self._made(f["vehicles"], self._car)
        boxes = self._made(f["boxes"], self._box)
        kits = self._made(f["kits"], self._kit)
        faults = [self._fault(text, node) for text, node in f["faults"] or ()]
        if len(self._findings) or not f.good:
            return None
        off = f["tolerance"]
        return ClassFile(
            name=f["class"], title=f["title"] or f["class"], when=f["when"], time_s=f["time"],
            groups=tuple(name for name in groups if name), cars=cars, boxes=boxes, kits=kits,
            faults=tuple(fault for fault in faults if fault), points=f["points"], pass_pct=f["pass"],
            tolerances={} if off is None else {key: value for key, value in off.named().items() if value},
            units=f["units"], hints_s=f["hints"], fit=f["fit"], file=self._findings.file,
            places={field.key: f.key_place(field.key) for field in CLASS.fields},
        )  # fmt: skip

    def _made(self, reads: tuple[Read, ...] | None, make: Callable[[Read], T | None]) -> tuple[T, ...]:
        return tuple(found for read in reads or () if (found := make(read)) is not None)

    def _own(self, kind: str, name: str | None, place: Node) -> str | None:
        """The name, where nothing else of its kind has it."""
        if name is None:
            return None
        before = self._taken.setdefault((kind, name), place)
        if before is place:
            return name
        self._findings.add(place, f"the {kind} {units.shown(name)} stands on line {before.line} already")
        return None

    def _car(self, f: Read) -> Car | None:
        name = self._own("vehicle", f["name"], f.value_place("name"))
        vehicle = self._file(f, "vehicle", "vehicles", load_vehicle)
        if vehicle is None:
            return None
        splices = self._splices(f, vehicle)
        return None if name is None else Car(name, vehicle, splices, f.place)

    def _splices(self, f: Read, vehicle: Vehicle) -> tuple[str, ...]:
        known = [splice.name for splice in vehicle.splices]
        node = f.value_place("splices")
        if "splices" not in f or (isinstance(node, Scalar) and node.text == "all"):
            if not known:
                self._findings.add(f.place, f"vehicle {vehicle.name} has no splice for a box to sit at")
            return tuple(known)
        found: list[str] = []
        for name, one in f["splices"]:
            if name not in known:
                hint = nearest(name[:60], known) or f"known: {', '.join(known) or 'none'}"
                self._findings.add(one, f"vehicle {vehicle.name} has no splice {units.shown(name)}", hint)
            elif name not in found:
                found.append(name)
        return tuple(found)

    def _box(self, f: Read) -> Box | None:
        label = self._own("box", f["box"], f.value_place("box"))
        identity = self._own("identity", f["identity"], f.value_place("identity"))
        board = self._file(f, "board", data.HARDWARE, load_board) if "board" in f else load_board()
        return None if label is None or board is None else Box(label, identity, board, f.place)

    def _kit(self, f: Read) -> Kit | None:
        name = self._own("kit", f["kit"], f.value_place("kit"))
        tools = self._file(f, "instruments", "instruments", load_instruments)
        return None if name is None or tools is None else Kit(name, tools, f.place)

    def _fault(self, text: str, node: Node) -> Fault | None:
        path = data.named_in(self._folder, data.PROFILES, text)
        written = self._load(node, path, data.PROFILES, load_as_written)
        if written is None or self._own("fault", written.name, node) is None:
            return None
        return Fault(written.name, path, written, node)

    def _file(self, f: Read, key: str, kind: str, load: Callable[[Path], Loaded]) -> Loaded | None:
        text = f[key]
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


def slug(text: str) -> str:
    """The name of a class or a plan; raises ValueError."""
    found: str = NAME.value(text)
    return found
