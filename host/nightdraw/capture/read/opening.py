"""Opening a recording by its path: what kind of file it is, which channels it has, the one that is wanted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from nightdraw.capture.read import columns as col
from nightdraw.capture.read import layout as lay
from nightdraw.capture.read import source as src
from nightdraw.capture.read import table
from nightdraw.capture.read.options import PLAIN, Options
from nightdraw.capture.read.recording import Recording, Source
from nightdraw.capture.read.text import TextSource
from nightdraw.capture.read.units import MILLIVOLT, VOLTAGE


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
    recording = Recording(str(path), source, choice.channel, choice.unit, choice.notes).part(options.part)
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
    drops = [c for c in col.channels_of(_columns(path)[0]) if c.measures(VOLTAGE)]
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
