"""The lock from the host: what travels, what a locked box still tells, refusals, and a bad line."""

from __future__ import annotations

import types
from random import Random

import pytest
from boxcore import lock as core
from hypothesis import given
from hypothesis import strategies as some
from nightdraw.errors import InputError, LinkError
from nightdraw.link import BoxClient, LoopTransport, RefusedError, latch, open_box, passcode

from tests.link.faulty import FaultyLine
from tests.micropython import link_cases
from tests.micropython.link_rig import TICKS_PER_S, Rig

CODE = "grey heron 7"
TELL_TICKS = core.TELL_TICKS
COST = passcode.LEAST_COST  # a tenth of a second saved a passcode


@pytest.fixture(autouse=True)
def told_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Time stands in a rig: the box's share must not wait for it to pass."""
    monkeypatch.setattr(core, "TELL_TICKS", 0)


@pytest.fixture
def rig() -> Rig:
    return Rig()


@pytest.fixture
def box(rig: Rig) -> BoxClient:
    return open_box(LoopTransport(rig.say))


def reboot(rig: Rig) -> Rig:
    """The same flash after a power loss."""
    return Rig(rig.store.files)


def test_a_box_without_a_passcode_is_open(box):
    assert (box.locked(), box.has_passcode()) == (False, False)
    assert (box.tries().failed, box.tries().wait_s) == (0, 0)
    with pytest.raises(RefusedError, match="no passcode is set"):
        box.lock()


def test_set_lock_unlock_change_and_clear(rig, box):
    box.set_passcode(CODE, COST)
    assert (box.locked(), box.has_passcode()) == (False, True)
    box.lock()
    assert box.locked()
    assert box.unlock(CODE) == 0
    box.set_passcode("another one", COST)
    box.lock()
    with pytest.raises(RefusedError, match=r"isn't its passcode \(1 failed so far; try again\)"):
        box.unlock(CODE)
    assert box.unlock("another one") == 1
    box.clear_passcode()
    assert (box.locked(), box.has_passcode()) == (False, False)
    assert not reboot(rig).box.lock.locked


def test_a_power_up_locks(rig, box):
    box.set_passcode(CODE, COST)
    again = reboot(rig)
    box = open_box(LoopTransport(again.say))
    assert box.locked()
    box.unlock(CODE)
    assert not box.locked()


def test_a_locked_box_tells_its_state_its_supply_and_no_more(rig, box):
    box.send(2, link_cases.PROGRAM)
    box.arm(2)
    box.set_passcode(CODE, COST)
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
        None,
    )
    for request in (box.slots, box.facts, box.read_journal, box.selftest, lambda: box.arm(2)):
        with pytest.raises(RefusedError, match="the box is locked"):
            request()
    assert box.halt().state == "idle"
    assert rig.box.state == "idle"


def test_neither_passcode_nor_record_travels(rig, box):
    line = bytearray()

    def wire(data: bytes) -> bytes:
        answer = rig.say(data)
        line.extend(data + answer)
        return answer

    box = open_box(LoopTransport(wire))
    box.set_passcode(CODE, COST)
    box.lock()
    box.unlock(CODE)
    w0, w1 = passcode.numbers(CODE, rig.box.lock.salt, COST)
    assert rig.box.lock._record == passcode.record(w0, w1)
    secrets = [CODE.encode(), *(number.to_bytes(32, "big") for number in (w0, w1))]
    secrets += [rig.box.lock._record[at : at + 32] for at in range(0, len(rig.box.lock._record) - 32, 5)]
    said = bytes(line).lower()
    for secret in secrets:
        assert secret not in line
        assert secret.hex().encode() not in said


def test_it_waits_until_the_box_tells_its_share(rig, box, monkeypatch):
    monkeypatch.setattr(latch.time, "sleep", lambda seconds: rig.wait(round(seconds * TICKS_PER_S)))
    box.set_passcode(CODE, COST)
    monkeypatch.setattr(core, "TELL_TICKS", TELL_TICKS)
    box.lock()
    before = rig.now
    assert box.unlock(CODE) == 0
    assert TELL_TICKS <= rig.now - before <= TELL_TICKS + TICKS_PER_S


def test_it_doesnt_wait_for_ever(rig, box, monkeypatch):
    box.set_passcode(CODE, COST)
    box.lock()
    monkeypatch.setattr(core, "TELL_TICKS", 10**9)
    clock = iter(range(10**6))
    monkeypatch.setattr(
        latch, "time", types.SimpleNamespace(monotonic=lambda: next(clock), sleep=lambda s: None)
    )
    with pytest.raises(LinkError, match="no believable answer from its lock"):
        box.unlock(CODE)


def test_a_box_that_only_pretends_to_know_the_passcode_is_told_nothing(rig, box):
    """It plays the exchange with a record of its own; the host's confirmation, which would let it go on with
    the real box, never comes."""
    box.set_passcode(CODE, COST)
    box.lock()
    guess = passcode.record(*passcode.numbers("another guess", rig.box.lock.salt, COST))
    rig.box.lock._record = guess
    heard = []

    def wire(data: bytes) -> bytes:
        heard.append(data)
        return rig.say(data)

    with pytest.raises(RefusedError, match="isn't its passcode"):
        open_box(LoopTransport(wire)).unlock(CODE)
    assert any(f':SYST:PASS "{bytes(32).hex()}"'.encode() in data for data in heard)


def test_what_was_heard_once_opens_nothing(rig, box):
    """Somebody records an unlocking and plays it back."""
    box.set_passcode(CODE, COST)
    box.lock()
    heard = []

    def wire(data: bytes) -> bytes:
        heard.append(data)
        return rig.say(data)

    open_box(LoopTransport(wire)).unlock(CODE)
    assert not rig.box.lock.locked
    rig.say(b"SYST:PASS:CDIS\n")
    for data in heard:
        rig.say(data)
    assert rig.box.lock.locked


def test_wrong_ones_are_slowed_and_the_right_one_must_wait_too(rig, box):
    box.set_passcode(CODE, COST)
    box.lock()
    for _ in range(3):
        with pytest.raises(RefusedError, match="isn't its passcode"):
            box.unlock("wrong")
    with pytest.raises(RefusedError, match=r"too soon .*\(3 failed so far; the next try is taken in 5 s\)"):
        box.unlock(CODE)
    rig.wait(5 * TICKS_PER_S)
    assert box.unlock(CODE) == 3


def test_no_message_shows_a_key(rig, box):
    box.set_passcode(CODE, COST)
    box.lock()
    with pytest.raises(RefusedError) as refusal:
        box.set_passcode("the other", COST)
    assert '"' not in str(refusal.value)
    assert ":SYST:PASS:NEW" in str(refusal.value)


@pytest.mark.parametrize("cost", [1, COST - 1, COST + 1, 3 * COST, 2 * passcode.MOST_COST])
def test_a_box_that_asks_for_a_cheap_or_an_endless_derivation_gets_none(rig, box, cost):
    box.set_passcode(CODE, COST)
    box.lock()
    rig.box.lock.cost = cost
    with pytest.raises(LinkError, match="no box of ours does"):
        box.unlock(CODE)


def test_a_damaged_lock_is_told(rig, box):
    rig.store.files["lock"] = b"damaged"
    box = open_box(LoopTransport(reboot(rig).say))
    assert (box.locked(), box.has_passcode()) == (True, True)
    with pytest.raises(RefusedError, match="the lock's file is damaged"):
        box.unlock(CODE)


def test_the_default_cost_is_what_the_host_accepts():
    assert passcode.is_cost(passcode.COST)


GUESSED = {
    "0000": "only 4 characters",
    "owl": "only 3 characters",
    "000000": "only 1 different characters",
    "121212": "only 2 different characters",
    "aaaaaaaaab": "only 2 different characters",
    "123456": "a row of neighbours",
    "987654": "a row of neighbours",
    "34567890": "a row of neighbours",
    "fghijk": "a row of neighbours",
    "FEDCBA": "a row of neighbours",
    "Qwertz": "a row of neighbours",
    "poiuytrewq": "a row of neighbours",
    "123123": "the same piece again and again",
    "abcabcab": "the same piece again and again",
}


@pytest.mark.parametrize(("code", "why"), GUESSED.items())
def test_what_is_soon_guessed_is_refused_in_a_sentence(box, code, why):
    with pytest.raises(InputError, match=f"the passcode .*{why}.*it would soon be guessed.*three words"):
        box.set_passcode(code, COST)
    assert not box.has_passcode()


@pytest.mark.parametrize("code", ["grey heron 7", "481516", "owl owl hen", "ab12ab"])
def test_others_are_taken(code):
    assert passcode.strong(code) == code


@pytest.mark.parametrize("attempt", range(6))
def test_a_bad_line_never_locks_its_owner_out(seed, attempt):
    """Whatever a line does to the setting of a passcode: no passcode, or the one that was meant."""
    rng = Random(f"{seed} {attempt}")
    rig = Rig()
    line = FaultyLine(rig, rng)
    box = open_box(line)
    line.rate = 0.3
    held: list[bytes | None] = [None]
    for number in range(6):
        code = f"my code {number}"
        try:
            box.set_passcode(code, COST)
            held = []
        except LinkError:
            pass
        if rig.box.lock.salt:
            held.append(passcode.record(*passcode.numbers(code, rig.box.lock.salt, COST)))
        assert rig.box.lock._record in held
        held = [rig.box.lock._record]
    assert line.faults
    line.rate = 0.0
    box.set_passcode(CODE, COST)
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


@pytest.mark.parametrize(
    "head", [b":SYST:PASS:SHAR ", b':SYST:PASS "', b":SYST:PASS:NEW:SHAR ", b":SYST:PASS:NEW "]
)
def test_what_came_through_changed_is_given_anew(rig, box, head):
    """A share, a confirmation or a record with a bit turned over: asked again, and no try is lost by it."""
    unlocks = b"NEW" not in head
    if unlocks:
        box.set_passcode(CODE, COST)
        box.lock()
    spoilt = []

    def wire(data: bytes) -> bytes:
        if head in data and not spoilt:
            spoilt.append(data)
            at = data.index(head) + len(head) + 40
            data = data[:at] + bytes((data[at] ^ 1,)) + data[at + 1 :]
        return rig.say(data)

    box = open_box(LoopTransport(wire))
    if unlocks:
        try:
            box.unlock(CODE)
        except RefusedError:  # a changed confirmation is a wrong one: the try is lost, the passcode is not
            assert head == b':SYST:PASS "'
            box.unlock(CODE)
    else:
        box.set_passcode(CODE, COST)
    assert spoilt
    assert not rig.box.lock.locked
    assert rig.box.lock.tries == 0
    assert rig.box.lock._record == passcode.record(*passcode.numbers(CODE, rig.box.lock.salt, COST))


def test_passcodes_from_files(tmp_path):
    path = tmp_path / "code"
    for raw in (b"grey heron 7", b"grey heron 7\n", b"grey heron 7\r\n", b"\xef\xbb\xbfgrey heron 7\n"):
        path.write_bytes(raw)
        assert passcode.from_file(str(path)) == CODE
    for raw, why in (
        (b"", "holds nothing"),
        (b"a\nb\n", "2 lines"),
        (b"\n", "at least one character"),
        (b"x" * 300, "at most 256 bytes"),
        (b"\xff\xfe\x00", "no UTF-8"),
    ):
        path.write_bytes(raw)
        with pytest.raises(InputError, match=why) as error:
            passcode.from_file(str(path))
        assert error.value.findings[0].file == str(path)
    with pytest.raises(InputError, match="can't be read"):
        passcode.from_file(str(tmp_path / "none"))


@given(some.text(min_size=1, max_size=20))
def test_the_same_passcode_from_another_keyboard(code):
    """Composed or decomposed letters, as systems differ: one key (Unicode Standard Annex 15)."""
    import unicodedata

    one, other = (unicodedata.normalize(form, code) for form in ("NFC", "NFD"))
    try:
        assert passcode.checked(one) == passcode.checked(other)
    except InputError:
        pytest.fail("a text of letters is a passcode")
