"""Reading: any recording, text or Parquet, as named channels with units, in blocks of bounded memory.

This is the door; others import from here. Files are read and put in order, nothing is measured.
"""

from nightdraw.capture.read.blocks import BLOCK_SAMPLES, Blocks, Floats
from nightdraw.capture.read.channels import channels, drops_beside
from nightdraw.capture.read.layout import CURRENT_NAMES, MILLIVOLT
from nightdraw.capture.read.options import Options, Part
from nightdraw.capture.read.recording import Recording, from_arrays, open_recording

__all__ = [
    "BLOCK_SAMPLES",
    "CURRENT_NAMES",
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
]
