"""The lock from the host: what travels, what a locked box still tells, refusals, and a bad line."""

from __future__ import annotations

from random import Random

import pytest
from boxcore import lock as core
from hypothesis import given
from hypothesis import strategies as some
from nightdraw.errors import InputError, LinkError
from nightdraw.link import BoxClient, Loop, RefusedError, open_box, passcode

from tests.link.faulty import FaultyLine
from tests.micropython import link_cases
from tests.micropython.link_rig import TICKS_PER_S, Rig

CODE = "grey heron 7"
ROUNDS = passcode.FEWEST_ROUNDS  # a tenth of a second saved a passcode


@pytest.fixture
def rig() -> Rig:
    return Rig()


@pytest.fixture
def box(rig: Rig) -> BoxClient:
    return open_box(Loop(rig.say))


def reboot(rig: Rig) -> Rig:
    """The same flash after a power loss."""
    again = Rig()
    again.store.files.update(rig.store.files)
    again.box.boot(0, again.readings)
    return again


def test_a_box_without_a_passcode_is_open(box):
    assert (box.locked(), box.has_passcode()) == (False, False)
    assert (box.tries().failed, box.tries().wait_s) == (0, 0)
    with pytest.raises(RefusedError, match="no passcode is set"):
        box.lock()


def test_set_lock_unlock_change_and_clear(rig, box):
    box.set_passcode(CODE, ROUNDS)
    assert (box.locked(), box.has_passcode()) == (False, True)
    box.lock()
    assert box.locked()
    assert box.unlock(CODE) == 0
    box.set_passcode("another one", ROUNDS)
    box.lock()
    with pytest.raises(RefusedError, match=r"isn't its passcode \(1 failed so far; try again\)"):
        box.unlock(CODE)
    assert box.unlock("another one") == 1
    box.clear_passcode()
    assert (box.locked(), box.has_passcode()) == (False, False)
    assert not reboot(rig).box.lock.locked


def test_a_power_up_locks(rig, box):
    box.set_passcode(CODE, ROUNDS)
    again = reboot(rig)
    box = open_box(Loop(again.say))
    assert box.locked()
    box.unlock(CODE)
    assert not box.locked()


def test_a_locked_box_tells_its_state_its_supply_and_no_more(rig, box):
    box.send(2, link_cases.PROGRAM)
    box.arm(2)
    box.set_passcode(CODE, ROUNDS)
    before = box.status()
    box.lock()
    status = box.status()
    assert before.locked is False
    assert status.locked is True
    assert before.run.slot == 2
    assert (status.run.state, status.run.slot, status.run.run, status.run.started_tick) == (
        "running",
        None,
        None,
        None,
    )
    assert (status.measured.supply_v, status.measured.current_a, status.measured.temp_c) == (
        12.6,
        None,
        25.12,
    )
    for request in (box.slots, box.facts, box.read_journal, box.selftest, lambda: box.arm(2)):
        with pytest.raises(RefusedError, match="the box is locked"):
            request()
    assert box.halt().state == "idle"
    assert rig.box.state == "idle"


def test_neither_passcode_nor_key_travels_once_it_is_set(rig, box):
    box.set_passcode(CODE, ROUNDS)
    key = rig.box.lock._key
    line = bytearray()

    def wire(data: bytes) -> bytes:
        answer = rig.say(data)
        line.extend(data + answer)
        return answer

    box = open_box(Loop(wire))
    box.lock()
    box.unlock(CODE)
    said = bytes(line).lower()
    assert key == passcode.key(CODE, rig.box.lock.salt, ROUNDS)
    for secret in (CODE.encode(), CODE.encode().hex().encode(), key, key.hex().encode()):
        assert secret not in said
    answers = [part for part in said.split(b'"') if len(part) == 64]
    assert len(answers) == 1  # the answer to the challenge, and nothing else of its size


def test_what_was_heard_once_opens_nothing(rig, box):
    """Somebody records an unlocking and plays it back."""
    box.set_passcode(CODE, ROUNDS)
    box.lock()
    heard = []

    def wire(data: bytes) -> bytes:
        heard.append(data)
        return rig.say(data)

    open_box(Loop(wire)).unlock(CODE)
    assert not rig.box.lock.locked
    rig.say(b"SYST:PASS:CDIS\n")
    for data in heard:
        rig.say(data)
    assert rig.box.lock.locked


def test_wrong_ones_are_slowed_and_the_right_one_must_wait_too(rig, box):
    box.set_passcode(CODE, ROUNDS)
    box.lock()
    for _ in range(3):
        with pytest.raises(RefusedError, match="isn't its passcode"):
            box.unlock("wrong")
    with pytest.raises(RefusedError, match=r"too soon .*\(3 failed so far; the next try is taken in 5 s\)"):
        box.unlock(CODE)
    rig.wait(5 * TICKS_PER_S)
    assert box.unlock(CODE) == 3


def test_no_message_shows_a_key(rig, box):
    box.set_passcode(CODE, ROUNDS)
    box.lock()
    with pytest.raises(RefusedError) as refusal:
        box.set_passcode("other", ROUNDS)
    assert '"' not in str(refusal.value)
    assert ":SYST:PASS:NEW" in str(refusal.value)


@pytest.mark.parametrize("rounds", [1, passcode.FEWEST_ROUNDS - 1, passcode.MOST_ROUNDS + 1])
def test_a_box_that_asks_for_a_cheap_or_an_endless_key_gets_none(rig, box, rounds):
    """Another's device could ask for one round, and learn the passcode from the answer."""
    box.set_passcode(CODE, ROUNDS)
    box.lock()
    rig.box.lock.rounds = rounds
    with pytest.raises(LinkError, match="no box of ours does"):
        box.unlock(CODE)


def test_a_damaged_lock_is_told(rig, box):
    rig.store.files["lock"] = b"damaged"
    box = open_box(Loop(reboot(rig).say))
    assert (box.locked(), box.has_passcode()) == (True, True)
    with pytest.raises(RefusedError, match="the lock's file is damaged"):
        box.unlock(CODE)


def test_the_default_rounds_are_within_what_the_host_accepts():
    assert passcode.FEWEST_ROUNDS <= passcode.ROUNDS <= passcode.MOST_ROUNDS


@pytest.mark.parametrize("attempt", range(6))
def test_a_bad_line_never_locks_its_owner_out(seed, attempt):
    """Whatever a line does to the setting of a passcode: no passcode, or the one that was meant."""
    rng = Random(f"{seed} {attempt}")
    rig = Rig()
    line = FaultyLine(rig, rng)
    box = open_box(line)
    line.rate = 0.3
    held = [None]
    for number in range(12):
        code = f"code {number}"
        try:
            box.set_passcode(code, ROUNDS)
            held = []
        except LinkError:
            pass
        if rig.box.lock.salt:
            held.append(passcode.key(code, rig.box.lock.salt, ROUNDS))
        assert rig.box.lock._key in held
        held = [rig.box.lock._key]
    assert line.faults
    line.rate = 0.0
    box.set_passcode(CODE, ROUNDS)
    box.lock()
    line.rate = 0.2
    for _ in range(20):
        try:
            box.unlock(CODE)
            break
        except LinkError:
            rig.wait(core.WAITS_S[-1] * TICKS_PER_S)
    line.rate = 0.0
    assert not box.locked()
    assert not rig.box.lock.locked


@pytest.mark.parametrize("request_", ["unlock", "set"])
def test_an_answer_that_came_through_changed_is_given_anew(rig, box, request_):
    """To a new challenge: the old one is used up, and a replayed answer would be refused for ever."""
    box.set_passcode(CODE, ROUNDS)
    if request_ == "unlock":
        box.lock()
    spoilt = []

    def wire(data: bytes) -> bytes:
        head = b':SYST:PASS "' if request_ == "unlock" else b":SYST:PASS:NEW "
        if head in data and not spoilt:
            spoilt.append(data)
            at = data.index(b'"\n') - 1
            data = data[:at] + (b"1" if data[at : at + 1] == b"0" else b"0") + data[at + 1 :]
        return rig.say(data)

    box = open_box(Loop(wire))
    if request_ == "unlock":
        box.unlock(CODE)
    else:
        box.set_passcode("barn owl", ROUNDS)
        assert rig.box.lock._key == passcode.key("barn owl", rig.box.lock.salt, ROUNDS)
    assert spoilt
    assert not rig.box.lock.locked
    assert rig.box.lock.tries == 0


def test_passcodes_from_files(tmp_path):
    path = tmp_path / "code"
    for raw in (b"grey heron 7", b"grey heron 7\n", b"grey heron 7\r\n", b"\xef\xbb\xbfgrey heron 7\n"):
        path.write_bytes(raw)
        assert passcode.from_file(str(path)) == CODE
    for raw, why in (
        (b"", "holds nothing"),
        (b"a\nb\n", "2 lines"),
        (b"\n", "4 or more characters"),
        (b"owl", "4 or more characters"),
        (b"x" * 300, "at most 256 bytes"),
        (b"\xff\xfe\x00", "no UTF-8"),
    ):
        path.write_bytes(raw)
        with pytest.raises(InputError, match=why) as error:
            passcode.from_file(str(path))
        assert error.value.findings[0].file == str(path)
    with pytest.raises(InputError, match="can't be read"):
        passcode.from_file(str(tmp_path / "none"))


@given(some.text(min_size=4, max_size=20))
def test_the_same_passcode_from_another_keyboard(code):
    """Composed or decomposed letters, as systems differ: one key (Unicode Standard Annex 15)."""
    import unicodedata

    one, other = (unicodedata.normalize(form, code) for form in ("NFC", "NFD"))
    try:
        assert passcode.checked(one) == passcode.checked(other)
    except InputError:
        assert len(one) < 4
