"""The lock's exchange: what is no share, what serves twice, and what a listener is left with."""

from random import Random

import pytest
from boxcore import lock, spake2plus
from hypothesis import given
from hypothesis import strategies as some
from nightdraw import exchange

from tests.boxcore import fakes
from tests.boxcore.test_lock import HOST, OTHER, TELL, S, begun, opened, refused, stored, with_passcode
from tests.micropython.lock_host import COST, SALT, Host, multiple, work


def test_no_confirmation_serves_twice():
    found = opened(stored())
    keys = begun(found)
    found.unlock(TELL, keys.prover_confirmation)
    found.lock(TELL)
    refused(-221, found.unlock, TELL, keys.prover_confirmation)
    begun(found, now=TELL)
    refused(-224, found.unlock, 2 * TELL, keys.prover_confirmation)
    old = begun(found, now=2 * TELL, x=78)
    begun(found, now=3 * TELL, x=79)
    refused(-224, found.unlock, 4 * TELL, old.prover_confirmation)
    assert found.locked


def test_an_exchange_is_forgotten_after_a_minute():
    found = opened(stored())
    for late, now in ((59 * S, 0), (60 * S, 10**7)):
        keys = begun(found, now=now)
        if late < lock.EXCHANGE_TICKS:
            found.unlock(now + late, keys.prover_confirmation)
            found.lock(now + late)
        else:
            refused(-221, found.unlock, now + late, keys.prover_confirmation)


def test_the_same_share_again_is_the_same_try_and_the_same_answer():
    """A line that loses answers: what is asked again costs nothing and tells nothing more."""
    found = opened(stored())
    share = HOST.share(5)
    for k in range(10):
        found.begin(k, share)
        work(found)
    assert found.tries == 1
    assert len({found.share(TELL), found.share(2 * TELL)}) == 1
    found.begin(lock.EXCHANGE_TICKS, share)
    assert found.tries == 2


def test_setting_a_passcode_goes_on_with_the_same_share_and_begins_anew_with_another():
    found = opened()
    told = []
    for share in (HOST.share(5), HOST.share(5), HOST.share(6), HOST.share(5)):
        found.begin_set(0, share)
        work(found)
        told.append(found.share(0))
    assert told[0] == told[1]
    assert len(set(told)) == 3
    assert found._begun == 3


def test_one_exchange_never_goes_on_as_the_other():
    found = opened(stored())
    found.locked = False
    found.begin(0, HOST.share(5))
    found.begin_set(0, HOST.share(5))
    assert (found.tries, found._begun) == (1, 2)
    assert [note[2] for note in found.notes] == [lock.jn.WRONG]  # the first was a try, and it is over


def test_locking_what_is_locked_is_no_event():
    found = opened(stored())
    found.lock(5)
    assert found.notes == []
    found.locked = False
    found.lock(6)
    found.lock(7)
    assert [note[:3] for note in found.notes] == [(6, lock.jn.LATCH, lock.jn.LATCHED)]


def test_the_share_is_told_at_its_own_time_however_long_the_arithmetic_took():
    found = opened(stored())
    found.begin(0, HOST.share(5))
    for _ in range(3):
        assert found.work()
    assert found.share(TELL) == b""  # a box too busy for that is late, never early
    work(found)
    assert (found.share(TELL - 1), len(found.share(TELL))) == (b"", 65)
    refused(-221, found.confirmation, TELL - 1)


POINT = spake2plus.encode(multiple(99, spake2plus.BASE))
NO_POINTS = {
    "infinity as SEC 1 writes it": b"\0",
    "infinity padded": bytes(65),
    "compressed": b"\2" + POINT[1:33],
    "hybrid": b"\6" + POINT[1:],
    "off the curve": POINT[:-1] + bytes((POINT[-1] ^ 1,)),
    "zero": b"\4" + bytes(64),
    "x beyond the field": b"\4" + (spake2plus.P + 5).to_bytes(32, "big") + POINT[33:],
    "y beyond the field": POINT[:33] + b"\xff" * 32,
    # 2^2 = 1^3 - 3 + 6: of a curve with another B, where points of a low order may lie
    "of a curve with other coefficients": b"\4" + (1).to_bytes(32, "big") + (2).to_bytes(32, "big"),
    "too long": POINT + b"\0",
}


@pytest.mark.parametrize("data", NO_POINTS.values(), ids=NO_POINTS)
def test_what_is_no_point_is_refused_and_no_try(data):
    found = opened(stored())
    refused(-224, found.begin, 0, data)
    assert (found.tries, found.work()) == (0, False)
    found = opened()
    refused(-224, found.begin_set, 0, data)


def test_a_share_that_leaves_infinity_ends_the_exchange_and_is_a_try():
    """X = w0 * M: only whoever knows w0 can send it, by chance or from a record that was read."""
    found = opened(stored())
    found.begin(0, spake2plus.encode(HOST.w0_m))
    work(found)
    refused(-221, found.share, TELL)
    assert (found.locked, found.tries) == (True, 1)


def test_secret_numbers_never_come_again_even_from_a_dead_random_source():
    """With random bytes that are always the same: boot, tick and count tell them apart."""
    seen = []
    for boot in (1, 2):
        for now in (0, 5):
            found = opened(stored(), random=lambda count: bytes(count), boot=boot)
            seen += [found._secret(now) for _ in range(3)]
    assert len(set(seen)) == len(seen)
    one, other = (opened(fakes.MemoryStore(store.files), random=lambda count: bytes(count))
                  for store in (stored(), with_passcode(OTHER)))  # fmt: skip
    assert one._secret(0) != other._secret(0)  # nor can they be told without the record


def test_an_overheard_unlocking_gives_a_guess_nothing_to_check_against():
    """The recorded exchange of a box with one of a few passcodes: every one of them fits what was heard.

    For each guess there is exactly one pair of random numbers with which the shares that were heard are the
    guess's: so the shares alone favour none. The confirmations are a digest of the points Z and V, and those
    of a guess are found only from the discrete logarithm of a share. Here the numbers are kept small, so that
    the logarithms can be had by trial; then, and only then, the guess is found.
    """
    guesses = {"one": Host(11, 21), "other": Host(12, 22), "third": Host(13, 23)}
    real = guesses["other"]
    x, y = 500, 700  # both below 1000: what no real exchange has
    share_p = real.share(x)
    record = spake2plus.unpack(real.record)
    share_v, keys = exchange.finish(spake2plus.verify(lock.TO_UNLOCK, record, y, share_p))
    multiples = {}
    point = spake2plus.INFINITY
    for k in range(1, 1000):
        point = exchange.finish(spake2plus.affine(spake2plus.add(point, spake2plus.BASE)))
        multiples[spake2plus.encode(point)] = k
    fits, opens = [], []
    for name, guess in guesses.items():
        rest = spake2plus.add(spake2plus.decode(share_p), spake2plus.negative(guess.w0_m))
        rest = exchange.finish(spake2plus.affine(rest))
        spake2plus.decode(
            spake2plus.encode(rest)
        )  # a point of the group as any other: some x makes this share
        fits.append(name)
        number = multiples.get(spake2plus.encode(rest))
        if number and guess.keys(number, share_v).verifier_confirmation == keys.verifier_confirmation:
            opens.append(name)
    assert (fits, opens) == (list(guesses), ["other"])


def test_a_dictionary_run_on_a_recorded_unlocking_finds_nothing():
    """What a listener can compute of a guess without a logarithm: points of shares, masks, record and base in
    place of Z and V. No confirmation comes out, of the right passcode neither; the same run with the box's
    secret number, which a listener hasn't, finds it: the run can find."""
    found = opened(stored())
    x = 123456789
    share_p = HOST.share(x)
    found.begin(0, share_p)
    y = None
    frame = found._exchange.steps.gi_frame
    y = frame.f_locals["y"]
    work(found)
    share_v = found.share(TELL)
    heard = found.confirmation(TELL), HOST.keys(x, share_v).prover_confirmation

    def confirmations(guess, z, v):
        keys = spake2plus.Keys(lock.TO_UNLOCK, share_p, share_v, z, v, guess.w0)
        return {keys.verifier_confirmation, keys.prover_confirmation}

    def minus(one, other):
        return exchange.finish(
            spake2plus.affine(spake2plus.add(spake2plus.decode(one), spake2plus.negative(other)))
        )

    for guess in (HOST, OTHER):
        rest_p, rest_v = minus(share_p, guess.w0_m), minus(share_v, guess.w0_n)
        known = [rest_p, rest_v, multiple(guess.w1, rest_v), multiple(guess.w1, rest_p), spake2plus.BASE,
                 multiple(guess.w1, spake2plus.BASE), guess.w0_m, guess.w0_n]  # fmt: skip
        for z in known:
            for v in known:
                assert not confirmations(guess, z, v) & set(heard)
        right = confirmations(guess, multiple(y, rest_p), multiple(y, multiple(guess.w1, spake2plus.BASE)))
        assert (right == set(heard)) == (guess is HOST)


def test_a_passcode_that_is_set_is_no_part_of_what_travels():
    """No eight bytes of the record stand in the block, and two settings of the same differ."""
    blocks = []
    for number in (5, 6):
        share = spake2plus.encode(multiple(number, spake2plus.BASE))
        box = opened(random=Random(number).randbytes)
        box.begin_set(0, share)
        work(box)
        key = exchange.finish(exchange.agree(number, box.share(0)))
        blocks.append(exchange.encrypted_record(key, SALT, COST, HOST.record))
    for start in range(lock.RECORD_BYTES - 8):
        assert HOST.record[start : start + 8] not in blocks[0]
    assert blocks[0][20:28] != blocks[1][20:28]


@given(some.binary(max_size=40), some.binary(max_size=40))
def test_only_the_same_bytes_are_the_same(one, other):
    assert spake2plus.same(one, other) == (one == other)
    assert spake2plus.same(one, one + other) == (not other)
    assert not spake2plus.same(one, one + b"\0")
