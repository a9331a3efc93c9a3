"""The guards on the emulated board, from the converter's pin to the gate buffer's: what opens, how soon.

The bounds are those that DEVELOPERS.md states; each test prints what it saw.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from boxcore import program as pg
from nightdraw import programs

from tests.emulated import play
from tests.emulated.board import NS, Board

SUPPLY, THERMISTOR = 0, 1  # converter channels
REST, HIGH, LOW, GONE = 2040, 2700, 1800, 100  # 12.6 V, 16.7 V, 11.1 V, 0.6 V at the divider
COOL, HOT = 2048, 250  # 25 C; some 110 C: the thermistor's resistance falls
OFF_WORST_S = 0.7  # from a reading out of range to open switches, a flash stall included
BUTTON_S = 3.0
BUTTON_DOWN = True  # a contact to 3.3 V: a broken wire reads as open
PINS = play.board().circuit.pins


@pytest.fixture(scope="module")
def guarded(firmware: Path) -> Iterator[Board]:
    with Board(firmware) as board:
        board.wait_usb()
        yield board


@pytest.fixture
def running(guarded: Board) -> Iterator[Board]:
    """A box that draws a steady 300 mA from its supply's presence on."""
    guarded.set_adc(SUPPLY, REST)
    guarded.set_adc(THERMISTOR, COOL)
    guarded.send("*RST;*CLS\n")
    assert play.define(guarded, 1, programs.pack(pg.Program("steady", [(pg.STEADY, 300_000)]))).startswith(
        "0,"
    )
    assert play.arm(guarded, 1).startswith("0,")
    guarded.run(2)
    assert guarded.pins()[PINS.enable] == 0
    yield guarded
    guarded.set_adc(SUPPLY, REST)
    guarded.set_adc(THERMISTOR, COOL)


def opened_after_s(box: Board, before: int, since_ns: int) -> float:
    """How long after an instant the gate buffer was switched off."""
    offs = [edge.at_ns for edge in box.edges()[before:] if edge.pin == PINS.enable and edge.state == 1]
    assert offs, "the gate buffer was never switched off"
    return (offs[0] - since_ns) / NS


def after(box: Board, channel: int, value: int) -> float:
    """Seconds from a converter's new value to open switches."""
    before, since_ns = len(box.edges()), box.now_ns
    box.set_adc(channel, value)
    box.run(1.5)
    took_s = opened_after_s(box, before, since_ns)
    assert took_s <= OFF_WORST_S
    print(f"converter {channel} at {value}: open after {took_s * 1000:.0f} ms")
    return took_s


@pytest.mark.parametrize("value", [HIGH, LOW])
def test_a_supply_out_of_range_holds_and_comes_back(running: Board, value: int) -> None:
    after(running, SUPPLY, value)
    assert running.ask("DIAG:STAT?").startswith("HOLDING")
    assert int(running.ask("STAT:QUES:COND?")) & 1
    running.set_adc(SUPPLY, REST)
    running.run(15)
    assert running.pins()[PINS.enable] == 0
    assert running.ask("DIAG:STAT?").startswith("RUNNING")


def test_a_hot_bank_trips_for_good(running: Board) -> None:
    after(running, THERMISTOR, HOT)
    assert running.ask("DIAG:STAT?").startswith("TRIPPED")
    assert int(running.ask("STAT:QUES:COND?")) & 16
    running.set_adc(THERMISTOR, COOL)
    running.run(15)
    assert running.pins()[PINS.enable] == 1


def test_a_supply_that_is_gone_opens_and_the_run_waits_for_it(running: Board) -> None:
    after(running, SUPPLY, GONE)
    running.run(3)
    assert running.ask("DIAG:STAT?").split(",")[0] in ("HOLDING", "WAITING")
    running.set_adc(SUPPLY, REST)
    running.run(15)
    assert running.pins()[PINS.enable] == 0


def test_a_thermistor_that_is_torn_off_trips(running: Board) -> None:
    after(running, THERMISTOR, 4095)
    assert running.ask("DIAG:STAT?").startswith("TRIPPED")


def test_after_the_watchdog_the_switches_are_open_until_the_run_comes_back(running: Board) -> None:
    before = len(running.edges())
    running.watchdog_reset()
    running.wait_usb()
    assert running.ask("*IDN?", 30).startswith("NIGHTDRAW")
    first = [edge for edge in running.edges()[before:] if edge.pin == PINS.enable]
    assert [edge.state for edge in first[:2]] == ["Z", 1]
    running.run(3)
    assert running.pins()[PINS.enable] == 0


def test_the_button_at_power_up_keeps_the_prompt_and_the_switches_open(running: Board) -> None:
    running.set_pin(PINS.button, BUTTON_DOWN)
    try:
        running.power_cycle()
        running.wait_usb()
        running.run(BUTTON_S)
        running.said()
        running.send("print(6 * 7)\r\n")
        assert "42" in running.read_until(">>> ")
        assert running.pins()[PINS.enable] in (1, "Z")
    finally:
        running.set_pin(PINS.button, not BUTTON_DOWN)
        running.power_cycle()
        running.wait_usb()
