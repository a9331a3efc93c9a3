"""`nightdraw bench` with a vehicle, as people and scripts call it: documents, statuses, refusals."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from nightdraw.cli import main

FAULT = "sleepless-module@socket"


def call(capsys, *words: str) -> tuple[int, str, str]:
    status = main.run([*words])
    seen = capsys.readouterr()
    return status, seen.out, seen.err


def record(capsys, *words: str) -> tuple[int, str, str]:
    return call(capsys, "bench", "record", "--vehicle", "vehicle-1", *words)


def test_record_answers_with_the_documented_keys(capsys, tmp_path: Path) -> None:
    out = tmp_path / "r.csv"
    words = ("--box", FAULT, "--channel", "battery", "--channel", "F5", "--for", "2 s", "--out", str(out))
    status, text, _ = record(capsys, *words, "--json")
    assert status == 0
    journal = str(tmp_path / "r.journal.jsonl")
    assert json.loads(text) == {
        "recording": str(out), "journal": journal, "samples": 2000, "simulated_s": 2.0,
        "boxes": [{"splice": "socket", "state": "waiting", "began": False, "began_s": None}],
        "charge_end_pct": 85.0, "starts_after": True,
    }  # fmt: skip
    assert out.read_text().splitlines()[0] == "time_s,battery_a,F5_mv"
    assert json.loads(Path(journal).read_text().splitlines()[0])["splice"] == "socket"


def test_two_boxes_have_two_journals(capsys, tmp_path: Path) -> None:
    out = tmp_path / "r.parquet"
    words = ("--box", FAULT, "--box", "tailgate-latch@tailgate", "--for", "1 s", "--out", str(out), "--json")
    status, text, _ = record(capsys, *words)
    assert status == 0
    assert [Path(path).name for path in json.loads(text)["journal"]] == [
        "r.socket.journal.jsonl", "r.tailgate.journal.jsonl",
    ]  # fmt: skip
    assert out.read_bytes()[:4] == b"PAR1"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--box", "sleepless-module@sockt"), "did you mean 'socket'"),
        (("--box", "sleepless-module"), "must be PROFILE@SPLICE"),
        (("--box", FAULT, "--box", FAULT), "there is a box at socket already"),
        (("--channel", "F99"), "no such channel"),
        (("--channel", "F5", "--instruments", "earthed-scope"), "shorts battery positive to ground"),
        (("--channel", "battery", "--channel", "cabin", "--instruments", "workshop"), "clamps: 1"),
        (("--channel", "all", "--instruments", "workshop"), "clamped channels"),
        (("--channel", "F1", "--instruments", "workshop", "--rate", "20kHz"), "at most 10000 Hz"),
        (("--channel", "battery", "--instruments", "laboratory", "--for", "2 d"), "too few"),
        (("--ideal", "--instruments", "workshop"), "exclude each other"),
        (
            ("--vehicle", "vehicle-4", "--box", "sleepless-module@central"),
            "built for 12.6 V, this vehicle has 24",
        ),
        (("--plant", "bench-12v"), "it needs a --box"),
    ],
)
def test_what_cannot_be_is_refused_with_its_reason(capsys, words: tuple[str, ...], said: str) -> None:
    status, out, err = record(capsys, *words)
    assert status == 2
    assert said in err
    assert out == ""


@pytest.mark.parametrize("word", ["--script", "--channel", "--box"])
def test_what_belongs_to_a_vehicle_says_so(capsys, word: str) -> None:
    status, _, err = call(capsys, "bench", "record", word, "x@y")
    assert status == 2
    assert f"{word} needs --vehicle" in err


def test_meter_answers_with_the_documented_keys(capsys) -> None:
    words = ("bench", "meter", "--vehicle", "vehicle-1", "--box", FAULT, "--for", "3 s", "--json")
    status, text, _ = call(capsys, *words)
    assert status == 0
    document = json.loads(text)
    assert list(document) == ["readings", "max_ma", "min_ma", "boxes"]
    assert len(document["readings"]) == 10
    assert set(document["readings"][0]) == {"t_s", "shown_ma"}
    shown = [row["shown_ma"] for row in document["readings"]]
    assert document["min_ma"] <= min(shown) <= max(shown) <= document["max_ma"]


def test_a_meter_reads_a_profile_on_a_battery_alone(capsys, tmp_path: Path) -> None:
    status, text, _ = call(capsys, "bench", "meter", "sleepless-module", "--for", "3 s", "--json")
    assert status == 0
    shown = {row["shown_ma"] for row in json.loads(text)["readings"]}
    assert len(shown) == 1  # the profile's steady 280 mA within the meter's 1 %
    assert abs(shown.pop() - 280) <= 3.8
    path = tmp_path / "p.yaml"
    path.write_text("profile: p\nlimits: {supply_min: 22 V, supply_max: 29 V}\ndraws: [{steady: 280 mA}]\n")
    words = ("bench", "meter", str(path), "--board", "workshop-24v", "--for", "3 s", "--json")
    status, text, _ = call(capsys, *words)
    assert status == 0
    assert abs(json.loads(text)["readings"][-1]["shown_ma"] - 280) <= 7  # 2 % of a level, 1 % of the meter
    for words, said in (
        ((), "a profile is needed"),
        (("sleepless-module", "--script", "class-morning"), "--script needs --vehicle"),
        (("sleepless-module", "--vehicle", "vehicle-1"), "named with --box"),
    ):
        status, _, err = call(capsys, "bench", "meter", *words)
        assert status == 2
        assert said in err


def test_a_millivolt_meters_extremes_are_among_its_readings(capsys) -> None:
    words = ("bench", "meter", "tailgate-latch", "--channel", "F1", "--for", "90 s", "--json")
    status, text, _ = call(capsys, *words)
    assert status == 0
    document = json.loads(text)
    shown = [row["shown_mv"] for row in document["readings"]]
    assert (document["min_mv"], document["max_mv"]) == (min(shown), max(shown))


@pytest.mark.parametrize("words", [("rear",), ("all",), ("F77",), ("F1", "--range", "10 A")])
def test_a_meter_is_put_in_the_batterys_cable_or_across_a_fuse(capsys, words: tuple[str, ...]) -> None:
    status, _, err = call(
        capsys, "bench", "meter", "--vehicle", "vehicle-1", "--for", "9 s", "--channel", *words
    )
    assert status == 2
    assert "in line" in err or "cable or across a fuse" in err


def test_a_meter_is_never_in_line_with_a_running_engine(capsys) -> None:
    words = ("bench", "meter", "--vehicle", "vehicle-1", "--script", "class-morning", "--for", "3 s")
    status, _, err = call(capsys, *words)
    assert status == 2
    assert "never in line while the engine" in err


@pytest.mark.parametrize("suffix", [".png", ".svg"])
def test_view_draws_recordings_and_profiles_alike_each_time(capsys, tmp_path: Path, suffix: str) -> None:
    out = tmp_path / "r.csv"
    assert record(capsys, "--channel", "all", "--for", "20 s", "--rate", "100Hz", "--out", str(out))[0] == 0
    pictures = []
    for k in (1, 2):
        picture = tmp_path / f"p{k}{suffix}"
        status, text, _ = call(capsys, "bench", "view", str(out), "--out", str(picture), "--json")
        assert status == 0
        told = json.loads(text)
        assert told["plot"] == str(picture)
        assert 0 < told["drawn"] <= told["samples"]
        pictures.append(picture.read_bytes())
    assert pictures[0] == pictures[1]
    assert pictures[0].startswith(b"\x89PNG" if suffix == ".png" else b"<?xml")


def test_view_draws_the_coming_hour_of_a_profile(capsys, tmp_path: Path) -> None:
    from nightdraw import data

    picture = tmp_path / "p.svg"
    words = ("bench", "view", str(data.profile_path("tailgate-latch")), "--out", str(picture))
    assert call(capsys, *words)[0] == 0
    assert picture.stat().st_size > 1000


def test_view_draws_a_window(capsys, tmp_path: Path) -> None:
    """A window's picture is the picture of a recording that has nothing else, but for its time axis."""
    out = tmp_path / "r.csv"
    assert record(capsys, "--box", FAULT, "--for", "20 s", "--rate", "100Hz", "--out", str(out))[0] == 0
    for words in ((), ("--from", "5 s", "--for", "2 s"), ("--from", "19 s"), ("--for", "50 s")):
        picture = tmp_path / "p.svg"
        assert call(capsys, "bench", "view", str(out), *words, "--out", str(picture))[0] == 0
    wrong = (("--from", "20 s", 3, "fewer than two samples"), ("--for", "0 s", 2, "more than nothing"))
    for word, value, status, message in wrong:
        found, _, err = call(capsys, "bench", "view", str(out), word, value)
        assert found == status
        assert message in err


def test_view_of_nothing_is_an_error(capsys, tmp_path: Path) -> None:
    status, _, err = call(capsys, "bench", "view", str(tmp_path / "none.csv"))
    assert status == 2
    assert "none.csv" in err


def test_findable_answers_with_the_documented_keys(capsys) -> None:
    words = ("bench", "findable", "--profile", "tailgate-latch", "--vehicle", "vehicle-2", "--json")
    status, text, _ = call(capsys, *words, "--splice", "tailgate", "--seed", "5")
    assert status == 0
    document = json.loads(text)
    assert list(document)[:3] == ["methods", "difficulty", "reasons"]
    assert {"method", "shows", "why", "settings", "expected_s", "p95_s"} <= set(document["methods"][0])


def test_figures_with_a_vehicle_have_the_batterys_keys(capsys) -> None:
    from nightdraw import data

    file = str(data.profile_path("sleepless-module"))
    status, text, _ = call(
        capsys, "profile", "figures", file, "--vehicle", "vehicle-3", "--for", "3h", "--json"
    )
    assert status == 0
    document = json.loads(text)
    assert document["charge_start_pct"] == 65
    # 280 + 12.05 mA for 3 h of 55 Ah, and some self-discharge
    drawn_pct = 100 * 0.29205 * 3 / 55
    assert drawn_pct < document["charge_start_pct"] - document["charge_end_pct"] < drawn_pct + 0.05
    assert document["starts_after"] is True
    assert 0 < document["days_to_no_start"] < 2
    assert not any("60 Ah" in said or "full at first" in said for said in document["assumptions"])
    words = ("profile", "figures", file, "--vehicle", "vehicle-3", "--battery", "20Ah", "--json")
    status, text, err = call(capsys, *words)
    assert json.loads(text)["days_to_no_start"] == document["days_to_no_start"]
    assert "--battery doesn't count with --vehicle" in err
    status, _, err = call(capsys, "profile", "figures", file, "--for", "3h")
    assert status == 2
    assert "--for needs --vehicle" in err


def _listens() -> None:
    """What a shell has told this test to ignore (it runs in the background) its child shall hear."""
    for name in ("SIGTERM", "SIGHUP", "SIGINT"):
        signal.signal(getattr(signal, name), signal.SIG_DFL)


@pytest.mark.skipif(sys.platform == "win32", reason="Windows ends a process without asking it")
@pytest.mark.parametrize("number", ["SIGTERM", "SIGHUP", "SIGINT"])
def test_who_is_told_to_end_leaves_nothing_half_written(tmp_path: Path, number: str) -> None:
    command = [sys.executable, "-m", "nightdraw", "bench", "record", "--vehicle", "vehicle-1", "--box", FAULT]
    with subprocess.Popen(
        [*command, "--for", "30 d", "--out", "r.csv"],
        cwd=tmp_path,
        stderr=subprocess.PIPE,
        preexec_fn=_listens,
    ) as running:
        assert running.stderr is not None
        while not list(tmp_path.glob("*.part")):
            assert running.stderr.read(1)  # it says how far it is
        running.send_signal(getattr(signal, number))
        running.stderr.read()
        assert running.wait() == 130
    assert list(tmp_path.iterdir()) == []
