"""README as a newcomer follows it: every block is run in its order, and what it shows is what comes out.

A block of commands (sh) may be followed by a block of what they print (text): the real output, where `...`
stands for whatever is left out. Beyond the words, each section's own test looks at what the reader is to see:
pulses, verdicts, pictures.
"""

from __future__ import annotations

import contextlib
import functools
import gzip
import io
import json
import re
import shlex
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from matplotlib import image
from nightdraw.bench.serve import Server
from nightdraw.bench.setup import build
from nightdraw.cli import main
from nightdraw.link import open_box

from tests import tidy

README = (tidy.TOP / "README.md").read_text("utf-8")
SECTION = re.compile(r"^##+ (.*)$", re.MULTILINE)
BLOCK = re.compile(r"^```(\w*)\n(.*?)^```$", re.DOTALL | re.MULTILINE)
STATUS = re.compile(r"#.*exit status (\d+)")
LIMIT_S = 120
LESSON_S = 12 * 60  # how long the served box is left alone once it is armed: 9 min of its run


@dataclass(frozen=True)
class Block:
    """Some commands, and what README says that they print (None: nothing is said)."""

    commands: list[str]
    shown: str | None


@dataclass
class Ran:
    """What came out of a section: each command's standard output, and each block's."""

    folder: Path
    out: dict[str, str] = field(default_factory=dict)
    blocks: list[tuple[Block, str]] = field(default_factory=list)

    def said(self, start: str) -> str:
        """What the one command that begins so printed."""
        (text,) = (out for command, out in self.out.items() if command.startswith(start))
        return text


def fenced() -> list[tuple[str, str, str]]:
    """Every fenced block of README: its section, its language, its text."""
    heads = [(found.start(), found[1]) for found in SECTION.finditer(README)]
    return [
        (next(name for at, name in reversed(heads) if at < found.start()), found[1], found[2])
        for found in BLOCK.finditer(README)
    ]


def blocks(section: str) -> list[Block]:
    """The blocks of commands of one section, each with the output pasted beneath it."""
    found: list[Block] = []
    for name, language, text in fenced():
        if name == section and language == "sh":
            found.append(Block(text.strip().splitlines(), None))
        elif name == section and language == "text":
            found[-1] = Block(found[-1].commands, text)
    return found


def call(command: str, extra: tuple[str, ...] = ()) -> str:
    """Run one `nightdraw` command here; returns its standard output. Its exit status must be as promised."""
    promised = STATUS.search(command)
    seen = io.StringIO()
    errors = io.StringIO()
    with contextlib.redirect_stdout(seen), contextlib.redirect_stderr(errors):
        status = main.run([*shlex.split(command, comments=True)[1:], *extra])
    wanted = int(promised[1]) if promised else 0
    assert status == wanted, (
        f"{command}: status {status}\n{seen.getvalue()[-1500:]}{errors.getvalue()[-1500:]}"
    )
    return seen.getvalue()


def run(section: str, folder: Path) -> Ran:
    """Run a section's commands in `folder`, in README's order."""
    done = Ran(folder)
    with contextlib.chdir(folder):
        for block in blocks(section):
            for command in block.commands:
                done.out[command] = call(command)
            done.blocks.append((block, "".join(done.out[command] for command in block.commands)))
    return done


def hold(ran: Ran) -> None:
    """What README shows is what came out."""
    for block, out in ran.blocks:
        if block.shown is not None:
            kept = [re.escape(part) for part in re.split(r"\.\.\.\n?", block.shown)]
            same = re.fullmatch(".*".join(kept), out, re.DOTALL)
            assert same, f"README shows\n{block.shown}\nnow\n{out}"


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder as README's reader has it: the files that README tells to save."""
    folder = tmp_path_factory.mktemp("desk")
    for _, language, text in fenced():
        if language == "yaml":
            (folder / text.split()[1]).write_text(text, "utf-8")
    return folder


@functools.cache
def lesson(folder: Path) -> Ran:
    return run("A first lesson", folder)


@functools.cache
def vehicle(folder: Path) -> Ran:
    return run("In a vehicle", folder)


def test_every_block_is_run() -> None:
    assert {(name, language) for name, language, _ in fenced()} == {
        ("Two commands", "sh"),  # the next test, tests/test_run.py and .ci/run
        ("A first lesson", "yaml"),
        *(
            (name, language)
            for name in ("A first lesson", "In a vehicle", "With a box")
            for language in ("sh", "text")
        ),
        ("Practise in the browser", "sh"),
        ("Hand out, mark, keep", "text"),  # not run: held to the commands' own help
        ("Recordings of your own", "sh"),
        ("From your own scripts", "python"),
        ("Your own box", "sh"),
    }


def test_what_is_shown_and_not_run_is_a_command_with_these_options() -> None:
    (text,) = (
        text for name, language, text in fenced() if (name, language) == ("Hand out, mark, keep", "text")
    )
    for command in text.strip().splitlines():
        words = shlex.split(command, comments=True)
        told = call(shlex.join([*words[:3], "--help"]))
        assert {word for word in words if word.startswith("--")} <= set(re.findall(r"--[a-z-]+", told)), (
            command
        )


def test_the_readme_leads_with_the_two_commands() -> None:
    (first,) = blocks("Two commands")
    assert [line.split("#")[0].strip() for line in first.commands] == [
        "python run.py demo",
        "python run.py test",
    ]


def test_the_lesson_shows_its_fault(desk: Path) -> None:
    ran = lesson(desk)
    hold(ran)
    assert "days" in ran.said("nightdraw profile figures")
    measured = json.loads(ask(desk, "capture pulses seen.csv"))
    assert len(measured["pulses"]) == 8  # ten minutes, one every 75 s
    assert measured["period_s"] == pytest.approx(75, abs=0.01)
    assert all(pulse["level_ma"] == pytest.approx(350, abs=5) for pulse in measured["pulses"])
    briefing, key = ((desk / name).read_text("utf-8") for name in ("briefing.html", "key.html"))
    assert "no longer starts" in briefing
    assert "350 mA" in key
    assert "350" not in briefing, "the class isn't told the answer"
    sound = json.loads(ask(desk, "capture compare --profile my-fault.yaml --recording seen.csv"))
    assert (sound["agree"], sound["differences"]) == (True, [])


def test_a_broken_switch_is_named(desk: Path) -> None:
    said = lesson(desk).said("nightdraw capture compare --profile my-fault.yaml --journal broken")
    assert "channel 7 is open" in said
    assert "the accounts differ" in said


def ask(folder: Path, command: str) -> str:
    """A question of the test's own, as JSON."""
    with contextlib.chdir(folder):
        return call(f"nightdraw {command}", ("--json",))


def test_the_vehicle_shows_the_fault(desk: Path) -> None:
    lesson(desk)
    ran = vehicle(desk)
    hold(ran)
    measured = json.loads(ask(desk, "capture pulses morning.csv --channel F7"))
    # The run begins at 3 min; the fuse is out from 12.5 to 14 min, and the box waits for three minutes again.
    starts = [180 + 75 * k for k in range(1, 8)] + [1020, 1095, 1170]
    assert [pulse["start_s"] for pulse in measured["pulses"]] == pytest.approx(starts, abs=0.01)
    accounts = "--profile my-fault.yaml --journal morning.journal.jsonl --recording morning.csv"
    compared = json.loads(ask(desk, f"capture compare {accounts} --channel F7"))
    assert compared["agree"] is True
    named = json.loads(ask(desk, "capture culprit morning.csv --current battery --fuses F2:15A,F7:10A"))
    assert named["culprit"] == "F7"


def tall_bars(path: Path) -> list[int]:
    """Where a picture of three channels has upright strokes in the lowest one: columns, from the left."""
    picture = np.asarray(image.imread(path))[:, :, :3]
    lower = picture[2 * len(picture) // 3 :]
    orange = (lower[:, :, 0] > 0.6) & (lower[:, :, 1] < 0.45) & (lower[:, :, 2] < 0.2)
    tall = orange.sum(axis=0) > 0.25 * len(lower)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], tall.astype(int), [0]))))
    return [int(first + last) // 2 for first, last in zip(edges[::2], edges[1::2], strict=True)]


def test_the_picture_has_the_fault_in_it(desk: Path) -> None:
    lesson(desk)
    vehicle(desk)
    bars = np.array(tall_bars(desk / "morning.png"))
    # 8:00, 9:15, 10:30 and 11:45; the fuse out at 12:30 and in at 14:00; then 17:00 and 18:15
    minutes = np.array([8.01, 9.26, 10.51, 11.76, 12.5, 14.0, 17.01, 18.26])
    assert len(bars) == len(minutes), bars
    slope, offset = np.polyfit(minutes, bars, 1)
    assert np.abs(bars - (slope * minutes + offset)).max() <= 3  # pixels of more than a hundred a minute
    page = (desk / "morning.html").read_text("utf-8")
    assert "F7" in page


def clamp_recording(
    seconds: float = 60.0, rate: float = 1000.0
) -> tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]:
    """A clamp's instants and milliamperes: 40 mA, and 350 mA more for 0.7 s every 10 s from 5 s on."""
    t_s = np.arange(int(seconds * rate)) / rate
    on = (t_s >= 5) & ((t_s - 5) % 10 < 0.7)
    return t_s, 40 + 350.0 * on + np.random.default_rng(1).normal(0, 0.3, len(t_s))


def make_recordings(folder: Path) -> None:
    """The files of "Recordings of your own", as five recorders would have written them."""
    t_s, ma = clamp_recording()
    rows = zip(t_s, -ma / 10, strict=True)  # 100 mV/A, the wrong way round
    (folder / "clamp.csv").write_text(
        "time (s),clamp (mV)\n" + "".join(f"{t:.3f},{mv:.4f}\n" for t, mv in rows)
    )
    with gzip.open(folder / "samples.csv.gz", "wt") as file:
        file.write("current (mA)\n" + "".join(f"{one:.2f}\n" for one in ma))
    with (folder / "export.csv").open("w") as file:
        file.write("Zeit;Strom\n;mA\n")
        for t, one in zip(t_s[::10], ma[::10], strict=True):
            file.write(f"03.04.2027 10:00:{t:06.3f};".replace(".", ",", 3).replace(",", ".", 2))
            file.write(f"{one:.2f}\n".replace(".", ","))
    day_s = np.arange(0, 24 * 3600, 0.05)
    on = (day_s + 30) % 60 < 0.7
    table = {"time_s": day_s, "battery_a": 0.04 + 0.35 * on}
    pq.write_table(pa.table(table), folder / "day.parquet")
    for name, fuses in (("one.csv", ("F1", "F2")), ("two.csv", ("F3", "F4"))):
        drops = {fuse: ma * 0.0077 if fuse == "F3" else np.zeros(len(ma)) for fuse in fuses}
        noise = np.random.default_rng(2)
        with (folder / name).open("w") as file:
            file.write("time (s),clamp (mA)," + ",".join(f"{fuse} (mV)" for fuse in fuses) + "\n")
            for k, t in enumerate(t_s):
                cells = (f"{drops[fuse][k] + noise.normal(0, 0.005):.4f}" for fuse in fuses)
                file.write(f"{t:.3f},{ma[k]:.2f},{','.join(cells)}\n")
    rows = zip(t_s, ma, strict=True)
    (folder / "real-fault.csv").write_text(
        "time (s),current (mA)\n" + "".join(f"{t:.3f},{i:.2f}\n" for t, i in rows)
    )


def test_recordings_of_ones_own_are_read(tmp_path: Path) -> None:
    make_recordings(tmp_path)
    ran = run("Recordings of your own", tmp_path)
    hold(ran)
    for file, count, off in (
        ("clamp.csv", 6, 2),
        ("samples.csv.gz", 6, 2),
        ("export.csv", 6, 2),
        ("day.parquet", 10, 2),
    ):
        said = ran.said(f"nightdraw capture pulses {file}")
        assert f"{count} pulses" in said.splitlines()[0], said
        (level,) = re.findall(rf"^kind: {count} of ([\d.]+) mA", said, re.MULTILINE)
        assert float(level) == pytest.approx(350, abs=off)
    assert ran.said("nightdraw capture culprit").startswith("F3 carries the draw")
    assert "it follows the recording" in ran.said("nightdraw capture replay")
    assert json.loads(ask(tmp_path, "profile check real-fault.yaml"))["ok"] is True


def test_the_boards_that_ship_pass_their_checks(tmp_path: Path) -> None:
    ran = run("Your own box", tmp_path)
    hold(ran)
    assert all(re.search("^ok", said, re.MULTILINE) for said in ran.out.values()), "each ends in a verdict"
    for level in ("15 mA", "40 mA", "350 mA"):
        assert level in ran.said("nightdraw bank size")


def test_the_vehicle_on_a_page_is_served(desk: Path) -> None:
    lesson(desk)
    [[command]] = [block.commands for block in blocks("Practise in the browser")]
    words = [sys.executable, "-m", *shlex.split(command)]
    process = subprocess.Popen(words, cwd=desk, stdout=subprocess.PIPE, text=True)
    try:
        first = json.loads(process.stdout.readline())
        assert [box["splice"] for box in first["boxes"]] == ["tailgate"]
        assert b"my-fault" not in urllib.request.urlopen(first["url"], timeout=LIMIT_S).read()
    finally:
        process.terminate()
    assert (process.communicate(timeout=LIMIT_S), process.returncode) == (("", None), 0)


@pytest.fixture
def served() -> Iterator[str]:
    """The address of a simulated box, served in a thread."""
    with Server(build(None, None, ()).world()).running() as server:
        yield server.address


def clamp_until_halted(folder: Path) -> None:
    """What a clamp saw of the box's run: the bench's own run of the same profile, noise and all, and from the
    halt on the 11 mA that the box draws itself instead of the steady level."""
    journal = [json.loads(line) for line in (folder / "did.jsonl").read_text("utf-8").splitlines()]
    halted_s = next(record["t_s"] for record in reversed(journal) if record["kind"] == "halt")
    t_s, seen_a = np.loadtxt(folder / "seen.csv", delimiter=",", skiprows=1).T
    after = t_s >= halted_s
    assert seen_a[after].max() < 0.05, "halted between two pulses"
    seen_a[after] += 0.011 - seen_a[after].mean()
    columns = np.column_stack([t_s, seen_a])
    np.savetxt(
        folder / "clamp.csv",
        columns,
        fmt=["%.3f", "%.6f"],
        delimiter=",",
        header="time_s,current_a",
        comments="",
    )


def test_the_commands_for_a_box_work_in_their_order(desk: Path, served: str) -> None:
    lesson(desk)
    (block,) = blocks("With a box")
    out = []
    with contextlib.chdir(desk):
        for command in block.commands:
            names_box = command.startswith("nightdraw box") and not command.startswith("nightdraw box find")
            out.append(call(command, ("--box", served) if names_box else ()))
            if command.startswith("nightdraw box arm"):
                with open_box(served) as box:
                    box.advance(LESSON_S)
            if command.startswith("nightdraw box journal"):
                clamp_until_halted(desk)
    hold(Ran(desk, blocks=[(block, "".join(out))]))
    accounts = "--profile my-fault.yaml --journal did.jsonl"
    for more in ("", " --recording clamp.csv"):
        compared = json.loads(ask(desk, f"capture compare {accounts}{more}"))
        assert (compared["agree"], compared["differences"]) == (True, []), "a halt is no difference"


def test_the_script_of_the_readme_runs(desk: Path, served: str) -> None:
    (script,) = (text for _, language, text in fenced() if language == "python")
    assert "127.0.0.1::5025" in script
    script = script.replace("5025", served.rpartition(":")[2])
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, timeout=LIMIT_S, check=False
    )
    assert done.returncode == 0, done.stderr
    identity, volts, amperes, error = done.stdout.splitlines()
    assert identity.count(",") == 3
    assert float(volts.removesuffix(" V")) == pytest.approx(12.6, abs=0.2)
    assert float(amperes.removesuffix(" A")) == pytest.approx(0.25, rel=0.02)
    assert error == '0,"No error"'


def test_what_is_shown_is_held_to_what_comes_out() -> None:
    """The rule itself: a number that has changed is noticed, what is left out isn't."""
    block = Block([], "base 40.6 mA, 8 pulses\n...\nthe accounts agree\n")
    hold(Ran(Path(), blocks=[(block, "base 40.6 mA, 8 pulses\nx\ny\nthe accounts agree\n")]))
    with pytest.raises(AssertionError, match="README shows"):
        hold(Ran(Path(), blocks=[(block, "base 40.6 mA, 7 pulses\nx\ny\nthe accounts agree\n")]))
