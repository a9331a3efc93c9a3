"""What all methods of one search share: the signatures of the fault, waits by simulation and by formula.

Which instrument shows what is the methods' own business.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from boxcore.program import TICKS_PER_S

from nightdraw.bench.finding import laws, parts, train
from nightdraw.bench.finding.circuit import ASLEEP, State
from nightdraw.bench.finding.laws import QUANTILE, Law, SearchTime
from nightdraw.bench.finding.method import Method
from nightdraw.bench.finding.parts import FaultPart
from nightdraw.bench.finding.place import Site
from nightdraw.bench.finding.train import Signature
from nightdraw.bench.finding.trials import CONTINUE, STAY_OFF, MeterInsertion, Restoration, Times, Trials
from nightdraw.bench.finding.walks import in_sets, sizes
from nightdraw.instruments.assumed import Assumed, load_assumed
from nightdraw.instruments.model import Instruments
from nightdraw.profile import Profile
from nightdraw.vehicle.model import BATTERY, Vehicle

Group = tuple[int, int, int]  # (sets, candidates, at once)
Groups = list[Group]  # one after the other
REMEMBERED = 64  # results of trials, 160 KB each


class SearchBase:
    """One fault at one splice of a vehicle, for one school.

    known: the fault's pulses with this seed, where the caller has them already (they are the same at every
    splice, and dear); quick: no closed forms for whole searches, which decide nothing.
    """

    def __init__(
        self,
        profile: Profile,
        vehicle: Vehicle,
        kit: Instruments,
        splice: str,
        seed: int,
        state: State = ASLEEP,
        known: Sequence[Signature] | None = None,
        quick: bool = False,
        assumed: Assumed | None = None,
    ) -> None:
        place = vehicle.splice(splice)
        assert place is not None  # the caller says which splices there are
        self.profile, self.vehicle, self.kit, self.seed = profile, vehicle, kit, seed
        self.quick = quick
        self.site = Site(profile, vehicle, place, state)
        self.assumed = load_assumed() if assumed is None else assumed
        pulses = self._pulses() if known is None else known
        self.signatures = parts.signatures(self.site, self.assumed, pulses)

    def _pulses(self) -> list[Signature]:
        return train.pulses(self.profile, self.seed, self.assumed.look_s, self.assumed.weak)

    @functools.cached_property
    def parts(self) -> list[FaultPart]:
        """The fault taken apart."""
        return parts.of(self.site, self.assumed)

    @functools.cache  # noqa: B019 (lives as long as the search)
    def signature_of(self, part: FaultPart) -> Signature | None:
        """A part by itself; None where it never rises. Of one draw that moves it is the whole's."""
        if part.draw is None:
            return parts.stays(self.site)
        pulsed = [signature for signature in self.signatures if signature.pulsed]
        if len(self.parts) == 2 and pulsed:
            return pulsed[0]
        signature = train.alone(self.profile, self.seed, part.draw, self.assumed.look_s, self.assumed.weak)
        return None if signature is None else self.site.made(signature)

    def about(self) -> dict[str, Any]:
        """The JSON keys for all methods: where it is, seconds to fall asleep, when the box stops."""
        ends_s, limit = self.site.ends()
        fuse, circuit = self.site.fuse, self.site.circuit
        return {
            "splice": self.site.splice.name,
            "fuse": fuse,
            "feed": self.vehicle.feed_of(fuse),
            "state": {
                "script": self.site.state.plan.name if self.site.state.given else None,
                "at_s": self.site.state.at_ticks / TICKS_PER_S,
                "asleep": circuit.asleep,
                "engine": circuit.engine,
                "fed_by": circuit.fed,
                "charge_pct": round(circuit.charge_pct, 3),
                "battery_ma": round(1000 * circuit.amps(BATTERY, 0.0), 3),
            },
            "sleep_s": self.site.sleep_s(),
            "run_ends_s": round(ends_s, 1),
            "run_ends_by": limit,
            "assumptions": self.assumed.document(),
        }

    @functools.cached_property
    def followed(self) -> float:
        """The share of classes that search by the steady current, where it isn't healthy: the more the nearer
        to what is conspicuous; all, where nothing else is to be found."""
        stays = [signature for signature in self.signatures if not signature.pulsed]
        dense = any(signature.train is not None and signature.train.dense for signature in self.signatures)
        if dense or len(stays) == len(self.signatures):
            return 1.0
        low_a, high_a = self.assumed.healthy_a, self.assumed.conspicuous_a
        above_a = (self.site.steady_a() - low_a) if stays else 0.0
        return min(1.0, above_a / (high_a - low_a)) if 0 < above_a < high_a - low_a else float(above_a > 0)

    def nothing(self) -> str | None:
        """Why there is nothing to be found; None where there is."""
        held = self.site.held()
        if held is not None or self.signatures:
            return held
        total_ma = 1000 * self.site.steady_a()
        return (
            f"it never rises, and {total_ma:.0f} mA with the vehicle's own draw are within the"
            f" {self.assumed.healthy_a * 1000:.0f} mA of a healthy one"
        )

    @functools.cache  # noqa: B019 (lives as long as the search)
    def law(self, signature: Signature) -> Law | None:
        """The exact law of its waits, where one is known."""
        return laws.of_signature(signature, self.assumed.look_s)

    def trials(self, signature: Signature) -> Trials:
        """Fresh trials; the same each time."""
        return Trials(signature, self.seed, self.assumed.look_s)

    @functools.cache  # noqa: B019
    def pulses(self, signature: Signature, number: int) -> tuple[Times, SearchTime | None]:
        """Until so many pulses were seen, by simulation and by formula."""
        law = self.law(signature)
        times = _pulses(signature.train, self.seed, self.assumed.look_s, number)
        return times, None if law is None else law.pulses(number)

    def wait95_s(self, signature: Signature) -> float:
        """What 95 % of the waits from a random instant stay below."""
        times, spread = self.pulses(signature, 1)
        return times.p95_s if spread is None else spread.p95_s

    def timed(self, row: Method, signature: Signature, number: int) -> Method:
        """A row with the time to see so many pulses."""
        times, closed = self.pulses(signature, number)
        return self.with_times(row, signature, times, closed, self.wait95_s(signature) * number)

    def in_line(self, row: Method, signature: Signature) -> Method:
        """A row with the time to see one pulse on a meter that is put in line first."""
        assumed, rule = self.assumed, self.profile.resume
        back = Restoration(rule, 0.0, self.site.return_s())
        cut = MeterInsertion(assumed.meter_in_s, assumed.meter_wakes, self.site.sleep_s(), back)
        times, law = self.trials(signature).in_line(1, cut), self.law(signature)
        closed = None
        if law is not None and (rule != CONTINUE or not cut.share) and not self.quick:
            point_s = math.inf if rule == STAY_OFF else anew_s(self, signature, back, cut.asleep_s, 1)
            closed = law.pulses(1, laws.Interruption(cut.delay_s, cut.share, point_s))
        opened_s = cut.asleep_s if cut.share > 1 - QUANTILE else 0.0
        if rule == STAY_OFF and cut.share:
            lost = f"in {cut.share:.0%} of searches the box is cut off meanwhile, and stays off"
            row = replace(row, why=f"{row.why}; {lost}")
        row = replace(row, more={**row.more, "lost": round(times.wrong, 4)})
        return self.with_times(
            row, signature, times, closed, cut.delay_s + opened_s + self.wait95_s(signature)
        )

    def in_sets(self, row: Method, signature: Signature, groups: Groups, move_s: float) -> Method:
        """A row with the time to go through sets of candidates."""
        law = self.law(signature)
        times = _in_sets(signature.train, self.seed, self.assumed.look_s, tuple(groups), move_s)
        closed = None if law is None or self.quick else law.spread(in_sets(groups, move_s))
        rounds = sum(_rounds(*group) for group in groups)
        return self.with_times(row, signature, times, closed, rounds * (move_s + self.wait95_s(signature)))

    def with_times(
        self, row: Method, signature: Signature, times: Times, closed: SearchTime | None, hardest_s: float
    ) -> Method:
        """A row with its times; one that 5 % or more never end with shows nothing."""
        if not signature.lasting:
            row = replace(row, why=f"{row.why}; it comes once: counted from the run's start")
        if times.p95_s == float("inf"):
            share = times.within(1e12)
            over = "its pulses are over before one is through with it"
            return replace(row, shows=False, why=f"{row.why}; {over}: {share:.0%} of searches get there")
        law = self.law(signature)
        more: dict[str, Any] = {"seen_by": "pulses" if signature.pulsed else "steady part", **row.more}
        more["in_run"] = round(times.within(self.site.ends()[0]), 4)
        name = None if law is None else law.name
        return replace(row, time=times, closed=closed, law=name, hardest_s=hardest_s, more=more)


# Trials are the same each time, and at all splices with as many fuses: a class has hundreds of searches.
@functools.lru_cache(maxsize=REMEMBERED)
def _in_sets(
    pulses: train.Train | None, seed: int, look_s: float, groups: tuple[Group, ...], move_s: float
) -> Times:
    return Trials(Signature(0.0, 0.0, pulses), seed, look_s).in_sets(list(groups), move_s)


@functools.lru_cache(maxsize=REMEMBERED)
def _pulses(pulses: train.Train | None, seed: int, look_s: float, number: int) -> Times:
    return Trials(Signature(0.0, 0.0, pulses), seed, look_s).pulses(number)


def _rounds(sets: int, candidates: int, at_once: int) -> int:
    """The sets that suffice for 95 % of the candidates."""
    reached = 0
    for k, size in enumerate(sizes(sets, candidates, at_once)):
        reached += size
        if reached >= QUANTILE * candidates:
            return k + 1
    return sets


def anew_s(base: SearchBase, signature: Signature, back: Restoration, asleep_s: float, number: int) -> float:
    """From power back at a box whose run begins anew to so many pulses seen, all asleep by `asleep_s`: the
    schedule's own first pulses are known."""
    import numpy as np

    quiet_s = max(0.0, asleep_s - back.return_s)
    if signature.train is None:
        return back.return_s + quiet_s + base.assumed.look_s
    seen = signature.train.seen(np.array([quiet_s * TICKS_PER_S]), number)
    return back.return_s + float(seen[0]) / TICKS_PER_S
