"""A board without silicon: time, pins, PIO, DMA, converters, bus, watchdog and USB, as modules to be
imported.

modules.install() puts machine, rp2, time, micropython, uctypes and select into sys.modules, so that hal_rp2
and main.py run unchanged under CPython and under MicroPython. Time is virtual, in nanoseconds; it passes
when the code reads the clock, sleeps or polls. The DMA follows the RP2040 datasheet's section 2.5: count
reload on trigger, null trigger, chaining, address ring, pacing by the FIFO, triggers ignored while busy.
"""

from array import array

from fake_board import pio

US = 1000
RAM = 0x20010040  # where the first array lies: deliberately not aligned to anything large
MASK32 = 0xFFFFFFFF
NO_CHAIN = -1
PERMANENT = 0x3F


class Reset(BaseException):
    """machine.reset() was called, or the watchdog bit."""


class Channel:
    """One DMA channel."""

    def __init__(self, chip, number):
        self.chip = chip
        self.channel = number
        self.read = 0
        self.target = None
        self.reload = self.left = 0
        self.enabled = self.busy = self.inc_read = self.inc_write = False
        self.ring = 0
        self.chain = number
        self.treq = PERMANENT
        self.registers = Registers(self)

    def pack_ctrl(self, **fields):
        """The fields by name; a number is what a test would have to decode again."""
        known = {"enable", "inc_read", "inc_write", "ring_size", "ring_sel", "treq_sel", "chain_to", "size"}
        assert set(fields) <= known, fields
        assert fields.get("ring_sel", False) is False
        assert fields.get("size", 2) == 2
        return fields

    def config(self, read=None, write=None, count=None, ctrl=None, trigger=False):
        if ctrl is not None:
            self.enabled = ctrl.get("enable", True)
            self.inc_read = ctrl.get("inc_read", True)
            self.inc_write = ctrl.get("inc_write", True)
            self.ring = (1 << ctrl["ring_size"]) - 1 if ctrl.get("ring_size") else 0
            self.chain = ctrl.get("chain_to", self.channel)
            self.treq = ctrl.get("treq_sel", PERMANENT)
        if read is not None:
            self.read = read
        if write is not None:
            self.target = write
        if count is not None:
            self.reload = count
        if trigger:
            self.trigger()

    @property
    def count(self):
        return self.left

    def active(self, value=None):
        self.chip.spend()
        if value is not None:
            if value:
                self.trigger()
                self.chip.pump()
            else:
                self.busy = False
        return self.busy

    def trigger(self):
        if self.enabled and not self.busy:
            self.left = self.reload
            self.busy = self.left > 0

    def ready(self):
        return self.busy and (self.treq == PERMANENT or self.chip.wants_word(self.treq))

    def transfer(self):
        """One word from memory to the target."""
        value = self.chip.peek(self.read)
        after = self.read + 4
        self.read = self.read & ~self.ring | after & self.ring if self.ring else after
        assert not self.inc_write
        self.left -= 1
        if not self.left:
            self.busy = False
        self.target.dma_write(value)
        if not self.left and self.chain != self.channel:
            self.chip.channels[self.chain].trigger()


class Registers:
    """A channel's registers as an array; only the count with trigger may be written."""

    def __init__(self, channel):
        self._channel = channel

    def __getitem__(self, place):
        assert (place.start, place.stop) == (7, 8), "alias 1: TRANS_COUNT_TRIG"
        return self

    def dma_write(self, value):
        self._channel.reload = value
        if value:  # a null trigger starts nothing
            self._channel.trigger()


class Chip:
    """The board's state, for tests to set and read.

    edges: array of (ns, pins), two places each, the last of `edge_count`; adc: 16-bit counts by GPIO (4: the
    processor's own temperature); levels: input levels by GPIO; pins: what the PIO drives; outputs: other
    pins driven; real_hz: the clock that runs, told_hz: what machine.freq() says; obeys: whether it follows
    freq(hz).
    """

    def __init__(self, real_hz=125_000_000, obeys=True, start_us=(1 << 30) - 700_000, edges=4096):
        self.ns = 0
        self.start_us = start_us  # the microsecond counter wraps soon after power-up
        self.call_ns = 5 * US  # what a call into a peripheral costs the processor
        self.real_hz = self.told_hz = real_hz
        self.obeys = obeys
        self.pins = 0
        self.outputs = {}
        self.levels = {}
        self.adc = {}
        self.duty = {}
        self.pwm_hz = {}
        self.edges = array("q", bytes(16 * edges))
        self.edge_count = 0
        self.channels = [Channel(self, k) for k in range(12)]
        self.used_channels = 0
        self.machines = [None] * 8  # by number; a list, for walking a dictionary allocates
        self.machine_class = pio.Machine
        self.cycle_ns = 0
        self.memory = []
        self.mem32 = {}
        self.monitor = None
        self.watchdog_ns = self.fed_ns = None
        self.interrupt_byte = 3
        self.usb_in = bytearray()
        self.usb_out = bytearray()
        self.usb_room = 1 << 30
        self.later = []  # (ns, callable), sorted: what the world outside does
        self.trace = None  # a list, to note the order of calls

    # -- time

    def spend(self, ns=None):
        """Let the processor be busy, or stalled, for some nanoseconds."""
        self.run_to(self.ns + (self.call_ns if ns is None else ns))

    def run_to(self, ns):
        """Let everything but the processor go on until `ns`."""
        while self.later and self.later[0][0] <= ns:
            at, action = self.later.pop(0)
            self._run(max(at, self.ns))
            action()
        self._run(ns)

    def _run(self, ns):
        for machine in self.machines:
            if machine is not None:
                machine.run_to(ns)
        self.ns = ns
        if self.watchdog_ns is not None and ns - self.fed_ns > self.watchdog_ns:
            raise Reset("watchdog")

    def at(self, ns, action):
        """Have the world outside do something at `ns`."""
        self.later.append((ns, action))
        self.later.sort(key=lambda item: item[0])

    def us(self):
        return self.start_us + self.ns // US & (1 << 30) - 1

    # -- memory and DMA

    def address(self, halves):
        """Where an array of 16-bit halves lies in this board's memory."""
        for where, known in self.memory:
            if known is halves:
                return where
        where = self.memory[-1][0] + 2 * len(self.memory[-1][1]) + 4 if self.memory else RAM
        self.memory.append((where, halves))
        return where

    def peek(self, address):
        for where, halves in self.memory:
            place = (address - where) // 2
            if 0 <= place < len(halves):
                return halves[place] | halves[place + 1] << 16
        raise AssertionError("the DMA read outside the memory that it was given")

    def wants_word(self, number):
        machine = self.machines[number]
        return machine is not None and machine.sm.tx_count < pio.FIFO

    def pump(self):
        """Let the DMA move what it can; it is far quicker than anything else here."""
        moved = True
        while moved:
            moved = False
            for channel in self.channels:
                if channel.ready():
                    channel.transfer()
                    moved = True

    def set_pins(self, mask, value, ns):
        pins = self.pins & ~mask | value
        if pins != self.pins:
            self.pins = pins
            place = 2 * self.edge_count % len(self.edges)
            self.edges[place] = ns
            self.edges[place + 1] = pins
            self.edge_count += 1

    def changes(self):
        """The edges so far as (ns, pins) pairs; asks for more room than `edges` has are a defect of the
        test."""
        assert 2 * self.edge_count <= len(self.edges)
        return [(self.edges[2 * k], self.edges[2 * k + 1]) for k in range(self.edge_count)]

    def note(self, what):
        if self.trace is not None:
            self.trace.append(what)


class StateMachine:
    """rp2.StateMachine on the chip; `sm` is what runs."""

    def __init__(self, chip, number, program, freq, out_base):
        old = chip.machines[number]
        self.chip = chip
        self.number = number
        divider = chip.told_hz * 256 // freq
        self.cycle_ns = divider * 1_000_000_000 // (256 * chip.real_hz)
        base = out_base.number
        for pin in range(base, base + program.out_count):
            chip.outputs[pin] = "pio"
        self.sm = chip.machine_class(program, base, self._set_pins, chip.pump)
        self._zero_ns = chip.ns
        if old is not None:
            assert not old.sm.running or not old.sm.tx_count
            old.sm.running = False
        chip.machines[number] = self

    def _set_pins(self, mask, value):
        # the pins change at the end of the instruction's own cycle
        if self.sm.running:
            self.chip.set_pins(mask, value, self._zero_ns + (self.sm.cycle + 1) * self.cycle_ns)
        else:
            self.chip.set_pins(mask, value, self.chip.ns)

    def run_to(self, ns):
        if self.sm.running:
            self.sm.run((ns - self._zero_ns) // self.cycle_ns)

    def active(self, value=None):
        self.chip.spend()
        if value is not None:
            self.chip.note("machine on" if value else "machine off")
            if value and not self.sm.running:
                self._zero_ns = self.chip.ns
                self.sm.cycle = 0
            self.sm.running = bool(value)
        return self.sm.running

    def restart(self):
        self.chip.spend()
        self.sm.restart()

    def exec(self, opcode):
        self.chip.spend()
        self.chip.note(opcode)
        self.sm.execute(opcode)

    def put(self, value):
        self.chip.spend()
        self.sm.put(value)

    def dma_write(self, value):
        self.chip.machines[self.number].sm.put(value)  # by address: whatever was set up there last

    def get(self):
        self.chip.spend()
        assert self.sm.rx_count
        self.sm.rx_count -= 1
        return 0

    def rx_fifo(self):
        self.chip.spend()
        return self.sm.rx_count

    def tx_fifo(self):
        self.chip.spend()
        return self.sm.tx_count
