"""The recorder's picture: what a page asks to see, and the columns that it gets; the recording as a file.

A picture is one line of JSON and then, behind its newline, little-endian single-precision numbers: for each
channel the lowest values of all columns, then the highest.
"""

from __future__ import annotations

import asyncio
import json
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from nightdraw.bench.tables import TableFile
from nightdraw.live.asked import number, whole
from nightdraw.live.recorder import Recording
from nightdraw.live.vehicle import LiveVehicle

if TYPE_CHECKING:
    from starlette.responses import Response

    from nightdraw.report.words import Words

COLUMNS = (10, 4000)
MOST_S = 1e7
BEFORE = 0.2  # of the time across the screen lies before the trigger
END, TRIGGER = "end", "trigger"


@dataclass(frozen=True)
class View:
    """So many seconds from `begin_s` of the recording on; None: its end, or the last trigger."""

    for_s: float
    columns: int
    begin_s: float | None
    follow: str = END


def view(asked: dict[str, Any], words: Words) -> View:
    """What a message asks to see; raises RefusedError."""
    begin_s = None if asked.get("from_s") is None else number(words, asked, "from_s", -MOST_S, MOST_S)
    follow = TRIGGER if asked.get("follow") == TRIGGER else END
    return View(
        number(words, asked, "for_s", 1e-3, MOST_S), whole(words, asked, "columns", *COLUMNS), begin_s, follow
    )


def begin(recording: Recording, seen: View) -> float:
    """Where a view begins, seconds after the recording's begin."""
    if seen.begin_s is not None:
        return seen.begin_s
    if seen.follow == TRIGGER and recording.triggers:
        reach = [
            one
            for one in recording.triggers
            if one / recording.rate + seen.for_s * (1 - BEFORE) <= _end(recording)
        ]
        at = reach[-1] if reach else recording.triggers[-1]
        return at / recording.rate - BEFORE * seen.for_s
    return max(0.0, _end(recording) - seen.for_s)


def _end(recording: Recording) -> float:
    return max(0, recording.count - 1) / recording.rate


def state(live: LiveVehicle, seen: View) -> tuple[object, ...]:
    """What a picture depends on: the same, the same picture."""
    recording = live.recording
    if recording is None:
        return (None,)
    begin_s = begin(recording, seen)
    reached = min(_end(recording), begin_s + seen.for_s)
    return id(recording), seen, begin_s, reached, recording.running


def picture(live: LiveVehicle, seen: View) -> bytes:
    """The message."""
    recording = live.recording
    if recording is None:
        return b'{"plot": null}\n'
    import numpy as np

    begin_s = begin(recording, seen)
    found = recording.envelope(max(0.0, begin_s), seen.for_s + min(0.0, begin_s), seen.columns)
    head = {
        "plot": {
            "columns": recording.header(),
            "begin_s": begin_s,
            "for_s": seen.for_s,
            "end_s": _end(recording),
            "rate": recording.rate,
            "edges_s": [round(edge / recording.rate, 6) for edge in found.edges.tolist()],
            "triggers_s": [
                one / recording.rate
                for one in recording.triggers
                if begin_s <= one / recording.rate <= begin_s + seen.for_s
            ][-200:],
        }
    }
    rows = np.stack((found.low, found.high), axis=1).astype("<f4")
    return json.dumps(head, allow_nan=False).encode() + b"\n" + rows.tobytes()


async def download(live: LiveVehicle, form: str, headers: dict[str, str]) -> Response:
    """The recording until now as CSV or Parquet, as capture reads it."""
    from starlette.background import BackgroundTask
    from starlette.responses import FileResponse, PlainTextResponse

    recording = live.recording
    if recording is None or not recording.count:
        return PlainTextResponse(live.words("no.recording"), 404, headers=headers)
    folder = tempfile.TemporaryDirectory()
    path = Path(folder.name) / f"recording.{form}"
    pieces = recording.pieces()
    try:
        with TableFile(path, recording.header(), form) as table:
            for piece in pieces:  # read here, where nothing else moves the file; written beside
                await asyncio.to_thread(table.write, piece[0], *piece[1])
            table.keep()
    except BaseException:
        folder.cleanup()
        raise
    return FileResponse(path, filename=path.name, headers=headers, background=BackgroundTask(folder.cleanup))
