"""What meter and clamp show of a fault at the battery and at feeds: the readings that other methods lean on.

Which of them names the fuse, and how, is `findable`'s business.
"""

from __future__ import annotations

import functools
from dataclasses import replace
from typing import Any

from boxcore.program import TICKS_PER_S

from nightdraw.bench.finding import detectability
from nightdraw.bench.finding.detectability import Assessment, Signal
from nightdraw.bench.finding.difficulty import MAX_ON_A_METER, Sided
from nightdraw.bench.finding.method import Method
from nightdraw.bench.finding.place import Currents
from nightdraw.bench.finding.train import Signature
from nightdraw.instruments import setup
from nightdraw.instruments.front import Traits
from nightdraw.instruments.model import Meter, Range, Recorder
from nightdraw.vehicle.model import BATTERY

STEPS = 2.0  # of a display's last digit: less can't be told from rounding
CLAMP = "clamp and recorder"


class Readings(Sided):
    """One search's instruments at the battery and at feeds."""

    @functools.cache  # noqa: B019 (lives as long as the search)
    def meter_max(self, signature: Signature, woken_a: float = 0.0) -> Method:
        """MAX on a meter in line: that something draws, not where. woken_a: what its range must take too."""
        meter = self.kit.meter
        if meter is None or self.site.circuit.engine:
            why = "there is no meter" if meter is None else "a meter is never in line while the engine runs"
            return Method(MAX_ON_A_METER, False, why)
        scale, flows = self._in_line(signature, meter, woken_a)
        settings = {"range_a": scale.most_a, "burden_ohm": scale.ohms, "capture_s": meter.capture_s}
        if flows.most > scale.most_a:
            return Method(MAX_ON_A_METER, False, f"{flows.most:.3g} A is more than it takes", settings)
        hidden = self.hidden(signature, flows, BATTERY)
        if hidden is not None:
            return Method(MAX_ON_A_METER, False, hidden, settings)
        seen_a = flows.size * detectability.window_share(signature, meter.capture_s)
        figures = (
            f"{seen_a * 1000:.3g} mA of {signature.amps * 1000:.3g} mA shown{self._past(signature, flows)}"
        )
        own_a = 0.0
        if signature.pulsed:
            own_a, own = self._twitch_shown(meter, scale)
            figures += f", the vehicle's own {own} shows {own_a * 1000:.3g} mA" if own_a else ""
            crept_a = flows.creep * self.wait95_s(signature)
            if crept_a >= scale.step_a:
                own_a += crept_a
                figures += f", the battery's charge moves it by {crept_a * 1000:.3g} mA meanwhile"
        if seen_a < own_a + STEPS * scale.step_a:
            return Method(
                MAX_ON_A_METER,
                False,
                f"{figures}; the display's step is {scale.step_a * 1000:g} mA",
                settings,
            )
        row = Method(MAX_ON_A_METER, True, f"{figures}; it says that, not where", settings)
        return self.in_line(row, signature)

    def _in_line(self, signature: Signature, meter: Meter, woken_a: float) -> tuple[Range, Currents]:
        """The finest range that takes what flows with its burden in the cable, and that."""
        for scale in meter.ranges:
            flows = self.site.currents(signature, BATTERY, scale.ohms, woken_a)
            if scale.most_a >= detectability.HEADROOM * flows.most:
                break
        return scale, flows

    def _twitch_shown(self, meter: Meter, scale: Range) -> tuple[float, str]:
        """What MAX shows of the vehicle's own twitches, and the name of the one that shows most."""
        circuit, base_a = self.site.circuit, self.site.base_a()
        quiet_a = circuit.amps(BATTERY, base_a, scale.ohms)
        shown = [
            (
                (circuit.amps(BATTERY, base_a, scale.ohms, (t.fuse, t.draw_a)) - quiet_a)
                * min(1.0, t.on_ticks / TICKS_PER_S / meter.capture_s),
                t.name,
            )
            for t in self.site.twitches()
        ]
        return max(shown, default=(0.0, ""))

    def _past(self, signature: Signature, flows: Currents) -> str:
        """Words for what of the fault doesn't come from the battery."""
        circuit = self.site.circuit
        others = circuit.fed + (["second battery"] if circuit.shared else [])
        if not others or flows.size >= signature.amps * 0.995:
            return ""
        give = "gives" if len(others) == 1 else "give"
        return f", for the {' and the '.join(others)} {give} the rest past the battery's cable"

    def hidden(self, signature: Signature, flows: Currents, where: str) -> str | None:
        """Why a part that stays isn't told at a place from what else is there; None where it is told."""
        circuit, healthy_a = self.site.circuit, self.assumed.healthy_a
        if signature.pulsed:
            return None
        fed, shared = where == BATTERY and bool(circuit.fed), where == BATTERY and circuit.shared
        sick = self.site.sick and flows.own > healthy_a
        if circuit.asleep and not fed and not shared and not sick:
            return None
        if flows.own <= healthy_a < flows.own + flows.size:
            return None
        what = "battery's cable" if where == BATTERY else where
        if shared and flows.own + flows.size <= healthy_a:
            has_ma = 1000 * (flows.own + flows.size)
            return (
                f"{what} has {has_ma:.3g} mA of it all, a healthy vehicle's: a second battery gives the rest"
            )
        cause = f"the {' and the '.join(circuit.fed)} feeds" if circuit.fed else "modules are awake"
        cause = "defects of the vehicle's own draw" if sick and circuit.asleep and not circuit.fed else cause
        return f"{what} has {flows.own:.3g} A without it, for {cause}: one reading doesn't tell what stays"

    @functools.cache  # noqa: B019
    def clamp(self, signature: Signature, woken_a: float = 0.0) -> Method:
        """One clamp around the battery's cable, and a recorder: what it looks like. woken_a: as meter_max."""
        reason = self.no_clamp(1)
        if reason is not None:
            return Method(CLAMP, False, reason)
        number = self._wanted(signature)
        assessed = self.clamped(signature, 1, number, woken_a)
        if not assessed.clear:
            return Method(CLAMP, False, assessed.why, assessed.settings)
        what = "how much" if number == 1 else "its shape and period"
        row = Method(
            CLAMP, True, f"{assessed.why}; {what}, not where{self.named_alike(signature)}", assessed.settings
        )
        return self.timed(row, signature, number)

    def _wanted(self, signature: Signature) -> int:
        """How many pulses tell what it is: a few, one where it comes once."""
        if signature.train is None:
            return 1
        return (
            self.assumed.pulses if signature.train.lasting else min(self.assumed.pulses, len(signature.train))
        )

    def named_alike(self, signature: Signature, where: str = BATTERY) -> str:
        """Words for the vehicle's own twitches that can be taken for it."""
        names = self.site.alike(signature, where)
        return f"; not to be taken for the vehicle's own {', '.join(names)}" if names else ""

    def no_clamp(self, number: int) -> str | None:
        """Why so many clamps can't be recorded; None where they can."""
        if self.kit.recorder is None:
            return "there is no recorder"
        if self.kit.clamp is None or self.kit.clamp.count < number:
            return f"that takes {number} clamp{'s' if number > 1 else ''}"
        return None if self.kit.recorder.channels >= number else "the recorder has too few channels"

    def clamped(
        self, signature: Signature, channels: int, number: int, woken_a: float = 0.0, where: str = BATTERY
    ) -> Assessment:
        """A clamp at the battery or a feed: whether the fault is clear on it, and the settings."""
        clamp, recorder = self.kit.clamp, self.kit.recorder
        assert clamp is not None
        assert recorder is not None
        flows = self.site.currents(signature, where, 0.0, woken_a)
        most_a = flows.most * detectability.HEADROOM
        front = setup.clamp_front(clamp, recorder, most_a)
        if most_a > front.most:
            return Assessment(False, f"{most_a:.3g} A is beyond the clamp and the recorder", {})
        hidden = self.hidden(signature, flows, where)
        if hidden is not None:
            return Assessment(False, hidden, {})
        signal = Signal(signature, flows.size, flows.level, flows.twitch, front, "A", flows.creep)
        more = {"range_a": round(front.most, 6), "range_mv": front.most * clamp.mv_per_a}
        assessed = self.screened(signal, recorder, channels, number, more)
        return replace(assessed, why=assessed.why + self._past(signature, flows))

    def screened(
        self, signal: Signal, recorder: Recorder, channels: int, number: int, more: dict[str, Any]
    ) -> Assessment:
        """Whether it is clear, and the settings: rate, trigger, time across the screen, memory, and more."""
        signature = signal.signature
        assessed, noise = detectability.assess(signal, recorder.rate_hz)
        wait_s = self.pulses(signature, number)[0].p95_s
        samples = wait_s * assessed.settings["rate_hz"] / assessed.settings.get("smoothed_samples", 1)
        level = detectability.trigger(signal, noise, wait_s, samples) if signature.pulsed else None
        settings = {**assessed.settings, **more}
        why = assessed.why
        if level is not None:
            settings[f"trigger_{signal.unit.lower()}"] = round(level, 4)
        elif signature.pulsed and assessed.clear:
            wander = detectability.drift_of(signal.front, wait_s) + signal.creep * wait_s
            why += "; by eye: no trigger holds, so long a wait has noise and"
            why += f" a zero that wanders by {wander:.2g} {signal.unit}"
        found = detectability.screen(
            signature, recorder, channels, settings["rate_hz"], wait_s, level is not None, self.assumed.look_s
        )
        if found is None:
            why = f"{assessed.why}; the recorder's {recorder.memory} samples don't hold what one waits for"
            return Assessment(False, why, settings)
        return Assessment(assessed.clear, why, {**settings, **found})


def dropped(signature: Signature, flows: Currents, ohms: float, front: Traits) -> Signal:
    """What flows through a fuse as the millivolts across it."""
    mv_per_a = ohms * 1000
    size, level, twitch = (each * mv_per_a for each in (flows.size, flows.level, flows.twitch))
    return Signal(signature, size, level, twitch, front, "mV", flows.creep * mv_per_a)
