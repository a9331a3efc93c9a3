"""A line that loses, changes and doubles bytes both ways, from a seed, with a box at its end. No test here.

While nothing comes the box's time passes, so that waiting costs no time of ours.
"""

from __future__ import annotations

from collections.abc import Callable
from random import Random

from tests.micropython.link_rig import TICKS_PER_S, Rig


class FaultyLine:
    """A Transport. `rate` is the chance that a message suffers; `late` that an answer comes a read later."""

    def __init__(self, rig: Rig, rng: Random, rate: float = 0.0) -> None:
        self.name = "faulty line"
        self.rate = rate
        self.faults = 0
        self._rig = rig
        self._rng = rng
        self._waiting = b""
        self._late = b""

    def write(self, data: bytes) -> None:
        """Send, for better or worse."""
        answers = self._spoil(self._rig.say(self._spoil(data)))
        if self._rng.random() < self.rate / 4:
            self._late += answers
        else:
            self._waiting += self._late + answers
            self._late = b""

    def read(self, limit_s: float) -> bytes:
        """What came; when nothing did, the box's time goes on to the limit."""
        data, self._waiting = self._waiting, b""
        if not data:
            self._rig.wait(int(limit_s * TICKS_PER_S) + 1)
            if self._rng.random() < 0.5:
                self._waiting, self._late = self._late, b""
        return data

    def close(self) -> None:
        """Nothing to let go of."""

    def _spoil(self, data: bytes) -> bytes:
        if not data or self._rng.random() >= self.rate:
            return data
        self.faults += 1
        spoil = self._rng.choice(SPOILS)
        return spoil(data, self._rng)


def _lose_all(data: bytes, rng: Random) -> bytes:
    return b""


def _cut(data: bytes, rng: Random) -> bytes:
    return data[: rng.randrange(len(data))]


def _lose_some(data: bytes, rng: Random) -> bytes:
    at = rng.randrange(len(data))
    return data[:at] + data[at + rng.randint(1, 8) :]


def _change(data: bytes, rng: Random) -> bytes:
    at = rng.randrange(len(data))
    return data[:at] + bytes([data[at] ^ 1 << rng.randrange(8)]) + data[at + 1 :]


def _double(data: bytes, rng: Random) -> bytes:
    return data + data


def _insert(data: bytes, rng: Random) -> bytes:
    at = rng.randrange(len(data))
    return data[:at] + rng.randbytes(rng.randint(1, 8)) + data[at:]


SPOILS: list[Callable[[bytes, Random], bytes]] = [_lose_all, _cut, _lose_some, _change, _double, _insert]
