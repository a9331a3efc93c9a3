"""What a box tells, in the host's units; see client.py. Nothing here asks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from nightdraw import journals


@dataclass(frozen=True)
class Identity:
    """What *IDN? says."""

    maker: str
    model: str
    serial: str
    firmware: str


@dataclass(frozen=True)
class Stored:
    """A program as the box read it back from its flash; `bytes` is its size."""

    slot: int
    profile: str
    bytes: int
    crc32: int


@dataclass(frozen=True)
class RunState:
    """What the box is doing: `state` as boxcore.states names it; slot, run and the tick of the run's zero on
    the box's clock, None where there is none."""

    state: str
    slot: int | None
    run: int | None
    started_tick: int | None


@dataclass(frozen=True)
class Measurement:
    """Supply in volts (from a locked box a slow mean), the circuit's current in amperes with the box's own
    consumption (None from a locked box), bank temperature in degrees Celsius (None from one, or without a
    sensor)."""

    supply_v: float
    current_a: float | None
    temp_c: float | None


@dataclass(frozen=True)
class Wait:
    """What the box waits for, of boxcore.states.WAITS; the level that the supply is to rest below, and the
    seconds left to the start or of what plays: None where there are none, and from a locked box."""

    what: str | None
    below_mv: int | None
    left_s: float | None


@dataclass(frozen=True)
class BoxStatus:
    """Everything at a glance; a locked box doesn't tell slot, run, current and what it waits for."""

    run: RunState
    measured: Measurement
    wait: Wait
    questionable: int
    locked: bool


@dataclass(frozen=True)
class BoardFacts:
    """What the box believes of its board: name, own consumption, conductance of each channel."""

    board: str
    own_ua: int
    channels_ns: tuple[int, ...]


@dataclass(frozen=True)
class JournalBytes:
    """Journal records as stored, from offset `start` of the whole journal; see nightdraw.journals."""

    start: int
    data: bytes

    def records(self) -> list[dict[str, Any]]:
        """The decoded records."""
        return list(journals.decode(self.data))
