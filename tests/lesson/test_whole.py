"""A lesson by its commands, from loaded boxes to the record book: marks come from the boxes' own journals."""

from __future__ import annotations

import csv
import json
import socket
from pathlib import Path
from urllib.parse import urlsplit

from nightdraw.cli import main
from nightdraw.lesson.answers import HEADER
from nightdraw.lesson.classfile import load_class
from nightdraw.lesson.model import Assignment, Plan
from nightdraw.lesson.planfile import write_plan

from tests.lesson.classes import small, write
from tests.lesson.test_boxes import serving

ROWS = (
    Assignment("a", "one", "radio", "F2", "A", 0, "radio-keepalive", 5, "K1"),
    Assignment("b", "two", "gateway", "F11", "B", 3, "glovebox-lamp", 6, "K2"),
)
ANSWERS = f"""\
{",".join(HEADER)}
a,F2,pulse,310 mA,0.9 s,80/h,
b,F11,steady,0.41 mA,,,
"""
LESSON_S = 1800


def advance(address: str, seconds: int) -> None:
    """Let a simulated box's time jump."""
    place = urlsplit(address)
    with socket.create_connection((place.hostname, place.port), timeout=60) as link:
        link.sendall(f"DIAGnostic:CLOCk:ADVance {seconds};*OPC?\n".encode())
        link.recv(100)


def test_from_loaded_boxes_to_the_record_book(tmp_path: Path, monkeypatch, capsys) -> None:
    monkeypatch.chdir(tmp_path)
    boxes = [{"box": x, "identity": f"box-{x}", "board": "bench-12v"} for x in "AB"]
    plan = Plan("two", load_class(write(tmp_path, small(boxes=boxes))), 7, ROWS, "")
    write_plan(Path("plan.yaml"), plan)
    Path("answers.csv").write_text(ANSWERS)
    with serving("box-A") as one, serving("box-B") as two:
        both = ("--box", f"A={one}", "--box", f"B={two}")
        assert main.run(["lesson", "load", "plan.yaml", *both]) == 0
        for address in (one, two):
            advance(address, LESSON_S)
        assert main.run(["lesson", "halt", "plan.yaml", *both]) == 0
        assert main.run(["lesson", "collect", "plan.yaml", *both, "--out", "journals"]) == 0
    mark = ["lesson", "mark", "plan.yaml", "--answers", "answers.csv", "--journals", "journals"]
    assert main.run([*mark, "--out", "marks", "--book", "years.db"]) == 0
    assert main.run(["lesson", "book", "years.db", "--list", "--export", "csv"]) == 0
    capsys.readouterr()
    told = json.loads(Path("marks/marks.json").read_text())
    # 310 mA for 0.9 s, one in 45 s are 80 an hour; 0.41 mA is a slip of a thousand: half of two points.
    assert [(one["points"], one["of"]) for one in told["groups"]] == [(12, 14), (7, 10)]
    assert told["summary"]["notes"] == []
    with Path("csv/journal.csv").open(newline="", encoding="utf-8") as stream:
        assert len(list(csv.DictReader(stream))) == len(ROWS)
