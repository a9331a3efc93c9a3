"""The parts of pages drawn from the code's own tables, and the JSON Schemas.

`python -m tests.documents` renews them; a test fails when one differs. A part stands between
`<!-- from the code: NAME -->` and `<!-- end -->`.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import partial

from boxcore import commands, port, states
from nightdraw import journals
from nightdraw.lesson import bookschema

from tests import formats, tidy
from tests.micropython import doors

PAGE = tidy.TOP / "DEVELOPERS.md"
PAGES = (PAGE, tidy.TOP / "profiles" / "README.md", tidy.TOP / "hardware" / "README.md")
# The same moves by pair: (state, event) -> state.
MOVES = {(state, event): after for state, events in states.AFTER.items() for event, after in events.items()}
EVENTS = {
    "arm": "a program is armed, by the link or the arm switch",
    "start": "the start rule is satisfied",
    "hold": "the supply left its range",
    "release": "the supply is back in its range and has settled",
    "lost": "the supply is gone while the box is still powered from USB",
    "trip": "a guard opened the switches for good",
    "end": "the run time, the charge or the hand level's time is used up",
    "level": "a level is set by hand",
    "clear": "a trip or an end is acknowledged",
    "halt": "halted by the link, the arm switch or the resume rule",
}
PLAN = (
    ("program", port.PROGRAM_BYTES, "`slots.py`: the armed program, which `schedule.py` plays from here"),
    (
        "ring",
        2 * port.RING_HALVES,
        "`edgeplayer.py`: the edge queue's words and flags, aligned for the DMA",
    ),
    ("journal", port.JOURNAL_BYTES, "`journal.py`: records that wait to be appended"),
    ("answer", port.ANSWER_BYTES, "`commands_box.py`: a long answer's block until the link has sent it"),
    ("piece", port.PIECE_BYTES, "`slots.py`: a stored program's bytes while they are checked"),
)
PART = re.compile(r"(<!-- from the code: (\w+) -->\n)(.*?)(<!-- end -->)", re.DOTALL)


def table(heads: tuple[str, ...], rows: list[tuple[object, ...]]) -> str:
    """A Markdown table."""
    lines = [heads, ("---",) * len(heads), *rows]
    return "".join("| " + " | ".join(str(cell) for cell in line) + " |\n" for line in lines)


def state_diagram() -> str:
    """The box's states and moves, as Mermaid draws them."""
    lines = ["stateDiagram-v2", f"    [*] --> {states.IDLE}"]
    for state, events in states.AFTER.items():
        lines += [f"    {state} --> {events[event]}: {event}" for event in sorted(events)]
    return "```mermaid\n" + "".join(f"{line}\n" for line in lines) + "```\n"


def events() -> str:
    """What moves the box from state to state."""
    return table(("event", "when"), list(EVENTS.items()))


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
        for number, meaning in sorted(journals.KINDS.items())
    ]
    return table(("kind", "name", "arg", "value", "pattern"), rows)


def headers() -> str:
    """Every command header of the instrument, and what a locked box does with it."""
    rows: list[tuple[object, ...]] = [
        (f"`{row[commands.HEADER]}`", row[commands.LOCKED]) for row in doors.rows()
    ]
    return table(("header", "while locked"), rows)


def buffers() -> str:
    """The large buffers and who owns them."""
    rows: list[tuple[object, ...]] = [(f"`{name}`", f"{size:,}", owner) for name, size, owner in PLAN]
    return table(("buffer", "bytes", "owner"), rows)


def book() -> str:
    """The record book's tables: every column with what its own comment says."""
    rows: list[tuple[object, ...]] = []
    for statement in (one for version in bookschema.MIGRATIONS for one in version if "CREATE TABLE" in one):
        name = statement.split()[2]
        told = []
        for line in statement.splitlines()[1:]:
            code, _, comment = line.partition("--")
            parts = [part.split() for part in code.split(",")]
            columns = [f"`{part[0]}`" for part in parts if len(part) > 1 and part[0].islower()]
            if columns:
                told.append(", ".join(columns) + (f" ({comment.strip()})" if comment else ""))
        rows.append((f"`{name}`", ", ".join(told)))
    return table(("table", "columns"), rows)


def keys(name: str) -> str:
    """The keys of a file format, from its table of fields."""
    return table(formats.HEADS, formats.manual(name))


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
    "book": book,
    **{name: partial(keys, name) for name in formats.FORMATS},
}


def renewed(text: str) -> str:
    """The page with every part drawn anew."""
    return PART.sub(lambda found: found[1] + PARTS[found[2]]() + found[4], text)


if __name__ == "__main__":
    for page in PAGES:
        page.write_text(renewed(page.read_text("utf-8")), "utf-8")
    for name, one in formats.FORMATS.items():
        one.path.write_text(formats.schema_text(name), "utf-8")
