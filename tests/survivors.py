"""Faults that tests.mutants plants and no test can notice, each with the reason: the budget of survivors.

A row stands for one planted fault: file, the line's text without its indent, what is replaced, by what, why
nothing that a user or a caller sees changes. A line that changes takes its row out: tests/test_mutants.py
says so.
"""

from __future__ import annotations

EXPLAINED: tuple[tuple[str, str, str, str, str], ...] = (
    (
        "host/nightdraw/capture/scan.py",
        "if held.count < BLOCK_SAMPLES:",
        "<",
        "<=",
        "a block may hold one sample more: blocks overlap, and nothing found depends on where they end "
        "(tests/capture/test_pulses.py holds that over several sizes of a block)",
    ),
    (
        "firmware/boxcore/scpi_errors.py",
        "super().__init__(code, info)",
        "super().__init__(code, info)",
        "pass",
        "CPython's BaseException.__new__ keeps the arguments without it; MicroPython needs it, and the tests "
        "that run there are too slow for this tool",
    ),
)
MOST_EXPLAINED = 40  # more would hide what tests ought to notice
