"""The core's arithmetic against the outside world; the source of each check stands beside it."""

from __future__ import annotations

import functools
import math
import struct
from random import Random

import eseries
import numpy as np
import pytest
from boxcore import program as pg
from boxcore import schedule
from boxcore.bank import Bank
from hypothesis import given
from hypothesis import strategies as st
from nightdraw import programs
from nightdraw.board import load_board
from scipy import stats

from tests.boxcore import numbers

U32 = st.integers(0, pg.MAX_U32)


# CRC-32. Source: ISO 3309 / ITU-T V.42 as tabled in the public CRC catalogue (CRC-32/ISO-HDLC): polynomial
# 04C11DB7 reflected, initial value and final exclusive-or all ones. The check values are those the catalogue
# and zlib give.
def crc32_by_the_standard(data: bytes) -> int:
    """CRC-32 bit by bit as the standard describes it, with no table and no library."""
    crc = 0xFFFFFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xEDB88320 if crc & 1 else 0)
    return crc ^ 0xFFFFFFFF


@pytest.mark.parametrize(
    ("data", "crc"),
    [
        (b"123456789", 0xCBF43926),
        (b"", 0x00000000),
        (b"a", 0xE8B7BE43),
        (b"The quick brown fox jumps over the lazy dog", 0x414FA339),
        (bytes(32), 0x190A55AD),
        (b"\xff" * 32, 0xFF6CAB0B),
    ],
)
def test_the_standards_crc_32_has_the_published_values(data: bytes, crc: int) -> None:
    assert crc32_by_the_standard(data) == crc


@given(U32, U32, st.integers(0, 7))
def test_a_draws_first_state_is_the_standards_crc_32(seed: int, run: int, index: int) -> None:
    crc = crc32_by_the_standard(struct.pack("<III", seed, run, index))
    assert schedule.first_state(seed, run, index) == (crc or 1)


@given(U32, st.integers(0, pg.MAX_LEVEL_UA))
def test_a_program_ends_with_the_standards_crc_32(seed: int, level_ua: int) -> None:
    packed = programs.pack(pg.Program("crc", [(pg.STEADY, level_ua)], seed=seed))
    assert struct.unpack("<I", packed[-4:])[0] == crc32_by_the_standard(packed[:-4])


# xorshift32. Source of the algorithm, the shifts and the seed: G. Marsaglia, Xorshift RNGs, J. Stat. Software
# 8(14), 2003, p. 4. The outputs are not in the paper; these ten are what the test suites of several unrelated
# public projects expect from that seed.
MARSAGLIA_SEED = 2463534242
MARSAGLIA_OUTPUTS = (
    723471715,
    2497366906,
    2064144800,
    2008045182,
    3532304609,
    374114282,
    1350636274,
    691148861,
    746858951,
    2653896249,
)


def test_the_generator_has_the_published_outputs() -> None:
    state = MARSAGLIA_SEED
    outputs = []
    for _ in MARSAGLIA_OUTPUTS:
        state = numbers.after(state)
        outputs.append(state)
    assert tuple(outputs) == MARSAGLIA_OUTPUTS


# Source: the same paper, theorem on p. 2: the generator is a linear map over GF(2) of order 2^32 - 1, so that
# every state but 0 comes once. 2^32 - 1 = 3 * 5 * 17 * 257 * 65537.
def test_the_generator_has_the_full_period_of_the_paper() -> None:
    columns = [numbers.after(1 << bit) for bit in range(32)]
    step = np.array([[column >> row & 1 for column in columns] for row in range(32)], dtype=np.uint8)
    identity = np.eye(32, dtype=np.uint8)
    period = 2**32 - 1
    assert np.array_equal(_power(step, period), identity)
    for prime in (3, 5, 17, 257, 65537):
        assert not np.array_equal(_power(step, period // prime), identity)


def _power(matrix: np.ndarray, exponent: int) -> np.ndarray:
    bits = [int(bit) for bit in bin(exponent)[2:]]
    square = functools.partial(np.matmul, dtype=np.uint8)
    result = np.eye(32, dtype=np.uint8)
    for bit in bits:
        result = square(result, result) & 1
        if bit:
            result = square(result, matrix) & 1
    return result


# The laws. Source: the Kolmogorov-Smirnov test as scipy.stats.kstest does it, against scipy's own uniform and
# exponential distributions. Seeds are fixed, so that the outcome is too; 1 in 1000 seeds would fail a right
# law.
SIGNIFICANCE = 0.001
NUMBERS = 5000
GAP_TICKS = (200_000, 9_000_000)
WIDTH_TICKS = (100_000, 700_000)
MEAN_TICKS = 1_000_000
SEEDS = (1, 11, 3_000_000_000)


def lengths(seed: int, run: int, law: int) -> tuple[list[int], list[int]]:
    """The gaps and widths of one random draw, NUMBERS of each, as the edges of its schedule show them."""
    gap = (MEAN_TICKS, MEAN_TICKS) if law == pg.EXPONENTIAL else GAP_TICKS
    draw = (pg.RANDOM, 250_000, *WIDTH_TICKS, law, *gap)
    edges = programs.edges(schedule.Schedule(pg.Program("ks", [draw], seed=seed), run, 0), 1 << 62)
    ticks = [next(edges)[0] for _ in range(2 * NUMBERS + 1)]
    spans = np.diff(ticks).tolist()
    return spans[0::2], spans[1::2]


def uniform(low: int, high: int) -> object:
    """scipy's uniform law over the ticks low .. high."""
    return stats.uniform(low - 0.5, high - low + 1).cdf


@pytest.mark.parametrize("seed", SEEDS)
def test_uniform_gaps_and_widths_follow_the_uniform_law(seed: int) -> None:
    gaps, widths = lengths(seed, 1, pg.UNIFORM)
    assert stats.kstest(gaps, uniform(*GAP_TICKS)).pvalue > SIGNIFICANCE
    assert stats.kstest(widths, uniform(*WIDTH_TICKS)).pvalue > SIGNIFICANCE
    assert GAP_TICKS[0] <= min(gaps)
    assert max(gaps) <= GAP_TICKS[1]


@pytest.mark.parametrize("seed", SEEDS)
def test_exponential_gaps_follow_the_exponential_law(seed: int) -> None:
    gaps, widths = lengths(seed, 1, pg.EXPONENTIAL)
    assert stats.kstest(gaps, stats.expon(scale=MEAN_TICKS).cdf).pvalue > SIGNIFICANCE
    assert stats.kstest(widths, uniform(*WIDTH_TICKS)).pvalue > SIGNIFICANCE
    assert max(gaps) <= pg.EXP_CUT * MEAN_TICKS


# A KS test ignores order. Source: the lag-1 autocorrelation of independent numbers lies within 1.96 / sqrt(n)
# for 95 of 100 (from memory; any statistics handbook); 3.29 / sqrt(n) for 999 of 1000.
@pytest.mark.parametrize("law", [pg.UNIFORM, pg.EXPONENTIAL])
def test_neighbouring_gaps_know_nothing_of_each_other(law: int) -> None:
    for spans in lengths(11, 1, law):
        correlation = np.corrcoef(spans[:-1], spans[1:])[0, 1]
        assert abs(correlation) < 3.29 / math.sqrt(len(spans))


def test_the_first_gaps_of_many_runs_follow_the_law_too() -> None:
    firsts = [
        numbers.uniform_ticks(numbers.after(schedule.first_state(11, run, 0)), *GAP_TICKS)
        for run in range(1, NUMBERS)
    ]
    assert stats.kstest(firsts, uniform(*GAP_TICKS)).pvalue > SIGNIFICANCE


def test_a_wrong_law_is_told_from_a_right_one() -> None:
    gaps, _ = lengths(11, 1, pg.UNIFORM)
    assert stats.kstest(gaps, uniform(GAP_TICKS[0], GAP_TICKS[1] * 11 // 10)).pvalue < SIGNIFICANCE
    gaps, _ = lengths(11, 1, pg.EXPONENTIAL)
    assert stats.kstest(gaps, stats.expon(scale=MEAN_TICKS * 1.1).cdf).pvalue < SIGNIFICANCE


# Source: the defining formula, in the double precision of the C library's log.
@given(st.integers(1, pg.MAX_U32), st.integers(pg.MIN_TICKS, pg.MAX_MEAN_TICKS))
def test_an_exponential_gap_is_the_formulas(state: int, mean: int) -> None:
    exact = min(-math.log((state + 0.5) / 2**32), pg.EXP_CUT) * mean
    assert abs(numbers.exponential_ticks(state, mean) - exact) <= 0.5 + 1e-6 * mean


# Ohm's law. Sources: a headlight on 12.0 V that draws 2.50 A has 4.80 ohm (worked example of a college
# physics course, as public pages reprint it); 2, 3 and 6 ohm in parallel on 12 V draw 12 A (a public worked
# example); 20 and 60 ohm in parallel on 6.0 V draw 0.4 A (a physics workbook, as its public pages show it);
# 126 ohm behind 5 mOhm, 7.70 mOhm and 50 mOhm on 12.6 V draw 99.9503 mA (a run of ngspice, a general circuit
# simulator).
@pytest.mark.parametrize(
    ("ohms", "supply_mv", "ampere"),
    [
        ([4.80], 12_000, 2.50),
        ([2, 3, 6], 12_000, 12),
        ([20, 60], 6_000, 0.4),
        ([126 + 0.005 + 0.0077 + 0.05], 12_600, 0.0999503),
    ],
)
def test_a_bank_draws_what_the_worked_examples_say(ohms: list[float], supply_mv: int, ampere: float) -> None:
    bank = Bank([round(1e9 / each) for each in ohms])
    everything = (1 << len(ohms)) - 1
    assert bank.current_ua(everything, supply_mv) == pytest.approx(ampere * 1e6, rel=2e-6, abs=1)
    assert bank.full_ua(supply_mv) == bank.current_ua(everything, supply_mv)
    assert bank.pattern(round(ampere * 1e6), supply_mv) == everything


# Preferred values. Source: IEC 60063 as the library eseries has it.
def test_the_shipped_boards_resistors_can_be_bought() -> None:
    for channel in load_board(None).channels:
        ohms = float(channel.ohms)
        assert eseries.find_nearest(eseries.E24, ohms) == pytest.approx(ohms, rel=1e-12)


# Source: the condition for subset sums without a gap, each term at most one unit more than the sum of all
# smaller ones (J. L. Brown, Note on complete sequences of integers, Amer. Math. Monthly 68, 1961; from
# memory). The unit here is the smallest channel.
def test_the_shipped_boards_steps_leave_no_gap() -> None:
    channels = sorted(load_board(None).bank().channels_ns)
    below = 0
    for channel in channels:
        assert channel <= below + channels[0]
        below += channel


def test_the_shipped_board_holds_any_level_within_2_ma_or_2_percent() -> None:
    bank = load_board(None).bank()
    rng = Random(12)
    for supply_mv in (9_000, 11_800, 12_600, 14_400, 16_000):
        for level_ua in [
            *range(0, 20_000, 7),
            *(rng.randrange(bank.full_ua(supply_mv)) for _ in range(2000)),
        ]:
            drawn = bank.current_ua(bank.pattern(level_ua, supply_mv), supply_mv)
            assert abs(drawn - level_ua) <= max(2_000, level_ua // 50)
