"""The vehicle's half of `nightdraw bench`: files, boxes and channels from a call. Parse, call, print."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import click

from nightdraw.cli import output
from nightdraw.cli.target import target
from nightdraw.errors import InputError, nearest

if TYPE_CHECKING:
    from nightdraw.bench.drive import Fronts, Placed
    from nightdraw.board import BoardModel
    from nightdraw.vehicle.model import Vehicle
    from nightdraw.vehicle.script import Script


def note(text: str) -> None:
    """A line for people, on standard error."""
    click.echo(text, err=True)


def warn(vehicle: Vehicle) -> None:
    """What a vehicle's file warns of, before anything else is said."""
    for text in vehicle.warnings:
        note(f"caution: {text}")


@dataclass(frozen=True)
class Call:
    """What a call with a vehicle names, read and checked."""

    vehicle: Vehicle
    boxes: list[Placed]
    plan: Script
    seed: int


def read(arguments: dict[str, Any], file: str | None = None) -> Call:
    """The vehicle, its boxes and its script by a call's options; raises InputError.

    file: a profile whose box hangs on a battery alone, where the call names no vehicle.
    """
    from nightdraw import data
    from nightdraw.board import load_board
    from nightdraw.vehicle import load_vehicle
    from nightdraw.vehicle.bare import SPLICE, bare
    from nightdraw.vehicle.script import EMPTY, load_script

    if file is not None:
        vehicle = bare(load_board(arguments["board"]).supply_nominal_mv)
        arguments = {**arguments, "boxes": (f"{file}@{SPLICE}",)}
    else:
        vehicle = load_vehicle(data.shipped("vehicles", arguments["vehicle"]))
        warn(vehicle)
    script = arguments["script"]
    plan = EMPTY if script is None else load_script(data.shipped("scripts", script), vehicle)
    boxes = place(vehicle, arguments)
    if file is not None:
        _at_once(boxes[0].plan)
    seed = arguments["seed"]
    if seed is None:
        seed = boxes[0].seed if boxes else 0
    return Call(vehicle, boxes, plan, seed)


def place(vehicle: Vehicle, arguments: dict[str, Any]) -> list[Placed]:
    """The boxes by --box PROFILE@SPLICE."""
    from nightdraw.bench.drive import Placed
    from nightdraw.bench.setup import build
    from nightdraw.profile import load

    seed, found = arguments["seed"], list[Placed]()
    if arguments["plant"] and not arguments["boxes"]:
        raise InputError("--plant says what a box really is: it needs a --box")
    named = [split(vehicle, text) for text in arguments["boxes"]]
    faults = _faults(arguments["faults"], [splice for _, splice in named])
    for k, (text, (name, splice)) in enumerate(zip(arguments["boxes"], named, strict=True)):
        if any(box.splice == splice for box in found):
            raise InputError(f"--box {text}: there is a box at {splice} already")
        profile = load(name, arguments["board"])
        _check_voltage(vehicle, profile.board, text)
        for remark in profile.notes:
            note(f"{remark.text()} (no error)")
        chosen = profile.seed if seed is None else seed
        bench = build(arguments["board"], arguments["plant"], faults[splice], chosen + k)
        found.append(Placed(splice, profile.program(seed), bench, chosen))
    return found


def _faults(texts: Sequence[str], splices: list[str]) -> dict[str, list[str]]:
    """Whose bank is broken: KIND:CHANNEL by --fault SPLICE:KIND:CHANNEL, the splice left out where there is
    one box; raises InputError."""
    found: dict[str, list[str]] = {splice: [] for splice in splices}
    for text in texts:
        splice, _, fault = text.partition(":")
        if ":" not in fault:
            if len(splices) != 1:
                hint = f"write it as {splices[0] if splices else 'SPLICE'}:{text}"
                raise InputError(
                    f"--fault {text}: with several boxes it isn't said whose bank is broken ({hint})"
                )
            splice, fault = splices[0], text
        if splice not in found:
            hint = nearest(splice[:60], splices) or f"boxes sit at: {', '.join(splices) or 'none'}"
            raise InputError(f"--fault {text}: there is no box at {splice!r} ({hint})")
        found[splice].append(fault)
    return found


def serve(arguments: dict[str, Any]) -> Any:
    """`bench serve` with a vehicle: the server, its boxes armed at the vehicle's zero."""
    from nightdraw.bench import drive
    from nightdraw.bench.serve import VehicleServer

    call = read(arguments)
    wanted = drive.Drive(1, (), seed=call.seed)
    run = drive.VehicleRecording(call.vehicle, call.boxes, wanted, call.plan, note)
    return VehicleServer(run.rig, arguments["port"], arguments["speed"])


def _check_voltage(vehicle: Vehicle, board: BoardModel, text: str) -> None:
    """Refuse a box in a vehicle of another voltage than it is built for."""
    built_v, has_v = board.supply_nominal_mv / 1000, 12 * vehicle.battery.in_series
    if abs(built_v - has_v) > has_v / 4:
        what = f"board {board.name} is built for {built_v:g} V, this vehicle has {has_v} V"
        raise InputError(f"--box {text}: {what}: it would do nothing, or be destroyed (choose a --board)")


def _at_once(plan: Any) -> None:
    """Skip what a program's start rule waits for, as `bench record FILE` does."""
    from boxcore import program

    if plan.start != program.START_POWER or plan.start_after_ticks:
        note("what its start rule waits for is skipped")
    plan.start, plan.start_after_ticks = program.START_POWER, 0


def split(vehicle: Vehicle, text: str) -> tuple[str, str]:
    """PROFILE and SPLICE of a --box; raises InputError."""
    name, at, splice = text.rpartition("@")
    if not at or not name:
        raise InputError(f"--box {text}: must be PROFILE@SPLICE")
    if vehicle.splice(splice) is None:
        known = [place.name for place in vehicle.splices]
        hint = nearest(splice, known) or f"known: {', '.join(known) or 'none'}"
        raise InputError(f"--box {text}: this vehicle has no splice {splice!r} ({hint})")
    return name, splice


def _fronts(vehicle: Vehicle, channels: tuple[str, ...], arguments: dict[str, Any]) -> Fronts:
    """What stands between the truth and the file: the bench's recorder, the school's, or nothing."""
    from nightdraw import data
    from nightdraw.bench import drive
    from nightdraw.instruments import setup
    from nightdraw.instruments.read import load_instruments
    from nightdraw.vehicle.model import DROP

    if arguments["ideal"] and arguments["instruments"]:
        raise InputError("--ideal and --instruments exclude each other")
    if arguments["ideal"]:
        return drive.ideal
    if not arguments["instruments"]:
        return drive.seen_of(vehicle)
    kit = load_instruments(data.shipped("instruments", arguments["instruments"]))
    kinds = vehicle.channels()
    clamps, drops = setup.count((kinds[name] for name in channels), DROP)
    samples = int(arguments["length"] * arguments["rate"])
    setup.check(kit, clamps, drops, arguments["rate"], samples)
    assert kit.recorder is not None  # check() refused a kit without
    across = setup.drop_front(kit.recorder)
    around = across if kit.clamp is None else setup.clamp_front(kit.clamp, kit.recorder)
    return lambda kind: across if kind == DROP else around


def record(arguments: dict[str, Any], as_json: bool) -> None:
    """`bench record` with a vehicle."""
    from nightdraw.bench import boxlog, drive
    from nightdraw.units import to_ticks

    call = read(arguments)
    channels = drive.chosen(call.vehicle, arguments["channels"])
    fronts = _fronts(call.vehicle, channels, arguments)
    out = None if arguments["out"] is None else target(arguments["out"], writes="CSV or Parquet")
    for path in [] if out is None else boxlog.beside_all(out, [box.splice for box in call.boxes]):
        target(path)
    form = arguments["form"] or ("parquet" if out is not None and out.suffix == ".parquet" else "csv")
    wanted = drive.Drive(
        to_ticks(arguments["length"]),
        channels,
        arguments["rate"],
        call.seed,
        arguments["run"],
        out,
        form,
        fronts,
    )
    wanted.check()
    with output.progress("simulating", wanted.ticks) as shown:
        done = drive.drive(call.vehicle, call.boxes, wanted, call.plan, note, shown.reach)
    journals = list(done.journals)
    document = {
        "recording": done.recording,
        "journal": journals if len(journals) > 1 else (journals[0] if journals else None),
        "samples": done.samples,
        "simulated_s": done.simulated_s,
        "boxes": list(done.boxes),
        "charge_end_pct": round(done.charge_pct, 4),
        "starts_after": done.starts,
    }
    text = f"ran for {done.simulated_s:g} s"
    if done.recording is not None:
        text += f", {done.samples} samples a channel in {done.recording}"
    if journals:
        text += f", the boxes' journals in {', '.join(str(path) for path in journals)}"
    output.finish(document, text, as_json)
