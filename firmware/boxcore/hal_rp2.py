"""The board's shell on the RP2040: edge player, sensors, panel, indicator, link and watchdog.

The only file of the core that imports machine or rp2. It decides nothing: what a reading means and which
pattern plays is the core's business. What needs no silicon lives in edgeplayer, sensors, panel and
wire; here are the pins, the peripherals and the PIO program.
"""
# The names in _program's edges() are the PIO assembler's.
# ruff: noqa: F821
# mypy: disable-error-code="name-defined, call-overload"

import binascii
import gc
import os
import select
import sys
import time

import machine
import micropython
import rp2
from uctypes import addressof

from boxcore import edgeplayer
from boxcore import panel as contacts
from boxcore.edgeplayer import EdgePlayer
from boxcore.sensors import Sensors

MACHINE = 0  # state machine 0 of PIO block 0; its TX request is also number 0 (RP2040 datasheet 2.5.3.1)
START_REGISTER = 7  # a channel's alias 1: transfer count, which also starts it
US_A_TICK = 100
READY_TICKS = 8  # 0.8 ms: making the edge player ready takes less, and then waits for the tick
WATCHDOG_MS = 8_000  # its longest is 8388; storing a program may erase several sectors of up to 0.4 s each
INDICATOR_HZ = 1_000
I2C_HZ = 400_000
I2C_TIMEOUT_US = 2_000  # what a hung bus costs of a sensing interval, and only every MONITOR_REST readings
PROBE_TICKS = 300  # a probed channel opens by itself after 30 ms, whatever happens here
PROBE_SETTLE_MS = 12  # two full averages of the monitor

NO_PLAYER = 8  # a bit of Rp2Hal.faults beside sensors' bits: the FIFO would not drain, nothing plays any more


def _program(channels):
    @rp2.asm_pio(out_init=(rp2.PIO.OUT_LOW,) * channels, out_shiftdir=rp2.PIO.SHIFT_RIGHT)
    def edges():
        set(x, 0)  # what an empty FIFO reads as
        wrap_target()
        label("next")
        pull(noblock)
        out(y, 16)
        jmp(y_dec, "play")
        mov(pins, null)
        push(noblock)
        label("stand")
        jmp("stand")
        label("play")
        out(pins, 16)[6]  # as many pins as there are channels; the edge. edgeplayer.LEAD_DELAY
        label("hold")
        jmp(not_y, "next")[9]  # edgeplayer.STEP_DELAY
        jmp(y_dec, "hold")[9]
        wrap()

    return edges


def _player(pins, off_pin, ring):
    """The edge player on consecutive pins; `off_pin` is the gate buffer's output-enable, low active."""
    off = machine.Pin(off_pin, machine.Pin.OUT, value=1)
    base = machine.Pin(edgeplayer.first_pin(pins))
    program = _program(len(pins))
    feed = rp2.DMA()
    gate = rp2.DMA()

    def build(hz):
        return rp2.StateMachine(MACHINE, program, freq=hz, out_base=base)

    def connect(player, words_at, flags_at):
        bits = edgeplayer.RING_BITS
        # the stubs lack these two attributes
        after, registers = gate.channel, feed.registers  # type: ignore[attr-defined]
        ctrl = feed.pack_ctrl(inc_write=False, ring_size=bits, treq_sel=MACHINE, chain_to=after)
        feed.config(read=words_at, write=player, count=1, ctrl=ctrl)
        target = registers[START_REGISTER : START_REGISTER + 1]
        ctrl = gate.pack_ctrl(inc_write=False, ring_size=bits)
        gate.config(read=flags_at, write=target, count=1, ctrl=ctrl)

    return EdgePlayer(off, build, feed, gate, connect, ring, addressof(ring), time, machine.freq())


def _channel(pin):
    return machine.ADC(machine.Pin(pin))


def _bus(hardware):
    sda, scl = machine.Pin(hardware["sda_pin"]), machine.Pin(hardware["scl_pin"])
    return machine.I2C(hardware["i2c"], sda=sda, scl=scl, freq=I2C_HZ, timeout=I2C_TIMEOUT_US)


class Rp2Hal:
    """The board of a boxcore Board. ring: the edge queue's memory. cause: the hardware's reset cause; serial:
    the chip's own number; clock_hz: the processor clock that runs; wire: the link, after open_link();
    watchdog: None until it runs, which nothing but a reset can end; starved_count, late_ticks: underruns, and
    the latest start so far, since power-up.

    push, room, stop: see edgeplayer; trim_supply, and measure, which fills the measured part of a
    port.Readings as often as one likes: see sensors; random(count): bytes of the chip's ring oscillator;
    collect(): the heap's garbage, 10 to 40 ms."""

    def __init__(self, board, ring):
        hardware = board.hardware
        if len(set(board.used_pins())) != len(board.used_pins()):
            raise ValueError("board.json uses a pin twice")
        self.board = board
        self.cause = machine.reset_cause()
        self.serial = binascii.hexlify(machine.unique_id()).decode()
        self.starved_count = self.late_ticks = 0
        gates_off(board)
        try:
            machine.freq(hardware["clock_khz"] * 1_000)
        except ValueError:
            pass  # the player measures the clock that runs
        self._us = time.ticks_us()
        self._rest_us = self._tick = 0
        self._player = player = _player(board.pins, hardware["enable_pin"], ring)
        processor = machine.ADC(machine.ADC.CORE_TEMP)
        self._sensors = sensors = Sensors(hardware, board.monitor, _channel, processor, _bus)
        self.clock_hz = player.clock_hz
        self.push, self.room, self.stop = player.push, player.room, player.stop
        self.trim_supply, self.measure = sensors.trim_supply, sensors.read
        self.random, self.collect = os.urandom, gc.collect
        self._panel = contacts.Panel()
        pins = hardware["selector_pins"] + (hardware["arm_pin"], hardware["button_pin"])
        # to 3.3 V, pulled down: a wire that breaks reads as open
        self._contacts = [machine.Pin(pin, machine.Pin.IN, machine.Pin.PULL_DOWN) for pin in pins]
        self._bright = hardware["indicator_duty"]
        self._lit = False
        self._lamp = machine.PWM(machine.Pin(hardware["indicator_pin"]), freq=INDICATOR_HZ, duty_u16=0)
        self.watchdog = self.wire = None

    def ticks(self):
        """Ticks since power-up, ever-growing; to be called at least every 8 minutes."""
        us = time.ticks_us()
        passed = time.ticks_diff(us, self._us) + self._rest_us
        self._us = us
        self._tick += passed // US_A_TICK
        self._rest_us = passed % US_A_TICK
        return self._tick

    def enable(self):
        """Drive the gates and play from the first word, which belongs to the tick that ticks() gave last:
        what filling the queue has taken since is cut from the switches-open time at its head. Returns the
        ticks that are left over: by so many everything in the queue is later."""
        late = (time.ticks_diff(time.ticks_us(), self._us) + self._rest_us) // US_A_TICK + READY_TICKS
        left = self._player.trim(late)
        if left > self.late_ticks:
            self.late_ticks = left
        self._player.enable(time.ticks_add(self._us, late * US_A_TICK - self._rest_us))
        return left

    def starved(self):
        """True once if the queue ran empty while playing; everything is stopped then, as by stop()."""
        if not self._player.starved():
            return False
        self.stop()
        self.starved_count += 1
        return True

    def probe(self, pattern):
        """Only with nothing playing: close `pattern` for 12 ms and return the bank current in microamperes,
        or NOT_MEASURED; the edge player itself opens the switches after 30 ms, whatever becomes of this
        call."""
        self.stop()
        try:
            self._player.push(pattern, PROBE_TICKS)
            self._player.enable()
            time.sleep_ms(PROBE_SETTLE_MS)
            return self._sensors.bank_ua()
        finally:
            self.stop()

    def read(self, readings):
        """Fill a port.Readings; a sensor that fails shows in `faults`, it never raises."""
        self.measure(readings)
        bits = 0
        for k in range(len(self._contacts)):
            bits |= self._contacts[k].value() << k
        panel = self._panel
        panel.update(bits)
        readings.arm = panel.arm
        readings.selector = panel.selector

    @property
    def faults(self):
        """What the shell can't do at present: sensors' bits and NO_PLAYER."""
        return self._sensors.faults | (NO_PLAYER if self._player.stuck else 0)

    def show(self, state, flagged, now):
        """Light or darken the indicator as the table says for a state."""
        lit = contacts.lit(state, flagged or self.faults != 0, now)
        if lit != self._lit:
            self._lit = lit
            self._lamp.duty_u16(self._bright if lit else 0)

    def alive(self):
        """Start the watchdog, or feed it: from the first call on it must be called within WATCHDOG_MS."""
        if self.watchdog is None:
            self.watchdog = machine.WDT(timeout=WATCHDOG_MS)
        self.watchdog.feed()

    def button_held(self):
        """Whether the panel's button is pressed; at power-up that leads to the prompt."""
        return self._contacts[-1].value() != 0

    def open_link(self):
        """Have the link, whose code no run needs."""
        from boxcore.wire import Wire

        inputs = select.poll()
        inputs.register(sys.stdin, select.POLLIN)
        outputs = select.poll()
        outputs.register(sys.stdout, select.POLLOUT)
        self.wire = Wire(sys.stdin.buffer, sys.stdout.buffer, inputs, outputs)

    def quiet(self, running):
        """While running, byte 0x03 on the link is data; else it interrupts, as a prompt needs."""
        micropython.kbd_intr(-1 if running else 3)


def gates_off(board):
    """Drive the gate buffer's output-enable, low active, so that it is off."""
    machine.Pin(board.hardware["enable_pin"], machine.Pin.OUT, value=1)
