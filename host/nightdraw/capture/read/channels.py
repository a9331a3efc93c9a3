"""The channels that a recording has, by name and kind; reading them is reading's work."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from nightdraw.capture.read import layout as lay
from nightdraw.capture.read.options import PLAIN, Options
from nightdraw.capture.read.recording import Recording, open_recording
from nightdraw.errors import Finding, InputError


def channels(path: Path, options: Options = PLAIN) -> list[str | None]:
    """The names of a recording's channels, in order; [None] for the one that has no name.

    Raises InputError as open_recording does.
    """
    try:
        with path.open("rb") as stream:
            head = stream.read(4)
    except OSError as error:
        raise InputError(Finding(f"can't be read: {error.strerror or error}", file=str(path))) from None
    if head == b"PAR1":
        from pyarrow import parquet

        columns: lay.Columns | None = lay.columns_of(parquet.ParquetFile(path).schema_arrow.names)
    else:
        columns = lay.find_layout(path).columns
    if columns is None:
        return [None]
    time = next((c for c in columns if c.name.lower() in lay.TIME_NAMES), columns[0])
    named = [c for c in columns if c.index != time.index]
    measured = {*lay.CURRENT_UNITS_MA, *lay.VOLTAGE_UNITS_MV}
    known: list[str | None] = [
        c.header
        for c in named
        if c.unit in measured or (c.unit is None and c.name.lower() in lay.CURRENT_NAMES)
    ]
    if not known:
        open_recording(path, None, options)  # says what is wrong with it
    return known


def drops_beside(path: Path, recording: Recording, options: Options = PLAIN) -> list[Recording]:
    """The channels of millivolts in the same file as a current; none beside a channel of millivolts."""
    if recording.unit == lay.MILLIVOLT:
        return []
    others = [name for name in channels(path) if name is not None]
    alike = replace(options, scale_ma_per_mv=None, invert=False, voltage=True)
    return [open_recording(path, name, alike) for name in others if lay.is_voltage(name)]
