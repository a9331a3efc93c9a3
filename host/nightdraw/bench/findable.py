"""Whether a fault can be found with a school's instruments, by which method of the trade, how, and how long.

Times count from a vehicle that sleeps, over random beginnings in the run and random orders of feeds and
fuses; to isolate is to name the fuse (two clamps: the feed). A pulse counts when it was seen whole, or for
5 s of it. A clamp or a recorder's leads take 60 s to move, a hand's probes or a fuse 15 s; after each move
one waits for one pulse that begins then, and a level that stays is read within 5 s. Handling times and heat
are our own figures, named here and in the modules of finding.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from boxcore.program import TICKS_PER_S

from nightdraw.bench.finding import pulling as pulled
from nightdraw.bench.finding import weigh
from nightdraw.bench.finding.difficulty import MAX_ON_A_METER, difficulty
from nightdraw.bench.finding.laws import LIKELY, Fixed
from nightdraw.bench.finding.method import Method, minutes
from nightdraw.bench.finding.place import Currents
from nightdraw.bench.finding.search import Ground, Groups
from nightdraw.bench.finding.train import HEALTHY_A, Face
from nightdraw.bench.finding.weigh import Signal, Weighed
from nightdraw.instruments import setup
from nightdraw.instruments.front import Traits
from nightdraw.instruments.model import SHORTS, SINGLE_ENDED, Meter, Range, Recorder
from nightdraw.vehicle.model import BATTERY

__all__ = ["Method", "Search", "difficulty"]

MOVE_S = 60.0  # to move a clamp, or a recorder's leads to the next set of fuses
HAND_S = 15.0  # to put a millivolt meter's probes on the next fuse
PULSES_SEEN = 3  # pulses that are wanted on a recording before its period is believed
STEPS = 2.0  # of a display's last digit: less can't be told from rounding
WARM_K_PER_W = 10.0  # a control module's case above its surroundings
TOLD_APART = 2.0  # times as warm as any healthy module
HAND_K = 10.0  # a hand makes out some 10 K (common practice)
WARM_UP_S, SCAN_S = 1200.0, 15.0  # until it is warm; to look at the parts of one circuit
CLAMP, TWO_CLAMPS = "clamp and recorder", "two clamps to split the feeds"
DROPS, HEAT = "voltage drops across fuses", "touch or thermal camera"
BY_HAND = "voltage drops by hand"
NOTHING_TELLS = "nothing tells at a wrong fuse that a pulse has come"
MELTED = 4.0  # pulses within one reading, and it is their mean
BOTH = "two clamps, then drops on that feed"

Way = Callable[[Face], Method]


class Search(Ground):
    """One fault at one splice of a vehicle, for one school: every method of the trade weighed."""

    def methods(self) -> list[Method]:
        """The six methods, and the two that are combined where the kit permits."""
        ways: dict[str, Way] = {
            MAX_ON_A_METER: self.meter_max, CLAMP: self.clamp, TWO_CLAMPS: self.two_clamps,
            DROPS: self.drops, pulled.NAME: self.pulling, HEAT: self.heat,
        }  # fmt: skip
        nothing = self.nothing()
        if nothing is not None:
            return [Method(name, False, nothing) for name in ways]
        rows = [self._best(way) for way in ways.values()]
        more = [self._best(way) for way in (self.split_then_drops, self.drops_by_hand)]
        named = [row.why for row in rows]
        return [*rows, *(row for row in more if row.shows and row.why not in named)]

    def _best(self, way: Way) -> Method:
        """By that face of the fault which is found sooner."""
        rows = [way(face) for face in self.faces]
        return min((row for row in rows if row.shows), key=lambda row: row.hardest_s, default=rows[0])

    @functools.cache  # noqa: B019 (lives as long as the search)
    def meter_max(self, face: Face, woken_a: float = 0.0) -> Method:
        """MAX on a meter in line: that something draws, not where. woken_a: what its range must take too."""
        meter = self.kit.meter
        if meter is None or self.site.circuit.engine:
            why = "there is no meter" if meter is None else "a meter is never in line while the engine runs"
            return Method(MAX_ON_A_METER, False, why)
        scale, flows = self._in_line(face, meter, woken_a)
        settings = {"range_a": scale.most_a, "burden_ohm": scale.ohms, "capture_s": meter.capture_s}
        if flows.most > scale.most_a:
            return Method(MAX_ON_A_METER, False, f"{flows.most:.3g} A is more than it takes", settings)
        hidden = self._hidden(face, flows, BATTERY)
        if hidden is not None:
            return Method(MAX_ON_A_METER, False, hidden, settings)
        seen_a = flows.size * weigh.filled(face, meter.capture_s)
        said = f"{seen_a * 1000:.3g} mA of {face.amps * 1000:.3g} mA shown{self._past(face, flows)}"
        own_a = 0.0
        if face.pulsed:
            own_a, own = self._twitch_shown(meter, scale)
            said += f", the vehicle's own {own} shows {own_a * 1000:.3g} mA" if own_a else ""
            crept_a = flows.creep * self.wait95_s(face)
            if crept_a >= scale.step_a:
                own_a += crept_a
                said += f", the battery's charge moves it by {crept_a * 1000:.3g} mA meanwhile"
        if seen_a < own_a + STEPS * scale.step_a:
            return Method(
                MAX_ON_A_METER, False, f"{said}; the display's step is {scale.step_a * 1000:g} mA", settings
            )
        row = Method(MAX_ON_A_METER, True, f"{said}; it says that, not where", settings)
        return self.timed(row, face, 1)

    def _in_line(self, face: Face, meter: Meter, woken_a: float) -> tuple[Range, Currents]:
        """The finest range that takes what flows with its burden in the cable, and that."""
        for scale in meter.ranges:
            flows = self.site.currents(face, BATTERY, scale.ohms, woken_a)
            if scale.most_a >= weigh.HEADROOM * flows.most:
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

    def _past(self, face: Face, flows: Currents) -> str:
        """Words for what of the fault doesn't come from the battery."""
        fed = self.site.circuit.fed
        if not fed or flows.size >= face.amps * 0.995:
            return ""
        return f", for the {' and the '.join(fed)} gives the rest past the battery's cable"

    def _hidden(self, face: Face, flows: Currents, where: str) -> str | None:
        """Why a part that stays isn't told at a place from what else is there; None where it is told."""
        circuit = self.site.circuit
        if face.pulsed or (circuit.asleep and (where != BATTERY or not circuit.fed)):
            return None
        told = flows.own <= HEALTHY_A < flows.own + flows.size
        if told:
            return None
        what = "battery's cable" if where == BATTERY else where
        cause = f"the {' and the '.join(circuit.fed)} feeds" if circuit.fed else "modules are awake"
        return f"{what} has {flows.own:.3g} A without it, for {cause}: one reading doesn't tell what stays"

    @functools.cache  # noqa: B019
    def clamp(self, face: Face, woken_a: float = 0.0) -> Method:
        """One clamp around the battery's cable, and a recorder: what it looks like. woken_a: as meter_max."""
        reason = self._no_clamp(1)
        if reason is not None:
            return Method(CLAMP, False, reason)
        number = self._wanted(face)
        weighed = self._clamped(face, 1, number, woken_a)
        if not weighed.clear:
            return Method(CLAMP, False, weighed.why, weighed.settings)
        what = "how much" if number == 1 else "its shape and period"
        row = Method(CLAMP, True, f"{weighed.why}; {what}, not where{self._alike(face)}", weighed.settings)
        return self.timed(row, face, number)

    def two_clamps(self, face: Face) -> Method:
        """One clamp at the battery, the others on feed after feed until one shows the same."""
        weighed, groups = self._split(face)
        if not weighed.clear:
            return Method(TWO_CLAMPS, False, weighed.why, weighed.settings)
        feed = self.vehicle.feed_of(self.site.fuse)
        settings = {**weighed.settings, "sets": groups[0][0]}
        row = Method(TWO_CLAMPS, True, weighed.why + self._alike(face), settings, isolates=f"feed {feed}")
        return self.in_sets(row, face, groups, MOVE_S)

    def drops(self, face: Face) -> Method:
        """Drops across as many fuses as the recorder has channels to spare; by hand where it can't."""
        recorded = self._drops_recorded(face, DROPS, [], len(self.vehicle.fuses))
        if recorded.shows or self.kit.fuse_meter is None:
            return recorded
        by_hand = replace(self.drops_by_hand(face), method=DROPS, extra=False)
        return by_hand if by_hand.shows or self.kit.recorder is None else recorded

    def split_then_drops(self, face: Face) -> Method:
        """The feed by two clamps, then the drops across that feed's fuses."""
        weighed, groups = self._split(face)
        if not weighed.clear:
            return Method(BOTH, False, weighed.why)
        feed = self.vehicle.feed_of(self.site.fuse)
        fuses = sum(fuse.feed == feed for fuse in self.vehicle.fuses)
        row = self._drops_recorded(face, BOTH, groups, fuses)
        return replace(row, why=f"feed {feed} first, then its {fuses} fuses: {row.why}", extra=True)

    def pulling(self, face: Face) -> Method:
        """Pull fuse after fuse, leave them out, and see on the meter or the clamp where it stops."""
        if self.site.circuit.engine:
            return Method(pulled.NAME, False, "no fuse is pulled while the engine runs")
        woken_a = self.site.woken_a()  # a range that is changed breaks the circuit, which wakes all the more
        return pulled.pulling(self, face, [self.meter_max(face, woken_a), self.clamp(face, woken_a)])

    def heat(self, face: Face) -> Method:
        """Touch or a thermal camera: what is warm that should be cold."""
        thermal, site = self.kit.thermal, self.site
        least_k = HAND_K if thermal is None else thermal.least_k
        volts = site.supply_mv(site.base_a()) / 1000
        own_k = site.circuit.awake_a() * volts * WARM_K_PER_W
        watts = volts * (site.mean_a() - site.base_a() if face.pulsed else face.amps)
        rise_k = watts * WARM_K_PER_W
        why = (
            f"{watts * 1000:.0f} mW on average warm a module by some {rise_k:.2g} K; {least_k:g} K are seen,"
            f" the vehicle's own are warm by up to {own_k:.2g} K"
        )
        if face.train is not None and face.train.lasting and face.train.cycle_s > WARM_UP_S:
            return Method(HEAT, False, f"it cools between pulses {minutes(face.train.cycle_s)} apart")
        if rise_k < max(least_k, TOLD_APART * own_k) or not face.lasting:
            return Method(HEAT, False, why)
        places = len(self.vehicle.fuses)
        times = self.trials(face).counted(places, WARM_UP_S, SCAN_S)
        late = math.ceil(LIKELY * places - 1e-9)
        row = Method(HEAT, True, why, {"warm_up_s": WARM_UP_S}, isolates=f"fuse {self.site.fuse}")
        closed = Fixed((WARM_UP_S, 0.0)).counted(places, SCAN_S)
        return replace(self.told(row, face, times, closed, WARM_UP_S + SCAN_S * late), law="counted")

    def _wanted(self, face: Face) -> int:
        """How many pulses tell what it is: a few, one where it comes once."""
        if face.train is None:
            return 1
        return PULSES_SEEN if face.train.lasting else min(PULSES_SEEN, len(face.train))

    def _alike(self, face: Face, where: str = BATTERY) -> str:
        names = self.site.alike(face, where)
        return f"; not to be taken for the vehicle's own {', '.join(names)}" if names else ""

    def _no_clamp(self, number: int) -> str | None:
        if self.kit.recorder is None:
            return "there is no recorder"
        if self.kit.clamp is None or self.kit.clamp.count < number:
            return f"that takes {number} clamp{'s' if number > 1 else ''}"
        return None if self.kit.recorder.channels >= number else "the recorder has too few channels"

    def _split(self, face: Face) -> tuple[Weighed, Groups]:
        """Whether clamps can split the feeds, and in how many sets."""
        feeds = len(self.vehicle.feeds)
        reason = self._no_clamp(2)
        if reason is None and feeds < 2:
            reason = "there is one feed: nothing to split"
        if reason is not None:
            return Weighed(False, reason, {}), []
        assert self.kit.clamp is not None
        assert self.kit.recorder is not None
        clamps = min(self.kit.clamp.count, self.kit.recorder.channels)
        spare = clamps - 1
        on_feed, on_battery = (
            self._clamped(face, clamps, 1, where=self.site.feed),
            self._clamped(face, clamps, 1),
        )
        if not on_battery.clear and on_feed.clear and clamps >= feeds:
            why = f"one on each feed, for the battery's cable doesn't show it: {on_feed.why}"
            return replace(on_feed, why=why), [(1, feeds, feeds)]
        # the last feed left over needs no clamp: it is the one where the others stayed quiet
        weighed = on_battery if not on_battery.clear or on_feed.clear else on_feed
        return weighed, [(-(-(feeds - 1) // spare), feeds, spare)]

    def _clamped(
        self, face: Face, channels: int, number: int, woken_a: float = 0.0, where: str = BATTERY
    ) -> Weighed:
        """A clamp at the battery or a feed: whether the fault is clear on it, and the settings."""
        clamp, recorder = self.kit.clamp, self.kit.recorder
        assert clamp is not None
        assert recorder is not None
        flows = self.site.currents(face, where, 0.0, woken_a)
        most_a = flows.most * weigh.HEADROOM
        front = setup.clamp_front(clamp, recorder, most_a)
        if most_a > front.most:
            return Weighed(False, f"{most_a:.3g} A is beyond the clamp and the recorder", {})
        hidden = self._hidden(face, flows, where)
        if hidden is not None:
            return Weighed(False, hidden, {})
        signal = Signal(face, flows.size, flows.level, flows.twitch, front, "A", flows.creep)
        more = {"range_a": round(front.most, 6), "range_mv": front.most * clamp.mv_per_a}
        weighed = self._screened(signal, recorder, channels, number, more)
        return replace(weighed, why=weighed.why + self._past(face, flows))

    def _screened(
        self, signal: Signal, recorder: Recorder, channels: int, number: int, more: dict[str, Any]
    ) -> Weighed:
        """Whether it is clear, and the settings: rate, trigger, time across the screen, memory, and more."""
        face = signal.face
        weighed, noise = weigh.weigh(signal, recorder.rate_hz)
        wait_s = self.pulses(face, number)[0].p95_s
        samples = wait_s * weighed.settings["rate_hz"] / weighed.settings.get("smoothed_samples", 1)
        level = weigh.trigger(signal, noise, wait_s, samples) if face.pulsed else None
        settings = {**weighed.settings, **more}
        why = weighed.why
        if level is not None:
            settings[f"trigger_{signal.unit.lower()}"] = round(level, 4)
        elif face.pulsed and weighed.clear:
            wander = weigh.wander_of(signal.front, wait_s) + signal.creep * wait_s
            why += "; by eye: no trigger holds, so long a wait has noise and"
            why += f" a zero that wanders by {wander:.2g} {signal.unit}"
        found = weigh.screen(face, recorder, channels, settings["rate_hz"], wait_s, level is not None)
        if found is None:
            why = f"{weighed.why}; the recorder's {recorder.memory} samples don't hold what one waits for"
            return Weighed(False, why, settings)
        return Weighed(weighed.clear, why, {**settings, **found})

    def _drops_recorded(self, face: Face, name: str, before: Groups, fuses: int) -> Method:
        recorder, site = self.kit.recorder, self.site
        if recorder is None:
            return Method(name, False, "there is neither a recorder nor a millivolt meter")
        if recorder.inputs == SINGLE_ENDED:
            return Method(name, False, f"refused: {SHORTS}")
        whole, reason = self._whole(face)
        spare = recorder.channels - whole
        if reason is not None or spare < 1:
            return Method(name, False, reason or "the recorder has no channel to spare")
        front = setup.drop_front(recorder, self._most_mv() * weigh.HEADROOM)
        flows = site.currents(face, site.fuse)
        hidden = self._hidden(face, flows, site.fuse)
        if hidden is not None:
            return Method(name, False, hidden)
        signal = _dropped(face, flows, site.fuse_ohms(site.fuse), front)
        sets = -(-fuses // spare)
        more = {"range_mv": front.most, "fuses_at_once": spare, "sets": sets}
        weighed = self._screened(signal, recorder, recorder.channels, 1, more)
        if not weighed.clear:
            return Method(name, False, weighed.why, weighed.settings)
        why = weighed.why + self._alike(face, site.fuse)
        row = Method(name, True, why, weighed.settings, isolates=f"fuse {site.fuse}")
        return self.in_sets(row, face, [*before, (sets, fuses, spare)], MOVE_S)

    def _whole(self, face: Face) -> tuple[int, str | None]:
        """Channels that tell, whichever fuses one looks at, that a pulse has come: a clamp's, or one across
        each main fuse; and why none does."""
        kit = self.kit
        assert kit.recorder is not None
        if not face.pulsed:
            return int(kit.clamp is not None), None
        if kit.clamp is not None and self._clamped(face, 1, 1).clear:
            return 1, None
        without = "there is no clamp" if kit.clamp is None else "the clamp doesn't show it"
        mains = [feed.main for feed in self.vehicle.feeds if feed.main is not None]
        if len(mains) < len(self.vehicle.feeds):
            return 0, f"{NOTHING_TELLS}: {without}, and not each feed has a main fuse"
        flows, ohms = self.site.currents(face, self.site.feed), self.site.main_ohms()
        front = setup.drop_front(kit.recorder, flows.most * ohms * 1000 * weigh.HEADROOM)
        if weigh.weigh(_dropped(face, flows, ohms, front), kit.recorder.rate_hz)[0].clear:
            return len(mains), None
        return len(mains), f"{NOTHING_TELLS}: {without}, and a main fuse's drop is too small"

    def _most_mv(self) -> float:
        """The largest drop across any fuse."""
        site = self.site
        peak_a = site.peak_a()

        def most_mv(fuse: str) -> float:
            largest = site.largest_twitch(fuse)
            more_a = 0.0 if largest is None else largest.draw_a
            return 1000 * site.fuse_ohms(fuse) * (abs(site.circuit.amps(fuse, peak_a)) + more_a)

        return max(most_mv(fuse.name) for fuse in self.vehicle.fuses)

    @functools.cache  # noqa: B019
    def drops_by_hand(self, face: Face) -> Method:
        """With a millivolt meter alone: fuse after fuse, good for what lasts as long as a reading."""
        meter, site = self.kit.fuse_meter, self.site
        if meter is None:
            return Method(BY_HAND, False, "there is no millivolt meter")
        melted = MELTED * face.cycle_most_s <= meter.update_s  # several pulses a reading: it stands still
        if face.narrow_s < meter.update_s and not melted:
            why = f"by hand: a pulse of {face.narrow_s:.3g} s ends before the meter has read it"
            return Method(BY_HAND, False, why)
        share = weigh.filled(face, meter.update_s) if melted else weigh.shown(face.narrow_s, meter.update_s)
        flows = site.currents(face, site.fuse)
        hidden = self._hidden(face, flows, site.fuse)
        if hidden is not None:
            return Method(BY_HAND, False, hidden)
        seen_mv = flows.size * site.fuse_ohms(site.fuse) * 1000 * share
        front = Traits(meter.noise_mv, 0.5 / meter.update_s, step=meter.step_mv)
        noise_mv = weigh.noise_of(front, 1 / meter.update_s, face.narrow_s)
        why = f"by hand: {seen_mv:.3g} mV against {noise_mv:.2g} mV rms of noise and steps"
        settings = {"step_mv": meter.step_mv, "fuses_at_once": 1}
        if seen_mv < weigh.CLEAR * noise_mv:
            return Method(BY_HAND, False, why, settings)
        if face.pulsed and not (self.meter_max(face).shows or self.clamp(face).shows):
            return Method(BY_HAND, False, f"{NOTHING_TELLS}: neither meter nor clamp shows it", settings)
        fuses, isolates = len(self.vehicle.fuses), f"fuse {site.fuse}"
        why += self._alike(face, site.fuse)
        row = Method(BY_HAND, True, why, settings, isolates=isolates, extra=True)
        return self.in_sets(row, face, [(fuses, fuses, 1)], HAND_S)


def _dropped(face: Face, flows: Currents, ohms: float, front: Traits) -> Signal:
    """What flows through a fuse as the millivolts across it."""
    mv_per_a = ohms * 1000
    size, level, twitch = (each * mv_per_a for each in (flows.size, flows.level, flows.twitch))
    return Signal(face, size, level, twitch, front, "mV", flows.creep * mv_per_a)
