"""Is there room: the circuit board and the resistors on the wall side by side on the enclosure's floor.

Outlines are the usual ones (common practice, and makers' sheets from memory); drawing them is draw's
business.
"""

from __future__ import annotations

from dataclasses import dataclass

from nightdraw.board import BoardModel

CIRCUIT_BOARD_MM = (160.0, 100.0)  # room for any: the long-standing size of perforated and strip boards
FREE_MM = 5.0  # between anything and the outside of the wall
PILLAR_MM = 12.0  # die-cast boxes have a pillar for the lid's screw in each corner
REAR_MM = PILLAR_MM  # circuit board to the rear wall's outside: past the pillar, and room for the lead's bend
GAP_MM = 7.0
RIM_MM = 5.0  # of a resistor's base beyond its screws, both ends together: the least of the usual outlines
# Outlines of aluminium-clad resistors with their terminals, length and width (from memory of makers' sheets),
# and the screws' distance along and across.
CLAD_MM = {
    "clad-10w": (32.0, 21.0, 14.3, 15.9),
    "clad-15w": (37.0, 21.0, 14.3, 15.9),
    "clad-25w": (51.0, 29.0, 18.3, 19.8),
    "clad-50w": (73.0, 30.0, 39.7, 21.4),
}
OTHER_CLAD_MM = (73.0, 30.0, 39.7, 21.4)


@dataclass(frozen=True)
class PlacedResistor:
    """A resistor on the floor: its channel, distance of its left edge from the right wall, its lower edge
    from the lower one; outline and screws."""

    channel: int
    left_mm: float
    low_mm: float
    long_mm: float
    tall_mm: float
    along_mm: float
    across_mm: float


Row = tuple[int, tuple[float, float, float, float]]  # channel; outline and screws


def _columns(board: BoardModel, width_mm: float) -> list[list[Row]]:
    """Every resistor on the wall, largest first, in columns as full as the width allows."""
    columns: list[list[Row]] = []
    low = PILLAR_MM
    for row in _packages(board):
        tall = row[1][1]
        if not columns or low + tall > width_mm - PILLAR_MM:
            columns.append([])
            low = PILLAR_MM
        columns[-1].append(row)
        low += tall + GAP_MM
    return columns


def placed(board: BoardModel) -> list[PlacedResistor]:
    """Every resistor on the floor, spread over what the circuit board leaves of it: heat is lost over the
    whole shell, and resistors side by side heat one corner. Columns from the right, upwards, in half
    millimetres."""
    assert board.enclosure is not None
    length, width = float(board.enclosure.length_m) * 1000, float(board.enclosure.width_m) * 1000
    columns = _columns(board, width)
    widths = [max(size[0] for _, size in column) for column in columns]
    beside = length - CIRCUIT_BOARD_MM[0] - 2 * FREE_MM - GAP_MM - sum(widths) - GAP_MM * (len(columns) - 1)
    apart = max(0.0, beside) / (len(columns) + 1)
    found: list[PlacedResistor] = []
    right = FREE_MM + apart
    for column, widest in zip(columns, widths, strict=True):
        taken = sum(size[1] for _, size in column)
        between = max(GAP_MM, (width - 2 * PILLAR_MM - taken) / (len(column) + 1))
        low = (width - taken - between * (len(column) - 1)) / 2
        for number, (long, tall, along, across) in column:
            left = right + (widest + long) / 2
            found.append(PlacedResistor(number, _half(left), _half(low), long, tall, along, across))
            low += tall + between
        right += widest + GAP_MM + apart
    return found


def _half(mm: float) -> float:
    return round(mm * 2) / 2


def base_mm(package: PlacedResistor) -> tuple[float, float]:
    """What of a resistor's outline lies on the floor, without its terminals: its screws' distance and a
    rim."""
    return package.along_mm + RIM_MM, package.tall_mm


def _packages(board: BoardModel) -> list[Row]:
    rows = []
    for number, channel in enumerate(board.channels, 1):
        if channel.mounting == "plate":
            rows += [(number, CLAD_MM.get(channel.package or "", OTHER_CLAD_MM))] * channel.count
    return sorted(rows, key=lambda row: -row[1][0] * row[1][1])


def needed_mm(board: BoardModel, width_mm: float) -> tuple[float, float]:
    """The least length and width of a floor so wide for everything on it."""
    wide, high = CIRCUIT_BOARD_MM
    columns = _columns(board, width_mm)
    beside = FREE_MM + sum(max(size[0] for _, size in column) + GAP_MM for column in columns) - GAP_MM
    tallest = max(
        (sum(size[1] + GAP_MM for _, size in column) - GAP_MM + 2 * PILLAR_MM for column in columns),
        default=0.0,
    )
    length = wide + FREE_MM + (beside + GAP_MM if columns else FREE_MM)
    return length, max(high + 2 * PILLAR_MM, tallest)


def has_room(board: BoardModel) -> bool:
    """Whether the board's enclosure holds it all; True for a board without one."""
    box = board.enclosure
    if box is None:
        return True
    length, width = float(box.length_m) * 1000, float(box.width_m) * 1000
    need_length, need_width = needed_mm(board, width)
    return need_length <= length and need_width <= width
