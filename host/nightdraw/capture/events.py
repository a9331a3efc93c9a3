"""From a recording to what was seen in it: edges, base and events.

At present filled from the transitions and states of one pass; the shape of Seen stays when what fills it
changes.
"""

from __future__ import annotations

import numpy as np

from nightdraw.capture import pulses as pls
from nightdraw.capture import seen as sn
from nightdraw.capture import transitions as trn
from nightdraw.capture.read import Recording
from nightdraw.capture.seen import Seen
from nightdraw.capture.steps import FALSE_Z

HALF_SAMPLE_U = 1 / np.sqrt(12)  # of an interval: where in it an instant lies isn't known


def see(recording: Recording, *, false_alarms_per_h: float = 0.01, least: float = 0.0) -> Seen:
    """Measure what happens in a recording.

    false_alarms_per_h: how many events an hour noise alone may make; least: the smallest level that counts
    (in the recording's unit). Raises CannotTellError for too few samples, and where noise hides what is
    looked for.
    """
    found = pls.measure(recording)
    return of_pulses(found, recording)


def of_pulses(found: pls.Pulses, recording: Recording) -> Seen:
    """The structure filled from pulses that are measured already."""
    scan = found.scan
    t = scan.transitions
    whole = ~np.isnan(t.at_s)
    edges = _edges(t, whole, scan.interval_s)
    settled = np.concatenate(([scan.start_s], edges.first_s)), np.concatenate((edges.last_s, [scan.end_s]))
    events, parts = _events(found, edges)
    gaps = tuple(
        sn.Span(float(a), float(b), sn.GAP) for a, b in zip(t.last_s[~whole], t.first_s[~whole], strict=True)
    )
    return Seen(
        name=recording.name,
        channel=recording.channel,
        unit=found.unit,
        samples=scan.samples,
        start_s=scan.start_s,
        end_s=scan.end_s,
        interval_s=scan.interval_s,
        noise=scan.noise_ma,
        mean=scan.mean_ma,
        z=FALSE_Z,
        time_constant_s=0.0,
        edges=edges,
        base=_base(found, settled),
        events=events,
        parts=parts,
        unjudged=gaps,
        notes=tuple(found.remarks()),
    )


def _edges(t: trn.Transitions, whole: sn.Bools, interval_s: float) -> sn.Edges:
    sigma = t.sigma[whole]
    before_u, after_u = (sigma / np.sqrt(np.maximum(n[whole], 1)) for n in (t.n_before, t.n_after))
    height = np.abs(t.after - t.before)[whole]
    noise_s = sigma / np.maximum(height, 1e-12) * interval_s
    return sn.Edges(
        at_s=t.at_s[whole],
        at_u_s=np.hypot(HALF_SAMPLE_U * interval_s, noise_s),
        before=t.before[whole],
        before_u=before_u,
        after=t.after[whole],
        after_u=after_u,
        last_s=t.last_s[whole],
        first_s=t.first_s[whole],
    )


def _base(found: pls.Pulses, settled: tuple[sn.Floats, sn.Floats]) -> sn.Base:
    ends = np.array([settled[0][0], settled[1][-1]])
    return sn.Base(ends, np.full(2, found.base_ma), np.full(2, found.scan.noise_ma))


def _events(found: pls.Pulses, edges: sn.Edges) -> tuple[sn.Events, sn.Parts]:
    count = len(found)
    end_s = found.start_s + found.duration_s
    first = np.searchsorted(edges.at_s, found.start_s - 1e-9)
    last = np.searchsorted(edges.at_s, end_s - 1e-9)
    u_s = edges.at_u_s[first] if count else np.empty(0)
    events = sn.Events(
        kind=np.full(count, sn.PULSE),
        first_edge=first,
        last_edge=last,
        start_s=found.start_s,
        start_u_s=u_s,
        duration_s=found.duration_s,
        duration_u_s=np.sqrt(2) * u_s,
        level=found.level_ma,
        level_u=edges.after_u[first] if count else u_s,
        mean=found.level_ma,
        part_from=np.arange(count),
        part_to=np.arange(count) + 1,
    )
    return events, sn.Parts(found.start_s, found.duration_s, found.level_ma, events.level_u)
