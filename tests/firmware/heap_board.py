"""A whole run on the fake board, counting the heap: what the fake itself takes, what stays alive at the most.

Runs under MicroPython only. Usage: heap_board.py FOLDER [fake]; the folder as for run_board.py. With `fake`
it stops before the firmware is loaded. Prints one line: bytes that the fake takes, bytes alive at the most,
turns of the loop. The fake is loaded first and measured; what it makes later, a peripheral at a time, is
measured and added; and what it would let go in the run, the lines to be sent, is kept till the end: none of
it is taken for the firmware's or hides what is the firmware's. Names are the exception: their tables grow by
doubling, whoever adds the name that no longer fits, so that a few names more can shift 7 KB.
"""

import gc
import sys

import run_board
from fake_board import chip as silicon
from fake_board import modules, pio

EVERY = 20  # turns between two measurements: a collection costs time


def counted(make, made):
    """The same maker, the bytes of what it makes added to made[0]."""

    def counting(*arguments, **named):
        gc.collect()
        before = gc.mem_alloc()
        thing = make(*arguments, **named)
        gc.collect()
        made[0] += gc.mem_alloc() - before
        return thing

    return counting


def count_peripherals(made):
    """Count what the fake makes when the shell asks for a pin, a state machine and so on."""
    modules.Maker.__call__ = counted(modules.Maker.__call__, made)
    for name in ("PWM", "WDT", "I2C"):
        setattr(modules, name, counted(getattr(modules, name), made))
    pio.Program = counted(pio.Program, made)
    silicon.StateMachine = counted(silicon.StateMachine, made)


def main(folder, only_fake):
    """Run, and print the three numbers."""
    import json
    import os

    os.chdir(folder)
    with open("script.json") as file:  # noqa: PTH123
        script = json.loads(file.read())
    chip = run_board.prepare(script)
    modules.install(chip)
    kept = list(chip.later)
    made = [0]
    count_peripherals(made)
    gc.collect()
    taken = gc.mem_alloc()
    if only_fake:
        print(taken, 0, 0)
        return
    from boxcore import loop

    count = [0, 0]
    turn = loop.Loop.turn

    def counting(self):
        turn(self)
        count[0] += 1
        if count[0] % EVERY == 0:
            chip.usb_out = bytearray()  # what the fake keeps of the answers is not the firmware's
            gc.collect()
            count[1] = max(count[1], gc.mem_alloc())

    loop.Loop.turn = counting
    ended = run_board.boot(chip, script)
    assert ended == "reset", ended
    assert chip.hal.starved_count == 0
    assert kept
    print(taken + made[0], count[1], count[0])


main(sys.argv[1], len(sys.argv) > 2)
