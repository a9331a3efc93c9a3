"""The host program of Nightdraw: it prepares, runs, proves and marks lessons with the load box."""

from boxcore import __version__

__all__ = ["__version__"]
