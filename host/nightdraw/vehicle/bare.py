"""A battery alone: what a box hangs on where a profile is tried without a vehicle. Plain data."""

from __future__ import annotations

from nightdraw.vehicle import battery, model
from nightdraw.vehicle.model import Battery, Feed, Fuse, Splice, Vehicle

SPLICE = "box"
FUSE = "F1"


LARGE_MV = 18_000  # a box for more than this is one for two batteries in series


def bare(nominal_mv: int) -> Vehicle:
    """Full flooded batteries, as many as a box for that voltage wants, 5 milliohms, a fuse of 10 A."""
    cells = 2 if nominal_mv > LARGE_MV else 1
    cell = Battery(model.FLOODED, 60.0, 100.0, battery.TABLE_C, 0.005, 0.0, 50.0, 9.6 * cells, cells)
    return Vehicle(
        name="battery", about="A battery alone.", battery=cell, feeds=(Feed("lead", 0.005),),
        fuses=(Fuse(FUSE, "lead", "C", 10.0, 0.02),), modules=(), twitches=(), lamps=(),
        splices=(Splice(SPLICE, FUSE, 0.0),), charger=None, alternator=None, starter=None, sensor=None,
        file="",
    )  # fmt: skip
