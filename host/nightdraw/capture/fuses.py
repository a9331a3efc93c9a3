"""The fuse that carries the draw: one verdict over a fuse box from several recordings of a few fuses each.

Theory of operation. Every recording has the clamp and some fuses. The draw is the kind of pulse that comes
back in most recordings; where several do, the one with most energy (level squared by time). For each fuse the
steps of its drop at those pulses give the resistance that the draw would run through, R, by a
bounded-influence estimate (Huber 1964), whose uncertainty comes from the same looks at instants without a
pulse; recordings of one fuse are weighed by it.
Either R is the fuse's own resistance, as far as fuses of one rating differ, or nothing, as far as noise and
what leaks from one input into another go; or, rarely, a part of the resistance: other loads' pulses are of
the same kind, or overlap the draw's, and the fuse carries some of them only. That names nobody, but nothing
clears a fuse that moves. The likelihoods (Student's t: chance is known from a limited number of looks) and
equal priors over all fuses and "none of these" give the confidences (Bayes). Two fuses in a row carry the
same draw: the one of the larger resistance lies behind, and is named.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy import stats

from nightdraw import units
from nightdraw.bank.parts import blade_fuses as blades
from nightdraw.capture import correlation as cor
from nightdraw.capture.events import see
from nightdraw.capture.read import Recording
from nightdraw.capture.seen import Floats, Ints, Seen
from nightdraw.errors import CannotTellError, Finding, InputError, nearest

SURE = 0.95  # a name, or "none of these", needs this confidence
CARRIES = 20.0  # times likelier to carry the draw than not, and
CARRIES_Z = 3.5  # so many standard uncertainties above nothing: such a fuse carries it
LEAST_LOOKS = 8  # whose scatter about their own mean stands for chance
BEHIND = 1.5  # times the other's resistance: then it is clear which of two in a row lies behind
RARE = 0.25  # of how often the draw comes in most recordings: less is no evidence for or against anyone
LEAST_EVENTS = 3  # fewer may meet by chance whatever else a fuse does
TOLERANCE = 0.25  # fuses of one rating differ by this ratio, standard deviation (cheap ones; judgement)
POINTS = 41  # of that distribution
STEP = 0.05  # from point to point
LEAK = 0.03  # of a neighbour's signal in a recorder's input, standard deviation (judgement)
UNKNOWN_OHM = np.geomspace(1.4e-3, 0.13, 40)  # a fuse of unknown rating: 40 A to 1 A, each ratio as likely
CLIP = 1.5  # standard deviations: a look further off has the influence of one that far (Huber's k)
NORMAL = stats.norm.ppf((np.arange(POINTS) + 0.5) / POINTS)
PARTS = np.linspace(0.25, 0.9, 9)  # of the pulses: less is what a fuse's own loads do at the same time
MIXED = 0.003  # prior of that, against carrying none: of twelve fuses one in thirty does
DOF = (4.0, 30.0)  # degrees of freedom of chance at the least and the most
ROUNDS = 30


@dataclass(frozen=True)
class Fuse:
    """A fuse's column, and its resistance (ohm) where it is known, with the words for where from."""

    name: str
    ohms: float | None
    source: str


@dataclass(frozen=True)
class Verdict:
    """One fuse: by how much its drop rises with the draw (mV) with its standard uncertainty, the current that
    this is (mA, None where the resistance isn't known), how sure it is that it carries the draw (0 .. 1), and
    whether it feeds the one that does."""

    fuse: Fuse
    rise_mv: float
    rise_u_mv: float
    confidence: float
    feeds: bool = False

    @property
    def current_ma(self) -> float | None:
        """The current that the rise is."""
        return None if self.fuse.ohms is None else self.rise_mv / self.fuse.ohms

    def document(self) -> dict[str, object]:
        """For programs."""
        current = self.current_ma
        return {
            "name": self.fuse.name,
            "rise_mv": round(self.rise_mv, 5),
            "current_ma": None if current is None else round(current, 3),
            "confidence": round(self.confidence, 4),
        }

    def text(self) -> str:
        """For people."""
        current = "" if self.current_ma is None else f" = {self.current_ma:.1f} mA by {self.fuse.source}"
        text = f"{self.fuse.name}: rises by {self.rise_mv:.4g} +- {self.rise_u_mv:.2g} mV{current}"
        return f"{text}, {self.confidence:.1%}" + (", feeds the culprit" if self.feeds else "")


@dataclass(frozen=True)
class Culprit:
    """The verdict over all fuses. name: the one that carries the draw, None where none or more than one may;
    none_of_these: how sure it is that none of them does; level_ma, events: of the draw in the clamp."""

    name: str | None
    fuses: tuple[Verdict, ...]
    none_of_these: float
    events: int
    level_ma: float
    notes: tuple[str, ...]

    @property
    def known(self) -> bool | None:
        """True: a fuse is named; False: none of these; None: it can't be told."""
        if self.name is not None:
            return True
        return False if self.none_of_these >= SURE else None

    def document(self) -> dict[str, object]:
        """The contract's keys, and the level that the clamp shows, and notes."""
        return {
            "culprit": self.name,
            "fuses": [one.document() for one in self.fuses],
            "none_of_these": round(self.none_of_these, 4),
            "events": self.events,
            "level_ma": round(self.level_ma, 3),
            "notes": list(self.notes),
        }

    def text(self) -> str:
        """For people."""
        verdicts = {True: f"{self.name} carries the draw", False: "none of these fuses carries the draw"}
        head = verdicts.get(self.known is True, "") if self.known is not None else "it can't be told"
        lines = [f"{head}: {self.events} events of {self.level_ma:.4g} mA in the clamp"]
        lines += [one.text() for one in sorted(self.fuses, key=lambda one: -one.confidence)]
        lines.append(f"none of these: {self.none_of_these:.1%}")
        return "\n".join([*lines, *(f"note: {note}" for note in self.notes)])


def parse(text: str) -> tuple[Fuse, ...]:
    """The fuses of `COLUMN:10A-F,COLUMN:7.7mohm,...`; raises InputError for what isn't one."""
    found = tuple(_fuse(part.strip()) for part in text.split(",") if part.strip())
    names = sorted(one.name for one in found)
    doubled = [one for one, other in pairwise(names) if one == other]
    if doubled or not found:
        raise InputError(f"--fuses: {doubled[0]} stands there twice" if doubled else "--fuses names no fuse")
    return found


def _fuse(text: str) -> Fuse:
    name, _, what = text.rpartition(":")
    if not name:
        hint = "a column and its fuse are written like F7:10A-F, F7:10A (type F) or F7:7.7mohm"
        raise InputError(Finding(f"--fuses: {units.shown(text)} names no fuse", hint=hint))
    try:
        if what.endswith("ohm"):
            milli = what.endswith("mohm")
            value = units.parse(what.removesuffix("mohm") + "ohm" if milli else what, "resistance")
            ohms = float(value) * (1e-3 if milli else 1.0)
            if ohms <= 0:
                raise InputError(f"--fuses: {name} must have a resistance above zero")
            return Fuse(name, ohms, f"{ohms * 1e3:.4g} milliohm")
        rating, _, kind = what.partition("-")
        kind = kind or blades.MINIATURE
        amperes = float(units.parse(rating, "current"))
    except units.QuantityError as error:
        raise InputError(f"--fuses: {name}: {error}") from None
    if kind not in blades.NAMES:
        raise InputError(f"--fuses: {name}: type {units.shown(kind)} isn't one of {', '.join(blades.NAMES)}")
    mohm, source = blades.cold_mohm(kind, amperes)
    if mohm is None:
        hint = f"type {kind} has {', '.join(f'{one:g}' for one in blades.RATINGS[kind])} A; or give its mohm"
        raise InputError(Finding(f"--fuses: {name}: {source}: {amperes:g} A-{kind}", hint=hint))
    return Fuse(name, mohm / 1e3, f"{mohm:g} milliohm, {source}")


@dataclass(frozen=True)
class Capture:
    """One recording: its clamp, and the drops across some fuses."""

    clamp: Recording
    drops: tuple[Recording, ...]


def culprit(captures: Sequence[Capture], fuses: Sequence[Fuse] | None) -> Culprit:
    """Which fuse carries the draw; fuses: what is known of them (None: every drop, of unknown resistance).

    Raises InputError for a fuse that no recording has, CannotTellError where no clamp shows LEAST_EVENTS of
    anything.
    """
    known = _known(captures, fuses)
    seen, notes = _clamps(captures)
    on = {k: cor.on_times(one) for k, one in seen.items()}
    kind, draw = _draw(list(on.values()))
    level = np.concatenate([one.level for one in on.values()])[np.concatenate(kind) == draw]
    if len(level) < LEAST_EVENTS:
        message = f"{len(level)} events of one kind in the clamp: fewer than {LEAST_EVENTS} may be chance"
        hint = "record for longer; a steady draw has no events: measure each fuse's drop by itself"
        raise CannotTellError(Finding(message, captures[0].clamp.name, hint=hint))
    others = sum(len(one) for one in kind) - len(level)
    if others:
        notes.append(f"{others} other events in the clamp are not of this draw")
    evidence: dict[str, list[tuple[float, float, float]]] = {fuse.name: [] for fuse in known}
    draws = {k: on[k].take(numbers == draw) for k, numbers in zip(seen, kind, strict=True)}
    often = {k: len(draws[k]) / max(clamp.length_s, 1e-12) for k, clamp in seen.items()}
    least = RARE * float(np.median([rate for rate in often.values() if rate]))
    for k, clamp in seen.items():
        if often[k] < least:  # what is left there of the draw's kind may be others' edges that happen to pair
            notes.append(f"{clamp.name} left out: hardly ever the draw by itself, another load goes with it")
            continue
        for drop in captures[k].drops:
            if drop.channel in evidence:
                found = cor.coincidences(clamp, draws[k], drop, np.zeros(len(draws[k]), dtype=np.int64))
                rows = (_resistance(one) for one in found.values())
                evidence[drop.channel] += [row for row in rows if row is not None]
    return _judge(known, evidence, level, notes)


def _known(captures: Sequence[Capture], fuses: Sequence[Fuse] | None) -> list[Fuse]:
    columns = list(dict.fromkeys(drop.channel for capture in captures for drop in capture.drops))
    if not columns:
        hint = "a fuse's drop is a column of millivolts beside the clamp's current"
        raise InputError(Finding("no recording has a drop across a fuse", captures[0].clamp.name, hint=hint))
    if fuses is None:
        return [Fuse(name, None, "") for name in columns]
    for fuse in fuses:
        if fuse.name not in columns:
            hint = nearest(fuse.name[:60], columns) or f"drops: {', '.join(columns)}"
            raise InputError(Finding(f"--fuses: no recording has the column {fuse.name!r}", hint=hint))
    return list(fuses)


def _clamps(captures: Sequence[Capture]) -> tuple[dict[int, Seen], list[str]]:
    """What each clamp saw, by the recording's place, and what could not be used."""
    seen, notes = {}, list[str]()
    for k, capture in enumerate(captures):
        try:
            seen[k] = see(capture.clamp)
        except CannotTellError as error:
            notes.append(f"{capture.clamp.name} left out: {error.findings[0].message}")
    if not seen:
        raise CannotTellError(Finding(notes[0], hint="none of the recordings shows what the clamp saw"))
    return seen, notes


def _draw(on: list[cor.OnTimes]) -> tuple[list[Ints], int]:
    """The kind of each clamp's on-times, alike in all recordings, and the one that is the draw: what is there
    more than once in most recordings, then what has most energy."""
    # by charge a lamp that blinks all day would outweigh a fault
    energies = np.concatenate([one.charge * one.level for one in on])
    of_all = cor.kinds(np.concatenate([one.level for one in on]), energies)
    kind = list(np.split(of_all, np.cumsum([len(one) for one in on])[:-1]))
    best, draw, most = (0, 0.0), -1, len(on) // 2 + 1
    for number in np.unique(of_all):
        habits = sum(int(np.count_nonzero(numbers == number) > 1) for numbers in kind)
        # another load may hide the draw in all of a recording: in most of them is enough
        rank = min(habits, most), float(energies[of_all == number].sum())
        if rank > best:
            best, draw = rank, int(number)
    return kind, draw


def _resistance(one: cor.Coincidence) -> tuple[float, float, float] | None:
    """What the draw would run through (ohm), its standard uncertainty, and how many looks that rests on; None
    where so few looks say nothing of chance.

    Each look is weighed by the noise that it lets through, for some windows are short. Huber's estimate: a
    load of the fuse's own that falls into a look must not outweigh all others, as it does in a mean; its
    uncertainty is the asymptotic one, with the looks without an edge as the distribution.
    """
    step, level = one.step / one.spread, one.level_ma / one.spread
    idle = (one.idle[0] + one.idle[1]) / 2 / one.idle[2]
    ohms = float(np.median(one.step / one.level_ma))
    if len(idle) < cor.LEAST_SHIFTED:  # no room between the edges: how they scatter about their own mean
        idle = step - ohms * level
        if len(idle) < LEAST_LOOKS:
            return None
    scale = max(float(np.median(np.abs(idle - np.median(idle)))) / 0.6745, cor.LEAST_MV)
    for _ in range(ROUNDS):
        weight = np.minimum(1.0, CLIP * scale / np.maximum(np.abs(step - ohms * level), 1e-30))
        ohms = float(np.sum(weight * level * step) / np.sum(weight * level**2))
    bounded = np.clip(idle, -CLIP * scale, CLIP * scale)
    linear = max(float(np.mean(np.abs(idle) <= CLIP * scale)), 0.1)
    ohms_u = float(np.sqrt(np.mean(bounded**2) / np.sum(level**2))) / linear
    return ohms, ohms_u, float(len(idle))


def _judge(
    known: list[Fuse], evidence: dict[str, list[tuple[float, float, float]]], level: Floats, notes: list[str]
) -> Culprit:
    """Weigh the fuses against each other and against none of them."""
    ohms, ohms_u, ratio, mixed = (np.zeros(len(known)) for _ in range(4))
    for k, fuse in enumerate(known):
        rows = np.array(evidence[fuse.name]).reshape(len(evidence[fuse.name]), 3)
        if not len(rows):
            notes.append(f"{fuse.name}: not one event could be looked at")
            ohms_u[k], ratio[k] = np.inf, 1.0
            continue
        weight = 1 / np.maximum(rows[:, 1], 1e-12) ** 2
        ohms[k], ohms_u[k] = np.sum(weight * rows[:, 0]) / np.sum(weight), 1 / np.sqrt(np.sum(weight))
        dof = float(np.clip(rows[:, 2].sum() / 3, *DOF))  # looks overlap: three make one
        ratio[k], mixed[k] = _ratios(float(ohms[k]), float(ohms_u[k]), fuse.ohms, dof)
    carries = np.flatnonzero((ratio > CARRIES) & (ohms > CARRIES_Z * ohms_u))
    behind, feeds = _in_a_row(known, ohms, carries)
    weighed = np.where(np.isin(np.arange(len(known)), feeds), 0.0, ratio)
    parts = MIXED * np.where(np.isin(np.arange(len(known)), [*feeds, *carries]), 0.0, mixed)
    total = 1 + weighed.sum() + parts.sum()
    typical_ma = float(np.median(level))
    verdicts = tuple(
        Verdict(
            fuse=fuse,
            rise_mv=float(ohms[k]) * typical_ma,
            rise_u_mv=float(ohms_u[k]) * typical_ma if np.isfinite(ohms_u[k]) else 0.0,
            confidence=float(weighed[k] / total),
            feeds=k in feeds,
        )
        for k, fuse in enumerate(known)
    )
    if parts.sum() > (1 - SURE) * total:
        notes.append(
            f"{known[int(np.argmax(parts))].name} moves with some of these pulses: other loads' are alike, "
            "or overlap them; record when less is awake"
        )
    if len(carries) > 1 and behind is None:
        notes.append(f"{' and '.join(known[k].name for k in carries)} carry the same draw alike")
    sure = behind is not None and verdicts[behind].confidence >= SURE
    unseen = [fuse for k, fuse in enumerate(known) if np.isinf(ohms_u[k])]
    if sure and behind is not None and any(_may_lie_behind(fuse, known[behind]) for fuse in unseen):
        notes.append(f"{known[behind].name} carries the draw; a fuse that wasn't looked at may lie behind it")
        sure = False
    name = known[behind].name if behind is not None and sure else None
    if name is not None and behind is not None:
        notes += _remarks(verdicts[behind], typical_ma)
    return Culprit(name, verdicts, float(1 / total), len(level), typical_ma, tuple(notes))


def _ratios(ohms: float, ohms_u: float, known: float | None, dof: float) -> tuple[float, float]:
    """How much likelier the drop is if the fuse carries the draw than if it doesn't, and if it carries some
    of its pulses."""
    leaks = LEAK * known if known is not None else cor.LEAST_OHM
    not_it = max(float(stats.t.pdf(ohms, dof, 0.0, np.hypot(ohms_u, leaks))), 1e-300)
    # Lognormal: no fuse is without resistance, so that a drop that stays away speaks against each of them.
    may_be = UNKNOWN_OHM if known is None else known * np.exp(TOLERANCE * NORMAL)

    def likelihood(of_ohm: Floats) -> float:
        return float(np.mean(stats.t.pdf(ohms, dof, of_ohm, np.hypot(ohms_u, STEP * of_ohm))))

    return likelihood(may_be) / not_it, likelihood(np.outer(PARTS, may_be).ravel()) / not_it


def _in_a_row(known: list[Fuse], ohms: Floats, carries: Ints) -> tuple[int | None, list[int]]:
    """Of the fuses that carry the draw the one that lies behind the others, and the others: it is the one of
    clearly the larger resistance. None where two are alike."""
    if not len(carries):
        return None, []
    size = np.array([known[k].ohms or ohms[k] for k in carries])
    order = carries[np.argsort(-size)]
    if len(order) > 1 and np.sort(size)[-1] < BEHIND * np.sort(size)[-2]:
        return None, []
    return int(order[0]), [int(k) for k in order[1:]]


def _may_lie_behind(fuse: Fuse, other: Fuse) -> bool:
    return fuse.ohms is None or other.ohms is None or fuse.ohms >= BEHIND * other.ohms


def _remarks(named: Verdict, level_ma: float) -> list[str]:
    """What doesn't fit the name."""
    current = named.current_ma
    if current is None or abs(current / level_ma - 1) <= 2 * TOLERANCE:
        return []
    return [
        f"{named.fuse.name} carries {current:.4g} mA by its resistance where the clamp shows {level_ma:.4g} "
        "mA: is its rating right?"
    ]
