"""What the commands of `nightdraw box` share: --box, an open box with its refusals in words, cautions.

Presentation only; no command lives here.
"""

from __future__ import annotations

import contextlib
import datetime
import os
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from nightdraw.errors import Finding

if TYPE_CHECKING:
    from nightdraw.link import BoxClient

MAX_SLOT = 9  # slots are SLOT0 to SLOT9

BOX_HELP = "socket://HOST:PORT or a serial port's name (default: the only box that is plugged in)."


def _only_one(context: click.Context, parameter: click.Parameter, boxes: tuple[str, ...]) -> str | None:
    if len(boxes) > 1:
        raise click.UsageError(f"{context.command_path} takes one box: --box was given {len(boxes)} times")
    return boxes[0] if boxes else None


# For a command that can act on one box alone: a second --box is an error, never ignored.
box_option = click.option("--box", metavar="ADDRESS", multiple=True, callback=_only_one, help=BOX_HELP)
board_option = click.option("--board", metavar="FILE", help="Board file (default: the 12 V box that ships).")

# What a box's refusal asks for, by the standard's error number.
REMEDIES = {
    -203: "the box is locked: run `nightdraw box unlock`",
    -221: "something is armed, plays or was tripped: look with `nightdraw box status`, end it with "
    "`nightdraw box halt`",
    -282: "`nightdraw box slots` lists what is stored; `nightdraw box send FILE --slot N` stores a program",
    -284: "run `nightdraw box halt` first",
    -311: "send the program again: nightdraw box send FILE --slot N",
}

CAUTIONS = (
    "caution: the box is about to draw current from a vehicle's battery. Training vehicles only, a fuse at",
    "the source, eye protection, no sparks near the battery; never on airbag, high-voltage, 48 V or other",
    "safety circuits; resistors get hot; stay within reach, no unattended overnight run. The vehicle maker's",
    "procedure, local codes and a licensed technician come first. `nightdraw box halt` opens every switch.",
)


SHORT = "caution: training vehicles only, stay within reach; `nightdraw box halt` opens every switch"


def caution() -> None:
    """The cautions that go with a command that lets the box draw current: whole once a day, else a line."""
    for line in CAUTIONS if _first_today() else (SHORT,):
        click.echo(line, err=True)


def _first_today() -> bool:
    """Whether the cautions weren't shown today: by a note in the user's folder, True where none can be."""
    base = os.environ.get("LOCALAPPDATA") or os.environ.get("XDG_STATE_HOME") or "~/.local/state"
    note = Path(base).expanduser() / "nightdraw" / "cautions-shown"
    today = datetime.date.today().isoformat()
    try:
        if note.exists() and note.read_text("ascii") == today:
            return False
        note.parent.mkdir(parents=True, exist_ok=True)
        note.write_text(today, "ascii")
    except (OSError, RuntimeError, ValueError):
        pass
    return True


def note(finding: Finding | str) -> None:
    """One line on standard error."""
    click.echo((Finding(finding) if isinstance(finding, str) else finding).text(), err=True)


def open_box(box: str | None) -> contextlib.AbstractContextManager[BoxClient]:
    """The box that --box means, open."""
    from nightdraw.link.find import choose

    return open_at(choose(box))


@contextlib.contextmanager
def open_at(address: str, to_halt: bool = False) -> Iterator[BoxClient]:
    """The box at an address, open for the length of a command; what it refuses says what to do about it.

    to_halt: a box of another version opens its switches all the same, before it is refused."""
    from nightdraw.link import RefusedError
    from nightdraw.link import open_box as connect
    from nightdraw.link.deadline import COMMAND_S

    with connect(address, COMMAND_S, to_halt) as client:
        try:
            yield client
        except RefusedError as refused:
            finding = refused.findings[0]
            hint = finding.hint or REMEDIES.get(refused.code)
            raise RefusedError(Finding(finding.message, hint=hint), refused.code) from None
