"""The file formats and what is published of them from their tables: a JSON Schema and a manual's table each.

`python -m tests.documents` writes both; tests/test_formats.py fails where they are stale.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from nightdraw.board.table import board
from nightdraw.fields import ByKey, Either, Field, Form, Listed, Record
from nightdraw.instruments.assumed import ASSUMPTIONS
from nightdraw.instruments.read import INSTRUMENTS
from nightdraw.lesson.classtable import CLASS
from nightdraw.profile.table import PROFILE
from nightdraw.vehicle.script import SCRIPT
from nightdraw.vehicle.table import vehicle

from tests import tidy

WIDTH = 110  # characters of a line, as of the sources
DRAFT = "https://json-schema.org/draft/2020-12/schema"
CHECKER = (
    "The checker finds what no schema says: bounds of quantities, names that must exist, how keys agree."
)


@dataclass(frozen=True)
class Format:
    """A format: its table, where its schema lies, and what the schema is called."""

    record: Record
    schema: str
    title: str
    about: str

    @property
    def path(self) -> Path:
        """The schema's file."""
        return tidy.TOP / self.schema


FORMATS = {
    "profile": Format(
        PROFILE,
        "profiles/profile.schema.json",
        "Nightdraw drain profile",
        "What a load box is asked to draw.",
    ),
    "board": Format(board(), "hardware/board.schema.json", "Nightdraw board", "What a load box is made of."),
    "class": Format(
        CLASS,
        "profiles/classes/class.schema.json",
        "Nightdraw class",
        "What an instructor has: groups, vehicles, boxes, instruments, faults, and how he marks.",
    ),
    "vehicle": Format(
        vehicle(),
        "profiles/vehicles/vehicle.schema.json",
        "Nightdraw vehicle",
        "A training vehicle: battery, feeds, fuses, what draws by itself, where boxes can sit.",
    ),
    "script": Format(
        SCRIPT,
        "profiles/scripts/script.schema.json",
        "Nightdraw script",
        "What happens to a vehicle, and when.",
    ),
    "instruments": Format(
        INSTRUMENTS,
        "profiles/instruments/instruments.schema.json",
        "Nightdraw instruments",
        "What a school owns to measure with.",
    ),
    "assumptions": Format(
        ASSUMPTIONS,
        "profiles/assumptions/assumptions.schema.json",
        "Nightdraw assumptions",
        "What a search is taken to need of people: handling times, patience, what counts as seen.",
    ),
}


def schema_text(name: str) -> str:
    """The JSON Schema of a format."""
    one, defs = FORMATS[name], dict[str, Any]()
    made = one.record.schema(defs)
    head = {"$schema": DRAFT, "title": one.title, "description": f"{one.about} {CHECKER}"}
    return _dump(head | made | {"$defs": dict(sorted(defs.items()))}) + "\n"


def _dump(value: Any, indent: int = 0, room: int = 0) -> str:
    """JSON with what fits on one line on one line."""
    line = json.dumps(value, ensure_ascii=False)
    if len(line) + indent + room <= WIDTH or not isinstance(value, dict | list) or not value:
        return line
    inner = " " * (indent + 2)
    if isinstance(value, list):
        rows = [_dump(one, indent + 2) for one in value]
    else:
        rows = [
            f"{json.dumps(key)}: {_dump(one, indent + 2, len(json.dumps(key)) + 3)}"
            for key, one in value.items()
        ]
    opens, closes = ("[", "]") if isinstance(value, list) else ("{", "}")
    return f"{opens}\n" + ",\n".join(inner + row for row in rows) + f"\n{' ' * indent}{closes}"


def manual(name: str) -> list[tuple[object, ...]]:
    """The rows of a format's table: key, value, what holds where it is absent, meaning."""
    return _rows(FORMATS[name].record, "")


HEADS = ("key", "value", "unless given", "what it says")


def _rows(record: Record, at: str) -> list[tuple[object, ...]]:
    rows: list[tuple[object, ...]] = []
    for field in record.fields:
        form = _cell(field.form.describe())
        rows.append((f"`{at}{field.key}`", form, _unless(field), _cell(field.meaning)))
        inner = _inner(field.form)
        if inner is not None:
            rows += _rows(inner, f"{at}{field.key}{'[]' if isinstance(field.form, Listed) else ''}.")
    return rows


def _inner(form: Form) -> Record | None:
    """The record that a field's value is made of."""
    if isinstance(form, Either):
        return _inner(form.form)
    if isinstance(form, Listed):
        return _inner(form.of)
    return form if isinstance(form, Record) else None


def _unless(field: Field) -> str:
    if field.needed:
        return "needed"
    return _cell(field.otherwise or (f"`{field.default}`" if field.default is not None else ""))


def _cell(text: str) -> str:
    return text.replace("|", "\\|")


def keys(form: Form, at: str = "") -> dict[str, Field]:
    """Every field of a format by its way, such as `draws[].pulse.on`."""
    record, found = _inner(form), dict[str, Field]()
    for field in () if record is None else record.fields:
        found[at + field.key] = field
        dots = "[]." if isinstance(field.form, Listed) else "."
        if not isinstance(field.form, ByKey):
            found |= keys(field.form, at + field.key + dots)
    return found
