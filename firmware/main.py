"""What the board runs at power-up: takes the memory, builds the shell and the box, and lets them work.

Whatever goes wrong here ends with every switch open and the prompt within reach: at once while no watchdog
runs, else by a reset into maintenance. The reason is kept in fault.txt.
"""

import machine

SCRATCH = 0x4005_800C  # watchdog scratch register 0: it survives a reset, not a power cut
MAINTENANCE = 0x4D41
# The mark of a reset into maintenance is taken before anything takes time: a host's interrupt can come as
# soon as USB is up, and must not leave a mark for the next reset, which is to start the box.
wanted = machine.mem32[SCRATCH] == MAINTENANCE
machine.mem32[SCRATCH] = 0

import os  # noqa: E402

if "SHA256SUMS.new" in os.listdir():  # a complete update that is not in place yet
    import update

    if update.finish():  # before boxcore is imported: a mix of two firmwares must never get that far ...
        machine.mem32[SCRATCH] = MAINTENANCE if wanted else 0
        machine.reset()  # ... and this file may have been the old one's

import sys  # noqa: E402

import boxcore  # noqa: E402
from boxcore import port  # noqa: E402

BUFFERS = port.Buffers()  # while the heap is one piece still

from boxcore import checked  # noqa: E402

checked.begin(boxcore, BUFFERS.piece)

FAULT = "fault.txt"
STAYS_OUT = (
    "Nightdraw stays out. A reset without the button starts it; fault.txt, if there, says what failed."
)


def main():
    """Run the box until maintenance is asked for; returns to the prompt after a reset into it, and where the
    panel's button is held."""
    hal = None
    try:
        from boxcore import start  # here, so that a module or a board file that can't be used is noted too

        hal = start.shell(BUFFERS.ring)
        if wanted or hal.button_held():
            print(STAYS_OUT)
            return
        start.work(hal, BUFFERS)
    except BaseException as fault:
        if hal is not None:
            hal.quiet(True)  # a second Ctrl-C must not come between
            hal.stop()
            hal.quiet(False)
        if not isinstance(fault, KeyboardInterrupt):
            note(fault)
        if hal is None or hal.watchdog is None:
            raise
    hal.stop()  # maintenance: the prompt, no watchdog, no run, until power is cut or a reset
    machine.mem32[SCRATCH] = MAINTENANCE
    machine.reset()


def note(fault):
    """Keep the reason, if the file system can; the switches are open already."""
    try:
        with open(FAULT, "w") as file:
            sys.print_exception(fault, file)  # type: ignore[attr-defined] # MicroPython's own
    except OSError:
        pass


if __name__ == "__main__":
    main()
