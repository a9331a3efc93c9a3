"""False agreements and false alarms, counted over random cases; an instrument's faults by their values."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from boxcore import program as pg
from nightdraw import programs
from nightdraw.capture.accounts import Asked
from nightdraw.capture.compare import Comparison, Place, compare
from nightdraw.capture.read import from_arrays

from tests.capture import campaign, cases, recorders, twitches
from tests.capture.synthetic import OWN_MA, Clamp, Run, Truth, pulse, random_draw, run_of, steady, truth_of
from tests.counts import tries

QUICK = 8
TRIES = tries(300, 80)
# The targets are rates, 1 % and none; a bound on a count lies above them, so that chance fails no sound
# state. By the binomial law at a rate of 1 % more than 9 of 300 come once in 970 runs, more than 4 of 80
# once in 770; at 0.1 % more than 3 of 300 once in 3800, more than 1 of 80 once in 330.
MOST_ALARMS, MOST_AGREEMENTS = tries(9, 4), tries(3, 1)
LONG = pytest.param(TRIES, marks=pytest.mark.campaign)

RUN = ([steady(40), pulse(120, 0.4, 7.0), random_draw(350, (0.3, 0.9), (1.0, 6.0))], 120.0)


@pytest.mark.parametrize("count", [QUICK, LONG])
@pytest.mark.parametrize("judge", [campaign.alarms, campaign.alarms_among_loads])
def test_false_alarms_are_rare(judge: Callable[[range], campaign.Tally], count: int, seed: int) -> None:
    """Alone and among a vehicle's loads; of the few tries that are always the same none."""
    first = 0 if count == QUICK else seed % 1_000_000
    found = judge(range(first, first + count))
    print(found.text())
    assert len(found.failures) <= (0 if count == QUICK else MOST_ALARMS), found.text()


@pytest.mark.parametrize("count", [QUICK, LONG])
@pytest.mark.parametrize("judge", [campaign.agreements, campaign.agreements_among_loads])
def test_there_are_no_false_agreements(
    judge: Callable[[range], campaign.Tally], count: int, seed: int
) -> None:
    first = 0 if count == QUICK else seed % 1_000_000
    found = judge(range(first, first + count))
    print(found.text())
    assert len(found.failures) <= (0 if count == QUICK else MOST_AGREEMENTS), found.text()


def test_the_campaign_can_fail() -> None:
    """Under the wrong flag: a healthy run that must not agree, a broken one that must not differ."""
    assert campaign.judged(cases.right, [0], "turned", forbidden=True).failures
    assert campaign.judged(cases.wrong, [0], "turned", forbidden=False).failures


def seen_by(run: Run, **clamp: float) -> Comparison:
    made = replace(cases.Recorder(1000.0, 1.0, 8.0), **clamp)  # type: ignore[arg-type]
    t_s, ma = made.samples(run.truth, np.random.default_rng(5))
    return compare(run.asked, run.did, from_arrays(t_s, ma / 1000))


@pytest.mark.parametrize("late_s", [0.0, 0.06])
def test_edges_less_than_a_sample_apart_are_seen_as_one(late_s: float) -> None:
    """One layer ends half a millisecond before another begins, and a small load moves a tenth of a second
    later: no edge came that late. Where the pulse itself does, that is told."""
    layers = [steady(40), pulse(216, 2.0, 10.0, 4.0), pulse(36, 0.17, 10.0, 6.0005), pulse(90, 0.5, 7.3, 1.0)]
    run = run_of(layers, 60.0)
    once = (run.truth.t_s > 26.0001) & (run.truth.t_s < 26.3)
    assert np.count_nonzero(once) == 2  # the small pulse's edges, half a millisecond after a fall and later
    real = replace(run.truth, t_s=np.where(once, run.truth.t_s + late_s, run.truth.t_s))
    t_s, ma = cases.Recorder(1000.0, 0.3, 2.0005).samples(real, np.random.default_rng(3))
    ma += 20.0 + 9.8 * ((t_s > 28.1) & (t_s < 28.14))
    found = compare(run.asked, run.did, from_arrays(t_s, ma / 1000), Place(shared=True, monitored=True))
    assert found.agree is (not late_s), found.text()


def test_a_step_that_a_level_may_be_off_by_has_no_instant() -> None:
    """A step of 1.6 mA was asked and half of it made, in noise of as much: where it was can't be said."""
    found = campaign.alone(cases.right(760205))
    assert found.agree is True, found.text()


def test_a_staircase_that_is_gone_is_missing_though_another_load_falls_at_its_end() -> None:
    found = twitches.compared(twitches.wrong(880098))
    assert found.agree is False, found.text()


def test_a_part_of_a_long_run_lies_where_its_small_edges_say() -> None:
    """94 of 689 s were recorded; the large edges repeat every 36 s, the small pulses between them never do so
    together."""
    found = campaign.alone(cases.right(261266))
    assert found.agree is True, found.text()


def test_an_instruments_fault_is_named_with_its_value() -> None:
    run = run_of(*RUN)
    inverted = seen_by(run, gain=-1.0)
    assert inverted.agree is None, "the contract: said, status 3"
    assert "the wrong way round" in inverted.text()
    assert "--invert" in inverted.text()
    for gain in (10.0, 0.1, 0.8):
        found = seen_by(run, gain=gain)
        assert found.differences == ()
        assert found.instrument.gain == pytest.approx(gain, rel=0.01)
        assert "your clamp: scale off" in found.text()
    for ppm in (-5000.0, 1500.0):
        found = seen_by(run, ppm=ppm)
        assert found.agree is True
        assert found.instrument.rate_ppm == pytest.approx(ppm, abs=10)
        assert "your recorder: its clock goes" in found.text()
    for tau_s in (0.005, 0.02):
        found = seen_by(run, tau_s=tau_s)
        assert found.agree is True
        assert found.instrument.tau_s == pytest.approx(tau_s, rel=0.1)
    zero = seen_by(run, zero_ma=5.0)
    assert zero.differences == ()
    assert "your clamp: zero +5.0 mA" in zero.text()


def test_a_lead_is_the_wirings_and_its_resistance_is_named() -> None:
    """A bank behind 0.8 ohm and more draws the less the more it should; no switch is stuck for it."""
    run = run_of(*RUN)
    for ohm in (0.8, 1.5, 3.0):
        found = seen_by(run, lead_ohm=ohm)
        assert (found.agree, found.differences) == (True, ()), found.text()
        assert found.instrument.lead_ohm == pytest.approx(ohm, rel=0.1)
        assert "in series with the box" in found.text()
    broken = seen_by(run.with_channels(opened=9), lead_ohm=1.5)
    assert broken.agree is False
    assert "channel 9 " in " ".join(row.message for row in broken.differences)


@pytest.mark.parametrize("ohm", [1.5, 2.2, 2.7, 3.5, 5.0])
def test_a_lead_before_one_height_of_steps_accuses_no_resistor(ohm: float) -> None:
    """A step of 107 mA is off by 2 to 7 % then: a resistor of the box might be, too."""
    run = run_of([steady(22), pulse(107, 0.35, 2.9)], 120.0)
    clamp = cases.Recorder(1000.0, 0.5, 8.0, lead_ohm=ohm)
    t_s, ma = clamp.samples(run.truth, np.random.default_rng(5))
    for asked in (None, run.asked):
        found = compare(asked, run.did, from_arrays(t_s, ma / 1000))
        assert found.agree is not False, found.text()


def of_one_height(ma: float, base_ma: float = 22.0) -> Run:
    return run_of([steady(base_ma), pulse(ma, 0.35, 2.9)], 120.0)


@pytest.mark.parametrize("which", [(724, 3.67, 110), (88, 5.09, 135), (530, 1.155, 186), (649, 4.5, 22)])
def test_a_lead_that_takes_as_much_as_a_switch_has_accuses_none(which: tuple[float, float, float]) -> None:
    """Three of 150 leads before steps of one height took by chance what an open switch would (seed 1 of a
    sweep of 60 to 800 mA, 0.3 to 9.5 ohm)."""
    ma, ohm, base_ma = which
    found = seen_by(of_one_height(ma, base_ma), lead_ohm=ohm, sigma_ma=0.5)
    assert found.agree is None, found.text()
    assert "both explain what was seen" in found.text()


@pytest.mark.parametrize("ma", [322, 424, 649])
def test_a_switch_is_named_where_no_lead_takes_as_much(ma: float) -> None:
    """By Ohm's law a lead of 10 ohm lowers a step to so much and no more; a switch that is stuck lifts the
    base, which a lead never does."""
    run = of_one_height(ma)
    step_ma, least_ma = (
        np.ptp(truth.level_ma) for truth in (run.truth, recorders.behind_lead(run.truth, 10))
    )
    told = set()
    for channel in range(1, 12):
        opened, stuck = run.with_channels(opened=channel), run.with_channels(stuck=channel)
        left_ma = np.ptp(opened.truth.level_ma)
        if step_ma - left_ma < 2 * cases.tolerance_ma(np.array([ma]))[0]:
            continue
        agree = None if left_ma > least_ma else False
        assert seen_by(opened, sigma_ma=0.5).agree is agree
        found = seen_by(stuck, sigma_ma=0.5)
        assert (found.agree, found.differences[0].kind) == (False, "stuck-on"), found.text()
        told.add(agree)
    assert told == {None, False}


def test_a_scale_is_told_by_its_base_from_a_lead() -> None:
    """A sound box of one height behind a clamp that shows two thirds: a lead of 9 ohm fits the steps alone,
    and would leave 41 mA of base over, more than any clamp's zero."""
    case = cases.right(920000)
    found = compare(case.asked, case.did, case.recording)
    assert found.agree is None, found.text()
    assert "the clamp shows 0.666" in found.text()
    assert "ohm in series" not in found.text()


@pytest.mark.parametrize("seed_of_wrong", [740006, 740225, 760035, 760196, 760225])
def test_without_a_journal_a_base_still_speaks_against_a_scale(seed_of_wrong: int) -> None:
    """A broken channel before steps of one height, which some scale always fits."""
    case = cases.wrong(seed_of_wrong)
    assert case.did is None
    assert compare(case.asked, None, case.recording).agree is False


@pytest.mark.parametrize("ohm", [0.3, 0.4, 0.45, 0.5, 0.6])
def test_a_lead_too_small_to_be_sure_of_accuses_no_level(ohm: float) -> None:
    """Steps of 42 and 334 mA: the clamp's gain explains a part of what 0.45 ohm takes, the tolerance less."""
    run = run_of([steady(129), pulse(42, 0.9, 9.3), pulse(334, 0.5, 18.6, 0.3)], 120.0)
    found = seen_by(run, lead_ohm=ohm, sigma_ma=0.5, gain=0.995)
    assert found.agree is not False, found.text()


@pytest.mark.parametrize("zero_ma", [60.0, 100.0])
@pytest.mark.parametrize("ohm", [0.8, 1.5, 3.0])
def test_another_load_in_the_base_makes_no_resistor_of_a_lead(ohm: float, zero_ma: float) -> None:
    """What the base has too much is told; the steps of several heights still show the lead."""
    found = seen_by(run_of(*RUN), lead_ohm=ohm, zero_ma=zero_ma)
    assert [row.kind for row in found.differences] == ["base"], found.text()
    assert found.instrument.lead_ohm == pytest.approx(ohm, rel=0.1)


@pytest.mark.parametrize(("gain", "zero_ma"), [(0.8, 60.0), (1.6, 80.0)])
def test_another_load_in_the_base_makes_no_switch_of_a_scale(gain: float, zero_ma: float) -> None:
    found = seen_by(run_of(*RUN), gain=gain, zero_ma=zero_ma)
    assert found.agree is None, found.text()
    assert found.instrument.gain == pytest.approx(gain, rel=0.01)


@pytest.mark.parametrize("sigma_ma", [0.0, 0.5])
def test_a_coarse_digit_neither_accuses_nor_clears(sigma_ma: float) -> None:
    """A recorder that shows whole 10 mA, or nothing but exact values, of a sound box and of one with a
    resistor off by what such a digit hides."""
    run = run_of(*RUN)
    fine = seen_by(run, sigma_ma=sigma_ma, drift_ma=0.0)
    assert fine.agree is True
    coarse = seen_by(run, sigma_ma=sigma_ma, drift_ma=0.0, digit_ma=10.0)
    assert coarse.differences == ()
    assert coarse.agree is None
    assert "the recorder's last digit is 10 mA" in coarse.text()
    off = seen_by(run.with_channels(off=(8, 1.05)), sigma_ma=sigma_ma, digit_ma=10.0)
    assert off.agree is not True


@pytest.mark.parametrize("factor", [0.6, 0.75, 1.1, 1.35, 1.7])
def test_one_height_of_steps_never_clears_a_resistor_for_a_scale(factor: float) -> None:
    """With pulses of one level and no journal a resistor that is off and a clamp's scale explain the same."""
    run = run_of([steady(22), pulse(424, 0.35, 6.2)], 120.0)
    switched = int(np.bitwise_xor.reduce(np.unique(run.did.pattern)))
    real = run.with_channels(off=(switched.bit_length(), factor))
    clamp = cases.Recorder(1000.0, 0.5, 8.0)
    t_s, ma = clamp.samples(real.truth, np.random.default_rng(5))
    found = compare(run.asked, None, from_arrays(t_s, ma / 1000))
    assert found.agree is not True
    both = compare(run.asked, run.did, from_arrays(t_s, ma / 1000))
    assert both.agree is not True


def test_a_broken_switch_is_named_behind_an_instruments_fault() -> None:
    run = run_of(*RUN)
    used = [k for k in range(5, 11) if np.ptp(run.did.pattern >> (k - 1) & 1)]
    for clamp in ({"gain": 10.0}, {"ppm": 3000.0}, {"tau_s": 0.01}):
        found = seen_by(run.with_channels(opened=used[-1]), **clamp)
        assert found.agree is False
        assert f"channel {used[-1]} " in " ".join(row.message for row in found.differences)


@pytest.mark.parametrize("rate_hz", [20.0, 50.0, 100.0])
def test_a_slow_recorder_moves_no_edge(rate_hz: float) -> None:
    """Its clock is set right to a part of a sample: else short parts would read as their neighbours."""
    found = seen_by(run_of(*RUN), rate_hz=rate_hz)
    assert found.agree is True, found.text()
    assert found.clock is not None
    assert found.clock.offset_s == pytest.approx(8.0, abs=0.1 / rate_hz)


def test_a_lone_sample_is_the_recorders_and_a_foreign_pulse_a_difference() -> None:
    run = run_of(*RUN)
    found = compare(run.asked, run.did, from_arrays(*_with(run, 50.0, 0.0009, 2000.0)))
    assert found.agree is True
    assert "single sample of +2000 mA" in found.text()
    found = compare(run.asked, run.did, from_arrays(*_with(run, 50.0, 0.2, 90.0)))
    assert [row.kind for row in found.differences] == ["extra"]


def _with(run: Run, from_s: float, lasting_s: float, high_ma: float) -> tuple[np.ndarray, np.ndarray]:
    t_s, ma = Clamp(seed=3).samples(run.truth)
    quiet = run.truth.t_s[:-1][np.diff(run.truth.t_s) > 1.0]
    start_s = float(quiet[np.argmin(np.abs(quiet - from_s))]) + 0.5
    return t_s, (ma + high_ma * ((t_s > start_s) & (t_s <= start_s + max(lasting_s, 1e-3) + 1e-9))) / 1000


STAIRS = (362, 250, 130, 42)


@pytest.mark.parametrize("given", ["asked did", "asked seen", "did seen", "asked did seen"])
def test_a_staircase_is_no_flat_pulse_of_the_same_mean(given: str) -> None:
    """Eight seconds of each step against their mean for as long: more evidence never blinds."""
    stairs = (pg.REPLAY, 0, programs.pack_levels([(ma * 1000, 80_000) for ma in STAIRS] + [(0, 300_000)]))
    flat = (pg.REPLAY, 0, programs.pack_levels([(196_000, 320_000), (0, 300_000)]))
    wanted, played = run_of([steady(20), stairs], 200.0), run_of([steady(20), flat], 200.0)
    did = played.did if given in ("asked did", "asked did seen") else wanted.did
    seen = Clamp().recording(played.truth) if "seen" in given else None
    found = compare(wanted.asked if "asked" in given else None, did if "did" in given else None, seen)
    assert found.agree is False
    assert "level" in {row.kind for row in found.differences}


def test_a_late_tail_is_told_from_its_instant_with_what_was_covered() -> None:
    run = run_of(*RUN)
    t_s = run.truth.t_s.copy()
    late = t_s > 65
    t_s[late] += 0.37
    found = compare(run.asked, run.did, Clamp().recording(replace(run.truth, t_s=t_s, end_s=121.0)))
    assert found.agree is False
    assert "everything comes to be 370" in found.text()
    assert 0 < found.coverage_pct <= 100
    assert found.document()["coverage_pct"] == round(found.coverage_pct, 2)


def test_what_covers_too_little_is_not_agreed_to() -> None:
    """Half of the edges are too small for the noise."""
    run = run_of([steady(40), pulse(350, 0.5, 9.0), pulse(14, 0.02, 3.1)], 120.0)
    found = compare(run.asked, run.did, Clamp(sigma_ma=12.0).recording(run.truth))
    assert found.agree is None
    assert found.differences == ()


def test_the_asked_account_alone_has_the_same_eyes() -> None:
    """Without a journal a part of a staircase that is off is still found."""
    truth = truth_of(RUN[0], RUN[1])
    level = truth.level_ma.copy()
    k = int(np.flatnonzero(level > 300)[3])
    level[k] += 40
    plan = pg.Program("truth", RUN[0], seed=1)
    off = Truth(truth.t_s, level, truth.end_s)
    found = compare(Asked(plan, 1, round(OWN_MA * 1000)), None, Clamp().recording(off))
    assert found.agree is False
