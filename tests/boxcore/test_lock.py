"""The lock: what opens it, that guessing is slow and counted, and that no power cut wins anything."""

import hmac
import struct
from random import Random

import pytest
from boxcore import lock
from boxcore import program as pg
from boxcore.states import BoxError
from hypothesis import given
from hypothesis import strategies as some

from tests.boxcore import fakes

S = pg.TICKS_PER_S
SALT = bytes(range(16))
KEY = bytes(range(50, 82))
OTHER_KEY = bytes(range(90, 122))
ROUNDS = 123_456
MOST_WAIT = lock.WAITS_S[-1] * S


def right(key, challenge):
    """The answer that unlocks, by Python's own HMAC."""
    return hmac.new(key, b"unlock" + challenge, "sha256").digest()


def fitting(key, challenge, salt=SALT, rounds=ROUNDS):
    """The answer that goes with a new key, by Python's own HMAC."""
    return hmac.new(key, b"set" + challenge + salt + struct.pack("<I", rounds), "sha256").digest()


def opened(store=None, now=0, random=None):
    """A lock after a power-up."""
    found = lock.Lock(store or fakes.MemoryStore(), random or Random(1).randbytes)
    found.open(now)
    return found


def give(the_lock, key=KEY, now=0, salt=SALT):
    the_lock.set(now, salt, key, ROUNDS, fitting(key, the_lock.challenge(now, 1), salt))


def with_passcode(key=KEY):
    """A store with a passcode."""
    store = fakes.MemoryStore()
    give(opened(store), key)
    return store


def try_key(the_lock, key, now, boot=1):
    the_lock.unlock(now, right(key, the_lock.challenge(now, boot)))


def refused(code, call, *arguments):
    with pytest.raises(BoxError) as refusal:
        call(*arguments)
    assert refusal.value.code == code
    return refusal.value.message


def test_without_a_passcode_it_is_open_at_every_power_up():
    store = fakes.MemoryStore()
    for _ in range(3):
        found = opened(store)
        assert (found.locked, found.is_set, found.damaged) == (False, False, False)
    assert store.files == {}
    refused(-221, found.lock)
    refused(-221, try_key, found, KEY, 0)


def test_with_one_it_is_locked_at_every_power_up_and_opens_to_its_key_alone():
    store = with_passcode()
    for boot in range(1, 4):
        found = opened(store)
        assert (found.locked, found.is_set, found.salt, found.rounds) == (True, True, SALT, ROUNDS)
        refused(-224, try_key, found, OTHER_KEY, 0, boot)
        assert found.locked
        try_key(found, KEY, 0, boot)
        assert not found.locked
        found.lock()
        assert found.locked


def test_setting_a_passcode_leaves_it_open_until_it_is_locked():
    found = opened()
    give(found)
    assert (found.locked, found.is_set) == (False, True)
    give(found, OTHER_KEY, salt=bytes(16))  # another one, while it is open
    found.lock()
    refused(-203, give, found)
    refused(-203, found.clear)
    refused(-224, try_key, found, KEY, 0)
    try_key(found, OTHER_KEY, 0)
    found.clear()
    assert (found.locked, found.is_set, found.salt, found.rounds) == (False, False, b"", 0)
    assert found._store.files == {}


@given(some.data())
def test_a_key_that_came_through_changed_is_not_taken(data):
    """Any bit of salt, rounds, key or answer: a box is never locked with what its owner can't know."""
    found = opened()
    challenge = found.challenge(0, 1)
    sent = bytearray(SALT + struct.pack("<I", ROUNDS) + KEY + fitting(KEY, challenge))
    bit = data.draw(some.integers(0, 8 * len(sent) - 1))
    sent[bit // 8] ^= 1 << bit % 8
    salt, rounds, key, answer = sent[:16], struct.unpack("<I", sent[16:20])[0], sent[20:52], sent[52:]
    refused(-224, found.set, 0, bytes(salt), bytes(key), rounds, bytes(answer))
    assert not found.is_set


def test_no_answer_serves_twice():
    found = opened(with_passcode())
    answer = right(KEY, found.challenge(0, 1))
    found.unlock(0, answer)
    found.lock()
    refused(-221, found.unlock, 0, answer)
    found.challenge(0, 1)
    refused(-224, found.unlock, 0, answer)
    answer = right(KEY, found.challenge(0, 1))
    found.challenge(0, 1)
    refused(-224, found.unlock, 0, answer)
    assert found.locked


def test_a_challenge_is_forgotten_after_a_minute():
    found = opened(with_passcode())
    for late, now in ((59 * S, 0), (60 * S, 10**6)):
        answer = right(KEY, found.challenge(now, 1))
        if late < lock.CHALLENGE_TICKS:
            found.unlock(now + late, answer)
            found.lock()
        else:
            refused(-221, found.unlock, now + late, answer)
    assert found.tries == 0


@given(some.lists(some.tuples(some.integers(1, 5), some.integers(0, 10**12)), max_size=30))
def test_challenges_never_come_again_even_from_a_dead_random_source(asked):
    """With random bytes that are always the same: boot, tick and count tell them apart."""
    seen = []
    for boot, now in dict.fromkeys(asked):
        found = opened(random=lambda count: bytes(count))
        seen += [found.challenge(now, boot) for _ in range(3)]
    assert len(set(seen)) == len(seen)


def test_guessing_gets_slower_and_an_early_answer_is_neither_taken_nor_counted():
    found = opened(with_passcode())
    now = 0
    for tries, wait_s in enumerate((0, 0, 5, 10, 30, 60, 120, 300, 300, 300), start=1):
        refused(-224, try_key, found, OTHER_KEY, now)
        assert (found.tries, found.wait_s(now)) == (tries, wait_s)
        if wait_s:
            early = now + wait_s * S - 1
            assert refused(-203, try_key, found, KEY, early) == "wait 1 s"
            assert found.tries == tries
        now += wait_s * S
    assert sum(lock.WAITS_S) < 600  # whoever knows the passcode is never kept out for ten minutes
    try_key(found, KEY, now)
    assert (found.tries, found.wait_s(now)) == (0, 0)


def test_a_power_cut_neither_forgets_tries_nor_shortens_the_wait():
    store = with_passcode()
    for tries in range(1, 12):
        found = opened(store)
        assert (found.tries, found.wait_s(0)) == (tries - 1, lock.WAITS_S[min(tries - 1, 8)])
        refused(-203 if found.wait_s(0) else -224, try_key, found, OTHER_KEY, 0)
        if found.wait_s(0) and found.tries < tries:
            refused(-224, try_key, found, OTHER_KEY, MOST_WAIT)
    found = opened(store)
    try_key(found, KEY, MOST_WAIT)
    assert opened(store).tries == 0


@pytest.mark.parametrize("torn", [0.0, 0.5, 1.0])
def test_a_power_cut_in_a_try_never_gives_the_try_back(torn):
    """At every operation: the try is counted, or it was never looked at."""
    looked_at = 0
    for cut_at in range(1, 20):
        store = fakes.MemoryStore(with_passcode().files)
        found = opened(store)
        store.operations = 0
        store.cut_at, store.torn = cut_at, torn
        try:
            try_key(found, OTHER_KEY, 0)
        except fakes.PowerCut:
            survived = False
        except BoxError:
            survived = True
        again = opened(fakes.MemoryStore(store.files))
        assert (again.locked, again.damaged, again.salt) == (True, False, SALT)
        assert again.tries == 1 if survived else again.tries <= 1
        assert found.tries <= again.tries  # what the box knew when it went, it knows when it comes back
        try_key(again, KEY, 0)
        looked_at += survived
        if survived:
            assert cut_at == 3  # write, rename
            return
    pytest.fail("the try never came to an end")


@pytest.mark.parametrize("torn", [0.0, 0.5, 1.0])
@pytest.mark.parametrize("request_", ["set", "change", "unlock", "clear"])
def test_a_power_cut_leaves_the_old_passcode_or_the_new_one(torn, request_):
    for cut_at in range(1, 20):
        store = fakes.MemoryStore()
        found = opened(store)
        if request_ != "set":
            give(found)
        store.operations, store.cut_at, store.torn = 0, cut_at, torn
        try:
            if request_ == "clear":
                found.clear()
            elif request_ == "unlock":
                found.lock()
                try_key(found, KEY, 0)
            else:
                give(found, OTHER_KEY)
            survived = True
        except fakes.PowerCut:
            survived = False
        again = opened(fakes.MemoryStore(store.files))
        assert not again.damaged
        assert set(again._store.files) <= {"lock"}  # no key lies about
        keys = [key for key in (KEY, OTHER_KEY) if again.is_set and hmac.compare_digest(again._key, key)]
        before = [[]] if request_ == "set" else [[KEY]]
        after = {"set": [OTHER_KEY], "change": [OTHER_KEY], "unlock": [KEY], "clear": []}[request_]
        assert keys in ([after] if survived else [*before, after])
        assert again.locked == bool(keys)
        if survived:
            assert cut_at > 1
            return
    pytest.fail("the request never came to an end")


def test_a_damaged_file_keeps_the_box_locked_and_is_told():
    store = with_passcode()
    whole = store.files["lock"]
    for at in range(len(whole)):
        for bad in (whole[:at] + bytes((whole[at] ^ 0x20,)) + whole[at + 1 :], whole[:at]):
            found = opened(fakes.MemoryStore({"lock": bad}))
            assert (found.locked, found.damaged, found.is_set) == (True, True, True)
            refused(-315, try_key, found, KEY, 0)
    world = fakes.World(fakes.MemoryStore({"lock": whole[:-1]})).boot()
    assert [record["part"] for record in world.records("damage")] == ["lock"]
    del world.store.files["lock"]
    assert not world.cut().box.lock.locked


@given(some.binary(max_size=40), some.binary(max_size=40))
def test_only_the_same_bytes_are_the_same(one, other):
    assert lock.same(one, other) == (one == other)
    assert lock.same(one, one + other) == (not other)
    assert not lock.same(one, one + b"\0")


def test_a_store_that_cannot_be_read_at_power_up_leaves_the_box_locked():
    class Unreadable(fakes.MemoryStore):
        def read(self, name):
            raise OSError(5)

    found = opened(Unreadable(with_passcode().files))
    assert (found.locked, found.damaged) == (True, True)


def test_a_store_that_fails_takes_no_try_and_no_passcode():
    store = with_passcode()
    found = opened(store)
    store.broken = True
    refused(-250, try_key, found, KEY, 0)
    assert (found.locked, found.tries) == (True, 0)
    store.broken = False
    try_key(found, KEY, 0)
    store.broken = True
    refused(-250, give, found, OTHER_KEY)
    refused(-250, found.clear)
    store.broken = False
    found.lock()
    try_key(found, KEY, 0)


def test_the_panel_works_on_a_locked_box():
    world = fakes.World().boot()
    world.load(pg.Program("plain", [(pg.STEADY, 40_000)], start=pg.START_PANEL), slot=4)
    give(world.box.lock)
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
    box = world.box
    box.set_passcode(1, SALT, KEY, ROUNDS, fitting(KEY, box.challenge(1)))
    box.latch(2)
    for now in (3, 4):
        refused(-224, box.unlock, now, right(OTHER_KEY, box.challenge(now)))
    refused(-221, box.unlock, 5, right(KEY, SALT))
    box.unlock(6, right(KEY, box.challenge(6)))
    box.clear_passcode(7)
    said = [(record["tick"], record["did"], record["tries"]) for record in world.records("lock")]
    assert said == [
        (1, "passcode set", 0),
        (2, "locked", 0),
        (3, "wrong passcode", 1),
        (4, "wrong passcode", 2),
        (6, "unlocked", 2),
        (7, "passcode cleared", 0),
    ]
