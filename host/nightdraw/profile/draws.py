"""The `draws` of a profile: the four kinds, what their keys mean, what can be wrong with each by itself.

What a bank can make of them, alone and together, is `fit`'s business.
"""

from __future__ import annotations

from collections.abc import Callable

from boxcore import program as pg

from nightdraw import units
from nightdraw.errors import nearest
from nightdraw.fields import Fields, items, read_with
from nightdraw.places import Findings, Mapping, Node, Refused, Sequence, kind
from nightdraw.profile.levels import from_csv, from_nodes
from nightdraw.profile.model import LAWS, Draw, Pulse, Random, Replay, Sketch, Steady
from nightdraw.profile.quantities import (
    delay_ticks,
    draw_ua,
    duration_range_ticks,
    duration_span_ticks,
    duration_ticks,
    level_ua,
    mean_ticks,
)
from nightdraw.units import QuantityError, shown

PULSE_KEYS = ("draw", "on", "every", "first")
PULSE_REQUIRED = ("draw", "on", "every")
RANDOM_KEYS = ("draw", "on", "gap", "law")
RANDOM_REQUIRED = ("draw", "on", "gap")
REPLAY_KEYS = ("levels", "file", "repeat")
REPEATS = {"once": 1, "forever": pg.FOREVER}


def read_draws(profile: Fields, findings: Findings) -> tuple[list[Draw], list[Sketch]]:
    """The draws that are sound by themselves, in the order of the file, and sketches of all others.

    Every sketch has left findings.
    """
    if "draws" not in profile:
        return [], []
    nodes = items(profile.node("draws"), findings, "draws")
    place = profile.value_place("draws")
    if isinstance(place, Sequence) and not 1 <= len(nodes) <= pg.MAX_DRAWS:
        findings.add(place, f"draws must list 1 to {pg.MAX_DRAWS} draws, not {len(nodes)}")
    sound: list[Draw] = []
    sketches: list[Sketch] = []
    for number, node in enumerate(nodes, 1):
        if findings.full():
            break
        draw = _draw(node, number, findings)
        if isinstance(draw, Sketch):
            sketches.append(draw)
        elif draw is not None:
            sound.append(draw)
    return sound, sketches


def _draw(node: Node, number: int, findings: Findings) -> Draw | Sketch | None:
    if isinstance(node, Refused):
        return None
    kinds = ", ".join(KINDS)
    if not isinstance(node, Mapping):
        findings.add(node, f"draw {number} must be one of {kinds} with its value, not {kind(node)}")
        return None
    if len(node.entries) != 1:
        message = f"draw {number} must have one kind, not {len(node.entries)}"
        findings.add(node, message, "begin each draw with '- '")
    draw: Draw | Sketch | None = None
    for key, value in ((entry.key, entry.value) for entry in node.entries.values()):
        reader = KINDS.get(key.text)
        if reader is not None:
            draw = reader(value, number, findings)
        elif not findings.full():
            hint = nearest(key.text[:60], KINDS) or f"known kinds: {kinds}"
            findings.add(key, f"unknown kind {shown(key.text)} of draw {number}", hint)
    return draw


def _steady(node: Node, number: int, findings: Findings) -> Draw | Sketch:
    level = read_with(node, findings, "steady", level_ua)
    return Sketch("steady", None, node, number) if level is None else Steady(level, node, number)


def _pulse(node: Node, number: int, findings: Findings) -> Draw | Sketch:
    fields = Fields(node, findings, "pulse", PULSE_KEYS, PULSE_REQUIRED)
    draw = fields.parsed("draw", draw_ua)
    on = fields.parsed("on", duration_ticks)
    every = fields.parsed("every", duration_ticks)
    first = fields.parsed("first", delay_ticks, 0)
    in_turn = on is not None and every is not None and on < every
    if on is not None and every is not None and not in_turn:
        findings.add(
            fields.value_place("on"), "on must be shorter than every, which counts from start to start"
        )
    place = fields.value_place("draw")
    if draw is None or on is None or every is None or first is None or not in_turn:
        return Sketch("pulse", draw, place, number)
    return Pulse(draw, on, every, first, place, number)


def _random(node: Node, number: int, findings: Findings) -> Draw | Sketch:
    fields = Fields(node, findings, "random", RANDOM_KEYS, RANDOM_REQUIRED)
    draw = fields.parsed("draw", draw_ua)
    on = fields.parsed("on", duration_span_ticks)
    law = fields.choice("law", tuple(LAWS), "uniform")
    # Under an unknown law the gap's own quantities are still checked.
    gap = fields.parsed("gap", _GAPS.get(law or "", duration_span_ticks))
    place = fields.value_place("draw")
    if draw is None or on is None or law is None or gap is None:
        return Sketch("random", draw, place, number)
    return Random(draw, on, law, gap, place, number)


def _uniform_gap(text: str) -> tuple[int, int]:
    if not units.is_range(text):
        duration_ticks(text)
        hint = f"{text} .. {text} is a fixed gap; law: exponential takes a mean"
        raise QuantityError(f"a uniform gap takes a range LOW .. HIGH, not {shown(text)}", hint)
    return duration_range_ticks(text)


def _mean_gap(text: str) -> tuple[int, int]:
    if units.is_range(text):
        raise QuantityError(f"an exponential gap takes one mean, not the range {shown(text)}")
    mean = mean_ticks(text)
    return mean, mean


_GAPS: dict[str, Callable[[str], tuple[int, int]]] = {"uniform": _uniform_gap, "exponential": _mean_gap}


def _replay(node: Node, number: int, findings: Findings) -> Draw | None:
    fields = Fields(node, findings, "replay", REPLAY_KEYS)
    if not fields.sound:
        return None
    repeat = fields.parsed("repeat", _repeat, 1)
    if ("levels" in fields) == ("file" in fields):
        findings.add(node, "replay needs either levels or file")
        return None
    place = fields.value_place("levels" if "levels" in fields else "file")
    if "levels" in fields:
        levels = from_nodes(place, findings)
    else:
        file = fields.text("file")
        levels = None if file is None else from_csv(place, file, findings)
    if levels is None or repeat is None:
        return None
    return Replay(levels, repeat, place, number)


def _repeat(text: str) -> int:
    if text in REPEATS:
        return REPEATS[text]
    if text.isascii() and text.isdigit() and len(text) <= 10 and 1 <= int(text) <= pg.MAX_U32:
        return int(text)
    message = f"must be once, forever or a count from 1, not {shown(text)}"
    raise QuantityError(message, nearest(text[:60], REPEATS))


KINDS: dict[str, Callable[[Node, int, Findings], Draw | Sketch | None]] = {
    "steady": _steady,
    "pulse": _pulse,
    "random": _random,
    "replay": _replay,
}
