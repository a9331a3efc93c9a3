"""Reading: any recording, text or Parquet, as named channels with units, in blocks of bounded memory.

This is the door; others import from here. Files are read and put in order, nothing is measured.
"""

from nightdraw.capture.read.blocks import BLOCK_SAMPLES, Blocks, Floats
from nightdraw.capture.read.columns import CURRENT_NAMES, MILLIAMPERE, MILLIVOLT, Options, Part
from nightdraw.capture.read.recording import (
    Recording,
    channels,
    drops_beside,
    from_arrays,
    open_recording,
    windows,
)

__all__ = [
    "BLOCK_SAMPLES",
    "CURRENT_NAMES",
    "MILLIAMPERE",
    "MILLIVOLT",
    "Blocks",
    "Floats",
    "Options",
    "Part",
    "Recording",
    "channels",
    "drops_beside",
    "from_arrays",
    "open_recording",
    "windows",
]
