"""What all methods of one search share: the faces of the fault, waits by simulation and by formula.

Which instrument shows what is the methods' own business.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from boxcore.program import TICKS_PER_S

from nightdraw.bench.finding import laws, train
from nightdraw.bench.finding.circuit import ASLEEP, State
from nightdraw.bench.finding.laws import LIKELY, Law, Spread
from nightdraw.bench.finding.method import Method
from nightdraw.bench.finding.place import Site
from nightdraw.bench.finding.train import HEALTHY_A, Face
from nightdraw.bench.finding.trials import Times, Trials
from nightdraw.bench.finding.walks import in_sets, sizes
from nightdraw.instruments.model import Instruments
from nightdraw.profile import Profile
from nightdraw.vehicle.model import BATTERY, Vehicle

Group = tuple[int, int, int]  # (sets, candidates, at once)
Groups = list[Group]  # one after the other
REMEMBERED = 64  # results of trials, 160 KB each


class Ground:
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
        known: Sequence[Face] | None = None,
        quick: bool = False,
    ) -> None:
        place = vehicle.splice(splice)
        assert place is not None  # the caller says which splices there are
        self.profile, self.vehicle, self.kit, self.seed = profile, vehicle, kit, seed
        self.quick = quick
        self.site = Site(profile, vehicle, place, state)
        self.faces = self.site.faces(train.pulses(profile, seed) if known is None else known)

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
        }

    def nothing(self) -> str | None:
        """Why there is nothing to be found; None where there is."""
        held = self.site.held()
        if held is not None or self.faces:
            return held
        total_ma = 1000 * (self.site.base_a() + self.vehicle.asleep_a())
        return (
            f"it never rises, and {total_ma:.0f} mA with the vehicle's own draw are within the"
            f" {HEALTHY_A * 1000:.0f} mA of a healthy one"
        )

    @functools.cache  # noqa: B019 (lives as long as the search)
    def law(self, face: Face) -> Law | None:
        """The exact law of its waits, where one is known."""
        return laws.of(face.draw) if face.pulsed else laws.STEADY

    def trials(self, face: Face) -> Trials:
        """Fresh trials; the same each time."""
        return Trials(face, self.seed)

    @functools.cache  # noqa: B019
    def pulses(self, face: Face, number: int) -> tuple[Times, Spread | None]:
        """Until so many pulses were seen, by simulation and by formula."""
        law = self.law(face)
        times = _pulses(face.train, self.seed, number)
        return times, None if law is None else law.pulses(number)

    def wait95_s(self, face: Face) -> float:
        """What 95 % of the waits from a random instant stay below."""
        times, spread = self.pulses(face, 1)
        return times.p95_s if spread is None else spread.p95_s

    def timed(self, row: Method, face: Face, number: int) -> Method:
        """A row with the time to see so many pulses."""
        times, closed = self.pulses(face, number)
        return self.told(row, face, times, closed, self.wait95_s(face) * number)

    def in_sets(self, row: Method, face: Face, groups: Groups, move_s: float) -> Method:
        """A row with the time to go through sets of candidates."""
        law = self.law(face)
        times = _in_sets(face.train, self.seed, tuple(groups), move_s)
        closed = None if law is None or self.quick else law.spread(in_sets(groups, move_s))
        rounds = sum(_rounds(*group) for group in groups)
        return self.told(row, face, times, closed, rounds * (move_s + self.wait95_s(face)))

    def told(self, row: Method, face: Face, times: Times, closed: Spread | None, hardest_s: float) -> Method:
        """A row with its times; one that 5 % or more never end with shows nothing."""
        if not face.lasting:
            row = replace(row, why=f"{row.why}; it comes once: counted from the run's start")
        if times.p95_s == float("inf"):
            share = times.within(1e12)
            over = "its pulses are over before one is through with it"
            return replace(row, shows=False, why=f"{row.why}; {over}: {share:.0%} of searches get there")
        law = self.law(face)
        more: dict[str, Any] = {"seen_by": "pulses" if face.pulsed else "steady part", **row.more}
        more["in_run"] = round(times.within(self.site.ends()[0]), 4)
        name = None if law is None else law.name
        return replace(row, time=times, closed=closed, law=name, hardest_s=hardest_s, more=more)


# Trials are the same each time, and at all splices with as many fuses: a class has hundreds of searches.
@functools.lru_cache(maxsize=REMEMBERED)
def _in_sets(pulses: train.Train | None, seed: int, groups: tuple[Group, ...], move_s: float) -> Times:
    return Trials(Face(0.0, 0.0, pulses), seed).in_sets(list(groups), move_s)


@functools.lru_cache(maxsize=REMEMBERED)
def _pulses(pulses: train.Train | None, seed: int, number: int) -> Times:
    return Trials(Face(0.0, 0.0, pulses), seed).pulses(number)


def _rounds(sets: int, candidates: int, at_once: int) -> int:
    """The sets that suffice for 95 % of the candidates."""
    reached = 0
    for k, size in enumerate(sizes(sets, candidates, at_once)):
        reached += size
        if reached >= LIKELY * candidates:
            return k + 1
    return sets
