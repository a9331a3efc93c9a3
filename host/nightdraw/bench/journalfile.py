"""The journal beside a recording, NAME.journal.jsonl: what the box says it did, one JSON object a line.

The first line says what the box believes of itself and which run this is; then its records in order, as
link.records makes lines of them. Only the file is made here.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from nightdraw.outputs import named, partial

SUFFIX = ".journal.jsonl"


def path_beside(recording: Path) -> Path:
    """The journal's path for a recording's."""
    return recording.with_suffix(SUFFIX)


class JournalFile:
    """The file on its way to disk, under a temporary name until keep(); see recorder.CsvFile."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def __enter__(self) -> Self:
        with named(self._path):
            self._temporary = partial(self._path)
        self._file = self._temporary.open("w", encoding="utf-8", newline="\n")
        return self

    def write(self, objects: Iterable[dict[str, Any]]) -> None:
        """Add lines."""
        with named(self._path):
            for record in objects:
                self._file.write(json.dumps(record) + "\n")

    def keep(self) -> None:
        """Close the file and put it in its place, replacing what was there."""
        with named(self._path):
            self._file.close()
            self._temporary.replace(self._path)

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with contextlib.suppress(OSError):  # on a full disk closing fails too; what led here is told
            self._file.close()
        self._temporary.unlink(missing_ok=True)
