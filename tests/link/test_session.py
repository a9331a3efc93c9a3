"""How long the session listens and waits, how it numbers, and what it takes back: against a scripted line
whose clock goes on only while somebody waits."""

from __future__ import annotations

import binascii
import re
from collections.abc import Callable

import pytest
from nightdraw.errors import LinkError
from nightdraw.link import session
from nightdraw.link.message import GarbledError
from nightdraw.link.session import RefusedError, Session

from tests.link.liar import Clock

ASKED = re.compile(rb":DIAG:SEAL\? ([0-9]+)\n")
SILENT: Callable[[bytes], bytes] = lambda data: b""  # noqa: E731 - a script like the others


class Line:
    """A Transport to a script: what it says to each write; `events` lists writes, and the limits of reads."""

    name = "a script"

    def __init__(self, clock: Clock, says: Callable[[bytes], bytes]) -> None:
        self.says = says
        self.events: list[bytes | float] = []
        self._clock = clock
        self._waiting = b""

    def write(self, data: bytes) -> None:
        self.events.append(data)
        self._waiting += self.says(data)

    def read(self, limit_s: float) -> bytes:
        self.events.append(limit_s)
        data, self._waiting = self._waiting, b""
        if not data:
            self._clock.sleep(limit_s)
        return data

    def close(self) -> None:
        pass

    def quiet_s(self) -> list[float]:
        """How long the line had to be quiet before each of settle()'s messages: a read's limit before it."""
        settling = [
            k for k, event in enumerate(self.events) if isinstance(event, bytes) and event[:1] == b"\n"
        ]
        found = [self.events[k - 1] for k in settling]
        assert all(isinstance(limit, float) for limit in found)
        return found  # type: ignore[return-value]

    def numbers(self) -> list[int]:
        """The numbers of every exchange checksum that was asked for."""
        writes = [event for event in self.events if isinstance(event, bytes)]
        return [int(number) for data in writes for number in ASKED.findall(data)]


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    clock = Clock()
    monkeypatch.setattr(session, "time", clock)
    return clock


class Honest:
    """A box's side of the exchange checksum: every `?` of a message is answered with `answers`, in turn."""

    def __init__(self, *answers: bytes, errors: tuple[bytes, ...] = ()) -> None:
        self.answers = list(answers)
        self.errors = list(errors)
        self.asked: list[bytes] = []
        self._heard = self._said = b""

    def __call__(self, data: bytes) -> bytes:
        return b"".join(self._message(line) for line in data.split(b"\n"))

    def _message(self, line: bytes) -> bytes:
        found: list[bytes] = []
        for unit in line.split(b";") if line else []:
            self._heard += unit + b";"
            if unit == b"*CLS":
                self.errors.clear()
            elif unit == b":SYST:ERR?":
                found.append(self.errors.pop(0) if self.errors else b'0,"No error"')
            elif unit.startswith(b":DIAG:SEAL? "):
                crcs = binascii.crc32(self._heard), binascii.crc32(self._said + b";".join(found))
                found.append(b"%s,%d,%d" % (unit[12:], *crcs))
                self._heard = self._said = b""
                return b";".join(found) + b"\n"
            else:
                self.asked.append(unit)
                found += [self.answers.pop(0)] if unit.endswith(b"?") else []
        said = b";".join(found) + b"\n" if found else b""
        self._said += said
        return said


def test_a_question_is_asked_four_times_of_a_silent_box_the_last_two_behind_its_patience(
    clock: Clock,
) -> None:
    """A box gives up a block after 2 s without a byte: what a garbled one began must have ended by then."""
    line = Line(clock, SILENT)
    with pytest.raises(LinkError, match=r"a script: no believable answer to \*IDN\? in 4 tries"):
        Session(line).plain("*IDN?")
    assert [event for event in line.events if event == b"*IDN?\n"] == [b"*IDN?\n"] * 4
    assert [limit > 2 for limit in line.quiet_s()] == [False, False, True, True]
    assert max(line.quiet_s()) <= 2.5
    assert max(line.quiet_s()[:2]) <= 0.1
    # four answers of 3 s, four settlings of 1 s, and the line's quiet
    assert clock.monotonic() == pytest.approx(4 * (3 + 1) + sum(line.quiet_s()))


def test_what_may_be_repeated_is_settled_at_first_quickly_and_in_the_end_thoroughly(clock: Clock) -> None:
    line = Line(clock, SILENT)
    with pytest.raises(LinkError, match="no believable answer to :SYST:PASS:SHAR in 4 tries"):
        Session(line).ask(':SYST:PASS:SHAR "00ff"')
    # attempts one and two settle once each; three and four thoroughly first, then, as that failed, once more
    assert [limit > 2 for limit in line.quiet_s()] == [False, False, True, False, True, False]


def test_an_error_queue_that_is_not_told_is_settled_thoroughly_from_the_second_failure_on(
    clock: Clock,
) -> None:
    line = Line(clock, SILENT)
    with pytest.raises(LinkError, match="no believable answer to :SYST:ERR"):
        Session(line).errors()
    assert [limit > 2 for limit in line.quiet_s()] == [False, False, True, True, True]
    assert not any(isinstance(event, bytes) and b"*CLS" in event for event in line.events)


def test_every_exchange_has_the_next_number_and_one_follows_the_last(clock: Clock) -> None:
    honest = Honest(*[b"1"] * 5)
    line = Line(clock, honest)
    one = Session(line)
    one._number = 9_996
    assert [one.ask(":X?") for _ in range(5)] == [[b"1"]] * 5
    assert line.numbers() == [9_997, 9_998, 9_999, 1, 2, 3]  # the first settles


def test_settling_believes_its_own_number_alone(clock: Clock) -> None:
    """The checksum of the exchange before, come late, is none of the new one's."""
    late = Line(clock, SILENT)
    one = Session(late)
    assert not one.settle()
    (before,) = late.numbers()
    late.says = lambda data: b'%d,1,2\n0,"No error"\n' % before
    assert not one.settle()
    late.says = lambda data: b"%s,1,2\n" % ASKED.findall(data)[-1]
    assert one.settle()


def test_a_settled_line_is_not_settled_again_until_something_went_wrong(clock: Clock) -> None:
    honest = Honest(b"1", b"2", b"3", errors=())
    line = Line(clock, honest)
    one = Session(line)
    assert (one.ask(":A?"), one.ask(":B?")) == ([b"1"], [b"2"])
    assert len(line.quiet_s()) == 1
    honest.errors += [b'-222,"Data out of range"', b'-113,"Undefined header"']
    with pytest.raises(RefusedError, match="a script: the box refused :C 1: Data out of range") as refusal:
        one.ask(":C 1")
    assert refusal.value.code == -222
    assert one.ask(":D?") == [b"3"]
    assert len(line.quiet_s()) == 2  # there might have been a second error
    assert honest.asked == [b":A?", b":B?", b":C 1", b":D?"]


def test_every_entry_of_the_error_queue_is_told_and_it_is_empty_then(clock: Clock) -> None:
    entries = (b'-222,"Data out of range"', b'-113,"Undefined header"', b'-350,"Queue overflow"')
    one = Session(Line(clock, Honest(errors=entries)))
    assert one.errors() == [(-222, "Data out of range"), (-113, "Undefined header"), (-350, "Queue overflow")]
    assert one.errors() == []


def test_a_queue_without_an_end_is_given_up(clock: Clock) -> None:
    with pytest.raises(LinkError):
        Session(Line(clock, Honest(errors=(b'-222,"x"',) * 10_000))).errors()


def test_more_or_fewer_answers_than_questions_are_none(clock: Clock) -> None:
    for answers, units in (((b"1;2",), (":A?",)), ((b"1",), (":A", ":B?")), ((b"1;2",), (":A?", ":B"))):
        one = Session(Line(clock, Honest(*answers)))
        questions = sum(unit.endswith("?") for unit in units)
        if answers[0].count(b";") + 1 == questions:
            assert one.once(*units) == list(answers)
        else:
            with pytest.raises(GarbledError):
                one.once(*units)


def test_an_answer_that_comes_after_its_time_is_none(clock: Clock) -> None:
    line = Line(clock, Honest(b"1"))
    one = Session(line)
    assert one.settle()
    honest, line.says = line.says, SILENT
    began = clock.monotonic()
    with pytest.raises(GarbledError, match="no answer"):
        one.once(":A?", limit_s=7.5)
    assert clock.monotonic() - began == pytest.approx(7.5)
    line.says = honest
    assert one.ask(":A?") == [b"1"]
