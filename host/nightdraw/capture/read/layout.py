"""How a recording's text is laid out: separator, where its rows begin, header, units, what columns hold.

Looks at the beginning of a file, however long its preamble, and decides; reading the rows isn't done here.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from nightdraw.capture.read import cells as cl
from nightdraw.capture.read import columns as col
from nightdraw.capture.read import source as src
from nightdraw.capture.read import stamps
from nightdraw.errors import CannotTellError, Finding, InputError, NightdrawError

MOST_PREAMBLE_BYTES = 1 << 24  # 16 MB: what stands before the rows is settings and comments, not a book
MOST_TRIED = 10_000  # lines that begin like a row and are none: each is looked at with every separator
PIECE_BYTES = 1 << 17  # read at a time: a preamble is mostly short
PROBE_ROWS = 60  # enough rows to tell one separator from another
MOST_ABOVE = 100  # lines above the rows that are looked at for a header: the filled ones stand close
MOST_COLUMNS = 10_000  # a wider row is no recorder's
BLANK = " "  # white space of any length between cells
SEPARATORS = (";", "\t", ",", "|", BLANK)
COMMENT = "#"
_ROW_START = re.compile(  # a number, or a month's name: a quick look that clears a preamble's words
    rb"""(?mi)^[ \t"'+\-.,;|]*(?:\d|jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)"""
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
        return len(row) == self.width and (_begins_a_row(row) or _fits(row, [c.kind for c in self.columns]))


_Rows = dict[int, list[tuple[int, list[str]]]]  # byte of the line and its cells, by their count


@dataclass
class _Candidate:
    """The rows that a separator makes of the lines so far, by their width; single: those with words behind
    their number, which are rows only where there are no others."""

    separator: str
    rows: _Rows = field(default_factory=dict)
    single: _Rows = field(default_factory=dict)

    def add(self, at: int, line: str) -> None:
        row = split(line, self.separator)
        if len(row) <= MOST_COLUMNS and _begins_a_row(row):
            kept = (self.rows if _is_row(row) else self.single).setdefault(len(row), [])
            if len(kept) < PROBE_ROWS:
                kept.append((at, row))

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
    return stamps.kind_of(cell) or col.TEXT


def _is_row(row: list[str]) -> bool:
    """A first cell that is a number or a time, and a number somewhere; or nothing but blanks behind it."""
    rest = row[1:]
    return _begins_a_row(row) and (not rest or any(kind_of(cell) != col.TEXT for cell in rest))


def _begins_a_row(row: list[str]) -> bool:
    return bool(row) and not cl.is_blank(row[0]) and not cl.is_over(row[0]) and kind_of(row[0]) != col.TEXT


def _fits(row: list[str], kinds: Sequence[str]) -> bool:
    """Whether a row holds what its columns do, or a mark of over-range or nothing, and isn't empty."""
    pairs = zip(row, kinds, strict=False)
    alike = all(kind == col.TEXT or kind_of(cell) in (kind, col.NUMBERS) for cell, kind in pairs)
    return len(row) == len(kinds) and any(row) and alike


def _share_good(rows: list[tuple[int, list[str]]]) -> float:
    kinds = [kind_of(cell) != col.TEXT for _, row in rows for cell in row]
    return sum(kinds) / len(kinds)


def find_layout(text: src.Text) -> Layout:
    """The layout of a text recording; InputError where it has no rows of numbers."""
    candidates = [_Candidate(separator) for separator in SEPARATORS]
    data, tried = bytearray(), 0
    for piece in src.pieces(text, 0, PIECE_BYTES):
        begin = len(data)
        data += piece if b"\n" in piece else piece.replace(b"\r", b"\n")
        for match in _ROW_START.finditer(data, begin):
            line = src.words(_line_from(data, match.start()))
            for candidate in candidates:
                candidate.add(match.start(), line)
            tried += 1
            if tried > MOST_TRIED or any(candidate.full for candidate in candidates):
                break
        else:
            if len(data) < MOST_PREAMBLE_BYTES:
                continue
        break
    best = max(candidates, key=lambda c: _rank(c, data))
    if not _rank(best, data)[1]:  # no rows, or none beneath a header that fits them
        single = [_Candidate(candidate.separator, candidate.single) for candidate in candidates]
        best = max([*candidates, *single], key=lambda c: _rank(c, data))
    width = best.best()[1]
    if not width or (tried > MOST_TRIED and _share_good(best.rows[width]) < 1 / 2):
        raise _no_rows(data, text)
    return _laid_out(text, data, best, width)


def _line_from(data: bytearray, begin: int) -> bytes:
    """The line that begins there."""
    end = data.find(b"\n", begin)
    return bytes(data[begin : end if end >= 0 else len(data)])


def _line_before(data: bytearray, end: int) -> tuple[bytes, int]:
    """The line before the one that begins at `end`, and where it begins."""
    begin = data.rfind(b"\n", 0, max(end - 1, 0)) + 1
    return bytes(data[begin:end]), begin


def _rank(candidate: _Candidate, data: bytearray) -> tuple[float, bool]:
    """How well a separator fits: its good cells first, then whether the line above the rows is as wide."""
    score, width = candidate.best()
    if not width:
        return 0.0, False
    above = _above(candidate.rows[width][0][0], data)
    rows = [row for _, row in candidate.rows[width]]
    fits = not above or _fitted(above[0], candidate.separator, rows) is not None
    # White space is between the words of a stamp too: it parts cells only where nothing else does.
    explicit = 0.72 if candidate.separator == BLANK else 1.0
    return score * (0.5 if width == 1 else 1.0) * (1.0 if fits else 0.4) * explicit, fits


def _above(end: int, data: bytearray) -> list[str]:
    """The two filled lines above a byte, nearest first, without the mark of a comment."""
    found: list[str] = []
    for _ in range(MOST_ABOVE):
        end = len(data[:end].rstrip(b"\r\n"))  # over empty lines at once: there may be millions
        line, begin = _line_before(data, end)
        words = src.words(line).strip("\r\n").lstrip(COMMENT)
        if words.strip():
            found.append(words)
        if not begin or len(found) == 2:
            break
        end = begin
    return found


def _laid_out(text: src.Text, data: bytearray, best: _Candidate, width: int) -> Layout:
    start, _ = best.rows[width][0]
    probe = tuple(row for _, row in best.rows[width])
    kinds = [_kind([row[k] for row in probe]) for k in range(width)]
    while start:
        line, begin = _line_before(data, start)
        row = split(src.words(line), best.separator)
        # A first sample beyond the range; or one that is missing, `""` beneath the only column's name.
        missing = width == 1 and begin and row == [""] and line.strip()
        if not missing and not _fits(row, kinds):
            break
        start = begin
    first_line = data.count(b"\n", 0, start) + 1
    place = (str(text.path), max(first_line - 1, 1))
    above = _above(start, data)
    headers, units = _headers(above, best.separator, probe)
    notes: tuple[str, ...] = ()
    if headers is None and above:
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
        notes = ("no header line",)
    named = headers is not None
    return Layout(text, best.separator, width, columns, named, start, first_line, probe, notes)


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
    named = rows[1] if len(rows) > 1 else None
    if col.is_unit_row(rows[0]) and named is not None and not all(map(cl.is_number, named)):
        return named, rows[0]
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


def _no_rows(data: bytearray, text: src.Text) -> NightdrawError:
    """A header alone is a recording too short to tell; anything else is no recording."""
    filled = [line for line in src.words(bytes(data[: src.HEAD_BYTES])).splitlines() if line.strip()]
    short = len(data) < src.HEAD_BYTES
    first = filled[0].strip().lstrip(COMMENT) if filled else ""
    headers = [col.columns_of([cell]) for sign in SEPARATORS for cell in split(first[:4096], sign)]
    if short and len(filled) <= 2 and (not filled or any(c.unit for header in headers for c in header)):
        return CannotTellError(Finding("the recording holds no samples", file=str(text.path)))
    where = "" if short else f" in its first {len(data) / 1e6:.1f} MB"
    message = f"no rows of numbers{where}: a recording has a time and a current in each line"
    return InputError(Finding(message, file=str(text.path), line=1, hint="its header is time_s,current_a"))
