"""What the client asks, repeats, allows itself and refuses to believe: a box that answers right, and one
answer of it lost, changed or without an end."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest
from nightdraw import journals
from nightdraw.errors import LinkError
from nightdraw.link import BoxClient, LoopTransport, RefusedError, client, open_box, queries
from nightdraw.link.client import RunState, Stored
from nightdraw.link.deadline import Timed

from tests.micropython import link_cases
from tests.micropython.link_rig import TICKS_PER_S, Rig


class Lossy:
    """Bytes to a rig and back; the next message that holds `lose` is lost on the way there, or its answer."""

    def __init__(self) -> None:
        self.rig = Rig()
        self.lose: bytes | None = None
        self.there = False  # lost before the box heard it
        self.heard: list[bytes] = []

    def __call__(self, data: bytes) -> bytes:
        lost = self.lose is not None and self.lose in data
        if lost:
            self.lose = None
        if lost and self.there:
            return b""
        self.heard += data.split(b"\n")
        answers = self.rig.say(data)
        return b"" if lost else answers

    def times(self, text: bytes) -> int:
        """How often the box heard a command."""
        return sum(line.count(text) for line in self.heard)


@pytest.fixture
def line() -> Lossy:
    return Lossy()


@pytest.fixture
def box(line: Lossy) -> BoxClient:
    return open_box(LoopTransport(line))


def test_who_is_there_is_asked_once(box: BoxClient, line: Lossy) -> None:
    before = line.times(b"*IDN?")
    assert box.idn() == box.idn()
    assert line.times(b"*IDN?") == before


@pytest.mark.parametrize("wrong", [{"bytes": 1}, {"crc32": 1}, None])
def test_what_a_slot_holds_other_than_what_was_sent_is_an_error(
    box: BoxClient, monkeypatch: pytest.MonkeyPatch, wrong: dict[str, int] | None
) -> None:
    true = box.send(2, link_cases.PROGRAM)
    changed = None if wrong is None else replace(true, **wrong)
    monkeypatch.setattr(box, "stored", lambda slot: changed)
    with pytest.raises(LinkError, match="slot 2 doesn't hold what was sent"):
        box.send(2, link_cases.PROGRAM)


def test_a_damaged_slot_is_none_of_the_whole_ones_and_any_other_refusal_is_told(
    box: BoxClient, line: Lossy, monkeypatch: pytest.MonkeyPatch
) -> None:
    for slot in (1, 2):
        box.send(slot, link_cases.PROGRAM)
    line.rig.store.files["slot2"] = line.rig.store.files["slot2"][:-1]
    line.rig.box.slots.scan(2)
    assert (box.damaged(), [one.slot for one in box.slots()], box.stored(2)) == ([2], [1], None)

    def refuse(query: object, *arguments: object) -> None:
        if query is queries.PROGRAM:
            raise RefusedError(LinkError("the store failed").findings[0], -250)

    monkeypatch.setattr(box, "_catalog", lambda: [1])
    monkeypatch.setattr(box, "_get", refuse)
    for request in (box.damaged, box.slots, lambda: box.stored(1)):
        with pytest.raises(RefusedError, match="the store failed"):
            request()


def serve(monkeypatch: pytest.MonkeyPatch, box: BoxClient, answer: Callable[..., object]) -> None:
    monkeypatch.setattr(box, "_get", lambda query, *arguments: answer(query, *arguments))


def test_a_program_as_large_as_a_slot_is_read_and_a_larger_one_has_no_end(
    box: BoxClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = bytes(range(256)) * 64  # 16 384 bytes
    serve(monkeypatch, box, lambda query, slot, at, length: whole[at : at + length])
    assert box.program(3) == whole
    serve(monkeypatch, box, lambda query, slot, at, length: bytes(length))
    with pytest.raises(LinkError, match="slot 3 has no end"):
        box.program(3)


def test_a_program_a_multiple_of_the_pieces_long_is_read_to_its_end(
    box: BoxClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """16 384 is 102 pieces of 160 bytes and 64; a slot of 102 pieces ends with an empty one."""
    whole = bytes(16_320)
    serve(monkeypatch, box, lambda query, slot, at, length: whole[at : at + length])
    assert box.program(3) == whole


def test_reading_is_allowed_the_time_of_its_bytes(box: BoxClient, monkeypatch: pytest.MonkeyPatch) -> None:
    """1500 bytes come in a second over every line that works."""
    box.send(3, link_cases.LONG)
    allowed: list[float] = []
    monkeypatch.setattr(box, "allow", allowed.append)
    box.program(3)
    assert allowed == [pytest.approx(16_384 / 1500)]
    allowed.clear()
    start, end = box.journal_bounds()
    box.read_journal()
    assert allowed == [pytest.approx((end - start) / 1500)]
    allowed.clear()
    box.send(3, link_cases.LONG)
    assert allowed == [pytest.approx(2 * (10 + len(link_cases.LONG) / 1500))]


def test_a_deadline_is_put_off_by_what_is_allowed(line: Lossy) -> None:
    now = 0.0
    timed = Timed(LoopTransport(line), 5.0, lambda: now)
    box = BoxClient(timed)
    box.greet()
    box.allow(7.0)
    now = 11.9
    assert box.run().state == "idle"
    now = 12.0
    with pytest.raises(LinkError, match="came to no end within 12 s"):
        box.run()
    box.renew()
    now = 16.9
    assert box.run().state == "idle"
    now = 17.0
    with pytest.raises(LinkError, match="came to no end within 5 s"):
        box.run()


def test_the_slot_that_is_named_is_emptied_whichever_was_chosen_before(box: BoxClient) -> None:
    box.send(3, link_cases.PROGRAM)
    box.send(9, link_cases.OTHER)
    box.delete(3)
    assert [stored.slot for stored in box.slots()] == [9]


@pytest.mark.parametrize("there", [True, False])
def test_arming_whose_answer_was_lost_is_done_once(box: BoxClient, line: Lossy, there: bool) -> None:
    box.send(4, link_cases.PROGRAM)
    line.lose, line.there = b":PROG:STAT RUN", there
    assert box.arm(4) == RunState("running", 4, 1, 0)
    assert line.times(b":PROG:STAT RUN") == 1
    assert line.lose is None


def test_arming_that_was_lost_is_told_from_a_run_of_the_same_slot_that_ended(
    box: BoxClient, line: Lossy
) -> None:
    box.send(4, link_cases.resting(13_000))
    box.arm(4)
    line.rig.wait(3 * 3600 * TICKS_PER_S)
    ended = box.run()
    assert (ended.state, ended.slot) == ("ended", 4)
    line.lose, line.there = b":PROG:STAT RUN", True
    armed = box.arm(4)
    assert (armed.state, armed.run) == ("waiting", 2)
    assert line.times(b":PROG:STAT RUN") == 2


def test_arming_is_not_taken_for_done_where_another_slot_is_armed(box: BoxClient, line: Lossy) -> None:
    box.send(4, link_cases.PROGRAM)
    box.send(5, link_cases.PROGRAM)
    box.arm(4)
    line.lose, line.there = b":PROG:STAT RUN", True
    with pytest.raises(RefusedError) as refusal:
        box.arm(5)
    assert refusal.value.code == -221


@pytest.mark.parametrize("there", [True, False])
def test_emptying_whose_answer_was_lost_is_done_once(box: BoxClient, line: Lossy, there: bool) -> None:
    box.send(4, link_cases.PROGRAM)
    line.lose, line.there = b":PROG:DEL", there
    box.delete(4)
    assert box.slots() == []
    assert line.times(b":PROG:DEL") == 1


def test_how_far_the_journal_is_counts_from_where_reading_begins(box: BoxClient, line: Lossy) -> None:
    box.send(0, link_cases.PROGRAM)
    box.arm(0)
    line.rig.wait(3_000 * TICKS_PER_S)
    box.halt()
    start, end = box.journal_bounds()
    seen: list[tuple[int, int]] = []
    read = box.read_journal(start + 40, lambda done, total: seen.append((done, total)))
    total = end - start - 40
    assert len(read.data) == total
    assert read.data == journals.whole(line.rig.box.journal)[40:]
    assert [done for done, _ in seen] == sorted({done for done, _ in seen})
    assert seen[0][0] > 0
    assert {whole for _, whole in seen} == {total}
    assert seen[-1] == (total, total)


@pytest.mark.parametrize("extra", [None, 1])
def test_a_piece_of_the_journal_that_is_empty_or_too_long_is_an_error(
    box: BoxClient, monkeypatch: pytest.MonkeyPatch, extra: int | None
) -> None:
    def answer(query: object, *arguments: int) -> object:
        if query is queries.JOURNAL:
            return 0, 4_000
        return b"" if extra is None else bytes(arguments[2] + extra)

    serve(monkeypatch, box, answer)
    with pytest.raises(LinkError, match="the journal gave"):
        box.read_journal()


def test_time_is_skipped_ten_minutes_at_once_and_to_the_tick(
    box: BoxClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A whole day and a tick: 144 times ten minutes, and the tick."""
    asked: list[str] = []
    now = 77

    def once(unit: str, done: Callable[[], bool], limit_s: float) -> None:
        nonlocal now
        asked.append(unit)
        seconds, _, ticks = unit.removeprefix(":DIAG:CLOC:ADV ").partition(".")
        assert not done()
        now += int(seconds) * TICKS_PER_S + int(ticks)
        assert done()

    monkeypatch.setattr(box, "clock", lambda: now)
    monkeypatch.setattr(box, "_only_once", once)
    seen: list[tuple[int, int]] = []
    total = 86_400 * TICKS_PER_S + 1
    assert box.advance(client.Fraction(total, TICKS_PER_S), lambda done, of: seen.append((done, of))) == now
    assert now == 77 + total
    assert asked == [":DIAG:CLOC:ADV 600.0000"] * 144 + [":DIAG:CLOC:ADV 0.0001"]
    assert seen[0] == (600 * TICKS_PER_S, total)
    assert seen[-1] == (total, total)


def test_a_hand_level_is_asked_for_to_the_tick(box: BoxClient, line: Lossy) -> None:
    box.level(123_456, 12_345)
    assert line.times(b":OUTP:DUR 1.2345") == line.times(b":CURR 123456 UA") == 1
    line.rig.wait(12_344)
    assert box.run().state == "level"
    line.rig.wait(2)
    assert box.run().state == "idle"


def test_what_a_stored_program_is_told_as(box: BoxClient) -> None:
    stored = box.send(3, link_cases.PROGRAM)
    assert stored == Stored(3, "two-steps", len(link_cases.PROGRAM), stored.crc32)


def test_a_program_of_a_slots_size_reaches_the_box_which_says_what_it_is(box: BoxClient) -> None:
    with pytest.raises(RefusedError) as refusal:
        box.send(0, bytes(16_384))
    assert refusal.value.code == -285


def test_a_self_test_is_allowed_ten_seconds_more(box: BoxClient, monkeypatch: pytest.MonkeyPatch) -> None:
    allowed: list[float] = []
    monkeypatch.setattr(box, "allow", allowed.append)
    assert box.selftest() == 0
    assert allowed == [10.0]


def test_a_line_that_greets_nobody_is_let_go(line: Lossy) -> None:
    class Closing(LoopTransport):
        closed = False

        def close(self) -> None:
            self.closed = True

    deaf, sound = Closing(lambda data: b""), Closing(line)
    with pytest.raises(LinkError):
        open_box(deaf)
    with open_box(sound):
        assert (deaf.closed, sound.closed) == (True, False)
    assert sound.closed
