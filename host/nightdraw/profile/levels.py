"""The levels of a replay: pairs in the profile itself, or a CSV file beside it.

A CSV has two columns, level first. Its header names the units once (`level_mA,duration_s`, also written
`level (mA),duration (s)`), or is the bare `level,duration` and then every value carries its own unit.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

from boxcore import program as pg

from nightdraw import units
from nightdraw.errors import InputError
from nightdraw.fields import Defs, Form, Quantity, items, read_with
from nightdraw.places import Findings, Node, Refused, Sequence, read_text
from nightdraw.profile.quantities import LARGEST, LONGEST, duration_ticks, level_ua
from nightdraw.units import QuantityError, shown

MAX_LEVELS = pg.MAX_BYTES // pg.LEVEL_BYTES  # a program can't hold more: reading on would be for nothing
COLUMNS = (("level", "current"), ("duration", "time"))
_HEADER = re.compile(r"(?P<name>[a-z]+)(?:[ _]?[(\[ _]?(?P<unit>[A-Za-z]+)[)\]]?)?")

Levels = tuple[tuple[int, int], ...]


class LevelPairs(Form):
    """The form of a replay's levels: a list of [CURRENT, DURATION]."""

    def read(self, node: Node, findings: Findings, what: str) -> Levels | None:
        return from_nodes(node, findings)

    def schema(self, defs: Defs) -> dict[str, Any]:
        pair = [Quantity("current").schema(defs), Quantity("time").schema(defs)]
        item = {"type": "array", "prefixItems": pair, "items": False, "minItems": len(pair)}
        return {"type": "array", "minItems": 1, "items": item}

    def describe(self) -> str:
        return f"a list of [CURRENT, DURATION], 0 A .. {LARGEST} and 1 ms .. {LONGEST}"


def from_nodes(node: Node, findings: Findings) -> Levels | None:
    """The levels of a YAML list of [CURRENT, DURATION] pairs; None with findings where one is wrong."""
    before = len(findings)
    pairs = items(node, findings, "levels")
    if isinstance(node, Sequence) and not pairs:
        findings.add(node, "levels must have at least one [CURRENT, DURATION]")
    levels = []
    for number, pair in enumerate(pairs[: MAX_LEVELS + 1], 1):
        if findings.full():
            break
        what = f"level {number}"
        if isinstance(pair, Refused):
            continue
        if not isinstance(pair, Sequence) or len(pair.items) != 2:
            findings.add(pair, f"{what} must be a pair [CURRENT, DURATION]")
            continue
        level = read_with(pair.items[0], findings, what, level_ua)
        ticks = read_with(pair.items[1], findings, what, duration_ticks)
        if level is not None and ticks is not None:
            levels.append((level, ticks))
    return tuple(levels) if len(findings) == before and levels else None


def from_csv(node: Node, text: str, findings: Findings) -> Levels | None:
    """The levels of a CSV file, its path relative to the profile; findings carry the CSV's own places."""
    file = Path(findings.file).parent / text
    if not file.is_file():
        findings.add(node, f"there is no file {shown(str(file))}", "the path is relative to the profile")
        return None
    table = Findings(str(file))
    try:
        levels = _table(read_text(file), table)
    except InputError as error:
        findings.extend(list(error.findings))
        return None
    findings.extend(table.sorted())
    return levels if not len(table) else None


def _table(text: str, findings: Findings) -> Levels:
    rows = [(n, line) for n, line in enumerate(text.splitlines(), 1) if line.strip()]
    if not rows:
        findings.add(Node(1, 1), "the file is empty", "it needs the header level_mA,duration_s")
        return ()
    header = _cells(*rows[0])
    parsers = _parsers(header, findings)
    if parsers is None:
        return ()
    if len(rows) == 1:
        findings.add(Node(rows[0][0], 1), "there are no levels below the header")
    levels = []
    for line, content in rows[1 : MAX_LEVELS + 2]:
        if findings.full():
            break
        cells = _cells(line, content)
        if len(cells) != len(COLUMNS):
            hint = "write decimals with '.', columns with ','" if ";" in content else None
            findings.add(Node(line, 1), f"a row has two values, this one has {len(cells)}", hint)
            continue
        values = [
            _value(cell, parser, name, findings)
            for cell, parser, (name, _) in zip(cells, parsers, COLUMNS, strict=True)
        ]
        if None not in values:
            levels.append((values[0] or 0, values[1] or 0))
    return tuple(levels)


def _cells(line: int, content: str) -> list[tuple[Node, str]]:
    """The row's cells with their places, spaces and a pair of quotes around each taken off."""
    cells = []
    at = 0
    for raw in content.split(","):
        text = raw.strip()
        column = at + len(raw) - len(raw.lstrip()) + 1
        if len(text) >= 2 and text[0] == text[-1] == '"':
            text = text[1:-1].strip()
        cells.append((Node(line, column), text))
        at += len(raw) + 1
    return cells


def _parsers(header: list[tuple[Node, str]], findings: Findings) -> list[Callable[[str], int]] | None:
    """One parser a column from the header's cells; None, with a finding, where the header is wrong."""
    wanted = "the header must be level_UNIT,duration_UNIT, such as level_mA,duration_s"
    if len(header) != len(COLUMNS):
        findings.add(header[0][0], f"{wanted}; this one has {len(header)} columns")
        return None
    found = []
    for (place, text), (name, dimension) in zip(header, COLUMNS, strict=True):
        match = _HEADER.fullmatch(text)
        if match is None or match["name"] != name:
            findings.add(place, f"{wanted}; this column is {shown(text)}")
            return None
        unit = _unit(match["unit"], dimension)
        if unit is None:
            findings.add(place, f"{shown(match['unit'])} is no unit of {dimension}", wanted)
            continue
        found.append(_parser(unit, dimension))
    return found if len(found) == len(COLUMNS) else None


def _unit(written: str | None, dimension: str) -> str | None:
    """The unit in a header's cell ("" for none), small letters allowed as in level_ma; None if unknown."""
    if not written:
        return ""
    known = units.UNITS[dimension]
    return next((unit for unit in known if written in (unit, unit.lower())), None)


def _parser(unit: str, dimension: str) -> Callable[[str], int]:
    base = level_ua if dimension == "current" else duration_ticks
    return lambda text: base(f"{text} {unit}" if unit else text)


def _value(cell: tuple[Node, str], parser: Callable[[str], int], name: str, findings: Findings) -> int | None:
    place, text = cell
    if not text:
        findings.add(place, f"{name} is missing")
        return None
    try:
        return parser(text)
    except QuantityError as error:
        findings.add(place, f"{name}: {error.message}", error.hint)
        return None
