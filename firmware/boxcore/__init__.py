"""The box's own code: pure modules that run alike on the board, under CPython and on the bench.

No module here reads a clock or touches hardware (hal_rp2 alone will); time and readings come in as
arguments, switch patterns and the next deadline go out. Whole numbers only.
"""

__version__ = "0.1.0"
