"""Where battery, charger and alternator meet: which of them holds what, and the voltage there.

Theory of operation. Each is a straight line in pieces (a source holds its volts, or its most amperes, or
nothing; a battery takes a charge through more resistance than it gives one), and so is their sum, which only
falls with the voltage: one piece has the answer, exactly. Knows no feeds, no time.
"""

from __future__ import annotations

from nightdraw.vehicle.model import Source, Vehicle

WEAK_V = 3.0  # each battery in series: below it nothing works any more, constant draws become resistances


class Root:
    """The root of a circuit: set voc_v, surface_v, battery_ohms, charge_ohms, starter_a or on[k]; forget(),
    settle().

    charge_ohms: the battery's for a current into it. surface_v: what charging has left on top of voc_v; it
    gives a current by battery_ohms, while what enters meets charge_ohms against voc_v. share: of their
    constant currents that loads draw, below 1 where there is next to no voltage. sources: support charger,
    alternator. cut: the battery's cable is off. posts_s: siemens across the battery's own posts. joined:
    whether a second battery of second_v (second_ohms out of it, second_charge_ohms into it) is there, too.
    """

    # with more than thirty attributes CPython finds them slowly in an instance's own dictionary
    __slots__ = (
        "_high", "_inner", "_into", "_low", "_weak", "battery_a", "battery_ohms", "bus_v", "charge_ohms",
        "cut", "joined", "meter_ohms", "on", "posts_s", "second_charge_ohms", "second_ohms", "second_v",
        "share", "source_a", "sources", "starter_a", "surface_v", "voc_v", "weak_v",
    )  # fmt: skip

    def __init__(self, vehicle: Vehicle, meter_ohms: float = 0.0) -> None:
        self.meter_ohms = meter_ohms
        self.voc_v = 12.6 * vehicle.battery.in_series
        self.surface_v = 0.0
        self.battery_ohms = self.charge_ohms = vehicle.battery.ohms * vehicle.battery.in_series
        self.weak_v = WEAK_V * vehicle.battery.in_series
        self.starter_a = 0.0
        self.posts_s = 0.0
        self.joined = self.cut = False
        self.second_v, self.second_ohms, self.second_charge_ohms = 0.0, 1.0, 1.0
        self.sources: list[Source | None] = [vehicle.charger, vehicle.alternator]
        self.on = [bool(vehicle.charger and vehicle.charger.on), False]
        self.source_a = [0.0, 0.0]
        self.battery_a = self.bus_v = 0.0
        self.share = 1.0
        self._low = self._high = 0.0  # the volts between which the present piece's line holds
        self._into = self._inner = 0.0  # its current into the root at 0 V, and by how much less a volt
        self._weak = False

    def forget(self) -> None:
        """What is at the root was changed: its pieces are others."""
        self._low, self._high = 1.0, 0.0

    def settle(self, amps: float, siemens: float) -> float:
        """The voltage at the root with loads of `amps` and `siemens` on it; keeps it, source_a and share."""
        if self.cut and not any(self.on) and not self.joined:
            self.bus_v = self.share = 0.0
            self.source_a = [0.0, 0.0]
            return 0.0
        volts = self._cross(amps, siemens)
        # most changes stay within the present piece; beyond its ends its line is not that of the sources
        if not self._low <= volts <= self._high:
            volts = self._search(amps, siemens)
        self.bus_v = volts
        self.share = volts / self.weak_v if self._weak else 1.0
        self.source_a = [0.0, 0.0]
        for k, source in enumerate(self.sources):
            if self.on[k] and source is not None:
                self.source_a[k] = min(max(0.0, (source.volts - volts) / source.ohms), source.most_a)
        return volts

    def _cross(self, amps: float, siemens: float) -> float:
        """Where the present piece's line crosses that of the loads."""
        if self._weak:  # constant draws as resistances: as currents they would have no solution near 0 V
            return self._into / (self._inner + siemens + amps / self.weak_v)
        # before the first piece there is no line: -1 V lies in no piece, so that one is searched for
        return (self._into - amps) / (self._inner + siemens) if self._inner else -1.0

    def _search(self, amps: float, siemens: float) -> float:
        """The same with the piece that has the answer: the sum of currents falls through zero in it."""
        corners = [0.0, *sorted(self._corners())]
        for low, high in zip(corners, [*corners[1:], 2 * corners[-1]], strict=True):
            self._take_piece(low, high)
            volts = self._cross(amps, siemens)
            if volts <= high:  # the sum of currents only falls, so the first crossing is the only one
                break
        return max(volts, low)  # below by rounding only: the piece before ended above its end

    def _corners(self) -> list[float]:
        found = [self.weak_v, *self._rests()]
        if self.joined:
            found.append(self.second_v)
        for source, on in zip(self.sources, self.on, strict=True):
            if source is not None and on:
                found += [source.volts, source.volts - source.most_a * source.ohms]
        return [volts for volts in found if volts > 0]

    def _rests(self) -> tuple[float, float]:
        """The volts at the root between which the surface's charge goes round in the battery itself."""
        surface_v, meter, posts_s = self.surface_v, self.meter_ohms, self.posts_s
        if not surface_v and not posts_s:  # nothing goes round in the battery: both corners are one
            return self.voc_v, self.voc_v
        # at the posts the corners are voc_v and voc_v + surface_v; the cable's current there tells the root's
        high_v = self.voc_v + surface_v
        low_a = surface_v / self.battery_ohms - posts_s * self.voc_v
        high_a = -surface_v / self.charge_ohms - posts_s * high_v
        return self.voc_v - meter * low_a, high_v - meter * high_a

    def _battery(self, volts: float) -> tuple[float, float]:
        """The battery as seen from the root at so many volts there: its own voltage and resistance."""
        low_v, high_v = self._rests()
        top_v = self.voc_v + self.surface_v
        if volts < low_v:  # it gives a current, its surface charge on top
            own_v, ohms = top_v, self.battery_ohms
        elif volts >= high_v:  # it takes one, which meets the acceptance of its plates
            own_v, ohms = self.voc_v, self.charge_ohms
        else:  # its surface charge feeds its own plates: both ways are open, side by side
            gives, takes = 1 / self.battery_ohms, 1 / self.charge_ohms
            own_v, ohms = (top_v * gives + self.voc_v * takes) / (gives + takes), 1 / (gives + takes)
        shrink = 1 + self.posts_s * ohms  # a leak across the posts, before the cable: Thevenin's equivalent
        return own_v / shrink, ohms / shrink + self.meter_ohms

    def open_v(self) -> float:
        """The voltage at the battery's posts with its cable off: only what lies across them draws."""
        gives, takes = 1 / self.battery_ohms, 1 / self.charge_ohms
        top_v = self.voc_v + self.surface_v
        alone_v = top_v * gives / (gives + self.posts_s)
        if alone_v <= self.voc_v:
            return alone_v
        return (top_v * gives + self.voc_v * takes) / (gives + takes + self.posts_s)

    def second_a(self) -> float:
        """What a second battery gives at the last solution's voltage; below 0 it takes."""
        if not self.joined:
            return 0.0
        over_v = self.second_v - self.bus_v
        return over_v / (self.second_ohms if over_v > 0 else self.second_charge_ohms)

    def _take_piece(self, low: float, high: float) -> None:
        """Make the piece between two neighbouring corners the present one."""
        middle = (low + high) / 2
        own_v, ohms = self._battery(middle)
        into, inner = own_v / ohms, 1 / ohms
        if self.joined:
            second_ohms = self.second_ohms if middle < self.second_v else self.second_charge_ohms
            into += self.second_v / second_ohms
            inner += 1 / second_ohms
        for source, on in zip(self.sources, self.on, strict=True):
            if source is None or not on or middle >= source.volts:
                continue  # its rectifier lets no current back into it
            if middle >= source.volts - source.most_a * source.ohms:
                into += source.volts / source.ohms
                inner += 1 / source.ohms
            else:
                into += source.most_a
        self._low, self._high, self._into, self._inner = low, high, into, inner
        self._weak = middle < self.weak_v
