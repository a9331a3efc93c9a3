"""A journal that nobody empties: what matters is kept as far as there is room, and all else is counted."""

import pytest
from boxcore import journal as jn
from hypothesis import example, given
from hypothesis import strategies as some
from nightdraw import journals

from tests.boxcore import borders
from tests.boxcore.records import held
from tests.boxcore.test_journal import KINDS, a_journal

BURST = some.sampled_from([0, jn.BUFFER_RECORDS]) | some.integers(0, 400)
# records of other kinds behind a burst: up to where a lost record and one more just fit
AGAIN = some.sampled_from(
    [1, 1, *[jn.RESERVED_RECORDS - 4] * 3, jn.RESERVED_RECORDS - 3, jn.RESERVED_RECORDS]
)
FLUSHED = some.sampled_from([False, False, False, True])


@pytest.mark.parametrize("kind", jn.URGENT)
def test_what_matters_takes_no_more_than_the_buffer_either(kind):
    journal = a_journal()
    count = 3 * jn.BUFFER_RECORDS
    for k in range(count):
        journal.add(k, kind)
    journal.flush(count)
    journal.add(count, jn.CLOCK)  # tells what was lost
    records = held(journal)
    lost = sum(record["records"] for record in records if record["kind"] == "lost")
    kept = sum(record["kind"] == journals.KINDS[kind][0] for record in records)
    assert kept <= jn.BUFFER_RECORDS
    assert kept + lost == count


def test_every_record_is_held_or_counted():
    """Bursts of edges are steered to a buffer that has room for a few records more."""
    met = borders.Borders("room for one", "room for two", "room for three")

    # one that gets to each border: a record lost and one more where three just fit, and again when full
    @example([(jn.TRIP, False, jn.BUFFER_RECORDS, jn.RESERVED_RECORDS - 4)] + [(jn.TRIP, False, 1, 3)] * 3)
    @given(some.lists(some.tuples(KINDS, FLUSHED, BURST, AGAIN), max_size=100))
    def held_or_counted(steps):
        journal = a_journal(files=1_000)
        now = added = 0
        for kind, flush, burst, again in steps:
            for _ in range(burst):
                now += 1
                journal.add(now, jn.EDGE)
            for _ in range(again):
                now += 1
                for room, name in enumerate(met.counts, start=1):
                    met.met(name, journal._count == jn.BUFFER_RECORDS - room)
                journal.add(now, kind if kind not in (jn.LOST, jn.PAGE) else jn.CLOCK)
            added += burst + again
            if flush:
                journal.flush(now)
        journal.flush(now)
        journal.add(now, jn.CLOCK)
        records = held(journal)
        lost = sum(record["records"] for record in records if record["kind"] == "lost")
        own = sum(record["kind"] in ("lost", "page") for record in records)
        assert len(records) - own + lost == added + 1

    held_or_counted()
    met.enough(1)
