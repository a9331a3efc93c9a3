"""Whether a fault can be found with a school's instruments, by which method of the trade, how, and how long.

Each method weighs the signal against noise, resolution and capture time, then waits as waiting says. Times
count from a sleeping vehicle; to isolate is to name the fuse (two clamps: the feed). Handling times and heat
are our own figures, named here.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from boxcore.program import TICKS_PER_S

from nightdraw.bank import fuses as blades
from nightdraw.bench import waiting
from nightdraw.bench.waiting import Spread, Train
from nightdraw.instruments import setup
from nightdraw.instruments.front import Traits
from nightdraw.instruments.model import SHORTS, SINGLE_ENDED, Instruments
from nightdraw.profile import Profile
from nightdraw.profile.model import Steady
from nightdraw.vehicle.model import FUSE, Vehicle

MOVE_S = 60.0  # to move a clamp, or a recorder's leads to the next set of fuses
PULL_S = 15.0  # to pull a fuse and put down where it was
LOOK_S = 5.0  # to read a steady display or a steady trace
PULSES_SEEN = 3  # pulses that are wanted on a recording before its period is believed
CLEAR = 8.0  # a step of so many noise rms stands clear of the noise's peaks (4 rms either way)
STEPS = 2.0  # of the last digit or of the recorder: less can't be told from rounding
SAMPLES_A_PULSE = 10  # of a recording: fewer and a pulse's width isn't seen
LEAST_RATE_HZ = 20.0
LIFTED_A = 0.005  # a steady excess below this is lost among healthy vehicles (common practice: 15 .. 50 mA)
WARM_K_PER_W = 10.0  # a control module's case above its surroundings
WARM_UP_S, SCAN_S = 1200.0, 15.0  # until it is warm; to look at the parts of one circuit
SUPPLY_V = 12.5
HARD_S, EASY_S = 7200.0, 60.0  # a class has an hour or two; within a minute is no search


@dataclass(frozen=True)
class Method:
    """What one method comes to; time None where it doesn't show, closed (by formula) where none is known."""

    method: str
    shows: bool
    why: str
    settings: dict[str, Any] = field(default_factory=dict)
    time: Spread | None = None
    closed: Spread | None = None
    isolates: str | None = None

    def document(self) -> dict[str, Any]:
        """The JSON contract's keys, and more."""
        closed = None if self.closed is None else vars(self.closed)
        return {
            "method": self.method,
            "shows": self.shows,
            "why": self.why,
            "settings": self.settings,
            "expected_s": None if self.time is None else round(self.time.expected_s, 3),
            "p95_s": None if self.time is None else round(self.time.p95_s, 3),
            "closed_form": closed,
            "isolates": self.isolates,
        }


class Search:
    """One fault at one splice of a vehicle, for one school."""

    def __init__(self, profile: Profile, vehicle: Vehicle, kit: Instruments, splice: str, seed: int) -> None:
        place = vehicle.splice(splice)
        assert place is not None
        self.profile, self.vehicle, self.kit, self.seed = profile, vehicle, kit, seed
        self.fuse = next(fuse for fuse in vehicle.fuses if fuse.name == place.fuse)
        mohm, _ = blades.cold_mohm(self.fuse.type, self.fuse.rating_a)
        assert mohm is not None
        self.fuse_ohms = mohm / 1000
        self.train = waiting.train(profile, seed)
        self.pulsed = any(not isinstance(draw, Steady) for draw in profile.draws) and len(self.train) > 0
        self.amps = self.train.amps if self.pulsed else profile.base_ua() / 1e6
        self.mean_a = _mean_a(profile)
        self.width_s = self.train.width_s if self.pulsed else math.inf
        waking = [module for module in vehicle.modules if FUSE in module.wakes]
        self.resleep_s = max((sum(s.ticks for s in m.stages) for m in waking), default=0) / TICKS_PER_S

    def methods(self) -> list[Method]:
        """Every method of the trade."""
        return [
            self.meter_max(), self.clamp(), self.two_clamps(), self.drops(), self.pulling(), self.heat(),
        ]  # fmt: skip

    def meter_max(self) -> Method:
        """MAX on a meter in line: that something draws, not where."""
        name, meter = "MAX on a meter", self.kit.meter
        if meter is None:
            return Method(name, False, "there is no meter")
        scale = next((r for r in meter.ranges if r.most_a > 2 * (self.amps + 0.1)), meter.ranges[-1])
        seen_a = self.amps * min(1.0, self.width_s / meter.capture_s)
        own_a = max((self._captured(t.draw_a, t.on_ticks) for t in self.vehicle.twitches), default=0.0)
        settings = {"range_a": scale.most_a, "burden_ohm": scale.ohms, "capture_s": meter.capture_s}
        floor_a = max(STEPS * scale.step_a, own_a if self.pulsed else LIFTED_A)
        said = f"{seen_a * 1000:.1f} mA of {self.amps * 1000:.1f} mA shown"
        if seen_a <= floor_a:
            return Method(name, False, f"{said}: {self._hidden(floor_a, own_a)}", settings)
        time, closed = self._wait(1)
        return Method(name, True, f"{said}; it says that, not where", settings, time, closed)

    def clamp(self) -> Method:
        """One clamp around the battery's cable, and a recorder: what it looks like."""
        name = "clamp and recorder"
        reason = self._no_clamp(1)
        if reason is not None:
            return Method(name, False, reason)
        clear, why, settings = self._clamped(1)
        if not clear:
            return Method(name, False, why, settings)
        time, closed = self._wait(PULSES_SEEN)
        return Method(name, True, f"{why}; its shape and period, not where", settings, time, closed)

    def two_clamps(self) -> Method:
        """One clamp at the battery, the others on feed after feed until one shows the same."""
        name = "two clamps to split the feeds"
        reason = self._no_clamp(2)
        if reason is not None:
            return Method(name, False, reason)
        if len(self.vehicle.feeds) < 2:
            return Method(name, False, "there is one feed: nothing to split")
        assert self.kit.clamp is not None
        clear, why, settings = self._clamped(self.kit.clamp.count)
        if not clear:
            return Method(name, False, why, settings)
        spare = self.kit.clamp.count - 1
        # the last feed left over needs no clamp: it is the one where the others stayed quiet
        sets = -(-(len(self.vehicle.feeds) - 1) // spare)
        time = self._sets(sets, len(self.vehicle.feeds), spare)
        feed = self.vehicle.feed_of(self.fuse.name)
        return Method(name, True, why, {**settings, "sets": sets}, time, None, f"feed {feed}")

    def drops(self) -> Method:
        """Drops across as many fuses as the recorder has channels to spare beside the clamp."""
        name, recorder = "voltage drops across fuses", self.kit.recorder
        if recorder is None:
            return self._drops_by_hand(name)
        if recorder.inputs == SINGLE_ENDED:
            return Method(name, False, f"refused: {SHORTS}")
        spare = recorder.channels - (self.kit.clamp is not None)
        if spare < 1:
            return Method(name, False, "the recorder has no channel to spare beside the clamp")
        front = setup.drop_front(recorder)
        drop_mv = self.amps * self.fuse_ohms * 1000
        clear, why, settings = self._weigh(drop_mv, front, "mV", 1 + spare)
        if not clear:
            return Method(name, False, why, settings)
        sets = -(-len(self.vehicle.fuses) // spare)
        settings |= {"range_mv": front.most, "fuses_at_once": spare, "sets": sets}
        time = self._sets(sets, len(self.vehicle.fuses), spare)
        return Method(name, True, why, settings, time, None, f"fuse {self.fuse.name}")

    def _drops_by_hand(self, name: str) -> Method:
        """With a millivolt meter alone: fuse after fuse, good for what lasts as long as a reading."""
        meter = self.kit.fuse_meter
        if meter is None:
            return Method(name, False, "there is neither a recorder nor a millivolt meter")
        if self.width_s < meter.update_s:
            return Method(name, False, f"a pulse of {self.width_s:.3g} s ends before the meter has read it")
        front = Traits(meter.noise_mv, 0.5 / meter.update_s, step=meter.step_mv)
        clear, why, _ = self._weigh(self.amps * self.fuse_ohms * 1000, front, "mV", 1)
        if not clear:
            return Method(name, False, why, {"step_mv": meter.step_mv})
        time = self._sets(len(self.vehicle.fuses), len(self.vehicle.fuses), 1, PULL_S)
        return Method(
            name, True, f"{why}, fuse after fuse", {"step_mv": meter.step_mv}, time, None,
            f"fuse {self.fuse.name}",
        )  # fmt: skip

    def pulling(self) -> Method:
        """Pull fuse after fuse, leave them out, and see on the meter or the clamp where it stops."""
        name = "pulling fuses"
        watched = [one for one in (self.meter_max(), self.clamp()) if one.shows]
        if not watched:
            return Method(name, False, "neither meter nor clamp shows it: nothing tells when it stops")
        one, _ = self._wait(1)
        settings = {"watch_s": round(one.p95_s, 1), "resleep_s": self.resleep_s, "with": watched[-1].method}
        count, patience_s = len(self.vehicle.fuses), one.p95_s

        def search(train: Train, at_s: float, source: Any) -> float:
            for _ in range(int(source.integers(count))):  # fuses that aren't it: it goes on
                at_s += PULL_S + self.resleep_s
                at_s = train.seen(at_s) if self.pulsed else at_s + LOOK_S
            return at_s + PULL_S + self.resleep_s + patience_s

        time = self._simulate(search)
        why = f"each fuse wakes modules for {self.resleep_s:.0f} s; then one waits up to {patience_s:.0f} s"
        return Method(name, True, why, settings, time, None, f"fuse {self.fuse.name}")

    def heat(self) -> Method:
        """Touch or a thermal camera: what is warm that should be cold."""
        name, thermal = "touch or thermal camera", self.kit.thermal
        least_k = 10.0 if thermal is None else thermal.least_k  # a hand makes out some 10 K (common practice)
        watts = self.mean_a * SUPPLY_V
        rise_k = watts * WARM_K_PER_W
        why = f"{watts * 1000:.0f} mW on average warm a module by some {rise_k:.2g} K, {least_k:g} K are seen"
        if rise_k < least_k:
            return Method(name, False, why)
        places = len(self.vehicle.fuses)
        time = Spread(WARM_UP_S + SCAN_S * (places + 1) / 2, WARM_UP_S + SCAN_S * math.ceil(0.95 * places))
        return Method(name, True, why, {"warm_up_s": WARM_UP_S}, time, time, f"fuse {self.fuse.name}")

    def _captured(self, amps: float, ticks: int) -> float:
        assert self.kit.meter is not None
        return amps * min(1.0, ticks / TICKS_PER_S / self.kit.meter.capture_s)

    def _hidden(self, floor_a: float, own_a: float) -> str:
        if self.pulsed and floor_a == own_a:
            return f"the vehicle's own twitches show {own_a * 1000:.1f} mA"
        return f"less than {floor_a * 1000:.3g} mA can't be told apart here"

    def _no_clamp(self, number: int) -> str | None:
        if self.kit.recorder is None:
            return "there is no recorder"
        if self.kit.clamp is None or self.kit.clamp.count < number:
            return f"that takes {number} clamp{'s' if number > 1 else ''}"
        return None if self.kit.recorder.channels >= number else "the recorder has too few channels"

    def _clamped(self, channels: int) -> tuple[bool, str, dict[str, Any]]:
        assert self.kit.clamp is not None
        assert self.kit.recorder is not None
        front = setup.clamp_front(self.kit.clamp, self.kit.recorder)
        clear, why, settings = self._weigh(self.amps, front, "A", channels)
        if clear and not self.pulsed and self.amps < 2 * front.drift:
            return False, f"{self.amps:.3g} A against a zero that drifts by {front.drift:.3g} A", settings
        base_a = self.profile.base_ua() / 1e6 + self.vehicle.asleep_a()
        trigger = round(base_a + self.amps / 2, 4) if self.pulsed else None
        return clear, why, {**settings, "range_a": front.most, "trigger_a": trigger}

    def _weigh(
        self, signal: float, front: Traits, unit: str, channels: int
    ) -> tuple[bool, str, dict[str, Any]]:
        """Whether a signal stands clear of noise and steps at a rate for its width, and the settings."""
        assert self.kit.recorder is not None or channels == 1
        most_hz = 1 / LOOK_S if self.kit.recorder is None else self.kit.recorder.rate_hz
        rate_hz = min(most_hz, max(LEAST_RATE_HZ, SAMPLES_A_PULSE / self.width_s))
        noise = front.rms_at(rate_hz)
        one, _ = self._wait(PULSES_SEEN)
        across_s = max(10.0, 1.5 * one.p95_s)
        settings = {
            "rate_hz": round(rate_hz, 3),
            "screen_s": round(across_s, 1),
            "memory_samples": math.ceil(rate_hz * across_s) * channels,
        }
        said = f"{signal:.3g} {unit} against {noise:.2g} {unit} of noise and steps of {front.step:.2g} {unit}"
        memory = None if self.kit.recorder is None else self.kit.recorder.memory
        if memory is not None and settings["memory_samples"] > memory:
            return False, f"{said}; the recorder's {memory} samples are too few", settings
        return signal >= CLEAR * noise and signal >= STEPS * front.step, said, settings

    def _wait(self, number: int) -> tuple[Spread, Spread | None]:
        """Until so many whole pulses were seen, by simulation and by formula."""
        if not self.pulsed:
            return Spread(LOOK_S, LOOK_S), Spread(LOOK_S, LOOK_S)

        def search(train: Train, at_s: float, source: Any) -> float:
            for _ in range(number):
                at_s = train.seen(at_s)
            return at_s

        return self._simulate(search), waiting.closed(self.profile, number)

    def _sets(self, sets: int, candidates: int, at_once: int, move_s: float = MOVE_S) -> Spread:
        """Set after set of candidates, in any order, until the one that moves is among them."""

        def search(train: Train, at_s: float, source: Any) -> float:
            found = min(int(source.integers(candidates)) // at_once, sets - 1)
            for _ in range(found + 1):
                at_s += move_s
                at_s = train.seen(at_s) if self.pulsed else at_s + LOOK_S
            return at_s

        return self._simulate(search)

    def _simulate(self, search: Callable[[Train, float, Any], float]) -> Spread:
        return waiting.simulate(self.train, self.seed, search)


def difficulty(search: Search, methods: list[Method]) -> tuple[float, list[str]]:
    """0 (at once) .. 10 (not with these instruments), and why: the quickest way to the fuse, what hinders."""
    isolating = [m for m in methods if m.shows and m.isolates and m.isolates.startswith("fuse") and m.time]
    if not isolating:
        return 10.0, ["no method names the fuse with these instruments"]
    best = min(isolating, key=lambda m: m.time.p95_s if m.time else math.inf)
    assert best.time is not None
    share = math.log(max(best.time.p95_s, EASY_S) / EASY_S) / math.log(HARD_S / EASY_S)
    points = 7 * min(1.5, share)
    reasons = [f"the quickest way to the fuse, {best.method}, takes up to {best.time.p95_s / 60:.0f} min"]
    if best.time.p95_s > HARD_S:
        reasons.append("that is longer than a class has")
    meter = search.kit.meter
    if search.pulsed and meter is not None and search.width_s < meter.capture_s:
        points += 1
        reasons.append(f"a pulse of {search.width_s:.3g} s is shorter than the meter's {meter.capture_s:g} s")
    hidden = [m.method for m in methods if not m.shows]
    if hidden:
        points += 0.5 * len(hidden)
        reasons.append(f"it does not show by: {', '.join(hidden)}")
    if any(getattr(draw, "kind", "") == "random" for draw in search.profile.draws):
        points += 0.5
        reasons.append("its instants are random: there is no period to recognise")
    return round(min(10.0, points), 1), reasons


def _mean_a(profile: Profile) -> float:
    moving = [draw for draw in profile.draws if not isinstance(draw, Steady)]
    return float(profile.base_ua() + sum(draw.mean_ua() for draw in moving)) / 1e6
