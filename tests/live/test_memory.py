"""How much memory clients can make the server hold: the process's resident set, against a bound."""

from __future__ import annotations

import contextlib
import json
import os
import socket
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from nightdraw.live import connection
from nightdraw.live.seats import MOST_SEATS
from nightdraw.live.server import HOST, LiveServer

from tests.live.made import case
from tests.live.serving import PATIENCE_S, Talk, serving

MIB = 1 << 20
BUFFER = 64 << 10  # bytes that asyncio keeps for a connection, each way, before it makes the other end wait
SEAT = 2 * MIB  # our own bound for a vehicle with a box
CONNECTIONS = 200
PICTURE = 4 * 2 * 4000 * 4  # bytes: four inputs, extremes of 4000 columns in single precision
DEAF_MOST = 4 * MIB + 16 * PICTURE + 2 * BUFFER  # what recorder and allocator take meanwhile, some pictures
BOXES = (("telematics-search", "tailgate"),)


def held() -> int:
    """Bytes of this process that are resident."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")


def frame(**said: object) -> bytes:
    """A short text message as a browser sends it (RFC 6455), with a mask of zeros."""
    text = json.dumps(said).encode()
    assert len(text) < 126
    return bytes((0x81, 0x80 | len(text))) + bytes(4) + text


@contextlib.contextmanager
def unread(server: LiveServer, seat: str = "") -> Iterator[socket.socket]:
    """A page's connection of which nothing is read but the handshake."""
    path = server.url(server.rooms[0]).split(str(server.port))[1]
    head = f"GET {path}live?seat={seat} HTTP/1.1\r\nHost: {HOST}:{server.port}\r\nUpgrade: websocket\r\n"
    head += "Connection: Upgrade\r\nSec-WebSocket-Version: 13\r\n"
    head += "Sec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\n\r\n"
    with socket.create_connection((HOST, server.port), PATIENCE_S) as made:
        made.sendall(head.encode())
        assert made.recv(12).startswith(b"HTTP/1.1 ")
        yield made


def waited(condition: Callable[[], bool]) -> int:
    """The most bytes that are held until the condition is met."""
    until, most = time.monotonic() + PATIENCE_S, held()
    while not condition():
        assert time.monotonic() < until
        time.sleep(0.02)  # nothing tells a test that a connection was made or dropped
        most = max(most, held())
    return most


pytestmark = [
    pytest.mark.campaign,
    pytest.mark.skipif(sys.platform != "linux", reason="reads /proc: Linux only"),
]


def test_two_hundred_connections_hold_no_more_than_their_bound(capsys: pytest.CaptureFixture[str]) -> None:
    most = MOST_SEATS * SEAT + CONNECTIONS * 2 * BUFFER
    with serving(case(*BOXES)) as server:
        first = Talk(server.url(server.rooms[0]))
        first.close()
        before = held()
        with contextlib.ExitStack() as links:
            for k in range(CONNECTIONS):
                if k % 2:
                    links.enter_context(socket.create_connection((HOST, server.port), PATIENCE_S))
                else:
                    links.enter_context(unread(server))
            seats, more = len(server.seats.seats), held() - before
    with capsys.disabled():
        print(
            f"\n{CONNECTIONS} connections, {seats} vehicles: {more / MIB:.1f} MiB, bound {most / MIB:.1f} MiB"
        )
    assert seats <= MOST_SEATS
    assert more <= most


def test_a_page_that_never_reads_holds_no_more_than_its_bound(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """It asks for pictures of a recording under way and reads none, until it is let go."""
    monkeypatch.setattr(connection, "STALLED_S", 5.0)
    with serving(case(*BOXES), speed=60) as server:
        talk = Talk(server.url(server.rooms[0]))
        talk.ask("clamp", clamp=1, at="battery")
        talk.ask("inputs", inputs=[{"at": "clamp 1"}])
        talk.ask("record", rate=1000)
        talk.close()
        (seat,) = server.seats.seats.values()
        waited(lambda: seat.pages == 0)
        before = held()
        with unread(server, seat.key) as deaf:
            waited(lambda: seat.pages == 1)
            for columns in (4000, 3999):
                deaf.sendall(frame(do="view", for_s=3600, columns=columns))
            most = waited(lambda: seat.pages == 0)
    more = most - before
    with capsys.disabled():
        print(f"\na page that never reads: {more / MIB:.2f} MiB, bound {DEAF_MOST / MIB:.2f} MiB")
    assert more <= DEAF_MOST
