"""The edge player: DMA and PIO together, stalls of the processor, underruns, stopping and starting anew."""

from __future__ import annotations

from random import Random
from typing import Any

import pytest
from boxcore import edgeplayer, port
from fake_board import chip as silicon
from fake_board import modules
from hypothesis import given
from hypothesis import strategies as st

from tests.firmware import rig
from tests.firmware.emulated import EmulatedMachine

STALL_NS = 400_000_000  # a flash sector's erase at its longest (W25Q16JV datasheet, tSE max)
MS_NS = 1_000_000


class Refiller:
    """What the box's player does: keeps between QUEUE_LOW_TICKS and QUEUE_HIGH_TICKS queued, as far as room
    allows."""

    def __init__(self, chip: Any, hal: Any, words: Any) -> None:
        self.chip, self.hal, self.words = chip, hal, words
        self.pushed: list[tuple[int, int]] = []
        self.queued_ticks = 0

    def fill(self, played_ticks: int = 0) -> None:
        """Top the queue up; each word costs the processor 0.3 ms."""
        room = self.hal.room()
        while room and self.queued_ticks - played_ticks < port.QUEUE_HIGH_TICKS:
            pattern, ticks = next(self.words)
            self.hal.push(pattern, ticks)
            self.chip.spend(300_000)
            self.pushed.append((pattern, ticks))
            self.queued_ticks += ticks
            room -= 1

    def play(self, rng: Random, span_ns: int, stalls: int) -> None:
        """Start, and keep it going for span_ns with a number of stalls in between, each after time to
        refill."""
        self.fill()
        self.hal.enable()
        begun = self.chip.ns
        pauses = [int(span_ns * (k + rng.random() / 4) / stalls) for k in range(stalls)]
        while self.chip.ns - begun < span_ns:
            self.fill((self.chip.ns - begun) // rig.NS_A_TICK)
            if pauses and self.chip.ns - begun >= pauses[0]:
                pauses.pop(0)
                self.chip.spend(STALL_NS)
            else:
                self.chip.spend(rng.randrange(1, 30) * MS_NS)
            assert not self.hal.starved()


def train(rng: Random, shortest: int, longest: int) -> Any:
    """Endless words of different patterns, so that each has an edge."""
    last = 0
    while True:
        pattern = rng.choice([p for p in range(1024) if p != last]) if rng.random() < 0.5 else last ^ 1
        yield pattern, rng.randint(shortest, longest)
        last = pattern


def exact(chip: Any, pushed: list[tuple[int, int]]) -> None:
    """All that has played lies exactly where it must."""
    seen = rig.played(chip)
    assert seen
    assert seen == rig.timeline(pushed, rig.begun_ns(chip))[: len(seen)]
    due = [at for at, _ in rig.timeline(pushed, rig.begun_ns(chip)) if at <= chip.ns - MS_NS]
    assert len(seen) >= len(due)


@pytest.mark.parametrize(("shortest", "longest"), [(50, 50), (50, 400), (50, 2500), (2500, 2500)])
def test_edges_5_ms_apart_are_exact_through_400_ms_stalls(
    chip: Any, seed: int, shortest: int, longest: int
) -> None:
    rng = Random(seed)
    refiller = Refiller(chip, rig.shell(chip), train(rng, shortest, longest))
    refiller.play(rng, 20_000 * MS_NS, stalls=12)
    exact(chip, refiller.pushed)


def test_edges_1_ms_apart_are_exact_outside_stalls_and_even_through_one_with_a_full_ring(
    chip: Any, seed: int
) -> None:
    rng = Random(seed)
    refiller = Refiller(chip, rig.shell(chip), train(rng, 10, 10))
    refiller.play(rng, 6_000 * MS_NS, stalls=3)
    exact(chip, refiller.pushed)
    assert edgeplayer.RING_WORDS * 10 * rig.NS_A_TICK > STALL_NS


def test_the_same_on_the_independent_emulator(chip: Any, seed: int) -> None:
    chip.machine_class = EmulatedMachine
    rng = Random(seed)
    refiller = Refiller(chip, rig.shell(chip), train(rng, 30, 80))
    refiller.play(rng, 1_500 * MS_NS, stalls=2)
    exact(chip, refiller.pushed)


def test_a_stall_beyond_the_queue_opens_every_switch_and_replays_nothing(chip: Any, seed: int) -> None:
    rng = Random(seed)
    hal = rig.shell(chip)
    refiller = Refiller(chip, hal, train(rng, 50, 60))
    refiller.play(rng, 8_000 * MS_NS, stalls=0)  # some 1500 words: every place of the ring held an old one
    begun = rig.begun_ns(chip)
    chip.spend(3_000 * MS_NS)
    assert rig.played(chip) == rig.timeline(refiller.pushed, begun)
    assert chip.pins == 0
    count = chip.edge_count
    late = [(1023, 50), (1, 50)]
    for pattern, ticks in late:
        hal.push(pattern, ticks)
    chip.spend(3_000 * MS_NS)
    assert chip.edge_count == count, "a word that came too late was played"
    assert hal.starved()
    assert not hal.starved(), "told once"
    assert hal.starved_count == 1
    hal.push(3, 70)
    hal.enable()
    chip.spend(100 * MS_NS)
    assert rig.played(chip, count) == rig.timeline([(3, 70)], rig.begun_ns(chip))


operations = st.lists(
    st.tuples(st.sampled_from(["push", "push", "push", "wait", "stop", "enable"]), st.integers(1, 2500)),
    min_size=1,
    max_size=60,
)


def run_session(chip: Any, hal: Any, steps: list[tuple[str, int]]) -> None:
    """Follow the steps, and hold every stretch of playing against arithmetic."""
    queue: list[tuple[int, int]] = []
    playing = False
    first = chip.edge_count

    def close(end_ns: int | None) -> None:
        assert rig.played(chip, first) == rig.timeline(queue, begun, end_ns)

    begun = 0
    for step, number in steps:
        if step == "push" and hal.room():
            pattern = number % 1023 + 1
            hal.push(pattern, number)
            if playing:
                chip.spend(30_000)  # an empty queue found just before is told by now
            if not playing or not chip.machines[0].sm.rx_count:
                queue.append((pattern, number))
        elif step == "wait":
            chip.spend(number * rig.NS_A_TICK)
        elif step == "enable" and not playing:
            hal.enable()
            playing, first, begun = True, chip.edge_count, rig.begun_ns(chip)
        elif step == "stop":
            open_at = chip.ns
            hal.stop()
            if playing:
                # stop() takes some calls' time; the outputs are off from its first one
                seen = [edge for edge in rig.played(chip, first) if edge[0] <= open_at]
                assert seen == [edge for edge in rig.timeline(queue, begun) if edge[0] <= open_at]
                assert chip.pins == 0
            playing, queue = False, []
    if playing:
        chip.spend(sum(ticks for _, ticks in queue) * rig.NS_A_TICK + MS_NS)
        close(None)


def test_any_order_of_calls_plays_what_was_pushed_and_nothing_else() -> None:
    @given(operations)
    def check(steps: list[tuple[str, int]]) -> None:
        board = silicon.Chip(edges=2_000)
        before = modules.install(board)
        try:
            run_session(board, rig.shell(board), steps)
        finally:
            modules.remove(before)

    check()


def test_stop_switches_the_buffer_off_before_anything_else(chip: Any) -> None:
    hal = rig.shell(chip)
    for _ in range(20):
        hal.push(5, 100)
    hal.enable()
    chip.spend(30 * MS_NS)
    assert (chip.outputs[rig.ENABLE_PIN], chip.pins) == (0, 5 << rig.FIRST_PIN)
    chip.trace = []
    hal.stop()
    assert chip.trace[0] == ("pin", rig.ENABLE_PIN, 1)
    assert chip.trace[1] == "machine off"
    assert edgeplayer.OPEN_ALL in chip.trace
    assert (chip.outputs[rig.ENABLE_PIN], chip.pins) == (1, 0)
    assert hal.room() == edgeplayer.RING_MASK
    chip.spend(1_000 * MS_NS)
    assert chip.pins == 0


def test_the_buffer_is_off_from_power_up_until_the_first_start(chip: Any) -> None:
    chip.trace = []
    hal = rig.shell(chip)
    assert ("pin", rig.ENABLE_PIN, 0) not in chip.trace
    assert chip.edge_count == 0
    hal.push(1, 10)
    hal.enable()
    assert chip.trace.count(("pin", rig.ENABLE_PIN, 0)) == 1


def test_room_counts_what_the_dma_has_not_taken_yet(chip: Any) -> None:
    hal = rig.shell(chip)
    assert hal.room() == edgeplayer.RING_WORDS - 1
    for k in range(100):
        hal.push(k + 1, 10)
    assert hal.room() == edgeplayer.RING_WORDS - 101
    hal.enable()
    chip.spend(MS_NS // 2)
    assert hal.room() == edgeplayer.RING_WORDS - 101 + 5  # one word plays, four lie in the FIFO
    chip.spend(49 * MS_NS)
    assert hal.room() == edgeplayer.RING_WORDS - 101 + 5 + 49


def test_time_spent_filling_is_cut_from_the_open_time_at_the_head_only(chip: Any) -> None:
    hal = rig.shell(chip)
    now = hal.ticks()
    tick_began = chip.ns - hal._rest_us * 1000
    hal.push(0, 300)
    hal.push(0, 200)
    hal.push(9, 40)
    chip.spend(41 * MS_NS)
    hal.enable()
    chip.spend(200 * MS_NS)
    on = rig.played(chip)[0][0]
    # the edge falls 500 ticks after the tick that was given, plus the program's own 25 us, within one tick
    assert 0 <= on - tick_began - 500 * rig.NS_A_TICK < rig.NS_A_TICK
    assert rig.played(chip)[1][0] - on == 40 * rig.NS_A_TICK
    assert hal.late_ticks == 0
    assert hal.ticks() - now >= 2400


def test_a_closed_switch_at_the_head_is_never_shortened(chip: Any) -> None:
    """Then all that is queued is later, and enable() says by how much: the edge lies there to the tick."""
    hal = rig.shell(chip)
    hal.ticks()
    tick_began = chip.ns - hal._rest_us * 1000
    hal.push(9, 40)
    chip.spend(41 * MS_NS)
    late = hal.enable()
    chip.spend(200 * MS_NS)
    (on, _), (off, _) = rig.played(chip)
    assert off - on == 40 * rig.NS_A_TICK
    assert 410 <= late <= 421  # the filling, and what making ready takes at most
    assert 0 <= on - tick_began - late * rig.NS_A_TICK < rig.NS_A_TICK
    assert hal.late_ticks == late


@pytest.mark.parametrize("real_hz", [125_000_000, 200_000_000, 150_000_000, 48_000_000, 96_000_000])
def test_the_tick_follows_the_clock_that_runs(real_hz: int) -> None:
    board = silicon.Chip(real_hz=real_hz, obeys=False)
    board.adc.update({4: 14_000, 26: 32_700})
    before = modules.install(board)
    try:
        hal = rig.shell(board)
        assert (hal.clock_hz, board.told_hz) == (real_hz, 96_000_000)
        hal.push(1, 1000)
        hal.push(2, 1000)
        hal.enable()
        board.spend(300 * MS_NS)
        first, second, last = (ns for ns, _ in board.changes())
        assert second - first == last - second == 1000 * rig.NS_A_TICK
    finally:
        modules.remove(before)


def test_an_unknown_clock_is_refused_with_every_switch_open() -> None:
    board = silicon.Chip(real_hz=77_000_000, obeys=False)
    before = modules.install(board)
    try:
        with pytest.raises(ValueError, match="known clock"):
            rig.shell(board)
        assert (board.outputs[rig.ENABLE_PIN], board.pins) == (1, 0)
    finally:
        modules.remove(before)


def test_a_fifo_that_does_not_drain_is_a_fault_and_never_plays(
    chip: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    hal = rig.shell(chip)
    for _ in range(20):
        hal.push(5, 100)
    hal.enable()
    machine = chip.machines[0]
    monkeypatch.setattr(type(machine), "exec", lambda self, opcode: None)
    hal.stop()
    assert hal.faults & 8
    hal.push(5, 100)
    hal.enable()
    chip.spend(100 * MS_NS)
    assert chip.outputs[rig.ENABLE_PIN] == 1
    assert not machine.sm.running


@pytest.mark.parametrize("pins", [[2, 4, 5], [3, 2], [28, 29, 30], [2, 2]])
def test_pins_that_one_instruction_cannot_drive_are_refused(chip: Any, pins: list[int]) -> None:
    with pytest.raises(ValueError, match="pin"):
        rig.shell(chip, rig.board(pins=pins))


def test_a_pin_used_twice_is_refused(chip: Any) -> None:
    with pytest.raises(ValueError, match="twice"):
        rig.shell(chip, rig.board(arm_pin=5))
