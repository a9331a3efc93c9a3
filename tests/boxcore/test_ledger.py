"""The ledger's file: what goes in comes out, and nothing damaged is believed."""

from boxcore import ledger as lg
from hypothesis import given
from hypothesis import strategies as some

from tests.boxcore import fakes

U32 = some.integers(0, 2**32 - 1)


@some.composite
def ledgers(draw):
    one = lg.Ledger()
    one.phase = draw(some.sampled_from([lg.NONE, lg.WAITING, lg.RUNNING, lg.ENDED, lg.TRIPPED]))
    one.slot = draw(some.integers(0, 9))
    one.by, one.fault = draw(some.integers(0, 3)), draw(some.integers(0, 11))
    one.serial, one.run, one.boot = draw(U32), draw(U32), draw(U32)
    one.used_ticks, one.used_mas, one.position_ticks = draw(U32), draw(U32), draw(U32)
    one.serials = draw(some.lists(U32, min_size=10, max_size=10))
    one.runs = draw(some.lists(U32, min_size=10, max_size=10))
    return one


@given(ledgers())
def test_pack_and_unpack_are_inverse(one):
    assert vars(lg.unpack(lg.pack(one))) == vars(one)


def test_every_change_of_one_byte_and_every_cut_is_noticed():
    one = lg.Ledger()
    one.phase, one.slot, one.run = lg.RUNNING, 3, 7
    store = fakes.MemoryStore()
    lg.save(store, one)
    data = store.files[lg.NAME]
    for at in range(len(data)):
        changed = [data[:at] + bytes((data[at] ^ change,)) + data[at + 1 :] for change in range(1, 256)]
        for bad in (data[:at], *changed):
            found, damaged = lg.load(fakes.MemoryStore({lg.NAME: bad}))
            assert damaged
            assert vars(found) == vars(lg.Ledger())


def test_a_phase_or_slot_that_cannot_be_is_not_believed():
    for phase, slot in ((9, 0), (lg.RUNNING, 10), (lg.WAITING, lg.NO_SLOT), (lg.NONE, 11)):
        one = lg.Ledger()
        one.phase, one.slot = phase, slot
        assert lg.unpack(lg.pack(one)) is None
    one = lg.Ledger()
    one.phase, one.slot = lg.TRIPPED, lg.NO_SLOT  # a hand level that tripped
    assert lg.unpack(lg.pack(one)).slot == lg.NO_SLOT


def test_budgets_beyond_the_field_stay_at_its_top():
    one = lg.Ledger()
    one.used_ticks = 2**40
    assert lg.unpack(lg.pack(one)).used_ticks == 2**32 - 1


def test_runs_are_counted_for_one_stored_program_only():
    one = lg.Ledger()
    assert [one.count_run(4, serial=8) for _ in range(3)] == [1, 2, 3]
    assert one.count_run(4, serial=9) == 1
    assert one.count_run(4, serial=8) == 1
    assert one.count_run(5, serial=8) == 1
    assert one.count_run(4, serial=9) == 1  # serial 8 came between


def test_loading_tells_a_fresh_store_from_a_damaged_one():
    store = fakes.MemoryStore()
    assert lg.load(store)[1] is False
    one = lg.Ledger()
    one.boot = 5
    lg.save(store, one)
    assert (lg.load(store)[0].boot, lg.load(store)[1]) == (5, False)
    store.files[lg.NAME] = store.files[lg.NAME][:-1]
    assert lg.load(store)[1] is True
