"""The raw prompt of a MicroPython board: run code there, with a time limit on everything.

Leans on mpremote's SerialTransport, which is pinned because its interface will change. Nothing here knows
what the code is for.
"""

from __future__ import annotations

import ast
import binascii
import contextlib
import io
import struct
import time
from collections.abc import Callable, Iterator
from typing import Any

from nightdraw.errors import Finding, LinkError, printable

MOST_SHOWN = 200  # characters of what a board says of its own trouble
CALL_S = 10.0  # a few flash blocks erased (0.4 s each at worst) and written, with slack
ENTER_S = 1.0  # the prompt answers within milliseconds; a board that still starts is asked again
WRITE_S = 5.0
READ_S = 2.0
PIECE_BYTES = 768  # of a file at once: 1 KB as base64, small beside the board's free memory
MOST_BYTES = 1 << 16  # of one call's answer: a folder's names are a few KB

Progress = Callable[[int], None]  # bytes written so far


class PromptError(LinkError):
    """The board said no, or said nothing; `printed` is what it printed as an error."""

    def __init__(self, finding: Finding, printed: str = "") -> None:
        super().__init__(finding)
        self.printed = printed


class _Limited:
    """A serial port that gives up at a deadline, whatever is being read meanwhile."""

    def __init__(self, port: Any) -> None:
        self._port = port
        self._until_s = 0.0
        self._left = 0

    def allow(self, limit_s: float) -> None:
        """Begin a call that may take so long, and MOST_BYTES of answer."""
        self._until_s = time.monotonic() + limit_s
        self._left = MOST_BYTES

    def _check(self) -> None:
        if time.monotonic() > self._until_s:
            raise TimeoutError("no end of it in time")

    def read(self, size: int = 1) -> bytes:
        self._check()
        data = bytes(self._port.read(size))
        self._left -= len(data)
        if self._left < 0:
            raise TimeoutError("it says more than there can be to say")
        return data

    def write(self, data: bytes) -> int:
        self._check()
        return int(self._port.write(data))

    def inWaiting(self) -> int:  # noqa: N802 - the name that mpremote calls
        self._check()
        return int(self._port.in_waiting)

    def close(self) -> None:
        self._port.close()


class Prompt:
    """An entered raw prompt. Use it as a context manager, or close() it."""

    def __init__(self, name: str) -> None:
        """Open the port and enter the raw prompt; raises PromptError where none answers within ENTER_S."""
        from mpremote.transport_serial import SerialTransport

        self.name = name
        with self._guarded(f"{name}: can't open the port"):
            self._transport = SerialTransport(name, timeout=READ_S)
        self._transport.serial.write_timeout = WRITE_S
        self._limited = _Limited(self._transport.serial)
        self._transport.serial = self._limited
        try:
            self._enter()
        except BaseException:
            self.close()
            raise

    def _enter(self) -> None:
        with (
            self._guarded(f"{self.name}: no MicroPython prompt answers"),
            contextlib.redirect_stdout(io.StringIO()),
        ):
            self._limited.allow(2 * ENTER_S)
            self._transport.enter_raw_repl(soft_reset=False, timeout_overall=ENTER_S)

    def __enter__(self) -> Prompt:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the port; the board stays where it is."""
        with contextlib.suppress(Exception):
            self._limited.close()

    def run(self, code: str, limit_s: float = CALL_S) -> str:
        """Run code; returns what it printed. Raises PromptError: an exception there, a dead line, no end."""
        with self._guarded(f"{self.name}: the line to the board broke"):
            self._limited.allow(limit_s)
            printed, error = self._transport.exec_raw(code, timeout=limit_s)
        if error:
            output = error.decode("utf-8", "replace").strip()
            last = printable((output.splitlines() or ["nothing"])[-1])[:MOST_SHOWN]
            raise PromptError(Finding(f"{self.name}: the board says: {last}"), output)
        text: str = printed.decode("utf-8", "replace")
        return text

    def value(self, expression: str, limit_s: float = CALL_S) -> Any:
        """What an expression is there: numbers, texts, lists, dicts."""
        output = self.run(f"print(repr({expression}))", limit_s)
        try:
            return ast.literal_eval(output.strip())
        except (ValueError, SyntaxError, RecursionError, MemoryError):
            raise PromptError(
                Finding(f"{self.name}: the board's answer makes no sense: {output!r:.80}")
            ) from None

    def put(self, path: str, data: bytes, progress: Progress | None = None) -> None:
        """Write a file there, piece by piece. What a pulled cable leaves of it is anybody's guess."""
        self.run(f"import binascii\n_file = open({path!r}, 'wb')")
        for at in range(0, len(data), PIECE_BYTES):
            piece = data[at : at + PIECE_BYTES]
            text = binascii.b2a_base64(piece, newline=False)
            self.run(f"_ = _file.write(binascii.a2b_base64({text!r}))")
            if progress is not None:
                progress(at + len(piece))
        self.run("_file.close()")

    def leave(self, code: str) -> None:
        """Run code that has no end here: a reset."""
        with self._guarded(f"{self.name}: the line to the board broke"):
            self._limited.allow(CALL_S)
            self._transport.exec_raw_no_follow(code)

    @contextlib.contextmanager
    def _guarded(self, what: str) -> Iterator[None]:
        """Whatever mpremote and pyserial raise becomes a PromptError."""
        import serial
        from mpremote.transport import TransportError

        try:
            yield
        except (TransportError, serial.SerialException, OSError, struct.error, ValueError) as error:
            why = f": {printable(str(error))[:MOST_SHOWN]}" if str(error) else ""
            raise PromptError(Finding(what + why)) from None
