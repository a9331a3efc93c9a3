"""Profiles against the outside: worked figures of the trade, published laws, and a run worked out by hand.

Nothing here leans on the package's own formulas: the expected values are written down, or computed anew from
the law as published, with other tools.
"""

from __future__ import annotations

import math
import struct
import zlib
from collections.abc import Iterator
from fractions import Fraction
from itertools import islice, pairwise
from pathlib import Path
from typing import Any

import pytest
from boxcore import program as pg
from boxcore import schedule
from hypothesis import given
from hypothesis import strategies as st
from nightdraw import data, programs
from nightdraw.profile import load
from nightdraw.profile.card import FUSE_MOHM
from nightdraw.profile.figures import figures
from nightdraw.profile.timeline import edges
from nightdraw.units import awg_mm2
from scipy import integrate, stats

from tests.profile.made import HEAD, documents, dump, write

# A board that makes 2 A and consumes nothing itself, so that textbook numbers stand alone.
BIG = (
    data.board_path()
    .read_text()
    .replace("running: 11 mA", "running: 0 mA")
    .replace("  - {pin: 11,", "  - {pin: 12, ohms: 8.2 ohm, tolerance: 1 %, on_ohms: 0 ohm}\n  - {pin: 11,")
)


def of(tmp_path: Path, draws: str) -> Any:
    """The figures of these draws on the big board."""
    return figures(load(write(tmp_path, HEAD + draws), write(tmp_path, BIG, "big.yaml")))


def test_the_average_of_a_pulsed_drain(tmp_path: Path) -> None:
    """2 A for 100 ms every 10 s is 20 mA: arithmetic of any course on key-off draw (common practice)."""
    result = of(tmp_path, "  - pulse: {draw: 2 A, on: 100 ms, every: 10 s}\n")
    assert result.mean_ma == pytest.approx(20)
    assert result.peak_ma == 2000
    assert result.pulses_per_hour == 360


@pytest.mark.parametrize(
    ("ma", "ah_per_day", "days"),
    [(25, 0.6, 50), (50, 1.2, 25), (100, 2.4, 12.5), (500, 12, 2.5), (1000, 24, 1.25)],
)
def test_drain_life(tmp_path: Path, ma: int, ah_per_day: float, days: float) -> None:
    """Half of 60 Ah at a constant drain: 30 Ah by I times 24 h (arithmetic; half is common practice)."""
    result = of(tmp_path, f"  - steady: {ma} mA\n")
    assert result.charge_per_day_ah == pytest.approx(ah_per_day)
    assert result.days_to_no_start == pytest.approx(days)


def test_the_mean_gap_of_the_cut_exponential() -> None:
    """E[min(X, 8m)] = m (1 - e^-8): here by numeric integration of scipy's own survival function."""
    mean, _ = integrate.quad(stats.expon(scale=1).sf, 0, 8)
    assert pg.EXP_CUT == 8
    assert mean == pytest.approx(1 - math.exp(-8), rel=1e-9)


@pytest.mark.parametrize("gap", ["70 s", "1 min", "500 ms"])
def test_a_random_draws_mean_is_the_renewal_reward_theorem(tmp_path: Path, gap: str) -> None:
    """Renewal-reward theorem: the long-run share is E[on] / (E[on] + E[gap]) (textbook, from memory)."""
    result = of(
        tmp_path, f"  - random: {{draw: 450 mA, on: 300 ms .. 2.5 s, gap: {gap}, law: exponential}}\n"
    )
    seconds = {"70 s": 70, "1 min": 60, "500 ms": 0.5}[gap]
    on = stats.uniform(0.3, 2.2).mean()
    off, _ = integrate.quad(stats.expon(scale=seconds).sf, 0, 8 * seconds)
    assert result.mean_ma == pytest.approx(450 * on / (on + off), rel=1e-6)


def test_fuse_resistances() -> None:
    """Typical cold resistance of medium blade fuses, maker's sheet of series 287, as quoted by distributors.

    And a practitioner's table entry for the 10 A size: 1 mV is 130 mA.
    """
    assert {rating: float(mohm) for rating, mohm in FUSE_MOHM.items()} == {
        5: 17.85,
        10: 7.70,
        15: 4.80,
        20: 3.38,
    }
    assert 1000 / float(FUSE_MOHM[10]) == pytest.approx(130, rel=0.002)


@pytest.mark.parametrize(
    ("gauge", "mm2"),
    [(10, 5.261), (12, 3.309), (14, 2.081), (16, 1.309), (18, 0.823), (20, 0.518), (22, 0.326), (24, 0.205)],
)
def test_wire_gauges(gauge: int, mm2: float) -> None:
    """ASTM B258 areas as wire tables print them."""
    assert float(awg_mm2(Fraction(gauge))) == pytest.approx(mm2, abs=0.0006)


def numbers(seed: int, run: int, index: int) -> Iterator[int]:
    """Marsaglia's xorshift32 (J. Stat. Software 8(14), 2003: 13, 17, 5), begun at a CRC-32 as documented."""
    state = zlib.crc32(struct.pack("<III", seed, run, index)) or 1
    while True:
        state ^= state << 13 & 0xFFFFFFFF
        state ^= state >> 17
        state ^= state << 5 & 0xFFFFFFFF
        yield state


def pulses(
    index: int, draw: tuple[Any, ...], seed: int, run: int, end: int
) -> Iterator[tuple[int, int, int]]:
    """(start, end, level) of what one draw of a program adds before tick `end`: floats and plain loops."""
    kind = draw[0]
    if kind == pg.STEADY:
        yield 0, end, draw[1]
    elif kind == pg.PULSE:
        _, level, on, every, first = draw
        yield from ((at, at + on, level) for at in range(first, end, every))
    elif kind == pg.RANDOM:
        _, level, low, high, law, gap_low, gap_high = draw
        source = numbers(seed, run, index)
        at = 0
        while at < end:
            s = next(source)
            if law == pg.UNIFORM:
                at += gap_low + s * (gap_high - gap_low + 1) // 2**32
            else:
                at += round(min(8.0, -math.log((s + 0.5) / 2**32)) * gap_low)
            width = low + next(source) * (high - low + 1) // 2**32
            yield at, at + width, level
            at += width
    else:
        _, repeat, packed = draw
        levels = list(struct.iter_unpack("<II", packed))
        at = rounds = 0
        while at < end and (repeat == 0 or rounds < repeat):
            for level, ticks in levels:
                yield at, at + ticks, level
                at += ticks
            rounds += 1


def expected(program: Any, run: int, own_ua: int, end: int) -> list[tuple[int, int]]:
    """The edges by summing every draw's changes on one time line."""
    changes: dict[int, int] = {0: 0 if any(draw[0] == pg.STEADY for draw in program.draws) else own_ua}
    for index, draw in enumerate(program.draws):
        for start, stop, level in pulses(index, draw, program.seed, run, end):
            changes[start] = changes.get(start, 0) + level
            changes[stop] = changes.get(stop, 0) - level
    found: list[tuple[int, int]] = []
    level = 0
    for tick in sorted(changes):
        level += changes[tick]
        if tick < end and (not found or found[-1][1] != level):
            found.append((tick, level))
    return found


@given(documents(laws=("uniform",)))
def test_edges_equal_an_independent_calculation(
    tmp_path_factory: pytest.TempPathFactory, document: dict[str, Any]
) -> None:
    """Every draw whose law is whole numbers, to the tick; exponential gaps follow below."""
    profile = load(write(tmp_path_factory.getbasetemp(), dump(document), "edges.yaml"))
    end = 120 * 10_000
    want = expected(profile.program(), 2, profile.board.own_ua, end)
    assert list(edges(profile, end, run=2)) == want


@given(st.integers(0, 2**32 - 1), st.integers(1, 2**32 - 1), st.integers(500, 1_000_000))
def test_exponential_gaps_follow_the_law_within_its_tolerance(seed: int, run: int, mean_ms: int) -> None:
    """Gap n is mean * -ln((s + 0.5) / 2^32), cut at 8 means, within 1e-4 and the rounding to a tick."""
    on, mean = 10, mean_ms * 10
    program = pg.Program("a", [(pg.RANDOM, 50_000, on, on, pg.EXPONENTIAL, mean, mean)], seed=seed)
    plan = schedule.Schedule(program, run, 11_000)
    ticks = [tick for tick, _ in islice(programs.edges(plan, 10**12), 81)]
    gaps = [after - before for before, after in pairwise(ticks)][::2]
    source = numbers(seed, run, 0)
    for gap in gaps:
        want = mean * min(8.0, -math.log((next(source) + 0.5) / 2**32))
        next(source)  # the width's number
        if want < 1:
            break  # without a tick between them two pulses are one: the edges no longer tell the gaps apart
        assert abs(gap - want) <= 1e-4 * want + 0.5 + 1e-6


@pytest.mark.parametrize("path", data.profile_paths(), ids=lambda path: path.stem)
def test_shipped_profiles_edges_equal_an_independent_calculation(path: Path) -> None:
    profile = load(path)
    end = 3600 * 10_000
    for run in (1, 2):
        assert list(edges(profile, end, run=run)) == expected(
            profile.program(), run, profile.board.own_ua, end
        )


def test_a_run_worked_out_by_hand(tmp_path: Path) -> None:
    """Steady 40 mA, 350 mA for 0.7 s every 75 s, a replay of 120 mA 2 s and 40 mA 30 s: paper and pencil."""
    text = HEAD + (
        "  - steady: 40 mA\n"
        "  - pulse: {draw: 350 mA, on: 700 ms, every: 75 s}\n"
        "  - replay: {levels: [[120 mA, 2 s], [40 mA, 30 s]], repeat: forever}\n"
    )
    found = [(tick / 10_000, ua / 1000) for tick, ua in edges(load(write(tmp_path, text)), 98 * 10_000)]
    assert found == [
        (0.0, 510.0),
        (0.7, 160.0),
        (2.0, 80.0),
        (32.0, 160.0),
        (34.0, 80.0),
        (64.0, 160.0),
        (66.0, 80.0),
        (75.0, 430.0),
        (75.7, 80.0),
        (96.0, 160.0),
    ]
