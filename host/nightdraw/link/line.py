"""What every request to a box stands on: its session, what must not be done twice, and how a failure is told.

It knows no command of the box.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

from nightdraw.errors import Finding, LinkError
from nightdraw.link.answers import Query
from nightdraw.link.deadline import Timed
from nightdraw.link.message import GarbledError
from nightdraw.link.session import ANSWER_S, TRIES, Session
from nightdraw.link.transport import Transport

T = TypeVar("T")

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

    def allow(self, more_s: float) -> None:
        """Put this conversation's deadline off by what a known amount of work takes; see deadline.py."""
        if isinstance(self._session.transport, Timed):
            self._session.transport.allow(more_s)

    def renew(self) -> None:
        """Begin the deadline anew: a person was waited for meanwhile."""
        if isinstance(self._session.transport, Timed):
            self._session.transport.renew()

    def _get(self, query: Query[T], *arguments: object, limit_s: float = ANSWER_S) -> T:
        """The value that the box answers; raises LinkError for an answer that can't be one."""
        asked = ",".join(str(argument) for argument in arguments)
        unit = f"{query.unit} {asked}" if arguments else query.unit
        return query.read(self._session.ask(unit, limit_s=limit_s)[0], self.address)

    def _get_all(self, *queries: Query[Any]) -> list[Any]:
        """The values of several questions, asked in one message."""
        answers = self._session.ask(*(query.unit for query in queries))
        return [query.read(said, self.address) for query, said in zip(queries, answers, strict=True)]

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
