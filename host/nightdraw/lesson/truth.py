"""What a group's box did, in the words of an answer: where, of which kind, how much, how long, how often.

The journal is what counts; the profile says only how the draws were meant (regular or irregular), which a few
pulses can't. Where a journal is missing, what was asked stands in for it, and that is noted.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from nightdraw.capture import accounts, kinds
from nightdraw.capture.accounts import TICK_S, Account, Asked
from nightdraw.capture.journal import Did
from nightdraw.capture.seen import Floats
from nightdraw.lesson.claims import PULSE, RANDOM, STEADY
from nightdraw.profile import Profile
from nightdraw.profile.model import Pulse, Random, Replay
from nightdraw.report.words import Message

APART_S = 1.0  # between two power cycles on one axis: any distance does, for none counts across it
EXACT_S = 1e-4  # a journal's instants are whole ticks
SWITCH_FAULTS = ("switch-on", "switch-open")  # what a box noticed: its current isn't the one that it reports
NONE = np.empty(0)


@dataclass(frozen=True)
class Behaviour:
    """One way in which the fault draws. kinds: the words that are right for it, best first; level_a: above
    the fault's own base, a pulse's mean and its peak; base_a: what the fault draws between pulses; each
    pulse's duration, and each distance from start to start and from end to start, in seconds."""

    kinds: tuple[str, ...]
    level_a: tuple[float, float]
    base_a: float
    duration_s: Floats
    period_s: Floats
    gap_s: Floats

    @property
    def steady(self) -> bool:
        """Whether it has no pulses."""
        return self.kinds[0] == STEADY

    @property
    def regular(self) -> bool:
        """Whether its pulses come at a period."""
        return self.kinds[0] == PULSE

    @property
    def mean_a(self) -> float:
        """What it draws on average, base included."""
        if not len(self.period_s):
            return self.base_a + self.level_a[0] * (not len(self.duration_s))
        duty = float(np.mean(self.duration_s) / np.mean(self.period_s))
        return self.base_a + self.level_a[0] * min(duty, 1.0)


@dataclass(frozen=True)
class Truth:
    """What a group was to find. behaviours: every way in which the fault draws, the commonest first; none
    where the box never ran; notes: what a reader should know; ran_s: how long it surely played; out_s: from
    the run's start to the first loss of its power (None: there was none), which is when its fuse was first
    pulled; level_known: False where the box noticed that a switch didn't follow."""

    fuse: str
    feed: str
    behaviours: tuple[Behaviour, ...]
    notes: tuple[Message, ...] = ()
    ran_s: float = 0.0
    out_s: float | None = None
    level_known: bool = True


def of_journal(did: Did, profile: Profile, fuse: str, feed: str) -> Truth:
    """The truth by a journal; profile: as the box was to play it."""
    parts = [_whole(cycle) for cycle in did.cycles if cycle.began]
    notes: list[Message] = []
    if did.profile and did.profile != profile.name:
        notes.append(Message.of("note.other_profile", played=did.profile, asked=profile.name))
    if not parts:
        notes.append(Message.of("note.never_drew"))
    flags = [event.record.get("fault") for event in did.events if event.kind == "flag"]
    flagged = any(fault in SWITCH_FAULTS for fault in flags)
    if flagged:
        notes.append(Message.of("note.switch"))
    if len(did.lost.from_s):
        notes.append(Message.of("note.lost"))
    ran_s = float(sum(np.sum(part.lasting_s) for part in parts))
    behaviours = _behaviours(parts, profile) if parts else ()
    return Truth(fuse, feed, behaviours, tuple(notes), ran_s, _out_s(did), not flagged)


def of_profile(profile: Profile, run_s: float, fuse: str, feed: str) -> Truth:
    """The truth by what was asked, for `run_s` seconds: there is no journal."""
    account = Asked(profile.program(), 1, profile.board.own_ua).account(run_s)
    notes = (Message.of("note.no_journal"),)
    return Truth(fuse, feed, _behaviours([account], profile), notes, float(account.end_s))


def _whole(did: Did) -> Account:
    """A power cycle's account without the time in which the box kept its switches open. The last level of a
    journal that goes no further was there, if only for a tick."""
    account = replace(did.account, level_ma=_made_ma(did))
    account = replace(account, end_s=max(account.end_s, float(account.t_s[-1]) + TICK_S))
    stop_s = min((spell.from_s for spell in did.spells), default=np.inf)
    if stop_s >= account.end_s or any(np.isfinite(spell.to_s) for spell in did.spells):
        return account
    kept = account.t_s < stop_s
    if not kept.any():
        return Account(account.t_s[:1], account.level_ma[:1], float(account.t_s[0]), account.idle_ma)
    return Account(account.t_s[kept], account.level_ma[kept], float(stop_s), account.idle_ma)


def _made_ma(did: Did) -> Floats:
    """What the switches really made of each level at the supply that the box measured: a bank has steps, and
    what students measure is what flowed. Records without a supply keep the level that was wanted."""
    made = np.full(len(did.pattern), did.own_ma)
    for channel, ns in enumerate(did.channels_ns):
        made += np.where(did.pattern >> channel & 1, ns * did.supply_mv * 1e-9, 0.0)
    return np.where(did.supply_mv > 0, made, did.account.level_ma)


def _out_s(did: Did) -> float | None:
    """When the box first lost its power, on the run's clock."""
    first = did.cycles[0]
    gone = [event.t_s for event in first.events if event.kind == "gone"]
    if gone:
        return gone[0]
    return float(first.account.end_s) if first.cycle.cut else None


def _meant(profile: Profile) -> tuple[str, ...]:
    """The kinds that the profile's draws are, steady ones aside where others are there."""
    found: list[str] = []
    for draw in profile.draws:
        if isinstance(draw, Pulse):
            found.append(PULSE)
        elif isinstance(draw, Random):
            found.append(RANDOM)
        elif isinstance(draw, Replay) and len(draw.levels) > 1:
            # What comes once and goes away is none of the three words: each says something of it.
            found += [PULSE, RANDOM] + ([STEADY] if draw.repeat == 1 else [])
    return tuple(dict.fromkeys(found)) or (STEADY,)


def _behaviours(parts: Sequence[Account], profile: Profile) -> tuple[Behaviour, ...]:
    meant = _meant(profile)
    trains = [part.train() for part in parts]
    lasting = np.array([float(np.sum(part.lasting_s)) for part in parts])
    base_a = float(np.average([train.base_ma for train in trains], weights=np.maximum(lasting, 1e-9))) / 1000
    if meant == (STEADY,):
        level_a = (
            float(np.average([part.mean_ma for part in parts], weights=np.maximum(lasting, 1e-9))) / 1000
        )
        return (Behaviour((STEADY,), (level_a, level_a), 0.0, NONE, NONE, NONE),)
    rows = [_pulses(part, train) for part, train in zip(parts, trains, strict=True)]
    start, duration, mean, peak = (np.concatenate(column) for column in zip(*rows, strict=True))
    # Parts of a run lie on clocks of their own: across their borders no distance counts.
    shift = np.cumsum([0.0, *(part.end_s + APART_S for part in parts[:-1])])
    borders = shift[1:] - APART_S / 2
    start = start + np.repeat(shift, [len(row[0]) for row in rows])
    found = kinds.kinds(start, duration, peak, np.zeros(len(start)), borders, EXACT_S)
    behaviours = [_behaviour(kind, meant, (start, duration, mean, peak), borders, base_a) for kind in found]
    if not behaviours:
        return (Behaviour(meant, (0.0, 0.0), base_a, NONE, NONE, NONE),)
    return tuple(behaviours)


def _pulses(part: Account, train: accounts.Train) -> tuple[Floats, Floats, Floats, Floats]:
    """Start, duration, mean and peak above the base of each pulse."""
    peak = np.array(
        [part.level_ma[a : b + 1].max() for a, b in zip(train.first, train.last, strict=True)], dtype=float
    )
    return train.start_s, train.duration_s, train.level_ma, peak - train.base_ma


def _behaviour(
    kind: kinds.Kind,
    meant: tuple[str, ...],
    rows: Iterable[Floats],
    borders_s: Floats,
    base_a: float,
) -> Behaviour:
    start, duration, mean, peak = (column[kind.rows] for column in rows)
    same = np.searchsorted(borders_s, start[1:]) == np.searchsorted(borders_s, start[:-1])
    law = {kinds.PERIODIC: PULSE, kinds.RANDOM: RANDOM}.get(kind.law)
    words = tuple(sorted(meant, key=lambda word: word != law))
    level_a = float(np.median(mean)) / 1000, float(np.median(peak)) / 1000
    periods = np.diff(start)[same]
    if words[0] == PULSE and kind.period_s is not None:
        # Another draw's pulse that lies over one of these hides it: whole periods count once.
        periods = np.array([kind.period_s])
    gaps = (start[1:] - (start + duration)[:-1])[same]
    return Behaviour(words, (min(level_a), max(level_a)), base_a, duration, periods, gaps)
