"""`nightdraw box install`, `files` and `image` as called: on a fake board, into a folder, into a file."""

from __future__ import annotations

import hashlib
import json
import random
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from nightdraw import __version__, data
from nightdraw.bench.serve import Server
from nightdraw.bench.setup import build
from nightdraw.cli import main
from nightdraw.link import deploy, firmware, open_box, probe, reach, uf2

from tests.box.board import Board
from tests.box.test_image import boot_loader, micropython, on_flash

Call = Callable[..., tuple[int, Any, str]]


@pytest.fixture
def call(capsys: pytest.CaptureFixture[str]) -> Call:
    """Run a command with --json; returns status, document, standard error."""

    def run(*words: str) -> tuple[int, Any, str]:
        status = main.run(["box", *words, "--json"])
        seen = capsys.readouterr()
        return status, json.loads(seen.out), seen.err

    return run


@pytest.fixture
def board(tmp_path: Path) -> Iterator[Board]:
    (tmp_path / "board").mkdir()
    made = Board(tmp_path / "board")
    yield made
    made.pull()


@pytest.fixture
def other(tmp_path: Path) -> str:
    """Another board file: without a power monitor."""
    path = tmp_path / "other.yaml"
    text = data.board_path().read_text("utf-8")
    path.write_text(
        text.replace("board: bench-12v", "board: mine").replace("current: monitor", "current: none")
    )
    return str(path)


def hashes(folder: Path) -> dict[str, str]:
    """SHA-256 of every file below a folder, but for what a box itself writes."""
    found = {path.relative_to(folder).as_posix(): path for path in folder.rglob("*") if path.is_file()}
    return {
        name: hashlib.sha256(path.read_bytes()).hexdigest()
        for name, path in found.items()
        if not name.startswith("data/")
    }


def test_install_makes_a_box_and_files_writes_the_same(call, board, other, tmp_path):
    status, document, said = call("install", "--box", board.plug())
    assert status == 0, said
    assert all(set(file) == {"name", "sha256", "bytes"} for file in document["files"])
    assert hashes(board.folder) == {file["name"]: file["sha256"] for file in document["files"]}
    with open_box(board.name) as box:
        assert box.facts().board == "bench-12v"
    status, again, _ = call("install", "--box", board.name)
    assert (status, again) == (0, document)
    status, written, _ = call("files", str(tmp_path / "folder"))
    assert (status, written) == (0, document)
    assert hashes(tmp_path / "folder") == hashes(board.folder)
    status, changed, _ = call("install", "--board", other, "--box", board.name)
    assert status == 0
    differing = [a["name"] for a, b in zip(changed["files"], document["files"], strict=True) if a != b]
    assert differing == ["board.json", "SHA256SUMS"]
    with open_box(board.name) as box:
        assert box.facts().board == "mine"
        assert not box.has_monitor()


def test_the_only_box_needs_no_name(call, board, monkeypatch):
    from nightdraw.link.ports import Port

    port = Port(board.plug(), (0x2E8A, 0x0005), "e660583883000001")
    monkeypatch.setattr("nightdraw.link.ports.serial_ports", lambda: [port])
    monkeypatch.setattr("nightdraw.link.find.Surroundings.ports", staticmethod(lambda: [port]), raising=False)
    monkeypatch.setattr("nightdraw.link.find.Surroundings.candidates", lambda self: [port])
    assert call("install")[0] == 0
    status, found, _ = call("find")
    assert status == 0
    assert found == {
        "boxes": [
            {
                "address": board.name,
                "identity": f"NIGHTDRAW,bench-12v,e660583883000001,{__version__}",
                "firmware": __version__,
                "locked": False,
            }
        ]
    }


def test_words_for_people(board, capsys):
    assert main.run(["box", "install", "--box", board.plug()]) == 0
    assert "files written, 0 removed; bench-12v e660583883000001 answers" in capsys.readouterr().out
    assert main.run(["box", "install", "--box", board.name]) == 0
    assert "up to date" in capsys.readouterr().out


def test_a_locked_box_is_not_opened_by_an_installation(call, board):
    assert call("install", "--box", board.plug())[0] == 0
    with open_box(board.name) as box:
        box.set_passcode("a passcode", 1 << 10)
        box.lock()
    status, document, _ = call("install", "--box", board.name)
    assert status == 2
    assert "locked" in document["errors"][0]["message"]
    assert "nightdraw box unlock" in document["errors"][0]["hint"]


def test_a_box_that_does_not_start_is_told(call, board, monkeypatch):
    """On the real board; the fake one says another platform."""
    monkeypatch.setattr(deploy, "PLATFORM", "linux")
    monkeypatch.setattr(deploy, "PROCESSOR", "")
    record = board.folder / "fault.txt"
    record.write_bytes(b"Traceback (most recent call last):\nOSError: of last week\n")

    was_there = []

    def leave(prompt):
        was_there.append(record.exists())
        record.write_bytes(
            b"Traceback (most recent call last):\n  File 'x'\nValueError: \x1b[2J a pin twice\n"
        )
        prompt.close()
        return probe.Heard(probe.PROMPT)

    monkeypatch.setattr("nightdraw.link.reach.leave", leave)
    status, document, said = call("install", "--box", board.plug(boot=False))
    assert status == 2
    assert was_there[0] is False  # so what is told is of this start
    assert "the box had fallen to its prompt: OSError: of last week" in said
    message = document["errors"][0]["message"]
    assert "the files are in place, but the box doesn't start: ValueError: " in message
    assert message.endswith(" a pin twice")
    assert "\x1b" not in message


@pytest.mark.parametrize("record", [None, b"", b"\xff\xfe not text", b"\n\n"])
def test_a_record_that_says_nothing_is_not_told(board, record):
    if record is not None:
        (board.folder / "fault.txt").write_bytes(record)
    with reach.enter(board.plug(boot=False)) as prompt:
        assert reach.fault(prompt) == ""
        reach.forget_fault(prompt)
    assert not (board.folder / "fault.txt").exists()


# -- a folder


def _not_compiled(*_: object) -> Any:
    raise AssertionError("it was compiled")


def test_what_cannot_be_served_is_refused_before_anything_is_compiled(call, board, monkeypatch):
    name = board.plug()
    assert call("install", "--box", name)[0] == 0
    with open_box(name) as box:
        box.level(50_000)
    monkeypatch.setattr(firmware, "build", _not_compiled)
    with Server(build().world()).running() as server:
        for address, said in ((server.address, "simulated box"), (name, "at work")):
            status, document, _ = call("install", "--box", address)
            assert (status, said in document["errors"][0]["message"]) == (2, True), document


def test_a_box_that_cannot_take_it_goes_on_with_what_it_has(call, board, other, monkeypatch):
    name = board.plug()
    assert call("install", "--box", name)[0] == 0
    monkeypatch.setattr(deploy, "SPARE_BYTES", 1 << 50)
    status, document, _ = call("install", "--board", other, "--box", name)
    assert (status, "free" in document["errors"][0]["message"]) == (2, True)
    with open_box(name) as box:
        assert box.facts().board == "bench-12v"


def test_a_folder_is_renewed_and_holds_nothing_old(call, other, tmp_path):
    folder = tmp_path / "sub" / "folder"
    assert call("files", str(folder))[0] == 0
    listed = firmware.with_list([firmware.BoardFile("boxcore/gone.mpy", b"x")])
    (folder / "boxcore/gone.mpy").write_bytes(b"x")
    (folder / "SHA256SUMS").write_bytes(listed[-1].data + (folder / "SHA256SUMS").read_bytes())
    status, document, _ = call("files", str(folder), "--board", other)
    assert status == 0
    assert hashes(folder) == {file["name"]: file["sha256"] for file in document["files"]}


@pytest.mark.parametrize("name", ["notes.txt", "boxcore/box.py"])
def test_a_folder_with_anything_of_others_is_left_alone(call, tmp_path, name):
    path = tmp_path / name
    path.parent.mkdir(exist_ok=True)
    path.write_text("mine")
    status, document, _ = call("files", str(tmp_path))
    assert status == 2
    assert name in document["errors"][0]["message"]
    assert [found for found in tmp_path.rglob("*") if found.is_file()] == [path]


def test_the_list_is_what_sha256sum_reads(call, tmp_path):
    assert call("files", str(tmp_path / "f"))[0] == 0
    lines = (tmp_path / "f" / "SHA256SUMS").read_text("ascii").splitlines()
    for line in lines:
        digest, name = line.split("  ")
        assert hashlib.sha256((tmp_path / "f" / name).read_bytes()).hexdigest() == digest
    assert "main.py" in {line[66:] for line in lines}


def test_no_folder_over_a_file(call, tmp_path):
    (tmp_path / "f").write_text("x")
    assert call("files", str(tmp_path / "f"))[0] == 2


# -- an image


def test_an_image_for_drag_and_drop(call, tmp_path):
    source, out = tmp_path / "m.uf2", tmp_path / "box.uf2"
    source.write_bytes(micropython(text=b"MicroPython v1.28.0 on 2026-04-06; A Board with RP2040\0"))
    status, document, said = call("image", "--micropython", str(source), "--out", str(out))
    assert (status, said) == (0, "")
    flash = bytearray(1 << 21)
    boot_loader(flash, out.read_bytes())
    found = {name: hashlib.sha256(content).hexdigest() for name, content in on_flash(flash).items()}
    assert found == {file["name"]: file["sha256"] for file in document["files"]}
    assert uf2.read(source.read_bytes(), "m").items() <= uf2.read(out.read_bytes(), "b").items()


def test_an_image_of_unknown_micropython_is_made_and_told(call, tmp_path):
    source = tmp_path / "m.uf2"
    source.write_bytes(micropython())
    status, _, said = call("image", "--micropython", str(source), "--out", str(tmp_path / "o.uf2"))
    assert status == 0
    assert "can't be told" in said


def test_an_image_never_replaces_its_source(call, tmp_path):
    source = tmp_path / "m.uf2"
    source.write_bytes(micropython())
    assert call("image", "--micropython", str(source), "--out", str(source))[0] == 2
    assert source.read_bytes() == micropython()
    status, document, _ = call("image", "--micropython", str(tmp_path / "none"), "--out", str(tmp_path / "o"))
    assert (status, document["errors"][0]["file"]) == (2, str(tmp_path / "none"))


@pytest.mark.parametrize("pulls", [1, pytest.param(5, marks=pytest.mark.campaign)])
def test_a_cable_pulled_anywhere_is_told_in_words_and_mended(call, board, seed, pulls):
    """The whole firmware, from an empty board; the next run goes on where this one ended."""
    chance = random.Random(seed)
    assert call("install", "--box", board.plug(boot=False))[0] == 0
    total = board.heard
    for at in [30, *(chance.randrange(1, total) for _ in range(pulls))]:
        for path in [path for path in board.folder.rglob("*") if path.is_file()]:
            path.unlink()
        status, document, _ = call("install", "--box", board.plug(pull_at=at, boot=False))
        assert status == 2, f"pulled at byte {at} of {total}"
        assert set(document) == {"errors"}
        status, document, _ = call("install", "--box", board.plug())
        assert status == 0, f"mended after byte {at} of {total}"
        assert hashes(board.folder) == {file["name"]: file["sha256"] for file in document["files"]}


def test_a_simulated_box_behind_a_terminal_carries_no_files(call):
    with Server(build().world(), terminal=True).running() as server:
        status, document, _ = call("install", "--box", server.path)
    assert (status, document["errors"][0]["hint"]) == (2, "nothing needs to be installed there")
