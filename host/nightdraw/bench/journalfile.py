"""The journal beside a recording, NAME.journal.jsonl: what the box says it did, one JSON object a line.

The first line says what the box believes of itself and which run this is; then its records in order, their
times in seconds since the run's start. Nothing is left out but the journal's own page marks.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from boxcore.journal import KINDS
from boxcore.program import TICKS_PER_S

SUFFIX = ".journal.jsonl"
PAGE = "page"  # a file's head inside the box, no event
NAMES = {kind[0]: kind[1:] for kind in KINDS.values()}  # kind -> what arg, value and pattern mean


def path_beside(recording: Path) -> Path:
    """The journal's path for a recording's."""
    return recording.with_suffix(SUFFIX)


def line(record: dict[str, Any], start_tick: int, boot: int) -> dict[str, Any]:
    """One decoded record (see boxcore.journal.decode) as an object of the file.

    start_tick: the run's zero on the clock of boot `boot`; t_s is null in records of another boot.
    """
    said = {"kind": record["kind"], "boot": record["boot"], "tick": record["tick"], "t_s": None}
    if record["boot"] == boot:
        said["t_s"] = (record["tick"] - start_tick) / TICKS_PER_S
    for name in NAMES[record["kind"]]:
        if name == "level_ua":
            said["level_ma"] = record[name] / 1000
        elif name:
            said[name] = record[name]
    said["supply_mv"] = record["supply_mv"]
    return said


class JournalFile:
    """The file on its way to disk, under a temporary name until keep(); see recorder.CsvFile."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._temporary = path.with_name(path.name + ".part")

    def __enter__(self) -> Self:
        self._file = self._temporary.open("w", encoding="utf-8", newline="\n")
        return self

    def write(self, objects: Iterable[dict[str, Any]]) -> None:
        """Add lines."""
        for said in objects:
            self._file.write(json.dumps(said) + "\n")

    def keep(self) -> None:
        """Close the file and put it in its place, replacing what was there."""
        self._file.close()
        self._temporary.replace(self._path)

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._file.close()
        with contextlib.suppress(FileNotFoundError):
            self._temporary.unlink()
