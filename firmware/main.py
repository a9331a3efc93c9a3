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

import gc  # noqa: E402
import os  # noqa: E402
import sys  # noqa: E402

import update  # noqa: E402

LOADING_BYTES = 32_768  # taken between two collections while modules load: four of them, 0.1 s in all

if update.settle():  # before boxcore is imported: a mix of two firmwares must never get that far ...
    machine.mem32[SCRATCH] = MAINTENANCE if wanted else 0
    machine.reset()  # ... and this file may have been the old one's
del update, sys.modules["update"]  # its memory is wanted
gc.collect()

from boxcore import memory  # noqa: E402

BUFFERS = memory.Buffers()  # while the heap is one piece still
gc.threshold(LOADING_BYTES)  # so that what loading leaves behind doesn't lie between the modules for ever

from boxcore import hal_rp2  # noqa: E402

BOARD = "board.json"
DATA = "data"  # programs, journal and the box's state; installing leaves it alone
FAULT = "fault.txt"
FOLDER = 0x4000  # the bit of a mode that says so
STAYS_OUT = (
    "Nightdraw stays out. A reset without the button starts it; fault.txt, if there, says what failed."
)


def main():
    """Run the box until maintenance is asked for; returns to the prompt after a reset into it, and where the
    panel's button is held."""
    hal = hal_rp2.Rp2Hal(read_board(), BUFFERS.ring)
    try:
        if wanted or hal.button_held():
            print(STAYS_OUT)
            return
        hal.window()
        work(hal)
    except BaseException as fault:
        hal.stop()
        hal.quiet(False)
        if not isinstance(fault, KeyboardInterrupt):
            note(fault)
        if not hal.watched:
            raise
    maintain(hal)


def maintain(hal):
    """Open every switch and reset into maintenance: the prompt, no watchdog, no run, until power is cut or a
    reset. Does not return."""
    hal.stop()
    machine.mem32[SCRATCH] = MAINTENANCE
    machine.reset()


def read_board():
    """The Board in board.json; the code that reads it is forgotten again."""
    import boxcore
    from boxcore import board

    with open(BOARD, "rb") as file:
        result = board.load(file.read())
    del boxcore.board, sys.modules["boxcore.board"]
    return result


def work(hal):
    """Everything on one box, until the loop is left.

    Loaded only now: the shell drives the gate buffer off within a moment of power-up."""
    from boxcore import commands_board
    from boxcore.box import Box
    from boxcore.commands import Instrument
    from boxcore.files import FileStore
    from boxcore.loop import Loop
    from boxcore.port import Readings

    gc.threshold(-1)  # from here on as soon as the heap is full
    make_folder()
    box = Box(hal.board, FileStore(DATA), hal, hal_rp2.serial(), buffers=BUFFERS)
    loop = Loop(hal, box, Readings())
    loop.instrument = Instrument(box, commands_board.rows(hal, loop), loop.sense)
    hal.quiet(True)
    loop.run()


def make_folder():
    """Have the data's folder; what has its name and is none was never the box's."""
    try:
        if os.stat(DATA)[0] & FOLDER:
            return
        os.remove(DATA)
    except OSError:
        pass
    os.mkdir(DATA)


def note(fault):
    """Keep the reason, if the file system can; the switches are open already."""
    try:
        with open(FAULT, "w") as file:
            sys.print_exception(fault, file)  # type: ignore[attr-defined] # MicroPython's own
    except OSError:
        pass


if __name__ == "__main__":
    main()
