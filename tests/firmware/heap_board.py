"""A whole run on the fake board, counting the heap: what the fake itself takes, what stays alive at the most.

Runs under MicroPython only. Usage: heap_board.py FOLDER [fake]; the folder as for run_board.py. With `fake`
it stops before the firmware is loaded. Prints one line: bytes that the fake takes, bytes alive at the most,
turns of the loop.
"""

import gc
import sys

import run_board
from fake_board import modules

EVERY = 20  # turns between two measurements: a collection costs time


def main(folder, only_fake):
    """Run, and print the three numbers."""
    import json
    import os

    os.chdir(folder)
    with open("script.json") as file:  # noqa: PTH123
        script = json.loads(file.read())
    chip = run_board.prepare(script)
    modules.install(chip)
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
    print(taken, count[1], count[0])


main(sys.argv[1], len(sys.argv) > 2)
