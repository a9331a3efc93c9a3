"""The vehicle around a fault in a given state: currents, supply at the box, what wakes and twitches.

What flows where the circuit says (`circuit`), sources included; no instrument is known here.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass, replace

from boxcore.guard import PRESENT_MV
from boxcore.program import TICKS_PER_S

from nightdraw.bank.parts import blade_fuses as blades
from nightdraw.bench.finding import train
from nightdraw.bench.finding.circuit import ASLEEP, State, VehicleCircuit
from nightdraw.bench.finding.train import Signature
from nightdraw.bench.finding.walks import Wakes
from nightdraw.profile import Profile, fit
from nightdraw.profile.model import Steady
from nightdraw.vehicle import standing
from nightdraw.vehicle.loading import NOMINAL_V
from nightdraw.vehicle.model import BATTERY, FUSE, Module, Splice, Twitch, Vehicle

LIKE_SIZE = 2.0  # a twitch of half a pulse's size or more, and ..
LIKE_WIDTH = 3.0  # .. of a third to three times its width can be taken for it (our own figures)
SELDOM_TICKS = 2 * 3600 * TICKS_PER_S  # a class: what comes less often is in no search
REST, MV_PER_V = "supply-rest", 1000.0


@dataclass(frozen=True)
class Currents:
    """What a signature of the fault does at one place, amperes; below 0 flows into the battery.

    size: by how much it moves what is there; level: what is there without the pulses, or without the steady
    part; own: what the vehicle itself has there, and the sources give; most: the largest either way; twitch:
    what the vehicle's largest twitch does; creep: by how much the level changes by itself, a second.
    """

    size: float
    level: float
    own: float
    most: float
    twitch: float
    creep: float


@dataclass(frozen=True)
class Site:
    """A profile's box at a splice of a vehicle that stands in a state."""

    profile: Profile
    vehicle: Vehicle
    splice: Splice
    state: State = ASLEEP

    @functools.cached_property
    def circuit(self) -> VehicleCircuit:
        """What flows where."""
        idle_a = 0.0 if self.profile is None else self.profile.board.own_ua / 1e6
        return VehicleCircuit(self.vehicle, self.splice, self.state, idle_a)

    def currents(
        self, signature: Signature, where: str, meter_ohms: float = 0.0, woken_a: float = 0.0
    ) -> Currents:
        """What a signature does at BATTERY, a feed or a fuse; woken_a: what else an instrument there must
        take."""

        def amps(box_a: float, more: tuple[str, float] | None = None) -> float:
            return self.circuit.amps(where, box_a, meter_ohms, more)

        base_a, peak_a = self.made_a(self.base_a()), self.peak_a()
        without_a = base_a if signature.pulsed else max(0.0, base_a - signature.amps)
        level, own = amps(without_a), amps(0.0)
        at = self.fuse if where in (BATTERY, self.feed) else where
        largest = self.largest_twitch(where)
        with_twitch = None if largest is None else (largest.fuse, largest.draw_a)
        twitch = 0.0 if with_twitch is None else amps(base_a, with_twitch) - amps(base_a)
        high = amps(peak_a, (at, woken_a)) if woken_a else amps(peak_a)
        most = max(abs(amps(base_a)), abs(level), abs(own), abs(high + twitch))
        creep = self.circuit.creeps(where, without_a, meter_ohms)
        return Currents(amps(without_a + signature.amps) - level, level, own, most, twitch, creep)

    @property
    def fuse(self) -> str:
        """The fuse that the box hangs on."""
        return self.splice.fuse

    @property
    def feed(self) -> str:
        """The feed that this fuse hangs on."""
        return self.vehicle.feed_of(self.fuse)

    def fuse_ohms(self, name: str) -> float:
        """A fuse's cold resistance."""
        slot = next(fuse for fuse in self.vehicle.fuses if fuse.name == name)
        mohm, _ = blades.cold_mohm(slot.type, slot.rating_a)
        assert mohm is not None  # the vehicle's reader refused what no list knows
        return mohm / 1000

    def main_ohms(self) -> float:
        """The cold resistance of the main fuse of the fault's feed; it has one."""
        feed = next(feed for feed in self.vehicle.feeds if feed.name == self.vehicle.feed_of(self.fuse))
        assert feed.main is not None
        mohm, _ = blades.cold_mohm(feed.main.type, feed.main.rating_a)
        assert mohm is not None
        return mohm / 1000

    def base_a(self) -> float:
        """The box's level between pulses."""
        return train.base_a(self.profile)

    def peak_a(self) -> float:
        """The most that the box draws."""
        return (self.profile.base_ua() + fit.peak(self.profile.draws)[0]) / 1e6

    def mean_a(self) -> float:
        """What the box draws in the long run."""
        moving = [draw for draw in self.profile.draws if not isinstance(draw, Steady)]
        return float(self.profile.base_ua() + sum(draw.mean_ua() for draw in moving)) / 1e6

    def asleep_a(self, fuse: str | None = None) -> float:
        """What the vehicle itself draws when it is parked for long, or what is on one fuse; what comes again
        comes on top."""
        return standing.stays_a(self.vehicle, fuse)

    def twitches(self, where: str = BATTERY) -> list[Twitch]:
        """Those of the vehicle's twitches that come in this state and pass a place; a module that wakes by
        itself is one, with all that it wakes there."""
        fuses = {fuse.name for fuse in self.vehicle.fuses if where in (BATTERY, fuse.feed, fuse.name)}
        asleep = self.circuit.asleep
        found = [t for t in self.vehicle.twitches if t.fuse in fuses and (asleep or not t.asleep_only)]
        for module, calls in standing.callers(self.vehicle):
            if calls.every_ticks[0] > SELDOM_TICKS:
                continue
            wake = standing.wake(self.vehicle, module)
            draws = {fuse: a for (_, fuse), a in wake.draws.items() if fuse in fuses and a > 0}
            if draws:
                at = module.fuse if module.fuse in draws else next(iter(draws))
                on_ticks = round(wake.seconds * TICKS_PER_S)
                name = f"{module.name}, which wakes by itself"
                found.append(Twitch(name, at, sum(draws.values()), on_ticks, calls.every_ticks, False))
        return found

    @property
    def sick(self) -> bool:
        """Whether the vehicle has defects of its own from the start."""
        return any(defect.on for defect in self.vehicle.defects)

    def remarks(self) -> list[str]:
        """What of the vehicle is weighed in a way that one should know of."""
        assumptions = [
            f"{module.name} wakes by itself every {calls.every_ticks[0] / TICKS_PER_S / 3600:.3g} h or more:"
            " no search lasts so long, it isn't weighed"
            for module, calls in standing.callers(self.vehicle)
            if calls.every_ticks[0] > SELDOM_TICKS
        ]
        there = [defect.name for defect in self.vehicle.defects if defect.on]
        if there:
            assumptions.append(f"the vehicle has defects of its own, which are weighed: {', '.join(there)}")
        return assumptions

    def largest_twitch(self, where: str = BATTERY) -> Twitch | None:
        """The largest of them."""
        return max(self.twitches(where), key=lambda t: t.draw_a, default=None)

    def steady_a(self) -> float:
        """What stays between pulses, the vehicle's own draw asleep among it."""
        return self.base_a() + self.own_a()

    def own_a(self) -> float:
        """What the vehicle itself draws parked for long, its twitches by their duty."""
        leak_a = standing.at_root(self.vehicle)[0] * NOMINAL_V * self.vehicle.battery.in_series
        return self.asleep_a() + standing.twitches_a(self.vehicle) + leak_a

    def made(self, signature: Signature) -> Signature:
        """A signature of pulses with the step that the bank makes of it here."""
        base_a = self.base_a()
        return replace(signature, amps=self.made_a(base_a + signature.amps) - self.made_a(base_a))

    def alike(self, signature: Signature, where: str = BATTERY) -> list[str]:
        """The vehicle's own twitches at a place that can be taken for the fault: as large or nearly, and
        about as long."""
        if signature.train is None:
            return []
        narrow, wide = signature.narrow_s / LIKE_WIDTH, signature.train.widest_s * LIKE_WIDTH
        return [
            f"{t.name} ({t.draw_a * 1000:.3g} mA for {t.on_ticks / TICKS_PER_S:.3g} s on {t.fuse})"
            for t in self.twitches(where)
            if t.draw_a >= signature.amps / LIKE_SIZE and narrow <= t.on_ticks / TICKS_PER_S <= wide
        ]

    def sleep_s(self) -> float:
        """How long this vehicle takes to fall asleep after locking."""
        return max((self._resleep_s(module) for module in self.vehicle.modules), default=0.0)

    def woken_a(self) -> float:
        """The most that the modules draw which a pulled fuse, or the box's own put back, wakes."""
        woken: dict[tuple[str, str], float] = {}
        for module in self.vehicle.modules:
            if FUSE in module.wakes or module.fuse == self.fuse:
                for load, amps in standing.wake(self.vehicle, module).draws.items():
                    woken[load] = max(amps, woken.get(load, 0.0))
        asleep = {(module.name, module.fuse): module.asleep_a for module in self.vehicle.modules}
        return sum(amps + asleep[load] for load, amps in woken.items() if amps)

    def _resleep_s(self, module: Module) -> float:
        return standing.wake(self.vehicle, module).seconds

    def wakes(self) -> Wakes:
        """What pulling fuses wakes."""
        any_fuse: dict[str, float] = {}
        own_fuse: dict[str, float] = {}
        for module in self.vehicle.modules:
            seconds = self._resleep_s(module)
            own_fuse[module.fuse] = max(seconds, own_fuse.get(module.fuse, 0.0))
            if FUSE in module.wakes and seconds:
                any_fuse[module.fuse] = max(seconds, any_fuse.get(module.fuse, 0.0))
        places = {fuse.name: k for k, fuse in enumerate(self.vehicle.fuses)}
        return Wakes(any_fuse, own_fuse, places)

    def supply_mv(self, box_a: float) -> float:
        """The voltage at the box, drawing so much."""
        return self.circuit.volts(box_a) * MV_PER_V

    def made_a(self, level_a: float) -> float:
        """What the bank makes of a level at the voltage that it has here: its steps are some milliamperes."""
        bank, own_ua = self.profile.bank(), self.profile.board.own_ua
        supply_mv = round(self.supply_mv(level_a))
        pattern = bank.pattern(max(0, round(level_a * 1e6) - own_ua), supply_mv)
        return (own_ua + float(bank.current_ua(pattern, supply_mv))) / 1e6

    def held(self) -> str | None:
        """Why the box would hold its loads open in this vehicle, or never begin; None where it doesn't."""
        limits = self.profile.limits.within(self.profile.board.caps)
        low, high = limits.supply_min_mv, limits.supply_max_mv
        idle, peak = self.supply_mv(self.profile.board.own_ua / 1e6), self.supply_mv(self.peak_a())
        has = f"here it has {idle / MV_PER_V:.2f} V idle and {peak / MV_PER_V:.2f} V at its highest level"
        if idle < PRESENT_MV or peak < low or idle > high:
            allowed = f"{low / MV_PER_V:g} V .. {high / MV_PER_V:g} V"
            return f"the box holds its loads open: it allows {allowed}, {has}"
        start = self.profile.start
        if start.when == REST and not self._rested(start.below_mv / MV_PER_V, start.steady_ticks):
            return f"the run never begins: it waits for less than {start.below_mv / MV_PER_V:g} V, {has}"
        return None

    def _rested(self, below_v: float, steady_ticks: int) -> bool:
        """Whether the supply has rested long enough, or rests now."""
        circuit = self.circuit
        now = circuit.volts(self.profile.board.own_ua / 1e6) < below_v
        return now or circuit.rested_ticks(below_v) >= max(1, steady_ticks)

    def ends(self) -> tuple[float, str]:
        """Seconds from the run's start to its end, and by which limit."""
        limits = self.profile.limits.within(self.profile.board.caps)
        run_s, mean_a = limits.run_ticks / TICKS_PER_S, self.mean_a()
        charge_s = limits.charge_mas / 1000 / mean_a if mean_a > 0 else math.inf
        return (run_s, "run time") if run_s <= charge_s else (charge_s, "charge")

    def return_s(self) -> float:
        """From power back at the box to its schedule going on: resume_after, then the start rule."""
        start = self.profile.start
        rule = start.after_ticks + (start.steady_ticks if start.when == REST else 0)
        return (self.profile.resume_after_ticks + rule) / TICKS_PER_S
