"""How the journal goes on at a power-up: from the newest record that can be read, in whichever file it lies;
and the bounds of its buffer and files, by hand."""

import pytest
from boxcore import journal as jn

from tests.boxcore import fakes
from tests.boxcore.records import held
from tests.boxcore.test_journal import a_journal

FIRST = "r0000000000"
SECOND = "r0000016400"  # behind a first of 820 records, the fewest beyond 16 KB, four blocks of flash
S = 10_000


def full(records=820):
    """The store of a journal with so many records, its first page's among them, ten an append."""
    store = fakes.MemoryStore()
    journal = a_journal(store)
    for k in range(records - 1):
        journal.add(k, jn.EDGE, 0, 0, k)
        if k % 10 == 9:
            journal.flush(k)
    journal.flush(10**6)
    return store


def test_a_file_takes_16_kilobytes_and_what_it_had_begun():
    store = full(1000)
    assert {name: len(data) for name, data in store.files.items()} == {
        FIRST: 821 * 20,  # the append that passed 16 384 bytes stays whole
        "r0000016420": 180 * 20,  # with a page of its own
    }


@pytest.mark.parametrize("torn", [0, 7, 20, 47])
def test_the_sequence_goes_on_from_an_older_file_where_the_newest_holds_nothing_that_can_be_read(torn):
    """A power cut at the first append to a new file; each 20 bytes begun are one record lost."""
    store = full()
    store.files[SECOND] = b"\xff" * torn
    again = a_journal(store, boot=2)
    again.add(1, jn.BOOT, 0, 0, 2)
    again.flush(2)
    sequences = [record["sequence"] for record in held(again)]
    lost = -(-torn // 20)
    assert sequences == [*range(820), *range(820 + lost, 822 + lost)]


@pytest.mark.parametrize(("torn", "begins"), [(0, 0), (1, 120), (19, 120), (20, 120), (21, 140), (40, 140)])
def test_behind_a_torn_end_a_file_begins_at_the_next_whole_record(torn, begins):
    store = full(5)
    store.files[FIRST] += b"\xff" * torn
    again = a_journal(store, boot=2)
    again.add(1, jn.BOOT, 0, 0, 2)
    again.flush(2)
    assert max(store.files) == f"r{begins:010d}"


@pytest.mark.parametrize(("torn", "looked"), [(0, 1), (63, 64), (64, 64), (500, 64)])
def test_sixty_four_records_are_looked_over_and_no_more(torn, looked):
    store = full(100)
    store.files[FIRST] += b"\xff" * (20 * torn)
    reads = []
    read_at = store.read_at

    def watched(name, offset, length):
        reads.append(offset)
        return read_at(name, offset, length)

    store.read_at = watched
    again = a_journal(store, boot=2)
    assert reads == [20 * (100 + torn - 1 - k) for k in range(looked)]
    again.add(1, jn.BOOT, 0, 0, 2)
    again.flush(2)
    assert held(again)[-1]["sequence"] == {0: 100, 63: 164}.get(torn, 1)  # but for a clean end behind a page


def test_edges_leave_room_for_what_matters():
    """Of 256 records edges take at most 224, what matters all but two: for the count of those lost."""
    journal = a_journal()
    for k in range(300):
        journal.add(k, jn.EDGE, 0, 0, k)
    assert journal.end == 224 * 20
    for k in range(300):
        journal.add(k, jn.HALT)
    assert journal.end == 254 * 20


def test_enough_records_are_written_without_waiting_for_the_clock():
    journal = a_journal()
    for k in range(190):
        journal.add(3 * S + k, jn.EDGE)
        assert journal.due == 10 * S
    journal.add(3 * S + 190, jn.EDGE)  # the 192nd, with the page's
    assert journal.due == 3 * S + 190


def test_no_two_appends_within_a_second_whatever_is_due():
    journal = a_journal()
    journal.add(5, jn.TRIP)
    assert journal.due == 5
    journal.flush(10 * S - 10)
    journal.add(10 * S - 5, jn.EDGE)
    assert journal.due == 11 * S - 10  # the clock's ten seconds would be ten ticks behind the last
    journal.add(10 * S, jn.ARM)
    assert journal.due == 11 * S - 10


def test_a_failed_append_is_tried_again_after_ten_seconds():
    store = fakes.MemoryStore()
    journal = a_journal(store)
    journal.add(5, jn.TRIP)
    store.broken = True
    journal.flush(7)
    assert journal.due == 7 + 10 * S
    store.broken = False
    journal.flush(journal.due)
    assert [record["kind"] for record in held(journal)] == ["page", "trip"]
    assert journal.due == jn.LATER


@pytest.mark.parametrize("name", ["r1073676288", "r0000000020"])
def test_an_own_name_up_to_the_last_that_the_link_reads_is_the_journals(name):
    """The last file begins 64 KB below 2^30."""
    store = fakes.MemoryStore({name: b""})
    assert a_journal(store).start == int(name[1:])


@pytest.mark.parametrize("name", ["r1073676289", "r000000002", "r00000000020", "s0000000020", "r00000000x0"])
def test_any_other_name_is_none_of_the_journals(name):
    assert a_journal(fakes.MemoryStore({name: b""})).start == 0


def test_ticks_and_values_at_the_ends_of_their_fields():
    journal = a_journal()
    journal.add((1 << 38) - 1, jn.EDGE, 255, 0xFFFF, 0xFFFFFFFF, 0xFFFF)
    journal.add(1 << 38, jn.EDGE, 0, 0, -1, 70_000)
    journal.add(0, jn.EDGE, 0, 0, 1 << 32, -5)
    last = jn.RECORD_BYTES
    raw = journal.read_at(0, 4 * last)
    assert jn.unpack(raw[:last])[:5] == (jn.PAGE, 0, 0, (1 << 30) - 1, 1)  # of the first power cycle
    fields = [jn.unpack(raw[at : at + last]) for at in range(last, 4 * last, last)]
    assert [row[:7] for row in fields] == [
        (jn.EDGE, 255, 0xFFFF, (1 << 30) - 1, 0xFFFFFFFF, 0xFFFF, 255),
        (jn.EDGE, 0, 0, 0, 0xFFFFFFFF, 0xFFFF, 0),
        (jn.EDGE, 0, 0, 0, 0, 0, 0),
    ]


def test_a_kind_outside_the_table_is_no_record():
    for kind in (0, 23, 255):
        journal = a_journal()
        journal.add(0, kind)
        assert jn.unpack(journal.read_at(20, 20)) is None
    journal = a_journal()
    journal.add(0, 22)
    assert jn.unpack(journal.read_at(20, 20))[0] == jn.TRIM


def test_the_ring_holds_as_many_files_as_it_may_and_the_newest():
    store = fakes.MemoryStore()
    journal = a_journal(store, files=3)
    most = 0
    for k in range(5_000):
        journal.add(k, jn.EDGE, 0, 0, k)
        if k % 10 == 9:
            journal.flush(k)
            most = max(most, len(store.files))
    assert (most, len(store.files)) == (3, 3)
    assert held(journal)[-1]["value"] == 4_999
    assert journal.start == min(int(name[1:]) for name in store.files)
