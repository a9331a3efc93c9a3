"""`nightdraw capture`: measure the pulses of a recording, compare accounts of a run. Parse, call, print."""

from __future__ import annotations

import functools
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from nightdraw import units
from nightdraw.cli import output
from nightdraw.cli.params import ClampScale, Quantity
from nightdraw.errors import EXIT_CANNOT_TELL, EXIT_DONE, EXIT_NO, InputError

if TYPE_CHECKING:
    from nightdraw.capture.compare import Asked
    from nightdraw.capture.journal import Did
    from nightdraw.capture.read import Options, Recording

MAX_U32 = 0xFFFFFFFF  # seed and run number are 32-bit words of the random law
VERDICTS = {True: EXIT_DONE, False: EXIT_NO, None: EXIT_CANNOT_TELL}

channel_option = click.option(
    "--channel", metavar="NAME", help="Column of the recording, without its unit (default: the only current)."
)


READING = (  # what a file doesn't say
    click.option("--scale", type=ClampScale(), help="The clamp behind a column in volts: 100mV/A, 10A/V."),
    click.option("--rate", type=Quantity("frequency"), help="Sampling rate, where no column is a time."),
    click.option("--invert", is_flag=True, help="The clamp was the wrong way round: change every sign."),
    click.option("--from", "begin", type=Quantity("time"), help="Begin so long after the first sample."),
    click.option("--for", "length", type=Quantity("time"), help="Read so much (default: to the end)."),
    click.option("--dates", type=click.Choice(["day-first", "month-first"]), help="What 03/04 stands for."),
    click.option("--decimal", type=click.Choice(["comma", "point"]), help="The sign before decimals."),
)
WHOLE = (*READING[:3], *READING[5:])  # of recordings that are read whole


def reading_options(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command that reads recordings the options for what a file doesn't say, as one `options`."""

    return _with(command, READING)


def file_options(command: Callable[..., None]) -> Callable[..., None]:
    """The same for a command that reads recordings whole."""
    return _with(command, WHOLE)


def _with(command: Callable[..., None], reading: tuple[Callable[..., Any], ...]) -> Callable[..., None]:
    @functools.wraps(command)
    def with_options(
        scale: Fraction | None,
        rate: Fraction | None,
        invert: bool,
        dates: str | None,
        decimal: str | None,
        begin: Fraction | None = None,
        length: Fraction | None = None,
        **arguments: Any,
    ) -> None:
        from nightdraw.capture.read import Options, Part

        if (rate is not None and not rate) or (length is not None and not length):
            raise InputError("--rate and --for must be more than nothing")
        options = Options(
            scale_ma_per_mv=None if scale is None else float(scale),
            rate_hz=None if rate is None else float(rate),
            invert=invert,
            part=Part(float(begin or 0), None if length is None else float(length)),
            dates=dates,
            decimal=decimal,
        )
        command(options=options, **arguments)

    for option in reversed(reading):
        with_options = option(with_options)
    return with_options


@click.group()
def group() -> None:
    """Measure recordings, and compare them with what was asked and what the box did."""


@group.command()
@click.argument("file", metavar="FILE")
@channel_option
@click.option("--least", metavar="LEVEL", help="Leave out pulses of a lower level, like '20 mA' ('1 mV').")
@click.option(
    "--false-alarms",
    type=click.FloatRange(min=0, min_open=True),
    default=0.01,
    show_default=True,
    help="Events an hour that noise alone may make: fewer hide smaller pulses.",
)
@reading_options
@output.json_option
def pulses(
    file: str, channel: str | None, least: str | None, false_alarms: float, options: Options, as_json: bool
) -> None:
    """Pulses of a recording by IEEE Std 181: start, duration and level above the base, each with its standard
    uncertainty; kinds of pulses, steps that stay, spikes, and what was not judged.

    FILE is CSV (time and current, units in the header) or Parquet. Where it has drops across fuses (mV)
    beside a current, it is said which fuse moves with it. Exit status 3: too short or too noisy, or it looks
    inverted.
    """
    from nightdraw.capture.correlation import moves_with
    from nightdraw.capture.pulses import measure
    from nightdraw.capture.read import drops_beside, open_recording

    recording = open_recording(file, channel, options)
    drops = drops_beside(Path(file), recording, options)
    with output.progress("reading", 1) as shown:
        recording.on_progress = shown.reach
        result = measure(recording, false_alarms_per_h=false_alarms, least=_level(least, recording))
    document, text = result.document(), result.text()
    if drops:
        moving = moves_with(result.seen, drops)
        document |= moving.document()
        text += f"\n{moving.text()}"
    output.finish(document, text, as_json)


def _level(text: str | None, recording: Recording) -> float:
    """A level in the unit of a recording; 0 for none."""
    if text is None:
        return 0.0
    try:
        return float(units.parse(text, "current" if recording.unit == "mA" else "voltage")) * 1e3
    except ValueError as error:
        raise InputError(f"--least: {error}") from None


@group.command()
@click.argument("files", metavar="FILE...", nargs=-1, required=True)
@click.option("--current", metavar="COLUMN", help="The clamp's column (default: the only current).")
@click.option(
    "--fuses",
    metavar="COLUMN:10A-F,...",
    help="What each drop is across: rating and ISO 8820-3 type C, E or F (F where left out), or its "
    "resistance, like F7:7.7mohm (default: every column of volts, of unknown rating).",
)
@reading_options
@output.json_option
def culprit(
    files: tuple[str, ...], current: str | None, fuses: str | None, options: Options, as_json: bool
) -> None:
    """Which fuse carries the draw: a clamp, and at the same instants the millivolts across a few fuses.

    Several files, each with the clamp and other fuses, give one verdict over the fuse box. Exit status 0: a
    fuse is named, 1: none of these, 3: it can't be told.

    Caution: a recorder's inputs across a fuse must be differential or isolated, its laptop on the battery. A
    single-ended input shorts the vehicle's battery to ground through the recorder.
    """
    from nightdraw.capture import fuses as box
    from nightdraw.capture.read import drops_beside, open_recording

    known = None if fuses is None else box.parse(fuses)
    captures = []
    for file in files:
        clamp = open_recording(file, current, options)
        if clamp.unit != "mA":
            raise InputError(f"{file}: {clamp.channel} is no current: name the clamp's column with --current")
        captures.append(box.Capture(clamp, tuple(drops_beside(Path(file), clamp, options))))
    with output.progress("reading", len(files)) as shown:
        for k, capture in enumerate(captures):
            capture.clamp.on_progress = lambda share, k=k: shown.reach(k + share)  # type: ignore[misc]
        found = box.culprit(captures, known)
    output.finish(found.document(), found.text(), as_json, VERDICTS[found.known])


@group.command()
@click.argument("file", metavar="FILE")
@click.option("--out", metavar="PROFILE", help="The profile (default: FILE with .replay.yaml).")
@click.option("--board", metavar="FILE", help="Board file of the box (default: the 12 V box that ships).")
@channel_option
@click.option("--error", type=Quantity("percent"), default="1%", show_default=True, help="See above.")
@click.option("--name", metavar="NAME", help="The profile's name (default: after FILE).")
@reading_options
@output.json_option
def replay(
    file: str,
    out: str | None,
    board: str | None,
    channel: str | None,
    error: Fraction,
    name: str | None,
    options: Options,
    as_json: bool,
) -> None:
    """Make a profile that replays a recorded fault: the fewest levels within --error.

    The error is rms, of the highest level above the base, and of the charge. The base is the vehicle's own
    and left out; levels are what the board's bank can draw. As a proof the profile is compiled, played on
    the bench and held against the recording. Exit status 1: it doesn't follow.
    """
    from nightdraw.capture.read import open_recording
    from nightdraw.cli import replaying

    if not 0 < error <= 50:
        raise InputError("--error must be above 0 and at most 50 %")
    replaying.replay(open_recording(file, channel, options), out, board, float(error / 100), name, as_json)


@group.command()
@click.argument("files", metavar="FILE...", nargs=-1, required=True)
@click.option("--out", metavar="FILE", help="PNG, SVG, PDF or HTML (default: the first FILE with .png).")
@click.option("--channel", "channels", metavar="NAME", multiple=True, help="Only these columns; repeatable.")
@click.option(
    "--pulses/--no-pulses", default=True, help="Whether the first channel's pulses are measured and marked."
)
@click.option("--script", metavar="FILE", help="Mark what this script let happen; needs its --vehicle.")
@click.option("--vehicle", metavar="FILE", help="The vehicle of --script.")
@reading_options
@output.json_option
def plot(files: tuple[str, ...], out: str | None, options: Options, as_json: bool, **arguments: Any) -> None:
    """Draw recordings: a current, its pulses and base, the fuse channels beneath, durations and gaps.

    An HTML page is one file that needs no network; it zooms and moves by mouse, touch and keyboard. No spike
    is lost; what one crank or an open fuse socket would flatten keeps its height, and what goes beyond the
    picture is marked.
    """
    from nightdraw.cli import plotting

    plotting.recordings(files, out, options, arguments, as_json)


@group.command()
@click.option("--profile", metavar="FILE", help="What was asked: the profile.")
@click.option("--journal", metavar="FILE", help="What the box says it did: NAME.journal.jsonl.")
@click.option("--recording", metavar="FILE", help="What was seen: CSV or Parquet.")
@channel_option
@reading_options
@click.option(
    "--circuit",
    type=click.Choice(["alone", "shared"]),
    help="Whether the box was alone on what was recorded, or other loads were too, as in a vehicle "
    "(default: by the journal and the channel's name).",
)
@click.option(
    "--ohms",
    type=Quantity("resistance"),
    help="What a channel of millivolts is across, like '0.0091 ohm'; without it levels aren't compared.",
)
@click.option("--seed", type=click.IntRange(0, MAX_U32), help="Seed of the run (default: the journal's).")
@click.option("--run", type=click.IntRange(1, MAX_U32), help="Run number (default: the journal's, else 1).")
@click.option("--board", metavar="FILE", help="Board file of the box (default: the 12 V box that ships).")
@click.option(
    "--vehicle",
    metavar="FILE",
    help="The vehicle that was recorded, or the name of one that ships: what its own loads do is expected.",
)
@click.option("--script", metavar="FILE", help="What was done to --vehicle from the recording's zero on.")
@output.json_option
def compare(
    profile: str | None,
    journal: str | None,
    recording: str | None,
    channel: str | None,
    options: Options,
    circuit: str | None,
    ohms: Fraction | None,
    seed: int | None,
    run: int | None,
    board: str | None,
    vehicle: str | None,
    script: str | None,
    as_json: bool,
) -> None:
    """Hold what was asked, what the box says it did and what was seen side by side: any two, or all.

    Exit status 0: they agree, 1: they differ, 3: it can't be told.
    """
    from nightdraw.capture import compare as comparing
    from nightdraw.capture.journal import read_did
    from nightdraw.capture.read import channels, open_recording

    comparing.check_given(profile, journal, recording)
    did = None if journal is None else read_did(journal)
    asked = None if profile is None else _asked(profile, did, seed, run, board)
    seen = None if recording is None else open_recording(recording, channel, options)
    if script is not None and vehicle is None:
        raise InputError("--script is for a vehicle: say which with --vehicle")
    place = comparing.Place(
        shared=None if circuit is None else circuit == "shared",
        channels=1 if recording is None else len(channels(Path(recording), options)),
        ohms=None if ohms is None else float(ohms),
        monitored=did is not None and _monitored(did, board),
        **_vehicle(vehicle, script),
    )
    with output.progress("reading", 1) as shown:
        if seen is not None:
            seen.on_progress = shown.reach
        result = comparing.compare(asked, did, seen, place)
    output.finish(result.document(), result.text(), as_json, VERDICTS[result.agree])


def _vehicle(file: str | None, script: str | None) -> dict[str, Any]:
    """The vehicle of --vehicle and what --script did to it."""
    if file is None:
        return {}
    from nightdraw import data
    from nightdraw.vehicle import load_vehicle
    from nightdraw.vehicle.script import load_script

    vehicle = load_vehicle(data.shipped("vehicles", file))
    if script is None:
        return {"vehicle": vehicle}
    return {"vehicle": vehicle, "script": load_script(data.shipped("scripts", script), vehicle)}


def _asked(file: str, did: Did | None, seed: int | None, run: int | None, board: str | None) -> Asked:
    """What a profile asks for, with seed, run and own consumption of the journal where there is one."""
    from nightdraw.capture.compare import Asked
    from nightdraw.profile import load

    profile = load(file, board)
    if did is not None:
        if did.profile != profile.name:
            click.echo(f"note: the journal is of a run of {did.profile!r}, not {profile.name!r}", err=True)
        seed = did.seed if seed is None else seed
        run = did.run if run is None else run
    own_ua = profile.board.own_ua if did is None else round(did.own_ma * 1000)
    return Asked(profile.program(seed), run or 1, own_ua)


def _monitored(did: Did, board: str | None) -> bool:
    """Whether the box of a journal has a current monitor, by the journal or its board's file."""
    from nightdraw.board import load_board

    if did.monitor is not None:
        return did.monitor
    model = load_board(board)
    return model.name == did.board and model.monitor
