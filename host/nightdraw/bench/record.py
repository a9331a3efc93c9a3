"""`bench record` as a function: send a profile over the link, arm it, let it run, record what a clamp sees.

The box is spoken to over its instrument link alone, as any program would. Nothing is judged here.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

from boxcore import ledger, program, states
from boxcore.program import TICKS_PER_S, Program

from nightdraw import journals, programs
from nightdraw.bench.instrument import BenchLink
from nightdraw.bench.journalfile import JournalFile, path_beside
from nightdraw.bench.recorder import CsvFile, Sampler
from nightdraw.bench.setup import Bench
from nightdraw.bench.world import World
from nightdraw.errors import InputError
from nightdraw.link import BoxClient, LoopTransport, open_box
from nightdraw.link.records import PAGE, believes, line

SLOT = 0  # the bench's box is new: any slot is free
POWER_UP_TICKS = TICKS_PER_S  # between power-up and the first command, so that sample 0 has a past
GRACE_TICKS = 10 * TICKS_PER_S  # beyond what a start rule asks for: a start later than that never comes
CHUNK_TICKS = 60 * TICKS_PER_S  # simulated at once: a minute's edges fit the journal's ring many times over
CHUNK_SAMPLES = 1 << 19  # sampled at once: 4 MB an array
MAX_RATE_HZ = 100_000  # ten samples a tick: the truth has no more to show
MAX_FOR_TICKS = 31 * 86_400 * TICKS_PER_S  # a month: minutes of computing; a slip of the unit is told


class Extent:
    """How long and how fine something is recorded; see Wanted for the fields."""

    ticks: int
    rate_hz: Fraction
    out: Path | None

    @property
    def samples(self) -> int:
        """How many samples that is."""
        return 0 if self.out is None else math.floor(self.ticks * self.rate_hz / TICKS_PER_S)

    def check(self) -> None:
        """Raise InputError for what can't be recorded."""
        if not 1 <= self.ticks <= MAX_FOR_TICKS:
            raise InputError("--for must be 1 tick (0.1 ms) .. 31 d")
        if not 0 < self.rate_hz <= MAX_RATE_HZ:
            raise InputError(f"--rate must be above 0 and at most {MAX_RATE_HZ // 1000} kHz")
        if self.out is not None and not self.samples:
            raise InputError("--for is shorter than one sample at this --rate")


@dataclass(frozen=True)
class RecordingRequest(Extent):
    """What is to be recorded: ticks from the run's start, samples a second, where to (None: run only).

    seed: the one that the program was compiled with, the clamp's noise follows it too; run: the run number,
    1 .. 2^32 - 1.
    """

    ticks: int
    seed: int
    rate_hz: Fraction = Fraction(1000)
    run: int = 1
    out: Path | None = None


@dataclass(frozen=True)
class Recorded:
    """What came of it; paths are None where nothing was written. simulated_s counts from the run's start."""

    recording: Path | None
    journal: Path | None
    samples: int
    simulated_s: float


def record(
    plan: Program,
    bench: Bench,
    wanted: RecordingRequest,
    say: Callable[[str], None] = lambda text: None,
    progress: Callable[[float], None] = lambda ticks: None,
) -> Recorded:
    """Run `plan` on a new box and record it; raises InputError when it can't be recorded or never starts.

    say: takes a line for people; progress: takes the ticks of the run that are done.
    """
    wanted.check()
    world = bench.world()
    if wanted.out is not None:
        world.record()
    world.advance(POWER_UP_TICKS)
    with open_box(LoopTransport(BenchLink(world).feed)) as box:
        box.send(SLOT, programs.pack(plan))
        if wanted.run > 1:
            count_runs(world, wanted.run - 1)
        box.arm(SLOT)
        take = _Take(world, box, wanted, _wait_for_start(world, plan, say), progress)
        samples = take.only() if wanted.out is None else take.to_files(wanted.out, plan.name)
    _report_end(world, say)
    beside = None if wanted.out is None else path_beside(wanted.out)
    return Recorded(wanted.out, beside, samples, wanted.ticks / TICKS_PER_S)


class _Take:
    """A run that has begun, from its zero (`start`, the world's tick) to the end of what is wanted."""

    def __init__(
        self,
        world: World,
        box: BoxClient,
        wanted: RecordingRequest,
        start: int,
        progress: Callable[[float], None],
    ) -> None:
        self._world = world
        self._box = box
        self._wanted = wanted
        self._start = start
        self._progress = progress

    def only(self) -> int:
        """Let it run; no samples."""
        for _ in self._chunks():
            pass
        return 0

    def to_files(self, out: Path, profile: str) -> int:
        """Let it run, write the recording and the journal; returns the number of samples."""
        wanted = self._wanted
        sampler = Sampler(wanted.rate_hz, self._start, wanted.samples, wanted.seed)
        reader = JournalReader(self._box, self._world.box_tick(self._start))
        with CsvFile(out) as samples, JournalFile(path_beside(out)) as lines:
            lines.write([reader.head(profile, wanted.seed)])
            for last in self._chunks():
                if not last:
                    lines.write(reader.news())
                samples.write(*sampler.feed(self._world.seen()))
            samples.keep()
            lines.keep()
        return sampler.done

    def _chunks(self) -> Iterator[bool]:
        """Let time pass to the end, pausing after each chunk: False, and True after the last.

        The last is one tick long: an edge at the very end belongs to what comes after.
        """
        stop = self._start + self._wanted.ticks
        most = max(1, min(CHUNK_TICKS, int(CHUNK_SAMPLES * TICKS_PER_S / self._wanted.rate_hz)))
        while self._world.tick < stop - 1:
            self._world.advance(min(most, stop - 1 - self._world.tick))
            yield False
            self._progress(self._world.tick - self._start)
        self._world.advance(stop - self._world.tick)
        yield True


class JournalReader:
    """Reads the box's journal over the link piece by piece, so that a ring that wraps loses nothing."""

    def __init__(self, box: BoxClient, start_tick: int) -> None:
        self._box = box
        self._start_tick = start_tick
        self._offset = 0
        self._boot = 0

    def head(self, profile: str, seed: int) -> dict[str, Any]:
        """The file's first line."""
        run = self._box.run()
        return {
            **believes(self._box),
            "profile": profile,
            "slot": run.slot,
            "run": run.run,
            "seed": seed,
            "run_start_tick": self._start_tick,
        }

    def news(self) -> list[dict[str, Any]]:
        """The lines for what was added since the last call."""
        read = self._box.read_journal(self._offset)
        self._offset = read.start + len(read.data)
        records = journals.decode(read.data, self._boot)
        self._boot = records[-1]["boot"] if records else self._boot
        return [line(record, self._start_tick, self._boot) for record in records if record["kind"] != PAGE]


def count_runs(world: World, runs: int) -> None:
    """Make the box's flash remember `runs` arms of the program in SLOT, and power it up anew."""
    assert world.box is not None
    infos: list[Any] = world.box.slots.infos
    serial = infos[SLOT].serial
    world.cut_power()
    world.store.revive()
    kept = ledger.Ledger(world.store)
    kept.open()
    kept.serials[SLOT], kept.runs[SLOT] = serial, runs
    kept.keep()
    world.restore_power()


def _wait_for_start(world: World, plan: Program, say: Callable[[str], None]) -> int:
    """Let time pass until the run starts; returns the world's tick of its zero."""
    if plan.start == program.START_PANEL:
        say("the arm switch is flipped")
        world.panel(arm=True)
    rule = programs.numbers(plan)
    asked = rule["start_after_ticks"] + (
        rule["start_steady_ticks"] if plan.start == program.START_REST else 0
    )
    begun = world.tick
    while world.box is not None and world.box.run_started is None:
        if world.tick - begun > asked + GRACE_TICKS:
            raise InputError(_never(world, plan, rule["start_below_mv"] / 1000))
        world.advance(TICKS_PER_S)
    assert world.box is not None
    start = world.world_tick(world.box.run_started)
    if start - begun >= TICKS_PER_S:
        say(f"the run starts after {(start - begun) / TICKS_PER_S:g} s, as its start rule asks")
    return start


def _report_end(world: World, say: Callable[[str], None]) -> None:
    """Say so when the run did not last to the end of the recording."""
    state = "without power" if world.box is None else world.box.state
    if state != states.RUNNING:
        fault = "" if world.box is None else states.FAULTS.get(world.box.fault, ("",))[0]
        say(f"at the end the box is {state}" + (f" ({fault})" if fault else ""))


def _never(world: World, plan: Program, below_v: float) -> str:
    supply_v = world.readings.supply_mv / 1000
    if plan.start == program.START_REST:
        return (
            f"the run never starts: it waits for less than {below_v:g} V, the supply rests at {supply_v:g} V"
        )
    state = "without power" if world.box is None else world.box.state
    return f"the run never starts: the box is {state}, its supply {supply_v:g} V"
