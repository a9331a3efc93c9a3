"""`nightdraw bench meter`, `view` and `findable`: what instruments show. Parse, call, print."""

from __future__ import annotations

import heapq
import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from nightdraw.cli import findable_text, output
from nightdraw.cli.bench_vehicle import Call, note, read, warn
from nightdraw.cli.target import target
from nightdraw.errors import Finding, InputError, nearest

if TYPE_CHECKING:
    from nightdraw.bench.drive import Drive
    from nightdraw.bench.finding.circuit import State
    from nightdraw.bench.metering import Reading, Shown
    from nightdraw.instruments.model import Instruments
    from nightdraw.vehicle.model import Vehicle

HOUR_S = 3600
MOST_STATE_S = 31 * 24 * HOUR_S  # a script's own longest time
FIRST_LINES = 10  # readings printed for people; the JSON document has all
MOST_CHANGES = 40  # printed beside them: several pulses with their edges


def kit(name: str | None) -> Instruments:
    """The instruments by file or shipped name; the usual workshop's where none is named."""
    from nightdraw import data
    from nightdraw.instruments.read import load_instruments

    return load_instruments(data.shipped("instruments", name or "workshop"))


def meter(file: str | None, arguments: dict[str, Any], as_json: bool) -> None:
    """`bench meter`; file: a profile on a battery alone."""
    from nightdraw.bench import drive
    from nightdraw.units import to_ticks
    from nightdraw.vehicle.model import BATTERY

    tools = kit(arguments["meter"])
    call = read(arguments, file)
    channel = arguments["channel"]
    places = [BATTERY, *call.vehicle.fuse_names()]
    if channel not in places:
        hint = nearest(channel[:60], places) or f"known: {', '.join(places)}"
        raise InputError(
            f"--channel {channel}: a meter is put in the battery's cable or across a fuse ({hint})"
        )
    ticks = to_ticks(arguments["length"])
    wanted = drive.Drive(ticks, (channel,), seed=call.seed, run=arguments["run"], fronts=drive.ideal)
    wanted.check()
    measure = _in_line if channel == BATTERY else _across
    with output.progress("simulating", ticks) as shown:
        seen = measure(call, tools, arguments["scale"], wanted, shown.reach)
    output.finish(seen.document(), _lines(seen), as_json)


def _in_line(call: Call, tools: Instruments, asked: Any, wanted: Drive, progress: Any) -> Shown:
    from nightdraw.bench import metering
    from nightdraw.units import show

    if tools.meter is None:
        raise InputError(f"instruments {tools.name}: there is no meter among them")
    scale = tools.meter.range_for(None if asked is None else float(asked))
    if scale is None:
        known = ", ".join(f"{one.most_a:g} A" for one in tools.meter.ranges)
        name = show(asked, "current")
        raise InputError(f"--range {name}: instruments {tools.name} have no such range ({known})")
    note(f"in line, in the {scale.most_a:g} A range: {scale.ohms:g} ohm of burden")
    return metering.in_line(call.vehicle, call.boxes, wanted, call.plan, tools.meter, scale, note, progress)


def _across(call: Call, tools: Instruments, asked: Any, wanted: Drive, progress: Any) -> Shown:
    from nightdraw.bench import metering

    if asked is not None:
        raise InputError("--range is the meter's in line: it doesn't go with a fuse as --channel")
    if tools.fuse_meter is None:
        raise InputError(f"instruments {tools.name}: there is no millivolt meter for fuses among them")
    return metering.across(call.vehicle, call.boxes, wanted, call.plan, tools.fuse_meter, note, progress)


def _lines(seen: Shown) -> str:
    unit = {"ma": "mA", "mv": "mV"}[seen.unit]
    head = f"MAX {_shown(seen.max_shown)} {unit}, MIN {_shown(seen.min_shown)} {unit}"
    head += f" in {len(seen.readings)} readings"
    if len(seen.readings) > FIRST_LINES:
        head += f"; listed are the first {FIRST_LINES} and the {MOST_CHANGES} largest changes"
    rows = [f"{t_s:10.2f} s  {_shown(shown):>10} {unit}" for t_s, shown in _listed(seen.readings)]
    return "\n".join([head, *rows])


def _listed(readings: Sequence[Reading]) -> list[Reading]:
    """The first readings, and of the others those that changed most: a pulse of the fault is not to drown in
    a last digit that comes and goes."""
    changes = []
    for k in range(FIRST_LINES, len(readings)):
        before, now = readings[k - 1][1], readings[k][1]
        if before != now:  # to overload and back is more than any figure
            changes.append((math.inf if before is None or now is None else abs(now - before), -k))
    largest = {-minus_k for _, minus_k in heapq.nlargest(MOST_CHANGES, changes)}
    return [reading for k, reading in enumerate(readings) if k < FIRST_LINES or k in largest]


def _shown(value: float | None) -> str:
    return "overload" if value is None else f"{value:g}"


def view(file: str, out: str | None, arguments: dict[str, Any], as_json: bool) -> None:
    """`bench view`."""
    from nightdraw.capture.read import Options, Part
    from nightdraw.cli import plotting

    path = Path(file)
    if path.suffix.lower() not in (".yaml", ".yml"):
        begin_s, length = float(arguments["begin"] or 0), arguments["length"]
        if begin_s < 0 or (length is not None and length <= 0):
            raise InputError("--from can't be negative, and --for must be more than nothing")
        options = Options(part=Part(begin_s, None if length is None else float(length)))
        plotting.recordings((file,), out, options, {**arguments, "pulses": False}, as_json)
        return
    drawn = _view_profile(path, path.with_suffix(".png") if out is None else out, arguments)
    output.finish({"plot": drawn}, f"drawn in {drawn}", as_json)


def _view_profile(path: Path, out: str | Path, arguments: dict[str, Any]) -> Path:
    """The coming hour of a profile."""
    import numpy as np

    from nightdraw.cli import plotting
    from nightdraw.profile import load, timeline
    from nightdraw.report import chart as ch
    from nightdraw.units import TICKS_PER_S, to_ticks

    profile = load(path, arguments["board"])
    picture = target(out)
    begin = 0 if arguments["begin"] is None else to_ticks(arguments["begin"])
    ticks = HOUR_S * TICKS_PER_S if arguments["length"] is None else to_ticks(arguments["length"])
    if ticks < 1 or not 0 <= begin <= timeline.MAX_FOR_TICKS - ticks:
        raise InputError("--for must be at least 1 tick (0.1 ms), and end with --from within 366 d")
    edges = timeline.edges(profile, begin + ticks, arguments["seed"], arguments["run"])
    t_ticks, level_ua = np.array(list(edges), float).T
    first = int(np.searchsorted(t_ticks, begin, side="right")) - 1  # the level that holds at the beginning
    t_s = np.maximum(t_ticks[first:] - begin, 0) / TICKS_PER_S
    begin_s, length_s = begin / TICKS_PER_S, ticks / TICKS_PER_S
    band = ch.band_of_levels(t_s, level_ua[first:] / 1000, length_s, begin_s)
    rises = int((np.diff(level_ua[first:]) > 0).sum())
    what = f"what the box will draw, own consumption included; {rises} rise{'s' * (rises != 1)}"
    strips = (ch.Strip("box", "mA", band),)
    plotting.write(picture, ch.Chart(profile.name, what, strips, begin_s, begin_s + length_s))
    return picture


def findable(arguments: dict[str, Any], as_json: bool) -> None:
    """`bench findable`."""
    from nightdraw import data
    from nightdraw.bench import findable as found
    from nightdraw.instruments.assumed import SHIPPED, load_assumed
    from nightdraw.profile import load
    from nightdraw.vehicle import load_vehicle

    vehicle = load_vehicle(data.shipped("vehicles", arguments["vehicle"]))
    splice = _splice(vehicle, arguments["splice"])
    profile = load(arguments["profile"], arguments["board"])
    for remark in profile.notes:
        note(f"{remark.text()} (no error)")
    seed = profile.seed if arguments["seed"] is None else arguments["seed"]
    state = _state(vehicle, arguments)
    assumed = load_assumed(data.shipped("assumptions", arguments["assumptions"] or SHIPPED))
    search = found.Search(
        profile, vehicle, kit(arguments["instruments"]), splice, seed, state, assumed=assumed
    )
    warn(vehicle)
    for text in search.site.remarks():
        note(text)
    methods = search.methods()
    difficulty, reasons = found.difficulty(search, methods)
    document = {
        "methods": [method.document() for method in methods],
        "difficulty": difficulty,
        "reasons": reasons,
        "parts": [found.part(search, part) for part in search.parts],
        **search.about(),
    }
    output.finish(document, findable_text.text(document), as_json)


def _state(vehicle: Vehicle, arguments: dict[str, Any]) -> State:
    """How the vehicle stands while one searches: by --script and --at, else long asleep."""
    from nightdraw import data
    from nightdraw.bench.finding.circuit import ASLEEP, State
    from nightdraw.units import TICKS_PER_S, to_ticks
    from nightdraw.vehicle.script import load_script

    if arguments["script"] is None:
        if arguments["at"] is not None:
            raise InputError("--at is an instant of a script: it needs --script")
        return ASLEEP
    plan = load_script(data.shipped("scripts", arguments["script"]), vehicle)
    last = max((event.at_ticks for event in plan.events), default=0)
    at_ticks = last if arguments["at"] is None else to_ticks(arguments["at"])
    if not 0 <= at_ticks <= MOST_STATE_S * TICKS_PER_S:
        raise InputError("--at must be from 0 s to 31 d")
    return State(plan, at_ticks)


def _splice(vehicle: Any, name: str | None) -> str:
    """The splice by its name, or the vehicle's first; raises InputError."""
    known = [splice.name for splice in vehicle.splices]
    if not known:
        hint = "add splices: to it, each a name and a fuse"
        raise InputError(Finding("this vehicle has no splice for a box to sit at", vehicle.file, hint=hint))
    if name is not None and name not in known:
        hint = nearest(name[:60], known) or f"known: {', '.join(known)}"
        raise InputError(f"--splice {name}: vehicle {vehicle.name} has no such splice ({hint})")
    return name or str(known[0])
