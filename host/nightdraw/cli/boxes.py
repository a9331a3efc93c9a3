"""What the commands of `nightdraw box` share: --box, an open box with its refusals in words, cautions.

Presentation only; no command lives here.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from typing import TYPE_CHECKING

import click

from nightdraw.errors import Finding

if TYPE_CHECKING:
    from nightdraw.link import BoxClient

MAX_SLOT = 9  # slots are SLOT0 to SLOT9

box_option = click.option(
    "--box",
    metavar="ADDRESS",
    help="socket://HOST:PORT or a serial port's name (default: the only box that is plugged in).",
)
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


def caution() -> None:
    """The cautions that go with a command that lets the box draw current."""
    for line in CAUTIONS:
        click.echo(line, err=True)


def note(finding: Finding | str) -> None:
    """One line on standard error."""
    click.echo((Finding(finding) if isinstance(finding, str) else finding).text(), err=True)


@contextlib.contextmanager
def open_box(box: str | None) -> Iterator[BoxClient]:
    """The box that --box means, open; what it refuses says what to do about it."""
    from nightdraw.link import RefusedError
    from nightdraw.link.find import connect

    with connect(box) as client:
        try:
            yield client
        except RefusedError as refused:
            finding = refused.findings[0]
            hint = finding.hint or REMEDIES.get(refused.code)
            raise RefusedError(Finding(finding.message, hint=hint), refused.code) from None
