"""What the page may ask for: a table of moves, each with the words it takes, checked before anything changes.

A message is one JSON object, `do` the move's name. What can't be done is refused with a sentence and changes
nothing; what was done goes into the log with its instant.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

from boxcore.program import TICKS_PER_S

from nightdraw.bench.control import RefusedError
from nightdraw.errors import printable
from nightdraw.instruments import setup as fronts
from nightdraw.instruments.model import Clamp, Range
from nightdraw.live import findings, tools
from nightdraw.live import recorder as rec
from nightdraw.live.asked import Asked, number, text, whole
from nightdraw.live.vehicle import CLOCK_S, DAY_S, SPEEDS, LiveVehicle
from nightdraw.units import shown
from nightdraw.vehicle import model, script

# what a person in front of the vehicle can do of what may happen to it; it has its defects by itself
BY_HAND = (
    *(script.PULL, script.BACK, script.DOOR, script.LATCH, script.CAR, script.ENGINE, script.CHARGER),
    *(script.IGNITION, script.KEY),
)
CLAMP, LEADS, METER = "clamp", "leads", "meter"
CLOCK = re.compile(r"([01]?[0-9]|2[0-3]):([0-5][0-9])")
MOST_WAIT_S = DAY_S
MOST_LOOK_S = 2 * 3600  # one waits so long for something to happen
ENGINE_S = (1, 3600)


@dataclass(frozen=True)
class Move:
    """A move: what it does, and whether it goes into the log."""

    do: Callable[[LiveVehicle, Asked], None]
    logged: bool = True


def act(live: LiveVehicle, asked: Asked) -> None:
    """Do what a message asks for; raises RefusedError, and then nothing has changed."""
    name = asked.get("do")
    move = MOVES.get(name) if isinstance(name, str) else None
    if move is None:
        raise RefusedError(live.words("no.move", move=shown(printable(str(name)[:40]))))
    if live.wait is not None and name not in ("cancel", "speed"):
        raise RefusedError(live.words("no.waiting"))
    move.do(live, asked)
    if move.logged:
        given = {key: value for key, value in asked.items() if key in ("do", *WORDS)}
        live.log.append({"t_s": round(live.now_s, 4), **given})
    live.changes += 1


WORDS = (
    "word",
    "fuse",
    "range",
    "bridged",
    "clamp",
    "at",
    "inputs",
    "rate",
    "trigger",
    "for_s",
    "until",
    "speed",
)


def _vehicle(action: str) -> Callable[[LiveVehicle, Asked], None]:
    words = script.ACTIONS[action]

    def move(live: LiveVehicle, asked: Asked) -> None:
        if words is None:
            word = text(live.words, asked, "fuse", live.case.vehicle.fuse_names())
        elif words == ():
            word = f"{number(live.words, asked, 'for_s', *ENGINE_S):g} s"
        else:
            word = text(live.words, asked, "word", words)
        live.happen(action, word)

    return move


def _range(live: LiveVehicle, asked: Asked) -> Range:
    meter = live.case.kit.meter
    if meter is None:
        raise RefusedError(live.words("no.meter"))
    return meter.ranges[whole(live.words, asked, "range", 0, len(meter.ranges) - 1)]


def _meter_in(live: LiveVehicle, asked: Asked) -> None:
    scale = _range(live, asked)
    live.meter_in(scale, asked.get("bridged") is True)


def _meter_out(live: LiveVehicle, asked: Asked) -> None:
    if METER not in live.places:
        raise RefusedError(live.words("no.meter_in"))
    live.meter_out()


def _meter_range(live: LiveVehicle, asked: Asked) -> None:
    scale = _range(live, asked)
    if METER in live.places:
        live.meter_in(scale, True)
    live.scale = scale


def _meter_mend(live: LiveVehicle, asked: Asked) -> None:
    if not live.meter_blown:
        raise RefusedError(live.words("no.mend"))
    if METER in live.places:
        raise RefusedError(live.words("no.mend_in_line"))
    live.meter_blown = False


def _reset(live: LiveVehicle, asked: Asked) -> None:
    name = text(live.words, asked, "at", list(live.displays))
    live.displays[name].reset(live.rig.tick)


def _chosen_clamp(live: LiveVehicle, asked: Asked) -> tuple[Clamp, int]:
    clamp = live.case.kit.clamp
    if clamp is None:
        raise RefusedError(live.words("no.clamp"))
    return clamp, whole(live.words, asked, "clamp", 1, clamp.count)


def _clamp(live: LiveVehicle, asked: Asked) -> None:
    clamp, number = _chosen_clamp(live, asked)
    name = f"{CLAMP} {number}"
    place = None
    if asked.get("at") is not None:
        kinds = live.case.vehicle.channels()
        place = text(live.words, asked, "at", [one for one, kind in kinds.items() if kind != model.DROP])
    if _recorded(live, name):
        raise RefusedError(live.words("no.recorded"))
    _put_clamp(live, clamp, number, place)


def _put_clamp(live: LiveVehicle, clamp: Clamp, number: int, place: str | None) -> None:
    name = f"{CLAMP} {number}"
    zeroed, seed = live.zeroed.get(name), live.case.seed
    live.put(name, place, lambda k, tick: tools.around(clamp, number, seed, zeroed, k, tick))


def _zero(live: LiveVehicle, asked: Asked) -> None:
    clamp, number = _chosen_clamp(live, asked)
    name = f"{CLAMP} {number}"
    live.zero(name)
    _put_clamp(live, clamp, number, live.places.get(name))


def _leads(live: LiveVehicle, asked: Asked) -> None:
    meter = live.case.kit.fuse_meter
    if meter is None:
        raise RefusedError(live.words("no.leads"))
    place = None
    if asked.get("fuse") is not None:
        place = text(live.words, asked, "fuse", live.case.vehicle.fuse_names())
    live.put(LEADS, place, lambda k, tick: tools.across(meter, live.case.seed, k, tick))


def _recorded(live: LiveVehicle, clamp: str) -> bool:
    recording, place = live.recording, live.places.get(clamp)
    return (
        recording is not None and recording.running and any(one.channel == place for one in recording.inputs)
    )


def _inputs(live: LiveVehicle, asked: Asked) -> None:
    """`inputs`: a list, an input each: null, or {"at": "clamp 1" or a fuse, "range": number of a range}."""
    recorder, clamp = live.case.kit.recorder, live.case.kit.clamp
    if recorder is None:
        raise RefusedError(live.words("no.recorder"))
    if live.burnt:
        raise RefusedError(live.words("no.burnt"))
    if live.recording is not None and live.recording.running:
        raise RefusedError(live.words("no.running"))
    given = asked.get("inputs")
    if not isinstance(given, list) or len(given) > recorder.channels:
        raise RefusedError(live.words("no.inputs", count=recorder.channels))
    clamps = [] if clamp is None else [f"{CLAMP} {k + 1}" for k in range(clamp.count)]
    kinds = live.case.vehicle.channels()
    found: list[rec.Input] = []
    for one in given:
        if not isinstance(one, dict):
            continue
        place = text(live.words, one, "at", [*clamps, *live.case.vehicle.fuse_names()])
        reach, at = None, None
        if one.get("range") is not None:
            at = whole(live.words, one, "range", 0, len(recorder.ranges_mv) - 1)
            reach = recorder.ranges_mv[at]
        if place in clamps:
            assert clamp is not None
            around = live.places.get(place)
            if around is None:
                raise RefusedError(live.words("no.clamp_off", clamp=place))
            most = fronts.CLAMPED_A if reach is None else reach / clamp.mv_per_a
            traits, channel = fronts.clamp_front(clamp, recorder, most), around
        else:
            traits, channel = fronts.drop_front(recorder, fronts.DROP_MV if reach is None else reach), place
        unit = "mv" if kinds[channel] == model.DROP else "a"
        found.append(rec.Input(place, at, channel, f"{channel}_{unit}", traits))
    if len({one.channel for one in found}) < len(found):
        raise RefusedError(live.words("no.twice"))
    live.connect(tuple(found))


def _record(live: LiveVehicle, asked: Asked) -> None:
    recorder = live.case.kit.recorder
    if recorder is None:
        raise RefusedError(live.words("no.recorder"))
    if not live.inputs:
        raise RefusedError(live.words("no.connected"))
    if live.recording is not None and live.recording.running:
        raise RefusedError(live.words("no.running"))
    rate = whole(live.words, asked, "rate", rec.RATES[0], min(rec.RATES[-1], int(recorder.rate_hz)))
    if rate not in rec.RATES:
        raise RefusedError(live.words("no.rate", known=", ".join(f"{one:g}" for one in rec.RATES)))
    trigger = None
    given = asked.get("trigger")
    if isinstance(given, dict):
        place = whole(live.words, given, "input", 0, len(live.inputs) - 1)
        level = number(live.words, given, "level", -1e6, 1e6)
        trigger = rec.Trigger(place, level, text(live.words, given, "turn", rec.TURNS))
    live.record(rate, trigger)


def _stop(live: LiveVehicle, asked: Asked) -> None:
    if live.recording is None or not live.recording.running:
        raise RefusedError(live.words("no.recording"))
    live.stop_recording()


def _speed(live: LiveVehicle, asked: Asked) -> None:
    live.set_speed(number(live.words, asked, "speed", *SPEEDS))


def _wait(live: LiveVehicle, asked: Asked) -> None:
    """`for_s`: so many seconds; `until`: a clock time, or "change"."""
    until = asked.get("until")
    if until == "change":
        if not live.displays and not (live.recording is not None and live.recording.running):
            raise RefusedError(live.words("no.look"))
        live.begin_wait(MOST_LOOK_S * TICKS_PER_S, True)
        return
    if until is not None:
        match = CLOCK.fullmatch(until) if isinstance(until, str) else None
        if match is None:
            raise RefusedError(live.words("no.clock"))
        wanted = int(match[1]) * 3600 + int(match[2]) * 60
        left_s = (wanted - CLOCK_S - live.now_s) % DAY_S or DAY_S
    else:
        left_s = number(live.words, asked, "for_s", 0.1, MOST_WAIT_S)
    live.begin_wait(round(left_s * TICKS_PER_S), False)


def _cancel(live: LiveVehicle, asked: Asked) -> None:
    if live.wait is None:
        raise RefusedError(live.words("no.wait"))
    live.end_wait("wait.cancelled")


MOVES: dict[str, Move] = {
    **{action: Move(_vehicle(action)) for action in BY_HAND},
    "meter in": Move(_meter_in),
    "meter out": Move(_meter_out),
    "meter range": Move(_meter_range),
    "meter mend": Move(_meter_mend),
    "reset": Move(_reset, False),
    "clamp": Move(_clamp),
    "zero": Move(_zero),
    "leads": Move(_leads),
    "inputs": Move(_inputs),
    "record": Move(_record),
    "stop": Move(_stop),
    "speed": Move(_speed, False),
    "wait": Move(_wait),
    "cancel": Move(_cancel, False),
    "answer": Move(findings.take),
}
