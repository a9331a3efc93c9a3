"""The PIO program, instruction by instruction, on an independent emulator (rp2040-pio-emulator)."""

from __future__ import annotations

from typing import Any

import pytest
from boxcore import edgeplayer
from fake_board import pio
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.firmware.emulated import EmulatedMachine

CHANNELS, BASE = 10, 2
MASK = ((1 << CHANNELS) - 1) << BASE

# The program written down by hand after the RP2040 datasheet, section 3.4 (delay in bits 12..8):
# an assembler of our own must not be the only witness.
BY_HAND = [
    0b111_00000_001_00000,  # set x, 0
    0b100_00000_10000000,  # pull noblock
    0b011_00000_010_10000,  # out y, 16
    0b000_00000_100_00111,  # jmp y--, 7
    0b101_00000_000_00011,  # mov pins, null
    0b100_00000_00000000,  # push noblock
    0b000_00000_000_00110,  # jmp 6
    0b011_00110_000_10000,  # out pins, 16 [6]
    0b000_01001_011_00001,  # jmp !y, 1 [9]
    0b000_01001_100_01000,  # jmp y--, 8 [9]
]

words = st.lists(
    st.tuples(st.integers(0, (1 << CHANNELS) - 1), st.integers(1, 40) | st.just(2500)),
    min_size=1,
    max_size=12,
)


@pytest.fixture
def program(chip: Any) -> Any:
    """The program as hal_rp2 gives it to the assembler."""
    from boxcore import hal_rp2

    return hal_rp2._program(CHANNELS)


class Bench:
    """A machine whose FIFO is kept full from a list, and the edges that come out, in PIO cycles."""

    def __init__(self, make: Any, program: Any, train: list[tuple[int, int]]) -> None:
        self.edges: list[tuple[int, int]] = []
        self.train = [pattern << 16 | ticks for pattern, ticks in train]
        self.machine = make(program, BASE, self._pins, self._fill)
        self._fill()
        self.machine.running = True

    def _pins(self, mask: int, value: int) -> None:
        assert mask == MASK
        self.edges.append((self.machine.cycle + 1, value >> BASE))

    def _fill(self) -> None:
        while self.train and self.machine.tx_count < pio.FIFO:
            self.machine.put(self.train.pop(0))


def expected(
    train: list[tuple[int, int]], start: int = edgeplayer.FIRST_EDGE_CYCLES
) -> list[tuple[int, int]]:
    """Where the edges of a train of words must lie: arithmetic only."""
    edges = []
    at, last = start, 0
    for pattern, ticks in [*train, (0, 0)]:
        if pattern != last:
            edges.append((at, pattern))
        at, last = at + ticks * edgeplayer.CYCLES_A_TICK, pattern
    return edges


def only_changes(edges: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Writes that changed nothing left out."""
    kept, last = [], 0
    for at, pattern in edges:
        if pattern != last:
            kept.append((at, pattern))
        last = pattern
    return kept


def test_assembles_to_what_the_datasheet_says(program: Any) -> None:
    assert program.opcodes == BY_HAND
    assert (program.wrap_low, program.wrap_high, program.out_count) == (1, 9, CHANNELS)


def test_delays_are_the_arithmetics() -> None:
    assert BY_HAND[7] >> 8 & 31 == edgeplayer.LEAD_DELAY
    assert BY_HAND[8] >> 8 & 31 == BY_HAND[9] >> 8 & 31 == edgeplayer.STEP_DELAY
    cycles = 4 + edgeplayer.LEAD_DELAY + edgeplayer.STEP_DELAY + 1
    assert cycles == edgeplayer.CYCLES_A_TICK == 2 * (edgeplayer.STEP_DELAY + 1)


@pytest.mark.parametrize(("make", "trains"), [(EmulatedMachine, 30), (pio.Machine, 100)])
def test_any_train_is_exact_to_the_cycle_and_ends_open(make: Any, trains: int) -> None:
    from fake_board import chip as silicon
    from fake_board import modules

    before = modules.install(silicon.Chip())
    from boxcore import hal_rp2

    program = hal_rp2._program(CHANNELS)
    modules.remove(before)

    @given(words)
    @settings(max_examples=trains)
    def check(train: list[tuple[int, int]]) -> None:
        bench = Bench(make, program, train)
        total = sum(ticks for _, ticks in train) * edgeplayer.CYCLES_A_TICK
        bench.machine.run(total + 100)
        assert only_changes(bench.edges) == expected(train)
        assert bench.machine.rx_count == 1
        assert bench.machine.pc == program.labels["stand"]

    check()


def test_both_machines_agree_on_every_instruction(program: Any) -> None:
    train = [(5, 1), (0, 2), (1023, 3), (512, 7), (3, 1)]
    ours, theirs = (Bench(make, program, list(train)) for make in (pio.Machine, EmulatedMachine))
    for _ in range(60):
        ours.machine.step()
        theirs.machine.step()
        assert (ours.machine.cycle, ours.machine.pc) == (theirs.machine.cycle, theirs.machine.pc)
        assert (ours.machine.x, ours.machine.y) == (
            theirs.machine._state.x_register,
            theirs.machine._state.y_register,
        )
        assert (ours.machine.tx_count, ours.machine.rx_count) == (
            theirs.machine.tx_count,
            theirs.machine.rx_count,
        )
    assert only_changes(ours.edges) == only_changes(theirs.edges)


def test_after_an_underrun_nothing_plays_until_it_is_started_anew(program: Any) -> None:
    bench = Bench(EmulatedMachine, program, [(9, 3)])
    bench.machine.run(200)
    assert only_changes(bench.edges) == [(5, 9), (65, 0)]
    for _ in range(pio.FIFO):
        bench.machine.put(1023 << 16 | 50)
    bench.machine.run(10_000)
    assert len(only_changes(bench.edges)) == 2
    assert bench.machine.tx_count == pio.FIFO
    bench.machine.restart()
    begun = bench.machine.cycle
    bench.machine.run(begun + 30)
    assert bench.edges[-1] == (begun + edgeplayer.FIRST_EDGE_CYCLES, 1023)


def test_a_word_without_duration_never_reaches_the_pins(program: Any) -> None:
    bench = Bench(EmulatedMachine, program, [(7, 2), (1023, 0), (1023, 5)])
    bench.machine.run(5_000)
    assert only_changes(bench.edges) == [(5, 7), (45, 0)]
    assert bench.machine.rx_count == 1


def test_the_opcodes_for_stopping_drain_the_fifo_and_open_all(program: Any) -> None:
    bench = Bench(EmulatedMachine, program, [(1023, 2500)] * 6)
    bench.machine.run(1_000)
    bench.machine.running = False
    bench.train.clear()
    assert bench.machine.tx_count == pio.FIFO
    for left in (3, 2, 1, 0, 0):
        bench.machine.execute(edgeplayer.PULL_NOBLOCK)
        assert bench.machine.tx_count == left
    bench.machine.execute(edgeplayer.OPEN_ALL)
    assert bench.edges[-1][1] == 0
    bench.machine.restart()
    bench.machine.running = True
    bench.machine.run(bench.machine.cycle + 100)
    assert bench.machine.pc == program.labels["stand"]
    assert only_changes(bench.edges)[-1][1] == 0
