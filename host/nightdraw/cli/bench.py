"""`nightdraw bench`: run the box's own firmware in a simulated world. Parse, call, print."""

from __future__ import annotations

import json
import re
import signal
from typing import Any

import click

from nightdraw.cli import library, output
from nightdraw.cli.capture import channel_option, file_options
from nightdraw.cli.params import Quantity
from nightdraw.cli.target import target
from nightdraw.errors import InputError

MAX_U32 = 0xFFFFFFFF  # seed and run number are 32-bit words of the random law
MAX_PORT = 65_535

board_option = click.option(
    "--board", metavar="FILE", help="What the box believes it is (default: the 12 V box that ships)."
)
plant_option = click.option(
    "--plant",
    metavar="FILE",
    help="What the box really is; it stays untrimmed (default: resistors within tolerance, box trimmed).",
)
fault_option = click.option(
    "--fault",
    "faults",
    metavar="KIND:CHANNEL",
    multiple=True,
    help="stuck-on:3 or open:3; repeatable; tailgate:open:3 for the box at that splice.",
)


@click.group()
def group() -> None:
    """Run the box's own firmware on a simulated bench, in virtual time."""


group.add_command(library.worlds)

vehicle_option = click.option(
    "--vehicle", metavar="FILE", help="A vehicle's file, or the name of one that ships."
)
box_option = click.option(
    "--box",
    "boxes",
    metavar="PROFILE@SPLICE",
    multiple=True,
    help="A profile played by a box at a splice of the vehicle; repeatable, instead of FILE.",
)
script_option = click.option(
    "--script", metavar="FILE", help="What happens to the vehicle, or the name of one that ships."
)
seed_option = click.option(
    "--seed",
    type=click.IntRange(0, MAX_U32),
    help="Instead of the profile's own; noise and resistors follow.",
)
run_option = click.option(
    "--run", type=click.IntRange(1, MAX_U32), default=1, show_default=True, help="Run number; counts arms."
)


def world_options(command: Any) -> Any:
    """What every command takes that runs boxes, alone or in a vehicle; listed in this order."""
    options = (
        seed_option, run_option, board_option, plant_option, fault_option, vehicle_option, box_option,
        script_option,
    )  # fmt: skip
    for option in reversed(options):
        command = option(command)
    return command


@group.command()
@click.argument("file", metavar="[FILE]", required=False)
@click.option(
    "--for", "length", type=Quantity("time"), default="10min", show_default=True, help="How much of the run."
)
@click.option("--out", metavar="FILE.csv", help="The recording; without it the box only runs.")
@click.option(
    "--rate", type=Quantity("frequency"), default="1kHz", show_default=True, help="Samples a second."
)
@world_options
@click.option(
    "--channel",
    "channels",
    metavar="NAME",
    multiple=True,
    help="battery, a feed (amperes), a fuse's drop (millivolts), or all; repeatable.",
)
@click.option(
    "--format", "form", type=click.Choice(["csv", "parquet"]), help="csv where --out doesn't end in .parquet."
)
@click.option("--instruments", metavar="FILE", help="The school's instruments and their limits.")
@click.option("--ideal", is_flag=True, help="The truth: no noise, every digit.")
@output.json_option
def record(file: str | None, as_json: bool, **arguments: Any) -> None:
    """Run a profile on the bench and record what a current clamp sees.

    Zero is the run's start: what the start rule waits for is skipped, and said. The journal of the box is
    written beside the recording as NAME.journal.jsonl.

    With --vehicle and --box the boxes sit at splices of a vehicle and any of its channels are recorded. Zero
    is then the instant at which they are armed and --script begins; each box starts by its own rule.
    """
    if arguments["vehicle"] is not None:
        from nightdraw.cli import bench_vehicle

        if file is not None:
            raise InputError(BOX_NOT_FILE)
        bench_vehicle.record(arguments, as_json)
        return
    _needs_vehicle(arguments, VEHICLE_ONLY)
    if file is None:
        raise InputError("a profile is needed: FILE, or --vehicle with --box PROFILE@SPLICE")
    _record_one(file, arguments, as_json)


VEHICLE_ONLY = ("boxes", "script", "channels", "form", "instruments", "ideal")
NAMES_OF = {"boxes": "box", "channels": "channel", "form": "format"}
BOX_NOT_FILE = "with --vehicle a profile is named with --box PROFILE@SPLICE, not as FILE"


def _needs_vehicle(arguments: dict[str, Any], names: tuple[str, ...]) -> None:
    given = [name for name in names if arguments[name]]
    if given:
        raise InputError(f"--{NAMES_OF.get(given[0], given[0])} needs --vehicle")


def _record_one(file: str, arguments: dict[str, Any], as_json: bool) -> None:
    """One box on a supply of its own."""
    from nightdraw.bench.journalfile import path_beside
    from nightdraw.bench.record import RecordingRequest
    from nightdraw.bench.record import record as run_it
    from nightdraw.bench.setup import build
    from nightdraw.profile import load
    from nightdraw.units import to_ticks

    seed = arguments["seed"]
    profile = load(file, arguments["board"])
    for note in profile.notes:
        _note(f"{note.text()} (no error)")
    chosen = profile.seed if seed is None else seed
    bench = build(arguments["board"], arguments["plant"], arguments["faults"], chosen)
    out = None if arguments["out"] is None else target(arguments["out"], writes="CSV")
    if out is not None:
        target(path_beside(out))
    wanted = RecordingRequest(to_ticks(arguments["length"]), chosen, arguments["rate"], arguments["run"], out)
    with output.progress("simulating", wanted.ticks) as shown:
        done = run_it(profile.program(seed), bench, wanted, _note, shown.reach)
    document = {
        "recording": done.recording,
        "journal": done.journal,
        "samples": done.samples,
        "simulated_s": done.simulated_s,
    }
    text = f"ran for {done.simulated_s:g} s"
    if done.recording is not None:
        text += f", {done.samples} samples in {done.recording}, the box's journal in {done.journal}"
    output.finish(document, text, as_json)


def _note(text: str) -> None:
    click.echo(text, err=True)


@group.command()
@click.option(
    "--port",
    type=click.IntRange(0, MAX_PORT),
    default=0,
    show_default=True,
    help="TCP port; 0: any free one.",
)
@click.option("--pty", is_flag=True, help="Serve on a pseudo-terminal too, as on a serial port.")
@click.option(
    "--serial",
    metavar="TEXT",
    help="The box's serial number (default: made of the port's, unlike any other's).",
)
@click.option("--speed", type=float, default=1.0, show_default=True, help="Simulated seconds in a second.")
@board_option
@plant_option
@fault_option
@vehicle_option
@box_option
@script_option
@seed_option
def serve(pty: bool, serial: str | None, speed: float, **arguments: Any) -> None:
    """Serve a simulated box as an instrument on the loopback, until it is terminated.

    The first line on standard output is one JSON object that says where: socket and pty. Any program that
    speaks SCPI can connect; DIAGnostic:CLOCk:ADVance <seconds> lets time jump.

    With --vehicle and --box a whole vehicle runs on, each box armed and on a socket of its own; the first
    line then has boxes (splice and socket of each) and control: a socket that takes a script's actions, a
    line each (door opens, pull F7, engine 5 min, wait 1 h, state), and answers each with one JSON object.
    """
    from nightdraw.bench.serve import MAX_SPEED, Server
    from nightdraw.bench.setup import build

    if not 0 < speed <= MAX_SPEED:
        raise InputError(f"--speed must be above 0 and at most {MAX_SPEED}")
    if arguments["vehicle"] is not None:
        from nightdraw.cli import bench_vehicle

        if pty or serial is not None:
            raise InputError(
                "--pty and --serial don't go with --vehicle: each box has a socket and its splice's name"
            )
        live = bench_vehicle.serve({**arguments, "speed": speed})
        signal.signal(signal.SIGTERM, lambda number, frame: live.stop())
        output.say(json.dumps(live.where()))
        live.run()
        return
    _needs_vehicle(arguments, ("boxes", "script", "seed"))
    world = build(arguments["board"], arguments["plant"], arguments["faults"]).world()
    if serial is not None:
        if not re.fullmatch(r"[A-Za-z0-9-]{1,24}", serial):
            raise InputError("--serial takes 1 to 24 letters, digits and dashes")
        world.rename(serial)
    server = Server(world, arguments["port"], pty, speed)
    signal.signal(signal.SIGTERM, lambda number, frame: server.stop())
    output.say(json.dumps({"socket": server.address, "pty": server.path}))
    server.run()


@group.command()
@vehicle_option
@box_option
@click.option("--instruments", metavar="FILE", help="What is at hand (default: the workshop that ships).")
@script_option
@click.option(
    "--speed", type=float, default=1.0, show_default=True, help="Simulated seconds in a second, 1 to 600."
)
@click.option(
    "--port", type=click.IntRange(0, MAX_PORT), default=0, show_default=True, help="The page's; 0: any free."
)
@click.option("--practice", is_flag=True, help="Nothing that the page gets tells the answer.")
@click.option("--plan", metavar="PLAN", help="A lesson's plan, instead of a vehicle and boxes.")
@click.option(
    "--group", "groups", multiple=True, help="Whose assignment of the plan; repeatable (default: all)."
)
@click.option("--answers", metavar="DIR", help="Write what is handed in there, as `lesson mark` takes it.")
@click.option("--words", "translated", metavar="FILE", help="A translation of the page's words.toml.")
@seed_option
@board_option
@plant_option
@fault_option
def live(**arguments: Any) -> None:
    """A live vehicle on a page in the browser, with the boxes' real firmware behind it.

    The first line on standard output is one JSON object: url, the page's address on this computer, and boxes,
    the socket of each box's link. Whoever has the address may use the page; several at once each get a
    vehicle of their own. It ends when it is terminated, or with Ctrl-C.

    With --plan each group has an address of its own; they and the instructor's, which shows every path beside
    the quickest, are told on standard error.
    """
    from nightdraw.cli import bench_live

    server = bench_live.serve(arguments)
    signal.signal(signal.SIGTERM, lambda number, frame: server.stop())
    output.say(json.dumps(server.where()))
    server.run()


@group.command()
@click.argument("file", required=False, metavar="[FILE]")
@click.option(
    "--for", "length", type=Quantity("time"), default="10min", show_default=True, help="How long it is read."
)
@click.option("--meter", metavar="FILE", help="Instruments with a meter (default: the workshop that ships).")
@click.option("--range", "scale", type=Quantity("current"), help="The meter's range (default: its highest).")
@click.option(
    "--channel",
    metavar="NAME",
    default="battery",
    show_default=True,
    help="battery: in line in its cable; a fuse: the millivolt meter across it.",
)
@world_options
@output.json_option
def meter(file: str | None, as_json: bool, **arguments: Any) -> None:
    """What a hand-held meter in the battery's cable shows over time, MIN and MAX included.

    Its burden is in the circuit. MAX and MIN show an event whole that lasts as long as their capture time; a
    shorter one shows too little. FILE is a profile whose box hangs on a battery alone; with --vehicle the
    boxes are named with --box.
    """
    from nightdraw.cli import bench_look

    if arguments["vehicle"] is None:
        if file is None:
            raise InputError("a profile is needed: FILE, or --vehicle with --box PROFILE@SPLICE")
        _needs_vehicle(arguments, ("boxes", "script"))
    elif file is not None:
        raise InputError(BOX_NOT_FILE)
    bench_look.meter(file, arguments, as_json)


@group.command()
@click.argument("file", metavar="FILE")
@click.option("--out", metavar="FILE.png", help="PNG, SVG, PDF or HTML (default: FILE with .png).")
@click.option("--channel", "channels", metavar="NAME", multiple=True, help="Only these channels.")
@script_option
@vehicle_option
@click.option(
    "--from", "begin", type=Quantity("time"), help="Where the picture begins (default: where FILE does)."
)
@click.option(
    "--for", "length", type=Quantity("time"), help="How much (default: a recording's rest, a profile's hour)."
)
@seed_option
@run_option
@board_option
@output.json_option
def view(file: str, out: str | None, as_json: bool, **arguments: Any) -> None:
    """Draw a recording, or the coming hour of a profile (FILE.yaml).

    --script and its --vehicle mark what happened. `capture plot` measures the pulses too.
    """
    from nightdraw.cli import bench_look

    bench_look.view(file, out, arguments, as_json)


@group.command()
@click.option("--profile", metavar="FILE", required=True, help="The fault: a file, or one that ships.")
@click.option("--vehicle", metavar="FILE", required=True, help="The vehicle: a file, or one that ships.")
@click.option(
    "--instruments", metavar="FILE", help="What the school owns (default: the workshop that ships)."
)
@click.option("--splice", metavar="NAME", help="Where the box sits (default: the vehicle's first splice).")
@click.option(
    "--assumptions",
    metavar="FILE",
    help="Handling times and patience of your classes (default: those that ship).",
)
@script_option
@click.option(
    "--at",
    type=Quantity("time"),
    help="The script's instant at which one searches (default: its last event).",
)
@seed_option
@board_option
@output.json_option
def findable(as_json: bool, **arguments: Any) -> None:
    """Whether a fault can be found with these instruments: by which method, with which settings, how long.

    Times count from a sleeping vehicle (how long it takes to fall asleep is said once), over random starts
    and fuse positions; by simulation, and by formula where one draw makes the pulses.
    """
    from nightdraw.cli import bench_look

    bench_look.findable(arguments, as_json)


@group.command()
@click.option(
    "--from",
    "sources",
    metavar="FILE",
    multiple=True,
    required=True,
    help="A recording of it asleep; repeatable.",
)
@click.option("--out", metavar="FILE.yaml", required=True, help="The vehicle's file.")
@click.option("--name", metavar="NAME", help="The vehicle's name (default: after --out).")
@click.option(
    "--like", metavar="FILE", default="vehicle-1", show_default=True,
    help="Whose battery, starter and sources it has: a recording doesn't show them.",
)  # fmt: skip
@click.argument("files", metavar="[RECORDING...]", nargs=-1)
@channel_option
@file_options
@output.json_option
def vehicle(as_json: bool, **arguments: Any) -> None:
    """Fit a vehicle from recordings of a real one asleep: `--from RECORDING... --out VEHICLE`.

    Sleep steps, what comes again by itself, and noise are taken from currents around the battery's cable; how
    much of them the vehicle explains is told, and what it doesn't. Exit status 3: a recording shows no
    sleeping vehicle, or too little of it.
    """
    from nightdraw.cli import bench_fit

    bench_fit.vehicle(as_json=as_json, **arguments)
