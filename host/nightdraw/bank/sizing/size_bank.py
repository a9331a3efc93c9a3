"""From wanted currents to a bank that can be bought: values, resistor packages, enclosure, errors, verdicts.

It joins the choice of values, the arrangement of resistors, the heat of the result and its errors; the
arithmetic of each is in its own module.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np

from nightdraw import units
from nightdraw.bank.heat.steady_state import Heat
from nightdraw.bank.parts.preferred_values import series_values
from nightdraw.bank.patterns import Ints, best_patterns, subset_sums
from nightdraw.bank.remarks import ERROR, NOTE, WARNING, Remark
from nightdraw.bank.sizing.arrangement import Arrangement
from nightdraw.bank.sizing.building import OWN_A, SWITCH_AND_WIRE_OHMS, build
from nightdraw.bank.sizing.channel_search import FINE, ChannelChoice, choose
from nightdraw.bank.sizing.level_error import LevelError, Spread, errors_of
from nightdraw.bank.sizing.request import SizingRequest, check
from nightdraw.bank.sizing.supply_range import Spans
from nightdraw.board import BoardModel
from nightdraw.errors import InputError

COLDEST_C = -10.0  # a workshop yard in winter; drift is counted from REFERENCE_C both ways
REFERENCE_C = 25.0  # resistors have their nominal value here
WIDE = 0.10  # a level whose worst case is wider than this is pointed out
# and one wider than this isn't made at all: a single resistor over 10.5 to 16 V has 23 % and its tolerances
UNUSABLE = 0.30
MOST_NAMED = 5  # levels named one by one in a remark


@dataclass(frozen=True)
class Sized:
    """The answer. channels are in the board's order, smallest conductance first; patterns and nominals (mA)
    are those of the wanted levels, in their order."""

    request: SizingRequest
    choice: ChannelChoice
    channels: tuple[Arrangement, ...]
    patterns: tuple[int, ...]
    nominal_ma: tuple[float, ...]
    errors: tuple[LevelError, ...]
    board: BoardModel
    heat: Heat
    remarks: tuple[Remark, ...]

    @property
    def ok(self) -> bool:
        return all(remark.severity != "error" for remark in self.remarks)


def size(request: SizingRequest, name: str, progress: Callable[[float], None] = lambda share: None) -> Sized:
    """Size a bank; raises InputError for a request that makes no sense. progress: the share of the search's
    work.

    Levels are what the circuit sees: the bank is asked for a level less `own_a`. The choice minimises the
    largest |current - wanted| / wanted over the supply's range, the pattern picked anew at each supply as the
    firmware does, resistors (and `on_ohms`) at their nominal values. Their tolerance t, one for all, takes an
    error e to (1 + e) / (1 - t) - 1 at the most, so that it hardly changes the order of choices.
    """
    check(request)
    values = series_values(request.series, *request.ohms_range)
    if not values:
        raise InputError(f"the series {request.series} has no value in that range of ohms")
    levels = np.array([float(level) for level in request.levels_a])
    supply_v, own_a = float(request.supply_v), float(request.own_a)
    by_total = {float(value + request.on_ohms): value for value in values}
    wanted = (levels - own_a) / supply_v
    low, high = (float(volts) for volts in request.range_v)
    spans = Spans.of(levels, own_a, (low, high))
    choice = choose(list(by_total), spans, request.channels, progress=progress)
    ohms = [by_total[total] for total in reversed(choice.ohms)]
    siemens = np.array([1 / float(value + request.on_ohms) for value in ohms])
    patterns = best_patterns(siemens, wanted)
    used = best_patterns(siemens, spans.targets(FINE).wanted)
    nominal = (subset_sums(siemens)[patterns] * supply_v + own_a) * 1000
    channels, board, heat, remarks = build(request, name, ohms, values)
    errors = [
        replace(error, worst=max(error.worst, abs(current / 1000 / level - 1)))
        for error, current, level in zip(
            errors_of(levels, _spread(request, ohms, channels), request.seed), nominal, levels, strict=True
        )
    ]
    remarks += _level_remarks(request, patterns, errors) + _general_remarks(request, choice, used)
    return Sized(
        request,
        choice,
        tuple(channels),
        tuple(int(pattern) for pattern in patterns),
        tuple(float(current) for current in nominal),
        tuple(errors),
        board,
        heat,
        tuple(remarks),
    )


def _spread(request: SizingRequest, ohms: Sequence[Fraction], channels: Sequence[Arrangement]) -> Spread:
    """What the box believes of the bank (switch and wire counted), and how far each channel may be off."""
    on_ohms = float(request.on_ohms or SWITCH_AND_WIRE_OHMS)
    believed = np.array([1 / (float(value) + on_ohms) for value in ohms])
    hottest = [
        channel.surround_c + channel.worst_w * (channel.package.plate_k_per_w or channel.package.air.k_per_w)
        for channel in channels
    ]
    away = np.maximum(np.array(hottest) - REFERENCE_C, REFERENCE_C - COLDEST_C)
    tempco = np.array([channel.package.tempco_ppm for channel in channels]) * 1e-6
    tolerance = np.full(len(ohms), float(request.tolerance_pct) / 100)
    low, high = request.range_v
    return Spread(believed, tolerance, tempco * away, (float(low), float(high)), float(request.own_a))


def _level_remarks(request: SizingRequest, patterns: Ints, errors: Sequence[LevelError]) -> list[Remark]:
    """Levels that can't be made at all, levels wider than asked for (or than WIDE)."""
    remarks = []
    for level, pattern in zip(request.levels_a, patterns, strict=True):
        if pattern == 0:
            message = "no pattern comes nearer than none at all: more channels"
            remarks.append(Remark(_level(level), "level", message, ERROR))
    limit = WIDE if request.within is None else request.within
    wide = [
        (error.worst, level)
        for level, error in zip(request.levels_a, errors, strict=True)
        if error.worst > limit
    ]
    for worst, level in sorted(wide, reverse=True)[:MOST_NAMED]:
        message = f"{100 * worst:.1f} % off in the worst case, more than {100 * limit:g} %"
        severity = WARNING if request.within is None and worst <= UNUSABLE else ERROR
        remarks.append(Remark(_level(level), "error", message, severity))
    if len(wide) > MOST_NAMED:
        message = (
            f"{len(wide) - MOST_NAMED} further levels are more than {100 * limit:g} % off in the worst case"
        )
        remarks.append(Remark("levels", "error", message, WARNING if request.within is None else ERROR))
    return remarks


def _general_remarks(request: SizingRequest, choice: ChannelChoice, patterns: Ints) -> list[Remark]:
    remarks = []
    if not request.own_a:
        own = units.show(OWN_A, "current")
        message = (
            "levels are taken as the bank's own current; the box itself draws about "
            f"{own} more, which --own {own.replace(' ', '')} takes off"
        )
        remarks.append(Remark("box", "own", message, NOTE))
    used = int(np.bitwise_or.reduce(patterns))
    for number in range(len(choice.ohms)):
        if not used >> number & 1:
            message = "in no level's pattern at any supply: leave it out, or ask for fewer channels"
            remarks.append(Remark(f"channel {number + 1}", "idle", message, NOTE))
    if choice.gap:
        message = f"proven to be within {100 * choice.gap:.3g} percentage points of the best choice there is"
        if choice.hurried:
            message += "; the proof ran out of time here, a faster machine may narrow that"
        remarks.append(Remark("bank", "proof", message, NOTE))
    return remarks


def _level(level: Fraction) -> str:
    return f"level {units.show(level, 'current')}"
