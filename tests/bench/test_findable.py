"""Findable: closed forms against published quantiles, the simulation against an independent one, verdicts."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from nightdraw import data
from nightdraw.bench import findable, waiting
from nightdraw.instruments.read import load_instruments
from nightdraw.profile import load
from nightdraw.profile.model import Profile
from nightdraw.vehicle import load_vehicle

VEHICLE = load_vehicle(data.shipped("vehicles", "vehicle-1"))
DEEP = "limits: {run: 100 h, charge: 100 Ah}\n"


def profile(tmp_path: Path, draws: str) -> Profile:
    path = tmp_path / "case.yaml"
    path.write_text(f"profile: case\nstart: {{when: power}}\ndraws:\n{draws}{DEEP}")
    return load(path)


def search(made: Profile, kit: str = "workshop", seed: int = 1) -> findable.Search:
    return findable.Search(
        made, VEHICLE, load_instruments(data.shipped("instruments", kit)), "tailgate", seed
    )


def by_name(made: Profile, kit: str = "workshop") -> dict[str, findable.Method]:
    return {method.method: method for method in search(made, kit).methods()}


PERIODIC = "  - pulse: {draw: 400 mA, on: 200 ms, every: 7 s}\n"
POISSON = "  - random: {draw: 400 mA, on: 100 ms, gap: 10 s, law: exponential}\n"


def test_periodic_pulses_take_n_periods_and_a_width_at_worst(tmp_path: Path) -> None:
    # T 7 s, w 0.2 s, n 3: 21.2 s at worst; a uniform start needs (n - 1/2) T + w on average
    made = profile(tmp_path, PERIODIC)
    closed = waiting.closed(made, 3)
    assert closed is not None
    assert closed.expected_s == pytest.approx(2.5 * 7 + 0.2)
    assert closed.p95_s == pytest.approx(21.2 - 0.05 * 7)
    time = by_name(made)["clamp and recorder"].time
    assert time is not None
    assert time.expected_s == pytest.approx(closed.expected_s, rel=0.02)
    assert time.p95_s == pytest.approx(closed.p95_s, rel=0.01)


# 0.5 chi-square_0.95(2 n) means, by tables of the chi-square distribution
@pytest.mark.parametrize(("number", "means"), [(1, 2.995732), (2, 4.743865), (3, 6.295794), (5, 9.153519)])
def test_poisson_pulses_take_gamma_quantiles(tmp_path: Path, number: int, means: float) -> None:
    closed = waiting.closed(profile(tmp_path, POISSON), number)
    assert closed is not None
    assert closed.p95_s == pytest.approx(10 * means + number * 0.1, rel=1e-3)  # gaps are cut at 8 means
    assert closed.expected_s == pytest.approx(number * 10.1, rel=1e-3)


def test_the_simulation_of_poisson_pulses_agrees_with_the_closed_form(tmp_path: Path) -> None:
    method = by_name(profile(tmp_path, POISSON))["clamp and recorder"]
    assert method.time is not None
    assert method.closed is not None
    assert method.time.expected_s == pytest.approx(method.closed.expected_s, rel=0.06)
    assert method.time.p95_s == pytest.approx(method.closed.p95_s, rel=0.08)


def test_sets_of_fuses_take_what_an_independent_simulation_takes(tmp_path: Path) -> None:
    """Ten fuses, three at once, a minute to move the leads, periodic pulses: written down here anew."""
    method = by_name(profile(tmp_path, PERIODIC))["voltage drops across fuses"]
    source = random.Random(7)
    taken = []
    for _ in range(20_000):
        now = begun = source.uniform(0, 7)
        for _ in range(source.randrange(10) // 3 + 1):
            now += 60
            now = (now // 7 + 1) * 7 + 0.2  # the next start at a multiple of the period, and its width
        taken.append(now - begun)
    taken.sort()
    assert method.time is not None
    assert method.time.expected_s == pytest.approx(sum(taken) / len(taken), rel=0.03)
    assert method.time.p95_s == pytest.approx(taken[int(0.95 * len(taken))], rel=0.03)
    assert method.settings["sets"] == 4
    assert method.isolates == "fuse F7"


def test_a_uniform_gap_needs_less_than_the_renewal_bound(tmp_path: Path) -> None:
    # gaps 10 .. 30 s seen from a random start: 95 % within 23.675 s by renewal theory
    made = profile(tmp_path, "  - random: {draw: 400 mA, on: 1 ms, gap: 10 s .. 30 s, law: uniform}\n")
    found = search(made)
    spread, closed = found._wait(1)
    assert closed is None
    assert spread.p95_s == pytest.approx(23.675, rel=0.02)


def test_a_short_pulse_hides_from_a_slow_meter_and_not_from_a_recorder(tmp_path: Path) -> None:
    made = profile(tmp_path, "  - pulse: {draw: 150 mA, on: 2 ms, every: 20 s}\n")
    methods = by_name(made)
    assert not methods["MAX on a meter"].shows  # 3 mA in a tenth of a second; the keep-alive shows 28 mA
    assert methods["voltage drops across fuses"].shows
    quick = by_name(made, "laboratory")
    assert quick["MAX on a meter"].shows
    assert quick["two clamps to split the feeds"].isolates == "feed cabin"


def test_single_ended_inputs_are_refused_across_a_fuse(tmp_path: Path) -> None:
    method = by_name(profile(tmp_path, PERIODIC), "earthed-scope")["voltage drops across fuses"]
    assert not method.shows
    assert "shorts battery positive to ground" in method.why


def test_difficulty_grows_with_what_hinders(tmp_path: Path) -> None:
    easy = search(profile(tmp_path, "  - steady: 400 mA\n"))
    hard = search(
        profile(tmp_path, "  - random: {draw: 60 mA, on: 3 ms, gap: 20 min, law: exponential}\n"), "basic"
    )
    found = [findable.difficulty(one, one.methods()) for one in (easy, hard)]
    assert 0 <= found[0][0] < 4 < found[1][0] <= 10
    assert all(reasons for _, reasons in found)


def test_one_seed_one_answer(tmp_path: Path) -> None:
    made = profile(tmp_path, POISSON)
    once, again = ([m.document() for m in search(made, seed=3).methods()] for _ in range(2))
    assert once == again


@pytest.mark.parametrize("path", data.profile_paths(), ids=lambda path: path.stem)
def test_every_shipped_fault_can_be_weighed_with_every_kit(path: Path) -> None:
    for kit in data.shipped_paths("instruments"):
        one = findable.Search(load(path), VEHICLE, load_instruments(kit), "socket", 1)
        methods = one.methods()
        assert len(methods) == 6
        for method in methods:
            assert method.shows == (method.time is not None)
            assert method.time is None or method.time.expected_s <= method.time.p95_s
        assert 0 <= findable.difficulty(one, methods)[0] <= 10
