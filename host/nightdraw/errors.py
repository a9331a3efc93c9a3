"""The one family of errors: each says what is wrong, where, what to do, and which exit status it means.

Here is also the one way in which text from outside (a box's names and errors, a file's columns) becomes text
that a terminal may be given. Nothing here prints; the command line decides how an error is shown.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import asdict, dataclass

EXIT_DONE = 0
EXIT_NO = 1
EXIT_INPUT = 2
EXIT_CANNOT_TELL = 3
EXIT_INTERRUPTED = 130
MOST_SHOWN = 200  # characters of a file's path; the document has all of them


@dataclass(frozen=True)
class Finding:
    """One thing that is wrong: message, place (line and column from 1) and hint, None where unknown."""

    message: str
    file: str | None = None
    line: int | None = None
    column: int | None = None
    hint: str | None = None

    def text(self) -> str:
        """For people: `FILE:LINE:COLUMN: message (hint)`, printable, without the parts that are unknown."""
        file = self.file
        # a name of thousands of characters hides what is wrong
        if file is not None and len(file) > MOST_SHOWN:
            file = f"{file[: MOST_SHOWN // 2]}...{file[-MOST_SHOWN // 2 :]}"
        place = ":".join(str(part) for part in (file, self.line, self.column) if part is not None)
        text = (f"{place}: " if place else "") + self.message + (f" ({self.hint})" if self.hint else "")
        return printable(text, lines=True)

    def document(self) -> dict[str, object]:
        """The same as the JSON contract's keys, printable too."""
        document = asdict(self)
        texts = {
            key: printable(value, lines=True) for key, value in document.items() if isinstance(value, str)
        }
        return document | texts


def printable(text: str, lines: bool = False) -> str:
    """Text from outside as a terminal, a page or a document may be given it: whatever could steer a terminal
    or turn the direction of writing (control characters of both sets, formats, line ends, halves of
    characters) stands there as its escape, like \\x1b. lines: line ends and tabs are the text's own and stay.
    """
    if text.isprintable():
        return text
    kept = "\n\t" if lines else ""
    return "".join(c if c.isprintable() or c in kept else _escape(c) for c in text)


def _escape(character: str) -> str:
    return character.encode("unicode_escape").decode("ascii")


class NightdrawError(Exception):
    """Base of the family; carries one or more findings and the exit status of the command that meets it."""

    exit_status = EXIT_INPUT

    def __init__(self, *findings: Finding | str) -> None:
        self.findings = tuple(Finding(f) if isinstance(f, str) else f for f in findings)
        super().__init__("\n".join(finding.text() for finding in self.findings))


class InputError(NightdrawError):
    """The input or the call is wrong; nothing was changed."""


class LinkError(NightdrawError):
    """The box can't be reached or refused what was asked."""


class CannotTellError(NightdrawError):
    """The data are too short or too noisy for an answer."""

    exit_status = EXIT_CANNOT_TELL


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The hint `did you mean X?` for the closest of the known words, or None when nothing is near."""
    close = difflib.get_close_matches(word, list(known), n=1)
    return f"did you mean {close[0]!r}?" if close else None
