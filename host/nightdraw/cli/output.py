"""What a command says: its document or text on standard output, its progress on standard error.

Only presentation lives here; nothing here computes an answer.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import shutil
import sys
import textwrap
import time
from collections.abc import Callable, Iterator
from fractions import Fraction
from pathlib import PurePath
from typing import Any, TextIO

import click

from nightdraw.errors import InputError, printable

LEAST_COLUMNS = 40  # narrower than this nothing reads well
QUIET_S = 1.0  # work shorter than this shows no progress
REDRAW_S = 0.1  # on a terminal the line is drawn anew at most this often
LINE_S = 10.0  # elsewhere (a log) a new line at most this often


class UnwritableError(InputError):
    """Standard output takes no more."""


json_option = click.option(
    "--json", "as_json", is_flag=True, help="Print one JSON document on standard output, nothing else there."
)


def finish(document: Any, text: str, as_json: bool, status: int = 0) -> None:
    """Print the answer, the document or the text, and end the command with `status` (0 returns).

    A reader that has gone away (`| head`) doesn't change the status: the answer was found.
    """
    say(dumps(document) if as_json else fitted(text))
    if status:
        raise click.exceptions.Exit(status)


def fitted(text: str) -> str:
    """Text for people broken at spaces to a terminal's width (COLUMNS, where it is set); elsewhere as it is.

    Of a line with two columns (two spaces between) the second is broken, if it has half of the width. One
    with more columns is left whole, so that tables keep theirs."""
    if not sys.stdout.isatty():
        return text
    width = max(shutil.get_terminal_size().columns, LEAST_COLUMNS)
    return "\n".join(_broken(line, width) for line in text.split("\n"))


def _broken(line: str, width: int) -> str:
    text = line.lstrip(" ")
    margin = line[: len(line) - len(text)]
    columns = re.split(" {2,}", text.rstrip())
    second = line.find(columns[-1], len(margin) + len(columns[0]))
    if len(line) <= width or len(columns) > 2 or (len(columns) == 2 and 2 * second > width):
        return line
    if len(columns) == 2:
        first, text, hanging = line[:second], columns[1], " " * second
    else:
        first, hanging = margin, margin + ("  " if text.startswith("- ") else "    ")
    return textwrap.fill(
        text,
        width,
        initial_indent=first,
        subsequent_indent=hanging,
        break_long_words=False,
        break_on_hyphens=False,
    )


def dumps(document: Any) -> str:
    """One JSON document as text; infinite or undefined numbers are refused (ValueError), JSON has none."""
    return json.dumps(document, indent=2, allow_nan=False, default=_plain)


def _plain(value: Any) -> Any:
    if isinstance(value, Fraction):
        return float(value)
    if isinstance(value, PurePath):
        return str(value)
    if hasattr(value, "tolist"):  # numpy's numbers and arrays, without importing numpy
        return value.tolist()
    raise TypeError(f"{type(value).__name__} has no JSON form")


def say(text: str, end: str = "\n") -> bool:
    """Print one text and its end on standard output, at once; silent, and False, when nobody reads any more.

    Raises UnwritableError where what stands behind it takes no more (a full disk)."""
    try:
        click.echo(printable(text, lines=True) + end, nl=False)
        sys.stdout.flush()
    except BrokenPipeError:
        silence()
        return False
    except OSError as error:
        silence()
        raise UnwritableError(f"standard output can't be written: {error.strerror or error}") from None
    return True


def silence() -> None:
    """Point standard output at nothing, so that the interpreter's last flush can't fail on a closed pipe."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


class Progress:
    """A line on standard error that says how far the work is; nothing is shown in its first second.

    label: what is being done; total: the amount of work in the caller's own unit, above 0. stream and clock
    (seconds, ever-growing) are for tests.
    """

    def __init__(
        self, label: str, total: float, stream: TextIO, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._label = label
        self._total = total
        self._stream = stream
        self._clock = clock
        self._done = 0.0
        self._next_s = clock() + QUIET_S
        self._redraws = stream.isatty()
        self._shown = False

    def advance(self, amount: float = 1) -> None:
        """Count `amount` more of the work as done."""
        self.reach(self._done + amount)

    def reach(self, done: float) -> None:
        """Say that `done` of the total is done."""
        self._done = done
        now_s = self._clock()
        if now_s < self._next_s:
            return
        self._next_s = now_s + (REDRAW_S if self._redraws else LINE_S)
        self._shown = True
        line = f"{self._label}: {min(100, int(100 * done / self._total))} %"
        self._stream.write(f"\r{line}" if self._redraws else line + "\n")
        self._stream.flush()

    def end(self) -> None:
        """Leave a terminal's line behind, if one was drawn."""
        if self._shown and self._redraws:
            self._stream.write("\n")
            self._stream.flush()


@contextlib.contextmanager
def progress(label: str, total: float) -> Iterator[Progress]:
    """Show progress on standard error: `with progress("simulating", 100) as shown: shown.advance()`."""
    shown = Progress(label, total, sys.stderr)
    try:
        yield shown
    finally:
        shown.end()
