"""How a battery's charge goes under a steady load, for days: with a charger, a sensor that sheds, or without.

Charge is cut into narrow bands. Across each the battery's current is taken as constant, what the circuit's
root says in its middle, and the time to cross it is exact. No box, no timetable.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterator
from dataclasses import dataclass

from nightdraw.errors import Finding, InputError
from nightdraw.vehicle import battery, standing
from nightdraw.vehicle.model import Vehicle
from nightdraw.vehicle.root import Root

BANDS = 5000  # of a fiftieth of a percent: even where the charge comes to rest it is no further off than one
STILL = 1e-9  # shares an hour: a battery that moves less stands still, it would take a century


@dataclass(frozen=True)
class Segment:
    """From one charge to the next, percent, in so many hours; the last has for ever and goes nowhere.

    share: of the capacity that is drawn an hour (below 0: stored); rate: of the charge that goes by itself.
    """

    begin_pct: float
    end_pct: float
    hours: float
    share: float
    rate: float

    def after(self, hours: float) -> float:
        """Percent charged so many hours after its begin: q = (q0 + share/rate) exp(-rate t) - share/rate."""
        if math.isinf(self.hours):
            return self.begin_pct
        start = self.begin_pct / 100
        if self.rate < STILL:  # the limit without self-discharge, which would divide by 0 below
            return 100 * (start - self.share * hours)
        return 100 * (start + (start + self.share / self.rate) * math.expm1(-self.rate * hours))


class ChargeForecast:
    """The way of a vehicle's charge from now on, with `drain_a` on top of its own sleeping draw."""

    def __init__(self, vehicle: Vehicle, drain_a: float) -> None:
        self.load_a = drain_a + standing.mean_a(vehicle)
        stands = standing.stands(vehicle)
        self.shed_a = sum(stands[module.name, module.fuse] for module in vehicle.modules if module.sheds)
        self._cell = vehicle.battery
        self._rate = battery.lost_per_hour(vehicle.battery)
        self._root = Root(vehicle)
        self._sheds_below = standing.sheds_below_pct(vehicle)
        if vehicle.second is not None:
            hint = "run it on the bench: nightdraw bench record"
            raise InputError(
                Finding("days aren't computed for a vehicle with two batteries", vehicle.file, hint=hint)
            )
        self._leak_s, self._root.posts_s = standing.at_root(vehicle)

    def segments(self, floor_pct: float = 0.0) -> Iterator[Segment]:
        """Segment after segment; `floor_pct` is the end of one, if it comes so far."""
        stops = sorted({100 * k / BANDS for k in range(BANDS + 1)} | {floor_pct, max(0.0, self._sheds_below)})
        pct, load_a = self._cell.charge_pct, self.load_a
        shed = False
        while True:
            # at the beginning: a battery below the limit already has had its loads shed
            if not shed and pct < self._sheds_below:
                shed, load_a = True, self.load_a - self.shed_a
            segment = self._segment(pct, load_a, stops)
            yield segment
            if math.isinf(segment.hours):
                return
            falls = segment.end_pct < pct
            pct = segment.end_pct
            # only on its way down: charged up to the limit exactly, nothing is shed
            if falls and not shed and pct <= self._sheds_below:
                shed, load_a = True, self.load_a - self.shed_a

    def after(self, hours: float) -> float:
        """Percent charged after so many hours."""
        for segment in self.segments():
            if hours < segment.hours:
                return min(100.0, max(0.0, segment.after(hours)))
            hours -= segment.hours
        raise AssertionError("the last segment has for ever")

    def hours_to(self, floor_pct: float) -> float | None:
        """Hours until it has fallen to `floor_pct`, or falls from it; None where it never does."""
        passed, falls = 0.0, False
        for segment in self.segments(floor_pct):
            if segment.begin_pct <= floor_pct and (falls or segment.end_pct < segment.begin_pct):
                return passed
            falls = segment.end_pct < segment.begin_pct
            passed += segment.hours
        return None

    def _segment(self, pct: float, load_a: float, stops: list[float]) -> Segment:
        rests = Segment(pct, pct, math.inf, 0.0, 0.0)
        drift = self._drift(pct, load_a)
        place = bisect_left(stops, pct) - 1 if drift > 0 else bisect_right(stops, pct)
        # without this an exponential that only comes near its end would give segments without one
        if abs(drift) < STILL or not 0 <= place < len(stops):
            return rests
        end = stops[place]
        share = self._share((pct + end) / 2, load_a)
        leaves, arrives = share + self._rate * pct / 100, share + self._rate * end / 100
        at_end = self._drift(end, load_a)
        if any(each == 0 or (each > 0) != (drift > 0) for each in (leaves, arrives, at_end)):
            return rests  # it comes to rest within the band
        if self._rate < STILL:  # the logarithm's limit without self-discharge; as written it would be 0 / 0
            return Segment(pct, end, (pct - end) / 100 / share, share, self._rate)
        return Segment(pct, end, math.log(leaves / arrives) / self._rate, share, self._rate)

    def _drift(self, pct: float, load_a: float) -> float:
        """Shares of the capacity that go an hour in all, self-discharge among them."""
        return self._share(pct, load_a) + self._rate * pct / 100

    def _share(self, pct: float, load_a: float) -> float:
        """Shares of the capacity that are drawn an hour; below 0 what is stored."""
        cell, root = self._cell, self._root
        root.voc_v = battery.rest_v(cell, pct)
        root.battery_ohms, root.charge_ohms = battery.ohms(cell, pct), battery.charge_ohms(cell, pct)
        root.forget()
        volts = root.settle(load_a, self._leak_s)
        amps = load_a * root.share + (self._leak_s + root.posts_s) * volts - sum(root.source_a)
        return amps / battery.stored_ah(cell) * (battery.STORED[cell.type] if amps < 0 else 1.0)
