"""A record book as CSV files: one a table, and each journal as the file that it was.

Reads one state of the book, whatever others write meanwhile.
"""

from __future__ import annotations

import csv
import io
import zlib
from pathlib import Path

from nightdraw import outputs
from nightdraw.errors import printable
from nightdraw.lesson.book import Book
from nightdraw.lesson.bookschema import TABLES

JOURNALS = "journals"
STEERS = "=+-@\t\r"  # a spreadsheet takes a text that begins so for a formula


def cell(value: object) -> object:
    """A value as a CSV cell: text that a spreadsheet would run as a formula gets an apostrophe in front."""
    if not isinstance(value, str):
        return "" if value is None else value
    text = printable(value)
    return f"'{text}" if text[:1] and text[0] in STEERS else text


def table(header: list[str], rows: list[tuple[object, ...]]) -> bytes:
    """Rows as CSV (RFC 4180) in UTF-8."""
    stream = io.StringIO()
    writer = csv.writer(stream)
    writer.writerow(header)
    writer.writerows([cell(value) for value in row] for row in rows)
    return stream.getvalue().encode()


def export(book: Book, folder: Path) -> list[Path]:
    """Write every table to FOLDER/TABLE.csv and every journal to FOLDER/journals/ID.journal.jsonl; the paths.

    The folder is made where it isn't there; raises InputError.
    """
    outputs.make_folder(folder)
    outputs.make_folder(folder / JOURNALS)
    written = []
    with book.reading() as db:
        for name in TABLES:
            shown = "id, lesson_id, group_id, digest, added_utc" if name == "journal" else "*"
            found = db.execute(f"SELECT {shown} FROM {name} ORDER BY rowid")
            header = [column[0] for column in found.description]
            written.append(_written(folder / f"{name}.csv", table(header, found.fetchall())))
        for number, lines in db.execute("SELECT id, lines FROM journal"):
            path = folder / JOURNALS / f"{number}.journal.jsonl"
            written.append(_written(path, zlib.decompress(lines)))
    return written


def _written(path: Path, content: bytes) -> Path:
    outputs.write(path, content)
    return path
