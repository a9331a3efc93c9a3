"""The record book: whole after any kill, shared by many programs, exported whole, erased to the last byte."""

from __future__ import annotations

import csv
import os
import random
import signal
import sqlite3
import subprocess
import sys
import zlib
from pathlib import Path

import pytest
from nightdraw.errors import InputError
from nightdraw.lesson import book as bk
from nightdraw.lesson import bookexport, bookschema, entries

from tests.lesson import made_entries as made

CODES = ("first-group-code", "second-group-code", "third-group-code")
POSIX = pytest.mark.skipif(sys.platform == "win32", reason="needs fork and file size limits")


def test_a_lesson_comes_back_and_the_same_twice_changes_nothing(tmp_path, seed):
    entry = made.entry(random.Random(seed), CODES)
    with bk.open_book(tmp_path / "book.db", create=True) as book:
        book.add(entry)
        before = [tuple(row) for row in book._db.iterdump()]
        book.add(entries.read(entry.document()))
        assert [tuple(row) for row in book._db.iterdump()] == before
        assert book.counts() == {"lessons": 1, "groups": 3, "marks": 3}
        assert book.lessons()[0]["plan"] == entry.plan


def test_new_marks_stand_and_old_ones_stay_readable(tmp_path, seed):
    rng = random.Random(seed)
    entry = made.entry(rng, CODES[:1])
    group = entry.groups[0]
    better = entries.Marks(12.0, 12.0, 100.0, True, group.marks.items)
    with bk.open_book(tmp_path / "book.db", create=True) as book:
        for marks in (group.marks, better, group.marks):
            changed = entries.GroupEntry(group.code, group.assignment, group.answer, group.journal, marks)
            book.add(entries.Entry(**{**vars(entry), "groups": (changed,)}))
        assert book.counts()["marks"] == 1
        found = book._db.execute("SELECT points FROM marking ORDER BY id").fetchall()
        assert found == [(12.0,), (6.0,)]


def test_what_is_no_book_is_refused_and_left_alone(tmp_path):
    cases = {"text": b"not a database at all, but long enough to be one" * 9, "short": b"x"}
    for name, content in cases.items():
        (tmp_path / name).write_bytes(content)
        with pytest.raises(InputError, match="no record book"), bk.open_book(tmp_path / name, create=True):
            pass
        assert (tmp_path / name).read_bytes() == content
    other = sqlite3.connect(tmp_path / "other")
    other.execute("CREATE TABLE stranger (a)")
    other.commit()
    other.close()
    with pytest.raises(InputError, match="no record book"), bk.open_book(tmp_path / "other", create=True):
        pass
    with pytest.raises(InputError, match="no such book"), bk.open_book(tmp_path / "none"):
        pass
    (tmp_path / "link").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(InputError, match="link"), bk.open_book(tmp_path / "link", create=True):
        pass


def test_a_damaged_book_is_told_in_words(tmp_path, seed):
    path = tmp_path / "book.db"
    with bk.open_book(path, create=True) as book:
        book.add(made.entry(random.Random(seed), CODES))
    content = bytearray(path.read_bytes())
    content[4096:] = os.urandom(len(content) - 4096)
    path.write_bytes(content)
    with pytest.raises(InputError, match="can't be used"), bk.open_book(path) as book:
        book.lessons()


def test_versions_go_up_step_by_step_and_never_down(tmp_path, seed, monkeypatch):
    path = tmp_path / "book.db"
    entry = made.entry(random.Random(seed), CODES)
    with bk.open_book(path, create=True) as book:
        book.add(entry)
        assert book._db.execute("PRAGMA user_version").fetchone() == (len(bookschema.MIGRATIONS),)
    later = (*bookschema.MIGRATIONS, ("ALTER TABLE lesson ADD COLUMN place TEXT",))
    monkeypatch.setattr(bk, "MIGRATIONS", later)
    with bk.open_book(path) as book:
        assert book._db.execute("SELECT place, plan FROM lesson").fetchall() == [(None, entry.plan)]
        assert book._db.execute("PRAGMA user_version").fetchone() == (len(later),)
    monkeypatch.setattr(bk, "MIGRATIONS", later[:-1])
    with pytest.raises(InputError, match="later Nightdraw"), bk.open_book(path):
        pass


def test_a_migration_that_fails_leaves_the_old_version(tmp_path, monkeypatch):
    path = tmp_path / "book.db"
    with bk.open_book(path, create=True):
        pass
    broken = (*bookschema.MIGRATIONS, ("CREATE TABLE half (a)", "this is no SQL"))
    monkeypatch.setattr(bk, "MIGRATIONS", broken)
    with pytest.raises(InputError, match="can't be used"), bk.open_book(path):
        pass
    monkeypatch.setattr(bk, "MIGRATIONS", broken[:-1])
    with bk.open_book(path) as book:
        assert not book._db.execute("SELECT * FROM sqlite_master WHERE name = 'half'").fetchall()


def test_every_table_and_column_is_exported_and_no_cell_is_a_formula(tmp_path, seed):
    entry = made.entry(random.Random(seed), CODES)
    steering = {**entry.groups[0].answer, "circuit": "=1+1", "kind": "@sum", "current": "-2 A\x1b[2J"}
    first = entries.GroupEntry(**{**vars(entry.groups[0]), "answer": steering})
    entry = entries.Entry(**{**vars(entry), "groups": (first, *entry.groups[1:])})
    with bk.open_book(tmp_path / "book.db", create=True) as book:
        book.add(entry)
        bookexport.export(book, tmp_path / "out")
        for name in bookschema.TABLES:
            with (tmp_path / "out" / f"{name}.csv").open(newline="", encoding="utf-8") as stream:
                rows = list(csv.reader(stream))
            columns = [row[1] for row in book._db.execute(f"PRAGMA table_info({name})")]
            assert rows[0] == [column for column in columns if column != "lines"]
            assert len(rows) - 1 == book._db.execute(f"SELECT count(*) FROM {name}").fetchone()[0]
            assert not any(value[:1] in tuple("=+-@\t\r") for row in rows[1:] for value in row if value)
    journals = sorted((tmp_path / "out" / "journals").iterdir())
    assert {path.read_text() for path in journals} == {group.journal for group in entry.groups}
    with (tmp_path / "out" / "answer.csv").open(newline="", encoding="utf-8") as stream:
        assert next(csv.DictReader(stream))["current"] == "'-2 A\\x1b[2J"


def bytes_on_disk(path: Path) -> bytes:
    """The book's file, and whatever lies beside it."""
    return b"".join(one.read_bytes() for one in sorted(path.parent.glob(f"{path.name}*")))


def test_an_erased_group_is_gone_from_every_byte(tmp_path, seed):
    rng = random.Random(seed)
    path = tmp_path / "book.db"
    lessons = [made.entry(rng, CODES, lines=rng.randrange(2000)) for _ in range(5)]
    gone, kept = CODES[1], (CODES[0], CODES[2])
    with bk.open_book(path, create=True) as book:
        for entry in lessons:
            book.add(entry)
        erased = set().union(*(made.texts(g) for e in lessons for g in e.groups if g.code == gone))
        stays = set().union(*(made.texts(g) for e in lessons for g in e.groups if g.code in kept))
        packed = [zlib.compress(g.journal.encode())[:24] for e in lessons for g in e.groups if g.code == gone]
        before = bytes_on_disk(path)
        assert all(text.encode() in before for text in erased | stays)
        assert all(start in before for start in packed)
        assert book.erase(gone) == 1
        after = bytes_on_disk(path)
        assert not [text for text in erased if text.encode() in after]
        assert not [start for start in packed if start in after]
        assert all(text.encode() in after for text in stays)
        assert book.counts() == {"lessons": 5, "groups": 2, "marks": 10}
        with pytest.raises(InputError, match="no group"):
            book.erase(gone)


def test_a_group_of_one_class_leaves_the_namesake_of_another(tmp_path, seed):
    rng = random.Random(seed)
    with bk.open_book(tmp_path / "book.db", create=True) as book:
        book.add(made.entry(rng, CODES[:1], "morning"))
        book.add(made.entry(rng, CODES[:1], "evening"))
        assert book.erase(CODES[0], "morning") == 1
        assert book.counts() == {"lessons": 1, "groups": 1, "marks": 1}


def test_erasing_beside_a_reader_is_told_and_done_by_the_next_call(tmp_path, seed):
    path = tmp_path / "book.db"
    entry = made.entry(random.Random(seed), CODES)
    with bk.open_book(path, create=True, busy_s=0.05) as book:
        book.add(entry)
        with bk.open_book(path) as other, other.reading() as db:
            db.execute("SELECT * FROM item").fetchone()
            with pytest.raises(bk.HeldError, match="call --erase again"):
                book.erase(CODES[0])
            assert book.counts()["groups"] == 2
        assert book.erase(CODES[0]) == 0
        assert not [text for text in made.texts(entry.groups[0]) if text.encode() in bytes_on_disk(path)]


def dies_at(path: Path, work, arrange) -> bool:
    """Whether a child that does `work` on the book was killed by what `arrange` set up."""
    child = os.fork()
    if not child:
        try:
            signal.signal(signal.SIGXFSZ, signal.SIG_DFL)
            arrange(work)
            os._exit(0)
        except BaseException:
            os._exit(1)
    _, status = os.waitpid(child, 0)
    return not os.WIFEXITED(status)


def state(path: Path) -> tuple[int, ...]:
    """Counts of a book that is in order."""
    with bk.open_book(path, create=True) as book:
        assert book._db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert not book._db.execute("PRAGMA foreign_key_check").fetchall()
        return tuple(book.counts().values())


@POSIX
def test_a_kill_at_any_step_leaves_all_of_a_lesson_or_nothing(tmp_path, seed):
    """Killed between two steps of SQLite's own machine, all over the work, while the book is made too."""
    rng = random.Random(seed)
    entry = made.entry(rng, CODES, lines=400)
    seen, killed = set(), 0
    for k in range(46):
        path = tmp_path / f"{k}.db"
        left = int(1.25**k)  # dense at first, where the book is made

        def arrange(work, left=left, path=path):
            counted = iter(range(left))

            def step() -> int:
                if next(counted, None) is None:
                    os.kill(os.getpid(), signal.SIGKILL)
                return 0

            connect = sqlite3.connect

            def watched(*args, **keywords):
                db = connect(*args, **keywords)
                db.set_progress_handler(step, 1)
                return db

            sqlite3.connect = watched
            work(path)

        def work(path):
            with bk.open_book(path, create=True) as book:
                book.add(entry)

        killed += dies_at(path, work, arrange)
        seen.add(state(path))
    assert seen == {(0, 0, 0), (1, 3, 3)}
    assert killed > 20


@POSIX
def test_a_write_that_is_cut_at_any_byte_leaves_all_of_a_lesson_or_nothing(tmp_path, seed):
    """The system kills the process inside the write that would take a file beyond a limit: torn writes."""
    import resource

    rng = random.Random(seed)
    first, second = (made.entry(rng, CODES, lines=600) for _ in range(2))
    seen, killed = set(), 0
    for _ in range(30):
        path = tmp_path / f"{killed}-{rng.randrange(2**60)}.db"
        with bk.open_book(path, create=True) as book:
            book.add(first)
        limit = rng.randrange(33_000, 300_000)  # above SQLite's shared-memory file, which is one write

        def arrange(work, limit=limit, path=path):
            resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
            work(path)

        def work(path):
            with bk.open_book(path) as book:
                book.add(second)

        killed += dies_at(path, work, arrange)
        seen.add(state(path))
    assert seen <= {(1, 3, 3), (2, 3, 6)}
    assert killed > 3


@POSIX
def test_a_kill_while_erasing_leaves_a_book_that_the_next_call_cleans(tmp_path, seed):
    import shutil

    rng = random.Random(seed)
    entry = made.entry(rng, CODES, lines=200)
    source = tmp_path / "whole.db"
    with bk.open_book(source, create=True) as book:
        book.add(entry)
    gone = made.texts(entry.groups[0])
    for k in range(30):
        path = tmp_path / f"{k}.db"
        shutil.copy(source, path)
        left = 1 + int(1.35**k)

        def arrange(work, left=left, path=path):
            with bk.open_book(path) as book:
                counted = iter(range(left))

                def step() -> int:
                    if next(counted, None) is None:
                        os.kill(os.getpid(), signal.SIGKILL)
                    return 0

                book._db.set_progress_handler(step, 1)
                book.erase(CODES[0])

        killed = dies_at(path, None, arrange)
        assert state(path) in {(1, 3, 3), (1, 2, 2)}
        if killed:
            with bk.open_book(path) as book:
                done = book._db.execute("SELECT count(*) FROM class_group").fetchone() == (2,)
                due = book._db.execute("SELECT count(*) FROM upkeep").fetchone() == (1,)
                if not done or due:
                    book.erase(CODES[0])
        assert not [text for text in gone if text.encode() in bytes_on_disk(path)]


WRITER = """
import random, sys
from pathlib import Path
from nightdraw.lesson import book
from tests.lesson import made_entries as made
rng = random.Random(sys.argv[2])
for _ in range(int(sys.argv[3])):
    with book.open_book(Path(sys.argv[1]), create=True) as opened:
        opened.add(made.entry(rng, ("one-code", "two-code"), lines=3))
        opened.counts()
"""


def test_ten_programs_make_and_fill_one_book_at_once(tmp_path, seed):
    top = Path(__file__).resolve().parents[2]
    path = tmp_path / "book.db"
    words = [sys.executable, "-c", WRITER, str(path)]
    running = [
        subprocess.Popen([*words, f"{seed} {k}", "4"], cwd=top, stderr=subprocess.PIPE) for k in range(10)
    ]
    errors = [process.communicate()[1] for process in running]
    assert [process.returncode for process in running] == [0] * 10, errors
    assert state(path) == (40, 2, 80)
