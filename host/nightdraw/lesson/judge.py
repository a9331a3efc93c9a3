"""One item of an answer against the truth: a share of its points and a sentence. The words are words.toml's.

Right is within the tolerance, nearly right within twice that (half the points). What is off by a power of a
thousand or of sixty is a slip of the unit and gets what the class file says. Irregular durations and
intervals are ranges: right is what holds half of what the box did and claims nothing that it never did.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np

from nightdraw.capture.seen import Floats
from nightdraw.lesson import model
from nightdraw.lesson.claims import NO_ANSWER, PULSE, RANDOM, STEADY, Claim, Word
from nightdraw.lesson.tolerances import CURRENT, Allowed, shown
from nightdraw.lesson.truth import Behaviour, Truth
from nightdraw.report.words import Message, Words
from nightdraw.vehicle.model import Vehicle

RIGHT, HALF, NOTHING = 1.0, 0.5, 0.0
NEARLY = 2.0  # times the tolerance
SLIPS = (1000.0, 1000.0**2)  # of a unit's prefix: mA for A, uA for A
TIME_SLIPS = (*SLIPS, 60.0, 3600.0)  # and s for min, s for h
HOLDS = 0.5  # of the pulses must lie in a range that is claimed
SOME = 0.1  # of them, and it is half right
DOUBLE = 2.0  # below it a factor is told in percent
TEN = 10.0  # from here on a factor has no decimals
WIDTHS = 4.0  # tolerances: as wide a range around one value is still right
BEYOND = 0.1  # of the box's own range may lie outside it at either end: extremes are met by chance
WIDE = 2.0  # times as wide as the truth a range is half right, beyond it says nothing
MEAN_OF = 5.0  # pulses: so many make a mean that a student can give (a standard error of s / sqrt(5))
DIMENSION_SLIPS = {"current": SLIPS, "duration": TIME_SLIPS, "interval": TIME_SLIPS}
HEALTHY_A = 0.05  # a sleeping vehicle draws less (common practice): a fault's base above it is a finding
UNIT_SHARES = {model.FULL: RIGHT, model.HALF: HALF, model.NONE: NOTHING}


@dataclass(frozen=True)
class Scored:
    """A share (0..1) of an item's points, None where it counts for neither side, and why."""

    share: float | None
    comment: str


@dataclass(frozen=True)
class Rules:
    """What every judgement needs: the sentences, the class's rule for slips, tolerances by item."""

    words: Words
    units: str
    allowed: dict[str, Allowed]


@dataclass(frozen=True)
class Circuits:
    """The circuits of a vehicle that an answer may name: each fuse's feed, and the feed of what stands for a
    whole feed (its own name, its main fuse)."""

    feed_of: dict[str, str]
    whole: dict[str, str]

    @classmethod
    def of(cls, vehicle: Vehicle) -> Circuits:
        """All of a vehicle's."""
        mains = {feed.main.name: feed.name for feed in vehicle.feeds if feed.main is not None}
        return cls(
            {fuse.name: fuse.feed for fuse in vehicle.fuses},
            {feed.name: feed.name for feed in vehicle.feeds} | mains,
        )

    def names(self) -> list[str]:
        """Every name."""
        return [*self.feed_of, *self.whole]


def circuit(claim: Word, truth: Truth, circuits: Circuits, words: Words) -> Scored:
    """The fuse; the feed alone is half of the way."""
    name = claim.value
    if name is None:
        return Scored(NOTHING, _no_answer(claim.why, words))
    if name == truth.fuse:
        return Scored(RIGHT, _read(words("mark.circuit.right", fuse=truth.fuse), claim.how, words))
    if circuits.whole.get(name) == truth.feed:
        return Scored(HALF, words("mark.circuit.feed", claimed=name, fuse=truth.fuse))
    if circuits.feed_of.get(name) == truth.feed:
        return Scored(
            NOTHING, words("mark.circuit.neighbour", claimed=name, fuse=truth.fuse, feed=truth.feed)
        )
    return Scored(NOTHING, words("mark.circuit.wrong", claimed=name, fuse=truth.fuse))


def kind(claim: Word, behaviour: Behaviour, words: Words) -> Scored:
    """steady, pulse or random."""
    if claim.value is None:
        return Scored(NOTHING, _no_answer(claim.why, words))
    if claim.value in behaviour.kinds:
        return Scored(RIGHT, _read(words(f"mark.kind.right.{claim.value}"), claim.how, words))
    if {claim.value, behaviour.kinds[0]} == {PULSE, RANDOM}:
        return Scored(HALF, words(f"mark.kind.half.{behaviour.kinds[0]}"))
    if claim.value == STEADY and behaviour.base_a > HEALTHY_A:
        return Scored(HALF, words("mark.kind.part", base=shown(behaviour.base_a, CURRENT)))
    if claim.value == STEADY:
        return Scored(NOTHING, words("mark.kind.missed"))
    return Scored(NOTHING, words("mark.kind.steady"))


def current(claim: Claim, behaviour: Behaviour, own_a: float, rules: Rules) -> Scored:
    """The level above the fault's own base, or with it; own_a: the vehicle's own draw asleep."""
    if not claim.known:
        return Scored(NOTHING, _no_answer(claim.why, rules.words))
    low_a, high_a = behaviour.level_a
    targets = [(low_a, high_a)]
    if behaviour.base_a:
        targets.append((low_a + behaviour.base_a, high_a + behaviour.base_a))
    found = _value(claim, targets, CURRENT, rules)
    if found.share or low_a <= 0:
        return found
    within = rules.allowed[CURRENT].around(high_a)
    value = _middle(claim)
    if abs(value - (high_a + behaviour.base_a + own_a)) <= within:
        return Scored(HALF, rules.words("mark.current.own", own=shown(own_a, CURRENT)))
    base_a = behaviour.base_a
    if base_a > HEALTHY_A and abs(value - base_a) <= rules.allowed[CURRENT].around(base_a):
        return Scored(HALF, rules.words("mark.current.base", level=shown(high_a, CURRENT)))
    if not behaviour.steady and abs(value - behaviour.mean_a) <= max(
        within * behaviour.mean_a / high_a, 1e-9
    ):
        return Scored(NOTHING, rules.words("mark.current.mean", mean=shown(behaviour.mean_a, CURRENT)))
    return found


def duration(claim: Claim, behaviour: Behaviour, rules: Rules) -> Scored:
    """How long a pulse lasts."""
    if not claim.known:
        return Scored(NOTHING, _no_answer(claim.why, rules.words))
    return _timed(claim, behaviour.duration_s, [behaviour.duration_s], "duration", rules)


def interval(claim: Claim, behaviour: Behaviour, rules: Rules) -> Scored:
    """How often pulses come: from start to start; of irregular ones the pause as well."""
    words = rules.words
    if not claim.known:
        return Scored(NOTHING, _no_answer(claim.why, words))
    if not behaviour.regular:
        ways = [behaviour.gap_s] if claim.off else [behaviour.period_s, behaviour.gap_s]
        return _timed(claim, ways[0], ways, "interval", rules)
    target = behaviour.gap_s if claim.off else behaviour.period_s
    found = _timed(claim, target, [target], "interval", rules)
    if found.share:
        return found
    period_s, pause_s = float(np.median(behaviour.period_s)), float(np.median(behaviour.gap_s))
    within = rules.allowed["interval"]
    value = _middle(claim)
    if not claim.off and abs(value - pause_s) <= within.around(pause_s):
        return Scored(HALF, words("mark.interval.pause", truth=shown(period_s, "interval")))
    times = round(value / period_s)
    if times in (2, 3, 4) and abs(value / times - period_s) <= within.around(period_s):
        return Scored(NOTHING, words("mark.interval.missed", times=times, truth=shown(period_s, "interval")))
    return found


def _timed(claim: Claim, typical: Floats, ways: Sequence[Floats], item: str, rules: Rules) -> Scored:
    """A duration or distance that is one value where the box's are alike, a range where they vary."""
    within = rules.allowed[item]
    middle = float(np.median(typical))
    if float(np.ptp(typical)) <= 2 * within.around(middle):
        return _value(claim, [(float(np.min(way)), float(np.max(way))) for way in ways], item, rules)
    found = [_range(claim, way, item, rules) for way in ways]
    best = max(found, key=lambda one: one.share or 0.0)
    if best.share:
        return best

    def right(other: Claim) -> bool:
        return any(_range(other, way, item, rules).share == RIGHT for way in ways)

    return _slipped(claim, item, rules, right) or best


def _value(claim: Claim, targets: Sequence[tuple[float, float]], item: str, rules: Rules) -> Scored:
    """A claim against one value (or any of several, each known to lie between two)."""
    words, within = rules.words, rules.allowed[item]

    def parts(target: tuple[float, float]) -> float:
        return _off(claim, target) / max(within.around(target[1]), 1e-12)

    nearest = min(targets, key=parts)
    off = parts(nearest)
    truth = shown(targets[0][1], item)
    if _hits(claim, targets, within):
        return Scored(RIGHT, _read(words("mark.value.right"), claim.how, words))
    if off <= 1:
        return Scored(HALF, words("mark.value.wide", truth=truth))
    if off <= NEARLY:
        percent, whole = _percent(claim, nearest[1]), shown(nearest[1], item)
        with_base = item == CURRENT and nearest is not targets[0]
        key = "mark.value.nearly_base" if with_base else "mark.value.nearly"
        return Scored(HALF, words(key, percent=percent, truth=truth, whole=whole))
    slipped = _slipped(claim, item, rules, lambda other: _hits(other, targets, within))
    if slipped is not None:
        return slipped
    target = targets[0][1]
    over, times, percent = _middle(claim) > target, _times(claim, target), _percent(claim, target)
    if float(times) < DOUBLE:
        return Scored(
            NOTHING, words(f"mark.value.{'above' if over else 'below'}", percent=percent, truth=truth)
        )
    return Scored(NOTHING, words(f"mark.value.{'high' if over else 'low'}", times=times, truth=truth))


def _hits(claim: Claim, targets: Sequence[tuple[float, float]], within: Allowed) -> bool:
    """Whether the claim is right: near enough, and no range that is too wide to say anything."""
    wide = float(claim.high or 0) - float(claim.low or 0)
    return any(
        _off(claim, target) <= within.around(target[1]) and wide <= WIDTHS * within.around(target[1])
        for target in targets
    )


def _off(claim: Claim, target: tuple[float, float]) -> float:
    """How far the claim is from the target; none where they overlap."""
    low, high = float(claim.low or 0), float(claim.high or 0)
    return max(0.0, target[0] - high, low - target[1])


def _range(claim: Claim, values: Floats, item: str, rules: Rules) -> Scored:
    """A claim against values that vary."""
    words, within = rules.words, rules.allowed[item]
    least, most = float(np.min(values)), float(np.max(values))
    truth = f"{shown(least, item)} .. {shown(most, item)}"
    low, high = float(claim.low or 0), float(claim.high or 0)

    def margin(end: float) -> float:
        return max(within.around(end), BEYOND * (most - least))

    if not claim.is_range:
        mean = float(np.mean(values))
        spread = float(np.std(values)) / MEAN_OF**0.5
        if abs(low - mean) <= max(within.around(mean), spread):
            return Scored(RIGHT, _read(words("mark.range.mean", truth=truth), claim.how, words))
        if least - margin(least) <= low <= most + margin(most):
            return Scored(HALF, words("mark.range.one", truth=truth))
        return Scored(NOTHING, words("mark.range.outside", truth=truth))
    held = np.mean((values >= low - within.around(low)) & (values <= high + within.around(high)))
    inside = low >= least - margin(least) and high <= most + margin(most)
    if held >= HOLDS and inside:
        return Scored(RIGHT, _read(words("mark.range.right", truth=truth), claim.how, words))
    if held >= HOLDS and high - low <= WIDE * (most - least):
        return Scored(HALF, words("mark.range.wide", truth=truth))
    if held >= SOME and inside:
        return Scored(HALF, words("mark.range.narrow", truth=truth))
    return Scored(NOTHING, words("mark.range.outside", truth=truth))


def _slipped(claim: Claim, item: str, rules: Rules, right: Callable[[Claim], bool]) -> Scored | None:
    """The score of an answer that would be right but for a power of a thousand or sixty; None for others."""
    for factor in DIMENSION_SLIPS[item]:
        for scale in (factor, 1 / factor):
            low, high = ((end or Fraction(0)) * _exact(scale) for end in (claim.low, claim.high))
            other = replace(claim, low=low, high=high)
            if right(other):
                way = "mark.slip.small" if scale > 1 else "mark.slip.large"
                slip = rules.words(way, factor=f"{factor:g}")
                return Scored(UNIT_SHARES[rules.units], slip + " " + rules.words(f"mark.slip.{rules.units}"))
    return None


def _exact(scale: float) -> Fraction:
    return Fraction(scale).limit_denominator(10**7)


def _middle(claim: Claim) -> float:
    return (float(claim.low or 0) + float(claim.high or 0)) / 2


def _percent(claim: Claim, truth: float) -> str:
    return f"{100 * abs(_middle(claim) / truth - 1):.0f}" if truth else ""


def _times(claim: Claim, truth: float) -> str:
    """By what factor the claim is off, above one."""
    ratio = _middle(claim) / truth if truth else 1.0
    times = max(ratio, 1 / ratio) if ratio else 0.0
    return f"{times:.0f}" if times >= TEN else f"{times:.2g}"


def _no_answer(why: Message | None, words: Words) -> str:
    return words("mark.none") if why in (None, NO_ANSWER) else words("mark.unreadable", why=words.text(why))


def _read(comment: str, how: tuple[Message, ...], words: Words) -> str:
    """The comment, and how the answer was read where it wasn't plain."""
    return f"{comment} ({words.joined(how)})" if how else comment
