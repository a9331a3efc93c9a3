"""One deadline for a whole conversation: whatever a box sends, and however slowly, it ends.

Nothing here knows what the bytes mean.
"""

from __future__ import annotations

import time
from collections.abc import Callable

from nightdraw.errors import Finding, LinkError
from nightdraw.link.transport import Transport

# What a command may take with one box, besides what it allows itself for its own amount of work: some ten
# questions, each in 20 ms, and a bad line's repeated ones, of up to 3 s each.
COMMAND_S = 30.0
AGAIN = "unplug the box, plug it in again; `nightdraw box check` says what is wrong"

Clock = Callable[[], float]


class Timed:
    """A Transport that gives up at the deadline, `limit_s` from now; allow() puts it off by the time that a
    known amount of work takes, renew() begins anew after a person was waited for."""

    def __init__(self, inner: Transport, limit_s: float = COMMAND_S, clock: Clock = time.monotonic) -> None:
        self.name = inner.name
        self._inner = inner
        self._clock = clock
        self._limit_s = limit_s
        self._given_s = limit_s
        self._until_s = clock() + limit_s

    def allow(self, more_s: float) -> None:
        """Put the deadline off: so much work lies ahead, of a bounded amount."""
        self._given_s += more_s
        self._until_s += more_s

    def renew(self) -> None:
        """Begin anew, with nothing of what was allowed."""
        self._given_s = self._limit_s
        self._until_s = self._clock() + self._limit_s

    def write(self, data: bytes) -> None:
        """Send everything."""
        self._left_s()
        self._inner.write(data)

    def read(self, limit_s: float) -> bytes:
        """Some bytes, b"" after the limit; raises LinkError at the deadline."""
        return self._inner.read(min(limit_s, self._left_s()))

    def close(self) -> None:
        """Let go of the line."""
        self._inner.close()

    def _left_s(self) -> float:
        left_s = self._until_s - self._clock()
        if left_s <= 0:
            what = f"{self.name}: the box came to no end within {self._given_s:.0f} s"
            raise LinkError(Finding(what, hint=AGAIN))
        return left_s
