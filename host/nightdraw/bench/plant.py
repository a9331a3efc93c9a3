"""What the box is wired to: an open-circuit supply behind a resistance, the true bank, its faults, Ohm's law.

Only the truth lives here, never what the box believes. Each pattern has one operating point:
V = Voc - R (V G + I own).
"""

from __future__ import annotations

import random
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from boxcore.port import NOT_MEASURED

from nightdraw.errors import InputError

SUPPLY_MV = 12_600  # a rested, charged 12 V battery (common practice: 12.6 V)
SOURCE_UOHM = 40_000  # battery some 10 mOhm, fuse and harness the rest: 40 mV at 1 A
AMBIENT_CDEG = 2_500  # a workshop's 25 C
ADC_STEP_MV = 5  # 12 bits over a 20 V divider: 4.9 mV a step
MONITOR_STEP_UA = 50  # a current monitor's 10 uV step across a 0.2 ohm shunt
NS_PER_S = 1e9

STUCK_ON, OPEN = "stuck-on", "open"
_FAULT = re.compile(rf"({STUCK_ON}|{OPEN}):([1-9][0-9]?)")


@dataclass(frozen=True)
class SwitchDefect:
    """One broken channel (from 1): `stuck-on` conducts whenever there is a supply, `open` never does."""

    kind: str
    channel: int


def parse_faults(texts: Iterable[str], channels: int) -> tuple[SwitchDefect, ...]:
    """The faults in texts like `stuck-on:3`; raises InputError naming what is wrong."""
    faults: list[SwitchDefect] = []
    for text in texts:
        match = _FAULT.fullmatch(text)
        if match is None:
            raise InputError(f"--fault {text!r}: must be {STUCK_ON}:CHANNEL or {OPEN}:CHANNEL")
        fault = SwitchDefect(match[1], int(match[2]))
        if fault.channel > channels:
            raise InputError(f"--fault {text}: the bank has channels 1 to {channels}")
        if any(fault.channel == other.channel for other in faults):
            raise InputError(f"--fault {text}: channel {fault.channel} is named twice")
        faults.append(fault)
    return tuple(faults)


def draw_resistors(ohms: Sequence[float], tolerances: Sequence[float], seed: int) -> list[float]:
    """Real resistances for nominal ones, anywhere within the tolerances (fractions); one seed, one bank."""
    source = random.Random(f"nightdraw bank {seed}")
    pairs = zip(ohms, tolerances, strict=True)
    return [nominal * (1 + tolerance * source.uniform(-1, 1)) for nominal, tolerance in pairs]


@dataclass(frozen=True)
class Point:
    """An operating point: supply current with the own consumption, bank current, volts at the box."""

    current_a: float
    bank_a: float
    supply_v: float


class Plant:
    """Supply, source resistance and true bank; asked for a pattern, answers with an operating point.

    channels_ns: true conductances, nanosiemens; own_ua: the box's true consumption while it has power;
    monitor: whether a bank current sensor is fitted; divider_ppm: how much too high the box's converter has
    the supply. Change the supply through supply_to().
    """

    def __init__(
        self,
        channels_ns: Sequence[int],
        own_ua: int,
        monitor: bool = True,
        faults: Iterable[SwitchDefect] = (),
        voc_mv: int = SUPPLY_MV,
        source_uohm: int = SOURCE_UOHM,
        divider_ppm: int = 0,
    ) -> None:
        self.channels_ns = tuple(channels_ns)
        self.own_ua = own_ua
        self.monitor = monitor
        self.divider_ppm = divider_ppm
        self.powered = True
        self.voc_mv = voc_mv
        self.source_uohm = source_uohm
        self.faults = tuple(faults)
        self._stuck = _mask(self.faults, STUCK_ON)
        self._working = ~_mask(self.faults, OPEN)
        self._points: dict[int, Point] = {}
        self._sensed: dict[int, tuple[int, int]] = {}

    def supply_to(self, voc_mv: int | None = None, source_uohm: int | None = None) -> None:
        """Change the open-circuit voltage, the source resistance, or both."""
        self.voc_mv = self.voc_mv if voc_mv is None else voc_mv
        self.source_uohm = self.source_uohm if source_uohm is None else source_uohm
        self._forget()

    def power(self, on: bool) -> None:
        """Pull the fuse or put it back: without power nothing draws, a stuck switch neither."""
        self.powered = on
        self._forget()

    def point(self, pattern: int) -> Point:
        """The operating point with the gates driven to `pattern`."""
        point = self._points.get(pattern)
        if point is None:
            point = self._points[pattern] = self._solve(pattern)
        return point

    def current_a(self, pattern: int) -> float:
        """Amperes out of the supply with the gates driven to `pattern`: what a clamp around the feed sees."""
        return self.point(pattern).current_a

    def sensed(self, pattern: int) -> tuple[int, int]:
        """What the box's converters read: supply millivolts, bank microamperes or NOT_MEASURED."""
        pair = self._sensed.get(pattern)
        if pair is None:
            point = self.point(pattern)
            supply_mv = _steps(point.supply_v * (1e3 + self.divider_ppm / 1e3), ADC_STEP_MV)
            bank_ua = _steps(point.bank_a * 1e6, MONITOR_STEP_UA) if self.monitor else NOT_MEASURED
            pair = self._sensed[pattern] = (supply_mv, bank_ua)
        return pair

    def _forget(self) -> None:
        self._points.clear()
        self._sensed.clear()

    def _solve(self, pattern: int) -> Point:
        if not self.powered:
            return Point(0.0, 0.0, 0.0)
        closed = pattern & self._working | self._stuck
        bank_s = sum(ns for k, ns in enumerate(self.channels_ns) if closed >> k & 1) / NS_PER_S
        return solve(self.voc_mv / 1e3, self.source_uohm / 1e6, bank_s, self.own_ua / 1e6)


def solve(voc_v: float, source_ohm: float, bank_s: float, own_a: float) -> Point:
    """Ohm's law around the loop, exactly: V = Voc - R (V G + I own), so V = (Voc - R I own) / (1 + R G).

    A supply that can't feed the box's own consumption gives 0 V and no current.
    """
    supply_v = (voc_v - source_ohm * own_a) / (1 + source_ohm * bank_s)
    if supply_v <= 0:
        return Point(0.0, 0.0, 0.0)
    bank_a = supply_v * bank_s
    return Point(bank_a + own_a, bank_a, supply_v)


def _mask(faults: Iterable[SwitchDefect], kind: str) -> int:
    return sum(1 << (fault.channel - 1) for fault in faults if fault.kind == kind)


def _steps(value: float, step: int) -> int:
    return int(value / step + 0.5) * step
