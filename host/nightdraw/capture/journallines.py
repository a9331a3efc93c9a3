"""The lines of a journal file as objects whose values are of the kind that a journal has.

What the lines mean is told in journal.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from nightdraw.errors import Finding, InputError

WHOLE = (
    "boot",
    "tick",
    "pattern",
    "supply_mv",
    "seed",
    "run",
    "slot",
    "run_start_tick",
    "run_start_boot",
    "position",
)
UNSAID = ("slot", "run")  # null where the box plays a level by hand, or nothing
LEVELS = ("level_ma", "own_ma")
TIMES = ("at_s", "start_at_s")
MOST_S = 1e9  # thirty years
MOST_MA = 1e8  # as much as a program can ask for


def objects(path: Path) -> Iterator[tuple[int, dict[str, Any]]]:
    """Each line with its number; raises InputError, with file and line, for what is no journal's."""
    try:
        with path.open(encoding="utf-8") as stream:
            for number, line in enumerate(stream, 1):
                if line.strip():
                    yield number, _object(line, path, number)
    except UnicodeDecodeError:
        raise InputError(Finding("not text: a journal is JSON lines", file=str(path))) from None


def _object(line: str, path: Path, number: int) -> dict[str, Any]:
    try:
        found = json.loads(line)
    except json.JSONDecodeError as error:
        message = f"not JSON: {error.msg}"
        raise InputError(Finding(message, file=str(path), line=number, column=error.colno)) from None
    except (RecursionError, ValueError) as error:  # nested without end, or a number of thousands of digits
        raise InputError(Finding(f"not JSON: {error}", file=str(path), line=number, column=1)) from None
    if not isinstance(found, dict) or "kind" not in found:
        raise InputError(Finding("a journal's line is an object with a kind", file=str(path), line=number))
    for name, value in found.items():
        if not _sound(name, value):
            message = f"{name}: {json.dumps(value)[:40]} is no such value"
            raise InputError(Finding(message, file=str(path), line=number))
    return found


def _sound(name: str, value: Any) -> bool:
    """Whether a value is of the kind that a journal has under that name."""
    if name == "channels_ns":
        return isinstance(value, list) and bool(value) and all(_number(ns, 1, 2**32) for ns in value)
    if name in TIMES:
        return _number(value, -MOST_S, MOST_S)
    if name == "t_s":
        return value is None or _number(value, -MOST_S, MOST_S)
    if name in UNSAID and value is None:
        return True
    if name in WHOLE:
        return isinstance(value, int) and _number(value, 0, 2**63)
    return name not in LEVELS or _number(value, 0, MOST_MA)


def _number(value: Any, least: float, most: float) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and least <= value <= most
