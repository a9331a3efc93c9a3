"""One conversation with a box: questions are repeated until an answer is verified; refusals become errors.

Theory of operation. A serial line may lose, garble, repeat or delay bytes. Behind each question goes the
exchange checksum (message.py) with a running number. The answer is accepted only where number, CRC-32 of
what the box received and CRC-32 of what it sent all fit; then question and answer are known to be whole and
to belong together. Otherwise the line is settled (`settle`): what the box takes to be under way is ended,
its output is read until it is quiet, a new number is agreed on, and the question is repeated, TRIES times in
all. So only questions that may be repeated are asked this way; line.py has the rest. It knows the exchange,
never what a command means.
"""

from __future__ import annotations

import contextlib
import re
import time
from collections.abc import Sequence

from nightdraw.errors import Finding, LinkError, printable
from nightdraw.link import message
from nightdraw.link.message import GarbledError
from nightdraw.link.transport import Transport

ANSWER_S = 3.0  # a flash stall takes 0.4 s, storing a program a few of them
SETTLE_S = 1.0  # a flash stall with slack
QUIET_S = 0.05  # a line without a byte for this long has no more to send
SILENCE_S = 2.2  # a box gives up a block after 2 s without a byte
TRIES = 4
LAST_NUMBER = 9999
MOST_ANSWER_BYTES = (
    1 << 16
)  # bytes of answers before an exchange checksum: late ones of an earlier question may come first
MOST_ERRORS = 64  # entries of an error queue: the box's holds a quarter of that
NO_ERROR = 0
UNDEFINED_HEADER = -113


class RefusedError(LinkError):
    """The box refused; `code` is the standard's error number, 0 where the box gave none."""

    def __init__(self, finding: Finding, code: int) -> None:
        super().__init__(finding)
        self.code = code


class Session:
    """Questions and answers with an exchange checksum, over a transport."""

    def __init__(self, transport: Transport) -> None:
        self.transport = transport
        self._number = 0
        self._received = b""
        self._clean = False  # nothing is under way, and the box's error queue is known to be empty

    @property
    def name(self) -> str:
        """The line's address, for messages."""
        return self.transport.name

    def plain(self, question: str) -> list[bytes]:
        """The answers to a question without checksum, for a box not known yet; repeated when nothing
        comes."""
        for attempt in range(TRIES):
            self.settle(thoroughly=attempt > 1)
            self._clean = False
            self.transport.write(question.encode("ascii") + b"\n")
            deadline = time.monotonic() + ANSWER_S
            with contextlib.suppress(GarbledError):
                while True:
                    answers = self._next_message(deadline)[0]
                    if message.checksum_of(answers) is None:  # else settle()'s, late
                        return answers
        raise self._no_answer(question)

    def ask(self, *units: str, block: bytes | None = None, limit_s: float = ANSWER_S) -> list[bytes]:
        """The answers to units that may be sent more than once; each header starts at the root.

        Raises RefusedError for an error of the box's, LinkError without a believable answer in TRIES tries.
        """
        for attempt in range(TRIES):
            if attempt > 1:
                self.settle(thoroughly=True)
            with contextlib.suppress(GarbledError):
                return self.once(*units, block=block, limit_s=limit_s)
        raise self._no_answer(units[0])

    def once(self, *units: str, block: bytes | None = None, limit_s: float = ANSWER_S) -> list[bytes]:
        """The same, sent only once: raises GarbledError when it isn't known whether the box did it."""
        if not self._clean and not self.settle():
            raise GarbledError("the line doesn't settle")
        answers, error = self._exchange(units, block, limit_s)
        code, text = parse_error(error)
        if code != NO_ERROR:
            raise RefusedError(Finding(f"{self.name}: the box refused {_shown(units[0])}: {text}"), code)
        if len(answers) != sum(unit.split(" ")[0].endswith("?") for unit in units):
            raise GarbledError("not an answer to every question")
        return answers

    def errors(self) -> list[tuple[int, str]]:
        """What the box's error queue holds; it is empty afterwards. An entry of a lost answer is lost."""
        found: list[tuple[int, str]] = []
        failed = 0
        self.settle(clear=False)
        while failed < TRIES and len(found) < MOST_ERRORS:
            try:
                error = parse_error(self._exchange((), None, ANSWER_S)[1])
            except GarbledError:
                failed += 1
                self.settle(thoroughly=failed > 1, clear=False)
                continue
            if error[0] == NO_ERROR:
                return found
            found.append(error)
        raise self._no_answer(message.ERROR)

    def settle(self, thoroughly: bool = False, clear: bool = True) -> bool:
        """End whatever the box takes to be under way, pass over what it has to say, begin the exchange
        checksum anew; True when the box has said that it did. `clear`: clear its errors and events, too."""
        self._read_until_quiet(SILENCE_S if thoroughly else QUIET_S)
        self._received = b""
        self._next_number()
        question = f"{'*CLS;' if clear else ''}{message.CHECKSUM_QUERY}{self._number}"
        self.transport.write(f"\n{question}\n".encode("ascii"))
        settled = self._hears_checksum(time.monotonic() + SETTLE_S)
        self._clean = settled and clear
        return settled

    def _hears_checksum(self, deadline: float) -> bool:
        with contextlib.suppress(GarbledError):
            while True:
                checksum = message.checksum_of(self._next_message(deadline)[0])
                if checksum is not None and checksum[0] == self._number:
                    return True
        return False

    def _next_number(self) -> None:
        self._number = self._number % LAST_NUMBER + 1

    def _read_until_quiet(self, quiet_s: float) -> None:
        deadline = time.monotonic() + ANSWER_S
        while self.transport.read(quiet_s) and time.monotonic() < deadline:
            pass

    def _exchange(
        self, units: Sequence[str], block: bytes | None, limit_s: float
    ) -> tuple[list[bytes], bytes]:
        """The answers to the units, and the entry of the error queue that goes with them."""
        self._clean = False
        self._next_number()
        self.transport.write(message.with_checksum(units, self._number, block))
        deadline = time.monotonic() + limit_s
        answers: list[bytes] = []
        answered = b""
        while True:
            received, raw = self._next_message(deadline)
            checksum = message.checksum_of(received)
            if checksum is None:
                answers += received
                answered += raw
                if len(answered) > MOST_ANSWER_BYTES:
                    raise GarbledError("answers without an end")
            elif checksum[0] != self._number:  # it ends an earlier question, whose answers came late
                answers, answered = [], b""
            elif message.checksum_fits(checksum, units, block, answered, received[0]):
                self._clean = parse_error(received[0])[0] == NO_ERROR  # there may be more errors behind one
                return answers, received[0]
            else:
                raise GarbledError("the exchange checksum doesn't fit")

    def _next_message(self, deadline: float) -> tuple[list[bytes], bytes]:
        """The next message's answers and its bytes."""
        while True:
            found = message.split(self._received)
            if found is not None:
                answers, length = found
                raw, self._received = self._received[:length], self._received[length:]
                return answers, raw
            left_s = deadline - time.monotonic()
            data = self.transport.read(left_s) if left_s > 0 else b""  # a flood never lets a read go empty
            if not data:
                raise GarbledError("no answer")
            self._received += data

    def _no_answer(self, question: str) -> LinkError:
        what = f"{self.name}: no believable answer to {_shown(question)} in {TRIES} tries"
        return LinkError(Finding(what, hint="is it a box, and does it have power? unplug it and try again"))


def _shown(unit: str) -> str:
    """A unit as a message may show it: without its strings, which may be keys."""
    return unit.partition(' "')[0]


def _code(number: bytes) -> int:
    if not re.fullmatch(rb"[+-]?[0-9]{1,5}", number):
        raise ValueError
    return int(number)


def parse_error(answer: bytes) -> tuple[int, str]:
    """Number and text of an answer to SYSTem:ERRor?."""
    number, _, text = answer.partition(b",")
    try:
        return _code(number), printable(text.decode("ascii").strip('"'))
    except ValueError:
        raise GarbledError("not an entry of an error queue") from None
