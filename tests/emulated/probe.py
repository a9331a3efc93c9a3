"""Goes onto the emulated board beside the firmware, whose main.py is made to call attach(): memory told over
the link, and a heap that is locked where nothing may be allocated. Runs under MicroPython only.
"""

# ruff: noqa: UP031 - the board's Python

import gc

import micropython
from boxcore import box as bx
from boxcore import journal, ledger, loop, player

STEP_BYTES = 64  # the largest free block is found to this
calls = [0, 0, 0, 0, 0]  # of sense, step, refill, flush, save since DIAGnostic:LOCK


def biggest():
    """The largest block that can be taken, in bytes."""
    low, high = 0, gc.mem_free()
    while high - low > STEP_BYTES:
        middle = (low + high) // 2
        try:
            bytearray(middle)
            low = middle
        except MemoryError:
            high = middle
        gc.collect()
    return low


def heap(ins):
    """DIAGnostic:HEAP?: bytes in use, free, largest free block, after a collection."""
    gc.collect()
    used, free = gc.mem_alloc(), gc.mem_free()
    return "%d,%d,%d" % (used, free, biggest())


# Plain functions with plain arguments: a closure, or arguments gathered by a star, would allocate themselves.
_sense, _step, _refill = bx.Box.sense, bx.Box.step, player.Player.refill
_flush, _save = journal.Journal.flush, ledger.Ledger.save


def sense(self, now, readings):
    """Box.sense with the heap locked."""
    calls[0] += 1
    micropython.heap_lock()
    try:
        _sense(self, now, readings)
    finally:
        micropython.heap_unlock()


def step(self, now):
    """Box.step with the heap locked."""
    calls[1] += 1
    micropython.heap_lock()
    try:
        return _step(self, now)
    finally:
        micropython.heap_unlock()


def refill(self, now, supply_mv, force=False):
    """Player.refill, counted."""
    calls[2] += 1
    return _refill(self, now, supply_mv, force)


def flush(self, now):
    """Journal.flush, which writes to the store, with the heap as it is outside."""
    calls[3] += 1
    micropython.heap_unlock()
    _flush(self, now)
    micropython.heap_lock()


def save(self, now, box):
    """Ledger.save, which writes to the store, with the heap as it is outside."""
    calls[4] += 1
    micropython.heap_unlock()
    _save(self, now, box)
    micropython.heap_lock()


def lock(ins):
    """DIAGnostic:LOCK: from now on nothing that a run does may allocate, but for its writes to the store."""
    bx.Box.sense, bx.Box.step, player.Player.refill = sense, step, refill
    journal.Journal.flush, ledger.Ledger.save = flush, save


def counts(ins):
    """DIAGnostic:LOCK?: how often each of these ran."""
    return ",".join(["%d" % count for count in calls])


ROWS = (
    ("DIAGnostic:HEAP?", "open", 0, (), heap),
    ("DIAGnostic:LOCK", "open", 0, (), lock),
    ("DIAGnostic:LOCK?", "open", 0, (), counts),
)


_run = loop.Loop.run


def run(self):
    """Loop.run, its instrument answering the commands above."""
    self.instrument._tables += (ROWS,)
    _run(self)


def attach():
    """Have the box's instrument answer the commands above."""
    loop.Loop.run = run
