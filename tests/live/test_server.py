"""The page's server from outside: whom it lets in, what it answers, what hostile clients get."""

from __future__ import annotations

import contextlib
import json
import signal
import socket
import subprocess
import sys
import time

import numpy as np
import pytest
from nightdraw.capture.read import open_recording
from nightdraw.live import connection
from nightdraw.live import server as serve
from nightdraw.live.server import FILES, MOST_PAGES, LiveServer
from websockets.exceptions import ConnectionClosed, InvalidStatus

from tests.live.made import case
from tests.live.serving import PATIENCE_S, Talk, get, serving

ELSEWHERE = "http" + "://elsewhere.example"
BOXES = (("telematics-search", "tailgate"), ("ticking-valve", "blower"))


@pytest.fixture(scope="module")
def served():
    with serving(case(*BOXES), speed=60, most=8) as server:
        yield server


@pytest.fixture
def talk(served: LiveServer):
    found = Talk(served.url(served.rooms[0]))
    yield found
    found.close()


def test_the_first_line_the_link_and_the_end(tmp_path) -> None:
    words = [sys.executable, "-m", "nightdraw", "bench", "live", "--vehicle", "vehicle-1"]
    words += ["--box", "telematics-search@tailgate", "--box", "ticking-valve@blower"]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        first = json.loads(process.stdout.readline())
        assert set(first) == {"url", "boxes"}
        assert [box["splice"] for box in first["boxes"]] == ["tailgate", "blower"]
        assert first["url"].startswith(f"http://{serve.HOST}:")
        asked = [
            sys.executable,
            "-m",
            "nightdraw",
            "box",
            "status",
            "--json",
            "--box",
            first["boxes"][0]["socket"],
        ]
        status = json.loads(subprocess.run(asked, capture_output=True, timeout=PATIENCE_S, check=True).stdout)
        assert status["state"] in ("waiting", "running")
        page = Talk(first["url"])
        assert page.state()["volts"] > 12
        process.send_signal(signal.SIGTERM)
        assert process.wait(PATIENCE_S) == 0
        assert process.stdout.read() == ""


def test_an_interrupt_ends_it_as_any_command(tmp_path) -> None:
    words = [sys.executable, "-m", "nightdraw", "bench", "live", "--vehicle", "vehicle-6"]
    process = subprocess.Popen(
        words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # a job in the background ignores it
    )  # fmt: skip
    try:
        page = Talk(json.loads(process.stdout.readline())["url"])
        assert page.state()["volts"] > 12
    finally:
        process.send_signal(signal.SIGINT)
        _, errors = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 130
    assert "Traceback" not in errors


def test_a_defect_stops_one_vehicle_and_no_other(capsys) -> None:
    with serving(case(), most=2) as server:
        url = server.url(server.rooms[0])
        broken, sound = Talk(url), Talk(url)
        broken.ask("pull", fuse="F1")

        def fail(budget_s: float, held: bool) -> None:
            raise RuntimeError("planted")

        server.seats.seats[broken.seat].live.turn = fail
        said = broken.state(lambda now: now["messages"] and "defect" in now["messages"][-1][1])
        assert said["pulled"] == ["F1"]
        before = sound.state()["t_s"]
        assert sound.state(lambda now: now["t_s"] > before)
        broken.close()
        sound.close()
    assert "planted" in capsys.readouterr().err


def test_the_page_and_its_files_are_served_with_their_policy(served: LiveServer) -> None:
    path = served.url(served.rooms[0]).split(str(served.port))[1]
    for name in ("", *FILES):
        status, headers, body = get(served, path + name)
        assert (status, bool(body)) == (200, True), name
        assert "default-src 'none'" in headers["content-security-policy"]
        assert headers["referrer-policy"] == "no-referrer"


def test_nobody_is_let_in_without_the_token_or_from_elsewhere(served: LiveServer) -> None:
    url = served.url(served.rooms[0])
    path = url.split(str(served.port))[1]
    token = path.strip("/")
    wrong = [
        "",
        "/",
        "/x/",
        f"/{token[:-1]}/",
        f"/{token}x/",
        f"/{token.swapcase()}/",
        f"/{token[:-1]}%00/",
        "/%ff/",
    ]
    for place in [
        *wrong,
        f"{path}words.toml",
        f"{path}../server.py",
        f"{path}%2e%2e/server.py",
        f"{path}uplot/",
    ]:
        assert get(served, place or "/")[0] in (307, 404), place
    assert get(served, path, Origin=ELSEWHERE)[0] == 404
    assert get(served, path, Host=f"elsewhere.example:{served.port}")[0] == 404
    assert get(served, path, Host=f"localhost:{served.port}")[0] == 200
    for address, more in (
        (url.replace(token, "x" * 24), {}),
        (url, {"origin": ELSEWHERE}),
        (url, {"origin": "null"}),
        (url, {"additional_headers": {"Host": "elsewhere.example"}}),
    ):
        with pytest.raises((InvalidStatus, ConnectionClosed)):
            Talk(address, **more)


MALFORMED = (
    *("", "x", "[]", "3", "null", "{", "[" * 5000, '{"id": {}}', '{"do": 3}', '{"do": ["door"]}'),
    *('{"do": "engine", "for_s": 1e999}', '{"do": "wait", "for_s": NaN}', '{"do": "wait", "until": {}}'),
    *('{"do": "view", "for_s": -1}', '{"do": "view", "for_s": 1, "columns": 1e9}'),
    *('{"do": "inputs", "inputs": {"0": 1}}', '{"do": "inputs", "inputs": [{"at": {}}]}'),
    *('{"do": "engine", "for_s": ' + "9" * 400 + "}", '{"do": "pull", "fuse": "\\u0000\\ud800"}'),
)


@pytest.mark.parametrize("message", MALFORMED)
def test_a_malformed_message_is_answered_and_harms_nothing(talk: Talk, message: str) -> None:
    talk.socket.send(message)
    assert talk.until("no")["no"]
    assert "no" not in talk.ask("view", for_s=10, columns=100)


def test_bytes_are_no_message_and_a_huge_one_ends_the_connection(served: LiveServer) -> None:
    talk = Talk(served.url(served.rooms[0]))
    talk.socket.send(b"\x00\xff")
    assert talk.until("no")["no"]
    talk.socket.send("x" * 100_000)
    with pytest.raises(ConnectionClosed):
        talk.to_its_end()
    again = Talk(served.url(served.rooms[0]), talk.seat)
    assert again.seat == talk.seat
    again.close()


def test_a_flood_ends_the_connection(served: LiveServer) -> None:
    talk = Talk(served.url(served.rooms[0]))
    with contextlib.suppress(ConnectionClosed):
        for _ in range(2000):
            talk.socket.send('{"do": "cancel"}')
    with pytest.raises(ConnectionClosed):
        talk.to_its_end()


def test_who_comes_back_finds_everything_as_it_was(served: LiveServer) -> None:
    url = served.url(served.rooms[0])
    first = Talk(url)
    first.ask("pull", fuse="F3")
    first.ask("leads", fuse="F7")
    first.close()
    again = Talk(url, first.seat)
    assert again.seat == first.seat
    now = again.state()
    assert now["pulled"] == ["F3"]
    assert now["places"] == {"leads": "F7"}
    assert now["speed"] == 60
    again.close()
    other = Talk(url)  # another student's vehicle is another
    assert other.seat != first.seat
    assert other.state()["pulled"] == []
    other.close()


def test_seats_and_pages_are_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    with serving(case(), most=3) as server:
        url = server.url(server.rooms[0])
        pages = [Talk(url) for _ in range(3)]
        with pytest.raises((ConnectionClosed, KeyError)):
            Talk(url)
        assert len(server.seats.seats) == 3
        monkeypatch.setattr(serve, "MOST_PAGES", 3)
        with pytest.raises(InvalidStatus):
            Talk(url, pages[0].seat)
        pages.pop().close()
        assert pages[0].state()["volts"] > 12
        for page in pages:
            page.close()
    assert MOST_PAGES >= 24


def test_a_recording_is_seen_and_saved(talk: Talk, served: LiveServer, tmp_path) -> None:
    talk.ask("clamp", clamp=1, at="battery")
    assert "no" not in talk.ask("inputs", inputs=[{"at": "clamp 1"}, {"at": "F7"}])
    assert "no" not in talk.ask("record", rate=1000)
    talk.ask("view", for_s=20, columns=200)
    talk.state(lambda now: now["recorder"]["recording"]["count"] > 30_000)
    talk.ask("stop")
    count = talk.state(lambda now: not now["recorder"]["recording"]["running"])["recorder"]["recording"][
        "count"
    ]
    plot, numbers = talk.picture(lambda plot: round(1000 * plot["end_s"]) == count - 1)
    seen = np.frombuffer(numbers, "<f4").reshape(2, 2, -1)
    assert seen.shape[2] == len(plot["edges_s"]) - 1 <= 200
    path = served.url(served.rooms[0]).split(str(served.port))[1]
    for form in ("csv", "parquet"):
        status, headers, body = get(served, f"{path}recording.{form}?seat={talk.seat}")
        assert status == 200
        assert f"recording.{form}" in headers["content-disposition"]
        file = tmp_path / f"recording.{form}"
        file.write_bytes(body)
        recording = open_recording(file, "battery_a")
        values = np.concatenate([block[1] for block in recording.blocks()])
        part = values[round(plot["edges_s"][0] * 1000) :]
        assert recording.unit == "mA"
        assert len(values) > 30_000
        assert np.isclose(part.max(), 1000 * seen[0, 1].max(), rtol=1e-6)
        assert np.isclose(part.min(), 1000 * seen[0, 0].min(), rtol=1e-6)
    assert get(served, f"{path}recording.csv?seat=nobody")[0] == 404
    assert get(served, f"{path}recording.txt?seat={talk.seat}")[0] == 404


def test_two_hundred_connections_leave_room_for_who_sits_there() -> None:
    with serving(case(), most=3) as server:
        url = server.url(server.rooms[0])
        mine = Talk(url)
        mine.ask("pull", fuse="F1")
        idle = [socket.create_connection((serve.HOST, server.port)) for _ in range(100)]
        refused, others = 0, []
        for _ in range(100):
            try:
                others.append(Talk(url))
            except (InvalidStatus, ConnectionClosed, KeyError):
                refused += 1
        assert len(others) == 2
        assert refused == 98
        assert len(server.seats.seats) == 3
        assert "no" not in mine.ask("pull", fuse="F2")
        assert mine.state(lambda now: len(now["pulled"]) == 2)["pulled"] == ["F1", "F2"]
        for one in (*idle, *others, mine):
            one.close()


def test_a_page_that_never_reads_is_let_go(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connection, "STALLED_S", 0.3)
    with serving(case(*BOXES), speed=60) as server:
        url = server.url(server.rooms[0])
        path = url.split(str(server.port))[1]
        deaf = socket.create_connection((serve.HOST, server.port))
        head = f"GET {path}live HTTP/1.1\r\nHost: {serve.HOST}:{server.port}\r\nUpgrade: websocket\r\n"
        head += "Connection: Upgrade\r\nSec-WebSocket-Version: 13\r\n"
        head += "Sec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\n\r\n"
        deaf.sendall(head.encode())
        assert deaf.recv(12) == b"HTTP/1.1 101"
        until = time.monotonic() + PATIENCE_S
        while (pages := sum(seat.pages for seat in server.seats.seats.values())) and time.monotonic() < until:
            time.sleep(0.02)  # nothing tells a test that a connection was dropped
        assert pages == 0
        deaf.close()
        monkeypatch.setattr(connection, "STALLED_S", PATIENCE_S)
        again = Talk(url)
        assert again.state()["volts"] > 12
        again.close()
