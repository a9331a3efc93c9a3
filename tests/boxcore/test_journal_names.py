"""Files in the data folder whose names look like the journal's: none may take the journal out of reach."""

import pytest
from boxcore import journal as jn
from boxcore.commands_box import MAX_OFFSET

from tests.boxcore import fakes
from tests.boxcore.records import held


@pytest.mark.parametrize(
    "name", ["r9999999999", "r1073741824", "r12345", "r00000000001", "r-000000001", "rabcdefghij"]
)
def test_a_strangers_name_does_not_move_the_journal(name):
    store = fakes.MemoryStore({name: b"x" * 5_000})
    journal = jn.Journal(store)
    assert not journal.open(1)
    journal.add(5, jn.ARM, 3)
    journal.flush(5)
    assert journal.end <= 100 < MAX_OFFSET
    assert [record["kind"] for record in held(journal)] == ["page", "arm"]
    assert store.files[name] == b"x" * 5_000
