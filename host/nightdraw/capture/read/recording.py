"""Opening a recording by its path, and one channel of it as blocks of time and value.

Blocks have bounded memory and are read anew for each pass; a file's first bytes tell which reader it takes.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

import numpy as np

from nightdraw.capture.read import blocks, table
from nightdraw.capture.read import columns as col
from nightdraw.capture.read import layout as lay
from nightdraw.capture.read import source as src
from nightdraw.capture.read.blocks import Blocks, Counts, Floats
from nightdraw.capture.read.columns import MILLIAMPERE, MILLIVOLT, PLAIN, Options, Part
from nightdraw.capture.read.text import TextSource
from nightdraw.errors import Finding, InputError

# A current whose unit nobody names is taken as amperes. But a sleeping vehicle draws 10 mA and more (common
# practice), and so many of them can't be told from as many amperes.
UNTOLD_MA = 5000.0
LOOKED_AT = 1 << 13  # values of the first block, evenly chosen


class Source(Protocol):
    """What a file's reader offers: rows of time and value, and what is known without reading them."""

    notes: tuple[str, ...]
    slow: bool  # worth a thread that reads ahead

    def rows(self, counts: Counts, part: Part) -> Blocks:
        """Yield (time_s, value), nan where there is no number; of a part at least its rows."""

    def line_of(self, time_s: float) -> int | None:
        """The line at which time first runs back to an instant, None where that isn't known."""

    def begin_s(self) -> float | None:
        """The first instant, None where only reading tells it."""


class Recording:
    """One channel of a recording.

    name: for messages; channel; unit: `mA` or `mV`; notes: what was assumed or mended, complete after a pass;
    unit_assumed: nothing names the values' unit;
    on_progress: called with the share of a pass that is done (0 .. 1), where that is known.
    """

    def __init__(
        self,
        name: str,
        source: Source,
        channel: str,
        unit: str = MILLIAMPERE,
        notes: tuple[str, ...] = (),
        unit_assumed: bool = False,
    ) -> None:
        self.name = name
        self.channel = channel
        self.unit = unit
        self._source = source
        self._assumed = notes
        self._counts = Counts()
        self._factor = 1.0
        self._most = np.inf
        self._part = Part()
        self._unit_assumed = unit_assumed
        self.on_progress: Callable[[float], None] = lambda _share: None

    @property
    def notes(self) -> list[str]:
        """What had to be assumed, and what the latest pass mended."""
        return [*self._assumed, *self._source.notes, *self._counts.notes()]

    def blocks(self) -> Blocks:
        """Yield (time_s, value in mA or mV): float64, times ascending, BLOCK_SAMPLES each but the last."""
        counts = self._counts = Counts()
        raw = blocks.in_order(self._source.rows(counts, self._part), counts, self._refuse)
        raw = self._named(raw) if self._unit_assumed else raw
        wanted = raw if self._part.whole else blocks.part_of(raw, self._part, self._source.begin_s())
        even = blocks.even(self._told(wanted, counts))
        for block in blocks.ahead(even) if self._source.slow else even:
            yield block
            self.on_progress(counts.share)

    def samples(self) -> tuple[Floats, Floats]:
        """All times and values at once, at least one; for recordings that are known to be short."""
        time_s, value = zip(*self.blocks(), strict=True)
        return np.concatenate(time_s), np.concatenate(value)

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

    def _named(self, raw: Blocks) -> Blocks:
        """The rows as they are; raises InputError where their unit had to be assumed and the first block
        doesn't tell it."""
        first = next(raw, None)
        if first is None:
            return
        values = first[1]
        typical_ma = float(np.median(np.abs(values[:: max(len(values) // LOOKED_AT, 1)])))
        if typical_ma >= UNTOLD_MA:
            why = f"no unit is named: {typical_ma / 1e3:.4g} may be amperes or milliamperes"
            hint = "name it in a header line above the rows, like time_s,current_ma"
            raise InputError(Finding(f"the column {self.channel!r}: {why}", self.name, hint=hint))
        yield first
        yield from raw

    def _told(self, raw: Blocks, counts: Counts) -> Blocks:
        for time_s, value in raw:
            if np.isfinite(self._most):
                within = np.abs(value) <= self._most
                counts.beyond += int(len(value) - np.count_nonzero(within))
                time_s, value = time_s[within], value[within]
            yield time_s, value * self._factor if self._factor != 1.0 else value

    def _refuse(self, message: str, time_s: float) -> InputError:
        """The error for an instant that is wrong; message: with {} where the instant belongs."""
        line = self._source.line_of(time_s) if "backwards" in message else None
        hint = "one recording to a file" if "backwards" in message else None
        return InputError(Finding(message.format(time_s), file=self.name, line=line, hint=hint))


class _Arrays:
    """Samples held in memory."""

    notes: tuple[str, ...] = ()
    slow = False

    def __init__(self, time_s: Floats, value: Floats) -> None:
        self._samples = time_s, value

    def rows(self, _counts: Counts, _part: Part) -> Blocks:
        """All of them at once."""
        yield self._samples

    def line_of(self, _time_s: float) -> int | None:
        """Memory has no lines."""
        return None

    def begin_s(self) -> float | None:
        """Only the samples tell."""
        return None


def from_arrays(
    time_s: Floats, value: Floats, name: str = "recording", unit: str = "A", channel: str = "current"
) -> Recording:
    """A recording held in memory: seconds, and values in A, mA or mV, one each."""
    kept = MILLIAMPERE if unit == "A" else unit
    with np.errstate(over="ignore"):  # what overflows is beyond any recorder's range, and left out as such
        values = value.astype(float) * (1e3 if unit == "A" else 1.0)
    return Recording(name, _Arrays(time_s.astype(float), values), channel, kept)


def open_recording(path: Path | str, channel: str | None = None, options: Options = PLAIN) -> Recording:
    """Open a CSV (also gzip) or Parquet recording.

    channel: a column's name without its unit, or its whole header; None takes the only current there is.
    options: what the file doesn't say. Raises InputError (file and line) for what is no recording,
    CannotTellError for an empty one.
    """
    path = Path(path)
    columns, layout = _columns(path)
    notes = () if layout is None else layout.notes
    place = (str(path), None) if layout is None else layout.place
    choice = col.choose(columns, channel, options, place, notes)
    source: Source = (
        table.TableSource(path, choice, options) if layout is None else TextSource(layout, choice, options)
    )
    whole = Recording(str(path), source, choice.channel, choice.unit, choice.notes, choice.assumed)
    recording = whole.part(options.part)
    return recording.inverted() if options.invert else recording


def channels(path: Path, options: Options = PLAIN) -> list[str | None]:
    """The names of a recording's channels, in order; [None] for the one that has no name.

    Raises InputError and CannotTellError as open_recording does.
    """
    columns, layout = _columns(path)
    if layout is not None and not layout.named:
        return [None]
    known: list[str | None] = [c.header for c in col.channels_of(columns)]
    if not known:
        open_recording(path, None, options)  # says what is wrong with it
    return known


def drops_beside(path: Path, recording: Recording, options: Options = PLAIN) -> list[Recording]:
    """The channels of voltage in the same file as a current, but the one that the current was scaled from;
    none beside a channel of voltage."""
    if recording.unit == MILLIVOLT:
        return []
    alike = replace(options, scale_ma_per_mv=None, invert=False, voltage=True)
    drops = [c for c in col.channels_of(_columns(path)[0]) if c.measures(col.VOLTAGE)]
    return [
        open_recording(path, c.header, alike) for c in drops if recording.channel not in (c.name, c.header)
    ]


def _columns(path: Path) -> tuple[Sequence[col.Column], lay.Layout | None]:
    """The columns of a file, and how it is laid out where it is a text."""
    head = src.head_of(path)
    if head.startswith(src.PARQUET):
        return table.columns_of(path), None
    layout = lay.find_layout(src.text_of(path, head))
    return layout.columns, layout


@dataclass(frozen=True)
class Windows:
    """What a recording has in each of some windows of time: number of samples, their mean (nan without any),
    and the times of the last sample before the window and of its own last one (-inf without)."""

    count: Floats
    mean: Floats
    before_s: Floats
    last_s: Floats


def windows(recording: Recording, from_s: Floats, to_s: Floats) -> Windows:
    """Means over windows (from_s in, to_s not, in any order), exactly, in one pass and bounded memory: the
    running sum is read at both ends of each."""
    instants_s = np.concatenate((from_s, to_s))
    order = np.argsort(instants_s, kind="stable")
    ordered = instants_s[order]
    counts, totals = np.zeros(len(ordered)), np.zeros(len(ordered))
    last_s = np.full(len(ordered), -np.inf)
    count, total, done, latest_s = 0, 0.0, 0, -np.inf
    for time_s, value in recording.blocks():
        reached = int(np.searchsorted(ordered, time_s[-1], side="right"))
        places = np.searchsorted(time_s, ordered[done:reached], side="left")
        running = np.concatenate(([0.0], np.cumsum(value)))
        counts[done:reached] = count + places
        totals[done:reached] = total + running[places]
        last_s[done:reached] = np.where(places > 0, time_s[np.maximum(places - 1, 0)], latest_s)
        count, total, done = count + len(value), total + float(running[-1]), reached
        latest_s = float(time_s[-1])
    counts[done:], totals[done:], last_s[done:] = count, total, latest_s
    back = np.empty_like(order)
    back[order] = np.arange(len(order))
    (counts, other_counts), (totals, other_totals), (before_s, last_s) = (
        np.split(column[back], 2) for column in (counts, totals, last_s)
    )
    number = other_counts - counts
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(number > 0, (other_totals - totals) / number, np.nan)
    return Windows(np.maximum(number, 0.0), mean, before_s, last_s)
