"""Trimming on the bench by a perfect meter, measurements that follow commands, doors side by side."""

from __future__ import annotations

from fractions import Fraction

import pytest
from boxcore import program as pg
from nightdraw import programs
from nightdraw.bench.instrument import BenchLink
from nightdraw.bench.setup import build
from nightdraw.bench.world import World
from nightdraw.link import LoopTransport, open_box

from tests.bench import support

S = support.S
LEVELS_UA = (15_000, 40_000, 123_000, 350_000, 800_000)


def off_nominal(world_ns=support.CHANNELS_NS) -> tuple[int, ...]:
    """A bank whose channels lie up to 8 % off, to either side."""
    return tuple(ns * (100 + (7 * k) % 17 - 8) // 100 for k, ns in enumerate(world_ns))


def read_meter(world: World) -> tuple[Fraction, Fraction]:
    """What a perfect meter reads at the box: the bank's amperes, and the volts."""
    point = world.plant.point(world.hal.pattern)
    return Fraction(point.bank_a).limit_denominator(10**9), Fraction(point.supply_v).limit_denominator(10**6)


def worst_prediction_ua(world: World, box) -> float:
    """How far the box's prediction is from the truth, over levels small and large."""
    worst = 0.0
    for level_ua in LEVELS_UA:
        box.level(level_ua)
        world.advance(S)
        worst = max(worst, abs(world.box.level_ua - world.current_a * 1e6))
    box.halt()
    return worst


@pytest.mark.parametrize("monitor", [True, False])
def test_a_box_trimmed_channel_by_channel_predicts_the_truth(monitor):
    stiff = {"source_uohm": 100, "divider_ppm": -12_000}  # a bench supply, as one trims on
    world = support.world(true_ns=off_nominal(), monitor=monitor, **stiff)
    with open_box(LoopTransport(BenchLink(world).feed)) as box:
        before_ua = worst_prediction_ua(world, box)
        box.trim_supply(read_meter(world)[1])
        for channel in range(1, box.channel_count() + 1):
            box.close_channel(channel, 30)
            world.advance(S)
            assert world.hal.pattern == 1 << channel - 1
            reading = read_meter(world)
            box.halt()
            believed = box.trim(channel, *reading)
            assert believed.trimmed
            assert believed.true_ns == pytest.approx(off_nominal()[channel - 1], rel=1e-3)
        after_ua = worst_prediction_ua(world, box)
        assert abs(box.supply_ppm() - 12_146) < 500  # 1 / 0.988, to a converter's step of 5 mV
    assert before_ua > 5_000
    assert after_ua < 0.0005 * max(LEVELS_UA)  # what two readings of a converter with steps of 0.04 % leave
    world.cut_power()
    world.restore_power()
    with open_box(LoopTransport(BenchLink(world).feed)) as box:
        assert worst_prediction_ua(world, box) == pytest.approx(after_ua, abs=50)


def test_the_bench_that_is_built_is_trimmed_and_can_be_untrimmed():
    bench = build(seed=3)
    world = bench.world()
    with open_box(LoopTransport(BenchLink(world).feed)) as box:
        assert [channel.true_ns for channel in box.channels()] == list(bench.plant.channels_ns)
        assert all(channel.trimmed for channel in box.channels())
        assert max(abs(channel.off_pct) for channel in box.channels()) < 1.1  # the board file's tolerance
        box.clear_trim()
        assert [channel.true_ns for channel in box.channels()] == list(bench.board.channels_ns)


@pytest.mark.parametrize("monitor", [True, False])
def test_a_measurement_tells_what_is_not_what_was(monitor):
    """Right behind the command that changed it, in one message and in the next, at the same instant."""
    link = BenchLink(support.world(monitor=monitor, source_uohm=500_000))
    asked = b":MEAS:CURR?;:MEAS:VOLT?"
    idle = link.feed(asked + b"\n")
    for way in (b"%s;%s\n", b"%s\n%s\n"):
        drawing = link.feed(way % (b"CURR 0.5;:OUTP ON", asked))
        current, volts = (float(text) for text in drawing.split(b";"))
        assert current == pytest.approx(0.5, abs=0.03)  # half an ohm lowers the supply, unseen by the choice
        assert volts == pytest.approx(12.6 - 0.5 * current, abs=0.006)
        more = link.feed(way % (b"CURR 0.8", asked))
        assert float(more.split(b";")[0]) == pytest.approx(0.8, abs=0.05)
        assert link.feed(way % (b"OUTP OFF", asked)) == idle


def test_voltage_and_temperature_are_read_afresh_too():
    world = support.world(source_uohm=500_000)
    link = BenchLink(world)
    assert link.feed(b"CURR 0.5;:OUTP ON;:MEAS:VOLT?\n") < b"12.400"
    assert link.feed(b"OUTP OFF;:MEAS:VOLT?\n") == b"12.595\n"  # 11 mA of its own in half an ohm
    world.readings.bank_cdeg = 4_200
    assert link.feed(b"MEAS:TEMP?\n") == b"42.00\n"


@pytest.mark.parametrize("monitor", [True, False])
def test_a_measurement_follows_every_pulse_of_a_run(monitor):
    world = support.world(monitor=monitor)
    link = support.run(world, support.PULSED)
    for _ in range(200):
        world.advance(1_237)
        told = float(link.feed(b"MEAS:CURR?\n"))
        assert told == pytest.approx(world.current_a, abs=0.002)


def test_measuring_disturbs_no_run():
    quiet, asked = support.world(), support.world()
    support.run(quiet, support.PULSED)
    link = support.run(asked, support.PULSED)
    for world in (quiet, asked):
        world.record()
    for _ in range(200):
        quiet.advance(1_237)
        asked.advance(1_237)
        link.feed(b"MEAS:CURR?;VOLT?\n")
    assert support.changes(quiet) == support.changes(asked)


def test_two_doors_never_mix_their_uploads():
    world = support.world()
    one, other = BenchLink(world), BenchLink(world)
    first = b"PROG:EXPL:DEF SLOT1," + support.block(programs.pack(support.PULSED)) + b"\n"
    second = (
        b"PROG:EXPL:DEF SLOT2," + support.block(programs.pack(support.program((pg.STEADY, 50_000)))) + b"\n"
    )
    one.feed(first[:80])
    assert other.feed(second + b"SYST:ERR?\n") == b'-221,"Settings conflict;another link stores a program"\n'
    one.feed(first[80:])
    assert one.feed(b"SYST:ERR?;:PROG:CAT?\n") == b'0,"No error";"SLOT1"\n'
    assert other.feed(second + b"SYST:ERR?;:PROG:CAT?\n") == b'0,"No error";"SLOT1","SLOT2"\n'
    for leave in (
        one.hang_up,
        lambda: world.advance(3 * S) or one.tick(),
        lambda: one.feed(b"!" * 300 + b"\n" * 9),
    ):
        one.feed(first[:80])
        leave()
        assert other.feed(second + b"SYST:ERR?\n") == b'0,"No error"\n'
        one.hang_up()


def test_what_is_the_boxs_and_what_is_a_doors():
    world = support.world()
    one, other = BenchLink(world), BenchLink(world)
    one.feed(b"CURR 0.25;:OUTP ON;:BOGUS\n")
    assert other.feed(b"CURR?;:OUTP?;:SYST:ERR:COUN?\n") == b"0.250000;1;0\n"
    assert one.feed(b"SYST:ERR?\n").startswith(b"-113,")
    other.feed(b"CURR 0.1;:PROG:NAME SLOT7\n")
    assert one.feed(b"CURR?;:PROG:NAME?\n") == b"0.100000;SLOT0\n"
    assert other.feed(b"*RST;CURR?;:OUTP?\n") == b"0.011000;0\n"
    assert one.feed(b"STAT:OPER:EVEN?;EVEN?\n") == other.feed(b"STAT:OPER:EVEN?;EVEN?\n") == b"512;0\n"
