"""From a recording to what was seen in it: edges, base and events. The door of the measuring side is `see`.

Theory of operation. A scan leaves transitions and the levels between them, each known at both of its ends;
`levels` takes apart what returns (excursions, nested) from what stays. An excursion becomes one event:

1. The outermost ones count, with all levels inside as parts. Of one that lasts PLATEAU_S and carries pulses,
   those inside count as well: it is a base to them.
2. Its level is the mean of its highest settled part above the base beside it, a line from the level before to
   the level after, each side weighed by its samples. Durations run between mid-reference instants (IEEE 181).
3. One that a gap or an end of the recording cuts is not judged. Nor is one that is no higher than BENEATH
   times the rms by which the base moves in its time, for the base may have made it: unless it is a single
   level, as high as its two edges are by what lies right beside them, which nothing slow makes.
4. A lone sample is a spike, unless many alike come at a period; what does not come back is a step that stays.

Assumed: loads are piecewise constant, the base moves slowly against an edge, noise is nearly white. Cost: a
few passes over the events; the loop over the base's runs is in proportion to the steps that stay.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from nightdraw.capture import kinds as kd
from nightdraw.capture import levels as lv
from nightdraw.capture import seen as sn
from nightdraw.capture.read import MILLIVOLT, Recording
from nightdraw.capture.scan import scan
from nightdraw.capture.seen import Bools, Events, Floats, Ints, Parts, Seen, Span, stacked
from nightdraw.capture.transitions import Recorder, Scan, instants, recorder_of
from nightdraw.errors import CannotTellError, Finding

LEAST_SAMPLES = 10  # with fewer no level can be told from its noise
SHORT_S = 0.1  # no answer "no pulses" where noise would hide a pulse of this length ...
SMALL_MA = 50.0  # ... and this level: a module that wakes for an instant (common practice: 0.1 s, tens of mA)
DROP_OHM = 0.01  # drops are looked at as currents in a 10 A blade fuse (7.5 milliohm) and its contacts
MOST_MV = 1000.0  # a fuse that carries its rated current drops 0.2 V at the most; a pulled one the supply
PLATEAU_PULSES = 3  # pulses on a plateau that make it a base to them
SPIKE_INTERVALS = 2.5  # from the settled sample before an event to the one after it: a single sample
SPIKES_ALIKE = 5  # single samples alike, at a period, are pulses shorter than a sampling interval
ALIKE = 0.25
UNSURE = -1  # an excursion that isn't judged
LEVEL_ALIKE = 0.15
CUT_LASTING = 4.0  # times the longest pulse that one which is cut may have been seen
SETTLED = 3  # samples that tell a level of a part
BESIDE_LEAST = 4.0
BESIDE_MOST = 16.0  # of two sides of the base each counts by its samples, up to this: then both alike
BETWEEN_SHARE = 0.3  # of the wander in a pulse's time: what the base did beneath it unseen


@dataclass(frozen=True)
class _Measured:
    """What events are made from: the scan with corrected instants, its levels, and how the base wanders."""

    scan: Scan
    recorder: Recorder
    at_s: Floats
    at_u_s: Floats
    level: lv.Level
    wander: lv.Wander

    @property
    def is_gap(self) -> Bools:
        gaps: Bools = np.isnan(self.scan.transitions.at_s)
        return gaps


def see(recording: Recording, *, false_alarms_per_h: float = 0.01, least: float = 0.0) -> Seen:
    """Measure what happens in a recording; of millivolts in millivolts.

    false_alarms_per_h: how many events an hour noise alone may make; least: the smallest level of a pulse
    that counts (in the recording's unit). Raises CannotTellError for fewer than LEAST_SAMPLES samples, and
    where no event stands out of noise that would hide SMALL_MA for SHORT_S.
    """
    if recording.unit == MILLIVOLT:
        current = recording.times(1 / DROP_OHM, "mA", MOST_MV)
        seen = see(current, false_alarms_per_h=false_alarms_per_h, least=least / DROP_OHM)
        return seen.times(DROP_OHM, MILLIVOLT)
    found = scan(recording, false_alarms_per_h)
    if found.samples < LEAST_SAMPLES:
        message = f"{found.samples} samples are too few: at least {LEAST_SAMPLES}"
        raise CannotTellError(Finding(message, file=recording.name))
    if not len(found.transitions):
        _refuse_noise(found, recording)
    return _seen(found, recording, least)


def _refuse_noise(found: Scan, recording: Recording) -> None:
    hidden_ma = float(_hidden(found, np.array(found.noise)))
    if hidden_ma > SMALL_MA:
        message = f"noise of {found.noise:.3g} {recording.unit} rms hides pulses below {hidden_ma:.3g}"
        hint = "more turns through the clamp, or a slower recording that averages"
        raise CannotTellError(Finding(message, file=recording.name, hint=hint))


def _hidden(found: Scan, noise: Floats) -> Floats:
    """The level of a pulse of SHORT_S that some noise hides."""
    return np.asarray(found.z * noise * np.sqrt(2 / max(SHORT_S / found.interval_s, 1.0)))


def _noisy(found: Scan) -> list[Span]:
    """The stretches whose noise hides pulses that a search is for: an engine runs, a charger works."""
    spans: list[Span] = []
    rows = np.flatnonzero(_hidden(found, found.pieces.sigma) > SMALL_MA)
    for from_s, until_s in zip(found.pieces.from_s[rows], found.pieces.until_s[rows], strict=True):
        if spans and from_s <= spans[-1].until_s + 2 * found.interval_s:
            from_s = spans.pop().from_s
        spans.append(Span(float(from_s), float(until_s), sn.NOISE))
    return spans


def _seen(found: Scan, recording: Recording, least: float) -> Seen:
    t = found.transitions
    recorder = recorder_of(found)
    at_s, at_u_s = instants(t, recorder)
    level = lv.levels_of(found, at_s)
    m = _Measured(
        found, recorder, at_s, at_u_s, level, lv.Wander(found.trace, found.noise, t.after - t.before)
    )
    excursions = lv.excursions(level, m.is_gap, m.wander, found.window * found.interval_s, found.interval_s)
    whole = ~m.is_gap
    row = np.cumsum(whole) - 1  # of each transition among the edges
    events, parts, doubted = _events(m, excursions, least)
    steps, cut_ends, base_rows = _steps(m, excursions, events)
    events = stacked([events, steps])
    events = events.take(np.argsort(events.start_s, kind="stable"))
    spans = [
        Span(float(a), float(b), sn.GAP) for a, b in zip(t.last_s[~whole], t.first_s[~whole], strict=True)
    ]
    spans += [*doubted, *(Span(a, b, sn.CUT) for a, b in cut_ends), *_noisy(found)]
    return Seen(
        name=recording.name,
        channel=recording.channel,
        unit=recording.unit,
        samples=found.samples,
        start_s=found.start_s,
        end_s=found.end_s,
        interval_s=found.interval_s,
        noise=found.noise,
        wander=float(m.wander.within(np.array(1.0))),
        mean=found.mean,
        z=found.z,
        least_change=found.least_change,
        time_constant_s=recorder.time_constant_s,
        edges=_edges(m).take(whole),
        base=_base(m, base_rows),
        events=replace(events, first_edge=row[events.first_edge], last_edge=row[events.last_edge]),
        parts=parts,
        unjudged=tuple(sorted(spans, key=lambda span: span.from_s)),
        notes=(*recording.notes, *_notes(found, recording.unit)),
    )


def _notes(found: Scan, unit: str) -> list[str]:
    return [f"hum of {found.hum:.3g} {unit} rms taken out"] if found.hum else []


def _edges(m: _Measured) -> sn.Edges:
    t, level = m.scan.transitions, m.level
    return sn.Edges(
        m.at_s, m.at_u_s, t.before, level.end_u[:-1], t.after, level.start_u[1:], t.last_s, t.first_s
    )


def _base(m: _Measured, rows: Ints) -> sn.Base:
    """The settled record of the base's levels, and both sides of the steps between them."""
    trace, t = m.scan.trace, m.scan.transitions
    cells = trace.take(np.isin(trace.level.astype(np.int64), rows))
    stay = rows[:-1][np.diff(rows) == 1]  # transitions between two levels of the base: steps that stay
    time_s = np.concatenate((cells.t_s, t.last_s[stay], t.first_s[stay]))
    value = np.concatenate((cells.mean, t.before[stay], t.after[stay]))
    u = np.concatenate((m.scan.noise / np.sqrt(cells.n), m.level.end_u[stay], m.level.start_u[stay + 1]))
    order = np.argsort(time_s, kind="stable")
    return sn.Base(time_s[order], value[order], u[order])


def _events(m: _Measured, x: lv.Excursions, least: float) -> tuple[Events, Parts, list[Span]]:
    """Pulses, dips and spikes with their parts, and the spans of those that a gap cuts or that the base may
    have made itself."""
    kind, chosen = _chosen(m, x)
    first, last = x.first[chosen], x.last[chosen]
    gaps_before = np.append(0, np.cumsum(x.is_gap))
    is_cut = gaps_before[last + 1] > gaps_before[first]
    doubted = [
        Span(float(m.level.from_s[a + 1]), float(m.level.until_s[b]), sn.CUT)
        for a, b in zip(first[is_cut], last[is_cut], strict=True)
    ]
    kind, first, last = kind[~is_cut], first[~is_cut], last[~is_cut]
    parts, part_from = _parts(m, first, last)
    events = _measure(m, kind, first, last, parts, part_from)
    events = replace(events, kind=_spikes(m, events))
    # What a base that wanders does in a time may look like anything: nothing is made of it, but of a single
    # level as high as its edges are, whichever way the base went beside them.
    small = np.abs(events.level) < sn.BENEATH * m.wander.within(events.duration_s)
    step = m.level.start[1:] - m.level.end[:-1]
    edges = (step[events.first_edge] - step[events.last_edge]) / 2
    alike = np.abs(edges - events.level) <= LEVEL_ALIKE * np.abs(events.level)
    small &= np.isin(events.kind, (sn.PULSE, sn.DIP)) & ~(alike & (events.last_edge == events.first_edge + 1))
    small |= events.kind == UNSURE
    doubted += [
        Span(float(at), float(at + lasting), sn.WANDER)
        for at, lasting in zip(events.start_s[small], events.duration_s[small], strict=True)
    ]
    keep = ~small & ((events.kind != sn.PULSE) | (np.abs(events.level) >= least))
    return events.take(keep), parts, doubted


def _chosen(m: _Measured, x: lv.Excursions) -> tuple[Ints, Ints]:
    """The excursions that are events of their own, with their kinds: the outermost ones; of plateaus, which
    last long and carry pulses, those inside as well, and of what the base may have made around others
    (UNSURE)."""
    inside = np.searchsorted(x.first, x.last) - np.arange(len(x.first)) - 1
    lasting_s = m.at_s[x.last] - m.at_s[x.first]
    plateau = ~x.down & (lasting_s >= sn.PLATEAU_S) & (inside >= PLATEAU_PULSES)
    step = np.abs(m.level.start[x.first + 1] - m.level.end[x.first])
    unsure = ~plateau & (inside > 0) & (step < sn.BENEATH * m.wander.within(lasting_s))
    kind = np.where(plateau, sn.PLATEAU, np.where(x.down, sn.DIP, sn.PULSE))
    kind = np.where(unsure, UNSURE, kind)
    step = np.where(plateau | unsure, 1, 1 + inside).tolist()
    chosen, k = list[int](), 0
    while k < len(step):
        chosen.append(k)
        k += step[k]
    return kind[chosen], np.array(chosen, dtype=np.int64)


def _parts(m: _Measured, first: Ints, last: Ints) -> tuple[Parts, Ints]:
    """The levels of some events, above the base beside each, and where each event's begin."""
    count = last - first
    part_from = np.append(0, np.cumsum(count))
    event = np.repeat(np.arange(len(first)), count)
    row = np.arange(len(event)) - part_from[event] + first[event] + 1
    level = m.level
    left, right, base_u = _beside(m, first, last)
    start_s, lasting_s = level.from_s[row], level.until_s[row] - level.from_s[row]
    whole_s = level.until_s[last] - level.from_s[first + 1]
    share = (start_s + lasting_s / 2 - level.from_s[first + 1][event]) / np.maximum(whole_s[event], 1e-12)
    base = left[event] + (right - left)[event] * share
    t = m.scan.transitions
    noise = np.hypot(t.sigma[row - 1] / np.sqrt(np.maximum(level.n[row], 1)), t.bias[row - 1])
    u = np.hypot(noise, base_u[event])
    return Parts(start_s, lasting_s, level.mean[row] - base, u), part_from


def _beside(m: _Measured, first: Ints, last: Ints) -> tuple[Floats, Floats, Floats]:
    """The base at both ends of some events (from one side alone where that side is known much better), and
    the standard uncertainty of what it is beneath them."""
    t, level = m.scan.transitions, m.level
    before, after = level.end[first], level.start[last + 1]
    n = np.minimum(t.n_before[first], BESIDE_MOST), np.minimum(t.n_after[last], BESIDE_MOST)
    few = BESIDE_LEAST  # a sample or two are no base where the other side has many
    n = np.where((n[0] < few) & (n[1] >= few), 0.0, n[0]), np.where((n[1] < few) & (n[0] >= few), 0.0, n[1])
    share = n[0] / np.maximum(n[0] + n[1], 1e-12)
    middle = share * before + (1 - share) * after
    slope = np.where(np.minimum(*n) >= BESIDE_MOST, after - before, 0.0)
    lasting_s = level.until_s[last] - level.from_s[first + 1]
    u = np.hypot(share * level.end_u[first], (1 - share) * level.start_u[last + 1])
    u = np.hypot(u, BETWEEN_SHARE * m.wander.within(lasting_s))
    return middle - slope / 2, middle + slope / 2, u


def _measure(m: _Measured, kind: Ints, first: Ints, last: Ints, parts: Parts, part_from: Ints) -> Events:
    """Durations and levels of events."""
    count = np.diff(part_from)
    event = np.repeat(np.arange(len(first)), count)
    lasting_s = m.at_s[last] - m.at_s[first]
    lasting_u_s = np.hypot(np.hypot(m.at_u_s[first], m.at_u_s[last]), m.recorder.interval_s * 1e-3)
    # both edges of a pulse that never settles were fitted at once: their errors go together
    together = np.where(
        last == first + 1, m.scan.transitions.lasting_u[first] * m.recorder.interval_s, np.nan
    )
    lasting_u_s = np.fmax(lasting_u_s, together)
    charge = np.bincount(event, parts.level * parts.duration_s, len(first))
    mean = charge / np.maximum(np.bincount(event, parts.duration_s, len(first)), 1e-12)
    top = _highest(m, parts, event, first)
    level = parts.level[top] if len(first) else mean
    level_u = parts.level_u[top] if len(first) else mean
    return Events(
        kind=kind,
        first_edge=first,
        last_edge=last,
        start_s=m.at_s[first],
        start_u_s=m.at_u_s[first],
        duration_s=lasting_s,
        duration_u_s=lasting_u_s,
        level=level,
        level_u=level_u,
        mean=mean,
        part_from=part_from[:-1],
        part_to=part_from[1:],
    )


def _highest(m: _Measured, parts: Parts, event: Ints, first: Ints) -> Ints:
    """For each event its highest part (a dip's lowest), of those with samples enough to tell their level if
    it has any."""
    row = np.arange(len(event)) - np.searchsorted(event, event) + first[event] + 1
    settled = m.level.n[row] >= SETTLED
    order = np.lexsort((np.abs(parts.level), settled, event))
    ends = np.searchsorted(event[order], np.arange(len(first)), side="right") - 1
    top: Ints = order[ends]
    return top


def _spikes(m: _Measured, events: Events) -> Ints:
    """The kinds of events, single samples told from pulses.

    A sample that stands alone may be a recorder's or a contact's: nothing in it says that it is not. So it is
    a spike, unless so many alike come at a period, which no disturbance does.
    """
    t, kind = m.scan.transitions, events.kind.copy()
    outside_s = t.first_s[events.last_edge] - t.last_s[events.first_edge]  # between the settled samples
    single = outside_s < SPIKE_INTERVALS * m.recorder.interval_s
    kind[single & (kind == sn.DIP)] = sn.SPIKE
    up = np.flatnonzero(single & (kind == sn.PULSE))
    kind[up] = sn.SPIKE
    some = events.take(up)
    gaps_s = t.last_s[m.is_gap]
    alike = kd.kinds(some.start_s, some.duration_s, some.level, some.level_u, gaps_s, m.recorder.interval_s)
    for one in alike:
        if one.law == kd.PERIODIC and len(one.rows) >= SPIKES_ALIKE:
            kind[up[one.rows]] = sn.PULSE
    return kind


def _steps(m: _Measured, x: lv.Excursions, events: Events) -> tuple[Events, list[tuple[float, float]], Ints]:
    """The steps that stay, the spans of pulses that the recording's ends or gaps cut, and the base's levels.

    A stretch at an end or beside a gap, as high above the base beside it as some pulse, is a pulse that is
    cut.
    """
    root, rows = x.root, x.base
    edge = x.stay
    height = m.level.start[edge + 1] - m.level.end[edge]
    pulses = events.of(sn.PULSE)
    heights = np.sort(np.abs(pulses.level))

    def pulse_like(high: float) -> bool:
        place = np.searchsorted(heights, high * (1 - ALIKE))
        return bool(place < len(heights) and heights[place] <= high * (1 + ALIKE))

    longest_s = float(np.max(pulses.duration_s, initial=0.0))
    cut: list[tuple[float, float]] = []
    is_cut = np.zeros(int(root.max()) + 1 if len(root) else 0, dtype=bool)
    stays = np.ones(len(edge), dtype=bool)
    opened = np.append(
        True, m.is_gap[edge]
    )  # whether each run of the base begins with the recording or a gap
    closed = np.append(x.is_gap[edge], True)
    for k in range(len(is_cut)):
        rise = height[k - 1] if k and not opened[k] else 0.0
        fall = -height[k] if k < len(edge) and not closed[k] else 0.0
        inside = rows[root == k]
        lasting = float(m.level.until_s[inside[-1]] - m.level.from_s[inside[0]])
        alike = (opened[k] and fall > 0 and pulse_like(fall)) or (closed[k] and rise > 0 and pulse_like(rise))
        if alike and lasting <= CUT_LASTING * longest_s:  # what lasts longer is a base of its own
            is_cut[k] = True
            cut.append((float(m.level.from_s[inside[0]]), float(m.level.until_s[inside[-1]])))
            stays[max(k - 1, 0) : k + 1] = False
    stays &= ~x.is_gap[edge]
    # a step in the time of a pulse: it is told at the pulse's end
    before, behind = x.first[x.shifted], x.last[x.shifted]
    hidden = m.level.start[behind + 1] - m.level.end[before]
    clear = (
        np.abs(hidden) > lv.ALIKE_Z * np.hypot(m.level.start_u[behind + 1], m.level.end_u[before])
    ) & ~np.isnan(m.at_s[behind])
    edge = np.concatenate((edge[stays], behind[clear]))
    height = np.concatenate((height[stays], hidden[clear]))
    nothing = np.zeros(len(edge))
    steps = Events(
        kind=np.full(len(edge), sn.STEP),
        first_edge=edge,
        last_edge=edge,
        start_s=m.at_s[edge],
        start_u_s=m.at_u_s[edge],
        duration_s=nothing,
        duration_u_s=nothing,
        level=height,
        level_u=np.hypot(m.level.end_u[edge], m.level.start_u[edge + 1]),
        mean=height,
        part_from=np.zeros(len(edge), dtype=np.int64),
        part_to=np.zeros(len(edge), dtype=np.int64),
    )
    return steps, cut, rows[~is_cut[root]]
