"""A PIO assembler and state machine of our own, for the few instructions that the edge player uses.

Runs under CPython and MicroPython. The encodings follow the RP2040 datasheet, section 3.4; test_pio.py holds
the assembled words against an independent emulator, instruction by instruction. The loop at the label `hold`
is run in one go, which the same test covers.
"""

CONDITIONS = {"not_x": 1, "x_dec": 2, "not_y": 3, "y_dec": 4}
SOURCES = {"pins": 0, "x": 1, "y": 2, "null": 3, "isr": 6, "osr": 7}
SET_TARGETS = {"pins": 0, "x": 1, "y": 2, "pindirs": 4}
FIFO = 4
MASK = 0xFFFFFFFF


class Word:
    """One assembled instruction; `word[n]` adds a delay of n cycles, as the assembler's notation has it."""

    def __init__(self, program, opcode):
        self.program = program
        self.at = len(program.opcodes)
        program.opcodes.append(opcode)

    def __getitem__(self, delay):
        assert 0 <= delay < 32
        self.program.opcodes[self.at] |= delay << 8
        return self


class Program:
    """What asm_pio returns: opcodes relative to 0, wrap addresses, how many pins `out` drives."""

    def __init__(self, function, out_init, out_shiftdir):
        self.out_count = len(out_init)
        self.shift_right = out_shiftdir == 1
        self.labels = {}
        for _ in range(2):  # labels are known in the second pass
            self.opcodes = []
            self.wrap_low = 0
            self.wrap_high = None
            self._assemble(function)
        if self.wrap_high is None:
            self.wrap_high = len(self.opcodes) - 1
        assert len(self.opcodes) <= 32

    def _assemble(self, function):
        names = {name: name for name in ("pins", "x", "y", "null", "isr", "osr", "pindirs", "not_x", "x_dec")}
        names.update({"not_y": "not_y", "y_dec": "y_dec", "block": 1, "noblock": 0})
        names.update({"set": self._set, "out": self._out, "mov": self._mov, "jmp": self._jmp})
        names.update({"pull": self._pull, "push": self._push, "label": self._label})
        names.update({"wrap_target": self._wrap_target, "wrap": self._wrap})
        scope = function.__globals__
        before = dict(scope)
        scope.clear()
        scope.update(names)
        try:
            function()
        finally:
            scope.clear()
            scope.update(before)

    def _label(self, name):
        self.labels[name] = len(self.opcodes)

    def _wrap_target(self):
        self.wrap_low = len(self.opcodes)

    def _wrap(self):
        self.wrap_high = len(self.opcodes) - 1

    def _set(self, target, value):
        return Word(self, 0xE000 | SET_TARGETS[target] << 5 | value)

    def _out(self, target, bits):
        return Word(self, 0x6000 | SOURCES[target] << 5 | bits & 31)

    def _mov(self, target, source):
        return Word(self, 0xA000 | SOURCES[target] << 5 | SOURCES[source])

    def _jmp(self, condition, label=None):
        if label is None:
            condition, label = None, condition
        return Word(self, (CONDITIONS[condition] if condition else 0) << 5 | self.labels.get(label, 0))

    def _pull(self, block=1):
        return Word(self, 0x8080 | block << 5)

    def _push(self, block=1):
        return Word(self, 0x8000 | block << 5)


class Machine:
    """A state machine. `set_pins(mask, value)` is told of writes to pins, `popped()` of room in the FIFO.

    cycle: PIO cycles run so far; the caller knows how long one is.
    """

    def __init__(self, program, base, set_pins, popped):
        self.program = program
        self._code = program.opcodes
        self._base = base
        self._mask = ((1 << program.out_count) - 1) << base
        self._set_pins = set_pins
        self._popped = popped
        self.tx = [0] * FIFO  # fixed lists: nothing here allocates while it runs
        self.tx_count = 0
        self._tx_first = 0
        self.rx_count = 0
        self.running = False
        self.cycle = 0
        self.x = self.y = self.osr = self.pc = 0
        self._loop = program.labels.get("hold", -1)

    def put(self, value):
        assert self.tx_count < FIFO, "the FIFO overflowed"
        self.tx[(self._tx_first + self.tx_count) % FIFO] = value
        self.tx_count += 1

    def restart(self):
        self.pc = 0

    def run(self, until):
        """Run to PIO cycle `until`; an instruction begun before it is finished with its delay."""
        while self.running and self.cycle < until:
            if self.pc == self._loop and self.y:
                turns = min(self.y, (until - self.cycle) // self._turn())
                if turns > 1:
                    self.y -= turns
                    self.cycle += turns * self._turn()
                    continue
            if self._code[self.pc] == self.pc:  # an unconditional jump to itself
                self.cycle = until
                return
            self.step()

    def _turn(self):
        return (self._code[self._loop] >> 8 & 31) + (self._code[self._loop + 1] >> 8 & 31) + 2

    def step(self):
        """One instruction and its delay."""
        opcode = self._code[self.pc]
        jumped = self.execute(opcode)
        self.cycle += 1 + (opcode >> 8 & 31)
        if not jumped:
            self.pc = self.program.wrap_low if self.pc == self.program.wrap_high else self.pc + 1

    def execute(self, opcode):
        """Carry out an opcode; True when it jumped."""
        kind = opcode >> 13
        if kind == 0:
            return self._do_jmp(opcode)
        if kind == 3:
            self._do_out(opcode >> 5 & 7, opcode & 31 or 32)
        elif kind == 4:
            self._do_fifo(opcode)
        elif kind == 5:
            assert opcode & 0x18 == 0
            self._write(opcode >> 5 & 7, self._read(opcode & 7))
        elif kind == 7:
            self._write(opcode >> 5 & 7, opcode & 31)
        else:
            raise AssertionError("an instruction that this machine does not know")
        return False

    def _do_jmp(self, opcode):
        condition = opcode >> 5 & 7
        taken = condition == 0
        if condition == 1:
            taken = self.x == 0
        elif condition == 3:
            taken = self.y == 0
        elif condition == 2:
            taken = self.x != 0
            self.x = self.x - 1 & MASK
        elif condition == 4:
            taken = self.y != 0
            self.y = self.y - 1 & MASK
        if taken:
            self.pc = opcode & 31
        return taken

    def _do_out(self, target, bits):
        assert self.program.shift_right
        value = self.osr & ((1 << bits) - 1)
        self.osr >>= bits
        self._write(target, value)

    def _do_fifo(self, opcode):
        assert not opcode & 0x60, "only noblock is modelled"
        if not opcode & 0x80:
            self.rx_count = min(FIFO, self.rx_count + 1)
        elif self.tx_count:
            self.osr = self.tx[self._tx_first]
            self._tx_first = (self._tx_first + 1) % FIFO
            self.tx_count -= 1
            self._popped()
        else:
            self.osr = self.x

    def _read(self, source):
        if source == 1:
            return self.x
        if source == 2:
            return self.y
        assert source == 3
        return 0

    def _write(self, target, value):
        if target == 0:
            self._set_pins(self._mask, value << self._base & self._mask)
        elif target == 1:
            self.x = value
        elif target == 2:
            self.y = value
        else:
            assert target == 3
