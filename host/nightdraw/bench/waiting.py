"""How long one waits for pulses: trains from the firmware's own schedule, closed forms where there are any.

All times count from an instant chosen at random, seconds; a pulse counts when it was seen whole.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from boxcore import schedule
from boxcore.program import TICKS_PER_S

from nightdraw.profile import Profile
from nightdraw.profile.model import Pulse, Random, Steady

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

PULSES = 4000  # of a train: its mean gap is then known to 1.6 %, were it exponential
SHORTEST_S, LONGEST_S = 3600.0, 100 * 86_400.0
TRIALS = 4000  # of a simulation: a mean to some 1.6 % of its spread
STRONG = 0.5  # of the strongest pulse: weaker ones are left to hide behind it


@dataclass(frozen=True)
class Spread:
    """Expected and 95 % time, seconds."""

    expected_s: float
    p95_s: float


class Train:
    """Pulses of one run, going round and round after `length_s`; amps: the middle one's level above base."""

    def __init__(
        self,
        starts_s: npt.NDArray[np.float64],
        ends_s: npt.NDArray[np.float64],
        length_s: float,
        amps: float,
    ) -> None:
        import numpy as np

        self.length_s = length_s
        self.amps = amps
        self.width_s = float(np.median(ends_s - starts_s)) if len(starts_s) else 0.0
        self._starts = starts_s
        self._ends = ends_s

    def __len__(self) -> int:
        return len(self._starts)

    def seen(self, at_s: float) -> float:
        """When the first pulse that begins at or after `at_s` is over."""
        turn, inside = divmod(at_s, self.length_s)
        place = int(self._starts.searchsorted(inside))
        if place == len(self._starts):
            turn, place = turn + 1, 0
        return turn * self.length_s + float(self._ends[place])


def train(profile: Profile, seed: int) -> Train:
    """The strong pulses of a profile's run with this seed, limits and start rule left out."""
    import numpy as np

    moving = [draw for draw in profile.draws if not isinstance(draw, Steady)]
    a_second = float(sum(draw.pulses_per_tick() for draw in moving)) * TICKS_PER_S
    length_s = min(max(PULSES / a_second if a_second else SHORTEST_S, SHORTEST_S), LONGEST_S)
    plan = schedule.Schedule(profile.program(seed), 1, profile.board.own_ua)
    table = np.array(list(schedule.edges(plan, round(length_s * TICKS_PER_S))), float).reshape(-1, 2)
    times_s, above = table[:, 0] / TICKS_PER_S, table[:, 1] - profile.base_ua()
    strong = above > max(STRONG * above.max(initial=0.0), 0.0)
    rises = np.flatnonzero(strong & ~np.r_[False, strong[:-1]])
    falls = np.flatnonzero(~strong & np.r_[False, strong[:-1]])
    rises = rises[: len(falls)]  # one that doesn't end within the length is left out
    amps = float(np.median(above[rises])) / 1e6 if len(rises) else 0.0
    return Train(times_s[rises], times_s[falls], length_s, amps)


def simulate(
    pulses: Train, seed: int, search: Callable[[Train, float, np.random.Generator], float]
) -> Spread:
    """Spread of what `search(train, start, random)` takes, its end instant given, over random starts."""
    import numpy as np

    source = np.random.default_rng([seed, TRIALS])
    starts = source.uniform(0, pulses.length_s, TRIALS)
    taken = [search(pulses, float(start), source) - float(start) for start in starts]
    return Spread(float(np.mean(taken)), float(np.quantile(taken, 0.95)))


def closed(profile: Profile, number: int) -> Spread | None:
    """The same for seeing `number` whole pulses one after the other, where a formula is known.

    One periodic draw (period T, width w): the first starts within T, uniform, so (n - 1/2) T + w and
    (n - 0.05) T + w; n T + w at worst. One random draw with exponential gaps of mean m: gamma of n gaps of
    scale m, n mean widths on top; a start inside a pulse (share w / (m + w)) waits for its end besides, half
    a width on average. None for anything else.
    """
    moving = [draw for draw in profile.draws if not isinstance(draw, Steady)]
    if len(moving) != 1:
        return None
    draw = moving[0]
    if isinstance(draw, Pulse):
        period_s, width_s = draw.every_ticks / TICKS_PER_S, draw.on_ticks / TICKS_PER_S
        return Spread((number - 0.5) * period_s + width_s, (number - 0.05) * period_s + width_s)
    if isinstance(draw, Random) and draw.law == "exponential":
        from scipy.stats import gamma

        mean_s = float(draw.mean_gap_ticks()) / TICKS_PER_S
        width_s = float(draw.mean_on_ticks()) / TICKS_PER_S
        inside_s = width_s / (mean_s + width_s) * width_s / 2
        widths_s = number * width_s + inside_s
        return Spread(number * mean_s + widths_s, float(gamma.ppf(0.95, number, scale=mean_s)) + widths_s)
    return None
