"""What two accounts may differ by, and how that is said: tolerances, which pulse of one is which of another,
and the rows of the answer."""

from __future__ import annotations

from dataclasses import asdict, dataclass

import numpy as np

from nightdraw.capture.place import nearest
from nightdraw.capture.seen import Floats, Ints

LEVEL_MA = (
    2.0  # levels agree within this: the box's own steps are 1.4 mA, a hand-held meter's last digits 1 mA
)
LEVEL_SHARE = 0.02  # or within this share of the level above the base
TIME_S = 1e-3  # instants and durations agree within this, and one sample of a recording
DEVIATIONS = 5.0  # noise may look like a difference of five deviations once in two million pulses
NEAR_SHARE = (
    0.25  # a pulse may be displaced by a quarter of the distance to its neighbours and still be itself
)
NEAR_S = 1.0  # but by no more than this
MOST_OF_A_KIND = 50  # more rows than this of one kind tell a reader nothing new

MISSING, EXTRA, LEVEL, DURATION, TIME = "missing", "extra", "level", "duration", "time"
STUCK_ON, OPEN, BASE = "stuck-on", "open", "base"
KINDS = (STUCK_ON, OPEN, LEVEL, BASE, MISSING, EXTRA, DURATION, TIME)  # in the order of telling: causes first


@dataclass(frozen=True)
class Difference:
    """One difference. pulse: its number from 1 in the account that has it, None where none is meant.

    asked, did, seen: seconds for duration, time, missing and extra (their start), else mA; None: not known.
    """

    kind: str
    pulse: int | None
    asked: float | None
    did: float | None
    seen: float | None
    message: str

    def __post_init__(self) -> None:
        """Figures as they are told, to a microsecond or a nanoampere."""
        for name in ("asked", "did", "seen"):
            told = getattr(self, name)
            object.__setattr__(self, name, None if told is None else round(float(told), 6))

    def document(self) -> dict[str, object]:
        """The contract's keys."""
        return asdict(self)


def level_tolerance(level_ma: float) -> float:
    """What two levels of about this size above the base may differ by."""
    return max(LEVEL_MA, LEVEL_SHARE * abs(level_ma))


def tolerance_ma(level_ma: Floats) -> Floats:
    """The same for many."""
    allowed: Floats = np.maximum(LEVEL_MA, LEVEL_SHARE * np.abs(level_ma))
    return allowed


def milliseconds(seconds: float) -> str:
    """A duration for people."""
    return f"{seconds * 1e3:.1f} ms" if abs(seconds) < 10 else f"{seconds:.3f} s"


def later(by_s: float) -> str:
    """By how much something came later or earlier."""
    return f"{milliseconds(abs(by_s))} {'later' if by_s > 0 else 'earlier'}"


def capped(found: list[Difference]) -> list[Difference]:
    """At most MOST_OF_A_KIND of each kind, the last of them saying how many more there are."""
    kept: list[Difference] = []
    for kind in KINDS:
        rows = [row for row in found if row.kind == kind]
        more = len(rows) - MOST_OF_A_KIND
        if more > 0:
            last = rows[MOST_OF_A_KIND - 1]
            told = f"{last.message} (and {more} more of this kind)"
            rows = [*rows[: MOST_OF_A_KIND - 1], Difference(**{**asdict(last), "message": told})]
        kept += rows
    return kept


def match(one_s: Floats, one_end_s: Floats, other_s: Floats, other_end_s: Floats) -> tuple[Ints, Ints]:
    """Indices of pulses that are each other's nearest, and overlap or start close together.

    Seconds; both trains in order of time; instants are pulses of no length.
    """
    if not len(one_s) or not len(other_s):
        nothing = np.empty(0, dtype=np.int64)
        return nothing, nothing
    there = nearest(other_s, one_s)
    here = np.flatnonzero(nearest(one_s, other_s)[there] == np.arange(len(one_s)))
    there = there[here]
    overlap = (other_s[there] < one_end_s[here]) & (one_s[here] < other_end_s[there])
    good = overlap | (np.abs(one_s[here] - other_s[there]) <= _reach(one_s)[here])
    return here[good], there[good]


def _reach(starts_s: Floats) -> Floats:
    distance = np.diff(starts_s, prepend=-np.inf, append=np.inf)
    reach: Floats = np.minimum(NEAR_SHARE * np.minimum(distance[:-1], distance[1:]), NEAR_S)
    return reach
