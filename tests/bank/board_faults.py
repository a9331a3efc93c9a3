"""Faults of a circuit board, planted in the text of its KiCad file: what slips in editing by hand.

Each kind takes the text and a source of chance, and returns the text with one fault and what was done where.
Tracks that may go without harm are left alone: the poured ground's own, and short ones that lie within the
pads at their ends.
"""

from __future__ import annotations

import random
import re
from collections.abc import Callable

POURED = "GND"
SEGMENT = re.compile(
    r"^\t\(segment \(start ([\d.]+) ([\d.]+)\) \(end ([\d.]+) ([\d.]+)\).*\(net (\d+)\).*\n", re.MULTILINE
)
PAD = re.compile(r'\(pad "([^"]+)" .*?\(net \d+ "([^"]+)"\)')
SIDEWAYS_MM = 2.5  # further than the largest pad reaches
LEAST_MM = 3.0
SHIFT_MM = (1.3, 1.7)  # not along a track, which go straight or at 45 degrees

Fault = Callable[[str, random.Random], tuple[str, str]]


def _segment(text: str, draw: random.Random) -> re.Match[str]:
    """One track that its net can't do without."""
    poured = re.search(rf'\(net (\d+) "{POURED}"\)', text)
    assert poured is not None
    needed = [
        found for found in SEGMENT.finditer(text) if found[5] != poured[1] and _length(found) >= LEAST_MM
    ]
    return draw.choice(needed)


def _length(found: re.Match[str]) -> float:
    x0, y0, x1, y1 = (float(found[k]) for k in range(1, 5))
    return ((x1 - x0) ** 2 + (y1 - y0) ** 2) ** 0.5


def track_taken_away(text: str, draw: random.Random) -> tuple[str, str]:
    """One segment is missing."""
    found = _segment(text, draw)
    return text[: found.start()] + text[found.end() :], found[0].strip()


def track_moved(text: str, draw: random.Random) -> tuple[str, str]:
    """One segment lies beside where it was: across its own direction, so that it leaves both its ends."""
    found = _segment(text, draw)
    x0, y0, x1, y1 = (float(found[k]) for k in range(1, 5))
    length = _length(found)
    dx, dy = -(y1 - y0) / length * SIDEWAYS_MM, (x1 - x0) / length * SIDEWAYS_MM
    old = f"(start {found[1]} {found[2]}) (end {found[3]} {found[4]})"
    new = f"(start {x0 + dx:.4f} {y0 + dy:.4f}) (end {x1 + dx:.4f} {y1 + dy:.4f})"
    line = found[0].replace(old, new)
    assert line != found[0]
    return text[: found.start()] + line + text[found.end() :], found[0].strip()


def _parts(text: str) -> list[tuple[str, int, int]]:
    """Reference, begin and end of every footprint with pads on two nets or more."""
    found = []
    for start in re.finditer(r"^\t\(footprint ", text, re.MULTILINE):
        end = text.index("\n\t)", start.start()) + 3
        block = text[start.start() : end]
        name = re.search(r'\(property "Reference" "([^"]+)"', block)
        if name is not None and len({net for _, net in PAD.findall(block)}) > 1:
            found.append((name[1], start.start(), end))
    return found


def pins_swapped(text: str, draw: random.Random) -> tuple[str, str]:
    """Two pins of a part, on different nets, have each other's names: the order of another maker."""
    ref, start, end = draw.choice(_parts(text))
    block = text[start:end]
    pads = PAD.findall(block)
    first = draw.choice(pads)
    second = draw.choice([pad for pad in pads if pad[1] != first[1]])
    swapped = block.replace(f'(pad "{first[0]}" ', "(pad ? ")
    swapped = swapped.replace(f'(pad "{second[0]}" ', f'(pad "{first[0]}" ')
    swapped = swapped.replace("(pad ? ", f'(pad "{second[0]}" ')
    return text[:start] + swapped + text[end:], f"{ref}: {first[0]} and {second[0]}"


def part_moved(text: str, draw: random.Random) -> tuple[str, str]:
    """A part lies beside its tracks."""
    ref, start, end = draw.choice(_parts(text))

    def beside(found: re.Match[str]) -> str:
        return f"{found[1]}{float(found[2]) + SHIFT_MM[0]:g} {float(found[3]) + SHIFT_MM[1]:g}"

    block = re.sub(r"^(\t\t\(at )([\d.]+) ([\d.]+)", beside, text[start:end], count=1, flags=re.MULTILINE)
    return text[:start] + block + text[end:], ref


def part_taken_away(text: str, draw: random.Random) -> tuple[str, str]:
    """A part of the schematic isn't on the board."""
    ref, start, end = draw.choice(_parts(text))
    return text[:start] + text[end:], ref


KINDS: dict[str, Fault] = {
    "a track taken away": track_taken_away,
    "a track moved": track_moved,
    "two pins swapped": pins_swapped,
    "a part moved": part_moved,
    "a part taken away": part_taken_away,
}
