"""`nightdraw bench live`: vehicle, instruments and page by a call's options. Parse, call, print."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from nightdraw import extras
from nightdraw.cli import bench_look, bench_vehicle
from nightdraw.errors import InputError

if TYPE_CHECKING:
    from nightdraw.live.server import LiveServer
    from nightdraw.live.vehicle import Case


def serve(words: dict[str, Any]) -> LiveServer:
    """The server, its first vehicle standing ready; raises InputError."""
    for module in ("starlette", "uvicorn", "websockets"):
        extras.need(module)
    from nightdraw.lesson.words import load_words
    from nightdraw.live import WORDS
    from nightdraw.live.seats import Seats
    from nightdraw.live.server import LiveServer, Room
    from nightdraw.live.vehicle import SPEEDS, LiveVehicle

    speed = words["speed"]
    if not SPEEDS[0] <= speed <= SPEEDS[1]:
        raise InputError(f"--speed must be from {SPEEDS[0]:g} to {SPEEDS[1]:g}")
    if words["vehicle"] is None:
        raise InputError("--vehicle is needed: a file, or the name of one that ships")
    texts = load_words(None if words["translated"] is None else Path(words["translated"]), WORDS)
    room = Room(_case(words))
    server = LiveServer([room], Seats(lambda case: LiveVehicle(case, texts, speed)), texts, words["port"])
    server.seats.open(room.token, room.case)
    return server


def _case(words: dict[str, Any]) -> Case:
    """What the options name."""
    from nightdraw.live.vehicle import Case

    kit = bench_look.kit(words["instruments"])
    call = bench_vehicle.read(words)
    return Case(call.vehicle, tuple(call.boxes), call.plan, kit, call.seed, None, words["practice"])
