"""A text recording's rows as blocks of numbers.

Pieces of plain numbers are parsed by Arrow at full speed, others column by column. Where neither succeeds,
the line and the cell are named.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from nightdraw import extras
from nightdraw.capture.read import cells as cl
from nightdraw.capture.read import columns as col
from nightdraw.capture.read import source as src
from nightdraw.capture.read import stamps
from nightdraw.capture.read.blocks import Blocks, Counts, Floats
from nightdraw.capture.read.columns import PLAIN, Options, Part
from nightdraw.capture.read.layout import BLANK, COMMENT, Layout, split
from nightdraw.errors import Finding, InputError

MOST_EMPTY_BYTES = 1 << 30  # 1 GB without one number: hours of nothing; what follows is no recording either
_BLANKS = re.compile(rb"[ \t]+")
_EDGES = re.compile(rb"(?m)^[ \t]+|[ \t]+(?=\r?$)")
_COMMENTS = re.compile(rb"(?m)^[ \t]*#[^\n]*\n?")


@dataclass(frozen=True)
class _Piece:
    """Some lines of the file, as bytes, and the number of the first."""

    data: bytes
    first_line: int


class TextSource:
    """The rows of a text recording's chosen columns; raises InputError, with the line, for what is none."""

    slow = True

    def __init__(self, layout: Layout, choice: col.Choice, options: Options = PLAIN) -> None:
        self._layout = layout
        self._choice = choice
        self._options = options
        self._path = str(layout.text.path)
        used = choice.used
        self._forms: dict[int, cl.Form] = {}
        self._forms = self._decided_forms([c for c in used if c.kind == col.NUMBERS])
        self._order = self._decided_order([c for c in used if c.kind in (col.DATE, col.STAMP)])
        self._zero_day = self._first_day()
        self.notes = self._noted()

    # The decisions that take more than the first rows.

    def _decided_forms(self, columns: list[col.Column]) -> dict[int, cl.Form]:
        given = self._options.decimal
        if given is not None:
            form = cl.Form(cl.COMMA if given == col.COMMA else cl.POINT, grouped=True)
            return {c.index: form for c in columns}
        signs = {c.index: cl.Signs() for c in columns}
        for column in columns:
            signs[column.index].add(row[column.index] for row in self._layout.probe)
        return {c.index: self._form(c, signs) for c in columns}

    def _form(self, column: col.Column, signs: dict[int, cl.Signs]) -> cl.Form:
        """How a column's numbers are written: by itself, by the whole of it, by what stands beside it."""
        own = signs[column.index]
        if own.maybe_comma and not own.comma and not own.point:
            others = [s for index, s in signs.items() if index != column.index]
            semicolon = self._layout.separator == ";" and not any(s.point for s in others)
            if any(s.comma for s in others) or semicolon:
                return cl.Form(cl.COMMA)  # where a semicolon parts the cells, the comma is wanted elsewhere
        if (own.maybe_comma or (own.maybe_point and own.comma)) and not own.settled:
            for texts in self._texts(column):
                own.add(texts.unique().to_pylist())
                if own.settled:
                    break
        try:
            return own.form()
        except ValueError as error:
            hint = "tell it with --decimal comma or --decimal point"
            raise self._refuse(f"the column {column.header!r}: {error}", hint) from None

    def _decided_order(self, columns: list[col.Column]) -> str:
        order = stamps.DateOrder(self._options.dates)
        for column in columns:
            order.add(row[column.index] for row in self._layout.probe)
            if not order.sure:
                for texts in self._texts(column):
                    order.add(texts.unique().to_pylist())
                    if order.sure:
                        break
        try:
            return order.order() if order.asked else col.DAY_FIRST
        except ValueError as error:
            hint = "tell it with --dates day-first or --dates month-first"
            raise self._refuse(str(error), hint) from None

    def _first_day(self) -> int:
        """The day from which stamps are counted: near it, seconds in floats are exact."""
        dated = self._choice.date or self._choice.time
        if dated is None or dated.kind not in (col.DATE, col.STAMP):
            return 0
        cells = (row[dated.index] for row in self._layout.probe)
        first = next(cell for cell in cells if stamps.kind_of(cell) in (col.DATE, col.STAMP))
        try:
            return stamps.day_of(stamps.date_part(first), self._order)
        except ValueError as error:
            raise self._refuse(f"{col.plain_text(first)!r}: {error}") from None

    def _noted(self) -> tuple[str, ...]:
        commas = [form for form in self._forms.values() if form.decimal == cl.COMMA]
        return ("commas are taken as decimal signs",) if commas else ()

    def _texts(self, column: col.Column) -> Iterator[Any]:
        """The texts of one column, block by block."""
        import pyarrow as pa

        for piece in self._pieces(Counts()):
            try:
                for batch in self._parsed(piece, {column.index: "string"}):
                    yield batch.column(0).drop_null()
            except pa.ArrowInvalid as error:
                raise InputError(self._locate(piece, str(error))) from None

    # Reading.

    def rows(self, counts: Counts, part: Part) -> Blocks:
        """Yield (time_s, value), nan where there is no number."""
        midnights, zero_s, done = stamps.Midnights(), None, 0
        plain, empty = self._is_plain(), 0
        for piece in self._pieces(counts):
            found = 0
            for time_s, value in self._numbers(piece, plain):
                if self._choice.time is None:
                    time_s = (done + np.arange(len(value))) / (self._options.rate_hz or 1.0)
                elif self._choice.time.kind in (col.CLOCK, col.STAMP):
                    if self._choice.time.kind == col.CLOCK and self._choice.date is None:
                        time_s = midnights.added(time_s)
                    good = time_s[np.isfinite(time_s)]
                    zero_s = float(good[0]) if zero_s is None and len(good) else zero_s
                    time_s = time_s - (zero_s or 0.0)
                done += len(value)
                found += int(np.isfinite(value).any())
                yield time_s, value
            empty = 0 if found else empty + len(piece.data)
            if empty > MOST_EMPTY_BYTES:
                raise InputError(
                    Finding("more than 1 GB without a number", file=self._path, line=piece.first_line)
                )

    def line_of(self, time_s: float) -> int | None:
        """The first line at or before an instant that follows one later than it, None where there is none."""
        first, latest = 0, -np.inf
        for piece in self._pieces(Counts()):
            times = [t for t, _ in self._numbers(piece, self._is_plain())]
            joined = np.concatenate(times) if times else np.empty(0)
            if self._choice.time is None or self._choice.time.kind != col.NUMBERS:
                return None
            highest = np.maximum.accumulate(np.append(latest, np.nan_to_num(joined, nan=-np.inf)))
            late = np.flatnonzero((joined <= time_s) & (highest[:-1] > time_s))
            if len(late):
                first = int(late[0])
                filled = [
                    k for k, line in self._lines(piece) if line.strip() and not line.startswith(COMMENT)
                ]
                return filled[first] if first < len(filled) else None
            latest = float(highest[-1])
        return None

    def begin_s(self) -> float | None:
        """Only reading tells."""
        return None

    def _is_plain(self) -> bool:
        """Whether Arrow reads time and value by itself: numbers, or stamps as ISO 8601 has them."""
        choice = self._choice
        if choice.date is not None or (choice.time is not None and choice.time.kind == col.CLOCK):
            return False
        return choice.time is None or choice.time.kind == col.NUMBERS or self._is_iso()

    def _is_iso(self) -> bool:
        time = self._choice.time
        assert time is not None
        cells = [row[time.index] for row in self._layout.probe]
        return all(map(stamps.is_iso, cells)) and len({stamps.has_zone(cell) for cell in cells}) == 1

    def _numbers(self, piece: _Piece, plain: bool) -> Blocks:
        """Time and value of a piece's rows: by the quick way, else by the thorough one."""
        if not extras.has("pyarrow"):
            yield from self._bare(piece, plain)
            return
        import pyarrow as pa

        if plain and len({form.decimal for form in self._forms.values()} - {None}) < 2:
            try:
                yield from self._quick(piece)
                return
            except pa.ArrowInvalid:
                pass  # a cell that isn't a plain number: look closer
        try:
            yield from self._thorough(piece)
        except (pa.ArrowInvalid, ValueError, OverflowError) as error:
            raise InputError(self._locate(piece, str(error))) from None

    def _bare(self, piece: _Piece, plain: bool) -> Blocks:
        """A light installation's way: numbers without a gap, by numpy; whatever else takes the package."""
        choice = self._choice
        if not plain or (choice.time is not None and choice.time.kind != col.NUMBERS):
            extras.need("pyarrow")
        used = [choice.value.index] if choice.time is None else [choice.value.index, choice.time.index]
        comma = any(form.decimal == cl.COMMA for form in self._forms.values())
        try:
            found = cl.plain(self._cleaned(piece), self._delimiter(), self._layout.width, used, comma)
        except ValueError:
            raise InputError(self._locate(piece, extras.missing("pyarrow").text())) from None
        value = cl.scaled(found[:, 0], choice.factor)
        yield (value if choice.time is None else cl.scaled(found[:, 1], choice.time_s)), value

    def _quick(self, piece: _Piece) -> Blocks:
        import pyarrow as pa

        choice = self._choice
        types: dict[int, Any] = {choice.value.index: pa.float64()}
        if choice.time is not None:
            zone = "UTC" if stamps.has_zone(self._layout.probe[0][choice.time.index]) else None
            stamped = choice.time.kind == col.STAMP
            types[choice.time.index] = pa.timestamp("ns", zone) if stamped else pa.float64()
        for batch in self._parsed(piece, types):
            value = cl.scaled(cl.floats(batch.column(0)), choice.factor)
            if choice.time is None:
                yield value, value
            elif choice.time.kind == col.STAMP:
                # Nanoseconds since 1970 are more digits than a float holds: count from the first day, whole.
                nanos = batch.column(1).cast("int64")
                since = nanos.fill_null(0).to_numpy() - stamps.nanoseconds(self._zero_day)
                yield np.where(nanos.is_valid().to_numpy(False), since / 1e9, np.nan), value
            else:
                yield cl.scaled(cl.floats(batch.column(1)), choice.time_s), value

    def _thorough(self, piece: _Piece) -> Blocks:
        choice = self._choice
        for batch in self._parsed(piece, {c.index: "string" for c in choice.used}):
            texts = {c.index: batch.column(k) for k, c in enumerate(choice.used)}
            value = cl.scaled(self._column(choice.value, texts), choice.factor)
            if choice.time is None:
                yield value, value
                continue
            time_s = self._column(choice.time, texts)
            if choice.date is not None:
                time_s = time_s + self._column(choice.date, texts)
            yield cl.scaled(time_s, choice.time_s), value

    def _column(self, column: col.Column, texts: dict[int, Any]) -> Floats:
        text = texts[column.index]
        if column.kind == col.CLOCK:
            return stamps.clock_s(text)
        if column.kind == col.DATE:
            return stamps.date_s(text, self._order, self._zero_day)
        if column.kind == col.STAMP:
            return stamps.stamp_s(text, self._order, self._zero_day)
        return cl.numbers(text, self._form_now(column, text))

    def _form_now(self, column: col.Column, text: Any) -> cl.Form:
        """How a column's numbers are written, decided anew where a later cell has a sign that none had."""
        form = self._forms[column.index]
        new = form.decimal is None and cl.mentions(text, cl.POINT)
        if not form.grouped and (new or cl.mentions(text, form.other)):
            signs = cl.Signs()
            signs.add(row[column.index] for row in self._layout.probe)
            signs.add(text.drop_null().unique().to_pylist())
            form = self._forms[column.index] = self._form(column, {column.index: signs})
        return form

    def _parsed(self, piece: _Piece, types: dict[int, Any]) -> Iterator[Any]:
        """Batches of the columns of `types`, in its order; raises ArrowInvalid.

        Arrow is given a copy in memory of its own: one of its threads that still holds an object of Python's
        when Python ends would abort the program.
        """
        import pyarrow as pa
        from pyarrow import csv

        layout, data = self._layout, self._cleaned(piece)
        if not data.strip():
            return
        texts = all(kind == "string" for kind in types.values())
        forms = [self._forms[index] for index in types if index in self._forms and not texts]
        read = csv.ReadOptions(column_names=[f"c{k}" for k in range(layout.width)])
        parse = csv.ParseOptions(delimiter=self._delimiter())
        convert = csv.ConvertOptions(
            column_types={f"c{k}": pa.string() if kind == "string" else kind for k, kind in types.items()},
            include_columns=[f"c{k}" for k in types],
            null_values=list(cl.BLANK_SPELLINGS),
            strings_can_be_null=True,
            decimal_point=cl.COMMA if any(f.decimal == cl.COMMA for f in forms) else cl.POINT,
            check_utf8=False,
        )
        copy = pa.BufferOutputStream()
        copy.write(data)
        yield from csv.read_csv(pa.BufferReader(copy.getvalue()), read, parse, convert).to_batches()

    def _delimiter(self) -> str:
        return "\t" if self._layout.separator == BLANK else self._layout.separator

    def _cleaned(self, piece: _Piece) -> bytes:
        """A piece without comments, its blanks as tabs where blanks part the cells."""
        data = piece.data
        if COMMENT.encode() in data:
            data = _COMMENTS.sub(b"", data)
        return _BLANKS.sub(b"\t", _EDGES.sub(b"", data)) if self._layout.separator == BLANK else data

    # The file, piece by piece, and where in it something is wrong.

    def _pieces(self, counts: Counts) -> Iterator[_Piece]:
        def share(done: float) -> None:
            counts.share = done

        line, held = self._layout.first_line, None
        for data in src.pieces(self._layout.text, self._layout.start, None, share):
            if held is not None:
                yield held
            held = _Piece(data, line)
            line += data.count(b"\n") or data.count(b"\r")
        if held is not None:
            yield _Piece(self._without_footer(held.data), held.first_line)

    def _without_footer(self, data: bytes) -> bytes:
        """The last piece up to its last row: what a recorder adds at the end is left out."""
        ends = b"\n" if b"\n" in data else b"\r"
        kept = len(data)
        while kept and len(data) - kept < src.TAIL_BYTES:
            begin = data.rfind(ends, 0, kept - 1) + 1
            if self._layout.is_row(src.words(data[begin:kept])):
                return data[:kept]
            kept = begin
        return data  # nothing but rubbish: the reader will name its line

    def _lines(self, piece: _Piece) -> Iterator[tuple[int, str]]:
        ends = b"\n" if b"\n" in piece.data else b"\r"
        lines = piece.data.split(ends)
        return ((k, src.words(line)) for k, line in enumerate(lines, piece.first_line))

    def _locate(self, piece: _Piece, message: str) -> Finding:
        """The first line that can't be read, found line by line in the piece that Arrow gave up."""
        for number, line in self._lines(piece):
            if not line.strip(" \r\n") or line.lstrip().startswith(COMMENT):  # a line of tabs has cells
                continue
            row = split(line, self._layout.separator)
            if len(row) != self._layout.width:
                uneven = f"{len(row)} cells, the rows above have {self._layout.width}"
                return Finding(uneven, self._path, number, 1)
            for column in sorted(self._choice.used, key=lambda c: c.index):
                wrong = self._wrong(column, row[column.index])
                if wrong:
                    place = 1 + sum(len(cell) + 1 for cell in row[: column.index])
                    return Finding(wrong, self._path, number, place)
        return Finding(col.plain_text(message, 200), self._path, piece.first_line)

    def _wrong(self, column: col.Column, cell: str) -> str | None:
        """What is wrong with a cell, None where nothing is."""
        shown = repr(col.plain_text(cell, 40))
        if cl.is_blank(cell):
            return None
        if column.kind == col.NUMBERS:
            form = self._forms.get(column.index)
            try:
                if form is not None:  # a row may be uneven before it is decided how its numbers are written
                    form.number(cell)
            except ValueError:
                return f"{shown} is not a number"
            return None
        if stamps.kind_of(cell) != column.kind:
            return f"{shown} is not like the {column.kind} above"
        if column.kind != col.CLOCK:
            try:
                stamps.day_of(stamps.date_part(cell), self._order)
            except ValueError as error:
                return f"{shown}: {error}"
        return None

    def _refuse(self, message: str, hint: str | None = None) -> InputError:
        return InputError(Finding(message, self._path, self._layout.first_line, hint=hint))
