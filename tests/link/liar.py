"""A box that lies, behind a line in this process; what floods or dawdles, behind a TCP port. A liar's seals
are good, so that every word is believed to be its own. No test here.

A real simulated box is behind it, which is asked unit by unit; what it answers is replaced, or not.
"""

from __future__ import annotations

import binascii
import contextlib
import re
import socket
import threading
from collections.abc import Callable, Iterator
from random import Random

from nightdraw.bench.instrument import BenchLink
from nightdraw.bench.setup import build

Lie = Callable[[bytes, bytes], bytes]  # a question's header and the true answer -> what is said
BLOCK = re.compile(rb" #([1-9])")
TICKS_A_MESSAGE = 20
TICKS_A_SHARE = 20_000  # a box tells its share of a lock's exchange after some seconds
READ_S = 0.001  # what an answer takes on a line
MOST_S = 60.0  # a test that takes longer hangs
ESCAPES = [
    b"\x1b[2J",
    b"\x1b]0;x\x07",
    b"\x9b31m",
    b"\xc2\x9b31m",
    "\u202e\u2066".encode(),
    b"\x08\x08",
    b"\x00",
]
NUMBERS = [
    *(b"nan", b"NAN", b"inf", b"-inf", b"1e400", b"9.9E37", b"9.91E+37", b"", b"-", b".", b"+", b"1_000"),
    *(
        b"0x10",
        b" 1",
        b"1 ",
        b"\xef\xbc\x91",
        b"1,2,3,4,5,6,7",
        b"-1",
        b"-1,-1",
        b"1e15",
        b"0,1000000000000000",
    ),
    *(b"9" * 19, b"9" * 180, b"-" + b"9" * 30, b"0." + b"9" * 150, b"1.5", b"0", b"true", b"IDLE", b"warm"),
]
TEXTS = [
    *(b'"%s"' % escape for escape in ESCAPES),
    *(b'""', b'"', b'"a', b"''", b'"' + b"a" * 190 + b'"', b'"SLOT77"', b'"../../x"', b'"a;b"', b'"a""b"'),
    *(b"#0", b"#", b"#9999999999", b"#15hello", b"#13abc", b"#3160" + bytes(range(160)), b"#210abc"),
]


class Clock:
    """Stands in for the module time: it goes on only while somebody waits."""

    def __init__(self) -> None:
        self._now_s = 0.0

    def monotonic(self) -> float:
        return self._now_s

    def sleep(self, seconds: float) -> None:
        self._now_s += seconds


class Line:
    """A Transport to a liar: each read takes a little time, one that gets nothing all that it has."""

    def __init__(self, name: str, box: Liar, clock: Clock) -> None:
        self.name = name
        self._box, self._clock = box, clock
        self._said = b""
        box.connect()

    def write(self, data: bytes) -> None:
        self._said += self._box.feed(data)

    def read(self, limit_s: float) -> bytes:
        said, self._said = self._said, b""
        self._clock.sleep(READ_S if said else limit_s)
        return said

    def close(self) -> None:
        pass


class Liar:
    """Takes one connection after another. lie: what becomes of an answer."""

    def __init__(self, lie: Lie) -> None:
        self.lie = lie
        self.told = 0  # lies so far
        self._world = build().world()
        self._link = BenchLink(self._world)
        self._heard = self._said = self._waiting = b""

    def connect(self) -> None:
        """Begin a connection: what the last one left unfinished is gone."""
        self._waiting = b""

    def feed(self, data: bytes) -> bytes:
        """The answers to the messages that are whole by now."""
        self._waiting += data
        answers = b""
        while (end := self._message_end(self._waiting)) is not None:
            message, self._waiting = self._waiting[:end], self._waiting[end:]
            answers += self._answer(message)
        return answers

    def _message_end(self, waiting: bytes) -> int | None:
        """Behind the first message's line end, one within a block left out."""
        at = 0
        found = BLOCK.search(waiting)
        line = waiting.find(b"\n")
        if found and line > found.start():
            digits = int(found[1])
            if len(waiting) < found.end() + digits:
                return None
            at = found.end() + digits + int(waiting[found.end() : found.end() + digits])
        line = waiting.find(b"\n", at)
        return None if line < 0 else line + 1

    def _answer(self, message: bytes) -> bytes:
        found = BLOCK.search(message)
        if found:
            header, data = message[: found.start()], message[found.end() + int(found[1]) : -1]
            self._link.feed(message)
            self._heard += header + b";" + data
            return b""
        self._world.advance(TICKS_A_SHARE if b":PASS:SHAR?" in message else TICKS_A_MESSAGE)
        answers: list[bytes] = []
        for unit in message.strip().split(b";"):
            self._heard += unit + b";" if unit else b""
            if unit.startswith(b":DIAG:SEAL? "):
                said = self._said + b";".join(answers)
                answers.append(b"%s,%d,%d" % (unit[12:], binascii.crc32(self._heard), binascii.crc32(said)))
                self._heard = self._said = b""
                return b";".join(answers) + b"\n"
            true = self._link.feed(unit + b"\n").removesuffix(b"\n")  # a block may end in another
            if unit.split(b" ")[0].endswith(b"?"):
                answers.append(self._lies(unit, true))
        self._said += b";".join(answers) + b"\n" if answers else b""
        return b";".join(answers) + b"\n" if answers else b""

    def _lies(self, unit: bytes, true: bytes) -> bytes:
        said = self.lie(unit.split(b" ")[0], true)
        self.told += said != true
        return said


def liar(rng: Random, rate: float) -> Lie:
    """Lies at that rate, of every kind; the greeting is true, or there would be no more to lie about."""

    def lie(header: bytes, true: bytes) -> bytes:
        if header == b"*IDN?" or rng.random() >= rate:
            return true
        if header == b":SYST:ERR?":
            return b'-%d,"%s"' % (rng.choice([203, 221, 222, 282, 300]), rng.choice([*ESCAPES, b"x" * 150]))
        lies = [rng.choice(NUMBERS), rng.choice(TEXTS), _spoilt(true, rng), true + rng.choice(ESCAPES)]
        return rng.choice(lies).replace(b"\n", b" ")

    return lie


def _spoilt(true: bytes, rng: Random) -> bytes:
    """One field of it is another number."""
    fields = true.split(b",")
    fields[rng.randrange(len(fields))] = rng.choice(NUMBERS)
    return b",".join(fields)


def _flood(piece: bytes) -> Callable[[socket.socket], None]:
    def serve(connection: socket.socket) -> None:
        while True:
            connection.sendall(piece * 64)

    return serve


def _trickle(connection: socket.socket) -> None:
    """A byte now and then, for ever; the other end going is what ends it."""
    connection.settimeout(0.02)
    while True:
        with contextlib.suppress(TimeoutError):
            if not connection.recv(4096):
                return
        connection.sendall(b"1")


def _silence(connection: socket.socket) -> None:
    while connection.recv(4096):
        pass


def _greets_then(piece: bytes) -> Callable[[socket.socket], None]:
    """A box that floods after its greeting."""

    def serve(connection: socket.socket) -> None:
        from nightdraw import __version__

        while b"*IDN?" not in connection.recv(4096):
            pass
        connection.sendall(b"NIGHTDRAW,bench-12v,X,%s\n" % __version__.encode())
        _flood(piece)(connection)

    return serve


FLOODS = {
    "line ends": _flood(b"\n"),
    "lines": _flood(b'0,"No error"\n'),
    "seals": _flood(b"1,2,3\n"),
    "no line end": _flood(b"a" * 64),
    "bytes": _flood(bytes(range(256))),
    "escapes": _flood(b"\x1b[2J\x9b31m\n"),
    "a block without an end": _flood(b"#9999999999" + b"a" * 64),
    "prompts": _flood(b">>> "),
    "greeting, then lines": _greets_then(b"1;2;3\n"),
    "greeting, then bytes": _greets_then(bytes(range(256))),
    "trickle": _trickle,
    "silence": _silence,
    "closes": lambda connection: None,
}


@contextlib.contextmanager
def serving(serve: Callable[[socket.socket], None]) -> Iterator[str]:
    """An address where `serve` has each connection, until the other end or the test goes."""
    listener = socket.create_server(("127.0.0.1", 0))
    ended = threading.Event()

    def accept() -> None:
        while not ended.is_set():
            try:
                connection = listener.accept()[0]
            except OSError:
                return
            connection.settimeout(MOST_S)
            with contextlib.suppress(OSError), connection:
                serve(connection)

    thread = threading.Thread(target=accept, daemon=True)
    thread.start()
    try:
        yield f"socket://127.0.0.1:{listener.getsockname()[1]}"
    finally:
        ended.set()
        listener.shutdown(socket.SHUT_RDWR)
        listener.close()
        thread.join(MOST_S)
