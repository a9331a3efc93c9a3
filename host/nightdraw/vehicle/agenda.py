"""What will happen when. Ticks and actions, nothing of what they do."""

from __future__ import annotations

import heapq
from collections.abc import Callable

NEVER = 1 << 62  # a tick that never comes


class Agenda:
    """What will happen when; equal ticks in the order of entry."""

    def __init__(self) -> None:
        self._heap: list[tuple[int, int, Callable[[], None]]] = []
        self._entries = 0

    def add(self, tick: int, action: Callable[[], None]) -> None:
        """Let `action` happen at `tick`."""
        self._entries += 1
        heapq.heappush(self._heap, (tick, self._entries, action))

    def next(self) -> int:
        """The tick of the next entry, NEVER where there is none."""
        return self._heap[0][0] if self._heap else NEVER

    def run(self, tick: int) -> None:
        """Let everything happen that is due."""
        while self._heap and self._heap[0][0] <= tick:
            heapq.heappop(self._heap)[2]()
