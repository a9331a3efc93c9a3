"""The tables of the record book, version by version, and the one way from an older version to this one.

A book is kept for years: what stands here is never changed, a new version is a new row of MIGRATIONS. The
comments are part of the statements, so that the file itself explains its tables to whoever opens it.
"""

from __future__ import annotations

APPLICATION_ID = 0x4E446277  # "NDbw" in the file's head says whose it is
PURGE = "purge"  # the upkeep task: bytes of erased groups may still lie in the file

_FIRST = (
    """CREATE TABLE lesson (
  id INTEGER PRIMARY KEY,
  digest TEXT NOT NULL UNIQUE,  -- SHA-256 over the plan's assignments: one plan is one lesson
  plan TEXT NOT NULL,
  class TEXT NOT NULL,
  title TEXT NOT NULL,
  held TEXT,                    -- when by the class file, NULL where it doesn't say
  seed INTEGER NOT NULL,
  pass_pct REAL NOT NULL,
  units TEXT NOT NULL,          -- what a slip of a thousand or sixty gets: half, none, full
  added_utc TEXT NOT NULL       -- ISO 8601
) STRICT""",
    """CREATE TABLE class_group (
  id INTEGER PRIMARY KEY,
  class TEXT NOT NULL,
  code TEXT NOT NULL,           -- a code, no name: who is behind it is the school's own list
  UNIQUE (class, code)
) STRICT""",
    """CREATE TABLE assignment (
  lesson_id INTEGER NOT NULL REFERENCES lesson ON DELETE CASCADE,
  group_id INTEGER NOT NULL REFERENCES class_group ON DELETE CASCADE,
  vehicle TEXT NOT NULL, splice TEXT NOT NULL, fuse TEXT NOT NULL,
  box TEXT NOT NULL, slot INTEGER NOT NULL,
  profile TEXT NOT NULL, seed INTEGER NOT NULL, kit TEXT NOT NULL,
  expected_s REAL, p95_s REAL, difficulty REAL,
  PRIMARY KEY (lesson_id, group_id)
) STRICT""",
    """CREATE TABLE journal (
  id INTEGER PRIMARY KEY,
  lesson_id INTEGER NOT NULL REFERENCES lesson ON DELETE CASCADE,
  group_id INTEGER NOT NULL REFERENCES class_group ON DELETE CASCADE,
  digest TEXT NOT NULL,         -- SHA-256 of the lines
  lines BLOB NOT NULL,          -- the journal file (JSON lines), compressed by zlib
  added_utc TEXT NOT NULL,
  UNIQUE (lesson_id, group_id, digest)
) STRICT""",
    """CREATE TABLE answer (
  id INTEGER PRIMARY KEY,
  lesson_id INTEGER NOT NULL REFERENCES lesson ON DELETE CASCADE,
  group_id INTEGER NOT NULL REFERENCES class_group ON DELETE CASCADE,
  digest TEXT NOT NULL,
  circuit TEXT NOT NULL, kind TEXT NOT NULL, current TEXT NOT NULL,  -- as handed in; empty: no answer
  duration TEXT NOT NULL, interval TEXT NOT NULL, evidence TEXT NOT NULL,
  added_utc TEXT NOT NULL,
  UNIQUE (lesson_id, group_id, digest)
) STRICT""",
    """CREATE TABLE marking (
  id INTEGER PRIMARY KEY,       -- the highest of a lesson and group is the one that stands
  lesson_id INTEGER NOT NULL REFERENCES lesson ON DELETE CASCADE,
  group_id INTEGER NOT NULL REFERENCES class_group ON DELETE CASCADE,
  answer_id INTEGER REFERENCES answer ON DELETE CASCADE,
  digest TEXT NOT NULL,
  points REAL NOT NULL, of_points REAL NOT NULL,
  percent REAL,                 -- NULL where there was nothing to be marked
  passed INTEGER,               -- 1, 0 or NULL
  marked_utc TEXT NOT NULL,
  UNIQUE (lesson_id, group_id, digest)
) STRICT""",
    """CREATE TABLE item (
  marking_id INTEGER NOT NULL REFERENCES marking ON DELETE CASCADE,
  item TEXT NOT NULL,
  points REAL NOT NULL, of_points REAL NOT NULL,
  claimed TEXT NOT NULL, truth TEXT NOT NULL, tolerance TEXT NOT NULL, comment TEXT NOT NULL,
  PRIMARY KEY (marking_id, item)
) STRICT""",
    "CREATE TABLE upkeep (task TEXT PRIMARY KEY) STRICT -- what is to be done before the book is in order",
    "CREATE INDEX assignment_group ON assignment (group_id)",
    "CREATE INDEX journal_group ON journal (group_id)",
    "CREATE INDEX answer_group ON answer (group_id)",
    "CREATE INDEX marking_group ON marking (group_id)",
    "CREATE INDEX marking_answer ON marking (answer_id)",
)

# MIGRATIONS[n] brings a book of version n (PRAGMA user_version, 0: empty) to n + 1.
MIGRATIONS: tuple[tuple[str, ...], ...] = (_FIRST,)
TABLES = ("lesson", "class_group", "assignment", "journal", "answer", "marking", "item")
