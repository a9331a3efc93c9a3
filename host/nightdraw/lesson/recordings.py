"""What a group's recorder would show, made by the bench: the box's firmware in the group's vehicle, asleep.

The run begins at once, whatever its start rule waits for; the group's own clamp and recorder stand before it.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

from boxcore import program as pg

from nightdraw.bench import drive, setup
from nightdraw.board import BoardModel
from nightdraw.instruments import setup as fronts
from nightdraw.instruments.model import Instruments
from nightdraw.lesson.fitting import beside, played
from nightdraw.lesson.model import Assignment, Plan
from nightdraw.profile import Profile
from nightdraw.vehicle.model import BATTERY, DROP


def record(
    plan: Plan,
    one: Assignment,
    out: Path,
    seconds: float,
    rate_hz: float,
    channels: Sequence[str] = (BATTERY,),
    with_others: bool = False,
) -> Path:
    """Record these channels of the group's vehicle into CSV, or Parquet by the suffix; the journal's path.

    with_others: the other groups' boxes on that vehicle play as well. Raises InputError as the bench does.
    """
    vehicle = plan.of.car(one.vehicle).vehicle
    boxes = [_placed(plan, one, played(plan, one))]
    if with_others:
        boxes += [_placed(plan, other, profile) for other, profile in beside(plan, one)]
    ticks = max(1, round(seconds * pg.TICKS_PER_S))
    form = "parquet" if out.suffix == ".parquet" else "csv"
    rate = Fraction(rate_hz).limit_denominator(1000)
    chosen = drive.chosen(vehicle, tuple(channels))
    wanted = drive.Drive(
        ticks, chosen, rate, one.seed, 1, out, form, _fronts(plan.of.kit(one.kit).instruments)
    )
    wanted.check()
    done = drive.drive(vehicle, boxes, wanted)
    return Path(next(iter(done.journals)))


def _placed(plan: Plan, one: Assignment, profile: Profile) -> drive.Placed:
    """A group's box, whose run begins with the power."""
    program: Any = profile.program()
    program.start, program.start_after_ticks = pg.START_POWER, 0
    return drive.Placed(one.splice, program, _bench(plan.of.box(one.box).board, one.seed), one.seed)


def _bench(board: BoardModel, seed: int) -> setup.Bench:
    return setup.build(board.file, None, (), seed)


def _fronts(kit: Instruments) -> drive.Fronts:
    """The group's own clamp and inputs; the bench's where it has none."""
    if kit.recorder is None:
        return drive.usual
    across = fronts.drop_front(kit.recorder)
    around = drive.CLAMP if kit.clamp is None else fronts.clamp_front(kit.clamp, kit.recorder)
    return lambda kind: across if kind == DROP else around
