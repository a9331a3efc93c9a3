"""Students at once: what one of them lets happen holds up no other."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from urllib.parse import urlsplit

import pytest
from nightdraw.live.coroutine import Coroutine
from nightdraw.live.seats import Seat, Seats
from nightdraw.live.vehicle import LiveVehicle

from tests.live.made import TEXTS, case

JUMP_S = 40_000
MOST_TURNS = 100_000  # of a loop that would otherwise never end


@pytest.fixture
def seats(monkeypatch: pytest.MonkeyPatch) -> Iterator[Seats]:
    monkeypatch.setattr("nightdraw.live.seats.BUSY_S", 0.002)
    made = Seats(lambda case: LiveVehicle(case, TEXTS))
    yield made
    made.close()


def link(seat: Seat) -> socket.socket:
    """A program at the seat's only box."""
    place = urlsplit(seat.where()[0]["socket"])
    made = socket.create_connection((place.hostname, place.port))
    made.setblocking(False)
    return made


def heard(seats: Seats, program: socket.socket) -> bytes:
    """Let turns pass until a program is answered."""
    for _ in range(MOST_TURNS):
        seats.turn()
        try:
            return program.recv(1000)
        except BlockingIOError:
            continue
    raise AssertionError("no answer")


def test_hours_that_one_lets_pass_hold_up_nobody_else(seats: Seats) -> None:
    box = ("telematics-search", "tailgate")
    one, other = seats.open("a", case(box)), seats.open("b", case(box))
    with link(one) as mine, link(other) as theirs:
        mine.sendall(f"DIAGnostic:CLOCk:ADVance {JUMP_S};*OPC?\n".encode())
        while not one.waiting:
            seats.turn()
        assert one.live.now_s < JUMP_S
        theirs.sendall(b"*IDN?\n")
        assert b"NIGHTDRAW" in heard(seats, theirs)
        assert one.waiting, "the other one had to wait for its end"
        assert heard(seats, mine).strip() == b"1"
        assert one.live.now_s >= JUMP_S
        assert other.live.now_s < JUMP_S
        mine.sendall(b"*IDN?\n")
        assert b"NIGHTDRAW" in heard(seats, mine)


def test_a_jump_under_way_ends_with_the_server(seats: Seats) -> None:
    before = threading.active_count()
    one = seats.open("a", case(("telematics-search", "tailgate")))
    with link(one) as mine:
        mine.sendall(f"DIAGnostic:CLOCk:ADVance {JUMP_S};*OPC?\n".encode())
        while not one.waiting:
            seats.turn()
        seats.close()
        assert threading.active_count() == before


def test_a_call_put_aside_runs_only_while_its_caller_waits() -> None:
    coroutine, done = Coroutine(), []

    def call() -> None:
        for k in range(3):
            done.append(k)
            coroutine.pause()
        raise ValueError("at its end")

    coroutine.pause()  # nobody's call: nothing
    coroutine.run(call)
    for k in range(1, 3):
        assert (done, coroutine.under_way) == (list(range(k)), True)
        coroutine.go_on()
    with pytest.raises(ValueError, match="at its end"):
        coroutine.go_on()
    assert not coroutine.under_way
    coroutine.run(lambda: done.append(9))
    assert (done, coroutine.under_way) == ([0, 1, 2, 9], False)
    coroutine.stop()
