"""`nightdraw bench`: run the box's own firmware in a simulated world. Parse, call, print."""

from __future__ import annotations

import json
import signal
from fractions import Fraction
from pathlib import Path

import click

from nightdraw.cli import output
from nightdraw.cli.params import Quantity
from nightdraw.errors import Finding, InputError

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
    "--fault", "faults", metavar="KIND:CHANNEL", multiple=True, help="stuck-on:3 or open:3; repeatable."
)


@click.group()
def group() -> None:
    """Run the box's own firmware on a simulated bench, in virtual time."""


@group.command()
@click.argument("file", metavar="FILE")
@click.option(
    "--for", "length", type=Quantity("time"), default="10min", show_default=True, help="How much of the run."
)
@click.option("--out", metavar="FILE.csv", help="The recording; without it the box only runs.")
@click.option(
    "--rate", type=Quantity("frequency"), default="1kHz", show_default=True, help="Samples a second."
)
@click.option(
    "--seed",
    type=click.IntRange(0, MAX_U32),
    help="Instead of the profile's own; noise and resistors follow.",
)
@click.option(
    "--run", type=click.IntRange(1, MAX_U32), default=1, show_default=True, help="Run number; counts arms."
)
@board_option
@plant_option
@fault_option
@output.json_option
def record(
    file: str,
    length: Fraction,
    out: str | None,
    rate: Fraction,
    seed: int | None,
    run: int,
    board: str | None,
    plant: str | None,
    faults: tuple[str, ...],
    as_json: bool,
) -> None:
    """Run a profile on the bench and record what a current clamp sees.

    Zero is the run's start: what the start rule waits for is skipped, and said. The journal of the box is
    written beside the recording as NAME.journal.jsonl.
    """
    from nightdraw.bench.record import Wanted
    from nightdraw.bench.record import record as run_it
    from nightdraw.bench.setup import build
    from nightdraw.profile import load
    from nightdraw.units import to_ticks

    profile = load(file, board)
    for note in profile.notes:
        _note(f"{note.text()} (no error)")
    chosen = profile.seed if seed is None else seed
    wanted = Wanted(to_ticks(length), chosen, rate, run, _target(out, file))
    bench = build(board, plant, faults, chosen)
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


def _target(out: str | None, source: str) -> Path | None:
    """Where the recording goes, never over the profile that it comes from."""
    if out is None:
        return None
    target = Path(out)
    if target.exists() and target.samefile(source):
        raise InputError(Finding("this is the profile itself", out, hint="choose another name for --out"))
    return target


@group.command()
@click.option(
    "--port",
    type=click.IntRange(0, MAX_PORT),
    default=0,
    show_default=True,
    help="TCP port; 0: any free one.",
)
@click.option("--pty", is_flag=True, help="Serve on a pseudo-terminal too, as on a serial port.")
@click.option("--speed", type=float, default=1.0, show_default=True, help="Simulated seconds in a second.")
@board_option
@plant_option
@fault_option
def serve(
    port: int, pty: bool, speed: float, board: str | None, plant: str | None, faults: tuple[str, ...]
) -> None:
    """Serve a simulated box as an instrument on the loopback, until it is terminated.

    The first line on standard output is one JSON object that says where: socket and pty. Any program that
    speaks SCPI can connect; DIAGnostic:CLOCk:ADVance <seconds> lets time jump.
    """
    from nightdraw.bench.serve import MAX_SPEED, Server
    from nightdraw.bench.setup import build

    if not 0 < speed <= MAX_SPEED:
        raise InputError(f"--speed must be above 0 and at most {MAX_SPEED}")
    server = Server(build(board, plant, faults).world(), port, pty, speed)
    signal.signal(signal.SIGTERM, lambda number, frame: server.stop())
    output.say(json.dumps({"socket": server.address, "pty": server.path}))
    server.run()
