"""A file under a name of its own until it is whole: nobody's file is touched before, nor half a one left."""

from __future__ import annotations

from itertools import count
from pathlib import Path


def partial(path: Path) -> Path:
    """Make an empty file beside `path` that nobody has; raises OSError as open() does."""
    for number in count():
        made = path.with_name(f"{path.name}.{number}.part")
        try:
            made.open("xb").close()
        except FileExistsError:
            continue
        return made
    raise AssertionError
