"""The vehicle's half of `nightdraw bench`: files, boxes and channels from a call. Parse, call, print."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from nightdraw.cli import output
from nightdraw.errors import Finding, InputError, nearest

if TYPE_CHECKING:
    from nightdraw.bench.drive import Fronts, Placed
    from nightdraw.vehicle.model import Vehicle
    from nightdraw.vehicle.script import Script


def note(text: str) -> None:
    """A line for people, on standard error."""
    click.echo(text, err=True)


@dataclass(frozen=True)
class Call:
    """What a call with a vehicle names, read and checked."""

    vehicle: Vehicle
    boxes: list[Placed]
    plan: Script
    seed: int


def read(words: dict[str, Any]) -> Call:
    """The vehicle, its boxes and its script by a call's options; raises InputError."""
    from nightdraw import data
    from nightdraw.vehicle import load_vehicle
    from nightdraw.vehicle.script import EMPTY, load_script

    vehicle = load_vehicle(data.shipped("vehicles", words["vehicle"]))
    script = words["script"]
    plan = EMPTY if script is None else load_script(data.shipped("scripts", script), vehicle)
    boxes = place(vehicle, words)
    seed = words["seed"]
    if seed is None:
        seed = boxes[0].seed if boxes else 0
    return Call(vehicle, boxes, plan, seed)


def place(vehicle: Vehicle, words: dict[str, Any]) -> list[Placed]:
    """The boxes by --box PROFILE@SPLICE."""
    from nightdraw import data
    from nightdraw.bench.drive import Placed
    from nightdraw.bench.setup import build
    from nightdraw.profile import load

    seed, found = words["seed"], list[Placed]()
    if words["faults"] and len(words["boxes"]) != 1:
        raise InputError("--fault needs exactly one --box: with several it isn't said whose bank is broken")
    for k, text in enumerate(words["boxes"]):
        name, splice = split(vehicle, text)
        if any(box.splice == splice for box in found):
            raise InputError(f"--box {text}: there is a box at {splice} already")
        path = Path(name)
        profile = load(path if path.exists() else _shipped(name, data.profile_path(name)), words["board"])
        for remark in profile.notes:
            note(f"{remark.text()} (no error)")
        chosen = profile.seed if seed is None else seed
        bench = build(words["board"], words["plant"], words["faults"], chosen + k)
        found.append(Placed(splice, profile.program(seed), bench, chosen))
    return found


def _shipped(name: str, path: Path) -> Path:
    return path if path.is_file() else Path(name)


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


def target(out: str | None, sources: list[str]) -> Path | None:
    """Where the recording goes, never over a file that it comes from."""
    if out is None:
        return None
    path = Path(out)
    if any(path.exists() and Path(source).exists() and path.samefile(source) for source in sources):
        raise InputError(Finding("this is one of the inputs", out, hint="choose another name for --out"))
    return path


def _fronts(vehicle: Vehicle, channels: tuple[str, ...], words: dict[str, Any]) -> Fronts:
    """What stands between the truth and the file: the bench's recorder, the school's, or nothing."""
    from nightdraw import data
    from nightdraw.bench import drive
    from nightdraw.instruments import setup
    from nightdraw.instruments.read import load_instruments
    from nightdraw.vehicle.model import DROP

    if words["ideal"] and words["instruments"]:
        raise InputError("--ideal and --instruments exclude each other")
    if words["ideal"]:
        return drive.ideal
    if not words["instruments"]:
        return drive.usual
    kit = load_instruments(data.shipped("instruments", words["instruments"]))
    kinds = vehicle.channels()
    clamps, drops = setup.count((kinds[name] for name in channels), DROP)
    samples = int(words["length"] * words["rate"])
    setup.check(kit, clamps, drops, words["rate"], samples)
    assert kit.recorder is not None  # check() refused a kit without
    across = setup.drop_front(kit.recorder)
    around = across if kit.clamp is None else setup.clamp_front(kit.clamp, kit.recorder)
    return lambda kind: across if kind == DROP else around


def record(words: dict[str, Any], as_json: bool) -> None:
    """`bench record` with a vehicle."""
    from nightdraw.bench import drive
    from nightdraw.units import to_ticks

    call = read(words)
    out = words["out"]
    sources = [words["vehicle"], words["script"] or "", *(text.rpartition("@")[0] for text in words["boxes"])]
    form = words["form"] or ("parquet" if out is not None and out.endswith(".parquet") else "csv")
    channels = drive.chosen(call.vehicle, words["channels"])
    wanted = drive.Drive(
        to_ticks(words["length"]),
        channels,
        words["rate"],
        call.seed,
        words["run"],
        target(out, sources),
        form,
        _fronts(call.vehicle, channels, words),
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
    }
    text = f"ran for {done.simulated_s:g} s"
    if done.recording is not None:
        text += f", {done.samples} samples a channel in {done.recording}"
    if journals:
        text += f", the boxes' journals in {', '.join(str(path) for path in journals)}"
    output.finish(document, text, as_json)
