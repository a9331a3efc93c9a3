"""The world: the box's real code plays what the schedule says, and the plant makes currents of it."""

from __future__ import annotations

import pytest
from boxcore import program as pg
from boxcore.program import TICKS_PER_S as S
from hypothesis import given
from hypothesis import strategies as st
from nightdraw import journals, programs
from nightdraw.bench import plant as pl
from nightdraw.bench.instrument import BenchLink

from tests.bench import support

STEP_A = 0.00126 / 2  # half a step of the test bank at 12.6 V


def pulses(draw):
    on = draw(st.integers(10, 20_000))
    return (pg.PULSE, draw(st.integers(5_000, 400_000)), on, on + draw(st.integers(10, 40_000)), 0)


@st.composite
def plans(draw):
    gap = draw(st.integers(10, 30_000))
    noise = (
        pg.RANDOM,
        draw(st.integers(5_000, 300_000)),
        10,
        draw(st.integers(10, 9_000)),
        pg.UNIFORM,
        10,
        gap,
    )
    return support.program((pg.STEADY, 20_000), pulses(draw), noise, seed=draw(st.integers(0, 2**32 - 1)))


@given(plan=plans())
def test_the_true_current_follows_the_schedule_to_the_tick(plan):
    world = support.world(source_uohm=0)
    support.run(world, plan)
    world.record()
    world.advance(21 * S)
    start, stop = world.box.run_started, world.box.run_started + 20 * S
    seen = {tick - start: amps for tick, amps in support.changes(world) if start <= tick < stop}
    asked = dict(support.levels(plan, 20 * S))
    assert set(seen) <= set(asked)  # no edge that was not asked for
    amps = None
    for tick, level_ua in asked.items():  # every level is held from its own tick on
        amps = seen.get(tick, amps)
        assert amps == pytest.approx(level_ua / 1e6, abs=STEP_A + 0.001 * level_ua / 1e6)


def test_the_source_resistance_pulls_the_terminals_down():
    world = support.world(source_uohm=100_000)
    link = support.run(world, support.program((pg.STEADY, 1_000_000)))
    world.advance(2 * S)
    volts, amps = (float(text) for text in link.feed(b"MEAS:VOLT?;CURR?\n").split(b";"))
    assert volts == pytest.approx(12.6 - 0.1 * world.current_a, abs=pl.ADC_STEP_MV / 2000)
    assert amps == pytest.approx(world.current_a, abs=2 * pl.MONITOR_STEP_UA / 1e6)


def test_a_supply_step_is_followed_and_journaled():
    """12.6 V to 14.4 V: the level comes back within the queue's second, and the journal says why."""
    world = support.world(source_uohm=0)
    support.run(world, support.program((pg.STEADY, 500_000)))
    world.advance(10 * S)
    world.supply_to(voc_mv=14_400)
    assert world.current_a > 0.55  # the resistors know nothing of it yet
    world.advance(2 * S)
    assert world.current_a == pytest.approx(0.5, abs=0.001)
    records = _records(world)
    assert [r["kind"] for r in records if r["kind"] in ("edge", "repick")] == ["edge", "repick"]


def test_a_low_supply_opens_the_switches_until_it_has_come_back():
    world = support.world()
    support.run(world, support.program((pg.STEADY, 300_000)))
    world.advance(5 * S)
    world.supply_to(voc_mv=11_500)
    world.advance(1)
    assert (world.box.state, world.current_a) == ("holding", pytest.approx(0.011))
    world.supply_to(voc_mv=12_600)
    world.advance(7 * S)
    assert world.box.state == "running"
    assert world.current_a == pytest.approx(0.3, abs=0.002)


def _records(world):

    return journals.decode(journals.whole(world.box.journal))


def test_a_stuck_switch_conducts_before_the_run_and_is_flagged():
    world = support.world((pl.SwitchDefect(pl.STUCK_ON, 8),))
    link = BenchLink(world)
    assert world.current_a == pytest.approx(0.011 + 12.6 * 0.0128, rel=1e-3)
    link = support.run(world, support.PULSED)
    world.advance(5 * S)
    assert int(link.feed(b"STAT:QUES:COND?\n")) == 1 << 10  # our switch-fault bit
    assert world.box.state == "running"  # flagged, not stopped: the recording shows it
    world.cut_power()
    assert world.current_a == 0


def test_an_open_switch_is_flagged_from_pulses_alone():
    """Its channel conducts for 300 ms every 10 s only: the shell must sense often enough to catch it."""
    plan = support.program((pg.STEADY, 11_000), (pg.PULSE, 161_280, 3_000, 100_000, 0))
    world = support.world((pl.SwitchDefect(pl.OPEN, 8),))
    link = support.run(world, plan)
    world.advance(30 * S)
    assert int(link.feed(b"STAT:QUES:COND?\n")) == 1 << 10


def test_without_a_monitor_the_box_cannot_know():
    world = support.world((pl.SwitchDefect(pl.STUCK_ON, 8),), monitor=False)
    link = support.run(world, support.PULSED)
    world.advance(5 * S)
    assert int(link.feed(b"STAT:QUES:COND?\n")) == 0
    assert world.current_a > 0.17


@pytest.mark.parametrize("after_s", [0.7, 5, 61])
def test_pulling_the_fuse_and_putting_it_back_starts_the_run_again(after_s):
    world = support.world(source_uohm=0)
    support.run(world, support.PULSED)
    world.advance(7 * S)
    world.record()
    world.cut_power()
    world.advance(int(after_s * S))
    assert support.changes(world) == [(7 * S, 0.0)]
    world.restore_power()
    world.advance(20 * S)
    assert world.box.state == "running"
    back = world.world_tick(world.box.run_started)
    asked = [(tick + back, level_ua / 1e6) for tick, level_ua in support.levels(support.PULSED, 19 * S)]
    seen = [(tick, amps) for tick, amps in support.changes(world) if back <= tick < back + 19 * S]
    assert [tick for tick, _ in seen] == [tick for tick, _ in asked]
    assert [amps for _, amps in seen] == pytest.approx([amps for _, amps in asked], abs=0.001)


def test_a_power_loss_inside_a_flash_write_is_survived():
    """At each changing operation from sending to running: the next boot has the old or the new, and works."""
    for cut in range(1, 40):
        world = support.world()
        world.store.cut_at = world.store.operations + cut
        link = BenchLink(world)
        link.feed(b"PROG:EXPL:DEF SLOT0," + support.block(programs.pack(support.PULSED)) + b"\n")
        link.feed(b"PROG:EXPL:STAT SLOT0,RUN\n")
        world.advance(60 * S)
        if world.box is not None:
            break
        assert world.current_a == 0
        world.restore_power()
        assert world.box is not None, cut
        assert link.feed(b"PROG:CAT?\n") in (b'""\n', b'"SLOT0"\n')
        world.advance(21 * S)
        assert world.box.state in ("idle", "running")
        if world.box.state == "running":
            since = world.tick - world.world_tick(world.box.run_started)
            level_ua = support.levels(support.PULSED, since + 1)[-1][1]
            assert world.current_a == pytest.approx(level_ua / 1e6, abs=0.002)
    assert cut > 5


def test_a_box_without_power_says_nothing():
    world = support.world()
    link = BenchLink(world)
    world.cut_power()
    assert link.feed(b"*IDN?\n") == b""
    link.tick()
    link.hang_up()
    world.restore_power()
    assert link.feed(b"*IDN?\n").startswith(b"NIGHTDRAW,bench-test,")


def test_hanging_up_forgets_the_message_and_keeps_the_program():
    world = support.world()
    link = BenchLink(world)
    put = b"PROG:DEF " + support.block(programs.pack(support.PULSED)) + b"\n"
    link.feed(put)
    link.feed(put[:-20])
    link.hang_up()
    assert world.box.slots.writing is None
    assert link.feed(b"*OPC?;:SYST:ERR?;:PROG:CAT?\n") == b'1;0,"No error";"SLOT0"\n'
    assert link.feed(b"*ID") == b""
    link.hang_up()
    assert link.feed(b"*OPC?\n") == b"1\n"


def test_who_comes_after_a_hang_up_finds_nothing_of_who_was_before():
    """Errors, events, enables, the chosen program; what the box does goes on."""
    link = BenchLink(support.world())
    link.feed(b"*ESE 60;*SRE 255;:STAT:QUES:ENAB 7;:STAT:OPER:ENAB 9;:PROG:NAME SLOT7;:BOGUS\n")
    link.feed(b"CURR 0.2;:OUTP ON\n")
    link.hang_up()
    said = link.feed(
        b"SYST:ERR:COUN?;*ESR?;*ESE?;*SRE?;*STB?;:STAT:QUES:ENAB?;:STAT:OPER:ENAB?;:STAT:OPER?\n"
    )
    assert said == b"0;0;0;0;16;0;0;0\n"
    assert link.feed(b"PROG:NAME?;:OUTP?;:CURR?\n") == b"SLOT0;1;0.200000\n"


def test_time_jumps_on_command_and_the_answer_knows():
    world = support.world()
    link = support.run(world, support.PULSED)
    answers = link.feed(b"DIAG:CLOC:ADV 5.5 S;:DIAG:CLOC?;:MEAS:CURR?\n")
    tick, amps = answers.split(b";")
    assert int(tick) == 55_000
    assert float(amps) == pytest.approx(world.current_a, abs=0.0001)
    assert world.tick == 55_000
    link.feed(b"DIAG:CLOC:ADV 86401\nDIAG:CLOC:ADV -1\nDIAG:CLOC:ADV\n")
    codes = [int(link.feed(b"SYST:ERR?\n").split(b",")[0]) for _ in range(3)]
    assert codes == [-222, -222, -109]
    assert world.tick == 55_000


def test_the_panel_starts_a_program_that_waits_for_it():
    world = support.world()
    support.run(world, support.program((pg.STEADY, 40_000), start=pg.START_PANEL))
    world.advance(10 * S)
    assert world.box.state == "waiting"
    world.panel(arm=True)
    world.advance(10)
    assert world.box.state == "running"
    assert 0 <= world.box.run_started - 10 * S <= 10
    world.advance(S)  # longer than a contact bounces
    world.panel(arm=False)
    world.advance(1)
    assert world.current_a == pytest.approx(0.011)


def test_a_box_that_has_run_for_long_keeps_its_ticks():
    """Beyond 2^30 ticks (29.8 h), the board's largest small integer, edges stay exact."""
    world = support.world(source_uohm=0)
    world.advance((1 << 30) - 3 * S)
    support.run(world, support.PULSED)
    world.record()
    world.advance(21 * S)
    start = world.box.run_started
    seen = [tick - start for tick, _ in support.changes(world) if start <= tick < start + 20 * S]
    assert seen == [tick for tick, _ in support.levels(support.PULSED, 20 * S)]
