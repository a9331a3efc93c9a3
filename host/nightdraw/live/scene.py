"""What a page is told: the vehicle as it can be seen and drawn, and how it stands now.

Of a secret case nothing goes in that a student in front of the car couldn't read: no name of what hangs
behind a fuse, no splice by its name, nothing of any box.
"""

from __future__ import annotations

from typing import Any

from nightdraw.instruments.model import Instruments
from nightdraw.live import recorder as rec
from nightdraw.live.tools import Display
from nightdraw.live.vehicle import CLOCK_S, DAY_S, SPEEDS, Case, LiveVehicle
from nightdraw.vehicle import cabin, model


def scene(case: Case) -> dict[str, Any]:
    """What never changes: circuits, places, instruments."""
    vehicle = case.vehicle
    feeds = []
    for feed in vehicle.feeds:
        main = None if feed.main is None else {"fuse": feed.main.name, "rating": f"{feed.main.rating_a:g}"}
        fuses = []
        for fuse in vehicle.fuses:
            if fuse.feed != feed.name:
                continue
            splices = [splice.name for splice in vehicle.splices if splice.fuse == fuse.name]
            shown = {"fuse": fuse.name, "rating": f"{fuse.rating_a:g}", "type": fuse.type}
            fuses.append({**shown, "splices": len(splices), **({} if case.secret else {"names": splices})})
        feeds.append({"feed": feed.name, "main": main, "fuses": fuses})
    return {
        "vehicle": vehicle.name,
        "battery": _cell(vehicle.battery),
        "second": None if vehicle.second is None else _cell(vehicle.second.cell),
        "warnings": list(vehicle.warnings),
        "charger": vehicle.charger is not None,
        "engine": vehicle.alternator is not None,
        "ignition": list(cabin.POSITIONS),
        "feeds": feeds,
        "kit": _kit(case.kit),
        "speeds": SPEEDS,
        "group": case.group,
        "complaint": case.complaint,
        "secret": case.secret,
    }


def _cell(cell: model.Battery) -> str:
    count = f"{cell.in_series} \u00d7 " if cell.in_series > 1 else ""
    return f"{count}{cell.capacity_ah:g} Ah, {cell.type}"


def _kit(kit: Instruments) -> dict[str, Any]:
    recorder = kit.recorder
    shown: dict[str, Any] = {"name": kit.name, "leads": kit.fuse_meter is not None, "clamps": 0}
    if kit.meter is not None:
        shown["ranges"] = [
            {"most_ma": 1000 * one.most_a, "ohms": one.ohms, "step_ma": 1000 * one.step_a}
            for one in kit.meter.ranges
        ]
        shown["capture_ms"] = 1000 * kit.meter.capture_s
    if kit.fuse_meter is not None:
        shown["leads_step_mv"] = kit.fuse_meter.step_mv
    if kit.clamp is not None:
        shown["clamps"] = kit.clamp.count
        shown["clamp_step_ma"] = 1000 * kit.clamp.step_a
        shown["mv_per_a"] = kit.clamp.mv_per_a
    if recorder is not None:
        shown["recorder"] = {
            "inputs": recorder.channels,
            "kind": recorder.inputs,
            "ranges_mv": list(recorder.ranges_mv),
            "rates": [rate for rate in rec.RATES if rate <= recorder.rate_hz],
            "memory": recorder.memory,
        }
    return shown


def snapshot(live: LiveVehicle) -> dict[str, Any]:
    """How it stands now."""
    rig, network = live.rig, live.rig.network
    rig.settle()
    shown: dict[str, Any] = {
        "t_s": round(live.now_s, 2),
        "clock": clock(live.now_s),
        "speed": live.speed,
        "waits": None if live.wait is None else round((live.wait.until - rig.tick) / 10_000, 1),
        "door": rig.simulated.door_open,
        "latch": rig.simulated.cabin.latch_open,
        "locked": live.locked,
        "ignition": rig.simulated.cabin.position,
        "key": model.KEY in rig.simulated.cabin.conditions,
        "engine": rig.simulated.engine,
        "charger": network.on[0],
        "lamps": len(live.lamps()),
        "volts": round(network.bus_v, 2),
        "pulled": [name for name, fused_path in network.fused_paths.items() if fused_path.pulled],
        "blown": sorted(live.blown),
        "meter": {"in": "meter" in live.places, "range": _range_number(live), "blown": live.meter_blown},
        "places": live.places,
        "zeroed": sorted(live.zeroed),
        "shown": {name: _display(display) for name, display in live.displays.items()},
        "recorder": _recorder(live),
        "messages": list(live.messages)[-30:],
        "answered": live.answer,
    }
    if not live.case.secret:
        shown["asleep"] = rig.simulated.asleep()
        shown["boxes"] = [
            {"splice": world.splice, "state": None if world.box is None else world.box.state}
            for world in rig.worlds
        ]
    return shown


def clock(seconds: float) -> str:
    """The day and the time of day."""
    total = int(CLOCK_S + seconds)
    day, rest = divmod(total, DAY_S)
    return f"{day + 1} {rest // 3600:02}:{rest // 60 % 60:02}:{rest % 60:02}"


def _range_number(live: LiveVehicle) -> int | None:
    meter = live.case.kit.meter
    return None if meter is None or live.scale is None else meter.ranges.index(live.scale)


def _display(display: Display) -> dict[str, Any]:
    low, high = display.extremes()
    return {"now": display.shown, "min": low, "max": high, "count": display.count}


def _recorder(live: LiveVehicle) -> dict[str, Any] | None:
    if live.case.kit.recorder is None:
        return None
    shown: dict[str, Any] = {
        "burnt": live.burnt,
        "inputs": [
            {"at": one.at, "range": one.number, "column": one.column, "most": one.traits.most}
            for one in live.inputs
        ],
    }
    recording = live.recording
    if recording is not None:
        shown["recording"] = {
            "running": recording.running,
            "full": recording.full,
            "rate": recording.rate,
            "count": recording.count,
            "columns": recording.header(),
            "begins_s": recording.begins_s,
            "triggers": len(recording.triggers),
            "trigger": recording.triggers[-1] / recording.rate if recording.triggers else None,
        }
    return shown
