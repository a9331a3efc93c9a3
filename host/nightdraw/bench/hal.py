"""The bench's hardware shell: the box's word queue played exactly, in the bench's own ticks.

It answers the calls that boxcore.port names and tells the bench which pattern the gates hold from which tick
on. It decides nothing, and it knows no current: the plant does.
"""

from __future__ import annotations

import random
from collections import deque
from collections.abc import Callable

from boxcore.edgeplayer import RING_MASK
from boxcore.port import NOT_MEASURED

NEVER = 1 << 62  # a tick that never comes
QUEUE_WORDS = RING_MASK  # what the board's ring holds


class SimHal:
    """The queue and the gates.

    `on_change(tick, pattern)` is called once for each change of the gates, in order of time, when settle() or
    a call of the box reaches it. `measure(pattern)` gives the bank current in microamperes for probe(). `now`
    is the bench's tick; settle() moves it.
    """

    def __init__(
        self,
        on_change: Callable[[int, int], None],
        measure: Callable[[int], int] = lambda pattern: NOT_MEASURED,
        words: int = QUEUE_WORDS,
        seed: int = 0,
    ) -> None:
        self.now = 0
        self.supply_ppm = 0  # how much higher the supply is read than the converter has it
        self.pattern = 0  # what the gates hold at `now`
        self._on_change = on_change
        self._measure = measure
        self._words = words
        self._random = random.Random(f"nightdraw chip {seed}")
        self._waiting: list[tuple[int, int]] = []  # pushed before enable(): they have no instant yet
        self._starts: deque[int] = deque()  # the tick in which each queued word leaves the queue
        self._changes: deque[tuple[int, int]] = deque()  # what the queue will do to the gates
        self._end = 0  # the tick in which the last word ends
        self._last = 0  # the last word's pattern
        self._playing = False
        self._starved = False

    def settle(self, now: int) -> None:
        """Let time pass up to `now`: report every change of the gates on the way, an empty queue's too."""
        self.now = now
        changes = self._changes
        while changes and changes[0][0] <= now:
            self._set(*changes.popleft())
        if self._playing and self._end <= now:  # as the edge player: it opens every switch and stops for good
            self._playing = False
            self._starved = True
            self._last = 0
            self._set(self._end, 0)

    def next_change(self) -> int:
        """The tick of the gates' next change that is queued; far away where none is."""
        return self._changes[0][0] if self._changes else NEVER

    def room(self) -> int:
        """How many words push() can take now."""
        starts = self._starts
        while starts and starts[0] <= self.now:
            starts.popleft()
        return self._words - len(starts) - len(self._waiting)

    def push(self, pattern: int, ticks: int) -> None:
        """Queue one word; one too many is a defect of the box, and an AssertionError here."""
        if not self._playing:
            assert len(self._waiting) < self._words, "the box pushed a word into a full queue"
            self._waiting.append((pattern, ticks))
            return
        assert len(self._starts) < self._words or self.room() > 0, "the box pushed a word into a full queue"
        start = self._end
        if pattern != self._last:
            self._changes.append((start, pattern))
            self._last = pattern
        self._starts.append(start)
        self._end = start + ticks

    def enable(self) -> int:
        """Drive the gates and play from the first word, at this instant: 0 ticks late."""
        self._playing = True
        self._end = self.now
        waiting, self._waiting = self._waiting, []
        for pattern, ticks in waiting:
            self.push(pattern, ticks)
        self.settle(self.now)
        return 0

    def stop(self) -> None:
        """Open every switch now and empty the queue."""
        self._playing = self._starved = False
        self._waiting.clear()
        self._starts.clear()
        self._changes.clear()
        self._last = 0
        self._set(self.now, 0)

    def starved(self) -> bool:
        """True once after the queue ran empty while playing."""
        starved, self._starved = self._starved, False
        return starved

    def probe(self, pattern: int) -> int:
        """The bank current of one pattern; its milliseconds leave no trace in the recording."""
        return self._measure(pattern)

    def trim_supply(self, supply_ppm: int) -> None:
        """Take the supply's trim; the world's readings follow it."""
        self.supply_ppm = supply_ppm

    def random(self, count: int) -> bytes:
        """That many bytes of the bench's own random source: the same seed, the same bytes."""
        return self._random.randbytes(count)

    def _set(self, tick: int, pattern: int) -> None:
        if pattern != self.pattern:
            self.pattern = pattern
            self._on_change(tick, pattern)
