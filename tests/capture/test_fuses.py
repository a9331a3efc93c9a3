"""The culprit of a fuse box: truth known, from an independent generator; what is given, what is refused."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from nightdraw.capture import fuses, read
from nightdraw.cli import main
from nightdraw.errors import CannotTellError, InputError

from tests.capture.fusebox import Box, Setup, box
from tests.counts import tries

HARD = Setup(noise_mv=1.0, rise_mv=0.3, rating=10.0)  # 300 uV in 1 mV of noise, four captures of three
SETUPS = {
    "usual": Setup(),
    "faint": HARD,
    "mixed": Setup(noise_mv=1.0, rise_mv=0.3, rate_hz=500.0, length_s=120.0),
    "rare": Setup(noise_mv=0.3, level_ma=80.0, length_s=600.0, rate_hz=50.0, gap_s=(20.0, 90.0)),
}


def verdict(made: Box) -> fuses.Culprit:
    return fuses.culprit(made.captures, fuses.parse(made.fuses))


@pytest.mark.parametrize("setup", [Setup(), HARD], ids=["usual", "faint"])
def test_one_of_twelve_over_four_captures_of_three(setup: Setup, seed: int) -> None:
    made = box(seed, setup, guilty=True)
    found = verdict(made)
    assert found.name in (made.culprit, None), "never another's name"
    named = next(one for one in found.fuses if one.fuse.name == made.culprit)
    assert named.rise_mv > 4 * named.rise_u_mv
    assert found.none_of_these < 0.5
    quiet = verdict(box(seed, setup, guilty=False))
    assert quiet.name is None
    if setup is not HARD:  # in 1 mV of noise it often can't be told
        assert quiet.none_of_these > max(one.confidence for one in quiet.fuses)
    for one in (found, quiet):
        # what is left is for a fuse that carries some of these pulses only
        assert 0.9 < sum(fuse.confidence for fuse in one.fuses) + one.none_of_these <= 1 + 1e-9


@pytest.mark.campaign
@pytest.mark.parametrize("name", SETUPS)
def test_rates_of_false_names_and_false_acquittals(
    name: str, seed: int, capsys: pytest.CaptureFixture[str]
) -> None:
    """A name of another fuse, or of any where none carries it, is a false yes; "none of these" of a box with
    the culprit in it is a false no. Confidence 0.95 allows one in twenty; in forty tries more than six would
    come once in three hundred, in twenty more than four once in four hundred (binomial)."""
    count, counts = tries(20, 10), Counter[str]()
    for k in range(2 * count):
        made = box(1000 * seed + k, SETUPS[name], guilty=k % 2 == 0)
        found = verdict(made)
        counts["named"] += found.name is not None and found.name == made.culprit
        counts["none, rightly"] += found.known is False and made.culprit is None
        counts["false yes"] += found.name is not None and found.name != made.culprit
        counts["false no"] += found.known is False and made.culprit is not None
        counts["can't tell"] += found.known is None
    with capsys.disabled():
        print(f"\nculprit, {name}: {dict(counts)} in {count} boxes with and {count} without one")
    assert counts["false yes"] <= tries(6, 4)
    assert counts["false no"] <= tries(6, 4)
    assert counts["named"] >= count // 2


def test_ratings_needn_t_be_known() -> None:
    made = box(3, Setup(), guilty=True)
    found = fuses.culprit(made.captures, None)
    assert found.name == made.culprit
    assert {one.current_ma for one in found.fuses} == {None}


def captures(ohms: dict[str, float], level_ma: float = 300.0, leak: float = 0.0) -> list[fuses.Capture]:
    """One recording: 300 mA for 0.5 s every 6 s, through all fuses that have a resistance here."""
    t_s = np.arange(120 * 500) / 500
    rng = np.random.default_rng(5)
    draw = level_ma * (t_s % 6 < 0.5)
    drops = tuple(
        read.from_arrays(t_s, (ohm + leak) * draw + rng.normal(0, 0.02, len(t_s)), "one.csv", "mV", name)
        for name, ohm in ohms.items()
    )
    clamp = read.from_arrays(t_s, (20 + draw + rng.normal(0, 1, len(t_s))) / 1e3, "one.csv")
    return [fuses.Capture(clamp, drops)]


def test_of_two_in_a_row_the_one_behind_is_named() -> None:
    found = fuses.culprit(
        captures({"main": 0.0019, "F7": 0.0077, "F8": 0.0}), fuses.parse("main:30A-E,F7:10A,F8:10A")
    )
    assert found.name == "F7"
    assert [one.feeds for one in found.fuses] == [True, False, False]
    assert "feeds the culprit" in found.text()


def test_two_alike_can_t_be_told_apart() -> None:
    found = fuses.culprit(captures({"F7": 0.0077, "F8": 0.0077}), fuses.parse("F7:10A,F8:10A"))
    assert (found.name, found.known) == (None, None)
    assert "carry the same draw alike" in found.text()


def test_what_leaks_into_an_input_is_no_draw() -> None:
    found = fuses.culprit(captures({"F7": 0.0, "F8": 0.0}, leak=0.0003), fuses.parse("F7:10A,F8:10A"))
    assert (found.name, found.known) == (None, False)


def test_a_current_that_doesn_t_fit_the_rating_is_said() -> None:
    found = fuses.culprit(captures({"F7": 0.0077, "F8": 0.0}), fuses.parse("F7:20A,F8:10A"))
    assert found.name == "F7"
    assert "is its rating right?" in found.text()


def test_too_few_events_may_be_chance() -> None:
    (one,) = captures({"F7": 0.0077})
    short = fuses.Capture(one.clamp.part(read.Part(0.0, 8.0)), one.drops)
    with pytest.raises(CannotTellError, match="may be chance"):
        fuses.culprit([short], None)


def test_resistances_by_rating_type_and_value() -> None:
    """Cold resistances as quoted from makers' sheets: type C 10 A 7.70 and 30 A 1.97 milliohm, type F 15 A
    4.58, type E 40 A 1.4; type F where it is left out."""
    text = "A:10A-C, B:30A-C,C:15A-F,D:40A-E,E:15A,F:7.7mohm,G x:2.5 mohm,H:0.01ohm"
    known = {fuse.name: round((fuse.ohms or 0) * 1e3, 3) for fuse in fuses.parse(text)}
    assert known == {"A": 7.7, "B": 1.97, "C": 4.58, "D": 1.4, "E": 4.58, "F": 7.7, "G x": 2.5, "H": 10.0}


def test_a_drop_is_the_current_that_the_trade_reads_from_its_tables() -> None:
    """Two entries of printed tables for technicians: 1 mV across a red medium blade of 10 A is 130 mA; 0.1
    and 1.0 mV across a blue miniature one of 15 A are 22 and 218 mA (a service journal of June 2017)."""
    red, blue = fuses.parse("A:10A-C,B:15A-F")
    known = ((red, 1.0, 130.0), (blue, 0.1, 22.0), (blue, 1.0, 218.0))
    for fuse, rise_mv, current_ma in known:
        assert fuses.Verdict(fuse, rise_mv, 0.0, 1.0).current_ma == pytest.approx(current_ma, rel=0.01)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("F7", "names no fuse"),
        ("", "names no fuse"),
        ("F7:10A,F7:5A", "stands there twice"),
        ("F7:10", "F7: "),
        ("F7:10A-X", "type 'X' isn't one of C, F, E"),
        ("F7:11A", "no list knows this rating"),
        ("F7:0ohm", "above zero"),
        ("F7:-1mohm", "F7"),
    ],
)
def test_what_is_no_fuse_is_refused(text: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        fuses.parse(text)


def written(folder: Path, made: Box) -> list[str]:
    """The captures of a box as files."""
    names = []
    for k, capture in enumerate(made.captures):
        (t_s, ma), *drops = (next(one.blocks()) for one in (capture.clamp, *capture.drops))
        table = np.column_stack((t_s, ma / 1e3, *(mv for _, mv in drops)))
        header = ",".join(("time_s", "clamp_a", *(f"{drop.channel}_mv" for drop in capture.drops)))
        names.append(str(folder / f"capture{k}.csv"))
        np.savetxt(names[-1], table, "%.6g", ",", header=header, comments="")
    return names


def call(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict[str, Any]]:
    status = main.run(["capture", "culprit", *words, "--json"])
    return status, json.loads(capsys.readouterr().out)


def test_the_command_over_four_files(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    made = box(11, Setup(length_s=120.0, rate_hz=100.0), guilty=True)
    files = written(tmp_path, made)
    status, told = call(capsys, *files, "--current", "clamp", "--fuses", made.fuses)
    assert (status, told["culprit"]) == (0, made.culprit)
    assert [row["name"] for row in told["fuses"]] == [f"F{k}" for k in range(1, 13)]
    assert set(told["fuses"][0]) == {"name", "rise_mv", "current_ma", "confidence"}
    guilty = next(row for row in told["fuses"] if row["name"] == made.culprit)
    assert guilty["confidence"] > 0.95
    assert guilty["current_ma"] == pytest.approx(300, rel=0.2)
    assert told["events"] > 10
    others = ",".join(part for part in made.fuses.split(",") if not part.startswith(f"{made.culprit}:"))
    status, told = call(capsys, *files, "--fuses", others)
    assert (status, told["culprit"]) == (1, None)
    assert told["none_of_these"] > 0.95
    status, told = call(capsys, files[0], "--fuses", "F99:10A")
    assert status == 2
    assert "no recording has the column 'F99'" in told["errors"][0]["message"]
    status, told = call(capsys, files[0], "--current", "F1")
    assert status == 2
