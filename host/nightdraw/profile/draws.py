"""The `draws` of a profile: from what the table read to the model's draws; what can be wrong between keys.

What a bank can make of them, alone and together, is `fit`'s business.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from nightdraw.fields import Read
from nightdraw.places import Node, Sequence
from nightdraw.profile.levels import from_csv
from nightdraw.profile.model import Draw, Pulse, Random, Replay, Sketch, Steady


def made_draws(profile: Read) -> tuple[list[Draw], list[Sketch]]:
    """The draws that are sound by themselves, in the order of the file, and sketches of all others.

    Every sketch has left findings.
    """
    place = profile.value_place("draws")
    nodes = place.items if isinstance(place, Sequence) else []
    numbers = {(node.line, node.column): number for number, node in enumerate(nodes, 1)}
    sound: list[Draw] = []
    sketches: list[Sketch] = []
    for one in profile["draws"] or ():
        for kind, make in KINDS.items():
            if kind not in one:
                continue
            draw = make(one[kind], one.value_place(kind), numbers[one.place.line, one.place.column])
            if isinstance(draw, Sketch):
                sketches.append(draw)
            elif draw is not None:
                sound.append(draw)
    return sound, sketches


def _steady(level: int | None, place: Node, number: int) -> Draw | Sketch:
    return Sketch("steady", None, place, number) if level is None else Steady(level, place, number)


def _pulse(read: Read | None, place: Node, number: int) -> Draw | Sketch:
    if read is None:
        return Sketch("pulse", None, place, number)
    place, draw = read.value_place("draw"), read["draw"]
    if read.good and read["on"] >= read["every"]:
        message = (
            f"{read.key('on')} must be shorter than {read.key('every')}, which counts from start to start"
        )
        read.add("on", message)
    elif read.good:
        return Pulse(draw, read["on"], read["every"], read["first"], place, number)
    return Sketch("pulse", draw, place, number)


def _random(read: Read | None, place: Node, number: int) -> Draw | Sketch:
    if read is None:
        return Sketch("random", None, place, number)
    place, draw = read.value_place("draw"), read["draw"]
    if not read.good:
        return Sketch("random", draw, place, number)
    return Random(draw, read["on"], read["law"], read["gap"], place, number)


def _replay(read: Read | None, place: Node, number: int) -> Draw | None:
    if read is None or ("levels" in read) == ("file" in read):
        return None
    key = "levels" if "levels" in read else "file"
    place, levels = read.value_place(key), read["levels"]
    if read["file"] is not None:
        levels = from_csv(place, read["file"], read.findings)
    if levels is None or read["repeat"] is None:
        return None
    return Replay(levels, read["repeat"], place, number)


# What the table read of a draw (a value, or its keys), its place and its number -> the draw.
KINDS: dict[str, Callable[[Any, Node, int], Draw | Sketch | None]] = {
    "steady": _steady,
    "pulse": _pulse,
    "random": _random,
    "replay": _replay,
}
