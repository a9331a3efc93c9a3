"""A whole lesson by script: four groups, four simulated boxes, nine commands, and the marks are right."""

from __future__ import annotations

import contextlib
import json
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from nightdraw import data
from nightdraw.bench.serve import Server
from nightdraw.bench.setup import build
from nightdraw.cli import main
from nightdraw.lesson.answers import HEADER
from nightdraw.lesson.candidates import Room
from nightdraw.lesson.classfile import load_class
from nightdraw.lesson.model import Plan
from nightdraw.lesson.planfile import load_plan
from nightdraw.link import open_box
from nightdraw.profile.figures import figures

from tests.lesson.classes import write

FAULTS = ["sleepless-module", "glovebox-lamp", "radio-keepalive", "chattering-relay"]
TRUTHS = {
    "sleepless-module": ("steady", "280 mA", "", ""),
    "glovebox-lamp": ("steady", "410 mA", "", ""),
    "radio-keepalive": ("pulse", "310 mA", "900 ms", "45 s"),
    "chattering-relay": ("pulse", "160 mA", "120 ms", "4 s"),
}
LESSON_S = 600  # that the boxes run between load and halt, in their own time


def four() -> dict[str, Any]:
    """The class: two vehicles, four boxes that say who they are."""
    return {
        "class": "whole",
        "time": "40 min",
        "groups": ["g1", "g2", "g3", "g4"],
        "vehicles": [
            {"name": "one", "vehicle": "vehicle-1", "splices": ["body", "radio", "tailgate"]},
            {"name": "two", "vehicle": "vehicle-2", "splices": ["gateway", "amplifier"]},
        ],
        "boxes": [{"box": x, "identity": f"box-{x}", "board": "bench-12v"} for x in "ABCD"],
        "kits": [{"kit": x, "instruments": "workshop"} for x in "KLMN"],
        "faults": FAULTS,
        "points": {"evidence": "0"},
    }


@contextlib.contextmanager
def served(labels: str) -> Iterator[dict[str, str]]:
    """Simulated boxes by label: their addresses."""
    servers = {}
    for label in labels:
        world = build(seed=ord(label)).world()
        world.rename(f"box-{label}")
        servers[label] = Server(world, speed=20)
    threads = [threading.Thread(target=server.run) for server in servers.values()]
    for thread in threads:
        thread.start()
    try:
        yield {label: server.address for label, server in servers.items()}
    finally:
        for server in servers.values():
            server.stop()
        for thread in threads:
            thread.join()


def answers(plan: Plan) -> str:
    """What a class hands in: three groups are right, the last one names a wrong fuse and writes mA for A."""
    lines = [",".join(HEADER)]
    for one in plan.assignments:
        kind, current, on, every = TRUTHS[one.profile]
        circuit = one.fuse
        if one.group == "g4":
            circuit = "F3"
        lines.append(f"{one.group},{circuit},{kind},{current},{on},{every},")
    return "\n".join(lines) + "\n"


def test_a_whole_lesson_takes_nine_commands(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    of = write(tmp_path, four())
    plan, home, book = tmp_path / "plan.yaml", tmp_path / "home", tmp_path / "book.sqlite"

    def run(*words: object) -> Any:
        capsys.readouterr()
        status = main.run(["lesson", *map(str, words), "--json"])
        said = json.loads(capsys.readouterr().out)
        assert status == 0, said
        return said

    run("check", of)
    run("plan", of, "--seed", 3, "--out", plan)
    run("sheets", plan, "--out", tmp_path / "sheets", "--format", "html")
    assert run("rehearse", plan)["ok"]
    with served("ABCD") as addresses:
        boxes = [word for label, at in addresses.items() for word in ("--box", f"{label}={at}")]
        assert run("load", plan, *boxes)["ok"]
        for at in addresses.values():
            with open_box(at) as client:
                client.advance(LESSON_S)
        assert run("halt", plan, *boxes)["ok"]
        assert run("collect", plan, "--out", home, *boxes)["ok"]
    made = load_plan(plan)
    (tmp_path / "answers.csv").write_text(answers(made))
    marked = run(
        "mark", plan, "--answers", tmp_path / "answers.csv", "--journals", home, "--out", tmp_path / "marks",
        "--book", book,
    )  # fmt: skip
    by_group = {row["group"]: row for row in marked["groups"]}
    for one in made.assignments:
        row = by_group[one.group]
        lost = 4 if one.group == "g4" and one.fuse != "F3" else 0
        assert row["points"] == row["of"] - lost, row
    assert run("book", book, "--list")["lessons"] == 1


@pytest.mark.parametrize("name", ["four-groups", "six-groups"])
def test_every_car_of_a_class_that_ships_starts_and_bears_two_boxes(name: str) -> None:
    """What is known of batteries changes: a car that no box may be put in is no use."""
    of = load_class(data.shipped("classes", name))
    room = Room(of, 0)
    means_a = sorted(figures(fault.written).mean_ma / 1000 for fault in of.faults)
    for car in range(len(of.cars)):
        assert room.budget_a(car) > sum(means_a[-2:]), of.cars[car].name
