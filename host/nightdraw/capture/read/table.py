"""A Parquet recording's rows as blocks of numbers; of a part of one, no more row groups than have it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from nightdraw.capture.read import blocks, stamps
from nightdraw.capture.read import cells as cl
from nightdraw.capture.read import columns as col
from nightdraw.capture.read.blocks import Blocks, Counts, Floats
from nightdraw.capture.read.columns import Options, Part
from nightdraw.errors import CannotTellError, Finding, InputError

_PER_S = {"s": 1.0, "ms": 1e3, "us": 1e6, "ns": 1e9}
BUFFER_BYTES = 1 << 20  # of each column's bytes at a time
MOST_NUMBERED = 10_000  # columns; a wider table is no recorder's


def columns_of(path: Path) -> tuple[col.Column, ...]:
    """The columns of a Parquet file; InputError for a damaged one, CannotTellError for an empty one."""
    with _damage(path):
        file = _open(path)
        schema, rows = file.schema_arrow, file.metadata.num_rows
        names, types = list(schema.names), list(schema.types)
    if len(names) > MOST_NUMBERED:
        raise InputError(Finding(f"{len(names)} columns are too many for a recording", file=str(path)))
    if not rows:
        raise CannotTellError(Finding("the recording holds no samples", file=str(path)))
    columns = col.columns_of(names, None, [_kind(kind) for kind in types])
    return tuple(_timed(column, kind) for column, kind in zip(columns, types, strict=True))


def _kind(kind: Any) -> str:
    import pyarrow as pa

    numbers = (pa.types.is_floating, pa.types.is_integer, pa.types.is_decimal, pa.types.is_duration)
    if any(test(kind) for test in numbers):
        return col.NUMBERS
    if pa.types.is_timestamp(kind):
        return col.STAMP
    if pa.types.is_time(kind):
        return col.CLOCK
    return col.DATE if pa.types.is_date(kind) else col.TEXT


def _timed(column: col.Column, kind: Any) -> col.Column:
    """A duration brings its unit along."""
    import pyarrow as pa

    if not pa.types.is_duration(kind):
        return column
    return replace(column, unit=col.Unit(col.TIME, 1 / _PER_S[kind.unit]))


def _open(path: Path) -> Any:
    from pyarrow import parquet

    # Reading ahead, Arrow would keep the whole file in memory, and without a buffer a whole row group of it.
    return parquet.ParquetFile(
        path, page_checksum_verification=True, pre_buffer=False, buffer_size=BUFFER_BYTES
    )


class TableSource:
    """The rows of a Parquet recording's chosen columns."""

    slow = True

    def __init__(self, path: Path, choice: col.Choice, options: Options) -> None:
        self._path = path
        self._choice = choice
        self._rate_hz = options.rate_hz
        self.notes: tuple[str, ...] = ()

    def rows(self, counts: Counts, part: Part) -> Blocks:
        """Yield (time_s, value), nan where there is no number; of a part at least its rows."""
        with _damage(self._path):
            file = _open(self._path)
            groups, done = self._groups(file, part)
            total = sum(file.metadata.row_group(k).num_rows for k in groups) or 1
            zero, midnights, first = self._zero(file), stamps.Midnights(), done
            zero_s: float | None = None
            wanted = [c.index for c in self._choice.used]
            names = [file.schema_arrow.names[k] for k in wanted]
            for batch in file.iter_batches(blocks.BLOCK_SAMPLES, row_groups=groups, columns=names):
                arrays = dict(zip(batch.schema.names, batch.columns, strict=True))
                found = dict(zip(wanted, (arrays[name] for name in names), strict=True))
                value = cl.scaled(_numbers(found[self._choice.value.index]), self._choice.factor)
                time_s = self._times(found, done, zero, midnights)
                if self._choice.time is not None and self._choice.time.kind == col.CLOCK:
                    zero_s = zero_s if zero_s is not None or not len(time_s) else float(time_s[0])
                    time_s = time_s - (zero_s or 0.0)
                done += batch.num_rows
                counts.share = (done - first) / total
                yield time_s, value

    def line_of(self, _time_s: float) -> int | None:
        """A table has no lines."""
        return None

    def begin_s(self) -> float | None:
        """The first instant, where the file's own statistics know it."""
        if self._choice.time is None:
            return 0.0
        with _damage(self._path):
            file = _open(self._path)
            if not file.metadata.num_row_groups:
                return None
            span = self._span(file, 0, self._zero(file))
        return None if span is None else span[0]

    def _times(self, found: dict[int, Any], done: int, zero: int, midnights: stamps.Midnights) -> Floats:
        time, date = self._choice.time, self._choice.date
        if time is None:
            return (done + np.arange(len(next(iter(found.values()))))) / (self._rate_hz or 1.0)
        array = found[time.index]
        if time.kind == col.NUMBERS:
            return cl.scaled(_numbers(array), self._choice.time_s)
        if time.kind == col.STAMP:
            return _whole(array, zero) / _PER_S[array.type.unit]
        clock = _whole(array, 0) / _PER_S[array.type.unit]
        if date is None:
            return midnights.added(clock)
        return clock + _whole(found[date.index].cast("date32").cast("int32"), 0) * stamps.DAY_S

    def _zero(self, file: Any) -> int:
        """Where stamps are counted from, in their own unit: the first of the file."""
        time = self._choice.time
        if time is None or time.kind != col.STAMP or not file.metadata.num_row_groups:
            return 0
        name = file.schema_arrow.names[time.index]
        for batch in file.iter_batches(1 << 12, columns=[name]):
            column = batch.column(0).drop_null()
            if len(column):
                return int(column[0].value)
        return 0

    def _groups(self, file: Any, part: Part) -> tuple[list[int], int]:
        """The row groups that a part may lie in, and the rows before them."""
        count = file.metadata.num_row_groups
        if part.whole or not count:
            return list(range(count)), 0
        zero, starts = self._zero(file), [0]
        for k in range(count):
            starts.append(starts[-1] + file.metadata.row_group(k).num_rows)
        if self._choice.time is None:
            rate_hz = self._rate_hz or 1.0
            spans: list[tuple[float, float] | None] = [
                (begin / rate_hz, end / rate_hz) for begin, end in pairwise(starts)
            ]
        else:
            spans = [self._span(file, k, zero) for k in range(count)]
        if spans[0] is None:
            return list(range(count)), 0
        begin_s = spans[0][0] + part.begin_s
        end_s = np.inf if part.length_s is None else begin_s + part.length_s
        groups = [
            k for k, span in enumerate(spans) if span is None or (span[1] >= begin_s and span[0] <= end_s)
        ]
        return groups, starts[groups[0]] if groups else 0

    def _span(self, file: Any, group: int, zero: int) -> tuple[float, float] | None:
        """Least and most time of a row group by its statistics, None where they don't tell."""
        time = self._choice.time
        if time is None or time.kind not in (col.NUMBERS, col.STAMP):
            return None
        place = _leaf(file, time.index)
        if place is None:
            return None
        known = file.metadata.row_group(group).column(place).statistics
        if known is None or not known.has_min_max:
            return None
        if time.kind == col.NUMBERS:
            ends = known.min, known.max
            if not all(isinstance(end, int | float) for end in ends):
                return None
            low_s, high_s = (float(end) * self._choice.time_s for end in ends)
        else:
            per_s = _PER_S[_stored_unit(file, time.index)]
            scale = _PER_S[file.schema_arrow.types[time.index].unit]
            low_s, high_s = (int(end) / per_s - zero / scale for end in (known.min_raw, known.max_raw))
        return (low_s, high_s) if low_s <= high_s else None


def _leaf(file: Any, index: int) -> int | None:
    """The place of a column among the file's, where no nested one shifts them."""
    flat = len(file.schema_arrow.names) == file.metadata.num_columns
    return index if flat else None


def _stored_unit(file: Any, index: int) -> str:
    """The unit in which a column of stamps is stored, which needn't be the one that it is read in."""
    text = str(file.schema.column(index).logical_type)
    return "ns" if "nano" in text else "us" if "micro" in text else "ms"


def _numbers(array: Any) -> Floats:
    return cl.floats(array if str(array.type) == "double" else _plain(array).cast("float64", safe=False))


def _plain(array: Any) -> Any:
    import pyarrow as pa

    return array.cast("int64") if pa.types.is_duration(array.type) else array


def _whole(array: Any, zero: int) -> Floats:
    """Whole numbers less a zero, exact before they become floats, nan where there is none."""
    whole = array.cast("int64") if array.type.bit_width == 64 else array.cast("int32").cast("int64")
    since = (whole.fill_null(zero).to_numpy() - zero).astype(np.float64)
    return np.where(whole.is_valid().to_numpy(False), since, np.nan)


@contextmanager
def _damage(path: Path) -> Iterator[None]:
    """Whatever a damaged file makes the reader raise, as an error that names the file."""
    import pyarrow as pa

    try:
        yield
    except (
        pa.ArrowException,
        OSError,
        ValueError,
        KeyError,
        IndexError,
        OverflowError,
        MemoryError,
    ) as error:
        reason = col.plain_text(str(error).splitlines()[0] if str(error) else type(error).__name__, 200)
        raise InputError(Finding(f"damaged Parquet file: {reason}", file=str(path))) from None
