"""Slots: a program is replaced whole or not at all, whatever is cut, and what is damaged is never run."""

import pytest
from boxcore import program as pg
from boxcore import slots as sl
from boxcore.port import Buffers
from hypothesis import given
from hypothesis import strategies as some
from nightdraw import programs

from tests.boxcore import fakes
from tests.boxcore.refusals import refused
from tests.micropython import doors


def packed(name, level_ua=40_000, levels=0):
    draws = [(pg.STEADY, level_ua)]
    if levels:
        draws.append((pg.REPLAY, 1, programs.pack_levels([(k, 10 + k) for k in range(levels)])))
    return programs.pack(pg.Program(name, draws))


def scan(slots, serial=0):
    """Read every slot, as a power-up does."""
    slots.begin(serial)
    for slot in range(sl.SLOTS):
        slots.scan(slot)


def some_slots(store=None):
    found = sl.Slots(store or fakes.MemoryStore(), Buffers())
    scan(found)
    return found


def put(slots, slot, data, piece=10_000):
    slots.open_write(slot)
    for at in range(0, len(data), piece):
        slots.write(data[at : at + piece])
    return slots.commit()


@given(some.integers(1, 3_000), some.integers(0, 2_000), some.integers(0, 9))
def test_a_program_streams_in_by_any_pieces_and_reads_back(piece, levels, slot):
    slots = some_slots()
    data = packed("long", levels=levels)
    info = put(slots, slot, data, piece)
    assert (info.name, info.bytes, info.crc32) == ("long", len(data), programs.checksum(data))
    assert programs.pack(slots.load(slot)) == data
    assert b"".join(slots.read_at(slot, at, 100) for at in range(0, len(data) + 300, 100)) == data
    again = some_slots(slots._store)
    assert [info is not None for info in again.infos] == [k == slot for k in range(10)]
    assert again.infos[slot] == info


def test_every_store_has_a_number_of_its_own():
    slots = some_slots()
    serials = [put(slots, slot, packed("a")).serial for slot in (1, 1, 2)]
    slots.delete(2)
    again = sl.Slots(slots._store, Buffers())
    scan(again, serial=7)
    serials.append(put(again, 2, packed("a")).serial)
    assert serials == [1, 2, 3, 8]


def test_a_wrong_program_leaves_what_was_there():
    slots = some_slots()
    put(slots, 3, packed("old"))
    bad = bytearray(packed("new"))
    bad[60] ^= 1
    slots.open_write(3)
    slots.write(bad)
    refused(-285, slots.commit)
    assert slots.load(3).name == "old"
    assert set(slots._store.names()) == {"slot3"}


def test_an_abort_leaves_what_was_there():
    slots = some_slots()
    put(slots, 3, packed("old"))
    slots.open_write(3)
    slots.write(packed("new"))
    slots.abort()
    assert (slots.writing, slots._store.names()) == (None, ["slot3"])
    slots.open_write(4)
    slots.write(packed("newer")[:50])
    slots.abort()
    put(slots, 3, packed("newest"))
    assert slots.load(3).name == "newest"
    assert slots.infos[4] is None


def test_what_is_longer_than_a_slot_is_no_program(monkeypatch):
    levels = (pg.MAX_BYTES - 100) // pg.LEVEL_BYTES
    slots = some_slots()
    assert put(slots, 0, packed("long", levels=levels)).bytes > pg.MAX_BYTES - 100
    with monkeypatch.context() as host:
        host.setattr(pg, "MAX_BYTES", 2 * pg.MAX_BYTES)
        longer = packed("longer", levels=levels + 20)
    refused(-285, put, slots, 1, longer)
    assert slots._store.names() == ["slot0"]


def test_an_empty_slot_says_so():
    slots = some_slots()
    refused(-282, slots.load, 5)
    refused(-282, slots.read_at, 5, 0, 1)


def test_every_damaged_byte_is_found_at_boot_and_never_run():
    slots = some_slots()
    put(slots, 2, packed("good"))
    whole = slots._store.files["slot2"]
    for at in range(len(whole)):
        store = fakes.MemoryStore({"slot2": whole[:at] + bytes((whole[at] ^ 0x10,)) + whole[at + 1 :]})
        again = some_slots(store)
        assert doors.bad(again) == [2]
        refused(-311, again.load, 2)
        assert doors.bad(some_slots(fakes.MemoryStore({"slot2": whole[:at]}))) == [2]
    put(again, 2, packed("better"))
    assert (doors.bad(again), again.load(2).name) == ([], "better")


def test_damage_that_came_after_the_boot_is_found_when_the_program_is_loaded():
    slots = some_slots()
    put(slots, 2, packed("good"))
    slots._store.files["slot2"] = slots._store.files["slot2"][:-3]
    refused(-311, slots.load, 2)


def test_a_failing_store_is_an_error_of_the_standard_and_keeps_what_was_there():
    slots = some_slots()
    put(slots, 3, packed("old"))
    slots.open_write(3)
    slots.write(packed("new"))
    slots._store.broken = True
    refused(-250, slots.commit)
    refused(-250, slots.open_write, 3)
    refused(-250, slots.delete, 3)
    slots._store.broken = False
    assert slots.load(3).name == "old"
    put(slots, 3, packed("new"))
    assert slots.load(3).name == "new"


@pytest.mark.parametrize("torn", [0.0, 0.5, 1.0])
@pytest.mark.parametrize("before", [None, "old"])
def test_power_cut_at_every_operation_of_a_store_leaves_old_or_new(before, torn):
    new = packed("new", levels=500)
    for cut_at in range(1, 100):
        store = fakes.MemoryStore()
        if before:
            put(some_slots(store), 6, packed(before))
        store = fakes.MemoryStore(store.files, cut_at=cut_at, torn=torn)
        slots = sl.Slots(store, Buffers())
        try:
            scan(slots)
            put(slots, 6, new, 700)
            survived = True
        except fakes.PowerCut:
            survived = False
        again = some_slots(fakes.MemoryStore(store.files))
        assert doors.bad(again) == []
        name = again.infos[6] and again.load(6).name
        assert name in (["new"] if survived else [before, "new"])
        assert set(again._store.names()) <= {"slot6"}
        if survived:
            assert cut_at > 5  # it did cut in between
            return
    pytest.fail("the store never finished")
