"""One conversation with a box: questions repeated until an answer can be believed, refusals made errors.

It knows the exchange, never what a command means.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Sequence

from boxcore.scpi_errors import QUEUE_DEPTH

from nightdraw.errors import Finding, LinkError
from nightdraw.link import message
from nightdraw.link.message import GarbledError
from nightdraw.link.transport import Transport

ANSWER_S = 3.0  # a flash stall takes 0.4 s, storing a program a few of them
QUIET_S = 0.05  # a line that says nothing for this long has said what it had to
SILENCE_S = 2.2  # a box gives up a block after 2 s without a byte
TRIES = 4
LAST_NUMBER = 9999
NO_ERROR = 0
UNDEFINED_HEADER = -113


class RefusedError(LinkError):
    """The box refused; `code` is the standard's error number, 0 where the box gave none."""

    def __init__(self, finding: Finding, code: int) -> None:
        super().__init__(finding)
        self.code = code


class Session:
    """Sealed questions and answers over a transport."""

    def __init__(self, transport: Transport) -> None:
        self.transport = transport
        self._number = 0
        self._received = b""

    @property
    def name(self) -> str:
        """The line's address, for messages."""
        return self.transport.name

    def plain(self, question: str) -> list[bytes]:
        """The answers to an unsealed question, for a box not known yet; repeated when nothing comes."""
        for attempt in range(TRIES):
            self.settle(thoroughly=attempt > 1)
            self.transport.write(question.encode("ascii") + b"\n")
            deadline = time.monotonic() + ANSWER_S
            with contextlib.suppress(GarbledError):
                while True:
                    answers = self._next_message(deadline)[0]
                    if message.seal_of(answers) is None:  # else settle()'s, late
                        return answers
        raise self._no_answer(question)

    def ask(self, *units: str, block: bytes | None = None, limit_s: float = ANSWER_S) -> list[bytes]:
        """The answers to units that may be sent more than once; each header starts at the root.

        Raises RefusedError for an error of the box's, LinkError without a believable answer in TRIES tries.
        """
        for attempt in range(TRIES):
            with contextlib.suppress(GarbledError):
                return self.once(*units, block=block, limit_s=limit_s)
            self.settle(thoroughly=attempt > 0)
            self.drain()
        raise self._no_answer(units[0])

    def once(self, *units: str, block: bytes | None = None, limit_s: float = ANSWER_S) -> list[bytes]:
        """The same, sent only once: raises GarbledError when it isn't known whether the box did it."""
        answers, error = self._exchange(units, block, limit_s)
        code, text = parse_error(error)
        if code != NO_ERROR:
            self.drain()
            raise RefusedError(Finding(f"{self.name}: the box refused {units[0]}: {text}"), code)
        if len(answers) != sum(unit.split(" ")[0].endswith("?") for unit in units):
            raise GarbledError("not an answer to every question")
        return answers

    def drain(self) -> list[tuple[int, str]]:
        """Read the box's error queue empty; what it held."""
        found: list[tuple[int, str]] = []
        for _ in range(QUEUE_DEPTH + TRIES):
            try:
                error = parse_error(self._exchange((), None, ANSWER_S)[1])
            except GarbledError:
                self.settle(thoroughly=True)
                continue
            if error[0] == NO_ERROR:
                return found
            found.append(error)
        raise self._no_answer(message.ERROR)

    def settle(self, thoroughly: bool = False) -> None:
        """End whatever the box takes to be under way, begin its seal anew, pass over what it has to say."""
        self._read_until_quiet(SILENCE_S if thoroughly else QUIET_S)
        self.transport.write(message.anew())
        self._read_until_quiet(QUIET_S)
        self._received = b""

    def _read_until_quiet(self, quiet_s: float) -> None:
        deadline = time.monotonic() + ANSWER_S
        while self.transport.read(quiet_s) and time.monotonic() < deadline:
            pass

    def _exchange(
        self, units: Sequence[str], block: bytes | None, limit_s: float
    ) -> tuple[list[bytes], bytes]:
        """The answers to the units, and the entry of the error queue that goes with them."""
        self._number = self._number % LAST_NUMBER + 1
        self.transport.write(message.sealed(units, self._number, block))
        deadline = time.monotonic() + limit_s
        answers: list[bytes] = []
        said = b""
        while True:
            heard, raw = self._next_message(deadline)
            seal = message.seal_of(heard)
            if seal is None:
                answers += heard
                said += raw
            elif seal[0] != self._number:  # it ends an earlier question, whose answers came late
                answers, said = [], b""
            elif message.fits(seal, units, block, said, heard[0]):
                return answers, heard[0]
            else:
                raise GarbledError("the seal doesn't fit")

    def _next_message(self, deadline: float) -> tuple[list[bytes], bytes]:
        """The next message's answers and its bytes."""
        while True:
            found = message.split(self._received)
            if found is not None:
                answers, length = found
                raw, self._received = self._received[:length], self._received[length:]
                return answers, raw
            data = self.transport.read(max(0.0, deadline - time.monotonic()))
            if not data:
                raise GarbledError("no answer")
            self._received += data

    def _no_answer(self, question: str) -> LinkError:
        what = f"{self.name}: no believable answer to {question} in {TRIES} tries"
        return LinkError(Finding(what, hint="is it a box, and does it have power? unplug it and try again"))


def parse_error(answer: bytes) -> tuple[int, str]:
    """Number and text of an answer to SYSTem:ERRor?."""
    number, _, text = answer.partition(b",")
    try:
        return int(number), text.decode("ascii").strip('"')
    except ValueError:
        raise GarbledError("not an entry of an error queue") from None
