"""A recording on trial: held against the journal, or against what was asked where there is no journal.

The order matters: first the clocks, then one broken channel that would explain everything, and only what that
leaves unexplained is told pulse by pulse.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from nightdraw.capture import against, company, culprit, faults, footing, judge, timing
from nightdraw.capture import differences as df
from nightdraw.capture.accounts import Course, Did, Train
from nightdraw.capture.against import Seen
from nightdraw.capture.align import Clock
from nightdraw.capture.case import Case
from nightdraw.capture.company import Circuit, Edges
from nightdraw.capture.differences import Difference
from nightdraw.capture.faults import Diagnosis, Fault
from nightdraw.capture.judge import Reference
from nightdraw.capture.match import match
from nightdraw.capture.moves import moves
from nightdraw.capture.pulses import Pulses
from nightdraw.capture.read import Recording
from nightdraw.capture.seen import Bools, Floats, Ints

TOGETHER_S = 1.0  # a recording whose own zero is this near to the run's was started with it
AWAKE_S = 0.2  # after its power came the box draws its own consumption, whatever inrush there was
MOST_TOLD = 0.5  # of the pulses must be seen among other loads, or nothing is said
ABSENT = 0.25  # of an edge may be seen where none is: noise, or a small move of another load
LIKE = 0.1  # a pulse within this of the box's own level and duration may be the box's
BROKEN = 0.5  # of a channel's current
NEARLY = 0.1  # a broken channel's edges are off by its current within a tenth
CLEAR = 5.0  # deviations by which an edge must show a channel to speak for it


@dataclass(frozen=True)
class Held:
    """told: False where the recording can't speak about the run; broken: the channel that was found to be,
    its row is the first; nothing: it shows nothing of the run."""

    told: bool
    differences: list[Difference]
    broken: Diagnosis | None
    notes: list[str]
    nothing: bool = False


def reference_of(asked: Course | None, did: Did | None) -> Reference:
    """What the recording is held against."""
    course = did.course if did is not None else asked
    assert course is not None
    train = course.train()
    if asked is None or did is None:
        name = "did" if did is not None else "asked"
        return Reference(name, course, train, None, np.arange(len(train)), asked)
    wanted = asked.train()
    here, there = match(wanted.start_s, wanted.end_s, train.start_s, train.end_s)
    asked_of = np.full(len(train), -1)
    asked_of[there] = here
    return Reference("did", course, train, wanted, asked_of, asked)


def hold(
    reference: Reference,
    did: Did | None,
    recording: Recording,
    pulses: Pulses,
    clock: Clock,
    circuit: Circuit = company.ALONE,
) -> Held:
    """Everything in which the recording differs from the reference."""
    others = moves(reference.course, clock, pulses)
    busy = circuit.shared or len(others) >= company.BUSY
    case = Case(reference, did, pulses, clock, circuit, others, busy)
    seen = against.look(
        reference.course, clock, recording, pulses, others if busy else None, _alive_s(did) if busy else None
    )
    seen = seen.without(case.lost.touches(reference.course.t_s, reference.course.until_s))
    if not seen.count.any():
        return Held(False, [], None, ["the recording shows nothing of the run"], nothing=True)
    rows = []
    suspects: judge.Suspects = _nobody
    broken = culprit.diagnose(case, seen) if did is not None else None
    if did is not None and broken is not None:
        effect = broken.fault.effect_ma(did.channels_ns, did.pattern, did.supply_mv)
        rows.append(culprit.fault_row(reference, seen, did, broken, effect))
        seen = seen.against(seen.course.level_ma + effect)
    elif did is not None:
        suspects = _suspects(reference, did)
    found = _in_company(case, seen, rows) if busy else _unexplained(case, seen, suspects, rows)
    return replace(found, broken=broken)


def _alive_s(did: Did | None) -> float | None:
    """From when on the box is known to have waited for the run, its switches open."""
    return None if did is None or did.stint.boot_s is None else did.stint.boot_s + AWAKE_S


def _unexplained(case: Case, seen: Seen, suspects: judge.Suspects, rows: list[Difference]) -> Held:
    """What is left when a broken channel's part is taken off: pulse by pulse, and the base."""
    reference, lost, pulses, clock = case.reference, case.lost, case.pulses, case.clock
    high = judge.heights(reference, seen)
    ends = timing.ends(reference.train, seen.course, pulses, clock)
    pulse = np.arange(len(reference.train))
    known, alone = np.isfinite(high.level_ma), ~ends.found
    known &= ~lost.touches(reference.train.start_s, reference.train.end_s)
    gone = known & alone & (high.level_ma < reference.train.level_ma / 2)
    moved = dict(timing.moved(reference, seen, ends, known))
    extra = judge.extra(reference, lost, pulses, clock, seen, ends.start_s)
    stop = _stop(case, known, gone, moved)
    if stop is not None:
        rows.append(judge.stop_row(reference, stop, clock))
        known, gone = known & (pulse < stop), gone & (pulse < stop)
        moved = {k: row for k, row in moved.items() if k < stop}
        extra = extra[clock.to_run(pulses.start_s[extra]) < reference.train.start_s[stop]]
    rows += judge.missing(reference, high, np.flatnonzero(gone), known, clock)
    rows += judge.extra_rows(pulses, extra, clock)
    rows += moved.values()
    # where a pulse moved its level was looked for in the wrong place
    still = known & ~gone & ~np.isin(pulse, list(moved))
    rows += judge.levels(reference, high, still, suspects) or judge.parts(reference, high, still, seen)
    rows += footing.alone(reference, seen, suspects)
    hidden = known & alone & (df.DOUBTS * high.deviation_ma > reference.train.level_ma)
    told = bool(rows) or not len(pulse) or bool((known & ~hidden).any())
    notes = list(_notes(reference, known, hidden, clock, pulses))
    misplaced = _misplaced(case, np.arange(len(pulses)), int((known & ~gone).sum()))
    return Held(bool(rows) or (told and not misplaced), rows, None, [*notes, *misplaced])


def _stop(case: Case, known: Bools, gone: Bools, moved: dict[int, Difference]) -> int | None:
    """The pulse from which on most don't fit, though most before it do: without a journal a run that lost
    its power can't be told from one that went wrong."""
    if case.reference.name != "asked":
        return None
    bad = gone | np.isin(np.arange(len(known)), list(moved))
    sign = np.where(known, np.where(bad, -1, 1), 0)
    run = np.append(0, np.cumsum(sign))
    best = int(np.argmax(run))
    bad_after, good_after = int(np.sum(sign[best:] < 0)), int(np.sum(sign[best:] > 0))
    if bad_after < judge.ON_END or bad_after < 2 * good_after or run[best] < judge.ON_END:
        return None
    return best + int(np.argmax(sign[best:] < 0))


def _misplaced(case: Case, which: Ints, fitting: int) -> list[str]:
    """What speaks against the best place: several pulses of the recording come before it."""
    if case.reference.name != "asked":
        return []
    ahead_s = case.pulses.start_s[which]
    ahead_s = ahead_s[case.clock.to_run(ahead_s) < -TOGETHER_S]
    if len(ahead_s) > fitting:
        return [f"{len(ahead_s)} pulses come before the best place, more than fit there: is it this run?"]
    if len(ahead_s) > judge.MANY:
        return [
            f"{len(ahead_s)} pulses, from {ahead_s[0]:.3f} s to {ahead_s[-1]:.3f} s of the recording, come "
            f"before the run that fits from {case.clock.offset_s:.3f} s on: was the power off, and the run "
            "begun anew? The journal would tell"
        ]
    return []


def _in_company(case: Case, seen: Seen, rows: list[Difference]) -> Held:
    """The same where other loads move: edge by edge, and what they do is no difference of the box's."""
    reference, lost, pulses, clock = case.reference, case.lost, case.pulses, case.clock
    train = reference.train
    ends = timing.ends(train, seen.course, pulses, clock, company=True)
    extra = judge.extra(reference, lost, pulses, clock, seen, ends.start_s)
    stop = _stop_in_company(case, seen, ends)
    if stop is not None:
        rows.append(judge.stop_row(reference, stop, clock))
        seen = seen.without(np.arange(len(seen.count)) >= train.first[stop])
        extra = extra[clock.to_run(pulses.start_s[extra]) < train.start_s[stop]]
    edges = case.edges(seen)
    beside = company.by_edges(seen, train, edges)
    high = judge.heights(reference, beside)
    as_seen = judge.heights(reference, company.by_edges(seen, train, company.edges_of(seen)))
    recorded = ~lost.touches(train.start_s, train.end_s)
    alone = ~ends.found
    gone = recorded & alone & _absent(train, seen)
    known = (recorded & np.isfinite(high.level_ma)) | gone
    whole = known & edges.known[train.first] & edges.known[train.last + 1]
    moved = dict(timing.moved(reference, seen, ends, whole))
    rows += judge.missing(reference, as_seen, np.flatnonzero(gone), known, clock)
    rows += moved.values()
    if case.circuit.levels:
        still = known & ~gone & ~np.isin(np.arange(len(train)), list(moved))
        fellows = min(company.SEVERAL, max(int(still.sum()), 1))
        off = judge.levels(reference, high, still, _nobody, fellows)
        parts = [] if off else list(judge.parts(reference, high, still, beside))
        rows += off + (parts if len(parts) >= fellows else [])
        known &= bool(off) | ~judge.off_level(reference, high)
    like = np.isin(extra, extra[_like(train, pulses, extra)])
    rows += judge.extra_rows(pulses, extra[like] if case.circuit.shared else extra, clock)
    base = footing.AS_IT_SHOULD_BE
    if case.circuit.levels:
        base = footing.shared(reference, seen, case.did, case.circuit, _spoken_for(case.did, seen))
    rows += base.rows
    hidden = known & alone & (df.DOUBTS * high.deviation_ma > train.level_ma)
    notes = [*base.notes, *_notes(reference, known, hidden, clock, pulses)]
    if case.circuit.shared and not like.all():
        notes.append(_company_text(pulses, extra[~like], case.circuit.levels))
    if not case.circuit.levels and case.off(seen):
        base = replace(base, told=False)
        notes.append("the levels don't stand to each other as they should: give the resistance with --ohms")
    doubtful = _doubtful(case, seen)
    if doubtful:
        base = replace(base, told=False)
        notes.append(
            f"channel {' or '.join(map(str, doubtful))} may be broken: the few edges that switch it are off "
            "by its current, too few to be sure among other loads"
        )
    told = base.told and _tells(case, seen, edges, known & ~hidden, ends.found)
    own = np.arange(len(pulses))
    misplaced = _misplaced(
        case, own[_like(train, pulses, own)] if case.circuit.shared else own, int((known & ~gone).sum())
    )
    return Held(bool(rows) or (told and not misplaced), rows, None, [*notes, *misplaced])


def _stop_in_company(case: Case, seen: Seen, ends: timing.Ends) -> int | None:
    """_stop() by what was seen, whatever other loads made of it."""
    train = case.reference.train
    as_seen = judge.heights(case.reference, company.by_edges(seen, train, company.edges_of(seen)))
    recorded = np.isfinite(as_seen.level_ma) & ~case.lost.touches(train.start_s, train.end_s)
    moved = dict(timing.moved(case.reference, seen, ends, recorded))
    gone = recorded & ~ends.found & _absent(train, seen)
    return _stop(case, recorded, gone, moved)


def _absent(train: Train, seen: Seen) -> Bools:
    """Pulses at whose both ends the current stays as it is: no other load hides two edges by chance."""
    edges = company.edges_of(seen)
    flat = edges.known & (np.abs(edges.excess + edges.step_ma) <= ABSENT * np.abs(edges.step_ma))
    absent: Bools = flat[train.first] & flat[train.last + 1]
    return absent


def _tells(case: Case, seen: Seen, edges: Edges, known: Bools, found: Bools) -> bool:
    """Whether enough of the run was seen to speak: half of the pulses that lie in the recording, or, of a run
    without pulses, its start."""
    train = case.reference.train
    if not len(train):
        return bool(edges.known[0])
    recorded = company.edges_of(seen).known | (seen.count > 0)
    inside = recorded[train.first]
    good = known & found & inside
    return bool(good.any()) and int(good.sum()) >= MOST_TOLD * int(inside.sum())


def _like(train: Train, pulses: Pulses, which: Ints) -> Bools:
    """Pulses of the recording that may be the box's by level and duration."""
    if not len(train) or not len(which):
        return np.zeros(len(which), dtype=bool)
    level, lasting = pulses.level_ma[which][:, None], pulses.duration_s[which][:, None]
    allowed = np.maximum(df.LEVEL_MA, LIKE * train.level_ma)
    near = np.abs(level - train.level_ma) <= allowed
    near &= np.abs(lasting - train.duration_s) <= np.maximum(LIKE * train.duration_s, 2 * df.TIME_S)
    return np.asarray(near.any(axis=1))


def _company_text(pulses: Pulses, which: Ints, levels: bool) -> str:
    level, lasting = pulses.level_ma[which], pulses.duration_s[which]
    high = f"{_span(level.min(), level.max(), '{:.0f}')} mA, " if levels else ""
    return (
        f"other loads on this circuit made {len(which)} pulse{'s' if len(which) > 1 else ''} "
        f"({high}{_span(lasting.min(), lasting.max(), '{:.3f}')} s)"
    )


def _span(least: float, most: float, form: str) -> str:
    low, high = form.format(least), form.format(most)
    return low if low == high else f"{low} .. {high}"


def _shares(did: Did, seen: Seen, k: int) -> tuple[Bools, Floats]:
    """The edges that switch a channel (from 0) clear of noise, and the share of its current that is too much
    in each: 0 where it works, 1 where it never opens or never closes."""
    edges = company.edges_of(seen)
    stuck = Fault(faults.STUCK_ON, k + 1, 1.0)
    waiting = stuck.effect_ma(did.channels_ns, np.zeros(1, dtype=np.int64), did.supply_mv[:1])
    step = np.diff(stuck.effect_ma(did.channels_ns, did.pattern, did.supply_mv), prepend=waiting)
    shows = edges.known & (np.abs(step) > CLEAR * np.sqrt(edges.variance))
    return shows, edges.excess[shows] / step[shows]


def _spoken_for(did: Did | None, seen: Seen) -> int:
    """The channels that work by what the edges say: some switch them, and most are as they should be."""
    if did is None:
        return 0
    shares = [_shares(did, seen, k)[1] for k in range(len(did.channels_ns))]
    works = [len(share) > 0 and np.median(share) < BROKEN for share in shares]
    return sum(1 << k for k, good in enumerate(works) if good)


def _doubtful(case: Case, seen: Seen) -> list[int]:
    """The channels whose few edges are all off by their current."""
    did = case.did
    if did is None:
        return []
    off = np.logical_or(*company.edges_of(seen).odd(case.kinds()))
    found = []
    for k in range(len(did.channels_ns)):
        shows, share = _shares(did, seen, k)
        if np.count_nonzero(shows) >= 2 and off[shows].all() and np.median(np.abs(share - 1)) < NEARLY:
            found.append(k + 1)
    return found


def _nobody(_excess_ma: float, _pulse: int | None) -> str:
    return ""


def _suspects(reference: Reference, did: Did) -> judge.Suspects:
    """Names the resistors that would explain an excess, by the patterns that the journal has there."""
    base = reference.course.is_base()

    def suspects(excess_ma: float, pulse: int | None) -> str:
        if pulse is None:
            patterns = did.pattern[base]
            closed = int(np.bitwise_and.reduce(patterns)) if len(patterns) else 0
        else:
            first = int(reference.train.first[pulse])
            under = int(did.pattern[first - 1]) if first else 0
            closed = int(did.pattern[first]) & ~under
        found = faults.resistors(excess_ma, closed, did.channels_ns, float(np.median(did.supply_mv)))
        return "".join(f"; or {culprit.words(fault, did)}" for fault in found)

    return suspects


def _notes(reference: Reference, known: Bools, hidden: Bools, clock: Clock, pulses: Pulses) -> Iterator[str]:
    if clock.others and abs(clock.offset_s) > TOGETHER_S:
        yield (
            "the pulses repeat so evenly that the recording may as well begin some whole periods earlier or "
            f"later ({clock.others} other places fit): record the run's start or end to be sure"
        )
    if not clock.matched and len(reference.train):
        yield "no edge of the recording could be matched: it is taken to begin with the run"
    if hidden.any():
        yield f"{int(hidden.sum())} pulses are too small for this recording's noise"
    outside = len(known) - int(known.sum())
    if outside:
        yield f"{outside} of {len(known)} pulses can't be judged: not recorded, too short, or lost"
    if pulses.scan.gaps:
        yield f"the recording has {pulses.scan.gaps} gap{'s' if pulses.scan.gaps > 1 else ''}"
