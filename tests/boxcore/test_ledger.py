"""The ledger's file: what goes in comes out, and nothing damaged is believed."""

from boxcore import ledger as lg
from hypothesis import given
from hypothesis import strategies as some

from tests.boxcore import fakes

U32 = some.integers(0, 2**32 - 1)


def a_ledger():
    return lg.Ledger(fakes.MemoryStore())


@some.composite
def ledgers(draw):
    one = a_ledger()
    one.phase = draw(some.sampled_from([lg.NONE, lg.WAITING, lg.RUNNING, lg.ENDED, lg.TRIPPED]))
    one.slot = draw(some.integers(0, 9))
    one.by, one.fault = draw(some.integers(0, 3)), draw(some.integers(0, 11))
    one.serial, one.run, one.boot = draw(U32), draw(U32), draw(some.integers(0, 2**32 - 2))
    one.used_ticks, one.used_mas, one.position_ticks = draw(U32), draw(U32), draw(U32)
    one.serials = draw(some.lists(U32, min_size=10, max_size=10))
    one.runs = draw(some.lists(U32, min_size=10, max_size=10))
    return one


def again(one):
    """(what the next power-up knows, whether it calls the file damaged)"""
    found = lg.Ledger(one._store)
    return found, found.open()


@given(ledgers())
def test_what_is_kept_is_there_at_the_next_power_up_which_counts(one):
    one.keep()
    found, damaged = again(one)
    assert not damaged
    one.boot += 1
    assert vars(found) == vars(one)


def test_every_change_of_one_byte_and_every_cut_is_noticed():
    one = a_ledger()
    one.phase, one.slot, one.run = lg.RUNNING, 3, 7
    one.keep()
    data = one._store.files[lg.NAME]
    for at in range(len(data)):
        changed = [data[:at] + bytes((data[at] ^ change,)) + data[at + 1 :] for change in range(1, 256)]
        for bad in (data[:at], *changed):
            one._store.files[lg.NAME] = bad
            found, damaged = again(one)
            assert damaged
            assert (found.phase, found.run, found.boot) == (lg.NONE, 0, 1)


def test_a_phase_or_slot_that_cannot_be_is_not_believed():
    for phase, slot in ((9, 0), (lg.RUNNING, 10), (lg.WAITING, lg.NO_SLOT), (lg.NONE, 11)):
        one = a_ledger()
        one.phase, one.slot = phase, slot
        one.keep()
        assert again(one)[1]
    one = a_ledger()
    one.phase, one.slot = lg.TRIPPED, lg.NO_SLOT  # a hand level that tripped
    one.keep()
    found, damaged = again(one)
    assert (found.slot, damaged) == (lg.NO_SLOT, False)


def test_budgets_beyond_the_field_stay_at_its_top():
    one = a_ledger()
    one.used_ticks = 2**40
    one.keep()
    assert again(one)[0].used_ticks == 2**32 - 1


def test_runs_are_counted_for_one_stored_program_only():
    one = a_ledger()
    assert one.next_run(4, serial=8) == 1
    one.serials[4], one.runs[4] = 8, 3
    assert one.next_run(4, serial=8) == 4
    assert one.next_run(4, serial=9) == 1
    assert one.next_run(5, serial=8) == 1


def test_a_fresh_store_is_not_a_damaged_one():
    assert not a_ledger().open()
