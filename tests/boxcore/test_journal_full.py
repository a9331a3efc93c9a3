"""A journal that nobody empties: what matters is kept as far as there is room, and all else is counted."""

import pytest
from boxcore import journal as jn
from nightdraw import journals

from tests.boxcore.records import held
from tests.boxcore.test_journal import a_journal


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
