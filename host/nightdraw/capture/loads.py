"""What a vehicle's own loads put into a recording, by its file and the script that was played.

Modules, lamps and sources change when the script lets something happen, twitches come by their law at
instants that nobody knows. Both are told by `vehicle.expected`; here they are restricted to what the recorded
channel carries and laid on the recording's clock, whose zero is the script's. Nothing is judged here.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from boxcore.program import TICKS_PER_S

from nightdraw.capture.read import CURRENT_NAMES
from nightdraw.capture.seen import Bools, Floats
from nightdraw.errors import InputError
from nightdraw.vehicle import Vehicle
from nightdraw.vehicle.expected import Again, again, changes, drawn_at_zero
from nightdraw.vehicle.model import BATTERY, FEED
from nightdraw.vehicle.script import Script

SLACK_S = 3.0  # a script's events done by hand come within this of their instants
NEAR_S = 1.0  # a level beside which one lies says nothing of the base
LIKE_MA, LIKE_SHARE = 2.0, 0.1  # a load's current is like its file within this: lamps follow the voltage
ON_S = 5e-3  # a twitch lasts as its file says within this and two samples


@dataclass(frozen=True)
class Loads:
    """A vehicle's loads on one channel. first_ma: what they draw at the recording's zero; at_s, step_ma, who:
    their changes in order; twitches; twitch_ma: what the twitches draw in the mean."""

    first_ma: float
    at_s: Floats
    step_ma: Floats
    who: tuple[str, ...]
    twitches: tuple[Again, ...]
    twitch_ma: float

    def mean_ma(self, from_s: Floats, to_s: Floats) -> Floats:
        """What they draw in the mean over each span of the recording."""
        level = self.first_ma + np.append(0.0, np.cumsum(self.step_ma))
        corners = np.concatenate(([0.0], self.at_s))
        charge = np.append(0.0, np.cumsum(level[:-1] * np.diff(corners)))

        def until(t_s: Floats) -> Floats:
            place = np.clip(np.searchsorted(corners, t_s, side="right") - 1, 0, len(level) - 1)
            found: Floats = charge[place] + level[place] * (t_s - corners[place])
            return found

        mean: Floats = (until(to_s) - until(from_s)) / np.maximum(to_s - from_s, 1e-9) + self.twitch_ma
        return mean

    def settled(self, from_s: Floats, to_s: Floats) -> Bools:
        """The spans in which none of the script's events lies, even where it was done early or late."""
        quiet: Bools = np.searchsorted(self.at_s, from_s - NEAR_S) == np.searchsorted(
            self.at_s, to_s + NEAR_S
        )
        return quiet

    def draw(self, ma: Floats, met: bool = False) -> Bools:
        """Which of some currents one of the loads changes by; met: or two twitches at one instant."""
        twitches = [1e3 * twitch.draw_a for twitch in self.twitches]
        both = [ma for one, other in combinations(twitches, 2) for ma in (one + other, abs(one - other))]
        draws = np.concatenate((np.abs(self._together()[1]), twitches, both if met else []))
        found: Bools = np.array([bool(_like(draws, each, 0.0).any()) for each in ma.tolist()], dtype=bool)
        return found

    def explain(
        self, at_s: Floats, height_ma: Floats, u_ma: Floats, box_s: Floats, interval_s: float
    ) -> list[str | None]:
        """Whose each change of the recording is, None where it is none of the vehicle's.

        box_s: instants of the box's own edges, which hide what falls on them; interval_s: between samples.
        """
        at, step, who = self._together()
        found: list[str | None] = [None] * len(at_s)
        pairs: list[tuple[float, int, int]] = []
        for k, (t_s, height, u) in enumerate(
            zip(at_s.tolist(), height_ma.tolist(), u_ma.tolist(), strict=True)
        ):
            near = np.flatnonzero((np.abs(at - t_s) <= SLACK_S) & _like(step, height, u))
            unlike = np.abs(at[near] - t_s) / SLACK_S + np.abs(step[near] - height) / np.abs(step[near])
            pairs += [(float(unlike[i]), k, int(j)) for i, j in enumerate(near)]
        # what the script lets happen once is one change of the recording's: the likest
        free = np.ones(len(at), dtype=bool)
        for _, k, change in sorted(pairs):
            if free[change] and found[k] is None:
                found[k], free[change] = who[change], False
        reach_s = ON_S + 2 * interval_s
        for twitch in self.twitches:
            draw_ma = 1e3 * twitch.draw_a
            like = np.abs(np.abs(height_ma) - draw_ma) <= np.maximum(LIKE_MA, LIKE_SHARE * draw_ma) + 3 * u_ma
            for k in np.flatnonzero(like & np.array([name is None for name in found], dtype=bool)).tolist():
                # its other edge must be there at its own time, or have fallen on one of the box's
                other_s = at_s[k] + np.sign(height_ma[k]) * twitch.on_s
                there = like & (height_ma * height_ma[k] < 0) & (np.abs(at_s - other_s) <= reach_s)
                if there.any() or np.any(np.abs(box_s - other_s) <= reach_s):
                    found[k] = twitch.who
        return found

    def _together(self) -> tuple[Floats, Floats, list[str]]:
        """Changes at one instant as the one that is seen."""
        at, place = np.unique(self.at_s, return_inverse=True)
        step = np.bincount(place, self.step_ma, len(at)).astype(float)
        names: list[list[str]] = [[] for _ in at]
        for k, who in zip(place.tolist(), self.who, strict=True):
            names[k].append(who)
        return at, step, [" and ".join(dict.fromkeys(each)) for each in names]


def _like(due_ma: Floats, seen_ma: float, u_ma: float) -> Bools:
    allowed = np.maximum(LIKE_MA, LIKE_SHARE * np.abs(due_ma)) + 3 * u_ma
    like: Bools = np.abs(due_ma - seen_ma) <= allowed
    return like


def said(names: list[str | None]) -> str:
    """For people: who made how many changes."""
    counted = Counter(name for name in names if name is not None)
    parts = [f"{name} {number}" for name, number in counted.most_common()]
    return f"the vehicle's own changes, as its file and script say: {', '.join(parts)}"


def loads_of(vehicle: Vehicle, script: Script, channel: str, until_s: float) -> Loads:
    """The loads of a vehicle behind a channel ("battery", a feed, a fuse) up to an instant of the recording.

    A column that is only called a current is taken for the battery's. Raises InputError for a channel that
    the vehicle hasn't got.
    """
    channel = BATTERY if channel.lower() in CURRENT_NAMES else channel
    kind = vehicle.channels().get(channel)
    if kind is None:
        known = ", ".join(list(vehicle.channels())[:8])
        raise InputError(
            f"{vehicle.name} has no channel {channel!r}: name the column after what was clamped "
            f"({known} ...), or leave --vehicle out"
        )

    def carried(fuse: str | None) -> bool:
        if fuse is None:
            return False
        on_feed = kind == FEED and vehicle.feed_of(fuse) == channel
        return kind == BATTERY or on_feed or fuse == channel

    first = sum(a for (_, fuse), a in drawn_at_zero(vehicle, script).items() if carried(fuse))
    ticks = max(round(until_s * TICKS_PER_S), 1)
    rows = [row for row in changes(vehicle, script, ticks) if carried(row.fuse)]
    twitches = tuple(t for t in again(vehicle) if carried(t.fuse))
    mean_a = sum(t.draw_a * t.on_s / (sum(t.every_s) / 2) for t in twitches)
    return Loads(
        1e3 * first,
        np.array([row.at_s for row in rows]),
        np.array([1e3 * (row.to_a - row.from_a) for row in rows]),
        tuple(row.who for row in rows),
        twitches,
        1e3 * mean_a,
    )
