"""The modules that hal_rp2 imports, on one chip.Chip: install(chip) puts them in place, remove() takes them
out.

Only what the firmware calls is here, with the arguments it may use; anything else fails as it would on a
board.
"""

import gc
import sys

from fake_board import chip as silicon
from fake_board import pio

NAMES = ("machine", "rp2", "time", "micropython", "uctypes", "select")
POLLIN, POLLOUT = 1, 4


class Module:
    """A module to be."""


class Maker:
    """A peripheral's class: called, it makes one on the chip; it has constants as attributes."""

    def __init__(self, make, chip):
        self._make = make
        self._chip = chip

    def __call__(self, *arguments, **named):
        return self._make(self._chip, *arguments, **named)


def install(chip):
    """Make the chip's modules importable; returns what was there before, for remove()."""
    before = {name: sys.modules.get(name) for name in NAMES}
    makers = (machine, rp2, clock, micropython, uctypes, select)
    for k in range(len(NAMES)):
        sys.modules[NAMES[k]] = makers[k](chip)
    if not hasattr(gc, "threshold"):  # MicroPython's own
        gc.threshold = lambda count: None  # type: ignore[attr-defined]
    return before


def remove(before):
    """Put back what install() replaced, and forget the shell that was imported on it."""
    for name, module in before.items():
        if module is None:
            sys.modules.pop(name, None)
        else:
            sys.modules[name] = module
    for name in ("boxcore.hal_rp2", "main"):
        sys.modules.pop(name, None)
    package = sys.modules.get("boxcore")
    if hasattr(package, "hal_rp2"):
        delattr(package, "hal_rp2")  # "from boxcore import" would find it there


def clock(chip):
    """time"""
    module = Module()

    def ticks_us():
        chip.spend()
        return chip.us()

    def ticks_diff(after, before):
        return ((after - before + (1 << 29)) & (1 << 30) - 1) - (1 << 29)

    def ticks_add(ticks, more):
        return ticks + more & (1 << 30) - 1

    def sleep_ms(milliseconds):
        chip.spend(milliseconds * 1000 * silicon.US)

    module.ticks_us = ticks_us
    module.ticks_diff = ticks_diff
    module.ticks_add = ticks_add
    module.sleep_ms = sleep_ms
    return module


def micropython(chip):
    """micropython"""
    module = Module()

    def kbd_intr(byte):
        chip.interrupt_byte = byte

    module.kbd_intr = kbd_intr
    return module


def uctypes(chip):
    """uctypes"""
    module = Module()
    module.addressof = chip.address
    return module


def select(chip):
    """select; a poll object serves one stream, which is how the board's shell uses it"""
    module = Module()
    module.POLLIN = POLLIN
    module.POLLOUT = POLLOUT

    class Poll:
        def register(self, stream, events):
            self.events = events

        def _ready(self):
            return len(chip.usb_in) > 0 if self.events == POLLIN else chip.usb_room > 0

        def ipoll(self, milliseconds):
            chip.spend()
            end = chip.ns + milliseconds * 1000 * silicon.US
            while not self._ready() and chip.ns < end:
                chip.run_to(min(end, chip.later[0][0] if chip.later else end))
            return ((None, self.events),) if self._ready() else ()

    module.poll = Poll
    return module


class Stream:
    """sys.stdin and sys.stdout at once, with its `buffer`."""

    def __init__(self, chip):
        self._chip = chip
        self.buffer = self

    def readinto(self, buffer):
        chip = self._chip
        assert len(chip.usb_in) >= len(buffer), "the board would wait here until all bytes came"
        buffer[:] = chip.usb_in[: len(buffer)]
        chip.usb_in[:] = chip.usb_in[len(buffer) :]
        return len(buffer)

    def write(self, data):
        chip = self._chip
        assert len(data) <= chip.usb_room, "the board would wait half a second here"
        chip.usb_room -= len(data)
        chip.usb_out.extend(data)
        return len(data)


def rp2(chip):
    """rp2"""
    module = Module()
    module.PIO = Module()
    module.PIO.OUT_LOW = 2
    module.PIO.SHIFT_RIGHT = 1

    def asm_pio(out_init, out_shiftdir):
        assert set(out_init) == {2}
        return lambda function: pio.Program(function, out_init, out_shiftdir)

    def dma():
        chip.used_channels += 1
        return chip.channels[chip.used_channels - 1]

    def state_machine(number, program, freq, out_base):
        return silicon.StateMachine(chip, number, program, freq, out_base)

    module.asm_pio = asm_pio
    module.DMA = dma
    module.StateMachine = state_machine
    return module


def machine(chip):
    """machine"""
    module = Module()
    module.Pin = Maker(Pin, chip)
    module.Pin.IN, module.Pin.OUT, module.Pin.PULL_DOWN = 0, 1, 2
    module.ADC = Maker(ADC, chip)
    module.ADC.CORE_TEMP = 4
    module.PWM = lambda pin, freq, duty_u16: PWM(chip, pin, freq, duty_u16)
    module.WDT = lambda timeout: WDT(chip, timeout)
    module.I2C = lambda number, sda, scl, freq, timeout: I2C(chip, timeout)

    def freq(hz=None):
        if hz is None:
            return chip.told_hz
        if hz % 1_000_000:
            raise ValueError("cannot change frequency")
        chip.told_hz = hz
        if chip.obeys:
            chip.real_hz = hz
        return None

    def reset():
        raise silicon.Reset("reset")

    module.freq = freq
    module.reset = reset
    module.reset_cause = lambda: 1
    module.unique_id = lambda: b"\xe6\x60\x58\x38\x83\x00\x00\x01"
    module.mem32 = Memory(chip)
    return module


class Pin:
    """machine.Pin"""

    def __init__(self, chip, number, mode=None, pull=None, value=None):
        assert 0 <= number <= 29
        self._chip = chip
        self.number = number
        if value is not None:
            chip.outputs[number] = value

    def value(self, level=None):
        chip = self._chip
        chip.spend()
        if level is None:
            return chip.levels.get(self.number, 0)
        if chip.trace is not None:
            chip.trace.append(("pin", self.number, level))
        chip.outputs[self.number] = level
        return None


class ADC:
    """machine.ADC"""

    def __init__(self, chip, source):
        self._chip = chip
        self._source = source if isinstance(source, int) else source.number

    def read_u16(self):
        self._chip.spend()
        return self._chip.adc.get(self._source, 0)


class PWM:
    """machine.PWM"""

    def __init__(self, chip, pin, freq, duty_u16):
        self._chip = chip
        self._pin = pin.number
        chip.pwm_hz[self._pin] = freq
        chip.duty[self._pin] = duty_u16

    def duty_u16(self, duty):
        self._chip.duty[self._pin] = duty


class WDT:
    """machine.WDT"""

    def __init__(self, chip, timeout):
        assert timeout <= 8388
        self._chip = chip
        chip.watchdog_ns = timeout * 1000 * silicon.US
        self.feed()

    def feed(self):
        self._chip.fed_ns = self._chip.ns


class I2C:
    """machine.I2C; what is on the bus is chip.monitor."""

    def __init__(self, chip, timeout_us):
        self._chip = chip
        self._timeout_us = timeout_us

    def readfrom_mem_into(self, address, register, buffer):
        self._there(address)
        buffer[:] = self._chip.monitor.read(register)

    def writeto_mem(self, address, register, data):
        self._there(address)
        self._chip.monitor.write(register, bytes(data))

    def _there(self, address):
        chip = self._chip
        chip.spend(200 * silicon.US)
        if chip.monitor is None or address != chip.monitor.address:
            chip.spend(self._timeout_us * silicon.US)
            raise OSError(5)


class Memory:
    """machine.mem32: registers by address."""

    def __init__(self, chip):
        self._chip = chip

    def __getitem__(self, address):
        return self._chip.mem32.get(address, 0)

    def __setitem__(self, address, value):
        self._chip.mem32[address] = value
