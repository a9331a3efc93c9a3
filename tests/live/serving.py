"""A server of a live vehicle, in this process, and a page's end of its socket."""

from __future__ import annotations

import contextlib
import http.client
import json
import threading
import time
from collections.abc import Iterator
from typing import Any

from nightdraw.live.seats import Seats
from nightdraw.live.server import LiveServer, Room
from nightdraw.live.vehicle import Case, LiveVehicle
from nightdraw.report.words import load_words
from websockets.sync.client import ClientConnection, connect

from tests.live.made import TEXTS

PATIENCE_S = 30


@contextlib.contextmanager
def serving(*cases: Case, speed: float = 1.0, most: int = 24) -> Iterator[LiveServer]:
    rooms = [Room(case) for case in cases]
    seats = Seats(lambda case: LiveVehicle(case, TEXTS, speed), most)
    server = LiveServer(rooms, seats, TEXTS, load_words())
    for room in rooms:
        seats.open(room.token, room.case)
    with running(server):
        yield server


@contextlib.contextmanager
def running(server: LiveServer) -> Iterator[None]:
    """A server in a thread of its own."""
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        until = time.monotonic() + PATIENCE_S
        while not server.started and time.monotonic() < until:
            time.sleep(0.01)  # until it hears: nothing tells a thread so
        yield
    finally:
        server.stop()
        thread.join(PATIENCE_S)
        assert not thread.is_alive()


def get(server: LiveServer, path: str, **headers: str) -> tuple[int, dict[str, str], bytes]:
    """One request by hand: status, headers, body."""
    link = http.client.HTTPConnection("127.0.0.1", server.port, timeout=PATIENCE_S)
    link.request("GET", path, headers=headers)
    answer = link.getresponse()
    told = answer.status, dict(answer.getheaders()), answer.read()
    link.close()
    return told


class Talk:
    """A page without a browser: it asks, and keeps what it is told."""

    def __init__(self, url: str, seat: str = "", **more: Any) -> None:
        address = url.replace("http", "ws", 1) + "live" + (f"?seat={seat}" if seat else "")
        more.setdefault("compression", None)
        self._open = contextlib.ExitStack()
        self.socket: ClientConnection = self._open.enter_context(
            connect(address, open_timeout=PATIENCE_S, max_size=None, **more)
        )
        self.heard: list[str | bytes] = []
        self.number = 0
        self.now: dict[str, Any] = {}
        self.plot: tuple[Any, bytes] | None = None  # the last picture
        try:
            self.seat = self.until("seat")["seat"]
        except BaseException:
            self.close()
            raise

    def to_its_end(self) -> None:
        """Hear until the connection ends; raises ConnectionClosed."""
        while True:
            self.until("never")

    def until(self, key: str) -> Any:
        """The next message that has this key, or the next picture."""
        while True:
            message = self.socket.recv(PATIENCE_S)
            self.heard.append(message)
            if isinstance(message, bytes):
                head, _, numbers = message.partition(b"\n")
                self.plot = json.loads(head)["plot"], numbers
                if key == "plot":
                    return self.plot
                continue
            told = json.loads(message)
            self.now = told.get("now", self.now)
            if key in told:
                return told

    def ask(self, name: str, **said: Any) -> dict[str, Any]:
        """Ask for a move: the answer to it."""
        self.number += 1
        self.socket.send(json.dumps({"do": name, "id": self.number, **said}))
        while True:
            answer = self.until("id")
            if answer["id"] == self.number:
                return answer

    def state(self, ready: Any = lambda now: True) -> dict[str, Any]:
        """How the vehicle stands, once it does so."""
        while not ready(self.until("now")["now"]):
            pass
        return self.now

    def picture(self, ready: Any = lambda plot: True) -> tuple[Any, bytes]:
        """The recorder's picture, once it is so; it may have come before the answer to what asked for it."""
        while self.plot is None or not ready(self.plot[0]):
            self.until("plot")
        return self.plot

    def close(self) -> None:
        self._open.close()
