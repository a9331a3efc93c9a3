"""`capture plot` and `bench view`: recordings as a picture or a page. Parse, call, print."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from nightdraw.cli import output
from nightdraw.cli.target import target
from nightdraw.errors import InputError

if TYPE_CHECKING:
    from nightdraw.capture.read import Options, Recording
    from nightdraw.report.chart import Chart

PAGES = (".html", ".htm")


def write(path: Path, chart: Chart) -> None:
    """The chart as a page or a still picture, by the file's suffix."""
    from nightdraw.report import page, still
    from nightdraw.report.run import FORMATS

    if path.suffix.lower() in PAGES:
        page.write(path, chart)
    elif path.suffix.lower() in FORMATS:
        still.draw(path, chart)
    else:
        kinds = ", ".join((*FORMATS, PAGES[0]))
        raise InputError(f"a plot is written as {kinds}, not as {path.suffix or path.name}")


def recordings(
    files: tuple[str, ...], out: str | None, options: Options, arguments: dict[str, Any], as_json: bool
) -> None:
    """Draw one or several recordings; arguments: channels, pulses, and script and vehicle where there are."""
    from nightdraw.capture import plot

    picture = target(Path(files[0]).with_suffix(".png") if out is None else out, files)
    channels = [one for file in files for one in _channels(file, arguments["channels"], options, len(files))]
    if not channels:
        raise InputError(f"no file has a channel {' or '.join(arguments['channels'])}")
    wanted = plot.Wanted(channels, arguments["pulses"], _events(arguments))
    with output.progress("reading", len(channels)) as shown:
        for k, channel in enumerate(channels):
            channel.on_progress = lambda share, k=k: shown.reach(k + share)  # type: ignore[misc]
        chart = plot.chart(wanted)
    write(picture, chart)
    samples = sum(strip.band.samples for strip in chart.strips)
    document = {"plot": str(picture), "samples": samples, "drawn": chart.drawn}
    output.finish(document, f"drawn in {picture}", as_json)


def _channels(file: str, named: tuple[str, ...], options: Options, files: int) -> list[Recording]:
    """The channels of a file that are drawn: those named, else all, currents first.

    Of several files each may lack some of the names. --scale and --invert are the clamp's: the first name's,
    or the only one's that could be it.
    """
    from dataclasses import replace

    from nightdraw.capture.read import channels, open_recording

    drops = replace(options, scale_ma_per_mv=None, invert=False, voltage=True)
    names = channels(Path(file), options) if files > 1 or not named else named
    found = [open_recording(file, name, drops) for name in names]
    if named:
        found = [one for one in found if files == 1 or one.channel in named]
    else:
        found = sorted(found, key=lambda one: one.unit != "mA")
    if found and (options.scale_ma_per_mv is not None or options.invert):
        clamp = open_recording(file, named[0] if named else None, options)
        found = [clamp, *(one for one in found if one.channel != clamp.channel)]
    return found


def _events(arguments: dict[str, Any]) -> list[tuple[float, str]]:
    """What a script lets happen, by the vehicle that it is for."""
    from nightdraw import data
    from nightdraw.units import TICKS_PER_S
    from nightdraw.vehicle import load_vehicle
    from nightdraw.vehicle.script import load_script

    script, vehicle = arguments.get("script"), arguments.get("vehicle")
    if script is None:
        return []
    if vehicle is None:
        raise InputError("--script names fuses and doors of a vehicle: say which with --vehicle")
    plan = load_script(data.shipped("scripts", script), load_vehicle(data.shipped("vehicles", vehicle)))
    return [(event.at_ticks / TICKS_PER_S, f"{event.action} {event.word}".strip()) for event in plan.events]
