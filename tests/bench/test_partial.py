"""A result under way never touches a file that somebody else has, and leaves nothing where it can't be
written."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

import pytest
from nightdraw import data
from nightdraw.cli import main
from nightdraw.outputs import partial


def test_each_has_a_name_that_nobody_has(tmp_path: Path) -> None:
    (tmp_path / "r.csv.0.part").write_text("mine")
    names = [partial(tmp_path / "r.csv").name for _ in range(3)]
    assert names == ["r.csv.1.part", "r.csv.2.part", "r.csv.3.part"]
    assert (tmp_path / "r.csv.0.part").read_text() == "mine"


@pytest.mark.parametrize("name", ["r.csv.part", "r.csv.0.part", "r.journal.jsonl.0.part"])
@pytest.mark.parametrize("vehicle", [(), ("--vehicle", "vehicle-1")])
def test_a_file_with_a_temporary_name_stays_as_it_is(
    tmp_path: Path, name: str, vehicle: tuple[str, ...]
) -> None:
    mine = tmp_path / name
    mine.write_bytes(data.profile_path("sleepless-module").read_bytes())
    what = ("--box", f"{mine}@socket") if vehicle else (str(mine),)
    words = ["bench", "record", *vehicle, *what, "--for", "1 s", "--out", str(tmp_path / "r.csv")]
    assert main.run(words) == 0
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([name, "r.csv", "r.journal.jsonl"])
    assert mine.read_bytes() == data.profile_path("sleepless-module").read_bytes()


ALONE = ("hung-door-module",)
IN_VEHICLE = ("--vehicle", "vehicle-1", "--box", "hung-door-module@socket")
LONG = ("--for", "10min", "--rate", "10kHz")


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no limit of a file's size")
@pytest.mark.parametrize(
    ("name", "what"),
    [("r.csv", ALONE), ("r.csv", IN_VEHICLE), ("r.parquet", IN_VEHICLE)],
    ids=["alone", "vehicle", "parquet"],
)
def test_a_full_disk_is_told_with_the_file_and_leaves_nothing(
    tmp_path: Path, name: str, what: tuple[str, ...]
) -> None:
    """A limit of the file's size stands in for a disk without room: writing and closing fail alike."""
    import resource

    done = subprocess.run(
        [sys.executable, "-m", "nightdraw", "bench", "record", *what, *LONG, "--out", name], cwd=tmp_path,
        capture_output=True, text=True, check=False, timeout=300,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000)),
    )  # fmt: skip
    assert done.returncode == 2
    assert f"{name}: can't be written" in done.stderr
    assert "nothing of it was kept" in done.stderr
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(sys.platform == "win32", reason="Windows ends a process without asking it")
def test_an_interrupted_recording_is_named(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "nightdraw", "bench", "record", *IN_VEHICLE, "--for", "30 d"]
    with subprocess.Popen(
        [*command, "--out", "r.csv"], cwd=tmp_path, stderr=subprocess.PIPE, text=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    ) as running:  # fmt: skip
        assert running.stderr is not None
        while not list(tmp_path.glob("*.part")):
            assert running.stderr.read(1)
        running.send_signal(signal.SIGINT)
        said = running.stderr.read()
        assert running.wait() == 130
    assert "interrupted; r.csv was not written" in said
    assert list(tmp_path.iterdir()) == []
