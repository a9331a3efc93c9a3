"""A recording that a group handed in: measured by capture, held against what is claimed and what the box did.

Only plain file names within the folder of recordings are opened. A recording of a voltage is read with the
scale of the group's own clamp; of millivolts across a fuse only times and the count of levels tell.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from nightdraw.capture import kinds, read
from nightdraw.capture import seen as sn
from nightdraw.capture.pulses import Pulses, measure
from nightdraw.capture.read import Options
from nightdraw.capture.seen import Floats
from nightdraw.errors import NightdrawError
from nightdraw.instruments.model import Instruments
from nightdraw.lesson.claims import Claim, shown
from nightdraw.lesson.judge import HALF, NOTHING, RIGHT, Rules, Scored
from nightdraw.lesson.tolerances import CURRENT
from nightdraw.lesson.tolerances import shown as amount
from nightdraw.lesson.truth import NONE, Behaviour

LEVEL_SHARE = 0.15  # a clamp's gain and a class's own zero: a recording is no meter
ENOUGH = 0.3  # of the pulses must be as the box made them: a base that moves joins some and hides others
MOST_MISSED = 4  # periods in a row
UNUSUAL = 0.1  # at either end
LEAST_SHARE = 0.3  # of the fault's level: what is less isn't the fault
LEAST_PULSES = 2  # one pulse may be anybody's
ZERO_A = 0.01  # that a clamp's zero may be off by
NEAR_U = 3.0  # standard uncertainties
MORE_CHANNELS = 8  # of a file are measured: the clamps and the fuse that the answer names


@dataclass(frozen=True)
class Shows:
    """What one channel shows: pulses alike, or the level of a step that stays; level is None for millivolts.
    level and its uncertainty in A; ranges of the usual durations, distances and gaps in s, and every duration
    and distance."""

    level_a: float | None
    level_u_a: float
    duration_s: tuple[float, float] | None
    period_s: tuple[float, float] | None
    gap_s: tuple[float, float] | None
    count: int
    durations: Floats
    distances: Floats


def score(
    name: str,
    folders: tuple[Path, ...],
    claimed: dict[str, Claim],
    behaviour: Behaviour,
    own_a: float,
    kit: Instruments,
    rules: Rules,
) -> Scored:
    """The evidence item. folders: where the file may lie, the group's own first; claimed: the answer's claims
    by item; own_a: the vehicle's own draw."""
    words = rules.words
    if not name.strip():
        return Scored(NOTHING, words("mark.none"))
    plain = name.strip()
    if not plain.isprintable() or Path(plain).name != plain or "\\" in plain or plain in (".", ".."):
        return Scored(NOTHING, words("mark.evidence.name", file=shown(plain)))
    path = next((folder / plain for folder in folders if _inside(folder / plain, folder)), None)
    if path is None:
        return Scored(NOTHING, words("mark.evidence.missing", file=shown(plain)))
    try:
        seen = _measured(path, kit, LEAST_SHARE * behaviour.level_a[0])
    except NightdrawError:
        return Scored(NOTHING, words("mark.evidence.unreadable", file=shown(plain)))
    return _held(shown(plain), seen, claimed, behaviour, own_a, rules)


def _inside(path: Path, folder: Path) -> bool:
    """A file of the folder itself: no link out of it, no folder, no device."""
    try:
        return path.is_file() and path.resolve().parent == folder.resolve()
    except OSError:
        return False


def _measured(path: Path, kit: Instruments, least_a: float) -> list[Pulses]:
    """Every channel that can tell, measured; raises NightdrawError where none can be.

    least_a: currents below it aren't looked for: a recorder's last digit has thousands of them.
    """
    scale = None if kit.clamp is None else 1000 / kit.clamp.mv_per_a
    found: list[Pulses] = []
    failed: NightdrawError | None = None
    for channel in read.channels(path, Options(scale_ma_per_mv=scale))[:MORE_CHANNELS]:
        for options in (Options(), Options(scale_ma_per_mv=scale)):
            try:
                recording = read.open_recording(path, channel, options)
                found.append(measure(recording, least=1000 * least_a if recording.unit == "mA" else 0.0))
                break
            except NightdrawError as error:
                failed = failed or error
    if not found and failed is not None:
        raise failed
    return found


def _held(
    file: str,
    channels: list[Pulses],
    claimed: dict[str, Claim],
    behaviour: Behaviour,
    own_a: float,
    rules: Rules,
) -> Scored:
    words = rules.words
    everything = [one for seen in channels for one in _shows(seen, behaviour, own_a)]
    if not everything:
        return Scored(NOTHING, words("mark.evidence.empty", file=file))
    real = [one for one in everything if _is_behaviour(one, behaviour, rules)]
    if not real:
        text = _text(max(everything, key=lambda one: one.count), rules)
        return Scored(NOTHING, words("mark.evidence.other", file=file, shown=text))
    best = min(real, key=lambda one: len(_otherwise(one, claimed, behaviour, rules)))
    wrong = _otherwise(best, claimed, behaviour, rules)
    if wrong:
        text = _text(best, rules)
        return Scored(HALF, words("mark.evidence.claim", file=file, shown=text, items=", ".join(wrong)))
    return Scored(RIGHT, words("mark.evidence.right", file=file, shown=_text(best, rules)))


def _shows(seen: Pulses, behaviour: Behaviour, own_a: float) -> list[Shows]:
    """What a channel shows that could be the fault."""
    is_current = seen.seen.unit == "mA"
    if behaviour.steady:
        if not is_current:
            return []
        steps = [(abs(float(h)) / 1000, 3 * float(u) / 1000) for h, u in _steps(seen)]
        # The whole lasting draw, of which everything else on the vehicle is known to a half of itself.
        steps.append((seen.base_ma / 1000 - own_a, (own_a / 2 + ZERO_A) / NEAR_U))
        return [Shows(level, u, None, None, None, 1, NONE, NONE) for level, u in steps if level > 0]
    rows = seen.rows
    return [_kind(kind, rows, is_current) for kind in seen.kinds if len(kind.rows) >= LEAST_PULSES]


def _steps(seen: Pulses) -> list[tuple[float, float]]:
    found = [(h, u) for kind in (sn.STEP, sn.PLATEAU, sn.DIP) for h, u in _levels(seen, kind)]
    return found + [(kind.level, 0.0) for kind in seen.kinds]


def _levels(seen: Pulses, kind: int) -> list[tuple[float, float]]:
    rows = seen.of(kind)
    return list(zip(rows.level.tolist(), rows.level_u.tolist(), strict=True))


def _kind(kind: kinds.Kind, rows: sn.Events, is_current: bool) -> Shows:
    start, lasting = rows.start_s[kind.rows], rows.duration_s[kind.rows]
    distances, gaps = np.diff(start), start[1:] - (start + lasting)[:-1]
    return Shows(
        kind.level / 1000 if is_current else None,
        float(np.median(rows.level_u[kind.rows])) / 1000,
        _usual(lasting),
        _usual(distances),
        None if kind.law == kinds.PERIODIC else _usual(gaps),
        len(kind.rows),
        lasting,
        distances,
    )


def _usual(values: Floats) -> tuple[float, float] | None:
    """The range of the usual ones: two pulses that a drift makes one are no finding."""
    if not len(values):
        return None
    low, high = np.quantile(values, (UNUSUAL, 1 - UNUSUAL))
    return float(low), float(high)


def _is_behaviour(one: Shows, behaviour: Behaviour, rules: Rules) -> bool:
    """Whether that is what the box did, as far as a recording of a while can tell."""
    low_a, high_a = behaviour.level_a
    if one.level_a is not None:
        slack = max(LEVEL_SHARE * high_a, rules.allowed[CURRENT].around(high_a)) + NEAR_U * one.level_u_a
        if not low_a - slack <= one.level_a <= high_a + slack:
            return False
    elif one.duration_s is None:
        return False
    if behaviour.steady:
        return True
    around = {item: rules.allowed[item].around for item in ("duration", "interval")}
    if _share(one.durations, behaviour.duration_s, around["duration"]) < ENOUGH:
        return False
    if not len(one.distances) or not len(behaviour.period_s):
        return True
    times = np.ones(len(one.distances))
    if behaviour.regular:  # a pulse that was missed makes a distance of two periods
        times = np.clip(np.round(one.distances / float(np.median(behaviour.period_s))), 1, MOST_MISSED)
    return _share(one.distances / times, behaviour.period_s, around["interval"]) >= ENOUGH


def _share(seen: Floats, did: Floats, around: Callable[[float], float]) -> float:
    """The share of what was seen that lies within what the box did."""
    if not len(did):
        return 1.0
    least, most = float(np.min(did)), float(np.max(did))
    return float(np.mean((seen >= least - around(least)) & (seen <= most + around(most))))


def _otherwise(one: Shows, claimed: dict[str, Claim], behaviour: Behaviour, rules: Rules) -> list[str]:
    """The items that are claimed and that the recording shows otherwise."""
    words, wrong = rules.words, []
    level = None if one.level_a is None else (one.level_a, one.level_a)
    with_base = None if one.level_a is None else (one.level_a + behaviour.base_a,) * 2
    ways = {
        "current": [level, with_base],
        "duration": [one.duration_s],
        "interval": [one.period_s, one.gap_s],
    }
    for item, shown_ways in ways.items():
        claim = claimed.get(item)
        known = [way for way in shown_ways if way is not None]
        if claim is None or not claim.known or not known or (item != "current" and behaviour.steady):
            continue
        if not any(_agrees(claim, way, item, one, rules) for way in known):
            wrong.append(words(f"item.{item}"))
    return wrong


def _agrees(claim: Claim, way: tuple[float, float], item: str, one: Shows, rules: Rules) -> bool:
    slack = rules.allowed[item].around(way[1])
    if item == "current":
        slack = max(slack, LEVEL_SHARE * way[1]) + NEAR_U * one.level_u_a
    return float(claim.low or 0) <= way[1] + slack and float(claim.high or 0) >= way[0] - slack


def _text(one: Shows, rules: Rules) -> str:
    words = rules.words
    level = "?" if one.level_a is None else amount(one.level_a, CURRENT)
    if one.duration_s is None:
        return words("mark.evidence.steady", level=level)
    spacing = ""
    if one.gap_s is not None:
        spacing = words("mark.evidence.gaps", gaps=_span(one.gap_s))
    elif one.period_s is not None:
        spacing = words("mark.evidence.every", period=_span(one.period_s))
    level = words("mark.evidence.unknown") if one.level_a is None else level
    return words(
        "mark.evidence.pulses", count=one.count, level=level, duration=_span(one.duration_s), spacing=spacing
    )


def _span(ends: tuple[float, float]) -> str:
    low, high = (amount(end, "duration") for end in ends)
    return low if low == high else f"{low} .. {high}"
