"""What is printed on the board: outlines, names of parts and pins, what it is, revision and cautions.

A text goes to the first of its usual places where it touches no pad, no other part's outline, no other text
and no edge.
"""

from __future__ import annotations

from dataclasses import dataclass

from nightdraw.bank.kicad.layout import HEAD_MM, holes
from nightdraw.bank.kicad.placed import Placed
from nightdraw.bank.kicad.shapes import Box, outline

TALL_MM, SMALL_MM, LEAST_MM = 1.0, 0.9, 0.8
ADVANCE = 0.98  # a letter's width over its height in KiCad's line font, rounded up
CLEAR_MM = 0.2
REVISION = "A"
NAMED = (
    "to-220",
    "to-92",
    "monitor",
    "step-down",
    "shunt",
    "screw-terminal-lead",
)  # shapes whose pins have names
CAUTIONS = (
    "NOT BUILT YET: CALCULATED ONLY",
    "RESISTORS GET HOT",
    "FUSE AT THE SOURCE",
    "TRAINING VEHICLES ONLY",
)


@dataclass(frozen=True)
class Text:
    """A text on the silk, x and y its middle; owner: the part whose name it is, else empty."""

    words: str
    x: float
    y: float
    tall: float
    owner: str = ""
    upright: bool = False

    @property
    def box(self) -> Box:
        long = len(self.words) * self.tall * ADVANCE / 2
        half = self.tall * 0.65
        across, down = (half, long) if self.upright else (long, half)
        return Box(self.x - across, self.y - down, self.x + across, self.y + down)


class Silk:
    """Texts as they find their places."""

    def __init__(self, name: str, size: tuple[float, float], placed: list[Placed]) -> None:
        self.size, self.placed = size, placed
        self.texts: list[Text] = []
        self.left_out: list[str] = []
        self._pads = [
            Box(a.x - a.wide / 2, a.y - a.high / 2, a.x + a.wide / 2, a.y + a.high / 2).grown(CLEAR_MM)
            for part in placed
            for a in part.pads()
        ]
        self._lines = [(part.ref, _line_box(part, line)) for part in placed for line in outline(part.shape)]
        half = HEAD_MM / 2
        self._heads = [Box(x - half, y - half, x + half, y + half) for x, y in holes(*size)]
        for part in placed:
            self._pins(part)
        for part in placed:
            self._name(part)
        self._about(name)

    def _free(self, text: Text) -> bool:
        box = text.box
        if (
            box.left < 0.8
            or box.top < 0.8
            or box.right > self.size[0] - 0.8
            or box.bottom > self.size[1] - 0.8
        ):
            return False
        taken = [
            *self._pads,
            *self._heads,
            *(box for _, box in self._lines),
            *(t.box.grown(0.1) for t in self.texts),
        ]
        return not any(box.meets(other) for other in taken)

    def _first(self, candidates: list[Text], what: str) -> bool:
        for text in candidates:
            if self._free(text):
                self.texts.append(text)
                return True
        self.left_out.append(what)
        return False

    def _name(self, part: Placed) -> None:
        """The part's own name: beside its outline, else within it; a test point's net instead."""
        if part.ref.startswith("TP"):
            self._first(_around(part, part.note, ""), part.ref)
            return
        self._first(_around(part, part.ref, part.ref), part.ref)
        if part.note:
            self._first(_around(part, part.note, ""), f"{part.ref}: {part.note}")

    def _pins(self, part: Placed) -> None:
        """The pins' names where the part's order depends on its maker or it is wired by them, else pin 1."""
        named = part.shape.name.startswith(NAMED)
        for at in part.pads():
            words = part.pins.get(at.pad.name, at.pad.name) if named else at.pad.name
            if not named and not (words == "1" and len(part.shape.pads) > 2):
                continue
            options = []
            for tall in (SMALL_MM, LEAST_MM):
                for away in (2.15, 2.5, 3.0, 3.6):
                    options += [Text(words, at.x, at.y + way * away, tall) for way in (1, -1)]
                for away in (2.4, 3.0, 3.6):
                    options += [Text(words, at.x, at.y + way * away, tall, upright=True) for way in (1, -1)]
                options += [Text(words, at.x + way * 2.0, at.y, tall) for way in (1, -1)]
            self._first(options, f"{part.ref}.{words}")

    def _about(self, name: str) -> None:
        """What the board is and what to mind, in the largest free place at the left of the front edge."""
        lines = [f"{name.upper()}  REV {REVISION}", *CAUTIONS]
        for k, words in enumerate(lines):
            text = Text(words, 21.5, 74.5 + 2.2 * k, 1.3 if k == 0 else TALL_MM)
            self._first([text, *(Text(words, text.x, text.y + d, TALL_MM) for d in (-0.6, 0.6))], words)


def _line_box(part: Placed, line: tuple[float, float, float, float]) -> Box:
    (x1, y1), (x2, y2) = part.point(line[0], line[1]), part.point(line[2], line[3])
    return Box(min(x1, x2), min(y1, y2), max(x1, x2), max(y1, y2)).grown(0.12)


def _around(part: Placed, words: str, owner: str) -> list[Text]:
    """Places for a text: above, below, right and left of the outline, in the middle of it; then smaller."""
    box, body = part.courtyard, part.box(part.shape.body)
    found = []
    for tall in (TALL_MM, SMALL_MM, LEAST_MM):
        half, long = tall * 0.65 + 0.05, len(words) * tall * ADVANCE / 2 + 0.1
        middle = ((body.left + body.right) / 2, (body.top + body.bottom) / 2)
        for shift in (0.0, -2.0, 2.0, -4.0, 4.0):
            found += [Text(words, middle[0] + shift, box.top - half, tall, owner),
                      Text(words, middle[0] + shift, box.bottom + half, tall, owner),
                      Text(words, middle[0] + shift, body.top - half - 0.1, tall, owner),
                      Text(words, middle[0] + shift, body.bottom + half + 0.1, tall, owner)]  # fmt: skip
        for shift in (0.0, -1.5, 1.5):
            found += [Text(words, box.right + long, middle[1] + shift, tall, owner),
                      Text(words, box.left - long, middle[1] + shift, tall, owner),
                      Text(words, box.right + half, middle[1] + shift, tall, owner, True),
                      Text(words, box.left - half, middle[1] + shift, tall, owner, True)]  # fmt: skip
        for dy in (0.0, 3.0, -3.0, 6.0, 9.0):
            found += [
                Text(words, middle[0], middle[1] + dy, tall, owner),
                Text(words, middle[0], middle[1] + dy, tall, owner, True),
            ]
    return found
