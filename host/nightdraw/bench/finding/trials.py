"""Monte Carlo simulation of a search; the pulses come from the firmware's own schedule.

Theory of operation. TRIALS searches run at once as arrays of instants (ticks). Their beginnings are
stratified over the run, one in each 1/TRIALS of it, which takes most of the variance out of the first wait. A
move adds its time; a wait is replaced by the next pulse seen (`Train.seen`, a binary search in the pulses).
Orders of fuses are random permutations. inf is "never seen"; WRONG marks the trials that blamed a wrong fuse.

Used where laws.py has no closed form, and as a check of it where it has. One standard error is found by
BATCHES of consecutive beginnings, which counts correlation between neighbours and the finite run as well.
Cost: O(TRIALS log pulses) a wait. Nothing is known here about instruments.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import TYPE_CHECKING

from boxcore.ledger import SAVE_TICKS
from boxcore.program import TICKS_PER_S

from nightdraw.bench.finding.laws import QUANTILE
from nightdraw.bench.finding.train import LOOK_S, Signature
from nightdraw.bench.finding.walks import Wakes, sizes

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    Ticks = npt.NDArray[np.float64]
    Flags = npt.NDArray[np.bool_]

TRIALS = 20_000
WRONG = -1.0  # in place of an instant: a wrong fuse was blamed
BATCHES = 20  # batches of beginnings; the standard error follows from how they differ

CONTINUE, STAY_OFF = "continue", "stay-off"  # of a profile's resume rules; the third is "restart"


@dataclass(frozen=True)
class Restoration:
    """The pulled fuse put back: the box comes back by its rule, seconds to put it back and from power to the
    instant at which the schedule goes on."""

    rule: str
    pull_s: float
    return_s: float


@dataclass(frozen=True)
class MeterInsertion:
    """A meter put in line: seconds that takes, the share of times in which the circuit opens, seconds until
    all sleeps again then, and how the box comes back."""

    delay_s: float
    share: float
    asleep_s: float
    back: Restoration


@dataclass(frozen=True)
class Times:
    """Seconds that trials took: those that ended well, inf where it never showed again; and the share of all
    trials that blamed a wrong fuse."""

    taken_s: Ticks
    wrong: float = 0.0

    @functools.cached_property
    def expected_s(self) -> float:
        """The mean."""
        return float(self.taken_s.mean())

    @functools.cached_property
    def p95_s(self) -> float:
        """The least time within which 95 % have ended."""
        return _p95(self.taken_s)

    def errors_s(self) -> tuple[float, float]:
        """One standard error of mean and quantile, by batches: it counts that the run is a finite one too."""
        import numpy as np

        if not np.isfinite(self.taken_s).all():
            return float("inf"), float("inf")
        parts = np.array_split(self.taken_s, BATCHES)
        root = BATCHES**0.5
        means, quantiles = [float(p.mean()) for p in parts], [_p95(p) for p in parts]
        return float(np.std(means, ddof=1)) / root, float(np.std(quantiles, ddof=1)) / root

    def within(self, limit_s: float) -> float:
        """The share that ends by then."""
        return float((self.taken_s <= limit_s).mean())


def _p95(taken_s: Ticks) -> float:
    import numpy as np

    return float(np.quantile(taken_s, QUANTILE, method="inverted_cdf"))


class Trials:
    """Searches for one signature of a fault, from instants all over its run (from the run's zero where its
    pulses end), in the order of their beginnings."""

    def __init__(self, signature: Signature, seed: int, look_s: float = LOOK_S) -> None:
        import numpy as np

        self._signature = signature
        self._look = look_s * TICKS_PER_S
        self._random = np.random.default_rng([seed, TRIALS])
        self._begun = np.zeros(TRIALS)
        if signature.train is not None and signature.train.lasting:
            # one in each 20 000th of the run
            places = (np.arange(TRIALS) + self._random.uniform(0, 1, TRIALS)) / TRIALS
            self._begun = signature.train.first + places * signature.train.length

    def seen(self, at: Ticks, number: int = 1) -> Ticks:
        """When it has shown so often to who looks from `at` on."""
        train = self._signature.train
        return at + self._look if train is None else train.seen(at, number)

    def pulses(self, number: int) -> Times:
        """Until so many pulses were seen."""
        return self._times(self.seen(self._begun, number))

    def in_line(self, number: int, broken: MeterInsertion) -> Times:
        """The same by a meter that is put in line first."""
        import numpy as np

        at = self._begun + broken.delay_s * TICKS_PER_S
        opened = self._random.uniform(size=TRIALS) < broken.share
        stays_off = broken.back.rule == STAY_OFF
        asleep = np.full(TRIALS, broken.asleep_s * TICKS_PER_S)
        anew = np.full(TRIALS, np.inf) if stays_off else self._resumed(broken.back, at, asleep, number) + at
        ended = np.where(opened, anew, self.seen(at, number))
        # a box that stays off never draws again: that search has failed, and counts as wrong
        lost = opened & stays_off
        return self._times(ended[~lost], self._begun[~lost], float(lost.mean()))

    def by_hand(self, candidates: int, move_s: float, looks: int, notices: float, first_s: float) -> Times:
        """Candidate after candidate in any order, each watched for so many pulses; at the right one each is
        noticed so often, and it is passed where none is."""
        import numpy as np

        wanted = self._shuffled(candidates)
        at = self._begun + first_s * TICKS_PER_S
        noticed = self._random.geometric(notices, TRIALS)
        for k in range(candidates):
            going = np.flatnonzero(wanted >= k)  # whoever is through is left alone: half the work
            looked = np.where(wanted[going] == k, np.minimum(noticed[going], looks), looks)
            here = at[going] + move_s * TICKS_PER_S
            for n in range(looks):
                here = np.where(looked > n, self.seen(here), here)
            at[going] = here
        well = noticed <= looks
        return self._times(at[well], self._begun[well], float(1 - well.mean()))

    def in_sets(self, groups: list[tuple[int, int, int]], move_s: float) -> Times:
        """Set after set of candidates, as walks.in_sets."""
        import numpy as np

        at = self._begun.copy()
        for sets, candidates, at_once in groups:
            looks = np.repeat(np.arange(1, sets + 1), sizes(sets, candidates, at_once))
            wanted = looks[self._shuffled(candidates)]
            for k in range(sets):
                going = wanted > k
                at[going] = self.seen(at[going] + move_s * TICKS_PER_S)
        return self._times(at)

    def counted(self, candidates: int, first_s: float, each_s: float) -> Times:
        """Something first, then candidate after candidate in any order up to the one that it is."""
        return Times(first_s + each_s * (1 + self._shuffled(candidates).astype(float)))

    def by_pulling(
        self,
        wakes: Wakes,
        fuse: str,
        pull_s: float,
        patience_s: float,
        back: Restoration,
        first_s: float = 0.0,
    ) -> Times:
        """Fuse after fuse, as walks.by_pulling, and the right one put back in the end; first_s: before it."""
        import numpy as np

        count, own = len(wakes.places), wakes.places[fuse]
        order = np.argsort(self._random.uniform(size=(TRIALS, count)), axis=1)
        out = np.zeros((TRIALS, count), bool)
        at = self.seen(self._begun + first_s * TICKS_PER_S)
        ended = np.full(TRIALS, np.nan)
        going = np.arange(TRIALS)
        for pulled in range(count):
            now = order[going, pulled]
            out[going, now] = True
            cut = at[going] + pull_s * TICKS_PER_S
            watched = cut + _asleep(wakes.by_fuse, wakes, out[going])
            blamed = watched + patience_s * TICKS_PER_S
            right, wrong = now == own, now != own
            there = going[right]
            ended[there] = self._back(wakes, fuse, back, cut[right], blamed[right], out[there])
            found, going = self.seen(watched[wrong]), going[wrong]
            # nothing within the patience at a wrong fuse looks like success: that fuse is blamed
            misled = found > blamed[wrong]
            ended[going[misled]] = WRONG
            at[going] = found
            going = going[~misled]
        well = ended != WRONG
        return self._times(ended[well], self._begun[well], float(1 - well.mean()))

    def longest_wait_s(self, wakes: Wakes, pull_s: float, share: float) -> float:
        """What a share of searches that pull all fuses but the right one never wait longer than, seconds.

        One wait after the other: within a long pulse several end at once, the one after them is the longer.
        """
        import numpy as np

        count = len(wakes.places)
        order = np.argsort(self._random.uniform(size=(TRIALS, count)), axis=1)
        out = np.zeros((TRIALS, count), bool)
        at = self.seen(self._begun)
        longest = np.zeros(TRIALS)
        for pulled in range(count - 1):
            out[np.arange(TRIALS), order[:, pulled]] = True
            watched = at + pull_s * TICKS_PER_S + _asleep(wakes.by_fuse, wakes, out)
            at = self.seen(watched)
            waited = np.subtract(at, watched, out=np.zeros(TRIALS), where=np.isfinite(at))
            longest = np.maximum(longest, waited)
        return float(np.quantile(longest, share, method="higher")) / TICKS_PER_S

    def _back(
        self, wakes: Wakes, fuse: str, back: Restoration, cut: Ticks, blamed: Ticks, out: Flags
    ) -> Ticks:
        """The instants at which it is seen again, the box cut off at `cut`."""
        import numpy as np

        if back.rule == STAY_OFF:
            return blamed
        out = out.copy()
        out[:, wakes.places[fuse]] = False
        asleep = np.maximum(_asleep(wakes.by_fuse, wakes, out), wakes.fed_s.get(fuse, 0.0) * TICKS_PER_S)
        return blamed + back.pull_s * TICKS_PER_S + self._resumed(back, cut, asleep)

    def _resumed(self, back: Restoration, cut: Ticks, asleep: Ticks, number: int = 1) -> Ticks:
        """From power back at a box that was cut off at `cut` to its pulses seen, all being asleep by then."""
        import numpy as np

        return_ticks = back.return_s * TICKS_PER_S
        saved = np.floor(cut / SAVE_TICKS) * SAVE_TICKS if back.rule == CONTINUE else np.zeros(len(cut))
        return return_ticks + self.seen(saved + np.maximum(0.0, asleep - return_ticks), number) - saved

    def _shuffled(self, candidates: int) -> npt.NDArray[np.int64]:
        """Which candidate it is in each trial, each as often as the others."""
        import numpy as np

        found: npt.NDArray[np.int64] = self._random.permutation(np.arange(TRIALS) % candidates)
        return found

    def _times(self, ended: Ticks, begun: Ticks | None = None, wrong: float = 0.0) -> Times:
        return Times((ended - (self._begun if begun is None else begun)) / TICKS_PER_S, wrong)


def _asleep(seconds: dict[str, float], wakes: Wakes, out: Flags) -> Ticks:
    """Ticks until all sleeps again that is fed by fuses which are in."""
    import numpy as np

    longest = np.zeros(len(out))
    for name, resleep_s in seconds.items():
        longest = np.maximum(longest, np.where(out[:, wakes.places[name]], 0.0, resleep_s * TICKS_PER_S))
    return longest
