"""The record book: one SQLite file that a school keeps for years.

Every change is one immediate transaction on a write-ahead log: whole after a kill or a power cut at any
instant, or not there at all, and other programs may read and write meanwhile. A book must lie on a disk of
this computer: a write-ahead log doesn't work over a network's file system.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import time
import zlib
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from nightdraw import outputs
from nightdraw.errors import EXIT_NO, Finding, InputError, NightdrawError, nearest
from nightdraw.lesson.bookschema import APPLICATION_ID, MIGRATIONS, PURGE
from nightdraw.lesson.entries import COLUMNS, Entry, GroupEntry, digest

BUSY_S = 20.0  # how long a change of another program is waited for: each takes milliseconds
RETRY_S = 0.02  # between two tries to switch to the write-ahead log, for which SQLite itself doesn't wait
MAGIC = b"SQLite format 3\0"
ASSIGNED = (
    "vehicle",
    "splice",
    "fuse",
    "box",
    "slot",
    "profile",
    "seed",
    "kit",
    "expected_s",
    "p95_s",
    "difficulty",
)


class HeldError(NightdrawError):
    """What was asked is done but for bytes that another program keeps alive."""

    exit_status = EXIT_NO


class Book:
    """An open book; use `open_book`. Every method that changes it is one transaction."""

    def __init__(self, path: Path, db: sqlite3.Connection) -> None:
        self.path = path
        self._db = db

    def close(self) -> None:
        """Close it; what is written stays."""
        self._db.close()

    @contextlib.contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """One immediate transaction: all of the block or nothing."""
        with _told(self.path):
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield self._db
                self._db.execute("COMMIT")
            except BaseException:
                with contextlib.suppress(sqlite3.Error):
                    self._db.execute("ROLLBACK")
                raise

    @contextlib.contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """One state of the book, whatever others write meanwhile."""
        with _told(self.path):
            self._db.execute("BEGIN")
            try:
                yield self._db
            finally:
                with contextlib.suppress(sqlite3.Error):
                    self._db.execute("ROLLBACK")

    def add(self, entry: Entry) -> None:
        """Add a lesson, or what is new of one that is there; the same twice changes nothing."""
        now = datetime.now(UTC).isoformat(timespec="seconds")
        with self.writing() as db:
            lesson = _lesson_id(db, entry, now)
            for group in entry.groups:
                _add_group(db, lesson, entry.of_class, group, now)

    def counts(self) -> dict[str, int]:
        """How many lessons, groups (of each class its own) and groups' marks that stand are in it."""
        with self.reading() as db:
            found = db.execute(
                "SELECT (SELECT count(*) FROM lesson), (SELECT count(*) FROM class_group),"
                " (SELECT count(*) FROM (SELECT DISTINCT lesson_id, group_id FROM marking))"
            ).fetchone()
        return dict(zip(("lessons", "groups", "marks"), found, strict=True))

    def lessons(self) -> list[dict[str, Any]]:
        """For people: each lesson with the number of its groups and of those that have marks."""
        with self.reading() as db:
            rows = db.execute(
                "SELECT plan, class, held, added_utc,"
                " (SELECT count(*) FROM assignment WHERE lesson_id = lesson.id),"
                " (SELECT count(DISTINCT group_id) FROM marking WHERE lesson_id = lesson.id)"
                " FROM lesson ORDER BY id"
            ).fetchall()
        return [
            dict(zip(("plan", "class", "held", "added_utc", "groups", "marked"), row, strict=True))
            for row in rows
        ]

    def erase(self, group: str, of_class: str | None = None) -> int:
        """Erase a group's data for good, from every class or one, out of the file's bytes too; how many were
        found.

        Raises InputError where no group has that code, HeldError where another program has the book open, so
        that old bytes can't be taken out of the file yet: the same call does it later.
        """
        with self.writing() as db:
            chosen = "code = ? AND (? IS NULL OR class = ?)"
            found = db.execute(
                f"DELETE FROM class_group WHERE {chosen}", (group, of_class, of_class)
            ).rowcount
            if found:
                # A lesson without anybody left tells nothing, and its digest would outlive the group.
                db.execute("DELETE FROM lesson WHERE id NOT IN (SELECT lesson_id FROM assignment)")
                db.execute("INSERT OR IGNORE INTO upkeep VALUES (?)", (PURGE,))
            codes = [row[0] for row in db.execute("SELECT DISTINCT code FROM class_group")]
            due = db.execute("SELECT 1 FROM upkeep WHERE task = ?", (PURGE,)).fetchone()
        if due:
            self._purge()
        if not found and not due:
            raise InputError(
                Finding(f"no group {group} in this book", str(self.path), hint=nearest(group, codes))
            )
        return found

    def _purge(self) -> None:
        """Take erased bytes out of the log and the file. The task goes last, so that a kill leaves it due."""
        held = f"{self.path}: the data are erased, but another program has the book open and keeps old bytes"
        hint = "close it and call --erase again: it takes them out of the file"
        try:
            self._truncate(held, hint)
            self._db.execute("VACUUM")
            self._truncate(held, hint)
            self._db.execute("DELETE FROM upkeep WHERE task = ?", (PURGE,))
            self._truncate(held, hint)
        except sqlite3.OperationalError as error:
            if _is_busy(error):
                raise HeldError(Finding(held, hint=hint)) from None
            with _told(self.path):
                raise

    def _truncate(self, held: str, hint: str) -> None:
        busy, _, _ = self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
        if busy:
            raise HeldError(Finding(held, hint=hint))


@contextlib.contextmanager
def open_book(path: Path, create: bool = False, busy_s: float = BUSY_S) -> Iterator[Book]:
    """Open a book, bring it to this version, close it at the end; raises InputError.

    create: make it where there is none. busy_s: how long other programs' changes are waited for.
    """
    if not path.exists() and not create:
        raise InputError(Finding("there is no such book", str(path), hint="--add makes one"))
    outputs.check(path)
    _refuse_other_files(path)
    with _told(path):
        # A book without rights for others: it holds marks.
        with contextlib.suppress(FileExistsError):
            os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
        db = sqlite3.connect(path, timeout=busy_s, isolation_level=None)
        try:
            _settle(db, path, busy_s)
            yield Book(path, db)
        finally:
            db.close()


def _refuse_other_files(path: Path) -> None:
    if not path.exists():
        return
    with _told(path), path.open("rb") as stream:
        head = stream.read(100)
    if not head:
        return
    ours = head[68:72] in (
        APPLICATION_ID.to_bytes(4, "big"),
        bytes(4),
    )  # zero: killed before the number was written
    if not head.startswith(MAGIC) or not ours:
        raise InputError(Finding("this file is no record book", str(path), hint="choose another name"))


def _settle(db: sqlite3.Connection, path: Path, busy_s: float) -> None:
    """Settings of a connection, and the tables of this version."""
    version = db.execute("PRAGMA user_version").fetchone()[0]
    if version > len(MIGRATIONS):
        message = f"the book has version {version}, this program knows {len(MIGRATIONS)}"
        raise InputError(Finding(message, str(path), hint="it is of a later Nightdraw: install that"))
    _write_ahead(db, busy_s)
    db.execute("PRAGMA synchronous = FULL")  # a mark that was told as stored outlives a power cut
    db.execute("PRAGMA secure_delete = ON")
    db.execute("PRAGMA foreign_keys = ON")
    db.execute("PRAGMA trusted_schema = OFF")
    if version < len(MIGRATIONS):
        _migrate(db, path)


def _write_ahead(db: sqlite3.Connection, busy_s: float) -> None:
    """Switch to the write-ahead log; several programs that make a book at once get in each other's way."""
    until = time.monotonic() + busy_s
    while True:
        try:
            db.execute("PRAGMA journal_mode = WAL").fetchone()
            return
        except sqlite3.OperationalError as error:
            if not _is_busy(error) or time.monotonic() > until:
                raise
            time.sleep(RETRY_S)


def _migrate(db: sqlite3.Connection, path: Path) -> None:
    db.execute("BEGIN IMMEDIATE")
    try:
        version = db.execute("PRAGMA user_version").fetchone()[0]  # another program may have been quicker
        tables = db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
        if version == 0 and tables:
            raise InputError(
                Finding("this database is no record book", str(path), hint="choose another name")
            )
        for statements in MIGRATIONS[version:]:
            for statement in statements:
                db.execute(statement)
        db.execute(f"PRAGMA user_version = {max(version, len(MIGRATIONS))}")
        db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        db.execute("COMMIT")
    except BaseException:
        db.execute("ROLLBACK")
        raise


def _is_busy(error: sqlite3.Error) -> bool:
    return getattr(error, "sqlite_errorcode", 0) & 0xFF in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)


@contextlib.contextmanager
def _told(path: Path) -> Iterator[None]:
    """SQLite's errors in words."""
    try:
        yield
    except sqlite3.Error as error:
        if _is_busy(error):
            hint = "close it there, or call again"
            raise InputError(Finding("another program keeps the book busy", str(path), hint=hint)) from None
        hint = "nothing was changed; a damaged book is replaced by its last copy"
        raise InputError(Finding(f"the book can't be used: {error}", str(path), hint=hint)) from None
    except OSError as error:
        raise InputError(Finding(f"the book can't be used: {error.strerror or error}", str(path))) from None


def _lesson_id(db: sqlite3.Connection, entry: Entry, now: str) -> int:
    content = entry.digest()
    row = db.execute("SELECT id FROM lesson WHERE digest = ?", (content,)).fetchone()
    if row:
        return int(row[0])
    values = (content, entry.plan, entry.of_class, entry.title, entry.held, entry.seed, entry.pass_pct)
    made = db.execute(
        "INSERT INTO lesson (digest, plan, class, title, held, seed, pass_pct, units, added_utc)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (*values, entry.units, now),
    )
    return int(made.lastrowid or 0)


def _add_group(db: sqlite3.Connection, lesson: int, of_class: str, group: GroupEntry, now: str) -> None:
    db.execute("INSERT OR IGNORE INTO class_group (class, code) VALUES (?, ?)", (of_class, group.code))
    chosen = db.execute("SELECT id FROM class_group WHERE class = ? AND code = ?", (of_class, group.code))
    at = (lesson, int(chosen.fetchone()[0]))
    values = [group.assignment.get(name) for name in ASSIGNED]
    _insert(db, "assignment", ("lesson_id", "group_id", *ASSIGNED), (*at, *values))
    if group.journal is not None:
        packed = zlib.compress(group.journal.encode())
        columns = ("lesson_id", "group_id", "digest", "lines", "added_utc")
        _insert(db, "journal", columns, (*at, digest(group.journal), packed, now))
    answer = None
    if group.answer is not None:
        texts = [group.answer.get(name, "") for name in COLUMNS]
        content = digest(texts)
        named = ("lesson_id", "group_id", "digest", *COLUMNS, "added_utc")
        _insert(db, "answer", named, (*at, content, *texts, now))
        where = "WHERE lesson_id = ? AND group_id = ? AND digest = ?"
        answer = db.execute(f"SELECT id FROM answer {where}", (*at, content)).fetchone()[0]
    if group.marks is not None:
        _add_marks(db, at, answer, group, now)


def _add_marks(
    db: sqlite3.Connection, at: tuple[int, int], answer: int | None, group: GroupEntry, now: str
) -> None:
    marks = group.marks
    assert marks is not None
    content = digest([answer, marks.points, marks.of, [vars(item) for item in marks.items]])
    latest = db.execute(
        "SELECT digest FROM marking WHERE lesson_id = ? AND group_id = ? ORDER BY id DESC LIMIT 1", at
    ).fetchone()
    if latest and latest[0] == content:
        return
    # Marked as once before: that marking is put last again, for the last one stands.
    db.execute("DELETE FROM marking WHERE lesson_id = ? AND group_id = ? AND digest = ?", (*at, content))
    made = db.execute(
        "INSERT INTO marking (id, lesson_id, group_id, answer_id, digest, points, of_points, percent, passed,"
        " marked_utc) VALUES ((SELECT coalesce(max(id), 0) + 1 FROM marking), ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (*at, answer, content, marks.points, marks.of, marks.percent, marks.passed, now),
    )
    rows = [
        (made.lastrowid, i.item, i.points, i.of, i.claimed, i.truth, i.tolerance, i.comment)
        for i in marks.items
    ]
    db.executemany("INSERT INTO item VALUES (?, ?, ?, ?, ?, ?, ?, ?)", rows)


def _insert(db: sqlite3.Connection, table: str, columns: Sequence[str], values: Sequence[Any]) -> None:
    marks = ", ".join("?" * len(columns))
    db.execute(f"INSERT OR IGNORE INTO {table} ({', '.join(columns)}) VALUES ({marks})", values)
