"""The shell's other parts: time, probing, panel, indicator, link, watchdog, and the edge player's
arithmetic."""

from __future__ import annotations

from typing import Any

import pytest
from boxcore import board as boards
from boxcore import edgeplayer, panel, port, states, wire
from fake_board import chip as silicon
from hypothesis import given
from hypothesis import strategies as st
from nightdraw.link.firmware import board_json

from tests.firmware import rig
from tests.firmware.run_board import Monitor

MS_NS = 1_000_000


# -- time


def test_ticks_grow_for_ever_through_the_wrap_of_the_microsecond_counter(chip: Any) -> None:
    hal = rig.shell(chip)
    chip.call_ns = 0
    first, begun = hal.ticks(), chip.ns - hal._rest_us * 1000
    wraps, before = 0, chip.us()
    for step_ns in [1_000, 99_000, 101_000, 5 * MS_NS, 200_000 * MS_NS, 480_000 * MS_NS] * 6:
        chip.ns += step_ns
        wraps += chip.us() < before
        before = chip.us()
        assert hal.ticks() - first == (chip.ns - begun) // rig.NS_A_TICK
    assert wraps >= 3


# -- probing


def test_probe_closes_one_pattern_and_opens_it_again(chip: Any) -> None:
    chip.monitor = Monitor(0x40, 400)
    hal = rig.shell(chip, rig.board(monitor=True))
    assert hal.probe(4) == 20_000  # 400 counts of 50 uA
    (on, first), (off, last) = rig.played(chip)
    assert (first, last) == (4, 0)
    assert 10 * MS_NS < off - on < 30 * MS_NS
    assert chip.outputs[rig.ENABLE_PIN] == 1


def test_a_probe_that_fails_half_way_leaves_everything_open(
    chip: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    hal = rig.shell(chip)

    def failing(milliseconds: int) -> None:
        raise RuntimeError("planted")

    from boxcore import hal_rp2

    monkeypatch.setattr(hal_rp2.time, "sleep_ms", failing)
    with pytest.raises(RuntimeError):
        hal.probe(1023)
    assert (chip.pins, chip.outputs[rig.ENABLE_PIN]) == (0, 1)


def test_the_hardware_ends_a_probe_that_nobody_ends(chip: Any) -> None:
    hal = rig.shell(chip)
    from boxcore import hal_rp2

    hal.push(1023, hal_rp2.PROBE_TICKS)
    hal.enable()
    chip.spend(100 * MS_NS)
    (on, _), (off, _) = rig.played(chip)
    assert off - on == hal_rp2.PROBE_TICKS * rig.NS_A_TICK


def test_without_a_monitor_a_probe_says_so(chip: Any) -> None:
    assert rig.shell(chip).probe(1) == port.NOT_MEASURED


# -- panel

bits = st.integers(0, 63)  # the button among them, which the panel leaves alone


@given(st.lists(bits, min_size=2, max_size=40))
def test_the_panel_believes_what_it_sees_twice(seen: list[int]) -> None:
    contacts = panel.Panel()
    want = [0, False]
    for before, now in zip([None, *seen[:-1]], seen, strict=True):
        contacts.update(now)
        if before is not None:
            if before & 15 == now & 15 < 10:
                want[0] = now & 15
            if before & 16 == now & 16:
                want[1] = bool(now & 16)
        assert [contacts.selector, contacts.arm] == want


def test_a_selector_turned_past_codes_above_nine_keeps_its_position() -> None:
    contacts = panel.Panel()
    for code in (7, 7, 15, 15, 12, 8, 8):
        contacts.update(code)
    assert contacts.selector == 8


@pytest.mark.parametrize("position", range(10))
def test_the_selectors_code_is_binary(chip: Any, position: int) -> None:
    hal = rig.shell(chip)
    for weight, pin in enumerate((16, 17, 18, 19)):
        chip.levels[pin] = position >> weight & 1
    readings = port.Readings()
    hal.read(readings)
    hal.read(readings)
    assert readings.selector == position


def test_an_open_panel_reads_as_slot_0_and_not_armed(chip: Any) -> None:
    hal = rig.shell(chip)
    readings = port.Readings()
    hal.read(readings)
    hal.read(readings)
    assert (readings.selector, readings.arm, hal.button_held()) == (0, False, False)


# -- indicator


@pytest.mark.parametrize("state", states.STATES)
def test_the_indicator_blinks_as_often_as_its_table_says_and_is_dark_most_of_the_time(state: str) -> None:
    blinks, period = panel.BLINKS[state]
    lit = [panel.lit(state, False, now) for now in range(0, period, 100)]
    rises = sum(after and not before for before, after in zip([False, *lit], lit, strict=False))
    assert rises == blinks
    assert sum(lit) * 100 == blinks * panel.BLINK_TICKS
    assert blinks * (panel.BLINK_TICKS + panel.PAUSE_TICKS) < period


def test_every_state_looks_different_and_a_flag_differs_from_all() -> None:
    assert len({panel.FLAGGED, *panel.BLINKS.values()}) == len(panel.BLINKS) + 1
    assert set(panel.BLINKS) == set(states.STATES)


@pytest.mark.parametrize("duty", [0, 1, 65_535])
def test_the_indicators_brightness_is_the_boards(chip: Any, duty: int) -> None:
    hal = rig.shell(chip, rig.board(indicator_duty=duty))
    hal.show(states.IDLE, False, 0)
    assert chip.duty[22] == duty
    hal.show(states.IDLE, False, 50_000)
    assert chip.duty[22] == 0


# -- watchdog


def test_the_watchdog_starts_with_the_first_sign_of_life_only(chip: Any) -> None:
    hal = rig.shell(chip)
    chip.spend(60_000 * MS_NS)
    assert hal.watchdog is None
    hal.alive()
    chip.spend(7_900 * MS_NS)
    hal.alive()
    with pytest.raises(silicon.Reset, match="watchdog"):
        chip.spend(8_100 * MS_NS)


# -- link


class Ends:
    """Both ends of a link, and their poll objects."""

    def __init__(self) -> None:
        self.incoming = bytearray()
        self.sent = bytearray()
        self.room = 1 << 20

    def readinto(self, buffer: bytearray) -> int:
        assert len(self.incoming) >= len(buffer), "this would block"
        buffer[:] = self.incoming[: len(buffer)]
        del self.incoming[: len(buffer)]
        return len(buffer)

    def write(self, data: bytes) -> int:
        assert len(data) <= self.room, "this would block"
        self.room -= len(data)
        self.sent += data
        return len(data)

    def wire(self) -> wire.Wire:
        outer = self

        class Poll:
            def __init__(self, ready: Any) -> None:
                self._ready = ready

            def ipoll(self, milliseconds: int) -> list[int]:
                return [1] if self._ready() else []

        return wire.Wire(outer, outer, Poll(lambda: outer.incoming), Poll(lambda: outer.room > 0))


@given(st.binary(max_size=300), st.lists(st.integers(0, 50), max_size=30))
def test_the_link_takes_and_gives_every_byte_once_and_never_blocks(data: bytes, rooms: list[int]) -> None:
    ends = Ends()
    line = ends.wire()
    ends.incoming += data
    ends.room = 0
    got = b""
    for now, room in enumerate([*rooms, *[1 << 20] * 20]):
        ends.room += room
        piece = bytes(line.take())
        assert len(piece) <= wire.PIECE
        got += piece
        line.give(piece, now)
    assert got == data
    assert bytes(ends.sent) == data


def test_nothing_is_read_while_an_answer_waits() -> None:
    ends = Ends()
    line = ends.wire()
    ends.room = 3
    line.give(b"answer\n", 0)
    ends.incoming += b"more\n"
    assert bytes(line.take()) == b""
    assert not line.wait(50)
    ends.room = 100
    line.flush(1)
    assert bytes(line.take()) == b"more\n"


def test_a_long_answer_goes_in_packets_and_one_that_nobody_fetches_is_thrown_away() -> None:
    ends = Ends()
    line = ends.wire()
    answer = bytes(range(256)) * 16
    line.give(memoryview(answer), 0)
    line.give(b"\n", 0)
    for now in range(4):
        line.flush(now)
    assert bytes(ends.sent) == answer + b"\n"
    line.give(memoryview(answer), 5)
    ends.sent.clear()
    write = ends.write
    ends.write = lambda data: write(data[:10])  # type: ignore[method-assign]
    line.flush(6)
    ends.incoming += b"x"
    assert bytes(line.take()) == b"x"  # the port let half a second go by: the rest of the answer is gone


def test_an_answer_that_nobody_fetches_is_given_up() -> None:
    ends = Ends()
    line = ends.wire()
    ends.room = 3
    line.give(b"answer\n", 0)
    line.flush(wire.PATIENCE_TICKS)
    ends.incoming += b"x"
    assert bytes(line.take()) == b""
    line.flush(wire.PATIENCE_TICKS + 1)
    assert bytes(line.take()) == b"x"
    assert bytes(ends.sent) == b"ans"


# -- words and rings


def test_the_ring_holds_a_second_of_5_ms_words() -> None:
    assert (edgeplayer.RING_WORDS - 1) * 50 >= port.QUEUE_HIGH_TICKS


@pytest.mark.parametrize("clock_hz", [*edgeplayer.KNOWN_HZ, 12_000_000, 64_000_000, 96_000_000, 270_000_000])
def test_every_clock_in_whole_megahertz_has_a_whole_divider(clock_hz: int) -> None:
    assert edgeplayer.divider(clock_hz) * edgeplayer.PIO_HZ == clock_hz


def test_a_clock_without_a_whole_divider_is_refused() -> None:
    with pytest.raises(ValueError, match="divider"):
        edgeplayer.divider(96_100_001)


@given(
    st.sampled_from(edgeplayer.KNOWN_HZ),
    st.sampled_from((48_000_000, 96_000_000, 125_000_000)),
    st.integers(0, 100),
)
def test_the_trial_names_the_clock_that_runs(real_hz: int, told_hz: int, late_us: int) -> None:
    trial_us = edgeplayer.TRIAL_TICKS * 100 * told_hz // real_hz + late_us
    assert edgeplayer.running_hz(told_hz, trial_us) == real_hz


# -- board.json


def test_an_old_board_json_means_the_shipped_wiring() -> None:
    old = boards.Board("old", [1_000], [2], 1, False, rig.CAPS)
    again = boards.load(board_json(old))
    assert again.hardware == boards.HARDWARE


def test_an_unknown_hardware_key_is_refused() -> None:
    with pytest.raises(boards.BoardError, match="led_pin"):
        boards.Board("x", [1_000], [2], 1, False, rig.CAPS, {"led_pin": 3})


def test_with_an_answer_on_its_way_the_link_sleeps_no_longer_than_a_millisecond() -> None:
    ends, slept = Ends(), []
    ends.room = 0
    line = ends.wire()
    poll = line._outputs.ipoll
    line._outputs.ipoll = lambda milliseconds: [slept.append(milliseconds), *poll(milliseconds)][1:]
    line.give(b"1\n", 0)
    slept.clear()
    assert not line.wait(50)
    assert not line.wait(0)
    assert slept == [1, 0]
