"""A training vehicle: its file, its battery, the circuit from battery to splices, its timetables.

Plain physics and timetables, in whole ticks and amperes. No box runs here, nothing is recorded or judged.
"""

from nightdraw.vehicle.model import Vehicle
from nightdraw.vehicle.read import load_vehicle

__all__ = ["Vehicle", "load_vehicle"]
