"""Is there room: the circuit board and the bodies on the wall side by side on the enclosure's floor.

Outlines are the usual ones (common practice, and makers' sheets from memory); drawing them is draw's
business.
"""

from __future__ import annotations

from dataclasses import dataclass

from nightdraw.board import BoardModel

CIRCUIT_BOARD_MM = (160.0, 100.0)  # the long-standing size of perforated and strip boards
FREE_MM = 5.0  # between anything and the outside of the wall
PILLAR_MM = 12.0  # die-cast boxes have a pillar for the lid's screw in each corner
GAP_MM = 7.0
# Outlines of aluminium-clad bodies with their terminals, length and width (from memory of makers' sheets),
# and the screws' distance along and across.
CLAD_MM = {
    "clad-10w": (32.0, 21.0, 14.3, 15.9),
    "clad-15w": (37.0, 21.0, 14.3, 15.9),
    "clad-25w": (51.0, 29.0, 18.3, 19.8),
    "clad-50w": (73.0, 30.0, 39.7, 21.4),
}
OTHER_CLAD_MM = (73.0, 30.0, 39.7, 21.4)


@dataclass(frozen=True)
class Lying:
    """A body on the floor: its channel, distance of its left edge from the right wall, its lower edge from
    the
    lower one; outline and screws."""

    channel: int
    left_mm: float
    low_mm: float
    long_mm: float
    tall_mm: float
    along_mm: float
    across_mm: float


def lying(board: BoardModel, width_mm: float) -> list[Lying]:
    """Every body on the wall, largest first, in columns from the right, upwards."""
    found: list[Lying] = []
    right, low, widest = FREE_MM, PILLAR_MM, 0.0
    for number, (long, tall, along, across) in _bodies(board):
        if low + tall > width_mm - PILLAR_MM and low > PILLAR_MM:
            right += widest + GAP_MM
            low, widest = PILLAR_MM, 0.0
        widest = max(widest, long)
        found.append(Lying(number, right + long, low, long, tall, along, across))
        low += tall + GAP_MM
    return found


def _bodies(board: BoardModel) -> list[tuple[int, tuple[float, float, float, float]]]:
    rows = []
    for number, channel in enumerate(board.channels, 1):
        if channel.mounting == "plate":
            rows += [(number, CLAD_MM.get(channel.body or "", OTHER_CLAD_MM))] * channel.count
    return sorted(rows, key=lambda row: -row[1][0] * row[1][1])


def needed_mm(board: BoardModel, width_mm: float) -> tuple[float, float]:
    """The least length and width of a floor so wide for everything on it."""
    wide, high = CIRCUIT_BOARD_MM
    bodies = lying(board, width_mm)
    beside = max((body.left_mm for body in bodies), default=0.0)
    tallest = max((body.low_mm + body.tall_mm + PILLAR_MM for body in bodies), default=0.0)
    length = wide + FREE_MM + (beside + GAP_MM if bodies else FREE_MM)
    return length, max(high + 2 * PILLAR_MM, tallest)


def has_room(board: BoardModel) -> bool:
    """Whether the board's enclosure holds it all; True for a board without one."""
    box = board.enclosure
    if box is None:
        return True
    length, width = float(box.length_m) * 1000, float(box.width_m) * 1000
    need_length, need_width = needed_mm(board, width)
    return need_length <= length and need_width <= width
