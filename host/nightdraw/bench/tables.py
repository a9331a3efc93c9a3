"""A recording of several channels on its way to disk: CSV or Parquet, in pieces, whole or not there.

Columns are `time_s` and then each channel's name with its unit. What the numbers mean is not known here.
"""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from decimal import Decimal
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from nightdraw import extras
from nightdraw.outputs import named, partial

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

CSV, PARQUET = "csv", "parquet"
FORMATS = (CSV, PARQUET)
Piece = tuple["npt.NDArray[np.float64]", "Sequence[npt.NDArray[np.float64]]"]  # seconds, a row a channel
ARROWS_LEAST = 1e-6  # below, Arrow writes an exponent
BATCH_ROWS = 65_536  # rows formatted at once: some MB of text


class TableFile:
    """The file under a temporary name until keep() gives it its own; leaving without keep() removes it."""

    def __init__(self, path: Path, columns: Sequence[str], form: str = CSV) -> None:
        self._path = path
        self._columns = ("time_s", *columns)
        self._form = form

    _file: Any
    _writer: Any

    def __enter__(self) -> Self:
        with named(self._path):
            self._temporary = partial(self._path)
        if self._form == CSV and not extras.has("pyarrow"):
            self._file = self._writer = _PlainCsv(self._temporary, self._columns)
            return self
        import pyarrow as pa

        self._schema = pa.schema([(name, pa.float64()) for name in self._columns])
        self._file = pa.OSFile(str(self._temporary), "wb")  # Arrow's own: a thread can write beside another
        self._writer = self._csv() if self._form == CSV else self._parquet()
        return self

    def write(self, times_s: npt.NDArray[np.float64], *samples: npt.NDArray[np.float64]) -> None:
        """Add rows: seconds, and one row of numbers a channel."""
        self.write_pieces([(times_s, samples)])

    def write_pieces(self, pieces: Sequence[Piece]) -> None:
        """Add the rows of several pieces; in a Parquet file they become one group."""
        if isinstance(self._writer, _PlainCsv):
            with named(self._path):
                for times_s, samples in pieces:
                    self._writer.write(times_s, samples)
            return
        import pyarrow as pa

        batches = [
            pa.record_batch([pa.array(row) for row in (times_s, *samples)], schema=self._schema)
            for times_s, samples in pieces
        ]
        table = pa.Table.from_batches(batches, schema=self._schema)
        with named(self._path):
            self._writer.write_table(table)

    def keep(self) -> None:
        """Close the file and put it in its place, replacing what was there."""
        with named(self._path):
            self._close()
            self._temporary.replace(self._path)

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with contextlib.suppress(OSError):  # on a full disk closing fails too; what led here is told
            self._close()
        self._temporary.unlink(missing_ok=True)
        if isinstance(error, KeyboardInterrupt):
            error.add_note(f"{self._path} was not written")

    def _csv(self) -> Any:
        from pyarrow import csv

        self._file.write((",".join(self._columns) + "\n").encode())
        options = csv.WriteOptions(include_header=False, quoting_style="none", batch_size=BATCH_ROWS)
        return csv.CSVWriter(self._file, self._schema, write_options=options)

    def _parquet(self) -> Any:
        from pyarrow import parquet

        return parquet.ParquetWriter(self._file, self._schema, compression="zstd")

    def _close(self) -> None:
        self._writer.close()
        self._file.close()


class _PlainCsv:
    """The same CSV, the same bytes, without Arrow: some ten times as slow, for a light installation."""

    def __init__(self, path: Path, columns: Sequence[str]) -> None:
        self._file = path.open("w", encoding="ascii", newline="")
        self._file.write(",".join(columns) + "\n")

    def write(self, times_s: npt.NDArray[np.float64], samples: Sequence[npt.NDArray[np.float64]]) -> None:
        """Add rows: seconds, and one row of numbers a channel."""
        rows = zip(
            *([_shortest(number) for number in row.tolist()] for row in (times_s, *samples)), strict=True
        )
        self._file.writelines(",".join(cells) + "\n" for cells in rows)

    def close(self) -> None:
        """End the file; again is no error."""
        self._file.close()


def _shortest(number: float) -> str:
    """The fewest digits that read back as the number; as Arrow writes them from 1e-6 to 1e10, and zero."""
    text = repr(number).removesuffix(".0")
    return text if "e" not in text or abs(number) < ARROWS_LEAST else format(Decimal(text), "f")
