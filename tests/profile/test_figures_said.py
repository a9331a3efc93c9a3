"""Which assumptions a profile's figures name, and how near its bank comes, worked out by hand."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from nightdraw.profile import load
from nightdraw.profile.figures import Figures, figures

from tests.bank.boards import board, channel
from tests.profile.made import HEAD, write

PEAK = "the peak counts draws that can meet as meeting; each draw's pulses count by themselves"
RISES = "a replay's pulses are its rises from its lowest level"
ENDS = "a replay that ends counts in the peak only: in the long run it adds nothing"
CUT = "an exponential gap is cut at 8 means, its average is 0.03 % below the mean written"
STEADY = "  - steady: 40 mA\n"
PULSE = "  - pulse: {draw: 50 mA, on: 1 s, every: 9 s}\n"
REPLAY = "  - replay: {levels: [[50 mA, 1 s], [0 mA, 9 s]], repeat: %s}\n"
RANDOM = "  - random: {draw: 50 mA, on: 1 s, gap: %s}\n"


@pytest.mark.parametrize(
    ("draws", "named"),
    [
        (STEADY, set()),
        (STEADY + PULSE, set()),
        (STEADY + PULSE + PULSE, {PEAK}),
        (PULSE + PULSE, {PEAK}),
        (REPLAY % "forever", {RISES}),
        (REPLAY % "once", {RISES, ENDS}),
        (PULSE + REPLAY % "3", {PEAK, RISES, ENDS}),
        (RANDOM % "9 s, law: exponential", {CUT}),
        (RANDOM % "8 s .. 9 s, law: uniform", set()),
    ],
)
def test_an_assumption_is_named_where_it_is_made(tmp_path: Path, draws: str, named: set[str]) -> None:
    said = figures(load(write(tmp_path, HEAD + draws))).assumptions
    assert {PEAK, RISES, ENDS, CUT} & set(said) == named
    assert len(said) == 4 + len(named)


@pytest.mark.parametrize(
    ("millivolts", "counted"), [(11_799, False), (11_800, True), (16_000, True), (16_001, False)]
)
def test_at_a_supply_that_the_guards_allow_the_bank_is_counted(
    tmp_path: Path, millivolts: int, counted: bool
) -> None:
    profile = load(write(tmp_path, HEAD + STEADY))
    said = figures(profile, Fraction(millivolts, 1000)).assumptions[-1]
    assert ("nearest patterns come within" in said) is counted
    assert ("holds its loads open (allowed: 11.8 V .. 16 V): not counted" in said) is not counted


def test_the_worst_of_all_levels_is_told(tmp_path: Path) -> None:
    model = replace(board(channel(252, "film-3w"), channel(126, "film-3w")), own_ua=10_000)
    limits = "limits: {supply_min: 12.6 V, supply_max: 12.601 V}\n"
    one = "  - pulse: {draw: %s mA, on: 1 s, every: 9 s}\n"

    def worst_ma(*draws_ma: str) -> float:
        profile = load(write(tmp_path, HEAD + "".join(one % ma for ma in draws_ma) + limits), model)
        said = figures(profile).assumptions[-1]
        return float(said.partition("come within ")[2].partition(" mA")[0])

    # 50 and 100 mA less what 50 mOhm of a closed switch take: 49.99 and 99.96 mA
    assert worst_ma("48.5") == 1.5
    assert worst_ma("98.5") == 1.5
    assert worst_ma("48.5", "99") == 2.5  # 147.5 mA where they meet, by hand 2.45 off
    assert worst_ma("50") == 0


def test_figures_for_people() -> None:
    made = Figures(390.0, 43.266, 1.0384, 28.8905, 48.0, 11.0, ("one", "two"))
    assert made.text().splitlines() == [
        "peak               390.000 mA",
        "mean               43.266 mA",
        "charge a day       1.038 Ah",
        "no start after     28.89 days",
        "pulses an hour     48.00",
        "the box itself     11.000 mA",
        "assumed:",
        "- one",
        "- two",
    ]
    assert "no start after     never" in replace(made, days_to_no_start=None).text()
    assert made.document()["assumptions"] == ["one", "two"]


def test_what_the_box_itself_consumes_is_told(tmp_path: Path) -> None:
    made = figures(load(write(tmp_path, HEAD + STEADY)))
    assert (made.own_ma, made.peak_ma, made.mean_ma) == (11.0, 40.0, 40.0)
