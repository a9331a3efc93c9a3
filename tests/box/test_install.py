"""Installing on a board: real MicroPython behind a pseudo-terminal, the cable pulled wherever it hurts."""

from __future__ import annotations

import ast
import contextlib
import random
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from nightdraw import data
from nightdraw.bench.serve import Server
from nightdraw.board import load_board
from nightdraw.errors import InputError, LinkError, NightdrawError
from nightdraw.link import deploy, firmware, open_box, probe, reach
from nightdraw.link.firmware import BoardFile

from tests.bench import support
from tests.box import small
from tests.box.board import Board, blank_flash
from tests.micropython import link_cases

MakeBoard = Callable[..., Board]


@pytest.fixture
def make_board(tmp_path: Path) -> Iterator[MakeBoard]:
    """Makes boards with nothing on them, in a folder or with littlefs on a flash."""
    boards: list[Board] = []

    def make(littlefs: bool = False) -> Board:
        folder = tmp_path / f"board{len(boards)}"
        folder.mkdir()
        boards.append(Board(folder, blank_flash(tmp_path / "flash") if littlefs else None))
        return boards[-1]

    yield make
    for board in boards:
        board.pull()


@pytest.fixture(scope="module")
def shipped() -> list[BoardFile]:
    """What a box with the shipped board carries."""
    return firmware.build(load_board())


def on_board(folder: Path) -> dict[str, bytes]:
    """Every file on a board that keeps them in a folder, but for what the box itself writes."""
    found = {path.relative_to(folder).as_posix(): path for path in folder.rglob("*") if path.is_file()}
    return {name: path.read_bytes() for name, path in found.items() if not name.startswith("data/")}


def wanted(files: list[BoardFile]) -> dict[str, bytes]:
    return {file.name: file.data for file in files}


def put(folder: Path, files: list[BoardFile]) -> None:
    """Have the files on a board, as if they had been installed."""
    for file in files:
        path = folder / file.name
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(file.data)


def install(board: Board, files: list[BoardFile], cut: int = -1, pull_at: int | None = None) -> deploy.Done:
    """Plug the board in and install; it stands at its prompt."""
    with reach.enter(board.plug(pull_at, cut, boot=False)) as prompt:
        return deploy.install(prompt, files)


# -- what is on the board afterwards


@pytest.mark.parametrize("littlefs", [False, True])
def test_an_empty_board_becomes_a_box_and_stays_one(make_board, shipped, littlefs):
    board = make_board(littlefs)
    name = board.plug()
    for written in (len(shipped) - 1, 0):
        with reach.enter(name) as prompt:
            assert len(deploy.install(prompt, shipped).written) == written
            heard = reach.leave(prompt)
        assert heard.kind == probe.BOX
        assert heard.identity is not None
        assert heard.identity.model == "bench-12v"
        with open_box(name) as box:
            box.send(3, link_cases.PROGRAM)
    if not littlefs:
        assert on_board(board.folder) == wanted(shipped)


def test_programs_and_files_of_others_stay(make_board):
    board = make_board()
    put(board.folder, small.OLD)
    for name in ("notes.txt", "lib/mine.py", "boxcore.txt", "fault.txt"):
        put(board.folder, [BoardFile(name, name.encode())])
    others = set(on_board(board.folder)) - set(wanted(small.OLD))
    put(board.folder, [BoardFile("data/slot0", b"a program")])
    install(board, small.NEW)
    found = on_board(board.folder)
    assert {name: found[name] for name in others} == {name: name.encode() for name in others}
    assert (board.folder / "data/slot0").read_bytes() == b"a program"
    assert board.boots() == small.NEW_SAYS


STALE = ["boxcore/a.mpy", "boxcore/z.py", "boxcore/a/__init__.py", "boxcore/b/c/d.py", "boxcore/z.mpy.new"]


@pytest.mark.parametrize("stale", STALE)
def test_what_would_win_over_the_firmware_is_removed(make_board, stale):
    board = make_board()
    put(board.folder, small.NEW)
    path = board.folder / stale
    path.parent.mkdir(exist_ok=True, parents=True)
    path.write_bytes(b"NAME = 'stale'")
    assert board.boots() == small.NEW_SAYS  # what isn't on the list never runs
    install(board, small.NEW)
    assert on_board(board.folder) == wanted(small.NEW)
    assert not [path for path in (board.folder / "boxcore").iterdir() if path.is_dir()]
    assert board.boots() == small.NEW_SAYS


@pytest.mark.parametrize("name", ["boxcore/a.py", "main.py", "update.py", "board.json", "boxcore/c.py"])
@pytest.mark.parametrize("beside", [b"old rubbish", None])
def test_leftovers_of_an_interrupted_installation_are_used_or_replaced(make_board, name, beside):
    board = make_board()
    put(board.folder, small.OLD)
    data = wanted(small.NEW)[name] if beside is None else beside
    put(board.folder, [BoardFile(name + ".new", data)])
    assert board.boots() == small.OLD_SAYS
    install(board, small.NEW)
    assert on_board(board.folder) == wanted(small.NEW)


def test_an_update_that_waits_is_finished_and_the_board_starts_anew(make_board):
    """Its cable was pulled when all was there and nothing moved: old code must not run new modules."""
    board = make_board()
    put(board.folder, small.OLD)
    put(board.folder, [replace(file, name=file.name + ".new") for file in small.NEW])
    assert board.boots() == small.NEW_SAYS
    assert on_board(board.folder) == wanted(small.NEW)


def test_a_box_finishes_its_update_and_starts_anew(make_board, shipped):
    board = make_board()
    put(board.folder, shipped)
    put(board.folder, [replace(file, name=file.name + ".new") for file in shipped])
    with open_box(board.plug()) as box:
        assert box.idn().model == "bench-12v"
        assert board.starts == 2
    assert on_board(board.folder) == wanted(shipped)


def test_only_what_differs_is_written(make_board, shipped):
    board = make_board()
    put(board.folder, shipped)
    other = firmware.with_list(
        [replace(f, data=b"00000000\n{}\n") if f.name == "board.json" else f for f in shipped[:-1]]
    )
    assert install(board, other).written == ("board.json",)
    assert on_board(board.folder) == wanted(other)


def test_the_firmware_is_always_the_same_bytes(shipped):
    assert firmware.build(load_board()) == shipped
    names = [file.name for file in shipped]
    assert names == [*sorted(names[:-1]), "SHA256SUMS"]
    assert not [file.name for file in shipped if str(Path(__file__).parents[2]).encode() in file.data]


# -- a cable pulled, power cut


CUTS = pytest.mark.parametrize("cuts", [8, pytest.param(32, marks=pytest.mark.campaign)])


def instants(total: int, cuts: int, chance: random.Random) -> list[int]:
    """Where to cut: evenly over `total` steps, at random, and at the last."""
    even = range(1, total, max(1, total // (cuts // 2)))
    return sorted({*even, *(chance.randrange(1, total) for _ in range(cuts // 2)), total - 1})


@CUTS
def test_a_cable_pulled_at_any_byte_leaves_the_old_firmware_or_the_new(make_board, seed, cuts):
    board = make_board()
    put(board.folder, small.OLD)
    install(board, small.NEW)
    total = board.heard
    board.pull()
    ended = {small.OLD_SAYS: 0, small.NEW_SAYS: 0}
    for at in instants(total, cuts, random.Random(seed)):
        for old in on_board(board.folder):
            (board.folder / old).unlink()
        put(board.folder, small.OLD)
        with contextlib.suppress(LinkError):
            install(board, small.NEW, pull_at=at)
        says = board.boots()
        assert says in ended, f"pulled at byte {at} of {total}"
        ended[says] += 1
        install(board, small.NEW)
        assert on_board(board.folder) == wanted(small.NEW), f"mended after byte {at} of {total}"
    assert min(ended.values()) > 0, ended


@CUTS
def test_power_cut_at_any_write_to_the_flash_leaves_the_old_firmware_or_the_new(
    make_board, seed, tmp_path, cuts
):
    board = make_board(littlefs=True)
    install(board, small.OLD)
    board.pull()
    old = (tmp_path / "flash").read_bytes()
    with reach.enter(board.plug(cut=10**6)) as prompt:
        deploy.install(prompt, small.NEW)
        total = 10**6 - prompt.value("flash.device.cut")
    board.pull()
    ended = {small.OLD_SAYS: 0, small.NEW_SAYS: 0}
    for at in instants(total, cuts, random.Random(seed)):
        (tmp_path / "flash").write_bytes(old)
        with pytest.raises(NightdrawError):
            install(board, small.NEW, cut=at)
        says = board.boots()
        assert says in ended, f"power cut at operation {at} of {total}"
        ended[says] += 1
        install(board, small.NEW)
        assert board.boots() == small.NEW_SAYS, f"mended after operation {at} of {total}"
    assert min(ended.values()) > 0, ended


def test_an_empty_board_whose_cable_is_pulled_loads_nothing_and_is_mended(make_board, seed):
    board = make_board()
    install(board, small.NEW)
    total = board.heard
    chance = random.Random(seed)
    for at in [chance.randrange(1, total) for _ in range(8)]:
        board.pull()
        for name in on_board(board.folder):
            (board.folder / name).unlink()
        with contextlib.suppress(LinkError):
            install(board, small.NEW, pull_at=at)
        assert board.boots() in ("", small.NEW_SAYS)
        install(board, small.NEW)
        assert on_board(board.folder) == wanted(small.NEW)


def test_a_host_that_dies_leaves_a_prompt_that_the_next_one_finds(make_board, monkeypatch):
    monkeypatch.setattr(probe, "LISTEN_S", 0.1)  # the board hears nothing as a question
    board = make_board()
    put(board.folder, small.OLD)
    name = board.plug()
    prompt = reach.enter(name)
    prompt._transport.serial.write(b"\x05A\x01import")  # in the middle of handing code over
    prompt.close()
    with reach.enter(name) as prompt:
        deploy.install(prompt, small.NEW)
    assert on_board(board.folder) == wanted(small.NEW)


# -- refusals


def test_a_full_board_is_refused_before_anything_changes(make_board, monkeypatch):
    board = make_board()
    put(board.folder, small.OLD)
    monkeypatch.setattr(deploy, "SPARE_BYTES", 1 << 50)
    with pytest.raises(InputError, match=r"free.*nothing was changed"):
        install(board, small.NEW)
    assert on_board(board.folder) == wanted(small.OLD)


def test_a_box_at_work_is_not_interrupted(make_board, shipped):
    board = make_board()
    put(board.folder, shipped)
    name = board.plug()
    with open_box(name) as box:
        box.level(50_000)
    with pytest.raises(LinkError, match=r"the box is at work.*nightdraw box halt"):
        reach.enter(name)
    with open_box(name) as box:
        assert box.run().state == "level"


def test_a_simulated_box_has_nothing_to_install():
    with (
        Server(support.world()).running() as server,
        pytest.raises(LinkError, match=r"simulated box carries no files"),
    ):
        reach.enter(server.address)


# -- an interrupt while the board starts into maintenance


@pytest.mark.parametrize("instant", ["freq", "PWM"])
def test_an_interrupted_start_into_maintenance_leaves_no_mark(make_board, shipped, instant):
    """A Ctrl-C may come as soon as USB is up; the next reset must start the box all the same."""
    board = make_board()
    put(board.folder, shipped)
    with reach.enter(board.plug(interrupt=instant)) as prompt:
        assert not board.marked
        assert reach.leave(prompt).kind == probe.BOX


def test_a_mark_left_behind_does_not_keep_a_box_from_starting(make_board, shipped):
    board = make_board()
    put(board.folder, shipped)
    with reach.enter(board.plug(boot=False)) as prompt:
        prompt.run(f"import machine\nmachine.mem32[{reach.MARK}] = 0x4D41")
        assert board.marked
        assert reach.leave(prompt).kind == probe.BOX


def test_host_and_firmware_mean_the_same_register():
    tree = ast.parse((data.folder("firmware") / "main.py").read_text("utf-8"))
    found = {
        node.targets[0].id: node.value.value
        for node in tree.body
        if isinstance(node, ast.Assign)
        and isinstance(node.targets[0], ast.Name)
        and isinstance(node.value, ast.Constant)
    }
    assert found["SCRATCH"] == reach.MARK
