"""A battery alone: what a box hangs on where a profile is tried without a vehicle. Plain data."""

from __future__ import annotations

from nightdraw.vehicle import battery, model
from nightdraw.vehicle.model import Battery, Feed, Fuse, Splice, Vehicle

SPLICE = "box"
FUSE = "F1"


def bare() -> Vehicle:
    """A full flooded battery of 60 Ah, a lead of 5 milliohms, a fuse of 10 A, and the box behind it."""
    cell = Battery(model.FLOODED, 60.0, 100.0, battery.TABLE_C, 0.005, 0.0, 50.0, 9.6)
    return Vehicle(
        name="battery", about="A battery alone.", battery=cell, feeds=(Feed("lead", 0.005),),
        fuses=(Fuse(FUSE, "lead", "C", 10.0, 0.02),), modules=(), twitches=(), lamps=(),
        splices=(Splice(SPLICE, FUSE, 0.0),), charger=None, alternator=None, starter=None, sensor=None,
        file="",
    )  # fmt: skip
