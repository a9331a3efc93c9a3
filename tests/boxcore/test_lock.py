"""The lock: what opens it, that guessing is slow and counted, and that no power cut wins anything."""

import binascii
import struct
from random import Random

import pytest
from boxcore import lock, spake2plus
from boxcore import program as pg
from hypothesis import given, settings
from hypothesis import strategies as some
from nightdraw import exchange

from tests.boxcore import fakes
from tests.boxcore.refusals import refused
from tests.micropython.lock_host import COST, SALT, Host, give, multiple, try_host, work

S = pg.TICKS_PER_S
HOST = Host(0x5EED, 0xFACE)
OTHER = Host(0x5EEE, 0xFACE)
MOST_WAIT = lock.WAITS_S[-1] * S
TELL = lock.TELL_TICKS


def opened(store=None, now=0, random=None, boot=1):
    """A lock after a power-up; its `notes` are what it journals."""
    notes = []
    found = lock.Lock(
        store or fakes.MemoryStore(), random or Random(1).randbytes, lambda *note: notes.append(note)
    )
    found.open(now, boot)
    found.notes = notes
    return found


def with_passcode(host=HOST):
    """A store with a passcode."""
    store = fakes.MemoryStore()
    give(opened(store), host)
    return store


STORED = with_passcode().files["lock"]


def stored():
    """The same without the arithmetic."""
    return fakes.MemoryStore({"lock": STORED})


def begun(found, host=HOST, now=0, x=77):
    """An exchange as far as the host's keys."""
    found.begin(now, host.share(x))
    work(found)
    return host.keys(x, found.share(now + TELL))


def test_without_a_passcode_it_is_open_at_every_power_up():
    store = fakes.MemoryStore()
    for _ in range(3):
        found = opened(store)
        assert (found.locked, found.salt, found.damaged) == (False, b"", False)
    assert store.files == {}
    refused(-221, found.lock, 0)
    refused(-221, found.begin, 0, HOST.share(1))


def test_with_one_it_is_locked_at_every_power_up_and_opens_to_its_passcode_alone():
    store = stored()
    for boot in range(1, 3):
        found = opened(store, boot=boot)
        assert (found.locked, found.salt, found.cost) == (True, SALT, COST)
        refused(-224, try_host, found, OTHER, 0)
        assert found.locked
        now = try_host(found, HOST, TELL)
        assert not found.locked
        found.lock(now)
        assert found.locked


@pytest.mark.parametrize("host", [Host(0x5EED, 0xFACF), Host(0x5EED + 1, 0xFACE + 1)])
def test_both_numbers_must_be_right(host):
    """Whoever has read the record knows w0, and L, but not w1: that alone opens nothing."""
    found = opened(stored())
    refused(-224, try_host, found, host, 0)
    keys = begun(found, host, TELL)
    assert found.confirmation(2 * TELL) != keys.verifier_confirmation


def test_setting_a_passcode_leaves_it_open_until_it_is_locked():
    found = opened()
    give(found, HOST)
    assert (found.locked, found.salt) == (False, SALT)
    give(found, OTHER, salt=bytes(16))  # another one, while it is open
    found.lock(0)
    refused(-203, give, found, HOST)
    refused(-203, found.clear, 0)
    refused(-224, try_host, found, HOST, 0)
    found.clear(try_host(found, OTHER, TELL))
    assert (found.locked, found.salt, found.cost) == (False, b"", 0)
    assert found._store.files == {}


@settings(max_examples=20)
@given(some.data())
def test_a_record_that_came_through_changed_is_not_taken(data):
    """Any bit of salt, cost, record or code: a box is never locked with what its owner can't know."""
    found = opened()
    share = spake2plus.encode(multiple(3, spake2plus.BASE))
    found.begin_set(0, share)
    work(found)
    key = exchange.finish(exchange.agree(3, found.share(0)))
    sent = bytearray(exchange.encrypted_record(key, SALT, COST, HOST.record))
    bit = data.draw(some.integers(0, 8 * len(sent) - 1))
    sent[bit // 8] ^= 1 << bit % 8
    refused(-224, found.set, 0, bytes(sent))
    assert found.salt == b""
    refused(
        -221, found.set, 0, exchange.encrypted_record(key, SALT, COST, HOST.record)
    )  # the exchange is used up


@pytest.mark.parametrize("at", [0, 1, 2])
def test_a_record_with_a_point_off_the_curve_is_not_taken(at):
    found = opened()
    bad = bytearray(HOST.record)
    bad[32 + 65 * at + 40] ^= 1
    host = Host(0x5EED, 0xFACE)
    host.record = bytes(bad)
    refused(-224, give, found, host)
    assert found.salt == b""


def test_guessing_gets_slower_and_an_early_share_is_neither_taken_nor_counted():
    found = opened(stored())
    now = 0
    for tries, wait_s in enumerate((0, 0, 5, 10, 30, 60, 120, 300, 300, 300), start=1):
        refused(-224, try_host, found, OTHER, now)
        now += TELL
        assert (found.tries, found.wait_s(now)) == (tries, wait_s)
        if wait_s:
            early = now + wait_s * S - 1
            assert refused(-203, try_host, found, HOST, early) == "wait 1 s"
            assert found.tries == tries
        now += wait_s * S
    assert sum(lock.WAITS_S) < 600  # whoever knows the passcode is never kept out for ten minutes
    now = try_host(found, HOST, now)
    assert (found.tries, found.wait_s(now)) == (0, 0)


def test_going_away_in_the_middle_is_a_failed_try_and_is_journaled():
    """The box's confirmation tells whether a guess was right: whoever has seen it has had his try."""
    found = opened(stored())
    begun(found, OTHER)
    assert (found.tries, found.notes) == (1, [])
    begun(found, OTHER, TELL, x=78)
    assert found.tries == 2
    assert [note[2:] for note in found.notes] == [(3, 1)]  # wrong passcode, the first


def test_a_power_cut_neither_forgets_tries_nor_shortens_the_wait():
    store = stored()
    for tries in range(1, 12):
        found = opened(store)
        assert (found.tries, found.wait_s(0)) == (tries - 1, lock.WAITS_S[min(tries - 1, 8)])
        if found.wait_s(0):
            refused(-203, found.begin, 0, OTHER.share(7))
        found.begin(MOST_WAIT, OTHER.share(7))
    found = opened(store)
    try_host(found, HOST, MOST_WAIT)
    assert opened(store).tries == 0


@pytest.mark.parametrize("torn", [0.0, 0.5, 1.0])
def test_a_power_cut_in_a_try_never_gives_the_try_back(torn):
    """At every operation: the try is counted, or nothing of it was computed."""
    for cut_at in range(1, 20):
        store = stored()
        found = opened(store)
        store.operations = 0
        store.cut_at, store.torn = cut_at, torn
        try:
            found.begin(0, OTHER.share(7))
            survived = True
        except fakes.PowerCut:
            survived = False
        again = opened(fakes.MemoryStore(store.files))
        assert (again.locked, again.damaged, again.salt) == (True, False, SALT)
        assert again.tries == 1 if survived else again.tries <= 1
        assert found.tries <= again.tries  # what the box knew when it went, it knows when it comes back
        assert survived or not found.work()
        if survived:
            assert cut_at == 3  # write, rename
            try_host(again, HOST, 0)
            return
    pytest.fail("the try never came to an end")


@pytest.mark.parametrize("torn", [0.0, 0.5, 1.0])
@pytest.mark.parametrize("request_", ["set", "change", "unlock", "clear"])
def test_a_power_cut_leaves_the_old_passcode_or_the_new_one(torn, request_):
    for cut_at in range(1, 20):
        store = fakes.MemoryStore() if request_ == "set" else stored()
        found = opened(store)
        found.locked = request_ == "unlock"
        store.operations, store.cut_at, store.torn = 0, cut_at, torn
        try:
            if request_ == "clear":
                found.clear(0)
            elif request_ == "unlock":
                try_host(found, HOST, 0)
            else:
                give(found, OTHER)
            survived = True
        except fakes.PowerCut:
            survived = False
        again = opened(fakes.MemoryStore(store.files))
        assert not again.damaged
        assert set(again._store.files) <= {"lock"}  # no record lies about
        hosts = [host for host in (HOST, OTHER) if again.salt and host.record == again._record]
        before = [[]] if request_ == "set" else [[HOST]]
        after = {"set": [OTHER], "change": [OTHER], "unlock": [HOST], "clear": []}[request_]
        assert hosts in ([after] if survived else [*before, after])
        assert again.locked == bool(hosts)
        if survived:
            assert cut_at > 1
            return
    pytest.fail("the request never came to an end")


def test_a_damaged_file_keeps_the_box_locked_and_is_told():
    whole = STORED
    for at in range(0, len(whole), 5):
        for bad in (whole[:at] + bytes((whole[at] ^ 0x20,)) + whole[at + 1 :], whole[:at]):
            found = opened(fakes.MemoryStore({"lock": bad}))
            assert (found.locked, found.damaged) == (True, True)
            refused(-315, found.begin, 0, HOST.share(4))
            refused(-315, found.unlock, 0, bytes(32))
    world = fakes.World(fakes.MemoryStore({"lock": whole[:-1]})).boot()
    assert [record["part"] for record in world.records("damage")] == ["lock"]
    del world.store.files["lock"]
    assert not world.cut().box.lock.locked


def test_a_lock_of_the_format_before_keeps_the_box_locked_and_is_told():
    body = struct.pack("<4sBBHI16s32s", b"NDlk", 1, 0, 0, 600_000, SALT, bytes(32))
    found = opened(fakes.MemoryStore({"lock": body + struct.pack("<I", binascii.crc32(body))}))
    assert (found.locked, found.damaged) == (True, True)


def test_a_store_that_cannot_be_read_at_power_up_leaves_the_box_locked():
    class Unreadable(fakes.MemoryStore):
        def read(self, name):
            raise OSError(5)

    found = opened(Unreadable(stored().files))
    assert (found.locked, found.damaged) == (True, True)


def test_a_store_that_fails_takes_no_try_and_no_passcode():
    store = stored()
    found = opened(store)
    store.broken = True
    refused(-250, found.begin, 0, HOST.share(4))
    assert (found.locked, found.tries, found.work()) == (True, 0, False)
    store.broken = False
    now = try_host(found, HOST, 0)
    store.broken = True
    refused(-250, give, found, OTHER, now)
    refused(-250, found.clear, now)
    store.broken = False
    found.lock(now)
    try_host(found, HOST, now)


def test_the_panel_works_on_a_locked_box():
    world = fakes.World().boot()
    world.load(pg.Program("plain", [(pg.STEADY, 40_000)], start=pg.START_PANEL), slot=4)
    world.store.files["lock"] = STORED
    world.cut()
    assert world.box.lock.locked
    world.run(20_000)
    world.readings.selector = 4
    world.readings.arm = True
    world.until("running", 100_000)
    assert world.box.slot == 4
    world.readings.arm = False
    world.until("idle", 100_000)


def test_the_journal_tells_what_happened_to_the_lock():
    world = fakes.World().boot()
    found = world.box.lock
    give(found, HOST, 1)
    found.lock(2)
    refused(-224, try_host, found, OTHER, 3)
    refused(-221, found.unlock, 4 + TELL, bytes(32))
    begun(found, OTHER, 5 + TELL)
    world.run(20_000)
    now = try_host(found, HOST, lock.WAITS_S[3] * S + 3 * TELL)
    found.clear(now)
    said = [(record["did"], record["tries"]) for record in world.records("lock")]
    assert said == [
        ("passcode set", 0),
        ("locked", 0),
        ("wrong passcode", 1),
        ("wrong passcode", 2),
        ("unlocked", 2),
        ("passcode cleared", 0),
    ]
