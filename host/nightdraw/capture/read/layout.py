"""How a recording's text is laid out: encoding, separator, decimal sign, header, units, where the data lie.

Looks at the two ends of a file and decides; reading the data between them is not done here.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import Path

from nightdraw.errors import CannotTellError, Finding, InputError, NightdrawError, nearest

HEAD_BYTES = 1 << 16  # a recorder's preamble is a few lines; 64 KB of it is far more than any writes
TAIL_BYTES = 1 << 14  # a footer or a line cut by a pulled plug is shorter than this
PROBE_LINES = 60  # enough rows to tell one separator from another
DIALECTS = ((";", ","), (";", "."), ("\t", ","), ("\t", "."), (",", "."), ("|", "."), (" ", "."))
NULLS = ("", "nan", "NaN", "NAN", "-nan", "null", "NULL", "NA", "N/A", "n/a", "-", "--", "---", "#N/A", "OL")

TIME_UNITS_S = {
    "s": 1.0,
    "sec": 1.0,
    "second": 1.0,
    "seconds": 1.0,
    "ms": 1e-3,
    "us": 1e-6,
    "\u00b5s": 1e-6,
    "\u03bcs": 1e-6,
    "ns": 1e-9,
    "min": 60.0,
    "h": 3600.0,
}
CURRENT_UNITS_MA = {"a": 1e3, "ma": 1.0, "ua": 1e-3, "\u00b5a": 1e-3, "\u03bca": 1e-3}
MILLIVOLT = "mV"
VOLTAGE_UNITS_MV = {"v": 1e3, "mv": 1.0, "uv": 1e-3, "\u00b5v": 1e-3, "\u03bcv": 1e-3}
TIME_NAMES = ("time", "t", "elapsed", "elapsed time", "timestamp", "date time", "datetime", "x")
CURRENT_NAMES = ("current", "i", "amps", "amperes", "clamp")

_NUMBER = {
    ".": re.compile(r'\s*"?\s*[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?\s*"?\s*$'),
    ",": re.compile(r'\s*"?\s*[-+]?(\d+,?\d*|,\d+)([eE][-+]?\d+)?\s*"?\s*$'),
}
_STAMP = re.compile(r'\s*"?\d{4}-\d\d-\d\d[ T]\d\d:\d\d:\d\d(\.\d{1,9})?(Z|[+-]\d\d:?\d\d)?"?\s*$')
_UNIT = re.compile(r"^(?P<name>.*?)\s*(?:[\(\[]\s*(?P<a>[^\d\W_]+)\s*[\)\]]|[_/ ]\s*(?P<b>[^\d\W_]+))\s*$")


@dataclass(frozen=True)
class Column:
    """One column: place from 0, header as written, the name without its unit, the unit in lower case."""

    index: int
    header: str
    name: str
    unit: str | None


Columns = tuple[Column, ...]
Place = tuple[str, int]


@dataclass(frozen=True)
class Layout:
    """Where the data lie (bytes start to end, first line from 1) and how to read a row of them."""

    path: Path
    encoding: str
    delimiter: str
    decimal: str
    columns: Columns | None
    width: int
    start: int
    end: int
    first_line: int
    stamped: bool
    zoned: bool


@dataclass(frozen=True)
class Choice:
    """The two columns to read, their units in seconds and in mA (or mV), and what had to be assumed."""

    time: int
    value: int
    time_s: float
    value_scale: float
    unit: str
    channel: str
    notes: tuple[str, ...]


PLAIN = Choice(0, 1, 1.0, 1e3, "mA", "current", ())


def find_layout(path: Path) -> Layout:
    """The layout of a text recording; InputError where it has no rows of numbers."""
    size = path.stat().st_size
    with path.open("rb") as stream:
        head = stream.read(HEAD_BYTES)
    encoding, bom = _encoding(head)
    lines = _lines(head[bom:], encoding, whole=size <= HEAD_BYTES)
    delimiter, decimal, width = _dialect(lines, path)
    first = _first_row(lines, delimiter, decimal, width)
    start = bom + len("".join(lines[:first]).encode(encoding))
    cell = _cells(lines[first], delimiter)[0].strip().strip('"')
    stamped = bool(_STAMP.match(cell))
    layout = Layout(
        path=path,
        encoding=encoding,
        delimiter=delimiter,
        decimal=decimal,
        columns=_header(lines[:first], delimiter, width),
        width=width,
        start=start,
        end=size,
        first_line=first + 1,
        stamped=stamped,
        zoned=stamped and not re.fullmatch(r"[\d.:T -]+", cell),
    )
    return replace(layout, end=_end(layout))


def is_row(line: str, layout: Layout) -> bool:
    """True where the line has the layout's number of cells and its first two hold a number, or nothing."""
    cells = _cells(line, layout.delimiter)
    return len(cells) == layout.width and _looks_numeric(cells, layout.decimal)


def bad_cell(line: str, layout: Layout, wanted: tuple[int, ...]) -> tuple[int, str] | None:
    """Column (from 1) and reason of the first thing wrong with a data line, None where nothing is."""
    cells = _cells(line, layout.delimiter)
    if len(cells) != layout.width:
        return 1, f"{len(cells)} cells, the rows above have {layout.width}"
    for index in wanted:
        cell = cells[index].strip().strip('"')
        if cell not in NULLS and not _is_value(cell, layout.decimal):
            column = 1 + sum(len(c) + 1 for c in cells[:index])
            return column, f"{cell!r} is not a number"
    return None


def is_voltage(header: str) -> bool:
    """Whether a column of this header holds a voltage."""
    return _column(0, header).unit in VOLTAGE_UNITS_MV


def number(line: str, layout: Layout, index: int) -> float:
    """The number in a cell of a data line, nan where there is none."""
    cells = _cells(line, layout.delimiter)
    text = cells[index].strip().strip('"') if index < len(cells) else ""
    return float(text.replace(",", ".")) if _NUMBER[layout.decimal].match(text) else float("nan")


def choose(layout: Layout, channel: str | None) -> Choice:
    """The time column and the channel's; InputError names the channels where none or several would do."""
    place = (str(layout.path), max(layout.first_line - 1, 1))
    if layout.columns is None:
        return _choose_unnamed(layout, channel, place)
    return choose_from(layout.columns, channel, place, layout.stamped)


def choose_from(columns: Columns, channel: str | None, place: Place, stamped: bool = False) -> Choice:
    """The same for columns that are known already; place: file and line for messages."""
    time = next((c for c in columns if c.name.lower() in TIME_NAMES), columns[0])
    notes = []
    scale_s = TIME_UNITS_S.get(time.unit or "s")
    if scale_s is None:
        raise _refuse(place, f"the time column {time.header!r} has a unit that isn't one of time")
    if time.unit is None and not stamped:
        notes.append(f"the time column {time.header!r} names no unit: taken as seconds")
    value = _value_column([c for c in columns if c.index != time.index], channel, place)
    unit, scale = _scale(value)
    if value.unit is None:
        notes.append(f"the column {value.header!r} names no unit: taken as amperes")
    return Choice(time.index, value.index, scale_s, scale, unit, value.name or value.header, tuple(notes))


def columns_of(headers: list[str]) -> Columns:
    """The columns of a header, in their order."""
    return tuple(_column(index, header) for index, header in enumerate(headers))


def _choose_unnamed(layout: Layout, channel: str | None, place: Place) -> Choice:
    if channel is not None:
        raise _refuse(place, f"no header line names the columns, so there is no channel {channel!r}")
    if layout.width != 2:
        raise _refuse(place, f"no header line says which of the {layout.width} columns is the current")
    return replace(PLAIN, notes=("no header line: taken as seconds and amperes",))


def _value_column(columns: list[Column], channel: str | None, place: Place) -> Column:
    known = [c for c in columns if _measures(c)]
    names = [c.name for c in known]
    if channel is not None:
        found = [c for c in known if c.header == channel] or [
            c for c in known if c.name.lower() == channel.lower()
        ]
        if found:
            return found[0]
        hint = nearest(channel, names) or "channels: " + ", ".join(names)
        raise _refuse(place, f"there is no channel {channel!r}", hint)
    currents = [c for c in known if c.unit in CURRENT_UNITS_MA or c.unit is None]
    found = currents or known
    if len(found) > 1:
        found = [c for c in found if c.name.lower() in CURRENT_NAMES] or found
    if not found:
        raise _refuse(place, "no column is a current", "name it with its unit, for instance current_a")
    if len(found) > 1:
        raise _refuse(place, "several columns would do", f"choose one with --channel: {', '.join(names)}")
    return found[0]


def _measures(column: Column) -> bool:
    if column.unit is None:
        return column.name.lower() in CURRENT_NAMES
    return column.unit in CURRENT_UNITS_MA or column.unit in VOLTAGE_UNITS_MV


def _scale(column: Column) -> tuple[str, float]:
    if column.unit in VOLTAGE_UNITS_MV:
        return MILLIVOLT, VOLTAGE_UNITS_MV[column.unit]
    return "mA", CURRENT_UNITS_MA[column.unit or "a"]


def _refuse(place: Place, message: str, hint: str | None = None) -> InputError:
    return InputError(Finding(message, file=place[0], line=place[1], hint=hint))


def _encoding(head: bytes) -> tuple[str, int]:
    for bom, name in ((b"\xef\xbb\xbf", "utf-8"), (b"\xff\xfe", "utf-16-le"), (b"\xfe\xff", "utf-16-be")):
        if head.startswith(bom):
            return name, len(bom)
    try:
        head.decode("utf-8")
    except UnicodeDecodeError as error:
        if error.start < len(head) - 4:  # a letter cut by the end of what was read is no other encoding
            return "latin-1", 0
    return "utf-8", 0


def _lines(head: bytes, encoding: str, whole: bool) -> list[str]:
    lines = head.decode(encoding, "ignore").splitlines(keepends=True)
    return lines if whole else lines[:-1]


def _cells(line: str, delimiter: str) -> list[str]:
    return line.strip("\r\n").split(delimiter)


def _is_value(cell: str, decimal: str) -> bool:
    return bool(_NUMBER[decimal].match(cell) or _STAMP.match(cell) or cell.lower() in ("inf", "-inf"))


def _looks_numeric(cells: list[str], decimal: str) -> bool:
    """A time that is there, and beside it at least one number, or nothing but blanks."""
    if not _is_value(cells[0], decimal) or len(cells) < 2:
        return False
    rest = [c.strip().strip('"') for c in cells[1:]]
    return any(_is_value(c, decimal) for c in rest) or all(c in NULLS for c in rest)


def _dialect(lines: list[str], path: Path) -> tuple[str, str, int]:
    best = (0.0, ",", ".", 0)
    for delimiter, decimal in DIALECTS:
        rows = [c for c in (_cells(x, delimiter) for x in lines) if len(c) > 1 and _looks_numeric(c, decimal)]
        rows = rows[:PROBE_LINES]
        if not rows:
            continue
        widths = [len(r) for r in rows]
        width = max(set(widths), key=widths.count)
        cells = [c for r in rows if len(r) == width for c in r]
        good = sum(_is_value(c.strip(), decimal) or c.strip() in NULLS for c in cells) / len(cells)
        score = good * widths.count(width)
        if score > best[0]:
            best = (score, delimiter, decimal, width)
    if not best[3]:
        raise _no_rows(lines, path)
    return best[1:]


def _no_rows(lines: list[str], path: Path) -> NightdrawError:
    """A header alone is a recording too short to tell; anything else is no recording."""
    filled = [line for line in lines if line.strip()]
    headers = (
        [_column(0, c.strip()) for d in (",", ";", "\t") for c in _cells(filled[0], d)] if filled else []
    )
    if len(filled) <= 1 and (not filled or any(c.unit for c in headers)):
        return CannotTellError(Finding("the recording holds no samples", file=str(path)))
    message = "no rows of numbers: a recording has a time and a current in each line"
    return InputError(Finding(message, file=str(path), line=1, hint="its header is time_s,current_a"))


def _first_row(lines: list[str], delimiter: str, decimal: str, width: int) -> int:
    for number, line in enumerate(lines):
        cells = _cells(line, delimiter)
        if len(cells) == width and _looks_numeric(cells, decimal):
            return number
    raise AssertionError("a dialect is only chosen where a row fits it")


def _header(before: list[str], delimiter: str, width: int) -> Columns | None:
    for line in reversed(before):
        if not line.strip():
            continue
        cells = [c.strip().strip('"').strip() for c in _cells(line.lstrip("#"), delimiter)]
        if len(cells) == width - 1:
            cells.append("")  # rows that end in a separator, under a header that doesn't
        return columns_of(cells) if len(cells) == width else None
    return None


def _column(index: int, header: str) -> Column:
    match = _UNIT.match(header)
    if match:
        unit = (match["a"] or match["b"]).lower()
        if unit in TIME_UNITS_S or unit in CURRENT_UNITS_MA or unit in VOLTAGE_UNITS_MV:
            return Column(index, header, match["name"].strip(), unit)
    return Column(index, header, header, None)


def _end(layout: Layout) -> int:
    """The byte after the last line that is a row: what a recorder adds at the end is left out."""
    start = max(layout.start, layout.end - TAIL_BYTES)
    with layout.path.open("rb") as stream:
        stream.seek(start)
        tail = stream.read()
    wide = layout.encoding.startswith("utf-16")
    newline = "\n".encode(layout.encoding)
    pieces = tail.split(newline)
    at = layout.end
    for piece in reversed(pieces[1:] if start > layout.start else pieces):
        if wide and len(piece) % 2:
            return layout.end  # split between the halves of a letter: leave the end alone
        if is_row(piece.decode(layout.encoding, "ignore"), layout):
            return at
        at -= len(piece) + len(newline)
    return layout.end  # nothing but rubbish: the reader will name its line
