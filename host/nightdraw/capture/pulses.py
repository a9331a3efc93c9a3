"""Pulses in a recording: start, duration, level and period, in the terms of IEEE Std 181-2011.

A pulse is an excursion from the base, however many steps it has; the base is the state that the current keeps
coming back to, taken beside each pulse. Durations run from mid-reference crossing to mid-reference crossing
(half of each step's own height, interpolated between samples); levels are means of the settled interior,
those of a pulse's steps weighed by their durations.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from nightdraw.capture import states as sts
from nightdraw.capture import transitions as trn
from nightdraw.capture import volts
from nightdraw.capture.read import MILLIVOLT, Recording
from nightdraw.capture.steps import FALSE_Z, Floats, Ints
from nightdraw.capture.transitions import Bools
from nightdraw.errors import CannotTellError, Finding

UNSETTLED = 2  # samples: a gap of so few may have none that isn't caught in an edge
DIP_SHARE = 0.25  # of the neighbours' height; their middle is at 0.5
TURNED_MA = -5.0  # further below nothing than a clamp's zero is off
SHORT_S = 0.1  # no answer "no pulses" where noise would hide a pulse of this length ...
SMALL_MA = 50.0  # ... and this level: a module that wakes for an instant (common practice: 0.1 s, tens of mA)
DROP_OHM = 0.01  # drops are looked at as currents in a 10 A blade fuse (7.5 milliohm) and its contacts


@dataclass(frozen=True)
class Pulses:
    """The pulses of a recording, arrays in order of time, and what they rise from.

    start_s: mid-reference instant on the recording's clock; duration_s; level_ma: above base_ma, the mean
    level between pulses; cut: pulses that were left out because the recording begins, ends or has a gap in
    them; dips: times that the current fell below the base.
    """

    start_s: Floats
    duration_s: Floats
    level_ma: Floats
    base_ma: float
    cut: int
    dips: int
    scan: trn.Scan
    unit: str
    notes: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.start_s)

    def times(self, factor: float, unit: str) -> Pulses:
        """The same pulses with every level times a factor."""
        level_ma, base_ma = self.level_ma * factor, self.base_ma * factor
        return replace(
            self, level_ma=level_ma, base_ma=base_ma, scan=volts.scaled(self.scan, factor), unit=unit
        )

    @property
    def period_s(self) -> float | None:
        """The median distance from start to start, None where there is none that no gap falls in."""
        distances_s = np.diff(self.start_s)
        t = self.scan.transitions
        gaps_s = np.sort(t.first_s[np.isnan(t.at_s)])
        gapless = np.diff(np.searchsorted(gaps_s, self.start_s)) == 0
        return float(np.median(distances_s[gapless])) if gapless.any() else None

    @property
    def mean_ma(self) -> float:
        """The mean of the whole recording."""
        return self.scan.mean_ma

    def document(self) -> dict[str, object]:
        """The contract's keys, and `unit`: the values are mV where the channel is a voltage."""
        rows = zip(self.start_s.tolist(), self.duration_s.tolist(), self.level_ma.tolist(), strict=True)
        return {
            "base_ma": round(self.base_ma, 4),
            "pulses": [
                {"start_s": round(start, 7), "duration_s": round(duration, 7), "level_ma": round(level, 4)}
                for start, duration, level in rows
            ],
            "period_s": None if self.period_s is None else round(self.period_s, 7),
            "unit": self.unit,
            "notes": self.remarks(),
        }

    def remarks(self) -> list[str]:
        """What a reader should know beside the figures."""
        told = (
            (self.cut, "pulses not measured: the recording begins, ends or has a gap in them"),
            (self.dips, "times the current fell below the base"),
            (self.scan.gaps, "gaps in the recording"),
        )
        turned = ["the mean is negative: is the clamp turned round?"] if self.mean_ma < TURNED_MA else []
        return [*self.notes, *turned, *(f"{count} {what}" for count, what in told if count)]

    def text(self) -> str:
        """For people: a table, and what should be known beside it."""
        unit = self.unit
        head = (
            f"base {self.base_ma:.1f} {unit}, {len(self)} pulses, noise {self.scan.noise_ma:.2g} {unit} rms"
        )
        if self.period_s is not None:
            head += f", period {self.period_s:.4f} s (median, start to start)"
        rows = zip(self.start_s, self.duration_s, self.level_ma, strict=True)
        table = [
            f"{start:14.4f} s {1e3 * lasting:12.2f} ms {level:10.2f} {unit}" for start, lasting, level in rows
        ]
        title = [f"{'start':>16} {'duration':>15} {'above base':>13}"] if table else []
        return "\n".join([head, *title, *table, *(f"note: {remark}" for remark in self.remarks())])


def measure(recording: Recording) -> Pulses:
    """Measure every whole pulse of a recording; of millivolts in millivolts.

    Raises CannotTellError for fewer than transitions.LEAST_SAMPLES samples, and where no pulse stands out of
    noise that would hide SMALL_MA for SHORT_S.
    """
    if recording.unit == MILLIVOLT:
        as_current = _measure(volts.as_current(recording, DROP_OHM), sts.STILL_MA2_PER_S)
        return as_current.times(DROP_OHM, MILLIVOLT)
    return _measure(recording, sts.DRIFT_MA2_PER_S)


def _measure(recording: Recording, drift_ma2_per_s: float) -> Pulses:
    scan = trn.scan(recording)
    if scan.samples < trn.LEAST_SAMPLES:
        message = f"{scan.samples} samples are too few: at least {trn.LEAST_SAMPLES}"
        raise CannotTellError(Finding(message, file=recording.name))
    if not len(scan.transitions):
        _refuse_noise(scan, recording)
        nothing = np.empty(0)
        notes = tuple(recording.notes)
        return Pulses(nothing, nothing, nothing, scan.mean_ma, 0, 0, scan, recording.unit, notes)
    return _from_scan(scan, recording, drift_ma2_per_s)


def _refuse_noise(scan: trn.Scan, recording: Recording) -> None:
    samples = max(SHORT_S / scan.interval_s, 1.0)
    hidden_ma = FALSE_Z * scan.noise_ma * np.sqrt(2 / samples)
    if hidden_ma > SMALL_MA:
        message = f"noise of {scan.noise_ma:.3g} {recording.unit} rms hides pulses below {hidden_ma:.3g}"
        hint = "more turns through the clamp, or a slower recording that averages"
        raise CannotTellError(Finding(message, file=recording.name, hint=hint))


def _from_scan(scan: trn.Scan, recording: Recording, drift_ma2_per_s: float) -> Pulses:
    t = scan.transitions
    states = sts.track(scan, drift_ma2_per_s)
    edges_s = np.where(np.isnan(t.at_s), (t.last_s + t.first_s) / 2, t.at_s)
    lasting_s = np.diff(np.concatenate(([scan.start_s], edges_s, [scan.end_s + scan.interval_s])))
    base = sts.base_state(states, lasting_s)
    height = states.value[states.of_level] - states.value[base]
    same = states.of_level == base
    sums, counts = _level_sums(scan)
    up = ~same & (height > 0)
    up &= ~_dips_between(height, counts)
    first, last, cut = _excursions(up, t.at_s)
    charge = sums / np.maximum(counts, 1) * lasting_s
    run = np.append(0.0, np.cumsum(charge))
    duration_s = edges_s[last] - edges_s[first - 1]
    interior = (run[last + 1] - run[first]) / duration_s
    beside = _beside(scan, states, same, states.value[base], first, last)
    base_ma = float(sums[same].sum() / max(counts[same].sum(), 1))
    return Pulses(
        start_s=t.at_s[first - 1],
        duration_s=duration_s,
        level_ma=interior - beside,
        base_ma=base_ma,
        cut=cut,
        dips=int(np.count_nonzero(~same[1:-1] & (height[1:-1] < 0))),
        scan=scan,
        unit=recording.unit,
        notes=tuple(recording.notes),
    )


def _dips_between(height: Floats, counts: Floats) -> Bools:
    """True for levels too short to have settled that fall well below the middle of both neighbours: two
    pulses with so short a gap between them that no sample shows the base alone."""
    lower = np.minimum(np.append(np.inf, height[:-1]), np.append(height[1:], np.inf))
    dips: Bools = (counts <= UNSETTLED) & (height < DIP_SHARE * lower)
    return dips


def _beside(
    scan: trn.Scan, states: sts.States, same: Bools, base_ma: float, first: Ints, last: Ints
) -> Floats:
    """The base beside each pulse: the mean of the levels on both sides as far as they are the base, by the
    number of their samples (a run may begin one sample into a recording)."""
    left = scan.transitions.n_before[first - 1] * same[first - 1]
    right = scan.transitions.n_after[last] * same[last + 1]
    mean = (left * states.at_end[first - 1] + right * states.at_start[last + 1]) / np.maximum(
        left + right, 1.0
    )
    return np.where(left + right > 0, mean, base_ma)


def _level_sums(scan: trn.Scan) -> tuple[Floats, Floats]:
    """Sum and number of the settled samples of each level."""
    t = scan.transitions
    sums = np.append(t.sum_to, scan.total) - np.append(0.0, t.sum_from)
    counts = np.append(t.n_to, scan.samples) - np.append(0.0, t.n_from)
    return sums, counts


def _excursions(up: Bools, at_s: Floats) -> tuple[Ints, Ints, int]:
    """First and last level of each run of levels above the base whose both ends were seen, and how many
    weren't."""
    change = np.diff(np.concatenate(([0], up.astype(np.int8), [0])))
    first, last = np.flatnonzero(change == 1), np.flatnonzero(change == -1) - 1
    whole = (first > 0) & (last < len(up) - 1)
    whole[whole] = ~np.isnan(at_s[first[whole] - 1]) & ~np.isnan(at_s[last[whole]])
    return first[whole], last[whole], int(np.count_nonzero(~whole))
