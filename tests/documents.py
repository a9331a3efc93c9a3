"""The parts of DEVELOPERS.md drawn from the code's own tables: `python -m tests.documents` renews it.

A part stands between `<!-- from the code: NAME -->` and `<!-- end -->`; a test fails when it differs.
"""

from __future__ import annotations

import re
from collections.abc import Callable

from boxcore import commands, journal, memory, states

from tests import tidy

PAGE = tidy.TOP / "DEVELOPERS.md"
PART = re.compile(r"(<!-- from the code: (\w+) -->\n)(.*?)(<!-- end -->)", re.DOTALL)


def table(heads: tuple[str, ...], rows: list[tuple[object, ...]]) -> str:
    """A Markdown table."""
    lines = [heads, ("---",) * len(heads), *rows]
    return "".join("| " + " | ".join(str(cell) for cell in line) + " |\n" for line in lines)


def state_diagram() -> str:
    """The box's states and moves."""
    return f"```mermaid\n{states.diagram()}```\n"


def events() -> str:
    """What moves the box from state to state."""
    return table(("event", "when"), list(states.EVENTS.items()))


def faults() -> str:
    """Every fault, what it does, and its bit in the QUEStionable register."""
    rows: list[tuple[object, ...]] = [
        (number, name, event or "flag only", "-" if bit is None else bit)
        for number, (name, event, bit) in sorted(states.FAULTS.items())
    ]
    return table(("number", "fault", "does", "QUEStionable bit"), rows)


def records() -> str:
    """The journal's kinds of record and what their fields mean."""
    rows: list[tuple[object, ...]] = [
        (number, *(f"`{word}`" if word else "" for word in meaning))
        for number, meaning in sorted(journal.KINDS.items())
    ]
    return table(("kind", "name", "arg", "value", "pattern"), rows)


def headers() -> str:
    """Every command header of the instrument, and what a locked box does with it."""
    rows: list[tuple[object, ...]] = [
        (f"`{row[commands.HEADER]}`", row[commands.LOCKED]) for row in commands.table()
    ]
    return table(("header", "while locked"), rows)


def buffers() -> str:
    """The large buffers and who owns them."""
    rows: list[tuple[object, ...]] = [(name, f"{size:,}", owner) for name, size, owner in memory.PLAN]
    return table(("buffer", "bytes", "owner"), rows)


def floors() -> str:
    """Which package of the host stands on which floor."""
    rows: list[tuple[object, ...]] = []
    for height in sorted(set(tidy.FLOORS.values()), reverse=True):
        rows.append((height, ", ".join(f"`{name}`" for name, at in tidy.FLOORS.items() if at == height)))
    return table(("floor", "packages and modules"), rows)


PARTS: dict[str, Callable[[], str]] = {
    "states": state_diagram,
    "events": events,
    "faults": faults,
    "records": records,
    "headers": headers,
    "buffers": buffers,
    "floors": floors,
}


def renewed(text: str) -> str:
    """The page with every part drawn anew."""
    return PART.sub(lambda found: found[1] + PARTS[found[2]]() + found[4], text)


if __name__ == "__main__":
    PAGE.write_text(renewed(PAGE.read_text("utf-8")), "utf-8")
