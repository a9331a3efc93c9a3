"""What every request to a box stands on: its session, what must not be done twice, and how a failure is told.

It knows no command of the box.
"""

from __future__ import annotations

from collections.abc import Callable

from nightdraw.errors import Finding, LinkError
from nightdraw.link.message import GarbledError
from nightdraw.link.session import TRIES, Session
from nightdraw.link.transport import Transport

STORE_S = 10.0  # 16 KB into flash: four blocks erased and written, with slack


class Line:
    """An open line to a box."""

    def __init__(self, transport: Transport) -> None:
        self._session = Session(transport)

    @property
    def address(self) -> str:
        """Where the box is."""
        return self._session.name

    def close(self) -> None:
        """Let go of the line; the box goes on with what it does."""
        self._session.transport.close()

    def _only_once(self, unit: str, done: Callable[[], bool], limit_s: float = STORE_S) -> None:
        """Do what must not be done twice: after a lost answer, look whether it was done."""
        for _ in range(TRIES):
            try:
                self._session.once(unit, limit_s=limit_s)
                return
            except GarbledError:
                self._session.settle()
                if done():
                    return
        raise self._error(f"no believable answer to {unit}", "look at the box's state")

    def _error(self, what: str, hint: str) -> LinkError:
        return LinkError(Finding(f"{self.address}: {what}", hint=hint))


def text(answer: bytes) -> str:
    """The text of an answer, a string's without its quotes."""
    return answer.decode("ascii", "replace").strip('"')
