"""A vehicle on a page: keeping up at 60 times, the first picture, an update's way, ten channels' hour."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from nightdraw.live import plots
from nightdraw.live.scene import snapshot
from nightdraw.live.trace import Trace

from tests.benchmarks.measure import Ratio, compare
from tests.live.made import TEXTS, case, do, live
from tests.live.serving import Talk, get, serving

SPEED = 60
LENGTH_S = 120  # of the vehicle's time
TURN_S = 0.04
SAMPLES = 3_600_000  # an hour at 1 kHz
CHANNELS = 10
COLUMNS = 1000
TURNS = 5
BOXES = (("telematics-search", "tailgate"), ("ticking-valve", "blower"))


def run(folder: Path) -> Iterator[Ratio]:
    """All of them."""
    yield Ratio(
        "a live vehicle, two boxes and recorder", _lived(), LENGTH_S / SPEED, f"{SPEED} times real time"
    )
    with serving(case(*BOXES)) as server:
        url = server.url(server.rooms[0])
        first = min(_first(server, url) for _ in range(TURNS))
        yield Ratio("page, connection, first picture", first, 1.0, "a second")
        yield Ratio("from a move to its picture", _answered(url), 0.1, "100 ms")
    trace = Trace(CHANNELS)
    piece = np.random.default_rng(1).normal(size=(CHANNELS, min(SAMPLES, 100_000)))
    begun = time.perf_counter()
    for _ in range(SAMPLES // piece.shape[1]):
        trace.append(piece)
    yield Ratio("an hour of ten channels kept", time.perf_counter() - begun, 3600.0, "the hour")
    count = trace.count
    yield compare(
        "its columns for a screen",
        lambda: trace.envelope(0, count, COLUMNS),
        "one pass over its numbers",
        lambda: trace.read(0, count).max(axis=1),
    )


def _lived() -> float:
    """Seconds of computing for LENGTH_S at SPEED, in a page's turns, with what is sent to it."""
    one = live(*BOXES)
    do(one, "clamp", clamp=1, at="battery")
    do(one, "leads", fuse="F7")
    do(one, "inputs", inputs=[{"at": "clamp 1"}, {"at": "F7"}, {"at": "F8"}, {"at": "F10"}])
    do(one, "record", rate=1000)
    view = plots.view({"for_s": 60, "columns": 1000}, TEXTS)
    begun = time.perf_counter()
    for _ in range(round(LENGTH_S / SPEED / TURN_S)):
        one.pass_ticks(round(SPEED * TURN_S * 10_000))
        snapshot(one)
        plots.picture(one, view)
    return time.perf_counter() - begun


def _first(server, url: str) -> float:
    begun = time.perf_counter()
    get(server, url.split(str(server.port))[1])
    talk = Talk(url)
    talk.ask("view", for_s=60, columns=1000)
    talk.picture()
    taken = time.perf_counter() - begun
    talk.close()
    return taken


def _answered(url: str) -> float:
    """From asking until the page is told how the vehicle stands then; the slowest of some."""
    talk, slowest = Talk(url), 0.0
    for turn in range(2 * TURNS):
        opens = turn % 2 == 0
        begun = time.perf_counter()
        talk.ask("door", word="opens" if opens else "closes")
        talk.state(lambda now, opens=opens: now["door"] is opens)
        slowest = max(slowest, time.perf_counter() - begun)
    talk.close()
    return slowest
