"""Each part of a fault by itself and the whole: who shows, how long, who hides whom, what no part may be."""

from __future__ import annotations

import dataclasses
import itertools
import json
import random
from pathlib import Path

import numpy as np
import pytest
from nightdraw import data
from nightdraw.bench import findable
from nightdraw.bench.finding import laws, train
from nightdraw.bench.finding.parts import on_share
from nightdraw.errors import InputError
from nightdraw.instruments.read import load_instruments
from nightdraw.profile import load
from nightdraw.profile.model import Replay, Steady

from tests.bench.finding import profile, search
from tests.bench.plain import Periodic, number_of, sets_of
from tests.bench.test_cli_vehicle import call

PULSE = "  - pulse: {draw: 350 mA, on: 700 ms, every: 75 s}\n"
WEAK = "  - pulse: {draw: 60 mA, on: 500 ms, every: 11 s}\n"
RANDOM = "  - random: {draw: 300 mA, on: 300 ms, gap: 40 s, law: exponential}\n"
STAIRS = "  - replay: {levels: [[0 mA, 20 s], [100 mA, 1 s], [200 mA, 1 s], [0 mA, 3 s]], repeat: forever}\n"
DROPS, CLAMP = "voltage drops across fuses", "clamp and recorder"


def steady(ma: int) -> str:
    return f"  - steady: {ma} mA\n"


def test_every_part_is_told_by_itself(tmp_path: Path) -> None:
    one = search(profile(tmp_path, steady(60) + PULSE + WEAK + RANDOM + STAIRS))
    parts = {part.name: part for part in one.parts}
    assert list(parts) == ["steady", "pulse 1", "pulse 2", "random 3", "replay 4"]
    assert [name for name, part in parts.items() if part.weak] == ["pulse 2"]
    assert parts["pulse 1"].hides == ("pulse 2",)
    assert parts["steady"].hides == ()
    share = {name: on_share(one.signature_of(part)) for name, part in parts.items()}
    assert share["pulse 1"] == pytest.approx(0.7 / 75)
    assert share["pulse 2"] == pytest.approx(0.5 / 11)
    assert share["random 3"] == pytest.approx(0.3 / (0.3 + 40 * (1 - np.exp(-8))), rel=0.03)
    assert share["replay 4"] == pytest.approx(2 / 25)  # from half of its height on
    for part in one.parts:
        rows = one.alone(part)
        assert [row.method for row in rows[:6]] == list(findable.SIX)
        assert any(row.shows for row in rows)
        assert all(row.shows == (row.time is not None) for row in rows)


def test_a_part_takes_what_it_takes_alone(tmp_path: Path) -> None:
    """Each part of three against a fault that has nothing but it, and the periodic one against trials in
    plain words."""
    together = search(profile(tmp_path, steady(20) + PULSE + WEAK))
    by_part = {part.name: {row.method: row for row in together.alone(part)} for part in together.parts}
    for name, draws in (("pulse 1", PULSE), ("pulse 2", WEAK)):
        alone = {row.method: row for row in search(profile(tmp_path, steady(20) + draws)).methods()}
        for method in (CLAMP, DROPS, "pulling fuses"):
            assert by_part[name][method].shows == alone[method].shows
            assert by_part[name][method].closed == alone[method].closed
    with_times = sets_of(Periodic(11, 0.5), [(4, 10, 3)], 60, 4000, 5)
    row = by_part["pulse 2"][DROPS]
    assert with_times.agrees(row.time.expected_s, row.time.p95_s, row.time.errors_s())


def test_a_replay_with_one_rise_a_round_has_the_exact_law(tmp_path: Path) -> None:
    """By formula, by simulation, by trials in plain words: one stretch above half every 25 s, 2 s long."""
    one = search(profile(tmp_path, STAIRS))
    row = next(row for row in one.methods() if row.method == CLAMP)
    assert row.law == "mixture of uniform laws"
    with_times = number_of(Periodic(25, 2), 3, 6000, 3)
    assert with_times.agrees(row.closed.expected_s, row.closed.p95_s)
    assert with_times.agrees(row.time.expected_s, row.time.p95_s, row.time.errors_s())


def test_a_replay_with_two_rises_is_simulated(tmp_path: Path) -> None:
    """Rises at 20 s and 45 s of a round of a minute, 1 s each: the mean wait by hand."""
    levels = "[[0 mA, 20 s], [300 mA, 1 s], [0 mA, 24 s], [300 mA, 1 s], [0 mA, 14 s]]"
    one = search(profile(tmp_path, f"  - replay: {{levels: {levels}, repeat: forever}}\n"))
    assert laws.of_signature(one.signatures[0]) is None
    times, closed = one.pulses(one.signatures[0], 1)
    assert closed is None
    # 25 s and 35 s from start to start: (25^2 + 35^2) / (2 60) s of wait on average, and a width
    assert times.expected_s == pytest.approx(1850 / 120 + 1, abs=5 * times.errors_s()[0])


def test_a_replay_that_ends_is_told_beside_what_goes_on(tmp_path: Path) -> None:
    once = "  - replay: {levels: [[0 mA, 30 s], [300 mA, 2 s]], repeat: once}\n"
    one = search(profile(tmp_path, PULSE + once))
    part = one.parts[-1]
    assert part.once
    signature = one.signature_of(part)
    assert signature is not None
    assert not signature.lasting
    reasons = findable.difficulty(one, one.methods())[1]
    assert any("comes once" in reason and "left out" in reason for reason in reasons)


def test_a_kind_that_is_not_known_is_refused(tmp_path: Path) -> None:
    made = profile(tmp_path, PULSE)

    class Ramp:
        kind = "ramp"

    strange = dataclasses.replace(made, draws=(*made.draws, Ramp()))  # type: ignore[arg-type]
    with pytest.raises(InputError, match="kind ramp can't be weighed"):
        train.check(strange)
    with pytest.raises(InputError, match="kind ramp"):
        train.pulses(strange, 1)


def test_pulses_too_weak_to_matter_are_said_to_be(tmp_path: Path, capsys) -> None:
    path = tmp_path / "case.yaml"
    profile(tmp_path, PULSE + WEAK)
    words = ("bench", "findable", "--profile", str(path), "--vehicle", "vehicle-1", "--splice", "tailgate")
    status, text, _ = call(capsys, *words)
    assert status == 0
    assert "pulse 2: 60 mA, 4.55 % of the time; too weak to matter" in text
    status, text, _ = call(capsys, *words, "--json")
    document = json.loads(text)
    assert [part["weak"] for part in document["parts"]] == [False, False, True]
    assert any("too weak to matter" in reason for reason in document["reasons"])


# -- the whole ---------------------------------------------------------------------------------------------


def test_nothing_jumps_where_the_base_leaves_the_healthy(tmp_path: Path) -> None:
    """From 30 to 50 mA of base, by milliamperes around 36 and 37: no step of difficulty or of a time
    is larger than what the share of classes that changes sides explains."""
    levels = [30, 33, 35, 36, 37, 38, 39, 40, 45, 50]
    found = []
    for ma in levels:
        one = search(profile(tmp_path, steady(ma) + PULSE))
        rows = {row.method: row for row in one.methods()}
        found.append((one.followed, findable.difficulty(one, list(rows.values()))[0], rows))
    for (ma, before), (higher, after) in itertools.pairwise(zip(levels, found, strict=True)):
        moved = after[0] - before[0]
        assert 0 <= moved <= 0.02 * (higher - ma) + 1e-9
        assert abs(after[1] - before[1]) <= 3 * moved + 0.2  # rounded sums of tenths
        for name in (CLAMP, DROPS, "pulling fuses"):
            assert before[2][name].shows
            assert after[2][name].shows
            longest = before[2][name].time.expected_s
            error = 5 * sum(row[2][name].time.errors_s()[0] for row in (before, after))
            change = abs(after[2][name].time.expected_s - longest)
            assert change <= (moved + 0.01) * longest + error, (ma, higher, name)


def test_the_whole_is_the_mixture_of_its_sides(tmp_path: Path) -> None:
    one = search(profile(tmp_path, steady(62) + PULSE))  # 75.6 mA: half way from 50 to 100
    # the vehicle's modules, 13.6 mA, and its twitches: 8 mA for 60 ms in 2 s, 35 mA for 80 ms in a minute
    assert one.followed == pytest.approx((62 + 13.6 + 0.24 + 35 * 0.08 / 60 - 50) / 50)
    (rest, waits), (share, follows) = one.sides()
    assert rest + share == 1
    mixed = {row.method: row for row in one.methods()}
    for a, b in zip(waits, follows, strict=False):
        if a.shows and b.shows and a is not b and a.method == b.method:
            mean = rest * a.time.expected_s + share * b.time.expected_s
            error = 5 * (a.time.errors_s()[0] + b.time.errors_s()[0])
            assert mixed[a.method].time.expected_s == pytest.approx(mean, abs=error + 0.02 * mean)
            assert mixed[a.method].more["seen_by"] == "either"


def test_conspicuous_draws_are_followed_up_by_all(tmp_path: Path) -> None:
    one = search(profile(tmp_path, steady(300) + PULSE))
    assert one.followed == 1
    rows = {row.method: row for row in one.methods()}
    assert rows[DROPS].more["seen_by"] == "steady part"


def test_no_part_of_what_ships_is_left_out() -> None:
    kit = load_instruments(data.shipped("instruments", "workshop"))
    source = random.Random(4)
    for path in source.sample(data.profile_paths(), 4):
        made = load(path)
        from tests.bench.finding import vehicle

        one = findable.Search(made, vehicle(), kit, "socket", 1)
        moving = [draw for draw in made.draws if not isinstance(draw, Steady)]
        assert [part.kind for part in one.parts] == ["steady", *(draw.kind for draw in moving)]
        for part, draw in zip(one.parts[1:], moving, strict=True):
            flat = isinstance(draw, Replay) and len({level for level, _ in draw.levels}) == 1
            assert (one.signature_of(part) is None) == flat
