"""A box's self-test in full: the verdict of its own test, and each channel's when that names one.

The box itself says whether it passes (*TST?); where a channel fails, each is closed alone for a moment and
measured, so that every bad one is named. The same bounds serve as in the box.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from boxcore import selftest
from boxcore.slots import SLOTS

from nightdraw.link.client import BoxClient
from nightdraw.link.trims import TrimmedChannel

CLOSE_S = 2  # the box opens the channel by itself then, should this computer fail meanwhile
NOT_MEASURED = "not measured: this box has no current monitor"
REASONS = {
    selftest.SUPPLY_CHECK: "not tested: the supply is missing or out of range; connect the box to a battery",
    selftest.MONITOR_CHECK: "not tested: the current monitor doesn't answer; look at its wiring",
}


@dataclass(frozen=True)
class TestedChannel:
    """One channel (from 1): ok None where it wasn't tested; ohms measured, else as the box believes them."""

    channel: int
    ok: bool | None
    ohms: float | None
    message: str

    def document(self) -> dict[str, object]:
        """The JSON contract's keys."""
        return {"channel": self.channel, "ok": self.ok, "ohms": self.ohms, "message": self.message}


@dataclass(frozen=True)
class SelfTest:
    """ok: True, False, or None where it can't be told; code: what *TST? said; every channel."""

    ok: bool | None
    code: int
    message: str
    channels: tuple[TestedChannel, ...]


def run(box: BoxClient, progress: Callable[[int], None] = lambda channels: None) -> SelfTest:
    """Test an open box that plays nothing; raises RefusedError while it does. progress: channels done."""
    code = box.selftest()
    believed = box.channels()
    if not box.has_monitor():
        message = _reason(code) if code else NOT_MEASURED
        return _all(None if not code else False, code, message, believed)
    if code == selftest.PASS:
        judged = tuple(TestedChannel(c.channel, True, round(c.ohms, 1), "") for c in believed)
        return SelfTest(True, code, "every channel draws what it should", judged)
    if code not in range(1, len(believed) + 1):
        return _all(None if code == selftest.SUPPLY_CHECK else False, code, _reason(code), believed)
    return _measured(box, code, believed, progress)


def _all(ok: bool | None, code: int, message: str, believed: list[TrimmedChannel]) -> SelfTest:
    return SelfTest(
        ok, code, message, tuple(TestedChannel(c.channel, None, round(c.ohms, 1), message) for c in believed)
    )


def _reason(code: int) -> str:
    slot = code - selftest.SLOT_CHECK
    if 0 <= slot < SLOTS:
        return f"not tested: the program in slot {slot} is damaged; send it again"
    return REASONS.get(code, f"not tested: the box failed its check {code}")


def _measured(
    box: BoxClient, code: int, believed: list[TrimmedChannel], progress: Callable[[int], None]
) -> SelfTest:
    """Close each channel alone and judge it by what the circuit draws beyond what it draws with none."""
    rest_a = _current_a(box)
    stuck = rest_a - box.facts().own_ua / 1e6 > selftest.ZERO_UA / 1e6
    judged = []
    for channel in believed:
        judged.append(_judge(box, channel, rest_a, channel.channel == code, stuck))
        progress(channel.channel)
    bad = [str(one.channel) for one in judged if not one.ok]
    message = f"channel {', '.join(bad)} fails" if len(bad) == 1 else f"channels {', '.join(bad)} fail"
    return SelfTest(False, code, message, tuple(judged))


def _current_a(box: BoxClient) -> float:
    measured = box.measure().current_a
    assert measured is not None  # an open box tells it, and a locked one has refused before
    return measured


def _judge(box: BoxClient, channel: TrimmedChannel, rest_a: float, named: bool, stuck: bool) -> TestedChannel:
    """named: the box's own test names it; stuck: a current flows with every switch open."""
    box.close_channel(channel.channel, CLOSE_S)
    try:
        now = box.measure()
    finally:
        box.halt()
    assert now.current_a is not None
    drawn_a = now.current_a - rest_a
    wanted_a = now.supply_v / channel.ohms
    spare_a = wanted_a * selftest.PERCENT / 100 + selftest.STEP_UA / 1e6
    ohms = round(now.supply_v / drawn_a, 1) if drawn_a > selftest.STEP_UA / 1e6 else None
    figures = f"draws {drawn_a * 1000:.2f} mA, should draw {wanted_a * 1000:.2f} mA at {now.supply_v:.2f} V"
    if named and stuck and abs(drawn_a) <= spare_a:
        return TestedChannel(channel.channel, False, None, "its switch doesn't open: " + figures)
    if abs(drawn_a - wanted_a) > spare_a:
        return TestedChannel(channel.channel, False, ohms, _what(drawn_a, spare_a) + figures)
    if named:
        return TestedChannel(channel.channel, False, ohms, "the box's own test names it, now it " + figures)
    return TestedChannel(channel.channel, True, ohms, "")


def _what(drawn_a: float, spare_a: float) -> str:
    return "it never closes: " if abs(drawn_a) <= spare_a else ""
