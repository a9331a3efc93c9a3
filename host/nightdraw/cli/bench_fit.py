"""`nightdraw bench vehicle`: a vehicle's file from recordings of it asleep. Parse, call, print."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from nightdraw.cli import output
from nightdraw.cli.target import target
from nightdraw.errors import InputError

if TYPE_CHECKING:
    from nightdraw.capture.read import Options


def vehicle(
    sources: tuple[str, ...], files: tuple[str, ...], out: str, channel: str | None, options: Options,
    as_json: bool, **arguments: Any,
) -> None:  # fmt: skip
    """Fit, write, and read back what was written."""
    from nightdraw import data, outputs
    from nightdraw.baseline import as_text, fit
    from nightdraw.capture.read import open_recording
    from nightdraw.vehicle import load_vehicle
    from nightdraw.vehicle.read import vehicle_name

    paths = [*sources, *files]
    if len(set(paths)) < len(paths):
        raise InputError("--from: a recording is named twice, it would count double")
    like = load_vehicle(data.shipped("vehicles", arguments["like"]))
    path = target(out, inputs=paths, writes="a vehicle in YAML")
    try:
        name = vehicle_name(arguments["name"] or path.stem)
    except ValueError as error:
        raise InputError(f"{'--name' if arguments['name'] else '--out'}: {error}") from None
    recordings = [open_recording(source, channel, options) for source in paths]
    with output.progress("reading", 2 * len(recordings)) as shown:
        for k, recording in enumerate(recordings):
            recording.on_progress = lambda share, k=k: shown.reach(k + share)  # type: ignore[misc]
        fitted = fit(recordings)
    outputs.write(path, as_text(fitted, name, like, paths).encode())
    load_vehicle(path)
    text = f"{fitted.text()}\nwritten        {path}; battery, starter and sources are those of {like.name}"
    output.finish({"vehicle": path, **fitted.document()}, text, as_json)
