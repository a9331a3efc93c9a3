"""Whether a fault can be found with a school's instruments, by which method of the trade, how, and how long.

Theory of operation. For each part of the fault (finding/parts) and each method of the trade a row is made:

1. currents and drops of the fault and of everything else at the method's places (finding/place, circuit);
2. detectability against the instrument's limits (finding/detectability, readings), which also gives settings;
3. the search as a walk of moves and waits (finding/walks), and its duration: exact where one draw makes the
   pulses (finding/laws), else simulated (finding/trials);
4. the rows of the parts joined to a row of the whole fault (finding/whole).

Times count from a vehicle that stands in its state, over random beginnings in the run and random orders
of feeds and fuses; to isolate is to name the fuse (two clamps: the feed). A pulse counts when it was seen
whole, or for one look at it; after each move one waits for one pulse that begins then. Handling times,
patience and what counts as seen are the school's assumptions (`nightdraw.instruments.assumed`); figures of
heat are our own.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from nightdraw.bench.finding import detectability
from nightdraw.bench.finding import pulling as pulled
from nightdraw.bench.finding.detectability import Assessment
from nightdraw.bench.finding.difficulty import MAX_ON_A_METER, difficulty
from nightdraw.bench.finding.laws import QUANTILE, Fixed
from nightdraw.bench.finding.method import Method, minutes
from nightdraw.bench.finding.parts import FaultPart, on_share
from nightdraw.bench.finding.readings import CLAMP, Readings, dropped
from nightdraw.bench.finding.search import Groups
from nightdraw.bench.finding.train import Signature
from nightdraw.bench.finding.whole import mixed, sooner
from nightdraw.instruments import setup
from nightdraw.instruments.front import Traits
from nightdraw.instruments.model import SHORTS, SINGLE_ENDED

__all__ = ["Method", "Search", "difficulty", "part"]

WARM_K_PER_W = 10.0  # of a control module's case over its surroundings
DISTINCT = 2.0  # the least ratio to the warmest healthy module
HAND_K = 10.0  # least rise that a hand notices, some 10 K (common practice)
TWO_CLAMPS = "two clamps to split the feeds"
DROPS, HEAT = "voltage drops across fuses", "touch or thermal camera"
BY_HAND = "voltage drops by hand"
NO_INDICATION = "nothing tells at a wrong fuse that a pulse has come"
AVERAGED = 4.0  # so many pulses within one reading: it shows their mean
BOTH = "two clamps, then drops on that feed"
SIX = (MAX_ON_A_METER, CLAMP, TWO_CLAMPS, DROPS, pulled.NAME, HEAT)

Way = Callable[[Signature], Method]


class Search(Readings):
    """One fault at one splice of a vehicle, for one school: with a row for each method of the trade."""

    def methods(self) -> list[Method]:
        """The six methods for the fault as a whole, and the two that are combined where the kit permits."""
        nothing = self.nothing()
        if nothing is not None:
            return [Method(name, False, nothing) for name in SIX]
        (_, waits), (share, follows) = self.sides()
        stays_ma, by_name = 1000 * self.site.steady_a(), {row.method: row for row in follows}
        rows = [mixed(row, by_name.get(row.method, row), share, stays_ma, self.seed) for row in waits]
        if share == 1:
            rows += [row for row in follows if row.method not in {known.method for known in waits}]
        return rows

    @functools.cache  # noqa: B019 (lives as long as the search)
    def sides(self) -> tuple[tuple[float, list[Method]], tuple[float, list[Method]]]:
        """The share of classes that wait for pulses, and the rows they go by; the share that search by the
        steady current where that is sooner, and theirs."""
        share, pulsed = self.followed, [signature for signature in self.signatures if signature.pulsed]
        follows = self._rows(self.signatures)
        waits = self._rows(pulsed) if share < 1 and len(pulsed) < len(self.signatures) else follows
        return (1 - share, waits), (share, follows)

    def alone(self, part: FaultPart) -> list[Method]:
        """The methods for one part of the fault by itself."""
        held = self.site.held()
        if held is not None:
            return [Method(name, False, held) for name in SIX]
        signature = self.signature_of(part)
        if signature is None:
            return [Method(name, False, "it never rises above what stays") for name in SIX]
        if not signature.pulsed and self.site.steady_a() <= self.assumed.healthy_a:
            total_ma = 1000 * self.site.steady_a()
            healthy = f"{total_ma:.3g} mA with the vehicle's own draw are a healthy vehicle's"
            return [Method(name, False, healthy) for name in SIX]
        return self._rows([signature])

    def _rows(self, signatures: list[Signature]) -> list[Method]:
        rows = [sooner([self.row(name, signature) for signature in signatures]) for name in SIX]
        more = [sooner([self.row(name, signature) for signature in signatures]) for name in (BOTH, BY_HAND)]
        named = [row.why for row in rows]
        return [*rows, *(row for row in more if row.shows and row.why not in named)]

    @functools.cache  # noqa: B019
    def row(self, name: str, signature: Signature) -> Method:
        """One method for one signature."""
        ways: dict[str, Way] = {
            MAX_ON_A_METER: self.meter_max, CLAMP: self.clamp, TWO_CLAMPS: self.two_clamps,
            DROPS: self.drops, pulled.NAME: self.pulling, HEAT: self.heat,
            BOTH: self.split_then_drops, BY_HAND: self.drops_by_hand,
        }  # fmt: skip
        return ways[name](signature)

    def two_clamps(self, signature: Signature) -> Method:
        """One clamp at the battery, the others on feed after feed until one shows the same."""
        assessed, groups = self._split(signature)
        if not assessed.clear:
            return Method(TWO_CLAMPS, False, assessed.why, assessed.settings)
        feed = self.vehicle.feed_of(self.site.fuse)
        settings = {**assessed.settings, "sets": groups[0][0]}
        row = Method(
            TWO_CLAMPS, True, assessed.why + self.named_alike(signature), settings, isolates=f"feed {feed}"
        )
        return self.in_sets(row, signature, groups, self.assumed.move_clamp_s)

    def drops(self, signature: Signature) -> Method:
        """Drops across as many fuses as the recorder has channels to spare; by hand where it can't."""
        recorded = self._drops_recorded(signature, DROPS, [], len(self.vehicle.fuses))
        if recorded.shows or self.kit.fuse_meter is None:
            return recorded
        by_hand = replace(self.drops_by_hand(signature), method=DROPS, extra=False)
        return by_hand if by_hand.shows or self.kit.recorder is None else recorded

    def split_then_drops(self, signature: Signature) -> Method:
        """The feed by two clamps, then the drops across that feed's fuses."""
        assessed, groups = self._split(signature)
        if not assessed.clear:
            return Method(BOTH, False, assessed.why)
        feed = self.vehicle.feed_of(self.site.fuse)
        fuses = sum(fuse.feed == feed for fuse in self.vehicle.fuses)
        row = self._drops_recorded(signature, BOTH, groups, fuses)
        return replace(row, why=f"feed {feed} first, then its {fuses} fuses: {row.why}", extra=True)

    def pulling(self, signature: Signature) -> Method:
        """Pull fuse after fuse, leave them out, and see on the meter or the clamp where it stops."""
        if self.site.circuit.engine:
            return Method(pulled.NAME, False, "no fuse is pulled while the engine runs")
        woken_a = self.site.woken_a()  # a range that is changed breaks the circuit, which wakes all the more
        return pulled.pulling(
            self, signature, [self.meter_max(signature, woken_a), self.clamp(signature, woken_a)]
        )

    def heat(self, signature: Signature) -> Method:
        """Touch or a thermal camera: what is warm that should be cold."""
        thermal, site = self.kit.thermal, self.site
        least_k = HAND_K if thermal is None else thermal.least_k
        volts = site.supply_mv(site.base_a()) / 1000
        own_k = site.circuit.awake_a() * volts * WARM_K_PER_W
        watts = volts * (site.mean_a() - site.base_a() if signature.pulsed else signature.amps)
        rise_k = watts * WARM_K_PER_W
        why = (
            f"{watts * 1000:.0f} mW on average warm a module by some {rise_k:.2g} K; {least_k:g} K are seen,"
            f" the vehicle's own are warm by up to {own_k:.2g} K"
        )
        warm_up_s, scan_s = self.assumed.warm_up_s, self.assumed.scan_s
        if signature.train is not None and signature.train.lasting and signature.train.cycle_s > warm_up_s:
            return Method(HEAT, False, f"it cools between pulses {minutes(signature.train.cycle_s)} apart")
        if rise_k < max(least_k, DISTINCT * own_k) or not signature.lasting:
            return Method(HEAT, False, why)
        places = len(self.vehicle.fuses)
        times = self.trials(signature).counted(places, warm_up_s, scan_s)
        late = math.ceil(QUANTILE * places - 1e-9)
        row = Method(HEAT, True, why, {"warm_up_s": warm_up_s}, isolates=f"fuse {self.site.fuse}")
        closed = Fixed((warm_up_s, 0.0)).counted(places, scan_s)
        return replace(
            self.with_times(row, signature, times, closed, warm_up_s + scan_s * late), law="counted"
        )

    def _split(self, signature: Signature) -> tuple[Assessment, Groups]:
        """Whether clamps can split the feeds, and in how many sets."""
        feeds = len(self.vehicle.feeds)
        reason = self.no_clamp(2)
        if reason is None and feeds < 2:
            reason = "there is one feed: nothing to split"
        if reason is not None:
            return Assessment(False, reason, {}), []
        assert self.kit.clamp is not None
        assert self.kit.recorder is not None
        clamps = min(self.kit.clamp.count, self.kit.recorder.channels)
        spare = clamps - 1
        on_feed, on_battery = (
            self.clamped(signature, clamps, 1, where=self.site.feed),
            self.clamped(signature, clamps, 1),
        )
        if not on_battery.clear and on_feed.clear and clamps >= feeds:
            why = f"one on each feed, for the battery's cable doesn't show it: {on_feed.why}"
            return replace(on_feed, why=why), [(1, feeds, feeds)]
        # the last feed left over needs no clamp: it is the one where the others stayed quiet
        assessed = on_battery if not on_battery.clear or on_feed.clear else on_feed
        return assessed, [(-(-(feeds - 1) // spare), feeds, spare)]

    def _drops_recorded(self, signature: Signature, name: str, before: Groups, fuses: int) -> Method:
        recorder, site = self.kit.recorder, self.site
        if recorder is None:
            return Method(name, False, "there is neither a recorder nor a millivolt meter")
        if recorder.inputs == SINGLE_ENDED:
            return Method(name, False, f"refused: {SHORTS}")
        whole, reason = self._whole(signature)
        spare = recorder.channels - whole
        if reason is not None or spare < 1:
            return Method(name, False, reason or "the recorder has no channel to spare")
        front = setup.drop_front(recorder, self._most_mv() * detectability.HEADROOM)
        flows = site.currents(signature, site.fuse)
        hidden = self.hidden(signature, flows, site.fuse)
        if hidden is not None:
            return Method(name, False, hidden)
        signal = dropped(signature, flows, site.fuse_ohms(site.fuse), front)
        sets = -(-fuses // spare)
        more = {"range_mv": front.most, "fuses_at_once": spare, "sets": sets}
        assessed = self.screened(signal, recorder, recorder.channels, 1, more)
        if not assessed.clear:
            return Method(name, False, assessed.why, assessed.settings)
        why = assessed.why + self.named_alike(signature, site.fuse)
        row = Method(name, True, why, assessed.settings, isolates=f"fuse {site.fuse}")
        return self.in_sets(row, signature, [*before, (sets, fuses, spare)], self.assumed.move_clamp_s)

    def _whole(self, signature: Signature) -> tuple[int, str | None]:
        """Channels that tell, whichever fuses one looks at, that a pulse has come: a clamp's, or one across
        each main fuse; and why none does."""
        kit = self.kit
        assert kit.recorder is not None
        if not signature.pulsed:
            return int(kit.clamp is not None), None
        if kit.clamp is not None and self.clamped(signature, 1, 1).clear:
            return 1, None
        without = "there is no clamp" if kit.clamp is None else "the clamp doesn't show it"
        mains = [feed.main for feed in self.vehicle.feeds if feed.main is not None]
        if len(mains) < len(self.vehicle.feeds):
            return 0, f"{NO_INDICATION}: {without}, and not each feed has a main fuse"
        flows, ohms = self.site.currents(signature, self.site.feed), self.site.main_ohms()
        front = setup.drop_front(kit.recorder, flows.most * ohms * 1000 * detectability.HEADROOM)
        if detectability.assess(dropped(signature, flows, ohms, front), kit.recorder.rate_hz)[0].clear:
            return len(mains), None
        return len(mains), f"{NO_INDICATION}: {without}, and a main fuse's drop is too small"

    def _most_mv(self) -> float:
        """The largest drop across any fuse."""
        site = self.site
        peak_a = site.peak_a()

        def most_mv(fuse: str) -> float:
            largest = site.largest_twitch(fuse)
            more_a = 0.0 if largest is None else largest.draw_a
            return 1000 * site.fuse_ohms(fuse) * (abs(site.circuit.amps(fuse, peak_a)) + more_a)

        return max(most_mv(fuse.name) for fuse in self.vehicle.fuses)

    @functools.cache  # noqa: B019
    def drops_by_hand(self, signature: Signature) -> Method:
        """With a millivolt meter alone: fuse after fuse, good for what lasts as long as a reading."""
        meter, site = self.kit.fuse_meter, self.site
        if meter is None:
            return Method(BY_HAND, False, "there is no millivolt meter")
        # several pulses a reading: it stands still
        averaged = AVERAGED * signature.cycle_most_s <= meter.update_s
        if signature.narrow_s < meter.update_s and not averaged:
            why = f"by hand: a pulse of {signature.narrow_s:.3g} s ends before the meter has read it"
            return Method(BY_HAND, False, why)
        share = (
            detectability.window_share(signature, meter.update_s)
            if averaged
            else detectability.straddling_share(signature.narrow_s, meter.update_s)
        )
        flows = site.currents(signature, site.fuse)
        hidden = self.hidden(signature, flows, site.fuse)
        if hidden is not None:
            return Method(BY_HAND, False, hidden)
        seen_mv = flows.size * site.fuse_ohms(site.fuse) * 1000 * share
        front = Traits(meter.noise_mv, 0.5 / meter.update_s, step=meter.step_mv)
        noise_mv = detectability.noise_of(front, 1 / meter.update_s, signature.narrow_s)
        why = f"by hand: {seen_mv:.3g} mV against {noise_mv:.2g} mV rms of noise and steps"
        settings = {"step_mv": meter.step_mv, "fuses_at_once": 1}
        if seen_mv < detectability.CLEAR * noise_mv:
            return Method(BY_HAND, False, why, settings)
        if signature.pulsed and not (self.meter_max(signature).shows or self.clamp(signature).shows):
            return Method(BY_HAND, False, f"{NO_INDICATION}: neither meter nor clamp shows it", settings)
        looks = self.assumed.watched() if signature.narrow_s < self.assumed.look_s and not averaged else 1
        if looks > 1:
            settings["pulses_at_each"] = looks
            why += f"; {looks} pulses at each fuse, for {self.assumed.notices:.0%} of them are noticed"
        row = Method(BY_HAND, True, why + self.named_alike(signature, site.fuse), settings, extra=True)
        return self._fuse_after_fuse(replace(row, isolates=f"fuse {site.fuse}"), signature, looks)

    def _fuse_after_fuse(self, row: Method, signature: Signature, looks: int) -> Method:
        """A row with the time to go from fuse to fuse by hand; what tells that pulses come is put in place
        first."""
        assumed, fuses = self.assumed, len(self.vehicle.fuses)
        by_meter = signature.pulsed and not self.clamp(signature).shows
        first_s, move_s = assumed.meter_in_s if by_meter else 0.0, assumed.move_probes_s
        if looks == 1 and (assumed.notices == 1 or not signature.pulsed) and not first_s:
            return self.in_sets(row, signature, [(fuses, fuses, 1)], move_s)
        notices = assumed.notices if looks > 1 else 1.0
        times = self.trials(signature).by_hand(fuses, move_s, looks, notices, first_s)
        late = math.ceil(QUANTILE * fuses - 1e-9)
        hardest_s = first_s + late * (move_s + looks * self.wait95_s(signature))
        row = replace(row, more={**row.more, "wrong_fuse": round(times.wrong, 4)})
        return self.with_times(row, signature, times, None, hardest_s)


def part(search: Search, one: FaultPart) -> dict[str, Any]:
    """The JSON keys of one part of the fault by itself."""
    document = one.document()
    document["on_pct"] = round(100 * on_share(search.signature_of(one)), 4)
    if one.draw is None:
        document["followed_pct"] = round(100 * search.followed, 2)
    return {**document, "methods": [method.document() for method in search.alone(one)]}
