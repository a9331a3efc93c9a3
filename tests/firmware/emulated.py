"""The independent PIO emulator behind the interface of fake_board.pio.Machine, so that one can stand for the
other.

The emulator is rp2040-pio-emulator. It has no FIFO of its own: words are put into its state. Its MOV PINS
writes all 32 pins and not the state machine's; the edge program only ever clears pins that way.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

from pioemu import State, emulate

FIFO = 4


class EmulatedMachine:
    """One state machine run by pioemu; see fake_board.pio.Machine for what each name means."""

    def __init__(
        self, program: Any, base: int, set_pins: Callable[[int, int], None], popped: Callable[[], None]
    ) -> None:
        self.program = program
        self._base = base
        self._mask = ((1 << program.out_count) - 1) << base
        self._set_pins = set_pins
        self._popped = popped
        self.running = False
        self.restart()

    def restart(self) -> None:
        """Jump to the first instruction; registers and FIFOs stay."""
        state = getattr(self, "_state", State())
        self._begin(replace(state, program_counter=0))

    def _begin(self, state: State) -> None:
        self._state = state
        self._steps: Iterator[tuple[State, State]] = emulate(
            self.program.opcodes,
            stop_when=lambda opcode, state: False,
            initial_state=state,
            out_base=self._base,
            out_count=self.program.out_count,
            wrap_target=self.program.wrap_low,
            wrap_top=self.program.wrap_high,
        )

    @property
    def cycle(self) -> int:
        """PIO cycles since it was last set."""
        return self._state.clock

    @cycle.setter
    def cycle(self, value: int) -> None:
        self._begin(replace(self._state, clock=value))

    @property
    def pc(self) -> int:
        """The instruction that comes next."""
        return self._state.program_counter

    @property
    def tx_count(self) -> int:
        """Words in the transmit FIFO."""
        return len(self._state.transmit_fifo)

    @property
    def rx_count(self) -> int:
        """Words in the receive FIFO."""
        return len(self._state.receive_fifo)

    @rx_count.setter
    def rx_count(self, value: int) -> None:
        while len(self._state.receive_fifo) > value:
            self._state.receive_fifo.popleft()

    def put(self, word: int) -> None:
        """Into the transmit FIFO."""
        assert self.tx_count < FIFO
        self._state.transmit_fifo.append(word)

    def run(self, until: int) -> None:
        """Run to cycle `until`, an instruction begun before it to its end."""
        while self.running and self.cycle < until:
            self.step()

    def step(self) -> None:
        """One instruction with its delay."""
        begun = self.cycle
        before, after = next(self._steps)
        self._state = replace(after, clock=begun)  # set_pins is told when the instruction began
        if after.pin_values != before.pin_values:
            self._set_pins(self._mask, after.pin_values & self._mask)
        self._state = after
        if len(after.transmit_fifo) < len(before.transmit_fifo):
            self._popped()

    def execute(self, opcode: int) -> None:
        """One instruction from outside, with the program counter left where it is."""
        state = self._state
        steps = emulate(
            [opcode], stop_when=lambda opcode, state: False, initial_state=replace(state, program_counter=0)
        )
        _, after = next(steps)
        if after.pin_values != state.pin_values:
            self._set_pins(self._mask, after.pin_values & self._mask)
        self._begin(replace(after, program_counter=state.program_counter, clock=state.clock))
