"""Plans: as even as a search through everything finds, no neighbour's fault, refused by the tightest rule."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import pairwise, permutations, product
from pathlib import Path
from typing import Any

import pytest
from nightdraw import data
from nightdraw.bench import findable
from nightdraw.cli import main
from nightdraw.instruments.read import load_instruments
from nightdraw.lesson.arrange import arrange
from nightdraw.lesson.candidates import Room
from nightdraw.lesson.classfile import load_class
from nightdraw.lesson.model import Assignment
from nightdraw.lesson.planfile import load_plan
from nightdraw.lesson.planning import Planned, make_plan
from nightdraw.profile import load
from nightdraw.vehicle import load_vehicle

from tests.lesson.classes import small, write

QUICK = ["sleepless-module", "glovebox-lamp", "siren-battery"]  # no pulses, or a few: worked out at once
LAX = 1.08  # what a plan gives up in evenness for even difficulties and faults of one's own
KITS = [{"kit": "K1", "instruments": "workshop"}, {"kit": "K2", "instruments": "laboratory"}]


def planned(
    folder: Path,
    seed: int = 0,
    kept: tuple[Assignment, ...] = (),
    own_faults: bool | None = None,
    **changes: Any,
) -> Planned:
    """The plan of a small class with changes."""
    return make_plan(load_class(write(folder, small(**{"faults": QUICK, **changes}))), seed, kept, own_faults)


def times(vehicle: str, splices: list[str], kit: str, seeds: dict[str, int]) -> dict[tuple[str, str], float]:
    """Expected times by (profile, splice) as bench findable has them, closed forms and all."""
    car = load_vehicle(data.shipped("vehicles", vehicle))
    tools = load_instruments(data.shipped("instruments", kit))
    found = {}
    for name, splice in product(QUICK, splices):
        methods = findable.Search(load(data.profile_path(name)), car, tools, splice, seeds[name]).methods()
        naming = [m.document()["expected_s"] for m in methods if m.shows and "fuse" in (m.isolates or "")]
        found[name, splice] = min(naming)
    return found


def test_a_plan_is_as_even_as_a_search_through_everything_finds(tmp_path: Path, seed: int) -> None:
    """Two groups, two cars, two kits, three faults: all of them, from bench findable itself."""
    splices = {"vehicle-1": ["radio", "tailgate"], "vehicle-2": ["gateway"]}
    cars = [{"name": f"c{k}", "vehicle": v, "splices": s} for k, (v, s) in enumerate(splices.items())]
    made = planned(tmp_path, seed % 1000, vehicles=cars, kits=KITS)
    assert made.plan is not None
    room = Room(made.plan.of, seed % 1000)
    seeds = {name: room.seed_of(name) for name in QUICK}
    rows = [
        ((vehicle, splice), profile, kit, t)
        for vehicle, its in splices.items()
        for kit in ("workshop", "laboratory")
        for (profile, splice), t in times(vehicle, its, kit, seeds).items()
    ]
    alike = {"sleepless-module", "glovebox-lamp"}  # both steady, 280 mA and 410 mA: not on one car
    best = min(
        max(a[3], b[3]) / min(a[3], b[3])
        for a, b in permutations(rows, 2)
        if a[0] != b[0]
        and a[1] != b[1]
        and a[2] != b[2]
        and not (a[0][0] == b[0][0] and {a[1], b[1]} == alike)
    )
    assert made.bound == pytest.approx(best, rel=1e-6)
    assert made.evenness is not None
    assert made.evenness <= best * LAX * (1 + 1e-6)


def test_the_same_seed_gives_the_same_plan_and_figures_are_bench_findables(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = write(tmp_path, small(faults=QUICK))
    documents = []
    for name in ("one.yaml", "two.yaml"):
        assert (
            main.run(["lesson", "plan", str(path), "--seed", "5", "--out", str(tmp_path / name), "--json"])
            == 0
        )
        documents.append(json.loads(capsys.readouterr().out))
    assert documents[0] == documents[1]
    assert (tmp_path / "one.yaml").read_bytes() == (tmp_path / "two.yaml").read_bytes()
    plan = load_plan(tmp_path / "one.yaml")
    assert [one.document() for one in plan.assignments] == documents[0]["assignments"]
    one = plan.assignments[0]
    call = [
        "--profile",
        one.profile,
        "--vehicle",
        plan.of.car(one.vehicle).vehicle.name,
        "--splice",
        one.splice,
    ]
    assert main.run(["bench", "findable", *call, "--seed", str(one.seed), "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert one.difficulty == answer["difficulty"]
    shown = [
        m for m in answer["methods"] if m["isolates"] == f"fuse {one.fuse}" and m["expected_s"] is not None
    ]
    assert one.expected_s == min(m["expected_s"] for m in shown)


def test_neighbours_and_cars_keep_faults_apart(tmp_path: Path, seed: int) -> None:
    """Five groups, three faults, two cars: some faults must be given again."""
    groups = ["a", "b", "c", "d", "e"]
    places = {1: ["radio", "body"], 2: ["gateway", "amplifier"], 3: ["central", "radio"]}
    cars = [{"name": f"c{k}", "vehicle": f"vehicle-{k}", "splices": s} for k, s in places.items()]
    boxes = [{"box": g.upper(), "board": "bench-12v"} for g in groups]
    kits = [{"kit": g, "instruments": "workshop"} for g in groups]
    made = planned(tmp_path, seed % 1000, groups=groups, vehicles=cars, boxes=boxes, kits=kits)
    assert made.plan is not None
    rows = made.plan.assignments
    assert [one.group for one in rows] == groups
    assert all(a.profile != b.profile for a, b in pairwise(rows))
    for keys in (("vehicle", "profile"), ("vehicle", "splice"), ("vehicle", "fuse"), ("box",), ("kit",)):
        assert len({tuple(getattr(one, key) for key in keys) for one in rows}) == len(rows)
    steady = [one.vehicle for one in rows if one.profile in ("sleepless-module", "glovebox-lamp")]
    assert len(set(steady)) == len(steady)
    assert len({one.seed for one in rows}) == len(rows)
    told = [note.message for note in made.findings if note.rule == "neighbours"]
    assert "no more than 3 of 5 groups can have a fault of their own" in told[0]


TRIPLE = {  # three steady faults; on one fuse all need as long, so that only the rule keeps them apart
    "groups": ["a", "b", "c"],
    "vehicles": [{"name": f"c{k}", "vehicle": "vehicle-1", "splices": ["radio"]} for k in range(4)],
    "boxes": [{"box": x, "board": "bench-12v"} for x in "ABC"],
    "kits": [{"kit": x, "instruments": "workshop"} for x in "KLM"],
    "faults": ["sleepless-module", "glovebox-lamp", "siren-battery"],
}


def test_each_group_has_a_fault_of_its_own_where_the_class_permits_it(tmp_path: Path, seed: int) -> None:
    """With three faults for three groups none is given twice; with two that is told, or refused if asked."""
    own = planned(tmp_path, seed % 1000, **TRIPLE)
    assert own.plan is not None
    assert len({one.profile for one in own.plan.assignments}) == 3
    assert "neighbours" not in [note.rule for note in own.findings]
    shared = planned(tmp_path, seed % 1000, own_faults=False, **TRIPLE)
    assert shared.bound is not None
    assert own.bound is not None
    assert shared.bound <= own.bound
    fewer = {**TRIPLE, "faults": ["sleepless-module", "siren-battery"]}
    told = planned(tmp_path, seed % 1000, **fewer)
    assert told.plan is not None
    note = next(note for note in told.findings if note.rule == "neighbours")
    assert "no more than 2 of 3 groups can have a fault of their own" in note.message
    refused = planned(tmp_path, seed % 1000, own_faults=True, **fewer)
    assert refused.plan is None
    assert refused.findings[0].rule == "neighbours"


def test_groups_with_one_fault_have_random_instants_of_their_own(tmp_path: Path, seed: int) -> None:
    """Nobody can copy another group's intervals; each group's figures are those of its own seed."""
    cars = [{"name": f"c{k}", "vehicle": "vehicle-1", "splices": ["radio"]} for k in range(3)]
    faults = ["telematics-search", "sleepless-module"]
    of = load_class(write(tmp_path, small(**{**TRIPLE, "vehicles": cars, "faults": faults})))
    room = Room(of, seed % 1000)
    by_car = {(one.car, one.profile): one for one in room.candidates()}
    chosen = [by_car[0, faults[0]], by_car[1, faults[1]], by_car[2, faults[0]]]
    order = arrange(room, chosen, {})
    assert order is not None
    one, _, other = order
    assert one.profile == other.profile == faults[0]
    assert one.seed != other.seed
    car, tools = of.cars[0].vehicle, of.kits[0].instruments
    for mine in (one, other):
        profile = replace(load(data.profile_path(faults[0])), seed=mine.seed)
        methods = findable.Search(profile, car, tools, "radio", mine.seed).methods()
        naming = [m.document()["expected_s"] for m in methods if m.shows and "fuse" in (m.isolates or "")]
        assert mine.expected_s == min(naming)


@pytest.mark.parametrize(
    ("changes", "rule", "said"),
    [
        ({"boxes": [{"box": "A", "board": "bench-12v"}]}, "boxes", "1 box for 2 groups"),
        ({"kits": [{"kit": "K1", "instruments": "workshop"}]}, "kits", "1 kit for 2 groups"),
        ({"vehicles": [{"name": "one", "vehicle": "vehicle-1", "splices": "radio"}]}, "splices", "1 splice"),
        ({"faults": ["sleepless-module"]}, "neighbours", "add faults"),
        ({"time": "10 min"}, "time", "95 % of searches need"),
        ({"vehicles": [{"name": "one", "vehicle": "vehicle-4"}]}, "supply", "name vehicles"),
        ({"boxes": [{"box": x, "board": "starter-12v"} for x in "AB"]}, "bank", "allow fit:"),
        ({"vehicles": [{"name": "one", "vehicle": "vehicle-1"}],
          "faults": ["sleepless-module", "glovebox-lamp"]}, "hidden", "hide one another"),
        ({"kits": [{"kit": x, "instruments": "blind.yaml"} for x in "AB"],
          "faults": ["socket-adapter", "chattering-relay"]}, "instruments", "can't be isolated"),
    ],
)  # fmt: skip
def test_an_infeasible_class_is_refused_by_its_tightest_rule(
    tmp_path: Path, changes: dict[str, Any], rule: str, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "blind.yaml").write_text("instruments: blind\n")
    path = write(tmp_path, small(**{"faults": QUICK, **changes}))
    out = tmp_path / "plan.yaml"
    assert main.run(["lesson", "plan", str(path), "--json", "--out", str(out)]) == 1
    answer = json.loads(capsys.readouterr().out)
    assert (answer["ok"], answer["assignments"], answer["evenness"]) == (False, [], None)
    first = answer["findings"][0]
    assert (first["rule"], first["severity"]) == (rule, "error")
    assert said in first["message"]
    assert not out.exists()


def test_of_rules_that_mend_as_much_the_most_particular_is_named_first(tmp_path: Path) -> None:
    """One of two faults is too hot, or one of two boards too small: not that there are too few of them."""
    board = (data.folder("hardware") / "bench-12v.yaml").read_text()
    for body in ("clad-25w", "clad-50w"):
        board = board.replace(f"body: {body}, mounting: plate", "body: film-0.6w")
    (tmp_path / "hot.yaml").write_text(board.replace("board: bench-12v", "board: hot"))
    hot = [{"box": x, "board": "hot.yaml"} for x in "AB"]
    made = planned(tmp_path, boxes=hot, faults=["sleepless-module", "glovebox-lamp"])
    assert [note.rule for note in made.findings][:2] == ["heat", "neighbours"]
    mixed = [{"box": "A", "board": "bench-12v"}, {"box": "B", "board": "starter-12v"}]
    made = planned(tmp_path, boxes=mixed)
    assert [note.rule for note in made.findings][:2] == ["bank", "boxes"]


def test_where_every_fuse_is_taken_by_the_cars_own_loads_the_fuse_is_the_rule(tmp_path: Path) -> None:
    text = data.shipped_paths("vehicles")[0].read_text()
    assert "{draw: 380 mA, for: 25 s}" in text
    (tmp_path / "car.yaml").write_text(text.replace("{draw: 380 mA, for: 25 s}", "{draw: 14.9 A, for: 25 s}"))
    cars = [{"name": name, "vehicle": "car.yaml", "splices": ["radio"]} for name in ("one", "two")]
    made = planned(tmp_path, vehicles=cars)
    assert made.plan is None
    assert made.findings[0].rule == "fuse"
    assert "on fuse F2 of 15 A" in made.findings[0].message


def test_a_battery_that_would_not_start_the_car_is_the_rule(tmp_path: Path) -> None:
    text = data.shipped_paths("vehicles")[0].read_text()
    assert "charge: 85 %" in text
    (tmp_path / "weak.yaml").write_text(text.replace("charge: 85 %", "charge: 51 %"))
    made = planned(tmp_path, vehicles=[{"name": "one", "vehicle": "weak.yaml"}])
    assert made.plan is None
    assert made.findings[0].rule == "battery"


def test_a_small_fuse_is_the_rule(tmp_path: Path) -> None:
    text = data.shipped_paths("vehicles")[0].read_text()
    (tmp_path / "car.yaml").write_text(text.replace("asleep: 1.5 mA", "asleep: 14.9 A"))
    cars = [
        {"name": "one", "vehicle": "car.yaml", "splices": ["radio"]},
        {"name": "two", "vehicle": "vehicle-1", "splices": ["radio", "siren"]},
    ]
    made = planned(tmp_path, vehicles=cars)
    assert made.plan is not None
    assert [one.vehicle for one in made.plan.assignments] == ["two", "two"]


def test_what_is_enough_time_is_told(tmp_path: Path) -> None:
    made = planned(tmp_path, time="10 min")
    needed = made.findings[0].message.split("searches need ")[1].split(" min")[0]
    assert planned(tmp_path, time=f"{float(needed) + 0.1} min").plan is not None


SIX = {
    "groups": ["a", "b", "c"],
    "boxes": [{"box": x, "board": "bench-12v"} for x in "ABCD"],
    "kits": [{"kit": x, "instruments": "workshop"} for x in "KLM"],
}


def test_keep_changes_as_little_as_can_be(tmp_path: Path) -> None:
    """A box breaks: one row's box changes. A group is missing: no row changes."""
    first = planned(tmp_path, 3, **SIX)
    assert first.plan is not None
    rows = first.plan.assignments
    broken = rows[1].box
    left = [box for box in SIX["boxes"] if box["box"] != broken]
    second = planned(tmp_path, 4, rows, **{**SIX, "boxes": left})
    assert second.plan is not None
    for before, now in zip(rows, second.plan.assignments, strict=True):
        same = ("vehicle", "splice", "profile", "kit", "slot")
        assert [getattr(before, key) for key in same] == [getattr(now, key) for key in same]
        assert (before.box == now.box) is (before.box != broken)
    third = planned(tmp_path, 4, rows, **{**SIX, "groups": ["a", "c"]})
    assert third.plan is not None
    seeds = {one.group: one.seed for one in rows}
    assert [one.seed for one in third.plan.assignments] == [seeds["a"], seeds["c"]]
    places = [
        (one.group, one.vehicle, one.splice, one.profile, one.box, one.kit) for one in third.plan.assignments
    ]
    assert places == [
        (one.group, one.vehicle, one.splice, one.profile, one.box, one.kit)
        for one in rows
        if one.group != "b"
    ]


def test_keep_gives_new_neighbours_different_faults_and_changes_one_group_for_it(tmp_path: Path) -> None:
    """Two faults by turns; without one group two with one fault stand side by side: one of them changes."""
    four = {
        **TRIPLE,
        "groups": list("abcd"),
        "boxes": [{"box": x, "board": "bench-12v"} for x in "ABCD"],
        "kits": [{"kit": x, "instruments": "workshop"} for x in "KLMN"],
        "faults": ["sleepless-module", "siren-battery"],
    }
    first = planned(tmp_path, 1, **four)
    assert first.plan is not None
    rows = first.plan.assignments
    second = planned(tmp_path, 1, rows, **{**four, "groups": ["a", "c", "d"]})
    assert second.plan is not None
    now = second.plan.assignments
    assert all(one.profile != other.profile for one, other in pairwise(now))
    before = {one.group: one for one in rows}
    assert [one.profile == before[one.group].profile for one in now].count(False) == 1
    keys = ("vehicle", "splice", "box", "kit")
    assert all(getattr(one, key) == getattr(before[one.group], key) for one in now for key in keys)


def test_keep_reads_a_plan_whose_class_has_changed_since(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = write(tmp_path, small(faults=QUICK))
    plan = tmp_path / "plan.yaml"
    assert main.run(["lesson", "plan", str(path), "--out", str(plan)]) == 0
    write(tmp_path, small(faults=QUICK, groups=["b"], boxes=[{"box": "B", "board": "bench-12v"}]))
    capsys.readouterr()
    assert main.run(["lesson", "plan", str(path), "--keep", str(plan), "--json"]) == 0
    assert [one["group"] for one in json.loads(capsys.readouterr().out)["assignments"]] == ["b"]
