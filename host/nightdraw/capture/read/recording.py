"""Recordings: one channel of a file as blocks of time and value, in bounded memory, read anew for each pass.

Files are read here and put in order; nothing is measured here.
"""

from __future__ import annotations

import codecs
import copy
import io
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

from nightdraw.capture.read import blocks
from nightdraw.capture.read import layout as lay
from nightdraw.capture.read import options as options_
from nightdraw.capture.read.blocks import Blocks, Counts, Floats
from nightdraw.capture.read.options import Options, Part
from nightdraw.errors import CannotTellError, Finding, InputError

MOST = 1e8  # mA or mV: a thousand times what a starter draws
READ_BYTES = 1 << 23  # 8 MB of text at a time keeps two parsing threads busy
UTF_8 = "utf-8"  # what Arrow parses as it stands


class Recording:
    """One channel of a recording.

    name: for messages; channel; unit: `mA` or `mV`; notes: what was assumed or mended, complete after a pass;
    on_progress: called with the share of a pass that is done (0 .. 1), where that is known.
    """

    def __init__(
        self,
        name: str,
        source: Callable[[Counts], Blocks],
        choice: lay.Choice = lay.PLAIN,
        line_of: Callable[[float], int | None] = lambda _time_s: None,
    ) -> None:
        self.name = name
        self.channel = choice.channel
        self.unit = choice.unit
        self._source = source
        self._assumed = choice.notes
        self._line_of = line_of
        self._counts = Counts()
        self._factor = 1.0
        self._most = np.inf
        self._part = Part()
        self.on_progress: Callable[[float], None] = lambda _share: None

    @property
    def notes(self) -> list[str]:
        """What had to be assumed, and what the latest pass mended."""
        return [*self._assumed, *self._counts.notes()]

    def blocks(self) -> Blocks:
        """Yield (time_s, value in mA or mV): float64, times ascending, BLOCK_SAMPLES each but the last."""
        self._counts = Counts()
        raw = self._told(self._source(self._counts))
        ordered = blocks.in_order(raw, self._counts, self._refuse_backwards)
        return blocks.even(ordered if self._part.whole else blocks.part_of(ordered, self._part))

    def times(self, factor: float, unit: str, most: float = np.inf) -> Recording:
        """The same recording with every value times a factor, without those beyond most (in its own unit)."""
        other = copy.copy(self)
        other.unit = unit
        other._factor = self._factor * factor
        other._most = min(self._most, most / abs(self._factor))
        return other

    def inverted(self) -> Recording:
        """The same recording with the clamp the other way round."""
        other = self.times(-1.0, self.unit)
        other._assumed = (*self._assumed, "inverted as told: the clamp was the wrong way round")
        return other

    def part(self, part: Part) -> Recording:
        """A part of the recording, its times as they are."""
        other = copy.copy(self)
        other._part = part
        return other

    def _told(self, raw: Blocks) -> Blocks:
        for time_s, value in raw:
            if np.isfinite(self._most):
                within = np.abs(value) <= self._most
                self._counts.beyond += int(len(value) - np.count_nonzero(within))
                time_s, value = time_s[within], value[within]
            yield time_s, value * self._factor if self._factor != 1.0 else value
            self.on_progress(self._counts.share)

    def _refuse_backwards(self, time_s: float, latest_s: float) -> InputError:
        message = f"time runs backwards: {time_s:.9g} s comes after {latest_s:.9g} s"
        line = self._line_of(time_s)
        return InputError(Finding(message, file=self.name, line=line, hint="one recording to a file"))


def open_recording(
    path: Path | str, channel: str | None = None, options: Options = options_.PLAIN
) -> Recording:
    """Open a CSV or Parquet recording.

    channel: a column's name without its unit, or its whole header; None takes the only current there is.
    options: what the file doesn't say. Raises InputError (file and line) for what is no recording,
    CannotTellError for an empty one.
    """
    recording = _opened(Path(path), channel).part(options.part)
    if options.scale_ma_per_mv is not None:
        if recording.unit != lay.MILLIVOLT:
            message = f"--scale is for a column in volts, {recording.channel!r} is a current"
            raise InputError(Finding(message, file=str(path)))
        recording = recording.times(options.scale_ma_per_mv, "mA")
    return recording.inverted() if options.invert else recording


def _opened(path: Path, channel: str | None) -> Recording:
    try:
        if not path.stat().st_size:
            raise CannotTellError(Finding("the recording is empty", file=str(path)))
        with path.open("rb") as stream:
            head = stream.read(4096)
    except OSError as error:
        raise InputError(Finding(f"can't be read: {error.strerror or error}", file=str(path))) from None
    if head.startswith(b"PAR1"):
        return _open_parquet(path, channel)
    if b"\0" in head and not head.startswith((b"\xff\xfe", b"\xfe\xff")):
        hint = "a recording is CSV text or Parquet"
        raise InputError(Finding("not text and not Parquet", file=str(path), line=1, hint=hint))
    return _open_text(path, channel)


def from_arrays(
    time_s: Floats, value: Floats, name: str = "recording", unit: str = "A", channel: str = "current"
) -> Recording:
    """A recording held in memory: seconds, and values in A, mA or mV, one each."""

    def source(_counts: Counts) -> Blocks:
        yield time_s.astype(float), value.astype(float) * (1e3 if unit == "A" else 1.0)

    kept = "mA" if unit == "A" else unit
    return Recording(name, source, lay.Choice(0, 1, 1.0, 1.0, kept, channel, ()))


def _open_text(path: Path, channel: str | None) -> Recording:
    layout = lay.find_layout(path)
    choice = lay.choose(layout, channel)

    def source(counts: Counts) -> Blocks:
        zero: Any = None
        for batch in _text_batches(layout, choice, counts):
            time, value = (batch.column(f"c{k}") for k in (choice.time, choice.value))
            value_ma = _numbers(value) * choice.value_scale
            if layout.stamped:
                whole = time.cast("int64")
                zero = next((t.as_py() for t in whole if t.is_valid), None) if zero is None else zero
                time_s = (whole.to_numpy(zero_copy_only=False) - (zero or 0)) / 1e9
            else:
                time_s = _numbers(time) * choice.time_s
            yield _good(time_s, value_ma, counts)

    def line_of(time_s: float) -> int | None:
        return None if layout.stamped else _line_after_jump(layout, choice, time_s)

    return Recording(str(path), source, choice, line_of)


def _good(time_s: Floats, value: Floats, counts: Counts) -> tuple[Floats, Floats]:
    """The rows that hold numbers, and numbers that can be measurements."""
    finite = np.isfinite(time_s) & np.isfinite(value)
    good = finite & (np.abs(np.where(finite, value, 0.0)) <= MOST)
    counts.blank += int(len(good) - finite.sum())
    counts.absurd += int(finite.sum() - good.sum())
    return time_s[good], value[good]


def _numbers(column: Any) -> Floats:
    values: Floats = column.to_numpy(zero_copy_only=False).astype(float)
    return values


def _text_batches(layout: lay.Layout, choice: lay.Choice, counts: Counts) -> Iterator[Any]:
    """Parsed batches. Arrow is given copies in memory of its own: one of its threads that still holds an
    object of Python's when Python ends would abort the program."""
    import pyarrow as pa
    from pyarrow import csv

    stamp = pa.timestamp("ns", "UTC") if layout.zoned else pa.timestamp("ns")
    time, value = f"c{choice.time}", f"c{choice.value}"
    read = csv.ReadOptions(column_names=[f"c{k}" for k in range(layout.width)])
    parse = csv.ParseOptions(delimiter=layout.delimiter)
    convert = csv.ConvertOptions(
        column_types={time: stamp if layout.stamped else pa.float64(), value: pa.float64()},
        include_columns=[time, value],
        null_values=list(lay.NULLS),
        decimal_point=layout.decimal,
    )
    try:
        for piece in _whole_lines(layout, counts):
            copy = pa.BufferOutputStream()
            copy.write(piece)
            yield from csv.read_csv(pa.BufferReader(copy.getvalue()), read, parse, convert).to_batches()
    except (pa.ArrowInvalid, UnicodeError) as error:
        raise InputError(_locate(layout, choice, str(error))) from None


def _whole_lines(layout: lay.Layout, counts: Counts) -> Iterator[bytes]:
    """The data as UTF-8, READ_BYTES or so at a time, cut between lines."""
    decoder = codecs.getincrementaldecoder(layout.encoding)()
    with layout.path.open("rb") as stream:
        region = _Region(stream, layout.start, layout.end)
        rest = b""
        while piece := region.read(READ_BYTES):
            text = rest + (piece if layout.encoding == UTF_8 else decoder.decode(piece).encode())
            cut = max(text.rfind(b"\n"), -1 if b"\n" in text else text.rfind(b"\r")) + 1
            rest = text[cut:]
            counts.share = 1 - region.left / (layout.end - layout.start)
            if cut:
                yield text[:cut]
    if rest.strip():
        yield rest


class _Region(io.RawIOBase):
    """The bytes from start to end of an open file, for a reader that would read to the end of it."""

    def __init__(self, stream: io.BufferedReader, start: int, end: int) -> None:
        self._stream = stream
        self.left = end - start
        stream.seek(start)

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        count = self._stream.readinto(memoryview(buffer)[: self.left])
        self.left -= count
        return count


def _text_lines(layout: lay.Layout) -> Iterator[tuple[int, str]]:
    with layout.path.open("rb") as raw:
        region = io.BufferedReader(_Region(raw, layout.start, layout.end))
        text = io.TextIOWrapper(region, layout.encoding, errors="replace")
        yield from enumerate(text, layout.first_line)


def _locate(layout: lay.Layout, choice: lay.Choice, message: str) -> Finding:
    """The first line that can't be read, found line by line after the fast reader has given up."""
    for number, line in _text_lines(layout):
        wrong = lay.bad_cell(line, layout, (choice.time, choice.value)) if line.strip() else None
        if wrong:
            return Finding(wrong[1], file=str(layout.path), line=number, column=wrong[0])
    return Finding(message, file=str(layout.path))


def _line_after_jump(layout: lay.Layout, choice: lay.Choice, time_s: float) -> int | None:
    """The first line at or before `time_s` after one that is later."""
    later = False
    for number, line in _text_lines(layout):
        value_s = lay.number(line, layout, choice.time) * choice.time_s
        if later and value_s <= time_s:
            return number
        later = later or value_s > time_s
    return None


def _open_parquet(path: Path, channel: str | None) -> Recording:
    import pyarrow as pa
    from pyarrow import parquet

    try:
        schema = parquet.ParquetFile(path).schema_arrow
    except (pa.ArrowInvalid, OSError) as error:
        raise InputError(Finding(f"damaged Parquet file: {error}", file=str(path))) from None
    names = schema.names
    choice = lay.choose_from(lay.columns_of(names), channel, (str(path), 1))
    for place in (choice.time, choice.value):
        kind = schema.field(place).type
        if not (pa.types.is_floating(kind) or pa.types.is_integer(kind) or pa.types.is_decimal(kind)):
            raise InputError(Finding(f"column {names[place]!r} holds no numbers but {kind}", file=str(path)))

    def source(counts: Counts) -> Blocks:
        wanted = [names[choice.time], names[choice.value]]
        file = parquet.ParquetFile(path)
        done = 0
        for batch in file.iter_batches(blocks.BLOCK_SAMPLES, columns=wanted):
            done += batch.num_rows
            counts.share = done / file.metadata.num_rows
            time_s = _numbers(batch.column(wanted[0]).cast("float64")) * choice.time_s
            value = _numbers(batch.column(wanted[1]).cast("float64")) * choice.value_scale
            yield _good(time_s, value, counts)

    return Recording(str(path), source, choice)
