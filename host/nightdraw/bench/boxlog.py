"""One box of a rig as a program sees it: sent, armed, its journal read piece by piece into a file.

The box is spoken to over its instrument link alone. Times in the file are on two clocks: `t_s` counts from
the run's start as in every journal, `at_s` is the recording's own time.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from boxcore import journal, program, states
from boxcore.program import TICKS_PER_S, Program

from nightdraw import journals, programs
from nightdraw.bench.instrument import BenchLink
from nightdraw.bench.journalfile import SUFFIX, JournalFile
from nightdraw.bench.record import SLOT, JournalReader, count_runs
from nightdraw.bench.rig import BoxWorld
from nightdraw.bench.store import MemoryStore
from nightdraw.link import LoopTransport, open_box
from nightdraw.link.records import PAGE, line

START = journals.KINDS[journal.START][0]
WAITING_BYTES = journal.BUFFER_RECORDS * journal.RECORD_BYTES  # of a journal, in memory and not in the flash


class BoxLog:
    """A box that plays `plan`, and its journal's lines; zero: the world's tick of the recording's zero."""

    def __init__(self, world: BoxWorld, plan: Program, seed: int, run: int, zero: int) -> None:
        self.world = world
        self.plan = plan
        self._seed = seed
        self._zero = zero
        self._client = open_box(LoopTransport(BenchLink(world).feed))
        self._offset = self._boot = 0
        self._flash_read = 0  # the boot after whose end the flash was read
        self._pending: list[dict[str, Any]] = []
        self._begun: tuple[int, int] | None = None  # boot and box tick of the first run's start
        self._head: dict[str, Any] | None = None
        self._file: JournalFile | None = None
        self._client.send(SLOT, programs.pack(plan))
        if run > 1:
            count_runs(world, run - 1)

    def arm(self) -> None:
        """Arm the box, and flip its switch where the program starts by that."""
        self._client.arm(SLOT)
        if self.plan.start == program.START_PANEL:
            self.world.panel(arm=True)
        self._head = JournalReader(self._client, 0).head(self.plan.name, self._seed)

    def write_to(self, file: JournalFile) -> None:
        """Write what is known from now on to this file."""
        self._file = file

    def read(self) -> None:
        """Take what the journal has got since the last call; of a box without power what its flash holds."""
        boot = max(self.world.boots)
        if self.world.box is not None:
            # A cut takes what was not in the flash yet, and the next boot's records stand where those stood
            since = self._offset - (WAITING_BYTES if boot > self._boot else 0)
            read = self._client.read_journal(max(0, since))
            self._take(read.start, read.data)
        elif self._flash_read < boot:
            self._take(*_held(self.world.store))
            self._flash_read = boot

    def _take(self, start: int, data: bytes) -> None:
        """Take the records in the journal's bytes from offset `start` on that were not taken before."""
        records = journals.decode(data[max(0, self._offset - start) :], self._boot)
        anew = [record for record in journals.decode(data) if record["boot"] > self._boot]
        if len(anew) > sum(record["boot"] > self._boot for record in records):
            records = anew
        self._offset = start + len(data)
        for record in records:
            self._boot = record["boot"]
            if record["kind"] == PAGE:
                continue
            if self._begun is None and record["kind"] == START:
                self._begun = record["boot"], record["tick"] - record["position"]
            self._pending.append(record)
        if self._begun is not None:
            self._flush()

    def finish(self) -> None:
        """Write what waited for a start that never came."""
        self._flush()

    def ending(self) -> str | None:
        """A line about a box that is not running at the end, None for one that is."""
        box = self.world.box
        state = "without power" if box is None else box.state
        if state == states.RUNNING:
            return None
        fault = "" if box is None else states.FAULTS.get(box.fault, ("",))[0]
        lines = f"at the end the box at {self.world.splice} is {state}" + (f" ({fault})" if fault else "")
        return lines if self._begun else f"{lines}, its run never started{self._waits()}"

    def _waits(self) -> str:
        """What a run that never started waited for."""
        if self.plan.start != program.START_REST:
            return ""
        below_v = programs.numbers(self.plan)["start_below_mv"] / 1000
        return f": it waits for less than {below_v:g} V, there are {self.world.readings.supply_mv / 1000:g} V"

    def end(self) -> dict[str, Any]:
        """How it stands at the end: state (null without power), whether its run began, when by the
        recording."""
        box, began_s = self.world.box, None
        if self._begun is not None:
            boot, tick = self._begun
            began_s = (self.world.boots[boot] + tick - self._zero) / TICKS_PER_S
        state = None if box is None else box.state
        return {
            "splice": self.world.splice,
            "state": state,
            "began": self._begun is not None,
            "began_s": began_s,
        }

    def _flush(self) -> None:
        pending, self._pending = self._pending, []
        if self._file is None:
            return
        boots = self.world.boots
        boot, tick = self._begun or (next(iter(boots)), self._zero)
        if self._head is not None:
            start_s = (boots[boot] + tick - self._zero) / TICKS_PER_S
            head = {**self._head, "run_start_boot": boot, "run_start_tick": tick}
            head |= {"splice": self.world.splice, "start_at_s": start_s}
            self._file.write([head])
            self._head = None
        lines = []
        for record in pending:
            at = boots[record["boot"]] + record["tick"] - self._zero
            lines.append({**line(record, tick, boot), "at_s": at / TICKS_PER_S})
        self._file.write(lines)


def _held(store: MemoryStore) -> tuple[int, bytes]:
    """The journal in a flash without power, as one reads it over USB: its first offset, its bytes."""
    store.revive()
    held = journal.Journal(store)
    held.open(0)
    data = journals.whole(held)
    store.lose_power()
    return held.start, data


def beside(recording: Path, splice: str, several: bool) -> Path:
    """Where a box's journal goes: NAME.journal.jsonl, or NAME.SPLICE.journal.jsonl with several boxes."""
    return recording.with_suffix(f".{splice}{SUFFIX}" if several else SUFFIX)


def beside_all(recording: Path, splices: Sequence[str]) -> list[Path]:
    """Where the journals of boxes at these splices go."""
    return [beside(recording, splice, len(splices) > 1) for splice in splices]
