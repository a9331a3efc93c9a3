"""`bench record` with a vehicle, as a function: boxes at splices, a script, and channels into one recording.

Zero is the instant at which the boxes are armed and the script begins; each box starts by its own rule.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

from boxcore.program import TICKS_PER_S, Program

from nightdraw.bench import boxlog
from nightdraw.bench.averaging import Averager
from nightdraw.bench.journalfile import JournalFile
from nightdraw.bench.record import CHUNK_SAMPLES, CHUNK_TICKS, POWER_UP_TICKS, Extent
from nightdraw.bench.rig import Rig
from nightdraw.bench.setup import Bench
from nightdraw.bench.tables import CSV, Piece, TableFile
from nightdraw.errors import InputError, nearest
from nightdraw.instruments.front import IDEAL, Front, Traits
from nightdraw.vehicle import battery, model, script
from nightdraw.vehicle.model import Vehicle

# A bench recorder of no limits but these: a low-current clamp's 6 mA over its 20 kHz averaged over 1 ms, and
# a differential input's 20 uV over 1 ms; read to the microampere and the microvolt, far below the noise.
CLAMP = Traits(noise=1e-3, noise_hz=500.0, step=1e-6)
INPUT = Traits(noise=0.02, noise_hz=500.0, step=1e-3)
BESIDE = 12  # fronts' seeds lie beside the bench's others
GROUP_SAMPLES = 1 << 21  # written at once, of all channels: 16 MB, long enough for two threads to take turns
UNITS = {model.BATTERY: "a", model.FEED: "a", model.DROP: "mv"}

Fronts = Callable[[str], Traits]  # a channel's kind -> what stands before the recorder


def usual(kind: str) -> Traits:
    """The front ends of a recording that names no instruments."""
    return INPUT if kind == model.DROP else CLAMP


def seen_of(vehicle: Vehicle) -> Fronts:
    """The same for a vehicle whose recordings' noise is known."""
    if vehicle.noise_a is None:
        return usual
    clamp = replace(CLAMP, noise=vehicle.noise_a)
    return lambda kind: INPUT if kind == model.DROP else clamp


def ideal(kind: str) -> Traits:
    """The truth."""
    return IDEAL


@dataclass(frozen=True)
class Placed:
    """A program to be played by a box of this bench at a splice; seed: as it was compiled with."""

    splice: str
    plan: Program
    bench: Bench
    seed: int


@dataclass(frozen=True)
class Drive(Extent):
    """What is recorded: ticks from zero, samples a second, channels by name, where to (None: run only)."""

    ticks: int
    channels: tuple[str, ...]
    rate_hz: Fraction = Fraction(1000)
    seed: int = 0
    run: int = 1
    out: Path | None = None
    form: str = CSV
    fronts: Fronts = usual


@dataclass(frozen=True)
class Driven:
    """What came of it: paths (None, () where nothing was written), samples a channel, seconds from zero;
    how each box stands at the end, what is left of the charge and whether the engine would start."""

    recording: Path | None
    journals: tuple[Path, ...]
    samples: int
    simulated_s: float
    boxes: tuple[dict[str, Any], ...] = ()
    charge_pct: float = math.nan
    starts: bool = True


def chosen(vehicle: Vehicle, names: Sequence[str]) -> tuple[str, ...]:
    """The channels by these names, each once; none named: the battery. Raises InputError for unknown ones."""
    known = vehicle.channels()
    found: list[str] = []
    for name in names or (model.BATTERY,):
        if name != model.ALL and name not in known:
            hint = nearest(name, known) or f"known: {', '.join(known)}"
            raise InputError(f"--channel {name}: this vehicle has no such channel ({hint})")
        found += [channel for channel in (known if name == model.ALL else (name,)) if channel not in found]
    return tuple(found)


def header(vehicle: Vehicle, channels: Sequence[str]) -> list[str]:
    """The columns' names with their units."""
    kinds = vehicle.channels()
    return [f"{name}_{UNITS[kinds[name]]}" for name in channels]


def drive(
    vehicle: Vehicle,
    boxes: Sequence[Placed],
    wanted: Drive,
    plan: script.Script = script.EMPTY,
    say: Callable[[str], None] = lambda text: None,
    progress: Callable[[float], None] = lambda ticks: None,
) -> Driven:
    """Run boxes in a vehicle and record it; raises InputError. say: takes a line; progress: ticks done."""
    wanted.check()
    run = VehicleRecording(vehicle, boxes, wanted, plan, say)
    if wanted.out is None:
        for _ in run.chunks():
            progress(run.done)
    else:
        run.to_files(wanted.out, progress)
    stands = run.ends(say)
    splices = [box.splice for box in boxes]
    journals = [] if wanted.out is None else boxlog.beside_all(wanted.out, splices)
    simulated, starter = run.rig.simulated, vehicle.starter
    starts = battery.starts(vehicle.battery, simulated.charge_pct, 0.0 if starter is None else starter.draw_a)
    ran_s = wanted.ticks / TICKS_PER_S
    return Driven(wanted.out, tuple(journals), wanted.samples, ran_s, stands, simulated.charge_pct, starts)


class VehicleRecording:
    """A rig that has been powered up and armed, from zero to the end of what is wanted."""

    def __init__(
        self,
        vehicle: Vehicle,
        boxes: Sequence[Placed],
        wanted: Drive,
        plan: script.Script,
        say: Callable[[str], None],
        meter_ohms: float = 0.0,
    ) -> None:
        self.vehicle = vehicle
        self.wanted = wanted
        zero = POWER_UP_TICKS
        benches = [(box.splice, box.bench) for box in boxes]
        self.rig = Rig(vehicle, benches, wanted.channels, plan, zero, wanted.seed, meter_ohms, say)
        self.rig.advance(zero, through=False)  # what a script lets happen at zero finds the boxes armed
        worlds = zip(self.rig.worlds, boxes, strict=True)
        self.logs = [boxlog.BoxLog(world, box.plan, box.seed, wanted.run, zero) for world, box in worlds]
        for log in self.logs:
            log.arm()
        self.rig.settle()

    @property
    def done(self) -> int:
        """Ticks from zero that are done."""
        return self.rig.tick - POWER_UP_TICKS

    def ends(self, say: Callable[[str], None]) -> tuple[dict[str, Any], ...]:
        """How each box stands at the end; what isn't running, or never was, is said."""
        for log in self.logs:
            text = log.ending()
            if text:
                say(text)
        return tuple(log.end() for log in self.logs)

    def chunks(self) -> Iterator[bool]:
        """Let time pass to the end, pausing after each chunk: False, and True after the last.

        The last is one tick long: an edge at the very end belongs to what comes after.
        """
        rig, stop = self.rig, POWER_UP_TICKS + self.wanted.ticks
        rows = CHUNK_SAMPLES / max(1, len(self.wanted.channels))
        most = max(1, min(CHUNK_TICKS, int(rows * TICKS_PER_S / self.wanted.rate_hz)))
        while rig.tick < stop - 1:
            rig.advance(min(rig.tick + most, stop - 1))
            for log in self.logs:
                log.read()
            rig.settle()
            yield False
        rig.advance(stop)
        for log in self.logs:
            if log.world.box is None:
                log.read()
        yield True

    def samples(self) -> Iterator[Piece]:
        """Let time pass and yield (seconds, one array a channel) piece by piece."""
        import numpy as np

        wanted = self.wanted
        kinds = self.vehicle.channels()
        rate_hz = float(wanted.rate_hz)
        count = math.floor(wanted.ticks * wanted.rate_hz / TICKS_PER_S)
        traits = [wanted.fronts(kinds[name]) for name in wanted.channels]
        instants = [k for k, one in enumerate(traits) if one.instant]
        averager = Averager(wanted.rate_hz, POWER_UP_TICKS, count, instants)
        fronts = [Front(one, rate_hz, (wanted.seed, BESIDE, k)) for k, one in enumerate(traits)]
        for _ in self.chunks():
            first = averager.done
            truth = averager.feed(self.rig.take())
            times_s = np.arange(first, averager.done) / rate_hz
            yield times_s, [front(row) for front, row in zip(fronts, truth, strict=True)]

    def gathered(self) -> Iterator[list[Piece]]:
        """The same, so many pieces together that they can be written beside the making of the next."""
        pieces, gathered = list[Piece](), 0
        for times_s, samples in self.samples():
            pieces.append((times_s, samples))
            gathered += len(times_s) * (1 + len(samples))
            if gathered >= GROUP_SAMPLES:
                yield pieces
                pieces, gathered = [], 0
        if pieces:
            yield pieces

    def to_files(self, out: Path, progress: Callable[[float], None]) -> None:
        """Let time pass and write the recording and the boxes' journals."""
        columns = header(self.vehicle, self.wanted.channels)
        with contextlib.ExitStack() as stack:
            table = stack.enter_context(TableFile(out, columns, self.wanted.form))
            paths = boxlog.beside_all(out, [log.world.splice for log in self.logs])
            files = [stack.enter_context(JournalFile(path)) for path in paths]
            for log, file in zip(self.logs, files, strict=True):
                log.write_to(file)
            writing: Future[None] | None = None
            writer = stack.enter_context(ThreadPoolExecutor(1))  # one piece is written while the next is made
            for pieces in self.gathered():
                if writing is not None:
                    writing.result()
                writing = writer.submit(table.write_pieces, pieces)
                progress(self.done)
            if writing is not None:
                writing.result()
            table.keep()
            for log, file in zip(self.logs, files, strict=True):
                log.finish()
                file.keep()
