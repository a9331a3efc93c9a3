"""How a recording's text is laid out: separator, where its rows begin, header, units, what columns hold.

Looks at the beginning of a file, however long its preamble, and decides; reading the rows isn't done here.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from nightdraw.capture.read import cells as cl
from nightdraw.capture.read import columns as col
from nightdraw.capture.read import source as src
from nightdraw.capture.read import stamps
from nightdraw.capture.read.units import is_unit_row
from nightdraw.errors import CannotTellError, Finding, InputError, NightdrawError

MOST_PREAMBLE_BYTES = 1 << 24  # 16 MB: what stands before the rows is settings and comments, not a book
MOST_TRIED = 10_000  # lines that begin like a row and are none: each is looked at with every separator
PIECE_BYTES = 1 << 17  # read at a time: a preamble is mostly short
PROBE_ROWS = 60  # enough rows to tell one separator from another
MOST_COLUMNS = 10_000  # a wider row is no recorder's
BLANK = " "  # white space of any length between cells
SEPARATORS = (";", "\t", ",", "|", BLANK)
COMMENT = "#"
_ROW_START = re.compile(  # a number, or a month's name: a quick look that clears a preamble's words
    r"""[\s"'+\-.,;|]*(\d|jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)""", re.IGNORECASE
)
_TOKEN = re.compile(r"[^\s\[\(]+(?:\s*[\[\(][^\]\)]*[\]\)])?|[\[\(][^\]\)]*[\]\)]")


@dataclass(frozen=True)
class Layout:
    """Where the rows begin (byte of the text, line from 1) and how to read one.

    separator: one of SEPARATORS; width: cells of a row; columns: None where nothing names them;
    probe: the cells of the first rows.
    """

    text: src.Text
    separator: str
    width: int
    columns: tuple[col.Column, ...]
    named: bool
    start: int
    first_line: int
    probe: tuple[list[str], ...]
    notes: tuple[str, ...]

    @property
    def place(self) -> col.Place:
        """File and line of the header, for messages."""
        return str(self.text.path), max(self.first_line - 1, 1)

    def is_row(self, line: str) -> bool:
        """Whether a line has as many cells as a row, and at least one that holds something."""
        row = split(line, self.separator)
        return len(row) == self.width and _is_row(row)


@dataclass
class _Candidate:
    """The rows that a separator makes of the lines so far, by their width."""

    separator: str
    rows: dict[int, list[tuple[int, list[str]]]]

    def add(self, number: int, line: str) -> None:
        row = split(line, self.separator)
        if len(row) <= MOST_COLUMNS and _is_row(row):
            kept = self.rows.setdefault(len(row), [])
            if len(kept) < PROBE_ROWS:
                kept.append((number, row))

    def best(self) -> tuple[float, int]:
        """Share of good cells times rows, and the width, of the likeliest rows."""
        scores = [(_share_good(rows) * len(rows), width) for width, rows in self.rows.items()]
        # A line without the separator is one cell: that makes no table as long as anything else does.
        return max(scores, key=lambda s: (s[0] * (0.5 if s[1] == 1 else 1.0), s[1]), default=(0.0, 0))

    @property
    def full(self) -> bool:
        return any(width > 1 and len(rows) >= PROBE_ROWS for width, rows in self.rows.items())


def split(line: str, separator: str) -> list[str]:
    """The cells of a line, without quotes and the blanks around them."""
    line = line.strip("\r\n")
    if separator == BLANK:
        return [cell.strip('"') for cell in line.split()]
    if '"' not in line:
        return [cell.strip() for cell in line.split(separator)]
    try:
        return [cell.strip() for cell in next(csv.reader([line], delimiter=separator, skipinitialspace=True))]
    except (csv.Error, StopIteration):
        return [cell.strip() for cell in line.split(separator)]


def kind_of(cell: str) -> str:
    """What a cell holds: one of the kinds of columns; numbers for blanks and marks of over-range too."""
    if cl.is_number(cell) or cl.is_blank(cell) or cl.is_over(cell):
        return col.NUMBERS
    if stamps.is_clock(cell):
        return col.CLOCK
    if stamps.is_date(cell):
        return col.DATE
    return col.STAMP if stamps.is_stamp(cell) else col.TEXT


def _is_row(row: list[str]) -> bool:
    """A first cell that is a number or a time, and a number somewhere; or nothing but blanks behind it."""
    if not row or cl.is_blank(row[0]) or cl.is_over(row[0]) or kind_of(row[0]) == col.TEXT:
        return False
    rest = row[1:]
    return not rest or any(kind_of(cell) != col.TEXT for cell in rest)


def _share_good(rows: list[tuple[int, list[str]]]) -> float:
    kinds = [kind_of(cell) != col.TEXT for _, row in rows for cell in row]
    return sum(kinds) / len(kinds)


def find_layout(text: src.Text) -> Layout:
    """The layout of a text recording; InputError where it has no rows of numbers."""
    candidates = [_Candidate(separator, {}) for separator in SEPARATORS]
    lines: list[bytes] = []
    seen = tried = 0
    for number, line in enumerate(_lines(text)):
        lines.append(line)
        seen += len(line)
        words = line.decode("utf-8", "replace")
        if _ROW_START.match(words):
            tried += 1
            for candidate in candidates:
                candidate.add(number, words)
        if any(c.full for c in candidates) or seen > MOST_PREAMBLE_BYTES or tried > MOST_TRIED:
            break
    best = max(candidates, key=lambda c: _rank(c, lines))
    width = best.best()[1]
    if not width or (seen > MOST_PREAMBLE_BYTES and len(best.rows[width]) < 2):
        raise _no_rows(lines, text, seen)
    return _laid_out(text, lines, best, width)


def _rank(candidate: _Candidate, lines: list[bytes]) -> tuple[float, bool]:
    """How well a separator fits: its good cells first, then whether the line above the rows is as wide."""
    score, width = candidate.best()
    if not width:
        return 0.0, False
    above = _above(candidate.rows[width][0][0], lines)
    rows = [row for _, row in candidate.rows[width]]
    fits = not above or _fitted(above[0], candidate.separator, rows) is not None
    return score * (0.5 if width == 1 else 1.0) * (1.0 if fits else 0.4), fits


def _lines(text: src.Text) -> Iterator[bytes]:
    """The lines from the beginning, with their ends."""
    for piece in src.pieces(text, 0, PIECE_BYTES):
        ends = b"\n" if b"\n" in piece else b"\r"
        yield from (line + ends for line in piece.removesuffix(ends).split(ends))


def _above(first: int, lines: list[bytes], most: int = 2) -> list[str]:
    """The filled lines above the rows, nearest first, without the mark of a comment."""
    found = []
    for line in reversed(lines[:first]):
        words = line.decode("utf-8", "replace").strip().lstrip(COMMENT).strip()
        if words:
            found.append(words)
        if len(found) == most:
            break
    return found


def _laid_out(text: src.Text, lines: list[bytes], best: _Candidate, width: int) -> Layout:
    first, _ = best.rows[width][0]
    probe = tuple(row for _, row in best.rows[width])
    kinds = [_kind([row[k] for row in probe]) for k in range(width)]
    place = (str(text.path), max(first, 1))
    headers, units = _headers(_above(first, lines), best.separator, probe)
    notes: tuple[str, ...] = ()
    if headers is None and any(line.strip() for line in lines[:first]):
        message = f"the line above the rows doesn't name their {width} columns"
        raise InputError(Finding(message, *place, hint="a header is like time_s,current_a"))
    if headers is not None:
        try:
            columns = col.columns_of(headers, units, kinds)
        except ValueError as error:
            raise InputError(Finding(str(error), *place)) from None
    else:
        plain = col.unnamed(kinds)
        if plain is None:
            message = f"no header line says which of the {width} columns is the current"
            raise InputError(Finding(message, *place, hint="a header is like time_s,current_a"))
        columns = plain
        notes = (
            "no header line: taken as seconds and amperes"
            if width > 1
            else "no header line: taken as amperes",
        )
    start = sum(map(len, lines[:first]))
    return Layout(text, best.separator, width, columns, headers is not None, start, first + 1, probe, notes)


def _kind(column: list[str]) -> str:
    """What most of a column's filled cells hold."""
    kinds = [kind_of(cell) for cell in column if not cl.is_blank(cell)] or [col.NUMBERS]
    return max(set(kinds), key=kinds.count)


def _headers(
    above: list[str], separator: str, probe: Sequence[list[str]]
) -> tuple[list[str] | None, list[str] | None]:
    """The cells of the header and of the row of units, None where there is none of the rows' width."""
    rows = [_fitted(line, separator, probe) for line in above]
    if not rows or rows[0] is None:
        return None, None
    if is_unit_row(rows[0]) and len(rows) > 1 and rows[1] is not None and not all(map(cl.is_number, rows[1])):
        return rows[1], rows[0]
    return rows[0], None


def _fitted(line: str, separator: str, probe: Sequence[list[str]]) -> list[str] | None:
    """The cells of a line above the rows, if they can be made as many as a row has."""
    width = len(probe[0])
    row = split(line, separator)
    if width == 1 and any(sign in line for sign in SEPARATORS[:-1]):
        return None  # names of more than one column
    if separator == BLANK and len(row) != width:
        row = _TOKEN.findall(line)  # a unit in brackets belongs to the word before it
        row = row if len(row) == width else re.split(r"\s{2,}|\t", line)
    if len(row) == width - 1 and all(cl.is_blank(cells[-1]) for cells in probe):
        row.append("")  # rows that end in a separator, under a header that doesn't
    while len(row) > width and not row[-1]:
        row.pop()
    return row if len(row) == width else None


def _no_rows(lines: list[bytes], text: src.Text, seen: int) -> NightdrawError:
    """A header alone is a recording too short to tell; anything else is no recording."""
    filled = [line.decode("utf-8", "replace").strip() for line in lines if line.strip()]
    file = str(text.path)
    first = filled[0].lstrip(COMMENT) if filled else ""
    headers = [col.columns_of([cell]) for sign in SEPARATORS for cell in split(first[:4096], sign)]
    if len(filled) <= 2 and (not filled or any(c.unit for header in headers for c in header)):
        return CannotTellError(Finding("the recording holds no samples", file=file))
    where = f" in its first {seen >> 20} MB" if seen > MOST_PREAMBLE_BYTES else ""
    message = f"no rows of numbers{where}: a recording has a time and a current in each line"
    return InputError(Finding(message, file=file, line=1, hint="its header is time_s,current_a"))
