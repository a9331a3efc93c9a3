"""A plan's groups on vehicles that live: nothing tells the answer, answers are marked, paths are shown."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from nightdraw.cli import bench_live, main
from nightdraw.errors import InputError
from nightdraw.lesson.planfile import load_plan
from nightdraw.live.moves import MOVES
from nightdraw.live.overview import Overview
from nightdraw.live.server import FILES, LiveServer

from tests.lesson import made_lesson as made
from tests.lesson import secrets
from tests.live.made import TEXTS
from tests.live.serving import Talk, get, running

OPTIONS: dict[str, Any] = {
    "vehicle": None, "boxes": (), "instruments": None, "script": None, "speed": 600.0, "port": 0,
    "practice": True, "plan": "plan.yaml", "groups": (), "answers": None, "translated": None, "seed": None,
    "board": None, "plant": None, "faults": (),
}  # fmt: skip


def server(**changed: Any) -> LiveServer:
    return bench_live.serve({**OPTIONS, **changed})


@pytest.fixture
def plan(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.chdir(tmp_path)
    return load_plan(made.write(tmp_path))


def search(talk: Talk, fuse: str) -> None:
    """Everything that the page can ask for, up to an answer."""
    talk.ask("clamp", clamp=1, at="battery")
    talk.ask("leads", fuse=fuse)
    talk.ask("inputs", inputs=[{"at": "clamp 1"}, {"at": fuse}])
    talk.ask("record", rate=50)
    talk.ask("view", for_s=60, columns=300)
    for until in ("change", "21:08"):
        talk.ask("wait", until=until)
        talk.state(lambda now: now["waits"] is None)
    talk.picture()
    talk.ask("meter in", range=2, bridged=True)
    talk.ask("door", word="opens")
    talk.ask("pull", fuse=fuse)
    talk.ask("nonsense")
    talk.ask("pull", fuse="nonsense")
    talk.ask("answer", texts={"circuit": fuse, "kind": "pulse"})


def test_nothing_that_a_page_gets_tells_the_answer(plan, capsys) -> None:
    serving = server()
    capsys.readouterr()
    with running(serving):
        for room in serving.rooms:
            path = serving.url(room).split(str(serving.port))[1]
            one = plan.assignment(room.case.group)
            talk = Talk(serving.url(room))
            search(talk, one.fuse)
            told = [message for message in talk.heard if isinstance(message, str)]
            told += [message.decode("latin-1") for message in talk.heard if isinstance(message, bytes)]
            for name in ("", *FILES, "answer.json", f"answer.json?seat={talk.seat}", "paths", "paths.json"):
                _, headers, body = get(serving, path + name)
                told += [json.dumps(headers), body.decode("latin-1")]
            _, headers, body = get(serving, f"{path}recording.csv?seat={talk.seat}")
            told += [json.dumps(headers), body[:200].decode()]
            assert get(serving, path + "paths")[0] == get(serving, path + "paths.json")[0] == 404
            talk.close()
            text = "\n".join(told)
            for other in plan.assignments:
                assert secrets.told(text, secrets.of(plan, other)) == [], room.case.group
            for word in ("splice_name", '"boxes": [{', 'asleep"', "even-pulse", "socket://"):
                assert word not in text
    assert len(serving.seats.seats) == 0


def test_an_answer_is_handed_in_marked_and_its_path_told(plan, tmp_path, capsys) -> None:
    serving = server(groups=("g1",), answers=str(tmp_path / "answers"))
    with running(serving):
        talk = Talk(serving.url(serving.rooms[0]))
        talk.ask("wait", until="21:30")
        talk.state(lambda now: now["waits"] is None)
        talk.ask("pull", fuse="F2")
        talk.ask("back", fuse="F2")
        talk.ask("leads", fuse="F7")
        texts = {
            "circuit": "F7",
            "kind": "pulse",
            "current": "350 mA",
            "duration": "700 ms",
            "interval": "75 s",
        }
        assert "no" in talk.ask("answer", texts={"colour": "red"})
        assert "no" in talk.ask("answer", texts={"circuit": "x" * 121})
        assert "no" not in talk.ask("answer", texts=texts)
        path = serving.url(serving.rooms[0]).split(str(serving.port))[1]
        status, headers, body = get(serving, f"{path}answer.json?seat={talk.seat}")
        assert status == 200
        assert "answer-g1.json" in headers["content-disposition"]
        written = tmp_path / "answers" / "answer-g1.json"
        kept, saved = json.loads(written.read_text()), json.loads(body)
        assert {**kept, "saved": ""} == {**saved, "saved": ""}
        overview = serving.overview_url().split(str(serving.port))[1]
        assert get(serving, overview)[0] == 200
        told = json.loads(get(serving, f"{overview}.json")[2])
        (group,) = told["groups"]
        (student,) = group["students"]
        assert (group["fuse"], student["right"], student["here"]) == ("F7", True, True)
        assert student["path"]["pulled"] == ["F2"]
        talk.close()
    capsys.readouterr()
    assert main.run(["lesson", "mark", "plan.yaml", "--answers", str(written), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    marked = {one["group"]: one for one in document["groups"]}
    assert marked["g1"]["passed"]
    assert marked["g2"]["path"] is None
    taken = marked["g1"]["path"]
    assert taken["at_fuse_s"] >= 1800
    assert taken["answered_s"] >= taken["at_fuse_s"]
    assert (taken["moves"], taken["pulled"], taken["waking"]) == (5, ["F2"], 2)
    assert any("F2" in note for note in marked["g1"]["notes"])


@pytest.mark.parametrize(
    "moves", ["x", [1], [{"do": "pull"}], [{"t_s": "x", "do": "pull"}], [{"t_s": 1e999, "do": "x"}]]
)
def test_moves_that_are_none_are_refused_with_the_file_named(plan, tmp_path, capsys, moves) -> None:
    answer = tmp_path / "answer.json"
    answer.write_text(json.dumps({"group": "g1", "circuit": "F7", "moves": moves}))
    assert main.run(["lesson", "mark", "plan.yaml", "--answers", str(answer)]) == 2
    assert "answer.json" in capsys.readouterr().err


@pytest.mark.parametrize(("groups", "boxes"), [((), 3), (("g2",), 1)])
def test_without_a_group_every_box_on_its_car_is_there(
    plan, groups: tuple[str, ...], boxes: int, capsys
) -> None:
    """As in the lesson: three groups on one car; with --group a group's own alone, the own one first."""
    serving = server(groups=groups)
    capsys.readouterr()
    for room in serving.rooms:
        mine = plan.assignment(room.case.group)
        splices = [one.splice for one in room.case.boxes]
        assert splices[0] == mine.splice
        assert len(set(splices)) == boxes
    serving.seats.close()


@pytest.mark.parametrize(
    ("error", "why"),
    [
        (InputError("the profile has no draw"), "the profile has no draw"),
        (ZeroDivisionError("by \x1b zero"), "a defect of Nightdraw, ZeroDivisionError: by \\x1b zero"),
    ],
)
def test_a_quickest_way_that_fails_is_told_with_its_reason_and_the_others_go_on(
    plan, monkeypatch, error, why
) -> None:
    overview = Overview(plan, [one.group for one in plan.assignments])
    way, first = Overview._way, plan.assignments[0].group

    def fails(self, group):
        if group == first:
            raise error
        return way(self, group)

    monkeypatch.setattr(Overview, "_way", fails)
    overview.work_out()
    rows = overview.document([])["groups"]
    assert (rows[0]["known"], rows[0]["failed"]) == (False, why)
    assert all(row["known"] and row["failed"] is None for row in rows[1:])


def test_the_quickest_way_is_worked_out_for_the_instructor(plan) -> None:
    serving = server(groups=("g2",))
    overview = serving._overview
    assert overview is not None
    assert not overview.document([])["groups"][0]["known"]
    overview.work_out()
    best = overview.document([])["groups"][0]["quickest"]
    assert best["p95_s"] >= best["expected_s"] > 0
    serving.seats.close()


@pytest.mark.parametrize(
    ("changed", "why"),
    [
        ({"plan": None}, "--vehicle"),
        ({"plan": None, "groups": ("g1",)}, "--plan"),
        ({"groups": ("g9",)}, "none of that name"),
        ({"vehicle": "vehicle-1"}, "--vehicle"),
        ({"boxes": ("a@b",)}, "--box"),
        ({"speed": 0.5}, "--speed"),
        ({"speed": 601.0}, "--speed"),
        ({"speed": float("nan")}, "--speed"),
    ],
)
def test_a_call_that_makes_no_sense_is_refused(plan, changed: dict, why: str) -> None:
    with pytest.raises(InputError, match=why):
        server(**changed)


def test_every_move_of_a_path_has_its_text() -> None:
    """The instructor's page tells it in words, which a translation has as well."""
    for name, move in MOVES.items():
        if move.logged:
            assert TEXTS.has(f"paths.move.{name.replace(' ', '_')}"), name
