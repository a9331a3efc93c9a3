"""One student's vehicle: the bench's rig, the instruments on it, and what a move does to both.

Time passes in slices, after each of which every instrument takes the truth of that slice. Whatever is asked
is done at once or refused with a sentence; what it led to is told in `messages`.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from boxcore.program import TICKS_PER_S

from nightdraw.bench import drive
from nightdraw.bench.control import Control, RefusedError
from nightdraw.bench.record import POWER_UP_TICKS
from nightdraw.bench.serve import Pace
from nightdraw.instruments.model import SINGLE_ENDED, Instruments, Range
from nightdraw.live import tools
from nightdraw.live.recorder import Input, Recording, Trigger
from nightdraw.live.tools import Display
from nightdraw.report.words import Words
from nightdraw.vehicle import model, script

LOOK_TICKS = TICKS_PER_S  # slices while one waits for something to happen
MOST_SLICE_S = 60
SLICE_NUMBERS = 500_000  # of a recording in one slice at most: some MB
MOST_OWED_TICKS = 60 * TICKS_PER_S  # a vehicle that can't keep up drops what is beyond
OPEN_OHMS = 1e7  # in the battery's cable where nothing conducts
BLOWS_TICKS = 50  # a quick fuse far beyond its rating: milliseconds (common practice)
DEAD_V = 1.0  # with less there is nothing that a key could turn
UNPLUGGED_TICKS = 5 * TICKS_PER_S  # a cable is off for so long where nobody bridges it
KEPT_TICKS = 60 * TICKS_PER_S  # of a truth that no instrument asks for
MOST_MESSAGES, MOST_LOG = 100, 5000
CHANGE_MA, CHANGE_MV, CHANGE_SHARE = 15.0, 0.15, 0.05  # what is seen as a change of a reading
SPEEDS = (1.0, 600.0)
CLOCK_S = 21 * 3600  # what the clock says at zero: in the evening
DAY_S = 86_400


@dataclass(frozen=True)
class Case:
    """What stands before a student: vehicle, boxes, what happens by itself, the instruments.

    group, lesson, complaint: of the plan whose assignment it is. secret: nothing that is told may give the
    answer away.
    """

    vehicle: model.Vehicle
    boxes: tuple[drive.Placed, ...]
    plan: script.Script
    kit: Instruments
    seed: int
    group: str | None = None
    lesson: str | None = None
    complaint: str | None = None
    secret: bool = False


@dataclass
class Wait:
    """Time on its way to a tick; shown: what the displays and lamps were at its begin, where a change of
    these ends it."""

    until: int
    shown: dict[str, Any] | None = None


class LiveVehicle:
    """A live case. `displays` by name: `meter`, `clamp 1`, ..., `leads`; `places`: what each is on."""

    def __init__(self, case: Case, words: Words, speed: float = 1.0) -> None:
        self.case, self.words = case, words
        self.messages: deque[tuple[float, str]] = deque(maxlen=MOST_MESSAGES)
        self.log: deque[dict[str, Any]] = deque(maxlen=MOST_LOG)
        self.channels = drive.chosen(case.vehicle, (model.ALL,))
        wanted = drive.Drive(1, self.channels, seed=case.seed, fronts=drive.ideal)
        early: list[str] = []  # what the vehicle says before it stands at its zero
        self._hear: Callable[[str], None] = early.append
        self.rig = drive.VehicleRecording(
            case.vehicle, case.boxes, wanted, case.plan, lambda text: self._hear(text)
        ).rig
        self.rig.watch = self._watch
        for world in self.rig.worlds:
            world.passes = self.pass_ticks
        self.control = Control(self.rig)
        self.index = {name: k for k, name in enumerate(self.channels)}
        self.displays: dict[str, Display] = {}
        self.places: dict[str, str] = {}
        self.zeroed: dict[str, float] = {}  # the amperes that a clamp took for zero
        self.scale: Range | None = None if case.kit.meter is None else case.kit.meter.ranges[-1]
        self.meter_blown = self._blowing = False
        self.burnt = False  # the recorder's inputs
        self.blown: set[str] = set()
        self.inputs: tuple[Input, ...] = ()
        self.recording: Recording | None = None
        self.answer: dict[str, str] | None = None
        self.locked = not case.plan.awake
        self.wait: Wait | None = None
        self.changes = 0  # counts moves and sentences: whoever remembers the count knows whether to look
        self.yield_to_others: Callable[[], None] = lambda: None  # called between the slices of a jump
        self._owed = 0
        self._kept = self.rig.tick  # up to here the instruments have the truth
        self.set_speed(speed)
        self.rig.take()
        self._hear = self._heard
        for text in early:
            self._heard(text)

    # ---- time

    @property
    def now_s(self) -> float:
        """Seconds since zero."""
        return (self.rig.tick - POWER_UP_TICKS) / TICKS_PER_S

    def set_speed(self, speed: float) -> None:
        """So many seconds of the vehicle pass in one."""
        self.speed = speed
        self._pace = Pace(speed)

    def turn(self, budget_s: float, held: bool = False) -> None:
        """Let pass what is due, or of a wait what can be computed in so many seconds of computing."""
        begun = time.perf_counter()
        self._owed = min(self._owed + self._pace.due(held), MOST_OWED_TICKS)
        if self.wait is not None:
            self._owed = 0
            while self.wait is not None and time.perf_counter() - begun < budget_s:
                self._wait_on(self.wait)
        while self._owed:
            ticks = min(self._owed, self._slice())
            self._pass(ticks)
            self._owed -= ticks
            if time.perf_counter() - begun >= budget_s:
                break

    def _wait_on(self, wait: Wait) -> None:
        ticks = LOOK_TICKS if wait.shown is not None else self._slice()
        self._pass(min(ticks, wait.until - self.rig.tick))
        if wait.shown is not None and self._changed(wait.shown):
            self.end_wait("wait.happened")
        elif self.rig.tick >= wait.until:
            self.end_wait("wait.over" if wait.shown is None else "wait.nothing")

    def _slice(self) -> int:
        """How many ticks pass at once: as many as keep what an instrument takes small."""
        if self.recording is None or not self.recording.running:
            return MOST_SLICE_S * TICKS_PER_S
        a_second = self.recording.rate * len(self.recording.inputs)
        return max(1, min(MOST_SLICE_S, SLICE_NUMBERS // a_second)) * TICKS_PER_S

    def begin_wait(self, ticks: int, for_change: bool) -> None:
        """Let time run on as fast as it can, for so long or until something changes."""
        self.wait = Wait(self.rig.tick + max(1, ticks), self._shown() if for_change else None)

    def end_wait(self, key: str) -> None:
        """Let time go on as it did; key: of the sentence that says why."""
        self.wait = None
        self.set_speed(self.speed)
        self.say(key)

    def pass_ticks(self, ticks: int) -> None:
        """Let so many ticks pass, slice by slice."""
        while ticks > 0:
            step = min(ticks, self._slice())
            self._pass(step)
            ticks -= step
            self.yield_to_others()

    def _pass(self, ticks: int) -> None:
        self.rig.pass_ticks(ticks)
        recording = self.recording
        due = min((display.due() for display in self.displays.values()), default=self._kept + KEPT_TICKS)
        if self.rig.tick >= due or (recording is not None and recording.running):
            self._take()

    def _take(self) -> None:
        """Let the instruments have the truth up to now."""
        self._kept = self.rig.tick
        stretch = self.rig.take()
        if stretch.stop == stretch.start:
            return
        for display in self.displays.values():
            display.feed(stretch)
        if self.recording is not None:
            was = self.recording.running
            self.recording.feed(stretch)
            if was and self.recording.full:
                self.say("say.full")

    # ---- what changes by itself

    def _heard(self, text: str) -> None:
        """A sentence of the vehicle's own."""
        self._tell(text[:1].upper() + text[1:])

    def say(self, key: str, **told: object) -> None:
        """Tell a sentence by its key."""
        self._tell(self.words(key, **told))

    def _tell(self, text: str) -> None:
        self.messages.append((round(self.now_s, 1), text))
        self.changes += 1

    def _watch(self) -> None:
        """Let the meter's fuse go where there is too much for it."""
        if self._blowing or self.meter_blown or "meter" not in self.places or self.scale is None:
            return
        if abs(self.rig.network.battery_a) > tools.blows_a(self.scale):
            self._blowing = True
            self.rig.simulated.agenda.add(self.rig.tick + BLOWS_TICKS, self._blow)

    def _blow(self) -> None:
        self._blowing = False
        network = self.rig.network
        amps = abs(network.battery_a)
        if "meter" in self.places and self.scale is not None and amps > tools.blows_a(self.scale):
            self.meter_blown = True
            self._cable(OPEN_OHMS)
            key = "say.meter_cranked" if network.starter_a else "say.meter_blown"
            if network.starter_a:
                self.rig.simulated.stall()
            self.say(key, most=f"{self.scale.most_a:g} A")

    def _cable(self, ohms: float) -> None:
        """Put so many ohms into the battery's cable, now."""
        network = self.rig.network
        network.meter_ohms, network.cut = ohms, ohms == OPEN_OHMS
        network.touch()

    def _shown(self) -> dict[str, Any]:
        """What a person sees: the displays, the lamps, what was told, the recorder's triggers."""
        found: dict[str, Any] = {name: display.shown for name, display in self.displays.items()}
        found["lamps"], found["messages"] = self.lamps(), self.changes
        found["triggers"] = len(self.recording.triggers) if self.recording else 0
        return found

    def _changed(self, before: dict[str, Any]) -> bool:
        now = self._shown()
        return any(_differs(name, before.get(name), value) for name, value in now.items())

    def lamps(self) -> list[str]:
        """The lamps that are lit: one sees them."""
        drawn = self.rig.simulated.drawn()
        return [name for (name, _), amps in drawn.items() if name.startswith("lamp ") and amps > 0]

    # ---- moves

    def happen(self, action: str, word: str) -> None:
        """Do what a script's action says; raises RefusedError."""
        self._take()
        if action == script.DOOR and (word == "opens") == self.rig.simulated.door_open:
            raise RefusedError(self.words("no.door"))
        if action == script.ENGINE and self.rig.simulated.engine:
            raise RefusedError(self.words("no.engine"))
        if action == script.ENGINE and self.rig.network.bus_v < DEAD_V:
            raise RefusedError(self.words("no.power"))
        done = self.control.answer(f"{action} {word}")
        if not done["ok"]:
            raise RefusedError(done["error"])
        if action == script.CAR:
            self.locked = word == "locked"
        if action == script.BACK:
            self.blown.discard(word)

    def meter_in(self, scale: Range, bridged: bool) -> None:
        """Put the meter into the battery's cable; without a bridge the vehicle is off for some seconds."""
        meter = self.case.kit.meter
        assert meter is not None
        self._take()
        fresh = "meter" not in self.places
        self.scale = scale
        self.places["meter"] = model.BATTERY
        battery = self.index[model.BATTERY]
        self.displays["meter"] = tools.in_line(meter, scale, self.case.seed, battery, self.rig.tick)
        if self.meter_blown or (fresh and not bridged):
            self._cable(OPEN_OHMS)
            self.say("say.meter_dead" if self.meter_blown else "say.unplugged")
            self.rig.simulated.agenda.add(self.rig.tick + UNPLUGGED_TICKS, self._plug)
        else:
            self._cable(scale.ohms)
        self.rig.settle()

    def _plug(self) -> None:
        if not self.meter_blown:
            self._cable(self.scale.ohms if "meter" in self.places and self.scale is not None else 0.0)

    def meter_out(self) -> None:
        """Take the meter out of the cable."""
        self._take()
        self.places.pop("meter", None)
        self.displays.pop("meter", None)
        self._cable(0.0)
        self.rig.settle()

    def put(self, name: str, place: str | None, make: Callable[[int, int], Display]) -> None:
        """Put a clamp or the leads at a channel, or take them away; make(channel's place, tick)."""
        self._take()
        self.places.pop(name, None)
        self.displays.pop(name, None)
        if place is not None:
            self.places[name] = place
            self.displays[name] = make(self.index[place], self.rig.tick)

    def zero(self, clamp: str) -> None:
        """Zero a clamp: the current that it is around is missing from then on."""
        self._take()
        place = self.places.get(clamp)
        enclosed = 0.0 if place is None else self.rig.level(self.index[place])
        self.zeroed[clamp] = enclosed
        if self.recording is not None:
            self.recording.zero(clamp, enclosed)
        if place is not None:
            self.say("say.zeroed", clamp=self.words("page.clamp_n", n=clamp.split()[1]))

    def connect(self, inputs: tuple[Input, ...]) -> None:
        """Connect the recorder's inputs; one whose other side is earth shorts a fuse that it is across."""
        self._take()
        recorder = self.case.kit.recorder
        assert recorder is not None
        kinds = self.case.vehicle.channels()
        across = [one for one in inputs if kinds[one.channel] == model.DROP]
        if across and recorder.inputs == SINGLE_ENDED:
            fuse = across[0].channel
            if not self.rig.network.fused_paths[fuse].pulled:
                self.rig.simulated.happen(script.Event(0, script.PULL, fuse))
                self.rig.settle()
                self.blown.add(fuse)
            self.burnt, self.inputs = True, ()
            self.say("say.shorted", fuse=fuse)
            return
        self.inputs = inputs

    def record(self, rate: int, trigger: Trigger | None) -> None:
        """Begin a recording; the one before is discarded."""
        self._take()
        recorder = self.case.kit.recorder
        assert recorder is not None
        self.recording = Recording(
            self.inputs,
            rate,
            trigger,
            recorder.memory,
            POWER_UP_TICKS,
            self.rig.tick,
            self.case.seed,
            self.index,
        )
        for clamp, enclosed in self.zeroed.items():
            self.recording.zero(clamp, enclosed)

    def stop_recording(self) -> None:
        """End the recording; it is kept."""
        self._take()
        if self.recording is not None:
            self.recording.running = False

    def close(self) -> None:
        """Let what is on disk go."""
        if self.recording is not None:
            self.recording.trace.close()


def _differs(name: str, before: Any, now: Any) -> bool:
    """Whether a person would say that something changed."""
    if not isinstance(before, float) or not isinstance(now, float):
        return before is not None and now != before
    least = CHANGE_MV if name == "leads" else CHANGE_MA
    return abs(now - before) > max(least, CHANGE_SHARE * abs(before))
