"""The raw prompt: every call has its end, whatever the other side does."""

from __future__ import annotations

import itertools
import os
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from nightdraw.errors import LinkError
from nightdraw.link import prompt, reach
from nightdraw.link.prompt import Prompt, PromptError

from tests.box.board import Board

tty: Any = pytest.importorskip("tty", reason="this system has no pseudo-terminals")
ENTERED = b"raw REPL; CTRL-B to exit\r\n>"


@pytest.fixture
def other_side() -> Iterator[Callable[[Callable[[int], bool]], str]]:
    """A pseudo-terminal whose other side a function plays: called again and again until it returns False."""
    undo: list[Callable[[], None]] = []

    def start(play: Callable[[int], bool]) -> str:
        host, end = os.openpty()
        tty.setraw(end)
        os.set_blocking(host, False)
        over = threading.Event()

        def run() -> None:
            while not over.is_set():
                try:
                    if not play(host):
                        return
                except BlockingIOError:
                    over.wait(0.001)

        thread = threading.Thread(target=run, daemon=True)
        thread.start()

        def stop() -> None:
            over.set()
            thread.join()
            os.close(host)
            os.close(end)

        undo.append(stop)
        return os.ttyname(end)

    yield start
    for stop in undo:
        stop()


@pytest.fixture
def short(monkeypatch: pytest.MonkeyPatch) -> None:
    """Limits that a test can wait for."""
    for name in ("ENTER_S", "READ_S", "WRITE_S"):
        monkeypatch.setattr(prompt, name, 0.05)


def flood(host: int) -> bool:
    os.write(host, b"nonsense" * 8)
    return True


def nothing(host: int) -> bool:
    os.read(host, 100)
    return True


@pytest.mark.parametrize("play", [flood, nothing, lambda host: False])
@pytest.mark.usefixtures("short")
def test_entering_ends(other_side, play, capfd):
    begun = time.monotonic()
    with pytest.raises(PromptError, match="no MicroPython prompt answers"):
        Prompt(other_side(play))
    assert time.monotonic() - begun < 30
    assert capfd.readouterr().out == ""  # what mpremote prints would spoil a JSON document


def entered_then(play: Callable[[int], bool]) -> Callable[[int], bool]:
    """A prompt until it is entered, then something else."""
    state = {"entered": False}

    def both(host: int) -> bool:
        if state["entered"]:
            return play(host)
        if b"\x01" in os.read(host, 100):
            os.write(host, ENTERED)
            state["entered"] = True
        return True

    return both


@pytest.mark.parametrize("play", [flood, nothing, lambda host: False])
@pytest.mark.usefixtures("short")
def test_running_code_ends(other_side, play):
    entered = Prompt(other_side(entered_then(play)))
    with pytest.raises(PromptError, match="the line to the board broke"):
        entered.run("print(1)", 0.2)
    entered.close()


def test_a_line_that_is_not_there_is_told(tmp_path):
    with pytest.raises(PromptError, match="can't open the port"):
        Prompt(str(tmp_path / "none"))


@pytest.fixture
def board(tmp_path) -> Iterator[Board]:
    (tmp_path / "board").mkdir()
    made = Board(tmp_path / "board")
    yield made
    made.pull()


def test_what_the_board_says_comes_back(board):
    with reach.enter(board.plug(boot=False)) as entered:
        assert entered.value("{'a': (1, None, 'x'), 'b': [True]}") == {"a": (1, None, "x"), "b": [True]}
        assert entered.run("print('line', 1)\nprint(2)").split() == ["line", "1", "2"]
        with pytest.raises(PromptError, match="the board says: ValueError: why") as error:
            entered.run("raise ValueError('why')")
        assert "Traceback" in error.value.printed
        with pytest.raises(PromptError, match="makes no sense"):
            entered.value("object()")
        assert entered.value("1 + 1") == 2


def test_any_bytes_arrive(board):
    data = bytes(range(256)) * 13 + b"\x03\x04\x01\x05A\x01"
    told: list[int] = []
    with reach.enter(board.plug(boot=False)) as entered:
        entered.put("a file", data, told.append)
    assert (board.folder / "a file").read_bytes() == data
    assert told[-1] == len(data)
    assert all(a < b for a, b in itertools.pairwise(told))


def test_a_port_that_comes_back_under_another_name_is_found(board, monkeypatch):
    """After a reset the system may number a USB port anew; its USB serial number is the same."""
    from nightdraw.link.ports import Port

    old, new = "/dev/ttyACM0", board.plug(boot=False)
    monkeypatch.setattr(reach.ports, "serial_ports", lambda: [Port(new, (0x2E8A, 5), "e660")])
    assert reach._name_now(old, "e660") == new
    assert reach._name_now(old, "other") == old
    assert reach._name_now(old, None) == old


def test_a_board_that_does_not_come_back_is_told(board, monkeypatch):
    passed = itertools.count(0, 5)
    clock = reach.WaitClock(now=lambda: float(next(passed)), sleep=lambda seconds: None)
    entered = reach.enter(board.plug(boot=False))
    monkeypatch.setattr(reach, "open_transport", gone)
    with pytest.raises(LinkError, match=r"didn't come back.*plug it in again"):
        reach.leave(entered, clock)


def gone(name: str) -> Any:
    raise LinkError("gone")
