"""When the pulses of an account really began and ended, by the edges of a recording.

Edges are matched, not pulses: which level is the base doesn't matter here.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from nightdraw.capture import differences as df
from nightdraw.capture.accounts import Course, Train
from nightdraw.capture.against import Seen
from nightdraw.capture.align import Clock
from nightdraw.capture.differences import Difference, milliseconds
from nightdraw.capture.judge import Reference
from nightdraw.capture.match import near
from nightdraw.capture.pulses import Pulses
from nightdraw.capture.seen import Bools, Floats

TELLABLE_Z = 10.0  # an edge whose level stands out less than this may be seen anywhere in it
EDGE_DOUBT = (5.0, 20.0)  # samples by which noise moves an edge s deviations high: 5 / s + 20 / s^2
UNLIKE = 0.75  # of its height an edge may be off by a fault and still be itself
RESOLVED = 6.0  # samples: shorter levels and gaps run into each other


@dataclass(frozen=True)
class Ends:
    """The two ends of each of the reference's pulses as they were seen, on the run's clock (s); nan where no
    edge like it is near."""

    start_s: Floats
    end_s: Floats

    @property
    def found(self) -> Bools:
        """True for pulses of which at least one end was seen."""
        found: Bools = np.isfinite(self.start_s) | np.isfinite(self.end_s)
        return found


def ends(train: Train, course: Course, pulses: Pulses, clock: Clock, company: bool = False) -> Ends:
    """Find the ends of a course's pulses among the recording's rises and falls.

    Every edge of the course is matched, so that one inside a pulse isn't taken for its end. company: other
    loads move too, so that only edges of about the right height count.
    """
    t = pulses.scan.transitions
    whole = ~np.isnan(t.at_s)
    at_s, high = clock.to_run(t.at_s[whole]), (t.after - t.before)[whole]
    edges_s = np.append(course.t_s, course.end_s)
    step = np.diff(np.concatenate(([course.idle_ma], course.level_ma, [course.idle_ma])))
    start_s = _seen(edges_s, step, at_s, high, 1.0, company)[train.first]
    end_s = _seen(edges_s, step, at_s, high, -1.0, company)[train.last + 1]
    with np.errstate(invalid="ignore"):
        turned = start_s >= end_s  # two edges that are none of this pulse's
    return Ends(np.where(turned, np.nan, start_s), np.where(turned, np.nan, end_s))


def _seen(edges_s: Floats, step: Floats, seen_s: Floats, high: Floats, way: float, company: bool) -> Floats:
    """For each edge of a course that goes this way the instant at which it was seen."""
    place, there = np.flatnonzero(step * way > 0), np.flatnonzero(high * way > 0)
    here, near_by = near(edges_s[place], seen_s[there])
    place, there = place[here], there[near_by]
    if company:
        like = np.abs(high[there] - step[place]) <= UNLIKE * np.abs(step[place])
        place, there = place[like], there[like]
    found = np.full(len(edges_s), np.nan)
    found[place] = seen_s[there]
    return found


def moved(reference: Reference, seen: Seen, ends: Ends, known: Bools) -> Iterator[tuple[int, Difference]]:
    """Pulses whose duration or start differs; each row with the pulse that it is about.

    known: pulses that the recording has something of.
    """
    train = reference.train
    tellable, doubt_s = _doubts(reference, seen)
    tellable &= known
    allowed = df.TIME_S + seen.interval_s + doubt_s
    lasted = ends.end_s - ends.start_s
    longer, later = lasted - train.duration_s, ends.start_s - train.start_s
    with np.errstate(invalid="ignore"):
        other = tellable & (np.abs(longer) > allowed)
        shifted = tellable & ~other & (np.abs(later) > allowed)
    for pulse in np.flatnonzero(other).tolist():
        text = (
            f"seen to last {milliseconds(lasted[pulse])} instead of {milliseconds(train.duration_s[pulse])}"
        )
        yield pulse, reference.row(df.DURATION, pulse, "duration_s", float(lasted[pulse]), text)
    for pulse in np.flatnonzero(shifted).tolist():
        way = "later" if later[pulse] > 0 else "earlier"
        text = f"seen {milliseconds(abs(later[pulse]))} {way} than it should start"
        yield pulse, reference.row(df.TIME, pulse, "start_s", float(ends.start_s[pulse]), text)


def _doubts(reference: Reference, seen: Seen) -> tuple[Bools, Floats]:
    """For each pulse whether its two ends can be told from noise and neighbours, and by how much noise moves
    them (s). An end that a broken channel's part took away, or turned round, can't."""
    train, course = reference.train, seen.course
    believed, real = _rises(train, reference.course), _rises(train, course)
    lasting = (course.until_s - course.t_s) / seen.interval_s
    samples = np.column_stack((lasting[train.first], lasting[train.last]))
    sigma = max(seen.sigma_ma, 1e-6)
    tellable = np.all(
        (real * np.sqrt(samples) >= TELLABLE_Z * sigma) & (real > believed / 2) & (samples >= RESOLVED),
        axis=1,
    )
    gaps = np.concatenate(([np.inf], train.start_s[1:] - train.end_s[:-1], [np.inf])) / seen.interval_s
    tellable &= (gaps[:-1] >= RESOLVED) & (gaps[1:] >= RESOLVED)
    s = np.maximum(real.min(axis=1, initial=np.inf) / sigma, 1e-6)
    return tellable, (EDGE_DOUBT[0] / s + EDGE_DOUBT[1] / s**2) * seen.interval_s


def _rises(train: Train, course: Course) -> Floats:
    """By how much each pulse rises at its start and falls at its end, mA; one row a pulse."""
    before = np.append(course.idle_ma, course.level_ma[:-1])[train.first]
    after = np.append(course.level_ma, course.idle_ma)[train.last + 1]
    return np.column_stack((course.level_ma[train.first] - before, course.level_ma[train.last] - after))
