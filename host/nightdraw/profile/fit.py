"""Whether a board's bank can make a profile: the base, each draw, and what draws add up to where they meet.

Nominal bank values; everything is judged over the supplies that the limits allow, the lowest first, for there
the bank makes least.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import combinations

from boxcore import program as pg
from boxcore.bank import Bank

from nightdraw import programs
from nightdraw.board import BoardModel
from nightdraw.places import Findings
from nightdraw.profile.model import Draw, Limits, Pulse, Random, Replay, Sketch, Steady
from nightdraw.profile.quantities import show_ua

TOLERANCE_UA = 2000  # a level holds 2 mA or 2 %, whichever is more: what a good low-current clamp can tell
TOLERANCE_PER = 50
# Edges a second of all draws together that the box goes on with. On the emulated board runs of 15 to 20 s had
# no gap up to 200, whatever the draws, over a busy link, too; at 250 random draws had one every two seconds.
SUSTAINED_HZ = 160
# An exponential gap's logarithm takes 5.3 ms (emulated board), as much as three edges more, 1.7 ms each.
EDGES_OF_A_LOGARITHM = 3
TOO_FAST = (
    "its queue runs empty every few seconds, then all switches open for half a second (journaled as starved),"
    " and what is far too fast trips"
)


def check(
    draws: Sequence[Draw],
    sketches: Sequence[Sketch],
    held: Limits | None,
    board: BoardModel,
    findings: Findings,
) -> None:
    """Find what the bank can't make of these draws under the limits that hold on the board.

    sketches: draws whose timing is wrong, judged by their level alone. held None: the supply limits are
    wrong; then only what no supply could mend is found.
    """
    fitting = _Fit(draws, held, board, findings)
    fitting.check(base_known=all(sketch.kind != "steady" for sketch in sketches))
    for sketch in sketches:
        fitting.fits_alone(sketch)
    check_size(draws, findings)


def edges_hz(draws: Sequence[Draw]) -> float:
    """Edges a second of all draws together, on average."""
    return sum(_changes(draw) * cycles_hz(draw) for draw in draws)


def work_hz(draws: Sequence[Draw]) -> float:
    """The same in what the box has to do: the edges a second that would keep it as busy."""
    logarithms_hz = sum(cycles_hz(draw) for draw in draws if is_exponential(draw))
    return edges_hz(draws) + EDGES_OF_A_LOGARITHM * logarithms_hz


def is_exponential(draw: Draw) -> bool:
    """Whether each of its gaps is a logarithm to be computed."""
    return isinstance(draw, Random) and draw.law == "exponential"


def cycles_hz(draw: Draw) -> float:
    """Pulses a second on average, of a replay its rounds; 0 for a steady draw."""
    if isinstance(draw, Pulse):
        return pg.TICKS_PER_S / draw.every_ticks
    if isinstance(draw, Random):
        return float(pg.TICKS_PER_S * draw.pulses_per_tick())
    if isinstance(draw, Replay):
        return pg.TICKS_PER_S / sum(ticks for _, ticks in draw.levels)
    return 0.0


def _changes(draw: Draw) -> int:
    return len(draw.levels) if isinstance(draw, Replay) else 2


def name(draw: Draw | Sketch) -> str:
    """The draw for messages."""
    return f"draw {draw.number} ({draw.kind})"


def base_ua(draws: Sequence[Draw], own_ua: int) -> int:
    """The level between pulses: the steady draws, or the own consumption where there is none."""
    steady = [draw.draw_ua for draw in draws if isinstance(draw, Steady)]
    return sum(steady) if steady else own_ua


def can_meet(one: Draw, other: Draw) -> bool:
    """Whether both can draw at the same instant, now or in days; True unless two pulse trains never do.

    Trains with periods T and U shift against each other by multiples of gcd(T, U), so they meet when some
    shift lies inside a pulse.
    """
    if not isinstance(one, Pulse) or not isinstance(other, Pulse):
        return True
    step = math.gcd(one.every_ticks, other.every_ticks)
    shift = (other.first_ticks - one.first_ticks) % step
    return shift < one.on_ticks or step - shift < other.on_ticks


def peak(draws: Sequence[Draw]) -> tuple[int, tuple[Draw, ...]]:
    """The most that draws which can meet add above the base, and those draws in the order of the file.

    All pairs must be able to meet: exact for two trains, never too low for more. A replay counts with its
    highest level.
    """
    sums = [(sum(draw.peak_ua() for draw in group), group) for group in meeting(draws)]
    return max(sums, key=lambda pair: pair[0], default=(0, ()))


def meeting(draws: Sequence[Draw]) -> Iterator[tuple[Draw, ...]]:
    """Every group of moving draws that can meet, single ones first; at most 255 of a profile's eight."""
    moving = [draw for draw in draws if not isinstance(draw, Steady)]
    for count in range(1, len(moving) + 1):
        for group in combinations(moving, count):
            if all(can_meet(one, other) for one, other in combinations(group, 2)):
                yield group


def off_ua(bank: Bank, level_ua: int, supply_mv: int) -> int:
    """How far the bank's nearest pattern is from a bank current at a supply, microamperes."""
    return abs(int(bank.current_ua(bank.pattern(level_ua, supply_mv), supply_mv)) - level_ua)


def _supplies_mv(held: Limits | None, board: BoardModel) -> tuple[int, ...]:
    """The supplies to judge levels at: the ends of what is allowed and the board's nominal one."""
    if held is None:
        return ()
    middle_mv = min(max(board.supply_nominal_mv, held.supply_min_mv), held.supply_max_mv)
    return held.supply_min_mv, middle_mv, held.supply_max_mv


class _Fit:
    def __init__(
        self, draws: Sequence[Draw], held: Limits | None, board: BoardModel, findings: Findings
    ) -> None:
        self._draws = draws[: pg.MAX_DRAWS]
        self._own_ua = board.own_ua
        self._findings = findings
        self._bank = board.bank()
        self._supplies_mv = _supplies_mv(held, board)
        lowest_mv = board.caps["supply_max_mv"] if held is None else held.supply_min_mv
        self._room_ua = self._bank.full_ua(lowest_mv) + board.own_ua
        which = "highest supply there is" if held is None else "lowest supply allowed"
        self._most = (
            f"the box can make at most {show_ua(self._room_ua)} at {lowest_mv / 1000:g} V, the {which}"
        )
        self._base_ua = base_ua(draws, board.own_ua)

    def check(self, base_known: bool) -> None:
        """Check base, draws and sums; a base that isn't known may be anything from the own consumption up."""
        if not self._base_fits(base_known):
            return
        alone = [draw for draw in self._draws if self.fits_alone(draw)]
        together = self._together(alone)
        resolved = [self._resolved(draw) for draw in alone]
        if together and all(resolved):
            self._sums_resolved(alone)

    def _base_fits(self, base_known: bool) -> bool:
        """True where the bank makes the base; one below the own consumption is found, then taken as that."""
        steady = [draw for draw in self._draws if isinstance(draw, Steady)]
        if self._base_ua < self._own_ua and base_known:
            self._findings.add(
                steady[0].place,
                f"steady is {show_ua(self._base_ua)}, the box itself consumes {show_ua(self._own_ua)}",
                "leave steady out to have the box's own consumption as the base",
            )
        self._base_ua = max(self._base_ua, self._own_ua)
        total = 0
        for draw in steady:
            total += draw.draw_ua
            if total > self._room_ua:
                self._findings.add(draw.place, f"steady is {show_ua(total)}, {self._most}")
                return False
        return True

    def fits_alone(self, draw: Draw | Sketch) -> bool:
        """True where the base and this draw alone are within the bank."""
        if isinstance(draw, Steady) or self._base_ua + draw.peak_ua() <= self._room_ua:
            return True
        total = self._base_ua + draw.peak_ua()
        self._findings.add(
            draw.place,
            f"{name(draw)} is too large: {show_ua(draw.peak_ua())} on a base of"
            f" {show_ua(self._base_ua)} is {show_ua(total)}, {self._most}",
        )
        return False

    def _together(self, draws: Sequence[Draw]) -> bool:
        """True where all draws that can meet are within the bank together."""
        added, group = peak(draws)
        if self._base_ua + added <= self._room_ua:
            return True
        total = self._base_ua
        for draw in group:
            total += draw.peak_ua()
            if total > self._room_ua:
                self._findings.add(
                    draw.place,
                    f"{name(draw)} takes the sum to {show_ua(total)} where the draws meet, {self._most}",
                )
                break
        return False

    def _sums_resolved(self, draws: Sequence[Draw]) -> None:
        """Find the first sum of draws that meet which the bank misses by too much."""
        for group in meeting(draws):
            level = self._base_ua + sum(draw.peak_ua() for draw in group)
            if any(self._is_off(group[-1], level, supply_mv) for supply_mv in self._supplies_mv):
                return

    def _resolved(self, draw: Draw) -> bool:
        """A level that the bank misses by too much is no draw, nor is a pulse that changes no switch."""
        for supply_mv in self._supplies_mv:
            if any(self._is_off(draw, level, supply_mv) for level in self._levels_ua(draw)):
                return False
            if self._vanishes(draw, supply_mv):
                self._findings.add(
                    draw.place,
                    f"{name(draw)} of {show_ua(draw.peak_ua())} is too small for the bank:"
                    f" at {supply_mv / 1000:g} V it changes no switch",
                )
                return False
        return True

    def _is_off(self, draw: Draw, level_ua: int, supply_mv: int) -> bool:
        off = off_ua(self._bank, level_ua - self._own_ua, supply_mv)
        if off <= max(TOLERANCE_UA, level_ua // TOLERANCE_PER):
            return False
        self._findings.add(
            draw.place,
            f"{name(draw)} leads to a level of {show_ua(level_ua)}, the nearest that the bank makes"
            f" at {supply_mv / 1000:g} V is {show_ua(off)} off",
            "a level must be met within 2 mA or 2 %",
        )
        return True

    def _levels_ua(self, draw: Draw) -> set[int]:
        if isinstance(draw, Steady):
            return {self._base_ua}
        if isinstance(draw, Replay):
            return {self._base_ua + level for level, _ in draw.levels}
        return {self._base_ua + draw.draw_ua}

    def _vanishes(self, draw: Draw, supply_mv: int) -> bool:
        if isinstance(draw, Steady | Replay):
            return False
        low = self._base_ua - self._own_ua
        same: bool = self._bank.pattern(low, supply_mv) == self._bank.pattern(low + draw.draw_ua, supply_mv)
        return same


def check_size(draws: Sequence[Draw], findings: Findings) -> None:
    """Find a program too large for a slot; the longest replay is to blame."""
    replays = [draw for draw in draws if isinstance(draw, Replay)]
    if not replays or len(draws) > pg.MAX_DRAWS:
        return
    levels = sum(len(draw.levels) for draw in replays)
    room = room_levels(draws)
    if levels > room:
        blame = max(replays, key=lambda draw: len(draw.levels))
        message = f"{name(blame)} makes the program larger than the {pg.MAX_BYTES} bytes of a slot"
        findings.add(blame.place, f"{message}: of its levels and all others' no more than {room} fit")


def room_levels(draws: Sequence[Draw]) -> int:
    """How many replay levels these draws may have in all: what a slot holds beside everything else."""
    short = [
        (pg.REPLAY, draw.repeat, programs.pack_levels(draw.levels[:1]))
        if isinstance(draw, Replay)
        else draw.core()
        for draw in draws
    ]
    replays = sum(isinstance(draw, Replay) for draw in draws)
    return (pg.MAX_BYTES - len(programs.pack(pg.Program("x", short)))) // pg.LEVEL_BYTES + replays
