"""A plan as a YAML file that a person can read and change: written whole, read back with every check."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from boxcore import program as pg
from boxcore.slots import SLOTS

from nightdraw import data, outputs, places, units
from nightdraw.errors import InputError, nearest
from nightdraw.fields import Fields, items
from nightdraw.lesson.classfile import load_class, slug
from nightdraw.lesson.classtable import MOST_ITEMS
from nightdraw.lesson.model import Assignment, ClassFile, Plan
from nightdraw.places import Findings, Node

KEYS = ("plan", "class", "seed", "assignments")
NAMES = ("group", "vehicle", "splice", "fuse", "box", "profile", "kit")
REQUIRED = ("group", "vehicle", "splice", "box", "slot", "profile", "seed", "kit")
FIGURES = ("expected_s", "p95_s", "difficulty")
MOST_FIGURE = 1e7  # seconds: four months


def write_plan(path: Path, plan: Plan) -> None:
    """Write the plan; its class is named by the way from the plan's folder. Raises InputError."""
    outputs.write(path, as_text(plan, path).encode())


def as_text(plan: Plan, path: Path) -> str:
    """The plan's YAML as it stands in a file at `path`."""
    lines = [
        f"plan: {plan.name}",
        f"class: {_quoted(_way(plan.of, path))}",
        f"seed: {plan.seed}",
        "assignments:",
    ]
    for one in plan.assignments:
        lead = "- "
        for key, value in one.document().items():
            if value is not None:
                lines.append(f"  {lead}{key}: {_scalar(value)}")
                lead = "  "
    return "\n".join(lines) + "\n"


def _way(of: ClassFile, path: Path) -> str:
    """How the plan names its class: a shipped one by its name, another by the way from the plan's folder."""
    file = Path(of.file).resolve()
    if file in (shipped.resolve() for shipped in data.shipped_paths("classes")):
        return file.stem
    try:
        return Path(os.path.relpath(file, path.resolve().parent)).as_posix()
    except ValueError:  # another drive
        return file.as_posix()


def _scalar(value: object) -> str:
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def _quoted(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"


def load_plan(path: str | Path) -> Plan:
    """The plan in a YAML file, with its class; raises InputError with every finding and its place."""
    root, findings = places.read(path)
    plan = _Reader(findings).read(root)
    findings.stop()
    assert plan is not None
    return plan


def load_rows(path: str | Path) -> tuple[Assignment, ...]:
    """The assignments of an earlier plan, whatever has become of its class since: names aren't looked up.

    Raises InputError as load_plan does, for all else."""
    root, findings = places.read(path)
    f = Fields(root, findings, "the plan", KEYS, KEYS)
    read = [
        _row(node, findings) for node in items(f.node("assignments"), findings, "assignments")[:MOST_ITEMS]
    ]
    findings.stop()
    return tuple(one for _, one in read if one is not None)


def _row(node: Node, findings: Findings) -> tuple[Fields, Assignment | None]:
    """One assignment, its names not looked up; None with findings."""
    f = Fields(node, findings, "an assignment", (*NAMES, "slot", "seed", *FIGURES), REQUIRED)
    texts = {key: f.text(key, "" if key == "fuse" else None) for key in NAMES}
    slot, seed = f.whole("slot", 0, SLOTS - 1), f.whole("seed", 0, pg.MAX_U32)
    figures = {key: f.parsed(key, _figure) for key in FIGURES}
    if None in texts.values() or slot is None or seed is None:
        return f, None
    return f, Assignment(slot=slot, seed=seed, **texts, **figures)  # type: ignore[arg-type]  # by key


class _Reader:
    """Reads one plan; names are checked against its class."""

    def __init__(self, findings: Findings) -> None:
        self._findings = findings

    def read(self, root: Node) -> Plan | None:
        """The plan, or None with findings."""
        f = Fields(root, self._findings, "the plan", KEYS, KEYS)
        name = f.parsed("plan", slug)
        seed = f.whole("seed", 0, pg.MAX_U32)
        of = self._class(f)
        nodes = items(f.node("assignments"), self._findings, "assignments")
        if "assignments" in f and not 1 <= len(nodes) <= MOST_ITEMS:
            self._findings.add(f.value_place("assignments"), f"assignments must be 1 to {MOST_ITEMS} items")
        read = [self._assignment(node, of) for node in nodes[:MOST_ITEMS]]
        found = [one for one in read if one is not None]
        if name is None or seed is None or of is None or len(found) < len(read) or len(self._findings):
            return None
        self._apart(found, nodes)
        order = {group: k for k, group in enumerate(of.groups)}
        found.sort(key=lambda one: order[one.group])
        return Plan(name, of, seed, tuple(found), self._findings.file)

    def _class(self, f: Fields) -> ClassFile | None:
        text = f.text("class")
        if text is None:
            return None
        try:
            return load_class(data.named_in(Path(self._findings.file).parent, "classes", text))
        except InputError as error:
            self._findings.add(f.value_place("class"), "the plan's class can't be used")
            self._findings.extend(list(error.findings))
            return None

    def _assignment(self, node: Node, of: ClassFile | None) -> Assignment | None:
        f, one = _row(node, self._findings)
        if of is None or one is None:
            return None
        known = {
            "group": of.groups,
            "vehicle": [car.name for car in of.cars],
            "box": [box.label for box in of.boxes],
            "profile": [fault.name for fault in of.faults],
            "kit": [kit.name for kit in of.kits],
        }
        good = [self._known(f, key, getattr(one, key), names) for key, names in known.items()]
        if not all(good):  # looked at in full: every wrong name is told
            return None
        car = of.car(one.vehicle)
        if not self._known(f, "splice", one.splice, car.splices):
            return None
        splice = car.vehicle.splice(one.splice)
        assert splice is not None  # the class file's reader looked
        if one.fuse not in ("", splice.fuse):
            message = f"splice {splice.name} of vehicle {car.name} is on fuse {splice.fuse}"
            self._findings.add(f.value_place("fuse"), message, "change the fuse, or leave it out")
            return None
        return replace(one, fuse=splice.fuse)

    def _known(self, f: Fields, key: str, name: str, names: Sequence[str]) -> bool:
        if name in names:
            return True
        hint = nearest(name[:60], names) or f"known: {', '.join(names)}"
        self._findings.add(f.value_place(key), f"the class has no {key} {units.shown(name)}", hint)
        return False

    def _apart(self, found: list[Assignment], nodes: list[Node]) -> None:
        """Nothing is given to two groups."""
        taken: dict[tuple[str, ...], str] = {}
        for one, node in zip(found, nodes, strict=True):
            splice = ("splice", one.vehicle, one.splice)
            for what in (("group", one.group), ("box", one.box), ("kit", one.kit), splice):
                if what in taken:
                    self._findings.add(node, f"{' '.join(what)} is given twice, to {taken[what]} first")
                taken[what] = one.group


def _figure(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        raise ValueError(f"{units.shown(text)} is no number") from None
    if not 0 <= value <= MOST_FIGURE:
        raise ValueError(f"{units.shown(text)} must be 0 or more")
    return value
