"""A vehicle that does by itself what recordings of one show, and how much of them it explains.

The residual is what is left of each sample when staircase and pulses are taken away: at best the noise. The
coverage is the share of what moves (the square of the distance from the draw asleep, less the noise's) that
the vehicle has: of the whole recordings, and of the time asleep alone, where the large steps don't hide it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from nightdraw.baseline.measure import Rest, measure
from nightdraw.baseline.twitches import LEAST_COUNT, Again, Sort, law, sorts
from nightdraw.capture import seen as sn
from nightdraw.capture.read import Recording
from nightdraw.capture.seen import Floats

APART_MA = 3.0  # two recordings' draws asleep, ...
APART_SHARE = 0.15  # ... or this share: more apart, and something else was on in one of them
USUAL_HZ = 1000.0  # the rate of the bench's recorder, at which a vehicle's noise is given
MOST_TOLD = 20


@dataclass(frozen=True)
class Fitted:
    """What was found. stairs: (mA, seconds) of each level before sleep; noise at USUAL_HZ; coverages in per
    cent of moves_ma (rms around the draw asleep, without the noise), None where nothing moves; pulses: seen,
    and explained; unexplained: in words."""

    asleep_ma: float
    asleep_s: float
    stairs: tuple[tuple[float, float], ...]
    twitches: tuple[Again, ...]
    noise_ma: float
    residual_ma: float
    sample_noise_ma: float
    coverage_pct: float | None
    asleep_coverage_pct: float | None
    moves_ma: float
    asleep_moves_ma: float
    pulses: tuple[int, int]
    unexplained: tuple[str, ...]

    def document(self) -> dict[str, Any]:
        """The keys of the answer."""
        return {
            "asleep_ma": round(self.asleep_ma, 3),
            "stages": [{"draw_ma": round(ma, 2), "for_s": round(s, 3)} for ma, s in self.stairs],
            "twitches": [
                {
                    "draw_ma": round(one.level_ma, 3),
                    "on_s": round(one.on_s, 4),
                    "every_s": [round(each, 4) for each in one.every_s],
                    "asleep_only": one.asleep_only,
                    "count": one.count,
                }
                for one in self.twitches
            ],
            "noise_ma": round(self.noise_ma, 4),
            "residual_ma": round(self.residual_ma, 4),
            "sample_noise_ma": round(self.sample_noise_ma, 4),
            "coverage_pct": _rounded(self.coverage_pct),
            "asleep_coverage_pct": _rounded(self.asleep_coverage_pct),
            "moves_ma": round(self.moves_ma, 4),
            "asleep_moves_ma": round(self.asleep_moves_ma, 4),
            "pulses": {"seen": self.pulses[0], "explained": self.pulses[1]},
            "unexplained": list(self.unexplained),
        }

    def text(self) -> str:
        """The same for people."""
        lines = [f"asleep         {self.asleep_ma:.2f} mA, seen for {self.asleep_s / 60:.1f} min"]
        if self.stairs:
            total_s = sum(seconds for _, seconds in self.stairs)
            lines.append(f"falls asleep   in {len(self.stairs)} levels within {total_s / 60:.1f} min")
        for one in self.twitches:
            low, high = one.every_s
            every = f"{low:.4g} s" if low == high else f"{low:.4g} .. {high:.4g} s"
            when = ", asleep only" if one.asleep_only else ""
            lines.append(
                f"comes again    {one.level_ma:.2f} mA for {one.on_s * 1000:.4g} ms every {every}{when}"
                f"  ({one.count} seen)"
            )
        seen, explained = self.pulses
        lines += [
            f"noise          {self.noise_ma:.3f} mA rms at 1 kHz",
            f"residual       {self.residual_ma:.3f} mA rms, {self.sample_noise_ma:.3f} mA of it noise",
            f"explained      {_percent(self.coverage_pct)} of the {self.moves_ma:.3g} mA rms that move;"
            f" asleep {_percent(self.asleep_coverage_pct)} of {self.asleep_moves_ma:.3g} mA;"
            f" {explained} of {seen} pulses",
        ]
        lines += [f"unexplained    {text}" for text in self.unexplained or ("nothing that was seen",)]
        return "\n".join(lines)


def fit(recordings: Sequence[Recording]) -> Fitted:
    """Fit the vehicle that some recordings show; raises InputError and CannotTellError where one of them
    shows no sleeping vehicle."""
    rests = [measure(recording) for recording in recordings]
    kinds = sorts(rests)
    laws = [law(sort, rests) for sort in kinds]
    asleep_s = sum(rest.asleep_s for rest in rests)
    asleep_ma = sum(rest.asleep_ma * rest.asleep_s for rest in rests) / asleep_s
    longest = max(rests, key=lambda rest: rest.asleep_from_s - rest.begin_s)
    ends = [at for at, _ in longest.stairs[1:]]
    stairs = tuple((ma, end - at) for (at, ma), end in zip(longest.stairs[:-1], ends, strict=True) if ma > 0)
    known = [sort for sort, one in zip(kinds, laws, strict=True) if one is not None]
    sums = [_left(rest, k, known) for k, rest in enumerate(rests)]
    noise_ma = math.sqrt(sum(rest.seen.noise**2 * rest.asleep_s for rest in rests) / asleep_s)
    rates = [rest.seen.noise / math.sqrt(min(1.0, 1 / rest.seen.interval_s / USUAL_HZ)) for rest in rests]
    explained = sum(sort.count for sort in known)
    return Fitted(
        asleep_ma=asleep_ma,
        asleep_s=asleep_s,
        stairs=stairs,
        twitches=tuple(sorted((one for one in laws if one is not None), key=lambda one: -one.level_ma)),
        noise_ma=math.sqrt(
            sum(n**2 * rest.asleep_s for n, rest in zip(rates, rests, strict=True)) / asleep_s
        ),
        residual_ma=math.sqrt(sum(s.left for s in sums) / max(1, sum(s.count for s in sums))),
        sample_noise_ma=noise_ma,
        coverage_pct=_coverage(sums, asleep=False),
        asleep_coverage_pct=_coverage(sums, asleep=True),
        moves_ma=math.sqrt(_moves(sums, False)[1] / max(1, sum(s.count for s in sums))),
        asleep_moves_ma=math.sqrt(_moves(sums, True)[1] / max(1, sum(s.asleep_count for s in sums))),
        pulses=(sum(len(rest.pulses) for rest in rests), explained),
        unexplained=tuple(_unexplained(rests, kinds, laws, asleep_ma))[:MOST_TOLD],
    )


class _Charge:
    """What staircase and known pulses have drawn of it up to any instant: each edge at s of height h has
    drawn h (t - s)."""

    def __init__(self, rest: Rest, number: int, known: Sequence[Sort]) -> None:
        at_s, levels = zip(*rest.stairs, strict=True)
        edges = [
            (at, after - before) for at, before, after in zip(at_s, (0.0, *levels), levels, strict=False)
        ]
        edges[0] = (rest.begin_s - 1.0, levels[0])
        for sort in known:
            for at in sort.starts_s.get(number, []):
                edges += [(at, sort.level), (at + sort.lasts_s, -sort.level)]
        edges.sort()
        self._at_s = np.array([at for at, _ in edges])
        heights = np.array([height for _, height in edges])
        self._sums = np.append(0.0, np.cumsum(heights))
        self._moments = np.append(0.0, np.cumsum(heights * self._at_s))

    def up_to(self, t_s: Floats) -> Floats:
        """In mA s, up to some instants."""
        place = np.searchsorted(self._at_s, t_s)
        charge: Floats = self._sums[place] * t_s - self._moments[place]
        return charge


@dataclass
class _Sums:
    """Squares over a recording: of what is left, of what moves, and of the noise; the same asleep."""

    count: int = 0
    left: float = 0.0
    moves: float = 0.0
    noise: float = 0.0
    asleep_count: int = 0
    asleep_left: float = 0.0
    asleep_moves: float = 0.0
    asleep_noise: float = 0.0


def _left(rest: Rest, number: int, known: Sequence[Sort]) -> _Sums:
    """Go through a recording's samples once, with the pulses of known kinds where they were seen."""
    charge = _Charge(rest, number, known)
    sums, half_s = _Sums(), rest.seen.interval_s / 2
    for t_s, value in rest.recording.blocks():
        inside = (t_s >= rest.begin_s) & np.isfinite(value)
        at_s, got = t_s[inside], value[inside]
        # as the measuring side has it, a sample is the mean over the interval around its instant
        model = (charge.up_to(at_s + half_s) - charge.up_to(at_s - half_s)) / (2 * half_s)
        squares, moves = (got - model) ** 2, (got - rest.asleep_ma) ** 2
        asleep = at_s >= rest.asleep_from_s
        noise = rest.seen.noise**2
        sums.count += len(got)
        sums.left += float(squares.sum())
        sums.moves += float(moves.sum())
        sums.noise += noise * len(got)
        sums.asleep_count += int(asleep.sum())
        sums.asleep_left += float(squares[asleep].sum())
        sums.asleep_moves += float(moves[asleep].sum())
        sums.asleep_noise += noise * int(asleep.sum())
    return sums


def _moves(sums: Sequence[_Sums], asleep: bool) -> tuple[float, float]:
    """Squares of what is left and of what moves, without the noise's; 0 moves where it is all noise."""
    if asleep:
        rows = [(s.asleep_left, s.asleep_moves, s.asleep_noise) for s in sums]
    else:
        rows = [(s.left, s.moves, s.noise) for s in sums]
    left, moves, noise = (sum(column) for column in zip(*rows, strict=True))
    return max(0.0, left - noise), moves - noise if moves > 1.1 * noise else 0.0


def _coverage(sums: Sequence[_Sums], asleep: bool) -> float | None:
    left, moves = _moves(sums, asleep)
    return None if moves <= 0 else 100 * min(1.0, max(0.0, 1 - left / moves))


def _unexplained(
    rests: Sequence[Rest], kinds: Sequence[Sort], laws: Sequence[Again | None], asleep_ma: float
) -> list[str]:
    """What was seen and isn't in the vehicle, in words."""
    found = []
    for rest in rests:
        name = rest.recording.name
        if rest.woke:
            found.append(
                f"{name}: it woke {len(rest.woke)} times, last at {rest.woke[-1]:.1f} s: fitted from there"
            )
        if abs(rest.asleep_ma - asleep_ma) > max(APART_MA, APART_SHARE * asleep_ma):
            found.append(
                f"{name}: {rest.asleep_ma:.1f} mA asleep, where all together have {asleep_ma:.1f} mA"
            )
        rises = [b - a for (_, a), (_, b) in zip(rest.stairs, rest.stairs[1:], strict=False) if b > a]
        if rises:
            found.append(f"{name}: {len(rises)} steps up on the way to sleep, of up to {max(rises):.1f} mA")
        for kind, what in ((sn.DIP, "dips below the base"), (sn.SPIKE, "spikes of one sample")):
            count = len(rest.pulses.of(kind))
            if count:
                found.append(f"{name}: {count} {what}")
        if rest.seen.unjudged_s > 0:
            found.append(
                f"{name}: {rest.seen.unjudged_s:.3g} s were not judged (gaps, pulses cut off, noise)"
            )
    for sort, one in zip(kinds, laws, strict=True):
        if one is None:
            why = "too few for a law" if sort.count < LEAST_COUNT else "their instants have no law"
            times = "once" if sort.count == 1 else f"{sort.count} times"
            found.append(f"{sort.level:.1f} mA for {sort.lasts_s * 1000:.4g} ms, {times}: {why}")
    return found


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 2)


def _percent(value: float | None) -> str:
    return "all" if value is None else f"{value:.1f} %"
