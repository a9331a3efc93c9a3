"""A power-up from the board file to the loop: what an armed program needs first, all else while it plays.

So that a fault is there as soon as may be when the fuse goes back in. The window for the prompt runs beside
the run: no watchdog yet, no link, and Ctrl-C opens every switch. Each thing here happens once.
"""

import gc
import os

from boxcore import board, hal_rp2

BOARD = "board.json"
DATA = "data"  # programs, journal and the box's state; installing leaves it alone
WINDOW_TICKS = 20_000  # 2 s in which Ctrl-C ends at the prompt: USB needs one second of them
# What a run doesn't need; loaded while it plays already, a module at a time.
LATER = "wire scpi_text scpi_status scpi commands_common lock commands_box commands"


def shell(ring):
    """The board's Rp2Hal, every switch open; ring: the edge queue's memory.

    What a run needs is loaded before the shell sets its own clock, for the power-up clock is faster; the gate
    buffer is driven off before that."""
    with open(BOARD, "rb") as file:
        described = board.load(file.read())
    hal_rp2.gates_off(described)
    # The only collection before a run's first edge. What is loaded behind it fills the small holes that it
    # leaves; behind a later one every larger request of the start would look through them all.
    gc.collect()
    from boxcore import box, files, loop  # noqa: F401 - to have them

    return hal_rp2.Rp2Hal(described, ring)


def work(hal, buffers):
    """Everything on one box, until the loop is left."""
    from boxcore.box import Box
    from boxcore.files import FileStore
    from boxcore.loop import Loop

    top = FileStore()
    if not top.is_folder(DATA):
        top.delete(DATA)  # what has its name and is no folder was never the box's
        os.mkdir(DATA)
    box = Box(hal.board, FileStore(DATA), hal, hal.serial, buffers=buffers)
    loop = Loop(hal, box)
    loop.begin()
    loop.early_turn()
    for name in LATER.split():
        gc.collect()  # so that what loading leaves behind doesn't lie between the modules for ever
        __import__("boxcore." + name)
        loop.early_turn()
    while box.boot_further(hal.ticks()) or hal.ticks() < WINDOW_TICKS:
        loop.early_turn()
    from boxcore import commands, commands_box

    loop.instrument = commands.Instrument(box, commands_box.board_rows(hal, loop), loop.sense)
    hal.open_link()
    hal.quiet(True)
    loop.run()
