"""The journal: every record readable or known as torn, a bounded ring, and nothing dropped in silence."""

import binascii
import struct
from random import Random

import pytest
from boxcore import journal as jn
from boxcore.states import BoxError
from hypothesis import given
from hypothesis import strategies as some
from nightdraw import journals
from nightdraw.link import records as counted

from tests.boxcore import fakes
from tests.boxcore.records import held, pack

KINDS = some.sampled_from(sorted(journals.KINDS))


def a_journal(store=None, boot=1, files=jn.FILES):
    store = store or fakes.MemoryStore()
    journal = jn.Journal(store, files)
    journal.open(boot)
    return journal


def test_the_check_is_the_published_crc_16():
    # CRC-16/IBM-3740 in the CRC catalogue (polynomial 1021, from FFFF): "123456789" gives 29B1 (from memory),
    # and binascii.crc_hqx is the same polynomial from any start.
    assert jn.check_word(b"123456789") == 0x29B1
    for data in (b"", b"a", bytes(range(256))):
        assert jn.check_word(data) == binascii.crc_hqx(data, 0xFFFF)


@given(KINDS, some.integers(0, 255), some.integers(0, 65_535), some.integers(0, 2**38 - 1),
       some.integers(0, 2**32 - 1), some.integers(0, 65_535))  # fmt: skip
def test_what_goes_in_comes_out(kind, arg, pattern, tick, value, supply_mv):
    raw = pack(kind, arg, pattern, tick, value, supply_mv)
    assert len(raw) == jn.RECORD_BYTES
    block = tick >> 30
    first = pack(jn.BOOT, 0, 0, block << 30, 77, 0) if kind not in (jn.BOOT, jn.PAGE) else b""
    record = journals.decode(first + raw)[-1]
    expected = {"arg": arg, "pattern": pattern, "tick": tick, "value": value, "supply_mv": supply_mv}
    assert {name: record[name] for name in expected} == expected
    assert record["kind"] == journals.KINDS[kind][0]
    assert record["boot"] == (value if kind in (jn.BOOT, jn.PAGE) else 77)


def test_every_change_within_two_bytes_side_by_side_is_noticed(seed):
    raw = pack(jn.EDGE, 3, 317, 123_456, 390_555, 12_600, 77)
    rng = Random(seed)
    for at in range(jn.RECORD_BYTES - 1):
        for change in (*range(1, 256), *(rng.randrange(256, 65_536) for _ in range(300))):
            bad = bytearray(raw)
            bad[at] ^= change & 0xFF
            bad[at + 1] ^= change >> 8
            assert journals.decode(bad) == []


def test_what_is_missing_is_known_by_the_sequence():
    data = b"".join(pack(jn.EDGE, 0, 0, k, k, 0, 65_530 + k) for k in range(20))
    records = journals.decode(data)
    assert [record["sequence"] for record in records] == [65_530 + k & 0xFFFF for k in range(20)]
    assert counted.missing(records) == 0
    assert counted.missing(records[:3] + records[7:]) == 4
    assert counted.missing(records[:9] + records[5:]) == 0  # written twice: a step back is no loss


@pytest.mark.campaign
def test_torn_records_pass_as_rarely_as_is_said(seed):
    """A record written over what was there: its first bytes, then blank, zeroed, an older record's, or noise.

    Of 400,000 of each some 6 may pass the check alone (1 in 65,536); at 16 or more that is off by four
    standard deviations. Noise must also have kind and format right: none passes in as many."""
    rng = Random(seed)
    passed = dict.fromkeys(("blank", "zeroed", "older", "noise"), 0)
    for k in range(400_000):
        new, old = (
            pack(
                rng.choice(list(journals.KINDS)),
                rng.randrange(256),
                rng.randrange(65_536),
                rng.getrandbits(32),
                rng.getrandbits(32),
                12_600,
                k + turn,
            )
            for turn in (0, 40_000)
        )
        at = rng.randrange(1, jn.RECORD_BYTES)
        rests = {"blank": b"\xff" * 20, "zeroed": bytes(20), "older": old, "noise": rng.randbytes(20)}
        for name, rest in rests.items():
            torn = (new[:at] if name != "noise" else b"") + rest[at if name != "noise" else 0 :]
            whole = torn in (
                new,
                old,
            )  # torn where both say the same: the older record stands, by its sequence
            passed[name] += not whole and jn.unpack(torn) is not None
    assert max(passed.values()) < 16, passed
    assert passed["noise"] == 0


def test_blank_and_zeroed_flash_hold_no_records():
    assert journals.decode(b"\xff" * 64) == journals.decode(bytes(64)) == []


def test_ticks_go_on_where_the_block_byte_wraps():
    ticks = [k << 28 for k in range(0, 5_000, 3)]
    data = pack(jn.BOOT, 0, 0, 0, 1, 0) + b"".join(pack(jn.EDGE, 0, 0, tick, 1, 0) for tick in ticks)
    assert [record["tick"] for record in journals.decode(data)[1:]] == ticks
    # edges reach the journal when they are settled, other records at once: a record may step back a little
    data = b"".join(pack(jn.EDGE, 0, 0, tick, 1, 0) for tick in (1 << 30, (1 << 30) - 5, (1 << 30) + 5))
    found = [record["tick"] for record in journals.decode(pack(jn.BOOT, 0, 0, 0, 1, 0) + data)]
    assert found == [0, 1 << 30, (1 << 30) - 5, (1 << 30) + 5]


def test_faults_and_requesters_are_words():
    record = journals.decode(pack(jn.TRIP, 3, 0, 1, 9_100, 12_600))[0]
    assert (record["fault"], record["reading"]) == ("bank-hot", 9_100)
    assert journals.decode(pack(jn.ARM, 4, 2, 1, 7, 0))[0]["by"] == "panel"
    assert journals.decode(pack(jn.DAMAGE, 2, 0, 1, 7, 0))[0]["part"] == "slot"


def test_values_out_of_a_fields_range_never_raise():
    journal = a_journal()
    journal.add(1, jn.TRIP, 5, 0, -5_500, -3)
    journal.add(1, jn.HOLD, 2, 0, 2**40, 10**6)
    assert [record["supply_mv"] for record in held(journal)] == [0, 0, 65_535]


def test_records_wait_in_memory_and_are_read_from_there():
    store = fakes.MemoryStore()
    journal = a_journal(store)
    journal.add(7, jn.EDGE, 0, 5, 40_000, 12_600)
    assert store.files == {}
    assert journal.due == jn.FLUSH_TICKS
    before = journals.whole(journal)
    journal.flush(journal.due)
    assert journal.due == jn.LATER
    assert journals.whole(journal) == before == store.files["r0000000000"]
    assert [record["kind"] for record in journals.decode(before)] == ["page", "edge"]


def test_what_matters_is_due_at_once_but_never_two_appends_within_a_second():
    journal = a_journal()
    journal.add(100, jn.EDGE)
    journal.add(200, jn.TRIP, 3)
    assert journal.due == 200
    journal.flush(200)
    journal.add(300, jn.HALT)
    assert journal.due == 200 + jn.FLUSH_GAP_TICKS
    for k in range(jn.FLUSH_RECORDS):
        journal.add(400 + k, jn.EDGE)
    assert journal.due <= max(200 + jn.FLUSH_GAP_TICKS, 400 + jn.FLUSH_RECORDS)


def test_edges_that_find_no_room_are_counted_and_what_matters_finds_room():
    store = fakes.MemoryStore()
    journal = a_journal(store)
    for k in range(1_000):
        journal.add(k, jn.EDGE, 0, 0, k)
    journal.add(1_001, jn.TRIP, 3)
    journal.flush(1_002)
    records = held(journal)
    edges = [record["value"] for record in records if record["kind"] == "edge"]
    lost = [record["records"] for record in records if record["kind"] == "lost"]
    assert edges == list(range(len(edges)))
    assert lost == [1_000 - len(edges)]
    assert records[-1]["kind"] == "trip"


def test_the_ring_is_bounded_and_drops_the_oldest():
    store = fakes.MemoryStore()
    journal = a_journal(store, boot=9, files=4)
    for k in range(20_000):
        journal.add(k, jn.EDGE, 0, 0, k)
        if journal._count >= 150:
            journal.flush(k)
    journal.flush(20_000)
    assert len(store.files) <= 4
    assert sum(len(data) for data in store.files.values()) <= 4 * (jn.FILE_BYTES + 151 * jn.RECORD_BYTES)
    records = held(journal)
    assert records[0]["kind"] == "page"  # every file says which boot it goes on with
    assert {record["boot"] for record in records} == {9}
    edges = [record["value"] for record in records if record["kind"] == "edge"]
    assert edges == list(range(20_000 - len(edges), 20_000))
    assert journal.end - journal.start == len(records) * jn.RECORD_BYTES
    with pytest.raises(BoxError, match="holds"):
        journal.read_at(journal.start - 1, 16)
    with pytest.raises(BoxError, match="holds"):
        journal.read_at(journal.end + 1, 16)


@given(some.integers(0, 700), some.integers(0, 100), some.data())
def test_any_piece_of_the_view_is_that_piece_of_the_whole(flushed, waiting, data):
    store = fakes.MemoryStore()
    journal = a_journal(store, files=4)
    for k in range(flushed * 10):
        journal.add(k, jn.EDGE, 0, 0, k)
        if k % 190 == 189:
            journal.flush(k)
    journal.flush(flushed * 10)
    for k in range(waiting):
        journal.add(10**6 + k, jn.EDGE)
    whole = journals.whole(journal)
    assert len(whole) == journal.end - journal.start
    offset = data.draw(some.integers(0, len(whole)))
    length = data.draw(some.integers(0, 300))
    piece = journal.read_at(journal.start + offset, length)
    assert piece == whole[offset : offset + len(piece)]
    assert len(piece) > 0 or length == 0 or offset == len(whole)


@pytest.mark.parametrize("kept", range(101))
def test_a_torn_append_costs_only_what_was_torn(kept):
    store = fakes.MemoryStore()
    journal = a_journal(store)
    journal.add(1, jn.BOOT, 0, 0, 1)
    journal.flush(1)
    journal.add(2, jn.EDGE, 0, 1)
    for k in range(4):
        journal.add(3 + k, jn.EDGE, 0, k)
    whole = dict(store.files)
    journal.flush(9)
    name = "r0000000000"
    store.files[name] = store.files[name][: len(whole[name]) + kept]
    again = a_journal(store, boot=2)
    again.add(1, jn.BOOT, 0, 0, 2)
    again.flush(10)
    records = held(again)
    assert [record["kind"] for record in records if record["boot"] == 1] == ["page", "boot"] + ["edge"] * (
        kept // jn.RECORD_BYTES
    )
    assert [record["kind"] for record in records if record["kind"] == "boot" and record["boot"] == 2] == [
        "boot"
    ]
    assert again.start % jn.RECORD_BYTES == again.end % jn.RECORD_BYTES == 0


def test_a_garbled_end_is_left_behind_too():
    store = fakes.MemoryStore()
    journal = a_journal(store)
    journal.add(1, jn.BOOT, 0, 0, 1)
    journal.flush(1)
    store.files["r0000000000"] += struct.pack("<IIIII", 1, 2, 3, 4, 5)
    again = a_journal(store, boot=2)
    again.add(1, jn.BOOT, 0, 0, 2)
    again.flush(2)
    assert [record["boot"] for record in held(again)] == [1, 1, 2, 2]
    assert len(store.files) == 2


def test_records_wait_while_the_store_fails_and_what_finds_no_room_is_counted():
    store = fakes.MemoryStore()
    journal = a_journal(store)
    store.broken = True
    for k in range(400):
        journal.add(k, jn.EDGE, 0, 0, k)
        if k % 100 == 0:
            journal.flush(k)
    assert journal.due == 300 + jn.FLUSH_TICKS  # tried again
    store.broken = False
    journal.flush(500)
    journal.add(501, jn.EDGE, 0, 0, 400)
    journal.flush(502)
    records = held(journal)
    edges = [record["value"] for record in records if record["kind"] == "edge"]
    (lost,) = [record["records"] for record in records if record["kind"] == "lost"]
    assert edges == [*range(400 - lost), 400]


@pytest.mark.parametrize("kept", [0, 5, 20, 50])
def test_an_append_that_failed_half_way_neither_garbles_nor_loses(kept):
    store = fakes.MemoryStore()
    journal = a_journal(store)
    for k in range(3):
        journal.add(k, jn.EDGE, 0, 0, k)

    def half(name, data):
        store.files[name] = bytes(data)[:kept]
        raise OSError(28)

    store.append = half
    journal.flush(5)
    del store.append
    journal.add(6, jn.EDGE, 0, 0, 3)
    journal.flush(journal.due)
    again = a_journal(store, boot=2)
    values = [record["value"] for record in held(again) if record["kind"] == "edge"]
    assert values[-4:] == [0, 1, 2, 3]
    assert journals.whole(journal) == journals.whole(again)


def test_a_store_that_cannot_be_read_at_boot_is_found_later():
    store = fakes.MemoryStore()
    journal = a_journal(store)
    journal.add(1, jn.EDGE, 0, 0, 1)
    journal.flush(1)
    names, store.names = store.names, None
    store.names = lambda: fail()
    journal = jn.Journal(store)
    assert journal.open(2) is True
    journal.add(2, jn.EDGE, 0, 0, 2)
    journal.flush(3)
    assert [record["value"] for record in held(journal) if record["kind"] == "edge"] == [2]
    store.names = names
    journal.flush(4)
    assert [record["value"] for record in held(journal) if record["kind"] == "edge"] == [1, 2]


def fail():
    raise OSError(5)


def test_a_clean_journal_goes_on_in_its_newest_file():
    store = fakes.MemoryStore()
    for boot in range(1, 6):
        journal = a_journal(store, boot)
        journal.add(1, jn.BOOT, 0, 0, boot)
        journal.flush(1)
    assert list(store.files) == ["r0000000000"]
    assert [record["boot"] for record in held(journal)] == [1, 1, 2, 3, 4, 5]


def test_writes_come_at_whole_ten_seconds_whenever_the_first_record_came():
    """A write's instant must not tell when an edge was."""
    for tick in (1, 99_999, 100_000, 123_456):
        journal = a_journal()
        journal.add(tick, jn.EDGE)
        assert journal.due == tick // jn.FLUSH_TICKS * jn.FLUSH_TICKS + jn.FLUSH_TICKS


@pytest.mark.parametrize("kept", range(0, 101, 7))
def test_records_that_a_power_cut_tore_are_counted_by_the_sequence(kept):
    store = fakes.MemoryStore()
    journal = a_journal(store)
    for k in range(3):
        journal.add(k, jn.EDGE)
    journal.flush(5)
    whole = len(store.files["r0000000000"])
    for k in range(5):
        journal.add(10 + k, jn.EDGE)
    journal.flush(20)
    store.files["r0000000000"] = store.files["r0000000000"][: whole + kept]
    again = a_journal(store, boot=2)
    again.add(1, jn.BOOT, 0, 0, 2)
    again.flush(2)
    assert counted.missing(held(again)) == (kept % jn.RECORD_BYTES > 0)


def test_records_that_waited_for_the_store_count_on_from_what_it_holds():
    store = fakes.MemoryStore()
    journal = a_journal(store)
    for k in range(5):
        journal.add(k, jn.EDGE)
    journal.flush(9)
    names, store.names = store.names, lambda: fail()
    journal = jn.Journal(store)
    journal.open(2)
    for k in range(3):
        journal.add(k, jn.EDGE)
    store.names = names
    journal.flush(9)
    records = held(journal)
    assert [record["sequence"] for record in records] == list(range(len(records)))
