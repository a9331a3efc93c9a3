"""A lesson before the lesson: every car with its boxes on the bench, from locking it to starting its engine.

The boxes run their firmware with the plan's programs. Each group's circuit is recorded as it is, and asked,
did and seen are compared up to cranking, during which a box rightly holds. Whether a kit isolates the fault
is weighed with the other boxes as parts of the car.
"""

from __future__ import annotations

import functools
import json
import tempfile
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

from boxcore.program import TICKS_PER_S

from nightdraw.bank.parts import blade_fuses as blades
from nightdraw.bench import boxlog, drive, findable
from nightdraw.bench.drive import Drive, Placed
from nightdraw.bench.finding import train
from nightdraw.bench.finding.method import Method, minutes
from nightdraw.bench.setup import build
from nightdraw.capture import compare as comparing
from nightdraw.capture.accounts import Asked
from nightdraw.capture.journal import Did, lines_of, read_did
from nightdraw.capture.read import Options, Part, Recording, open_recording
from nightdraw.errors import NightdrawError
from nightdraw.lesson.alike import beside
from nightdraw.lesson.candidates import Made
from nightdraw.lesson.fitting import played
from nightdraw.lesson.model import Assignment, Car, Plan
from nightdraw.profile import Profile, fit
from nightdraw.profile.model import Steady
from nightdraw.profile.quantities import show_ua
from nightdraw.vehicle import standing
from nightdraw.vehicle.model import Vehicle
from nightdraw.vehicle.script import ENGINE, Event, Script

ENGINE_S = 5  # the engine runs so long at the end; starting it is the question
CRANK_S = 30  # before the end of the lesson: what follows isn't compared
LEAST_HZ, MOST_HZ = 200, 5000  # of the recording: samples a second
A_PULSE = 20  # samples in the narrowest pulse


@dataclass(frozen=True)
class Rehearsed:
    """What became of one assignment. agree: None where it can't be told; found_by: the method that names the
    fuse soonest, None: none in time; starts_s: from arming to the fault, None: never; car_starts; wrong: what
    isn't as it should be, in words."""

    group: str
    agree: bool | None
    found_by: str | None
    starts_s: float | None
    car_starts: bool
    wrong: tuple[str, ...]

    @property
    def ok(self) -> bool:
        """Whether the lesson can begin, for this group."""
        return not self.wrong

    def document(self) -> dict[str, object]:
        """The JSON contract's keys, and more."""
        return {**vars(self), "wrong": list(self.wrong), "ok": self.ok}


def rehearse(
    plan: Plan, groups: Sequence[str], tell: Callable[[float], None] = lambda share: None
) -> list[Rehearsed]:
    """Every assignment of these groups, with all boxes of their cars; raises InputError.

    tell: takes the share of the work that is done.
    """
    found: dict[str, Rehearsed] = {}
    cars = [car for car in plan.of.cars if any(_on(one, car, groups) for one in plan.assignments)]
    for place, car in enumerate(cars):
        rows = [one for one in plan.assignments if one.vehicle == car.name]
        found |= _car(plan, car, rows, functools.partial(_share, tell, place, len(cars)))
    return [found[one.group] for one in plan.assignments if one.group in groups]


def _share(tell: Callable[[float], None], place: int, of: int, share: float) -> None:
    tell((place + share) / of)


def _on(one: Assignment, car: Car, groups: Sequence[str]) -> bool:
    return one.vehicle == car.name and one.group in groups


def _car(plan: Plan, car: Car, rows: list[Assignment], tell: Callable[[float], None]) -> dict[str, Rehearsed]:
    """One car with all its boxes, a lesson long."""
    made = {one.group: _made(plan, one) for one in rows}
    boxes = [
        Placed(
            one.splice,
            made[one.group].profile.program(),
            build(plan.of.box(one.box).board.file, None, (), one.seed + place),
            one.seed,
        )
        for place, one in enumerate(rows)
    ]
    ticks = round(plan.of.time_s * TICKS_PER_S)
    crank = Event(ticks - CRANK_S * TICKS_PER_S, ENGINE, "", ENGINE_S * TICKS_PER_S)
    heard: list[str] = []
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "lesson.parquet"
        fuses = tuple(one.fuse for one in rows)
        wanted = Drive(ticks, fuses, _rate(made.values()), plan.seed, 1, out, "parquet", drive.ideal)
        script = Script("lesson", True, (crank,))
        drive.drive(car.vehicle, boxes, wanted, script, heard.append, lambda done: tell(0.7 * done / ticks))
        starts = not any("doesn't start" in line for line in heard)
        found = {}
        for place, one in enumerate(rows):
            tell(0.7 + 0.3 * place / len(rows))
            journal = boxlog.beside(out, one.splice, len(rows) > 1)
            others = [(made[other.group], other.fuse) for other in rows if other is not one]
            found[one.group] = _judged(
                plan, one, made[one.group], _seen(plan, one, out, journal, script), others, starts
            )
    return found


def _made(plan: Plan, one: Assignment) -> Made:
    profile = played(plan, one)
    return Made(profile, tuple(train.pulses(profile, one.seed)), {})


def _rate(made: Iterable[Made]) -> Fraction:
    """So many samples a second that the narrowest pulse has several."""
    narrow_s = min((signature.narrow_s for one in made for signature in one.pulses), default=1.0)
    return Fraction(round(min(MOST_HZ, max(LEAST_HZ, A_PULSE / narrow_s))))


@dataclass(frozen=True)
class _Seen:
    """The recording held against journal and program; starts_s as Rehearsed."""

    agree: bool | None
    starts_s: float | None
    why: tuple[str, ...]


def _seen(plan: Plan, one: Assignment, recording: Path, journal: Path, script: Script) -> _Seen:
    try:
        starts_s = _until_crank(journal, plan.of.time_s - CRANK_S)
        did = read_did(str(journal))
        profile = played(plan, one)
        asked = Asked(profile.program(), 1, round(did.own_ma * 1000))
        part = Part(0.0, plan.of.time_s - CRANK_S - 1)
        seen = open_recording(str(recording), one.fuse, Options(part=part))
        place = _place(plan, one, did, script)
        if all(isinstance(draw, Steady) for draw in profile.draws):
            # A level that never changes has no edges to compare: the journal's, and the level that is seen.
            result = comparing.compare(asked, did, None, place)
            off = _off(plan, one, profile, seen, place)
            if off is not None:
                return _Seen(False, starts_s, (off,))
        else:
            result = comparing.compare(asked, did, seen, place)
    except NightdrawError as error:
        return _Seen(None, None, tuple(finding.message for finding in error.findings))
    messages = [difference.message for difference in result.differences] or result.notes
    return _Seen(result.agree, starts_s, tuple(messages))


def _off(
    plan: Plan, one: Assignment, profile: Profile, seen: Recording, place: comparing.Place
) -> str | None:
    """How far a steady level that is seen is off, in words; None where it is what the box was asked for.

    The median of the last third, by when the car sleeps; what its own modules draw there is taken off.
    """
    import numpy as np

    values = np.concatenate([value for _, value in seen.blocks()])
    own_a = standing.stays_a(plan.of.car(one.vehicle).vehicle, one.fuse)
    level_ua = 1e6 * (float(np.median(values[-len(values) // 3 :])) / 1000 / (place.ohms or 1.0) - own_a)
    wanted_ua = profile.base_ua()
    if abs(level_ua - wanted_ua) <= max(fit.TOLERANCE_UA, wanted_ua / fit.TOLERANCE_PER):
        return None
    return f"the level was seen at {show_ua(level_ua)}, {show_ua(wanted_ua)} were asked for"


def _place(plan: Plan, one: Assignment, did: Did, script: Script) -> comparing.Place:
    vehicle = plan.of.car(one.vehicle).vehicle
    slot = next(fuse for fuse in vehicle.fuses if fuse.name == one.fuse)
    mohm, _ = blades.cold_mohm(slot.type, slot.rating_a)
    return comparing.Place(
        shared=True, ohms=(mohm or 0.0) / 1000, monitored=bool(did.monitor), vehicle=vehicle, script=script
    )


def _until_crank(journal: Path, crank_s: float) -> float | None:
    """Leave out of a journal what came from cranking on; from arming to the run's start, None: never."""
    lines = [line for _, line in lines_of(journal)]
    kept = [line for line in lines if line.get("at_s", 0.0) < crank_s]
    journal.write_text("".join(json.dumps(line) + "\n" for line in kept), "utf-8")
    begun = any(line.get("kind") == boxlog.START for line in kept)
    return float(lines[0].get("start_at_s", 0.0)) if begun else None


def _judged(
    plan: Plan, one: Assignment, made: Made, seen: _Seen, others: Sequence[tuple[Made, str]], starts: bool
) -> Rehearsed:
    vehicle = plan.of.car(one.vehicle).vehicle
    for other, fuse in others:
        vehicle = _with(vehicle, other, fuse)
    best, needs_s = _isolated(plan, one, made, vehicle)
    wrong = []
    if seen.agree is not True:
        what = "can't be told whether" if seen.agree is None else "not:"
        wrong.append(
            f"{what} asked, did and seen agree: {'; '.join(seen.why[:3]) or 'too little to judge by'}"
        )
    if seen.starts_s is None:
        wrong.append("the fault never starts")
    if best is None:
        wrong.append(f"kit {one.kit} doesn't isolate it")
    elif seen.starts_s is not None and max(needs_s, seen.starts_s) > plan.of.time_s:
        wrong.append(f"95 % of searches need {minutes(needs_s)}, more than the lesson has")
    if not starts:
        wrong.append(f"{one.vehicle} doesn't start at the end")
    found_by = None if best is None else best.method
    return Rehearsed(one.group, seen.agree, found_by, seen.starts_s, starts, tuple(wrong))


def _with(vehicle: Vehicle, other: Made, fuse: str) -> Vehicle:
    """The car with another box; each under a name of its own."""
    added = beside(vehicle, other, fuse)
    number = len(vehicle.modules)
    return replace(
        added,
        modules=(*vehicle.modules, replace(added.modules[-1], name=f"box-{number}")),
        twitches=tuple(
            replace(t, name=f"box-{number}") if k >= len(vehicle.twitches) else t
            for k, t in enumerate(added.twitches)
        ),
    )


def _isolated(plan: Plan, one: Assignment, made: Made, vehicle: Vehicle) -> tuple[Method | None, float]:
    """The method that names the fuse soonest, and what 95 % of searches need from a car just locked."""
    kit = plan.of.kit(one.kit).instruments
    search = findable.Search(made.profile, vehicle, kit, one.splice, one.seed, known=made.pulses, quick=True)
    naming = [m for m in search.methods() if m.shows and m.isolates == f"fuse {one.fuse}" and m.time]
    best = min(naming, key=lambda m: m.time.expected_s if m.time else 0.0, default=None)
    if best is None or best.time is None:
        return None, 0.0
    return best, search.site.sleep_s() + search.site.return_s() + best.time.p95_s
