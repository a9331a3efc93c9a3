"""`nightdraw bench live`: vehicle, instruments and page by a call's options. Parse, call, print."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from nightdraw import extras
from nightdraw.cli import bench_look, bench_vehicle
from nightdraw.errors import InputError, nearest

if TYPE_CHECKING:
    from nightdraw.lesson.model import Plan
    from nightdraw.live.server import LiveServer
    from nightdraw.live.vehicle import Case
    from nightdraw.report.words import Words

NOT_WITH_A_PLAN = {"vehicle": "vehicle", "boxes": "box", "instruments": "instruments", "faults": "fault"}


def serve(arguments: dict[str, Any]) -> LiveServer:
    """The server, its first vehicles standing ready; raises InputError."""
    for module in ("starlette", "uvicorn", "websockets"):
        extras.need(module)
    from nightdraw.live import WORDS
    from nightdraw.live.seats import Seats
    from nightdraw.live.server import LiveServer, Room
    from nightdraw.live.vehicle import SPEEDS, LiveVehicle
    from nightdraw.report.words import load_words

    speed = arguments["speed"]
    if not SPEEDS[0] <= speed <= SPEEDS[1]:
        raise InputError(f"--speed must be from {SPEEDS[0]:g} to {SPEEDS[1]:g}")
    texts = load_words(None if arguments["translated"] is None else Path(arguments["translated"]), WORDS)
    sheet = load_words()
    cases, overview = _cases(arguments, sheet)
    folder = None if arguments["answers"] is None else Path(arguments["answers"])
    rooms = [Room(case) for case in cases]
    seats = Seats(lambda case: LiveVehicle(case, texts, speed))
    server = LiveServer(rooms, seats, texts, sheet, arguments["port"], overview, folder)
    for room in rooms:
        seats.open(room.token, room.case)
    if overview is not None:
        for room in rooms:
            bench_vehicle.note(f"group {room.case.group}: {server.url(room)}")
        bench_vehicle.note(f"for the instructor only: {server.overview_url()}")
    return server


def _cases(arguments: dict[str, Any], sheet: Words) -> tuple[list[Case], Any]:
    """What the options name: one case, or a plan's groups and their overview."""
    from nightdraw.live.overview import Overview

    if arguments["plan"] is None:
        if arguments["groups"]:
            raise InputError("--group is a plan's: it needs --plan")
        if arguments["vehicle"] is None:
            raise InputError("--vehicle is needed (a file, or the name of one that ships), or --plan")
        return [_case(arguments)], None
    from nightdraw.lesson.planfile import load_plan

    given = [name for key, name in NOT_WITH_A_PLAN.items() if arguments[key]]
    if given:
        raise InputError(f"--{given[0]} doesn't go with --plan, which says that itself")
    plan = load_plan(arguments["plan"])
    groups = _groups(plan, arguments["groups"])
    others = not arguments["groups"]
    return [_assigned(plan, group, arguments, sheet, others) for group in groups], Overview(plan, groups)


def _case(arguments: dict[str, Any]) -> Case:
    """The vehicle and the boxes by name."""
    from nightdraw.live.vehicle import Case

    kit = bench_look.kit(arguments["instruments"])
    call = bench_vehicle.read(arguments)
    return Case(call.vehicle, tuple(call.boxes), call.plan, kit, call.seed, secret=arguments["practice"])


def _groups(plan: Plan, asked: Sequence[str]) -> list[str]:
    known = [one.group for one in plan.assignments]
    for group in asked:
        if group not in known:
            raise InputError(
                f"--group {group}: the plan has none of that name"
                f" ({nearest(group[:60], known) or 'known: ' + ', '.join(known)})"
            )
    return list(dict.fromkeys(asked)) or known


def _assigned(plan: Plan, group: str, arguments: dict[str, Any], sheet: Words, others: bool) -> Case:
    """A group's own assignment: its vehicle just locked, its box armed, its kit; others: the boxes of other
    groups on that vehicle as well, as in the lesson."""
    from nightdraw import data
    from nightdraw.bench.drive import Placed
    from nightdraw.bench.setup import build
    from nightdraw.lesson import sheets
    from nightdraw.lesson.fitting import beside, played
    from nightdraw.live.vehicle import Case
    from nightdraw.vehicle.script import Script, load_script

    one = plan.assignment(group)
    of = plan.of
    vehicle = of.car(one.vehicle).vehicle
    placed = []
    for each, profile in [(one, played(plan, one)), *(beside(plan, one) if others else [])]:
        box = build(of.box(each.box).board.file, arguments["plant"], (), each.seed)
        placed.append(Placed(each.splice, profile.program(), box, each.seed))
    script = arguments["script"]
    happens = Script("just locked", True, ())
    if script is not None:
        happens = load_script(data.shipped("scripts", script), vehicle)
    kit = of.kit(one.kit).instruments
    complaint = sheets.complaint(plan, one, sheet)
    return Case(
        vehicle, tuple(placed), happens, kit, one.seed, group, of.name, complaint, arguments["practice"]
    )
