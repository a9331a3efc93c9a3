"""Accounts that agree are said to agree; what differs is named, with the channel at fault where one is."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from nightdraw.capture import base
from nightdraw.capture import differences as df
from nightdraw.capture.compare import Comparison, compare
from nightdraw.capture.journal import Did, did_of
from nightdraw.capture.read import from_arrays
from nightdraw.errors import InputError

from tests.capture.recorders import behind_lead
from tests.capture.synthetic import (
    CHANNELS_NS,
    CHANNELS_OHM,
    OWN_MA,
    SUPPLY_MV,
    Clamp,
    Run,
    pulse,
    random_draw,
    run_of,
    steady,
)

# Levels and times that nobody tuned: each closes and opens other channels.
RUNS = {
    "two draws": ([steady(22), pulse(60, 0.25, 12.0, 0.0), random_draw(450, (0.3, 2.5), (5.0, 90.0))], 400.0),
    "periodic": ([steady(40), pulse(350, 0.7, 7.5)], 200.0),
    "two levels": ([steady(190), pulse(90, 0.2, 5.0), pulse(333, 0.5, 13.0, 2.1)], 200.0),
    "own base": ([pulse(150, 0.4, 3.0), random_draw(77, (0.5, 1.5), (1.0, 9.0))], 200.0),
}


def kinds(found: Comparison) -> list[str]:
    return [row.kind for row in found.differences]


def messages(found: Comparison) -> str:
    return " | ".join(row.message for row in found.differences)


def all_three(run: Run, clamp: Clamp | None = None) -> Comparison:
    return compare(run.asked, run.did, (clamp or Clamp()).recording(run.truth))


@pytest.mark.parametrize("name", RUNS)
@pytest.mark.parametrize("given_", ["asked did", "asked seen", "did seen", "asked did seen"])
def test_an_honest_run_agrees_in_any_two_and_all(name: str, given_: str) -> None:
    run = run_of(*RUNS[name])
    seen = Clamp().recording(run.truth) if "seen" in given_ else None
    found = compare(run.asked if "asked" in given_ else None, run.did if "did" in given_ else None, seen)
    assert messages(found) == ""
    assert found.agree is True


CLAMPS = {
    "noisy": Clamp(sigma_ma=5.0),
    "drifting": Clamp(drift_ma=1.5),
    "one per cent high": Clamp(gain=1.01),
    "zero off by one": Clamp(zero_ma=1.0),
    "early, another crystal": Clamp(before_s=321.0, ppm=-90.0),
    "slow": Clamp(rate_hz=100.0, sigma_ma=0.5),
    "fast": Clamp(rate_hz=5000.0, sigma_ma=2.5),
}


@pytest.mark.parametrize("name", CLAMPS)
@pytest.mark.parametrize("run_name", RUNS)
def test_a_clamp_within_its_tolerances_makes_no_difference(name: str, run_name: str) -> None:
    found = all_three(run_of(*RUNS[run_name]), CLAMPS[name])
    assert messages(found) == ""
    assert found.agree is True


@given(seed=st.integers(0, 1 << 20), level=st.integers(60, 700), base=st.integers(15, 200))
def test_any_honest_random_run_agrees(seed: int, level: int, base: int) -> None:
    draws = [steady(base), random_draw(level, (0.02, 1.5), (0.2, 5.0)), pulse(50, 0.1, 1.7)]
    found = all_three(run_of(draws, 60, seed))
    assert messages(found) == ""
    assert found.agree is True


def used(run: Run, channel: int) -> tuple[bool, bool]:
    """Whether a channel is ever closed, ever open."""
    bits = run.did.pattern >> (channel - 1) & 1
    return bool(bits.any()), bool((1 - bits).any())


@pytest.mark.parametrize("channel", range(3, 11))
@pytest.mark.parametrize("name", RUNS)
def test_a_stuck_switch_is_named(name: str, channel: int) -> None:
    """From channel 3 on: 5 mA and more. Smaller ones lie within the tolerances; one that the run never
    switches and that draws no more than a clamp's zero is off may be either, and that is said."""
    run = run_of(*RUNS[name])
    found = all_three(run.with_channels(stuck=channel))
    closed, opened = used(run, channel)
    if not opened:
        assert found.agree is True
        return
    current_ma = CHANNELS_NS[channel - 1] * SUPPLY_MV * 1e-9
    if not closed and current_ma <= base.MOST_ZERO_MA:
        assert found.agree is None
        assert f"channel {channel} " in " ".join(found.notes)
        return
    assert found.agree is False
    assert f"channel {channel} " in messages(found)
    fault = found.differences[kinds(found).index(df.STUCK_ON)]
    assert fault.did is not None
    assert fault.seen == pytest.approx(fault.did + current_ma, abs=2)
    assert set(kinds(found)) == {df.STUCK_ON}, "the fault explains everything"


@pytest.mark.parametrize("channel", range(3, 11))
@pytest.mark.parametrize("name", RUNS)
def test_an_open_switch_is_named(name: str, channel: int) -> None:
    """Where the steps have one height and a lead of less than 10 ohm takes as much, both are."""
    run = run_of(*RUNS[name])
    real = run.with_channels(opened=channel)
    found = all_three(real)
    closed, opened = used(run, channel)
    if not closed:
        assert found.agree is True
        return
    if not opened and CHANNELS_NS[channel - 1] * SUPPLY_MV * 1e-9 <= base.MOST_ZERO_MA:
        assert found.agree is None
        assert f"channel {channel} " in " ".join(found.notes)
        return
    left_ma, least_ma = np.ptp(real.truth.level_ma), np.ptp(behind_lead(run.truth, 10.0).level_ma)
    if len(np.unique(run.truth.level_ma)) == 2 and least_ma < left_ma < np.ptp(run.truth.level_ma):
        assert found.agree is None
        assert f"or channel {channel} is open" in " ".join(found.notes)
        return
    assert found.agree is False
    assert f"channel {channel} " in messages(found)
    assert set(kinds(found)) == {df.OPEN}, "the fault explains everything"


@pytest.mark.parametrize("factor", [0.8, 1.2])
@pytest.mark.parametrize("channel", range(1, 11))
@pytest.mark.parametrize("name", RUNS)
def test_a_resistor_off_by_a_fifth_is_named_where_it_matters(name: str, channel: int, factor: float) -> None:
    """Where the level that it spoils is off by more than the tolerances, its channel is among those named."""
    run = run_of(*RUNS[name])
    found = all_three(run.with_channels(off=(channel, factor)))
    bits = run.did.pattern >> (channel - 1) & 1
    current_ma = CHANNELS_NS[channel - 1] * SUPPLY_MV * 1e-9
    off_ma = np.abs(bits * current_ma * (1 / factor - 1))
    is_base = run.did.account.is_base()
    level_ma = run.did.account.level_ma
    height = np.where(is_base, level_ma, np.abs(level_ma - run.did.account.train().base_ma))
    share = bits[is_base].mean()
    steps_ma = np.where(is_base, off_ma, np.abs(off_ma - share * current_ma * abs(1 / factor - 1)))
    beyond = steps_ma > 1.3 * np.maximum(df.LEVEL_MA, df.LEVEL_SHARE * height)
    if not bits.any():
        assert found.agree is True
    elif beyond.any():  # or the clamp, where a zero or a scale would do the same: then both are named
        assert found.agree is not True
        assert f"channel {channel} " in messages(found) + " ".join(found.notes)


def test_a_resistor_is_weighed_by_its_ohms() -> None:
    run = run_of(*RUNS["two levels"])
    found = all_three(run.with_channels(off=(8, 1.2)))
    said = re.search(
        r"channel 8 draws 17 % less .* about ([\d.]+) ohm instead of ([\d.]+) ohm", messages(found)
    )
    assert said is not None
    assert float(said[1]) == pytest.approx(CHANNELS_OHM[7] * 1.2, rel=0.01)
    assert float(said[2]) == pytest.approx(CHANNELS_OHM[7], rel=0.01)


def test_a_missing_an_extra_a_longer_and_a_higher_pulse() -> None:
    run = run_of(*RUNS["periodic"])
    t_s, ma = Clamp().samples(run.truth)

    def seen(change_from_s: float, to_s: float, by_ma: float) -> Comparison:
        changed = ma + np.where((t_s > change_from_s) & (t_s <= to_s), by_ma, 0.0)
        return compare(run.asked, run.did, from_arrays(t_s, changed / 1000))

    start = 0.3 + 2 * 7.5
    missing = seen(start, start + 0.7, -350.0)
    assert [(row.kind, row.pulse, row.seen) for row in missing.differences] == [(df.MISSING, 3, None)]
    assert missing.differences[0].asked == pytest.approx(start)
    extra = seen(start + 3, start + 3.1, 80.0)
    assert [(row.kind, row.pulse) for row in extra.differences] == [(df.EXTRA, None)]
    assert extra.differences[0].seen == pytest.approx(start + 3, abs=2e-3)
    longer = seen(start + 0.7, start + 0.72, 350.0)
    assert [(row.kind, row.pulse) for row in longer.differences] == [(df.DURATION, 3)]
    assert longer.differences[0].seen == pytest.approx(0.72, abs=2e-3)
    higher = seen(start, start + 0.7, 30.0)
    assert [(row.kind, row.pulse) for row in higher.differences] == [(df.LEVEL, 3)]
    assert higher.differences[0].seen == pytest.approx(380, abs=2)
    lifted = seen(-1, 1e9, 88.0)
    assert kinds(lifted) == [df.BASE]
    assert lifted.differences[0].seen == pytest.approx(128, abs=1)


def test_a_part_of_a_pulse_that_is_off_though_its_mean_is_not() -> None:
    """A small draw on top of a long large one goes missing: 60 mA for 0.25 s in 450 mA for 6 s are 0.6 %."""
    draws = [steady(22), pulse(450, 6.0, 20.0), pulse(60, 0.25, 20.0, 2.3)]
    run = run_of(draws, 110)
    level_ma = run.truth.level_ma.copy()
    parts = np.flatnonzero(level_ma > 500)
    assert len(parts) == 6
    level_ma[parts[2]] -= 60
    found = compare(run.asked, run.did, Clamp().recording(replace(run.truth, level_ma=level_ma)))
    assert [(row.kind, row.pulse) for row in found.differences] == [(df.LEVEL, 3)]
    assert "the part at 42.300 s, 510." in messages(found)


def test_a_pulse_at_the_wrong_time() -> None:
    run = run_of([steady(40), random_draw(350, (0.3, 0.9), (2.0, 9.0))], 200, seed=3)
    late = run.truth.t_s.copy()
    late[9:11] += 0.05
    found = compare(run.asked, run.did, Clamp().recording(replace(run.truth, t_s=late)))
    assert [(row.kind, row.pulse) for row in found.differences] == [(df.TIME, 5)]
    assert "50.0 ms later" in messages(found)


def changed(did: Did, drop: set[int] = frozenset(), **events: Any) -> Did:  # type: ignore[assignment]
    """The same journal with levels left out and events put in: kind=(t_s, more)."""
    head = {"own_ma": did.own_ma, "channels_ns": did.channels_ns, "profile": "p", "seed": did.seed, "run": 1}
    c = did.account
    lines: list[dict[str, Any]] = [
        {"kind": "edge", "t_s": float(t), "level_ma": float(ma), "pattern": int(p), "supply_mv": SUPPLY_MV}
        for k, (t, ma, p) in enumerate(zip(c.t_s, c.level_ma, did.pattern, strict=True))
        if k not in drop
    ]
    lines += [{"kind": k, "t_s": t, "supply_mv": 11_200, **more} for k, (t, more) in events.items()]
    return did_of(head, sorted(lines, key=lambda said: said["t_s"]))


def test_what_the_journal_lacks_is_missing() -> None:
    run = run_of(*RUNS["periodic"])
    found = compare(run.asked, changed(run.did, drop={7, 8}), None)
    assert [(row.kind, row.pulse, row.did) for row in found.differences] == [(df.MISSING, 4, None)]
    late = changed(run.did, drop={8}, edge=(23.51, {"level_ma": 40.0, "pattern": 1}))
    found = compare(run.asked, late, None)
    assert [(row.kind, row.pulse) for row in found.differences] == [(df.DURATION, 4)]
    assert found.differences[0].did == pytest.approx(0.71, abs=1e-6)


def test_a_hold_is_said_to_be_why() -> None:
    """Two pulses fell into the hold: one row, with the reason."""
    run = run_of(*RUNS["periodic"])
    held = changed(run.did, drop={7, 8, 9, 10}, hold=(22.0, {"fault": "supply-low"}))
    found = compare(run.asked, held, None)
    assert [(row.kind, row.pulse) for row in found.differences] == [(df.MISSING, 4)]
    assert "2 pulses (4 to 5) not played: hold at 22.000 s (supply-low, supply 11.20 V)" in messages(found)


def test_the_programs_own_limit_is_no_difference_a_trip_is() -> None:
    run = run_of(*RUNS["periodic"])
    kept = set(range(15, 60))
    ended = changed(run.did, drop=kept, end=(50.0, {"fault": "charge-used"}))
    found = compare(run.asked, ended, None)
    assert found.agree is True
    assert found.notes == ("the run stopped: end at 50.000 s (charge-used)",)
    tripped = changed(run.did, drop=kept, trip=(50.0, {"fault": "bank-hot"}), clock=(80.0, {}))
    found = compare(run.asked, tripped, None)
    assert set(kinds(found)) == {df.MISSING}
    assert "trip at 50.000 s (bank-hot)" in messages(found)


def test_the_boxs_own_flag_is_a_difference() -> None:
    run = run_of(*RUNS["periodic"])
    reading = round(sum(CHANNELS_NS[k] for k in (2, 3, 6)) * 11_200 * 1e-6)  # microamperes, supply as flagged
    more = {"fault": "switch-on", "pattern": 0b1100, "reading": reading}
    found = compare(run.asked, changed(run.did, flag=(50.0, more)), None)
    assert kinds(found) == [df.STUCK_ON]
    assert "channel 7 may be stuck on" in messages(found)


def test_what_can_not_be_told_is_not_told() -> None:
    run = run_of(*RUNS["periodic"])
    t_s, ma = Clamp().samples(run.truth)
    for keep in (slice(0, 0), slice(0, 3)):
        found = compare(run.asked, run.did, from_arrays(t_s[keep], ma[keep] / 1000))
        assert found.agree is None
        assert found.document()["clock"] == {"offset_s": None, "rate_ppm": None}
    small = run_of([steady(40), pulse(12, 0.02, 5.0)], 100)
    found = all_three(small, Clamp(sigma_ma=12.0))
    assert found.agree is None
    assert "too small for this recording's noise" in " ".join(found.notes)


def test_a_part_of_the_run_is_compared_and_said_to_be_a_part() -> None:
    run = run_of(*RUNS["two draws"])
    t_s, ma = Clamp().samples(run.truth)
    part = slice(100_000, 300_000)
    found = compare(run.asked, run.did, from_arrays(t_s[part] - t_s[part][0], ma[part] / 1000))
    assert found.agree is True
    assert found.clock is not None
    assert found.clock.offset_s == pytest.approx(-100, abs=6e-4)
    assert "edges can't be judged: 43 not recorded" in " ".join(found.notes)
    assert found.coverage_pct == pytest.approx(100 * 38 / 81, abs=1.5)


@pytest.mark.parametrize("name", RUNS)
def test_of_a_run_that_was_recorded_whole_no_edge_is_left_over(name: str) -> None:
    found = all_three(run_of(*RUNS[name]), Clamp(before_s=5.0))
    assert found.agree is True
    assert "can't be judged" not in " ".join(found.notes)


@pytest.mark.parametrize("ohm", [1.37, 2.63])
@pytest.mark.parametrize("name", ["two draws", "two levels", "own base"])
def test_the_resistance_of_a_lead_is_that_of_ohms_law(name: str, ohm: float) -> None:
    """Almost without noise, at the supply that the journal tells: to half a thousandth."""
    run = run_of(*RUNS[name])
    seen = Clamp(sigma_ma=0.01, before_s=5.0).recording(behind_lead(run.truth, ohm))
    found: Any = compare(run.asked, run.did, seen).document()["instrument"]
    assert found["lead_ohm"] == pytest.approx(ohm, rel=5e-4)


def test_two_accounts_are_needed() -> None:
    run = run_of(*RUNS["periodic"])
    for one in ((run.asked, None, None), (None, run.did, None), (None, None, Clamp().recording(run.truth))):
        with pytest.raises(InputError, match="two of"):
            compare(*one)


def test_the_document_has_the_contracts_keys() -> None:
    run = run_of(*RUNS["two draws"]).with_channels(stuck=9)
    document = all_three(run).document()
    assert {"agree", "differences", "clock"} <= set(document)
    rows: Any = document["differences"]
    assert set(rows[0]) == {"kind", "pulse", "asked", "did", "seen", "message"}
    assert rows[0]["kind"] in df.KINDS
    assert set(document["clock"]) == {"offset_s", "rate_ppm"}  # type: ignore[call-overload]


def test_a_flood_of_one_kind_is_cut_and_counted() -> None:
    row = df.Difference(df.MISSING, 1, 0.0, None, None, "gone")
    kept = df.capped([row] * 200 + [replace(row, kind=df.BASE)])
    assert len(kept) == df.MOST_OF_A_KIND + 1
    assert "and 150 more of this kind" in kept[-1].message


def test_idle_before_and_after_the_run_is_own_consumption() -> None:
    run = run_of(*RUNS["periodic"])
    assert run.did.account.at(np.array([-3.0]))[0] == OWN_MA
