"""A recorded fault as a profile: its levels above the base in one replay draw, and how well that follows it.

Nothing is played here: whoever plays it gives the recording of that to `proof`.

Theory of operation. The base is the vehicle's own and is left out: a running median of BASE_S, which keeps
steps that stand for longer where they are. What is left may change its level at candidates only: at every
edge that was seen, and, where the record is no level between two of them (means of BINS parts differ), at
instants evenly spread and doubling in distance from both ends, as an exponential needs them. Of all choices
of candidates the one with the fewest pieces is taken (see segments: optimal partitioning, exact for each
penalty) that

- leaves at most SHAPE of the error as rms where something is drawn, so that the bank may take the rest,
- keeps the charge within the error,
- has every sharp edge of LEAST_EDGE of the highest level: those are what a class measures.

Each piece's mean becomes the nearest level that the bank draws, its bounds ticks of the box: an edge is then
off by half a tick and what its instant was not known by. Assumed: the bank follows its levels at the supply
that is given. Cost: that of the partitions, some twenty of them.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from boxcore import program as pg
from boxcore.bank import Bank

from nightdraw.capture.events import see
from nightdraw.capture.read import Recording
from nightdraw.capture.seen import Bools, Floats, Ints, Seen
from nightdraw.capture.segments import Pieces
from nightdraw.errors import CannotTellError, Finding, InputError

MOST_SAMPLES = 20_000_000  # held in memory: half a gigabyte; 5 h at 1 kHz
LEAST_EDGE = 0.05  # of the highest level: edges from here on are kept, whatever the error would allow
BASE_S = 60.0  # what the vehicle itself draws stands for longer than half of this
BASE_STEP_S = 1.0
ACTIVE = 0.02  # of the highest level: where more than this is drawn, the error is counted
SHAPE = 0.8  # of the error may be left by the pieces, so that box and bank may take 0.6 of it (rms)
SURE = 6.0  # times the noise: an edge's instant is worth comparing from here on
BINS = 16  # a level whose means in so many parts differ is no level but a slope
UNIFORM = 32  # candidates on a slope, and
DOUBLING = 12  # more that are closer at its ends, where what falls exponentially changes most
ROOM_LEVELS = (pg.MAX_BYTES - 256) // pg.LEVEL_BYTES  # a program's head is shorter
NEAR = 3  # samples beside an edge that say whether it is sharp:
SHARP = 0.4  # the jump between them may differ from the whole step by this share
PART_HINT = "a part with --from and --for"
MATCH_S = 0.5  # edges further apart are not the same
TICK_S = 1 / pg.TICKS_PER_S


@dataclass(frozen=True)
class Replay:
    """What is to be replayed: level i (uA, as the bank draws it) lasts ticks[i].

    at_s: the same pieces' bounds on the recording's clock; level_ma: their levels in the recording, above the
    base; shape_ma: rms by which the recording leaves its pieces; sharp: which of its edges are;
    seen: the recording; base_ma: what is left out; dips: pieces below the base, which no load can replay.
    """

    level_ua: tuple[int, ...]
    ticks: tuple[int, ...]
    at_s: Floats
    level_ma: Floats
    shape_ma: float
    sharp: Bools
    seen: Seen
    base_ma: float
    dips: int

    @property
    def peak_ma(self) -> float:
        """The highest level."""
        return max(self.level_ua) / 1e3

    @property
    def length_s(self) -> float:
        """One round."""
        return sum(self.ticks) * TICK_S

    @property
    def charge_mas(self) -> float:
        """Charge of one round, mA s."""
        return float(np.dot(self.level_ua, self.ticks)) / 1e3 * TICK_S

    def merged(self) -> list[tuple[int, int]]:
        """(level, ticks) with neighbours of the same level as one."""
        rows: list[tuple[int, int]] = []
        for level, ticks in zip(self.level_ua, self.ticks, strict=True):
            if rows and rows[-1][0] == level:
                rows[-1] = (level, rows[-1][1] + ticks)
            else:
                rows.append((level, ticks))
        return rows

    def text(self, name: str, source: str, board_run_ticks: int) -> str:
        """The profile's YAML."""
        levels = self.merged()
        rows = "\n".join(f"        - [{_current(level)}, {_duration(ticks)}]" for level, ticks in levels)
        run_ticks = min(max(3 * 3600 * pg.TICKS_PER_S, sum(self.ticks)), board_run_ticks)
        rounds = -(-run_ticks // sum(self.ticks))
        charge_mah = max(np.ceil(1.2 * self.charge_mas * rounds / 3600), 100)
        about = (
            f"Replayed from {source}: {len(levels)} levels in {self.length_s:.4g} s, up to "
            f"{self.peak_ma:.4g} mA\n  above a base of {self.base_ma:.4g} mA, which is left out."
        )
        return (
            f"profile: {name}\nabout: >\n  {about}\nstart: {{when: panel}}\n"
            f"draws:\n  - replay:\n      levels:\n{rows}\n      repeat: forever\n"
            f"limits: {{run: {_duration(run_ticks)}, charge: {charge_mah:.0f} mAh}}\nresume: restart\n"
        )


def slug(text: str) -> str:
    """A profile's name from a file's."""
    words = re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")
    return (words if words[:1].isalpha() else f"replay-{words}").strip("-")[:32].rstrip("-")


def _current(ua: int) -> str:
    return f"{ua / 1000:.3f}".rstrip("0").rstrip(".") + " mA"


def _duration(ticks: int) -> str:
    value, unit = (ticks / 10, "ms") if ticks < pg.TICKS_PER_S else (ticks / pg.TICKS_PER_S, "s")
    return f"{value:.4f}".rstrip("0").rstrip(".") + f" {unit}"


def _lasting_base(t_s: Floats, seen: Seen) -> Floats:
    """The base without whatever stands for less than half of BASE_S: a part of the fault that settles for
    some seconds may count as a base to the pulses on it, but is to be replayed. A running median keeps the
    vehicle's own steps, which stand for longer, where they are."""
    from scipy.ndimage import median_filter

    grid_s = np.arange(t_s[0], t_s[-1] + BASE_STEP_S, BASE_STEP_S)
    level = median_filter(seen.base.at(grid_s), round(BASE_S / BASE_STEP_S), mode="reflect")
    base: Floats = np.interp(t_s, grid_s, level)
    return base


def replay(recording: Recording, bank: Bank, supply_mv: int, error: float) -> Replay:
    """The fewest levels that follow a recording within an error (a share of its highest level, and of its
    charge). Raises InputError for a recording too long, or beyond the bank or a program within that error,
    CannotTellError where nothing stands above the base."""
    t_s, value, seen = _loaded(recording)
    value = value - _lasting_base(t_s, seen)
    sharp = _sharp(t_s, value, seen)
    pieces, kept = _pieces(t_s, value, seen, sharp, error)
    ends = np.arange(len(pieces.at_s))
    finest = pieces.levels(ends[:-1], ends[1:])
    counts = pieces.counts(ends[:-1], ends[1:])
    peak = float(np.nanmax(np.where(counts > 0, finest, 0.0), initial=0.0))
    if not len(seen.edges) or peak < bank.gap_ua(supply_mv) / 2e3:
        raise CannotTellError(Finding("nothing stands above the base: nothing to replay", recording.name))
    active = max(float(counts[finest > ACTIVE * peak].sum()), 1.0)
    least = float(pieces.errors(ends[:-1], ends[1:]).sum())
    lasting = np.diff(pieces.at_s)
    charge = float(np.nansum(finest * lasting * (finest > ACTIVE * peak)))

    def shape(cuts: Ints) -> float:
        return float(np.sqrt(max(pieces.errors(cuts[:-1], cuts[1:]).sum() - least, 0.0) / active))

    def good(cuts: Ints) -> bool:
        levels = pieces.levels(cuts[:-1], cuts[1:])
        drawn = float(np.nansum(levels * np.diff(pieces.at_s[cuts]) * (levels > ACTIVE * peak)))
        return (
            shape(cuts) <= SHAPE * error * peak
            and abs(drawn - charge) <= error * charge
            and bool(np.isin(kept, cuts).all())
        )

    cuts = pieces.fewest(seen.noise**2, good)
    if cuts is None:
        raise AssertionError("the finest pieces are always good")
    level_ma = np.nan_to_num(pieces.levels(cuts[:-1], cuts[1:]))
    found = _Follows(pieces.at_s[cuts], level_ma, shape(cuts), sharp)
    return _drawn(recording, seen, found, bank, supply_mv)


def _loaded(recording: Recording) -> tuple[Floats, Floats, Seen]:
    seen = see(recording)
    if seen.samples > MOST_SAMPLES:
        message = f"{seen.samples} samples: a replay is made of at most {MOST_SAMPLES}"
        raise InputError(Finding(message, recording.name, hint=PART_HINT))
    return *recording.samples(), seen


def _sharp(t_s: Floats, value: Floats, seen: Seen) -> Bools:
    """Which edges change within two samples: what creeps is cut into edges too, whose places mean nothing."""
    at = np.searchsorted(t_s, seen.edges.at_s)
    room = np.diff(np.concatenate(([0], at, [len(t_s)])))
    before, after = (np.clip(side - 2, 1, NEAR) for side in (room[:-1], room[1:]))
    total = np.concatenate(([0.0], np.cumsum(value)))

    def mean(first: Ints, last: Ints) -> Floats:
        first, last = np.clip(first, 0, len(value) - 1), np.clip(last, 1, len(value))
        return np.asarray((total[last] - total[first]) / np.maximum(last - first, 1))

    jump = mean(at + 1, at + 1 + after) - mean(at - 1 - before, at - 1)
    height = seen.edges.height
    return np.asarray(np.abs(jump - height) <= SHARP * np.abs(height))


def _pieces(t_s: Floats, value: Floats, seen: Seen, sharp: Bools, error: float) -> tuple[Pieces, Ints]:
    """Candidates: every edge, and points on whatever is no level between two of them; and the places of the
    sharp edges, which must stay."""
    begin_s, end_s = float(t_s[0]), float(t_s[-1]) + seen.interval_s
    least_s = pg.MIN_TICKS * TICK_S
    at_s, height = seen.edges.at_s, np.abs(seen.edges.height)
    inside = (at_s > begin_s + least_s) & (at_s < end_s - least_s)
    inside[1:] &= np.diff(at_s) >= least_s  # a box makes none shorter
    at_s, height, sharp = at_s[inside], height[inside], sharp[inside]
    bounds = np.concatenate(([begin_s], at_s, [end_s]))
    peak = float(np.max(height, initial=0.0))
    more = [_slope(t_s, value, low, high, seen, error * peak / 2) for low, high in pairwise(bounds.tolist())]
    extra = np.concatenate([*more, np.empty(0)])
    every = np.concatenate((bounds, extra))
    edge = np.concatenate(([False], sharp, [False], np.zeros(len(extra), bool)))
    order = np.argsort(every, kind="stable")
    every, edge = every[order], edge[order]
    kept_s = at_s[sharp & (height >= LEAST_EDGE * peak)]
    return Pieces(t_s, value, every, edge), np.searchsorted(every, kept_s)


def _slope(t_s: Floats, value: Floats, low: float, high: float, seen: Seen, least: float) -> Floats:
    """Candidates between two edges: none where the record stays at one level."""
    first, last = np.searchsorted(t_s, (low + seen.interval_s, high - seen.interval_s))
    if last - first < 2 * BINS:
        return np.empty(0)
    starts = np.linspace(first, last, BINS, endpoint=False).astype(int)
    count = np.diff(np.append(starts, last))
    mean = np.add.reduceat(value[first:last], starts - first) / count
    off = np.abs(mean - value[first:last].mean())
    if not np.any(off > np.maximum(least, SURE * seen.noise / np.sqrt(count))):
        return np.empty(0)
    near_s = seen.interval_s * 2.0 ** np.arange(1, DOUBLING + 1)
    near_s = near_s[near_s < (high - low) / 4]
    even = np.linspace(low, high, UNIFORM + 1)[1:-1]
    found = np.unique(np.concatenate((low + near_s, even, high - near_s)))
    least_s = max(pg.MIN_TICKS * TICK_S, seen.interval_s)
    found = found[np.concatenate(([True], np.diff(found) >= least_s))]
    return found[(found > low + least_s) & (found < high - least_s)]


@dataclass(frozen=True)
class _Follows:
    """Pieces that follow a recording: their bounds, levels, the rms of what they leave, its sharp edges."""

    at_s: Floats
    level_ma: Floats
    shape_ma: float
    sharp: Bools


def _drawn(recording: Recording, seen: Seen, found: _Follows, bank: Bank, supply_mv: int) -> Replay:
    """The pieces as the bank draws them."""
    at_s, level_ma = found.at_s, found.level_ma
    full_ma = bank.full_ua(supply_mv) / 1e3
    if level_ma.max() > full_ma * 1.005:
        message = f"{level_ma.max():.4g} mA stand above the base, the bank draws at most {full_ma:.4g} mA"
        raise InputError(Finding(message, recording.name, hint=f"another --board, or {PART_HINT}"))
    wanted_ua = np.round(np.maximum(level_ma, 0.0) * 1000).astype(int)
    level_ua = tuple(bank.current_ua(bank.pattern(int(ua), supply_mv), supply_mv) for ua in wanted_ua)
    places = np.round((at_s - at_s[0]) * pg.TICKS_PER_S).astype(int)
    made = Replay(
        level_ua=level_ua,
        ticks=tuple(int(ticks) for ticks in np.diff(places)),
        at_s=at_s,
        level_ma=level_ma,
        shape_ma=found.shape_ma,
        sharp=found.sharp,
        seen=seen,
        base_ma=float(np.median(seen.base.level)) if len(seen.base) else 0.0,
        dips=int(np.count_nonzero(level_ma < -max(bank.gap_ua(supply_mv) / 1e3, seen.noise))),
    )
    if len(made.merged()) > ROOM_LEVELS:
        message = f"{len(made.merged())} levels follow it, a program holds {ROOM_LEVELS}"
        raise InputError(Finding(message, recording.name, hint=f"a larger --error, or {PART_HINT}"))
    return made


@dataclass(frozen=True)
class Proof:
    """How a replay that was played differs from the recording that it was made of. edge_s: the worst edge,
    None where one is missing; edge_bound_s: a tick and a sample of each recording."""

    charge_error: float
    level_error_ma: float
    edge_s: float | None
    edge_bound_s: float

    def agrees(self, error: float, peak_ma: float) -> bool:
        """Whether all of it is within the error, and edges within a tick and a sample."""
        edges = self.edge_s is not None and self.edge_s <= self.edge_bound_s
        return edges and self.charge_error <= error and self.level_error_ma <= error * peak_ma


def proof(made: Replay, played: Recording, own_ma: float) -> Proof:
    """Compare a replay with the recording of its being played from zero on, by a box that consumes own_ma."""
    t_s, value = played.samples()
    at_s = made.at_s - made.at_s[0]
    pieces = Pieces(t_s, value - own_ma, at_s, np.ones(len(at_s), bool))
    ends = np.arange(len(at_s))
    level, lasting_s = pieces.levels(ends[:-1], ends[1:]), np.diff(at_s)
    counted = (np.array(made.level_ua) > 0) | (made.level_ma > ACTIVE * made.peak_ma)
    counted &= np.isfinite(level)
    off = (level - made.level_ma)[counted]
    weight = lasting_s[counted]
    charge = float(np.sum(weight * made.level_ma[counted]))
    rms = float(np.sqrt(np.sum(weight * off**2) / max(np.sum(weight), 1e-12)))
    shown = see(played)
    return Proof(
        charge_error=abs(float(np.sum(weight * off))) / max(charge, 1e-12),
        level_error_ma=float(np.hypot(rms, made.shape_ma)),
        edge_s=_worst_edge(made, shown),
        edge_bound_s=TICK_S + made.seen.interval_s + shown.interval_s,
    )


def _worst_edge(made: Replay, shown: Seen) -> float | None:
    """By how much the worst edge is off that is large enough to be placed in both."""
    edges = made.seen.edges
    noise = max(made.seen.noise, shown.noise)
    large = made.sharp & (np.abs(edges.height) >= max(2 * LEAST_EDGE * made.peak_ma, SURE * noise))
    inside = (edges.at_s > made.at_s[0]) & (edges.at_s < made.at_s[-1]) & large
    wanted_s, up = edges.at_s[inside] - made.at_s[0], edges.height[inside] > 0
    worst = 0.0
    for way in (True, False):
        known_s = shown.edges.at_s[(shown.edges.height > 0) == way]
        for one in wanted_s[up == way]:
            off = float(np.min(np.abs(known_s - one), initial=np.inf))
            if off > MATCH_S:
                return None
            worst = max(worst, off)
    return worst
