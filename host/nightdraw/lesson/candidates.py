"""What a group could be given: every fault at every splice, from every kind of box, with every kind of kit.

Each candidate has its time to isolate and difficulty by bench findable, and what speaks against it. What
candidates do to each other is chosen elsewhere.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Generic, TypeVar

from nightdraw.bank.heat.profile_heat import profile_heat
from nightdraw.bank.heat.steady_state import steady_heat
from nightdraw.bench import findable
from nightdraw.bench.finding import train
from nightdraw.bench.finding.method import Method, minutes
from nightdraw.bench.finding.place import Site
from nightdraw.bench.finding.train import Signature
from nightdraw.board import BoardModel
from nightdraw.errors import InputError
from nightdraw.instruments.model import Instruments
from nightdraw.lesson.fitting import fitted
from nightdraw.lesson.model import Car, ClassFile, Fault
from nightdraw.profile import Profile
from nightdraw.profile.model import Random
from nightdraw.profile.read import load_as_written
from nightdraw.vehicle import battery, standing
from nightdraw.vehicle.loading import most_a
from nightdraw.vehicle.model import Vehicle

DAY_H = 8.0  # a school day: a box that nobody halts after the lesson goes on
MOST_DRAIN_A = 50.0  # beyond any bank; the budget of a car is looked for below it
HALVINGS = 40  # of that: to a nanoampere
AMBIENT_C = 40.0  # as bank heat: a box in a hot car
BANK, HEAT, SUPPLY, FUSE, INSTRUMENTS, TIME = "bank", "heat", "supply", "fuse", "instruments", "time"


T = TypeVar("T")


@dataclass(frozen=True)
class Kinds(Generic[T]):
    """Things of which some are alike: one of each kind, and the kind of each thing."""

    each: list[T]
    places: list[int]

    @classmethod
    def of(cls, things: Sequence[T], key: Callable[[T], object]) -> Kinds[T]:
        """Things with equal keys are of one kind."""
        keys: list[object] = []
        each: list[T] = []
        places = []
        for thing in things:
            if key(thing) not in keys:
                keys.append(key(thing))
                each.append(thing)
            places.append(keys.index(key(thing)))
        return cls(each, places)


@dataclass(frozen=True)
class Candidate:
    """One fault at one splice of a car from one kind of box, measured with one kind of kit.

    car, board, kit: places among the class's cars, kinds of boards, kinds of kits. day_a: its drain as a mean
    over the day. need_s: what 95 % of searches need from a car just locked. against: constraint -> why.
    """

    car: int
    splice: str
    fuse: str
    profile: str
    board: int
    kit: int
    expected_s: float
    p95_s: float
    difficulty: float
    need_s: float
    day_a: float
    against: dict[str, str] = field(default_factory=dict, compare=False, hash=False)

    @property
    def place(self) -> tuple[int, str]:
        """Where the box sits."""
        return self.car, self.splice


@dataclass(frozen=True, eq=False)
class Made:
    """A fault as a kind of board plays it, its pulses with the plan's seed, and what the board says to it."""

    profile: Profile
    pulses: tuple[Signature, ...]
    against: dict[str, str]


class Room:
    """A class as what can be chosen from: kinds of boxes and kits, budgets of cars, candidates when asked."""

    def __init__(self, of: ClassFile, seed: int) -> None:
        self.of, self.seed = of, seed
        self.boards = Kinds.of([box.board for box in of.boxes], lambda board: replace(board, about=""))
        self.kits = Kinds.of(
            [kit.instruments for kit in of.kits], lambda kit: replace(kit, name="", about="")
        )
        self._made: dict[tuple[str, int], Made] = {}
        self._bears: dict[str, bool] = {}
        self._pulses: dict[tuple[object, ...], tuple[Signature, ...]] = {}
        self._found: dict[tuple[object, ...], tuple[float, float, float]] = {}

    @property
    def labels(self) -> list[str]:
        """The boxes' labels."""
        return [box.label for box in self.of.boxes]

    def board_of(self, label: str) -> int:
        """The kind of a box's board."""
        return self.boards.places[self.labels.index(label)]

    def kit_of(self, name: str) -> int:
        """The kind of a kit."""
        return self.kits.places[[kit.name for kit in self.of.kits].index(name)]

    def seed_of(self, profile: str, turn: int = 0) -> int:
        """The seed with which a profile plays in this plan for the first group that gets it (turn 0), the
        second, ...: no group sees another one's random instants."""
        return zlib.crc32(f"{self.seed} {profile} {turn}".encode())

    def with_seed(self, one: Candidate, seed: int) -> Candidate:
        """A candidate with times and difficulty by another seed than the profile's first."""
        if seed == self.seed_of(one.profile):
            return one
        car = self.of.cars[one.car]
        made = self.made(self.of.fault(one.profile), one.board)
        profile, tools = replace(made.profile, seed=seed), self.kits.each[one.kit]
        known = None if any(isinstance(draw, Random) for draw in profile.draws) else made.pulses
        search = findable.Search(profile, car.vehicle, tools, one.splice, seed, known=known, quick=True)
        expected_s, p95_s, hard = found(search)
        need_s = one.need_s - one.p95_s + p95_s
        return replace(one, expected_s=expected_s, p95_s=p95_s, difficulty=hard, need_s=need_s)

    def budget_a(self, car: int) -> float:
        """The drain over the day that a car bears and starts after; below 0 where it doesn't start anyway."""
        return _budget_a(self.of.cars[car].vehicle)

    def made(self, fault: Fault, board: int) -> Made:
        """A fault on a kind of board, worked out once."""
        key = (fault.name, board)
        if key not in self._made:
            self._made[key] = self._make(fault, self.boards.each[board])
        return self._made[key]

    def _make(self, fault: Fault, board: BoardModel) -> Made:
        against: dict[str, str] = {}
        try:
            made = fitted(fault, board, self.of.fit)
        except InputError as error:
            made = load_as_written(fault.file, board)
            against[BANK] = f"{fault.name} can't be played by board {board.name}: {error.findings[0].message}"
        made = replace(made, seed=self.seed_of(fault.name))
        if not against and not self._bears_all(board) and (hot := _too_hot(made)):
            against[HEAT] = f"{fault.name} overheats board {board.name}: {hot}"
        plays = (made.name, made.base_ua(), *(draw.core() for draw in made.draws))
        if plays not in self._pulses:  # boards that play the same have the same pulses: they are dear
            self._pulses[plays] = tuple(train.pulses(made, made.seed))
        return Made(made, self._pulses[plays], against)

    def _bears_all(self, board: BoardModel) -> bool:
        """Whether nothing burns with every switch closed for good: then no profile needs a look."""
        if board.name not in self._bears:
            try:
                self._bears[board.name] = all(part.ok for part in steady_heat(board, AMBIENT_C).parts)
            except InputError:  # a board without its parts can't be weighed
                self._bears[board.name] = False
        return self._bears[board.name]

    def candidates(self, whole: bool = False, tell: Callable[[], None] = lambda: None) -> Iterator[Candidate]:
        """All that could be given; `whole`: those with something against them as well. tell: after each
        splice that was looked at."""
        for car_place, car in enumerate(self.of.cars):
            for fault in self.of.faults:
                for splice in car.splices:
                    for board in range(len(self.boards.each)):
                        made = self.made(fault, board)
                        if whole or not made.against:
                            yield from self._at(car_place, splice, fault, board, made, whole)
                    tell()

    def count(self) -> int:
        """How often candidates() tells."""
        return sum(len(car.splices) for car in self.of.cars) * len(self.of.faults)

    def _at(
        self, place: int, splice: str, fault: Fault, board: int, made: Made, whole: bool
    ) -> Iterator[Candidate]:
        car = self.of.cars[place]
        at = car.vehicle.splice(splice)
        assert at is not None  # the class file's reader looked
        site = Site(made.profile, car.vehicle, at)
        against = dict(made.against)
        if why := site.held():
            against[SUPPLY] = f"{fault.name} in {car.name}: {why}"
        if why := _overloads(site):
            against[FUSE] = f"{fault.name} at splice {splice} of {car.name}: {why}"
        if against and not whole:
            return
        if SUPPLY in against:  # nothing is drawn: there is nothing to look for
            for kit in range(len(self.kits.each)):
                yield Candidate(
                    place, splice, at.fuse, fault.name, board, kit, 1.0, 1.0, 0.0, 0.0, 0.0, against
                )
            return
        for kit, tools in enumerate(self.kits.each):
            more = dict(against)
            expected_s, p95_s, hard = self._find(made, car, splice, tools, kit, board)
            need_s = site.sleep_s() + site.return_s() + p95_s
            if math.isinf(expected_s):
                name = self.of.kits[self.kits.places.index(kit)].name
                more[INSTRUMENTS] = f"{fault.name} in {car.name} can't be isolated with kit {name}"
            elif need_s > self.of.time_s:
                more[TIME] = f"{fault.name} in {car.name} takes {minutes(need_s)} at 95 %"
            elif site.ends()[0] < site.return_s() + p95_s:
                more[TIME] = f"{fault.name} in {car.name} ends before 95 % of searches do"
            if whole or not more:
                yield Candidate(
                    place, splice, at.fuse, fault.name, board, kit, expected_s, p95_s, hard, need_s,
                    _day_a(site), more,
                )  # fmt: skip

    def _find(
        self, made: Made, car: Car, splice: str, tools: Instruments, kit: int, board: int
    ) -> tuple[float, float, float]:
        """Expected and 95 % seconds to the fuse, and the difficulty; the same for cars of one file."""
        key = (car.vehicle.file, splice, made.profile.name, kit, board)
        if key not in self._found:
            seed = made.profile.seed
            search = findable.Search(
                made.profile, car.vehicle, tools, splice, seed, known=made.pulses, quick=True
            )
            self._found[key] = found(search)
        return self._found[key]


def found(search: findable.Search) -> tuple[float, float, float]:
    """Expected and 95 % seconds of the method that names the fuse soonest (inf: none), and the difficulty."""
    methods = search.methods()
    naming = [(m.time.expected_s, m.time.p95_s) for m in methods if _names(m) and m.time is not None]
    expected_s, p95_s = min(naming, default=(math.inf, math.inf))
    return round(expected_s, 3), round(p95_s, 3), findable.difficulty(search, methods)[0]


def _names(method: Method) -> bool:
    return method.shows and (method.isolates or "").startswith("fuse")


def _too_hot(made: Profile) -> str | None:
    """Which part of the board is too hot; None where none is, or the board file doesn't say what it is of."""
    try:
        parts = profile_heat(made.board, made.program(), AMBIENT_C).heat.parts
    except InputError:
        return None
    return next((f"{part.name} reaches {part.temp_c:.0f} C" for part in parts if not part.ok), None)


def _overloads(site: Site) -> str | None:
    """What the box's highest level and the car's own loads ask too much of."""
    vehicle, peak_a = site.vehicle, site.peak_a()
    slot = next(fuse for fuse in vehicle.fuses if fuse.name == site.fuse)
    total_a = most_a(vehicle, slot.name) + peak_a
    if total_a > slot.rating_a:
        return f"{total_a:.3g} A with the car's own loads on fuse {slot.name} of {slot.rating_a:g} A"
    feed = next(feed for feed in vehicle.feeds if feed.name == slot.feed)
    total_a = peak_a + sum(most_a(vehicle, fuse.name) for fuse in vehicle.fuses if fuse.feed == feed.name)
    if feed.main is not None and total_a > feed.main.rating_a:
        return f"{total_a:.3g} A on main fuse {feed.main.name} of {feed.main.rating_a:g} A"
    return None


def _day_a(site: Site) -> float:
    """The box's drain as a mean over the day: it ends by its own limits."""
    return site.mean_a() * min(1.0, site.ends()[0] / 3600 / DAY_H)


def _budget_a(vehicle: Vehicle) -> float:
    """By halving; a charger that is on isn't counted on."""
    cell, crank_a = vehicle.battery, 0.0 if vehicle.starter is None else vehicle.starter.draw_a

    def starts(drain_a: float) -> bool:
        left_pct = battery.after(cell, cell.charge_pct, standing.mean_a(vehicle) + drain_a, DAY_H)
        return battery.starts(cell, left_pct, crank_a)

    if not starts(0.0):
        return -1.0
    good, bad = 0.0, MOST_DRAIN_A
    for _ in range(HALVINGS):
        middle = (good + bad) / 2
        good, bad = (middle, bad) if starts(middle) else (good, middle)
    return good
