"""The whole job once, on the bench: from a shipped profile to the verdict on three accounts of one run.

Everything goes the way that a lesson goes: the box is the box's own firmware, spoken to over a real socket by
the same client. The steps are told as they happen; nothing is decided here that isn't decided elsewhere.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from boxcore.program import TICKS_PER_S

from nightdraw import data, programs
from nightdraw.bench.journalfile import JournalFile, path_beside
from nightdraw.bench.record import POWER_UP_TICKS, SLOT, JournalReader
from nightdraw.bench.recorder import CsvFile, Sampler
from nightdraw.bench.serve import Server
from nightdraw.bench.setup import build
from nightdraw.bench.world import World
from nightdraw.capture import accounts, compare, journal, read
from nightdraw.capture.accounts import Account
from nightdraw.capture.compare import Asked, Comparison
from nightdraw.capture.journal import Did
from nightdraw.errors import LinkError
from nightdraw.link import BoxClient, open_box
from nightdraw.profile import Profile, load
from nightdraw.report import run as report

PROFILE = "telematics-search"  # two patterns in one trace, one regular and one not
LENGTH_S = 290  # of the run: some two dozen pulses of both kinds
RATE_HZ = 1000
MOST_MARKS = 5  # differences that the picture points at

Say = Callable[[str], None]


@dataclass(frozen=True)
class Outcome:
    """The comparison, and where the picture and the recording are."""

    comparison: Comparison
    plot: Path
    recording: Path

    def document(self) -> dict[str, object]:
        """The contract's keys."""
        found = self.comparison.document()
        counted = {
            name: {"pulses": count, "mean_ma": round(mean, 3)} for name, count, mean in self._counted()
        }
        kept = {key: found[key] for key in ("agree", "differences")}
        return {**counted, **kept, "plot": str(self.plot), "recording": str(self.recording)}

    def _counted(self) -> Iterator[tuple[str, int, float]]:
        for name in ("asked", "did"):
            account: Account = getattr(self.comparison, name)
            yield name, len(account.train()), account.mean_ma
        seen = self.comparison.seen
        assert seen is not None
        yield "seen", len(seen), seen.mean_ma

    def text(self) -> str:
        """For people: the three accounts, and the verdict last."""
        rows = [f"{name:6} {count:4} pulses, mean {mean:6.1f} mA" for name, count, mean in self._counted()]
        return "\n".join([*rows, f"picture {self.plot}", self.comparison.text()])


def run(out: Path, say: Say) -> Outcome:
    """Do the whole job; its files go to the folder `out`. say: takes a line for people at each step."""
    out.mkdir(parents=True, exist_ok=True)
    steps = _numbered(say)
    profile = load(data.profile_path(PROFILE))
    steps(f"checked the profile {profile.name}: {len(profile.draws)} draws, no errors")
    code = programs.pack(profile.program())
    steps(f"compiled it: {len(code)} bytes")
    world = build(seed=profile.seed).world()
    world.record()
    world.advance(POWER_UP_TICKS)
    with Server(world).running() as server:
        steps(f"powered up a simulated box that runs the box's own firmware, at {server.address}")
        with open_box(server.address) as box:
            start_tick = _send_and_run(box, code, steps)
            did, lines = _journal(box, profile, start_tick)
    steps(f"read its journal over the link: {len(lines) - 1} records")
    recording = out / f"{profile.name}.csv"
    samples = _record(world, recording, start_tick, profile.seed)
    _write_journal(path_beside(recording), lines)
    steps(f"recorded what a clamp saw: {samples} samples at {RATE_HZ} Hz, in {recording}")
    asked = Asked(profile.program(), did.run, profile.board.own_ua)
    seen = read.open_recording(recording)
    comparison = compare.compare(asked, did, seen)
    steps("measured the pulses and compared what was asked, did and seen")
    plot = out / f"{profile.name}.png"
    report.draw(plot, picture(profile.name, comparison, seen))
    steps(f"drew the three in one picture, {plot}")
    return Outcome(comparison, plot, recording)


def _numbered(say: Say) -> Say:
    count = iter(range(1, 100))
    return lambda text: say(f"{next(count)}. {text}")


def _send_and_run(box: BoxClient, code: bytes, steps: Say) -> int:
    """Store the program, arm it, let the run happen in virtual time; returns the box's tick of its zero."""
    stored = box.send(SLOT, code)
    steps(f"sent it to slot {stored.slot} of the box {box.idn().serial}, which read back what was sent")
    box.arm(SLOT)
    plan = programs.unpack(code)
    rule = programs.numbers(plan)
    waits = Fraction(rule["start_after_ticks"] + rule["start_steady_ticks"], TICKS_PER_S)
    box.advance(waits + 1)
    started = box.run().started_tick
    if started is None:
        raise LinkError(f"the run did not start: the box is {box.run().state}")
    steps(f"armed it and let {float(waits):g} s pass, as its start rule asks; the run began")
    end = started + LENGTH_S * TICKS_PER_S
    box.advance(Fraction(end - box.clock(), TICKS_PER_S))
    measured = box.measure()
    steps(f"let {LENGTH_S} s of the run pass in virtual time; the box measures {measured.supply_v:.2f} V")
    return started


def _journal(box: BoxClient, profile: Profile, start_tick: int) -> tuple[Did, list[dict[str, Any]]]:
    reader = JournalReader(box, start_tick)
    lines = [reader.head(profile.name, profile.seed), *reader.news()]
    return journal.did_of(lines[0], lines[1:]), lines


def _record(world: World, path: Path, start_tick: int, seed: int) -> int:
    sampler = Sampler(Fraction(RATE_HZ), world.world_tick(start_tick), LENGTH_S * RATE_HZ, seed)
    with CsvFile(path) as file:
        file.write(*sampler.feed(world.seen()))
        file.keep()
    return sampler.done


def _write_journal(path: Path, lines: list[dict[str, Any]]) -> None:
    with JournalFile(path) as file:
        file.write(lines)
        file.keep()


def picture(title: str, comparison: Comparison, recording: read.Recording) -> report.RunPicture:
    """What the report draws of a comparison of all three accounts."""
    asked, did, seen, clock = comparison.asked, comparison.did, comparison.seen, comparison.clock
    assert asked is not None
    assert did is not None
    assert seen is not None
    assert clock is not None
    end_s = float(clock.to_run(np.array([seen.seen.end_s]))[0])
    trains = {"asked": (asked, asked.train()), "did": (did, did.train())}
    shown: dict[str, report.LevelCurve | report.Samples] = {
        name: report.LevelCurve(c.t_s, c.level_ma, c.end_s, _note(len(train), c.mean_ma))
        for name, (c, train) in trains.items()
    }

    def blocks() -> read.Blocks:
        return ((clock.to_run(t_s), value) for t_s, value in recording.blocks())

    shown["seen"] = report.Samples(blocks, end_s, _note(len(seen), seen.mean_ma))
    train = trains["asked"][1]
    near = _near(comparison, train)
    marks = [(float(train.start_s[d.pulse - 1]), d.kind) for d in comparison.differences if d.pulse]
    verdict = {True: "the accounts agree", False: "the accounts differ", None: "can't tell"}[comparison.agree]
    return report.RunPicture(title, verdict, comparison.agree, shown, end_s, marks[:MOST_MARKS], near)


def _near(comparison: Comparison, train: accounts.Train) -> tuple[float, float] | None:
    """The pulse worth a closer look: the first that differs, else the highest."""
    if not len(train):
        return None
    first = next((d.pulse - 1 for d in comparison.differences if d.pulse), int(train.level_ma.argmax()))
    return float(train.start_s[first]), float(train.duration_s[first])


def _note(pulses: int, mean_ma: float) -> str:
    return f"{pulses} pulses, mean {mean_ma:.1f} mA"
