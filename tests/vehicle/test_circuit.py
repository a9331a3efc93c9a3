"""The circuit against Kirchhoff's and Ohm's laws, written down here anew, at every change of any script."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from nightdraw.bank.parts.blade_fuses import cold_mohm
from nightdraw.bench.rig import Rig
from nightdraw.bench.setup import build
from nightdraw.vehicle.model import Feed, Vehicle

from tests.vehicle.circuits import BATTERY, S, scripts, vehicle, vehicles

CLOSE = 1e-12  # of the largest term: double precision through a dozen sums and quotients


def near(one: float, other: float, size: float) -> bool:
    return math.isclose(one, other, rel_tol=0, abs_tol=CLOSE * max(size, 1.0))


class Watched(Rig):
    """A rig that is checked after each settling."""

    def __init__(self, made: Vehicle, *rest: Any, **more: Any) -> None:
        self.made = made
        self.checks = 0
        super().__init__(made, *rest, **more)

    def settle(self) -> None:
        super().settle()
        self.check()

    def check(self) -> None:
        """Every node's currents cancel, every resistance has its drop, every load gets what it asks for."""
        self.checks += 1
        net, made = self.network, self.made
        net.solve()
        size = abs(net.battery_a) + sum(abs(branch.current_a) for branch in net.branches) + net.starter_a
        size += sum(abs(amps) for amps in net.source_a) + abs(net.second_a())
        into = net.battery_a + net.second_a() + sum(net.source_a) - net.starter_a * net.share
        into -= net.leak_s * net.bus_v
        feeds = [net.feed_a(k) for k in range(len(made.feeds))]
        assert near(into, sum(feeds), size)
        gives_a = max(0.0, net.voc_v + net.surface_v - net.bus_v) / net.battery_ohms
        flows_a = gives_a - max(0.0, net.bus_v - net.voc_v) / net.charge_ohms
        assert near((net.battery_a - flows_a) * net.battery_ohms, 0.0, net.voc_v)
        for source, on, amps in zip(net.sources, net.on, net.source_a, strict=True):
            assert source is None or 0 <= amps <= source.most_a
            assert amps == 0 or on
            if source is not None and 0 < amps < source.most_a:
                assert near(net.bus_v, source.volts - source.ohms * amps, net.voc_v)
        for k, feed in enumerate(made.feeds):
            own = [net.branches[i].current_a for i, fuse in enumerate(made.fuses) if fuse.feed == feed.name]
            assert near(feeds[k], sum(own), size)
            self.check_main(k, feed, feeds[k])
        for k, fuse in enumerate(made.fuses):
            self.check_branch(k, [feed.name for feed in made.feeds].index(fuse.feed), size)

    def check_main(self, k: int, feed: Feed, amps: float) -> None:
        net = self.network
        drop_v = 0.0
        if feed.main is not None:
            fused_path = net.fused_paths[feed.main.name]
            if fused_path.pulled:
                assert amps == net.feed_v(k) == 0
                assert net.across_v(fused_path) == net.bus_v
                return
            cold_ohms = (cold_mohm("E", feed.main.rating_a)[0] or 0) / 1000
            assert cold_ohms <= fused_path.fuse_ohms < cold_ohms * 10
            drop_v = amps * fused_path.fuse_ohms
            assert net.across_v(fused_path) == drop_v
        assert near(net.feed_v(k), net.bus_v - feed.ohms * amps - drop_v, net.voc_v)

    def check_branch(self, k: int, feed: int, size: float) -> None:
        net = self.network
        branch, fuse = net.branches[k], self.made.fuses[k]
        if branch.pulled or net.feeds[feed].pulled:
            assert branch.current_a == 0
            assert not any(net.box_v(k, box) for box in branch.boxes)
            assert net.drop_v(k) == net.feed_v(feed)
            return
        assert net.drop_v(k) == branch.current_a * branch.fuse_ohms
        end_v = net.feed_v(feed) - net.drop_v(k) - fuse.wire_ohms * branch.current_a
        assert near(branch.end_v, end_v, net.voc_v)
        asked = branch.draw_a * net.share + branch.siemens * end_v
        for box in branch.boxes:
            volts = net.box_v(k, box)
            amps = box[1] * net.share + box[2] * volts
            assert near(volts, end_v - box[0] * amps, net.voc_v)
            asked += amps
        assert near(branch.current_a, asked, size)


@given(st.data())
@settings(max_examples=60, deadline=None)
def test_kirchhoff_holds_at_every_change_of_any_script(data: st.DataObject) -> None:
    made = data.draw(vehicles())
    plan = data.draw(scripts(made, 60 * S))
    benches = [("s0", build(seed=1)), ("s1", build(seed=2))]
    rig = Watched(made, benches, tuple(made.channels()), plan, seed=data.draw(st.integers(0, 99)))
    for _ in range(3):
        rig.advance(rig.tick + 30 * S)
    assert rig.checks >= 3


@given(st.data())
@settings(max_examples=20, deadline=None)
def test_the_noted_truth_adds_up_as_the_circuit_does(data: st.DataObject) -> None:
    made = data.draw(vehicles())
    made = vehicle(**{**vars(made), "charger": None, "alternator": None, "starter": None})
    plan = data.draw(scripts(made, 60 * S))
    plan = type(plan)(
        plan.name, plan.awake, tuple(e for e in plan.events if e.action not in ("charger", "engine"))
    )
    names = tuple(made.channels())
    rig = Rig(made, [("s0", build(seed=1))], names, plan)
    rig.advance(90 * S)
    truth = rig.take()
    feeds = [k for k, name in enumerate(names) if name.startswith("feed")]
    sums = truth.levels[:, feeds].sum(axis=1)
    assert np.allclose(truth.levels[:, 0], sums, rtol=1e-13, atol=1e-13)
    assert (np.diff(truth.ticks) > 0).all()


def test_a_charger_holds_its_volts_and_no_more_than_its_amperes() -> None:
    empty = replace(BATTERY, charge_pct=20.0)
    rig = Rig(vehicle(battery=empty), [], ("battery",))
    rig.network.on[0] = True
    rig.network.touch()
    rig.network.solve()
    assert rig.network.source_a[0] == 5.0  # (13.6 V - 12.0 V) / 121 mohm would be 13 A
    rig.network.voc_v = 13.55
    rig.network.touch()
    rig.network.solve()
    assert 0 < rig.network.source_a[0] < 5.0
    rig.network.voc_v = 13.9
    rig.network.touch()
    rig.network.solve()
    assert rig.network.source_a[0] == 0.0  # never backwards


@pytest.mark.parametrize("start", [12.0, 13.3, 13.55, 14.2])
def test_a_source_settles_alike_from_wherever_it_comes(start: float) -> None:
    rig = Rig(vehicle(), [], ("battery",))
    net = rig.network
    net.on[0] = net.on[1] = True
    found = []
    for voc in (start, 13.5):
        net.voc_v = voc
        net.touch()
        net.solve()
        found.append((net.bus_v, *net.source_a))
    fresh = Rig(vehicle(), [], ("battery",)).network
    fresh.on[0] = fresh.on[1] = True
    fresh.voc_v = 13.5
    fresh.touch()
    fresh.solve()
    assert found[1] == pytest.approx((fresh.bus_v, *fresh.source_a), rel=1e-12)
