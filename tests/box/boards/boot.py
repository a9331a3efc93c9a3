"""Powers a fake board up: runs its main.py on the fake chip, with this process's terminal as its USB port.

Ends with status 3 where the board would stay at its prompt, else with a reset. Runs under MicroPython. The
scratch register lasts from one power-up to the next in the file that the environment names.
"""

import os
import select
import sys
import time

import flash

SCRATCH = 0x4005800C
PROMPT, RESET = 3, 4
MOST_MS = 50  # polled at once: time on the chip follows the real one in steps of this


class Poll:
    """One end of the terminal, as select.poll on the board."""

    real = None  # poll and chip, set below
    chip = None

    def register(self, stream, events):
        """Which end."""
        self.events = events

    def ipoll(self, milliseconds):
        """Let real time pass until there is something."""
        self.chip.usb_room = 256
        if self.events != select.POLLIN:
            return ((None, self.events),)
        end = time.ticks_add(time.ticks_ms(), max(0, min(milliseconds, MOST_MS)))
        self._send()
        while not self.chip.usb_in:
            left = time.ticks_diff(end, time.ticks_ms())
            if not self._hear(max(left, 0)) and left <= 0:
                break
        self.chip.spend(max(milliseconds, 0) * 1_000_000)
        return ((None, self.events),) if self.chip.usb_in else ()

    def _send(self):
        if self.chip.usb_out:
            sys.stdout.buffer.write(bytes(self.chip.usb_out))
            self.chip.usb_out[:] = b""

    def _hear(self, milliseconds):
        """Take a byte that is there within the time."""
        for _ in self.real.ipoll(milliseconds):
            byte = sys.stdin.buffer.read(1)
            self.chip.usb_in.extend(byte or b"")
            return True
        return False


def power_up():
    """Run main.py; returns how the board stands afterwards."""
    from fake_board import chip as silicon
    from fake_board import modules

    flash.mount()
    sys.path.insert(0, "")
    scratch = os.getenv("BOARD_SCRATCH")
    chip = silicon.Chip()
    chip.adc.update({4: 14_000, 26: 32_700, 27: 32_768})
    with open(scratch) as file:
        chip.mem32[SCRATCH] = int(file.read())
    Poll.real = select.poll()
    Poll.real.register(sys.stdin, select.POLLIN)
    Poll.chip = chip
    modules.install(chip)
    sys.modules["select"].poll = Poll
    if chip.mem32[SCRATCH]:
        interrupt(sys.modules["machine"], os.getenv("BOARD_INTERRUPT"))
    try:
        run(chip, modules)
    except silicon.Reset:
        return RESET
    except BaseException as error:
        sys.print_exception(error)
    finally:
        with open(scratch, "w") as file:
            file.write(str(chip.mem32.get(SCRATCH, 0)))
    return PROMPT


def interrupt(machine, name):
    """Have the host's Ctrl-C come when the firmware first calls or makes that name of the chip's."""

    def come(*_, **__):
        raise KeyboardInterrupt

    if name:
        setattr(machine, name, come)


def run(chip, modules):
    """The board's own files."""
    import main
    from boxcore import hal_rp2

    hal_rp2.sys = modules.Module()
    hal_rp2.sys.stdin = hal_rp2.sys.stdout = modules.Stream(chip)
    main.main()


sys.exit(power_up())
