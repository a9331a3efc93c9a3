"""The record book with a hundred thousand rows: opened and counted, and one lesson more."""

from __future__ import annotations

import random
import sqlite3
from collections.abc import Iterator
from pathlib import Path

from nightdraw.lesson.book import open_book

from tests.benchmarks.measure import Ratio, compare
from tests.lesson import made_entries as made

LESSONS = 1_700  # of six groups, each with its assignment, journal, answer, marking and six items
CODES = tuple(f"group-{k}" for k in range(6))


def run(folder: Path) -> Iterator[Ratio]:
    """All of them."""
    path = folder / "years.db"
    rng = random.Random(1)
    entries = [made.entry(rng, CODES, f"class-{k % 20}", lines=2) for k in range(LESSONS)]
    with open_book(path, create=True) as book:
        for entry in entries:
            book.add(entry)
        rows = sum(
            book._db.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
            for table in ("lesson", "class_group", "assignment", "journal", "answer", "marking", "item")
        )
    yield compare(
        f"book of {rows} rows opened, counted", lambda: _counted(path), "sqlite3 alone", lambda: _plain(path)
    )
    more = iter([made.entry(rng, CODES, lines=2) for _ in range(9)])
    yield compare(
        "one lesson of six groups added to it",
        lambda: _added(path, next(more)),
        "opened and counted",
        lambda: _counted(path),
    )


def _counted(path: Path) -> None:
    with open_book(path) as book:
        book.counts()


def _added(path: Path, entry: made.Entry) -> None:
    with open_book(path) as book:
        book.add(entry)


def _plain(path: Path) -> None:
    db = sqlite3.connect(path)
    db.execute("SELECT count(*) FROM item").fetchone()
    db.close()
