"""Pulses in a recording: the door of `capture pulses`, in the terms of IEEE Std 181-2011.

What was seen is measured elsewhere; here it is summed up: base and drift, every pulse with its uncertainty,
kinds, steps that stay, and what was not judged. Durations run from mid-reference to mid-reference instant
(half of each step's own height); a level is the settled mean above the base beside the pulse, of a pulse of
several levels its highest part's.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from nightdraw.capture import kinds as kd
from nightdraw.capture import seen as sn
from nightdraw.capture.events import see
from nightdraw.capture.read import Recording
from nightdraw.capture.seen import Floats, Seen
from nightdraw.errors import CannotTellError, Finding

TURNED_MA = -5.0  # further below nothing than a clamp's zero is off
SETTLES = (
    3.0  # a base that falls asleep: each third of the time it changes so much less than in the one before
)
OFTEN_SHARE = 0.25  # of the pulses (or the time) of the base that has most: less is no base that is meant
OUTLIER_MAD = 4.5  # 3 deviations of a normal law; a sine stays within 1.5 median deviations
LEAST_NODES = 3
MOST_TOLD = 20  # spans, steps, spikes that a person is told one by one


@dataclass(frozen=True)
class Pulses:
    """The pulses of what was seen. base: the level they rise from, mean over the time that it is meant of."""

    seen: Seen

    def __len__(self) -> int:
        return len(self.rows)

    @cached_property
    def rows(self) -> sn.Events:
        """The pulses alone, in order of time."""
        return self.of(sn.PULSE)

    def of(self, kind: int) -> sn.Events:
        """The events of one kind."""
        return self.seen.events.take(self.seen.events.kind == kind)

    @property
    def start_s(self) -> Floats:
        """Mid-reference instants of the starts."""
        return self.rows.start_s

    @property
    def duration_s(self) -> Floats:
        """From mid-reference instant to mid-reference instant."""
        return self.rows.duration_s

    @property
    def level_ma(self) -> Floats:
        """Above the base beside each pulse, in the recording's unit."""
        return self.rows.level

    def times(self, factor: float, unit: str) -> Pulses:
        """The same with every level times a factor."""
        return Pulses(self.seen.times(factor, unit))

    @cached_property
    def kinds(self) -> tuple[kd.Kind, ...]:
        """Pulses alike, the commonest kind first."""
        rows = self.rows
        hidden = np.array([span.from_s for span in self.seen.unjudged])
        return kd.kinds(rows.start_s, rows.duration_s, rows.level, rows.level_u, hidden, self.seen.interval_s)

    @cached_property
    def period_s(self) -> float | None:
        """The median distance from start to start, None where there is none that was judged throughout."""
        hidden = np.array([span.from_s for span in self.seen.unjudged])
        known = np.diff(np.searchsorted(hidden, self.start_s)) == 0
        return float(np.median(np.diff(self.start_s)[known])) if known.any() else None

    @cached_property
    def base_ma(self) -> float:
        """The base that the pulses rise from: the lowest that carries many of them, or fills much of the
        time."""
        base = self._meant()
        if not len(base):
            return self.seen.mean
        weight = _lasting(base.t_s, self.seen)
        level = base.level[_settled(base.t_s, base.level)]
        weight = weight[_settled(base.t_s, base.level)]
        middle = _median(level, weight)
        most = OUTLIER_MAD * _median(np.abs(level - middle), weight) + 3 * self.seen.noise / np.sqrt(
            LEAST_NODES
        )
        near = np.abs(level - middle) <= max(most, 1e-9)
        return float(np.average(level[near], weights=weight[near]))

    @cached_property
    def drift_ma_per_h(self) -> float | None:
        """The slope of a straight line through that base; None where it is too short for one."""
        base = self._meant()
        if len(base) < LEAST_NODES or np.ptp(base.t_s) <= 0:
            return None
        slope = np.polyfit(base.t_s - base.t_s[0], base.level, 1, w=np.sqrt(_lasting(base.t_s, self.seen)))[0]
        return float(slope * 3600)

    def _meant(self) -> sn.Base:
        """The part of the base, between two steps that stay or several of them alike, that pulses rise
        from."""
        base, steps = self.seen.base, self.of(sn.STEP)
        part = np.searchsorted(steps.start_s, base.t_s)
        count = len(steps) + 1
        pulses = np.bincount(np.searchsorted(steps.start_s, self.start_s), minlength=count).astype(float)
        time = np.bincount(part, _lasting(base.t_s, self.seen), count) if len(part) else np.zeros(count)
        often = pulses if pulses.any() else time
        level = [np.median(base.level[part == k]) if (part == k).any() else np.inf for k in range(count)]
        meant = np.flatnonzero(often >= OFTEN_SHARE * often.max())
        lowest = meant[int(np.argmin(np.array(level)[meant]))]
        return base.take(part == lowest)

    @property
    def mean_ma(self) -> float:
        """The mean of the whole recording."""
        return self.seen.mean

    def looks_inverted(self) -> bool:
        """True where not only the base lies below nothing, but the pulses from it as well."""
        top = self.base_ma + float(np.max(self.rows.level, initial=0.0))
        return self.seen.unit == "mA" and self.base_ma < TURNED_MA and top < -TURNED_MA

    def document(self) -> dict[str, object]:
        """The contract's keys; a channel of millivolts has `_mv` where a current has `_ma`."""
        unit = f"_{self.seen.unit.lower()}"
        rows, parts = self.rows, self.seen.parts
        found = [
            {
                "start_s": round(float(rows.start_s[k]), 7),
                "duration_s": round(float(rows.duration_s[k]), 7),
                "duration_u_s": round(float(rows.duration_u_s[k]), 7),
                f"level{unit}": round(float(rows.level[k]), 4),
                f"level_u{unit}": round(float(rows.level_u[k]), 4),
                **_parts(parts, int(rows.part_from[k]), int(rows.part_to[k]), unit),
            }
            for k in range(len(rows))
        ]
        drift = self.drift_ma_per_h
        return {
            "unit": self.seen.unit,
            "channel": self.seen.channel,
            f"base{unit}": round(self.base_ma, 4),
            "pulses": found,
            "period_s": None if self.period_s is None else round(self.period_s, 7),
            f"noise{unit}": round(self.seen.noise, 4),
            f"drift{unit}_per_h": None if drift is None else round(drift, 4),
            "kinds": [self._kind(kind, unit) for kind in self.kinds],
            "steps": [
                {"at_s": round(float(at), 7), f"change{unit}": round(float(high), 4)}
                for at, high in zip(self.of(sn.STEP).start_s, self.of(sn.STEP).level, strict=True)
            ],
            **{f"{name}s": self._others(kind, unit) for kind, name in OTHERS.items()},
            "time_constant_s": round(self.seen.time_constant_s, 6) or None,
            "not_judged": {
                "s": round(self.seen.unjudged_s, 4),
                "pct": round(100 * self.seen.unjudged_s / max(self.seen.length_s, 1e-12), 4),
                "spans": [
                    {"from_s": round(s.from_s, 4), "until_s": round(s.until_s, 4), "why": s.why}
                    for s in self.seen.unjudged
                ],
            },
            f"surely_found{unit}": {
                f"{seconds:g} s": round(self.seen.least(seconds), 4) for seconds in SURELY_S
            },
            "notes": list(self.remarks()),
        }

    def _kind(self, kind: kd.Kind, unit: str) -> dict[str, object]:
        spacing = (
            {"period_s": round(kind.period_s, 7)}
            if kind.period_s is not None
            else {"gap_s": None if kind.gap_s is None else [round(gap, 6) for gap in kind.gap_s]}
        )
        return {
            f"level{unit}": round(kind.level, 4),
            "duration_s": [round(seconds, 6) for seconds in kind.duration_s],
            **spacing,
            "law": kind.law,
            "count": len(kind.rows),
        }

    def _others(self, kind: int, unit: str) -> list[dict[str, float]]:
        rows = self.of(kind)
        columns = zip(rows.start_s.tolist(), rows.duration_s.tolist(), rows.level.tolist(), strict=True)
        return [
            {"start_s": round(start, 7), "duration_s": round(lasting, 7), f"level{unit}": round(level, 4)}
            for start, lasting, level in columns
        ]

    def remarks(self) -> Iterator[str]:
        """What a reader should know beside the figures."""
        seen = self.seen
        yield from seen.notes
        if seen.unjudged:
            spans = {why: [s for s in seen.unjudged if s.why == why] for why in WHYS}
            counts = ", ".join(f"{len(some)} {WHYS[why]}" for why, some in spans.items() if some)
            share = 100 * seen.unjudged_s / max(seen.length_s, 1e-12)
            yield f"not judged: {seen.unjudged_s:.1f} s, {share:.2g} % of the recording ({counts})"
        if seen.time_constant_s:
            yield (
                f"the recorder or clamp is slow (a time constant of {1e3 * seen.time_constant_s:.2g} ms): "
                "instants and durations are given without it"
            )
        if not len(self) and len(self.of(sn.DIP)):
            yield "the current only falls from its base: is the clamp the wrong way round (--invert)?"

    def text(self) -> str:
        """For people: a table, and what should be known beside it."""
        unit, seen = self.seen.unit, self.seen
        head = f"base {self.base_ma:.1f} {unit}, {len(self)} pulses, noise {seen.noise:.2g} {unit} rms"
        if self.drift_ma_per_h is not None:
            head += f", drift {self.drift_ma_per_h:.3g} {unit}/h"
        if self.period_s is not None:
            head += f", period {self.period_s:.4f} s (median, start to start)"
        lines = [head, *(f"kind: {self._kind_text(kind)}" for kind in self.kinds)]
        rows = self.rows
        if len(rows):
            lines.append(f"{'start':>16} {'duration':>15} {'u':>9} {'above base':>13} {'u':>8}")
        for k in range(len(rows)):
            start, lasting, u = rows.start_s[k], 1e3 * rows.duration_s[k], 1e3 * rows.duration_u_s[k]
            level = f"{rows.level[k]:10.2f} {unit} {rows.level_u[k]:8.2f}"
            lines.append(f"{start:14.4f} s {lasting:12.2f} ms {u:9.2f} {level}{self._parts_text(k)}")
        if len(rows):
            lines.append("u: standard uncertainty; twice as much holds the truth in 95 of 100")
        lines += self._steps_text()
        least = ", ".join(
            f"{seen.least(s):.3g} {unit} for {1e3 * s:g} ms" for s in SURELY_S if s >= seen.interval_s
        )
        lines.append(f"pulses are surely found from: {least}")
        return "\n".join([*lines, *(f"note: {remark}" for remark in self.remarks())])

    def _kind_text(self, kind: kd.Kind) -> str:
        scale, word = (1e3, "ms") if kind.duration_s[1] < 10 else (1, "s")
        low, middle, high = (f"{scale * seconds:.4g}" for seconds in kind.duration_s)
        what = f"{len(kind.rows)} of {kind.level:.1f} {self.seen.unit}"
        text = f"{what}, {middle} {word} ({low} .. {high}), {kind.law}"
        if kind.period_s is not None:
            return f"{text}, every {kind.period_s:.4f} s"
        if kind.gap_s is not None:
            low, middle, high = (f"{seconds:.4g}" for seconds in kind.gap_s)
            return f"{text}, gaps {middle} s ({low} .. {high})"
        return text

    def _parts_text(self, k: int) -> str:
        parts = self.seen.parts.take(slice(int(self.rows.part_from[k]), int(self.rows.part_to[k])))
        if len(parts) < 2:
            return ""
        parts_text = (
            f"{level:.0f} for {1e3 * s:.0f} ms"
            for level, s in zip(parts.level, parts.duration_s, strict=True)
        )
        return "  parts: " + ", ".join(list(parts_text)[:MOST_TOLD])

    def _steps_text(self) -> Iterator[str]:
        for kind, word in ((sn.STEP, "step that stays"), *OTHERS.items()):
            rows = self.of(kind)
            for k in range(min(len(rows), MOST_TOLD)):
                lasting = f", {1e3 * rows.duration_s[k]:.1f} ms" if rows.duration_s[k] else ""
                yield f"{word}: at {rows.start_s[k]:.4f} s by {rows.level[k]:+.1f} {self.seen.unit}{lasting}"
            if len(rows) > MOST_TOLD:
                yield f"{word}: {len(rows) - MOST_TOLD} more"


OTHERS = {sn.DIP: "dip", sn.SPIKE: "spike", sn.PLATEAU: "plateau"}
WHYS = {sn.CUT: "pulses cut by an end or a gap", sn.GAP: "gaps", sn.NOISE: "stretches too noisy",
        sn.WANDER: "stretches in which the base moves by as much"}  # fmt: skip
SURELY_S = (0.01, 0.1, 1.0)


def measure(recording: Recording, *, false_alarms_per_h: float = 0.01, least: float = 0.0) -> Pulses:
    """Measure every whole pulse of a recording; of millivolts in millivolts.

    Raises CannotTellError as events.see does, and for a recording that looks inverted.
    """
    found = Pulses(see(recording, false_alarms_per_h=false_alarms_per_h, least=least))
    if found.looks_inverted():
        message = f"the recording looks inverted: its base is {found.base_ma:.1f} mA"
        hint = "the clamp was the wrong way round: --invert (or a charger was on)"
        raise CannotTellError(Finding(message, file=recording.name, hint=hint))
    return found


def _parts(parts: sn.Parts, low: int, high: int, unit: str) -> dict[str, object]:
    """The parts of a pulse that has several."""
    if high - low < 2:
        return {}
    rows = [
        {
            "start_s": round(float(parts.start_s[k]), 7),
            "duration_s": round(float(parts.duration_s[k]), 7),
            f"level{unit}": round(float(parts.level[k]), 4),
            f"level_u{unit}": round(float(parts.level_u[k]), 4),
        }
        for k in range(low, high)
    ]
    return {"parts": rows}


def _lasting(t_s: Floats, seen: Seen) -> Floats:
    """How long each instant of the base stands for: half the way to both neighbours."""
    if len(t_s) < 2:
        return np.ones(len(t_s))
    ends = np.concatenate(([t_s[0]], (t_s[1:] + t_s[:-1]) / 2, [t_s[-1]]))
    return np.maximum(np.diff(ends), seen.interval_s / 2)


def _median(value: Floats, weight: Floats) -> float:
    order = np.argsort(value)
    run = np.cumsum(weight[order])
    return float(value[order][np.searchsorted(run, run[-1] / 2)])


def _settled(t_s: Floats, level: Floats) -> sn.Bools:
    """The last third of a base that falls asleep by itself, all of any other."""
    third = np.minimum(((t_s - t_s[0]) / max(np.ptp(t_s), 1e-12) * 3).astype(int), 2)
    if len(np.unique(third)) < LEAST_NODES:
        return np.ones(len(t_s), dtype=bool)
    first, second, last = (float(level[third == k].mean()) for k in range(3))
    settles = first - second > SETTLES * abs(second - last) and second > last
    return third == 2 if settles else np.ones(len(t_s), dtype=bool)
