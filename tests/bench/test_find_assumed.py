"""A school's assumptions: the file, what each figure does, and times against simulations in plain words."""

from __future__ import annotations

import dataclasses
import itertools
import json
import random
from pathlib import Path

import jsonschema
import pytest
import yaml
from nightdraw import data, places
from nightdraw.bench import findable
from nightdraw.errors import InputError
from nightdraw.instruments.assumed import ASSUMPTIONS, Assumed, load_assumed
from nightdraw.instruments.read import load_instruments
from nightdraw.profile.model import Profile

from tests.bench.finding import DEEP, profile, vehicle
from tests.bench.plain import Alternating, Periodic, Told
from tests.bench.test_cli_vehicle import call
from tests.profile.made import plain

PULSE = "  - pulse: {draw: 400 mA, on: 2 s, every: 17 s, first: 3 s}\n"
POISSON = "  - random: {draw: 400 mA, on: 2 s, gap: 30 s, law: exponential}\n"
UNIFORM = "  - random: {draw: 400 mA, on: 2 s, gap: 20 s .. 90 s}\n"
MAX, DROPS, PULLING = "MAX on a meter", "voltage drops across fuses", "pulling fuses"
SHIPPED = load_assumed()


def schema() -> jsonschema.Draft202012Validator:
    content = json.loads((data.folder("profiles") / "assumptions" / "assumptions.schema.json").read_text())
    jsonschema.Draft202012Validator.check_schema(content)
    return jsonschema.Draft202012Validator(content)


class Rows:
    """One search's rows for its pulses (or what stays), each worked out when it is asked for."""

    def __init__(self, made: Profile, kit: str, changes: dict) -> None:
        assumed = dataclasses.replace(SHIPPED, **changes)
        tools = load_instruments(data.shipped("instruments", kit))
        self.search = findable.Search(made, vehicle(), tools, "tailgate", 1, assumed=assumed)

    def __getitem__(self, name: str) -> findable.Method:
        return self.search.row(name, self.search.signatures[0])


def rows(made: Profile, kit: str = "workshop", **changes: object) -> Rows:
    return Rows(made, kit, changes)


# -- the file ----------------------------------------------------------------------------------------------


def test_what_ships_passes_schema_and_reader_and_names_every_key() -> None:
    path = data.shipped("assumptions", "usual")
    content = plain(places.read(path)[0])
    schema().validate(content)
    assert set(content) == {field.key for field in ASSUMPTIONS.fields}
    assert isinstance(load_assumed(path), Assumed)


def test_a_file_that_names_one_figure_leaves_the_rest(tmp_path: Path) -> None:
    path = tmp_path / "own.yaml"
    path.write_text("assumptions: slow hands\npull_fuse: 40 s\n")
    assert load_assumed(path) == dataclasses.replace(SHIPPED, name="slow hands", pull_fuse_s=40.0)


MISTAKES = [
    ("look: 5 s", "look: 5", "no unit"),
    ("look: 5 s", "look: 0 s", "must be 0.1 s .. 10 min"),
    ("notices: 80 %", "notices: 0 %", "must be 1 % .. 100 %"),
    ("notices: 80 %", "notises: 80 %", "did you mean 'notices'"),
    ("pulses: 3 ", "pulses: 3.5 ", "whole number"),
    ("conspicuous: 100 mA", "conspicuous: 10 mA", "must be at least what is healthy"),
    ("healthy: 50 mA", "healthy: 500 mA", "must be at least what is healthy"),
    ("assumptions: usual\n", "", "lacks the key 'assumptions'"),
]


@pytest.mark.parametrize(("old", "new", "words"), MISTAKES, ids=[new or "gone" for _, new, _ in MISTAKES])
def test_a_mistake_is_told_with_its_place(tmp_path: Path, old: str, new: str, words: str) -> None:
    text = Path(data.shipped("assumptions", "usual")).read_text()
    assert old in text
    path = tmp_path / "own.yaml"
    path.write_text(text.replace(old, new))
    with pytest.raises(InputError) as caught:
        load_assumed(path)
    assert any(words in str(finding.message) + str(finding.hint) for finding in caught.value.findings)
    assert all(finding.file == str(path) and finding.line for finding in caught.value.findings)


def test_the_command_takes_a_file_and_prints_what_is_assumed(tmp_path: Path, capsys) -> None:
    path = tmp_path / "own.yaml"
    path.write_text(yaml.safe_dump({"assumptions": "quick", "meter_in": "10 s", "meter_wakes": "0 %"}))
    words = ("bench", "findable", "--profile", "hung-door-module", "--vehicle", "vehicle-1")
    status, text, _ = call(capsys, *words, "--assumptions", str(path), "--json")
    assert status == 0
    assert (
        json.loads(text)["assumptions"]
        == dataclasses.replace(SHIPPED, name="quick", meter_in_s=10.0, meter_wakes=0.0).document()
    )
    status, text, _ = call(capsys, *words)
    assert "assumed (usual): move clamp 60 s" in text
    status, _, err = call(capsys, *words, "--assumptions", "no-such")
    assert status == 2
    assert "no-such" in err


# -- a meter put in line -----------------------------------------------------------------------------------


@pytest.mark.parametrize("draw", [PULSE, POISSON], ids=["periodic", "exponential"])
@pytest.mark.parametrize("share", [0.0, 0.3, 1.0])
def test_a_meter_in_line_takes_what_an_independent_simulation_takes(
    tmp_path: Path, draw: str, share: float
) -> None:
    """Two minutes, then the wait; where it was opened: all asleep after 390 s, the run anew."""
    made = profile(tmp_path, draw, DEEP + "resume: restart\nresume_after: 20 s\n")
    row = rows(made, meter_wakes=share)[MAX]
    periodic = draw == PULSE
    pulses = (
        Periodic(17, 2)
        if periodic
        else Alternating(lambda s: min(240.0, s.expovariate(1 / 30)), lambda s: 2.0)
    )
    # back 20 s after the power, then pulses at 3, 20, 37 ... of the run; a random run's are the firmware's
    starts = [20 + 3 + 17 * k for k in range(100)]
    anew_s = next(at for at in starts if at >= 390) + 2 if periodic else _point_s(made)
    source, taken = random.Random(8), []
    for _ in range(3000):
        opened = source.random() < share
        taken.append(120 + anew_s if opened else pulses.begin(source)(120.0))
    with_times = Told(taken)
    assert with_times.agrees(row.time.expected_s, row.time.p95_s, row.time.errors_s(), rel=1e-3)
    assert with_times.agrees(row.closed.expected_s, row.closed.p95_s, rel=1e-3)
    assert row.more["lost"] == 0


def _point_s(made: Profile) -> float:
    """When the first pulse that begins asleep ends, by the profile's own edges."""
    from nightdraw.profile import timeline

    edges = list(timeline.edges(made, 2000 * 10_000, 1, 1))
    for (tick, level), (after, _) in itertools.pairwise(edges):
        if level > 300_000 and tick >= 370 * 10_000:
            return 20 + after / 10_000
    raise AssertionError


def test_a_box_that_stays_off_is_lost_where_the_circuit_opens(tmp_path: Path) -> None:
    row = rows(profile(tmp_path, PULSE, DEEP + "resume: stay-off\n"), meter_wakes=0.25)[MAX]
    assert row.shows
    assert row.more["lost"] == pytest.approx(0.25, abs=0.013)  # 4 standard errors of 20 000 trials
    assert row.closed.wrong == 0.25
    assert "stays off" in row.why


def test_a_clamp_costs_no_time_in_line(tmp_path: Path) -> None:
    made = profile(tmp_path, PULSE)
    slow, quick = rows(made, meter_in_s=600.0), rows(made, meter_in_s=0.0, meter_wakes=0.0)
    assert slow["clamp and recorder"].closed == quick["clamp and recorder"].closed
    assert slow[MAX].closed.expected_s > quick[MAX].closed.expected_s + 600
    assert slow[PULLING].settings["with"] == "clamp and recorder"
    assert slow[PULLING].closed == quick[PULLING].closed
    basic = [rows(made, "basic", meter_in_s=t)[PULLING] for t in (0.0, 600.0)]
    assert basic[0].settings["with"] == MAX
    assert basic[1].closed.expected_s - basic[0].closed.expected_s == pytest.approx(600, abs=1e-6)


# -- by hand -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("notices", [0.5, 0.8, 1.0])
def test_by_hand_takes_what_an_independent_simulation_takes(tmp_path: Path, notices: float) -> None:
    """Ten fuses, a meter in line that tells; at each so many pulses that one is noticed in 95 of 100."""
    row = rows(profile(tmp_path, PULSE), "basic", notices=notices, meter_wakes=0.0)[DROPS]
    looks = {0.5: 5, 0.8: 2, 1.0: 1}[notices]  # 0.5^5 = 3.1 %, 0.2^2 = 4 %
    assert row.settings.get("pulses_at_each", 1) == looks
    source, taken, passed = random.Random(2), [], 0
    for _ in range(6000):
        wait, now = Periodic(17, 2).begin(source), 120.0
        own = source.randrange(10)
        for _ in range(own):
            now += 15
            for _ in range(looks):
                now = wait(now)
        now += 15
        for _ in range(looks):
            now = wait(now)
            if source.random() < notices:
                taken.append(now)
                break
        else:
            passed += 1
    with_times = Told(taken)
    assert with_times.agrees(row.time.expected_s, row.time.p95_s, row.time.errors_s())
    assert row.more["wrong_fuse"] == pytest.approx(passed / 6000, abs=0.015)  # 5 standard errors
    assert row.more["wrong_fuse"] <= 0.05 + 0.006


def test_what_stays_needs_no_luck(tmp_path: Path) -> None:
    made = profile(tmp_path, "  - steady: 300 mA\n")
    few, many = rows(made, "basic", notices=0.05), rows(made, "basic", notices=1.0)
    assert few[DROPS].closed == many[DROPS].closed
    assert few[DROPS].settings == many[DROPS].settings


@pytest.mark.parametrize(
    ("changes", "method"),
    [
        ({"move_clamp_s": 300.0}, DROPS),
        ({"pull_fuse_s": 90.0}, PULLING),
        ({"wrong_fuse": 0.002}, None),
        ({"pulses": 9}, "clamp and recorder"),
        ({"look_s": 1.0}, None),
    ],
)
def test_each_figure_does_what_it_says(tmp_path: Path, changes: dict, method: str | None) -> None:
    made = profile(tmp_path, UNIFORM)
    before, after = rows(made), rows(made, **changes)
    if method is None:
        assert after[PULLING].settings["watch_s"] != before[PULLING].settings["watch_s"]
    else:
        assert after[method].time.expected_s > before[method].time.expected_s * 1.2
