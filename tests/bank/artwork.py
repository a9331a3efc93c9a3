"""A set of gerbers as an outside program draws it (gerbv, Debian: `gerbv`): copper, holes and outline as
pictures, and which pads are joined, read from nothing but these."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

NEEDED = pytest.mark.skipif(
    shutil.which("gerbv") is None, reason="needs gerbv (Debian: apt-get install gerbv)"
)
DPI = 508  # 20 pixels a millimetre
PIXELS = DPI / 25.4
Picture = NDArray[np.bool_]


@dataclass(frozen=True)
class Sheet:
    """Where the pictures lie: the board's size, mm; gerbers count y upwards from the board's rear edge."""

    wide: float
    deep: float

    def at(self, x: float, y: float) -> tuple[int, int]:
        """Row and column of a point of the board."""
        return round(y * PIXELS), round(x * PIXELS)


def drawn(path: Path, sheet: Sheet, out: Path) -> Picture:
    """One file as a picture of the whole board, True where there is something."""
    from PIL import Image

    Image.MAX_IMAGE_PIXELS = None
    wide, deep = sheet.wide / 25.4, sheet.deep / 25.4  # inches
    colours = ("-b", "#000000", "-f", "#ffffffff")
    where = ("-B", "0", "-O", f"0x{-deep:.6f}", "-W", f"{wide:.6f}x{deep:.6f}")
    words = ("gerbv", "-x", "png", "-D", str(DPI), *colours, *where, "-o", str(out), str(path))
    subprocess.run(words, check=True, capture_output=True)
    with Image.open(out) as image:
        found: Picture = np.asarray(image.convert("L")) > 127
    return found


def holes(picture: Picture) -> list[tuple[float, float, float]]:
    """Middle and diameter of every spot of a picture, mm, in order of row and column."""
    from scipy.ndimage import center_of_mass, label, sum_labels

    spots, count = label(picture)
    numbers = range(1, count + 1)
    areas = sum_labels(picture, spots, numbers)
    return [
        (float(x / PIXELS), float(y / PIXELS), float(2 * np.sqrt(area / np.pi) / PIXELS))
        for (y, x), area in zip(center_of_mass(picture, spots, numbers), areas, strict=True)
    ]


def joined(
    front: Picture, back: Picture, plated: list[tuple[float, float, float]], sheet: Sheet
) -> list[int]:
    """For each plated hole the number of the copper that it belongs to: pieces of both sides, joined by the
    holes."""
    from scipy.ndimage import label

    sides = [label(front)[0], label(back)[0]]
    parents: dict[tuple[int, int], tuple[int, int]] = {}

    def root(piece: tuple[int, int]) -> tuple[int, int]:
        while parents.setdefault(piece, piece) != piece:
            piece = parents[piece]
        return piece

    ends = []
    for x, y, _ in plated:
        row, column = sheet.at(x, y)
        pieces = [(side, int(picture[row, column])) for side, picture in enumerate(sides)]
        assert all(number for _, number in pieces), f"no copper at the hole at {x:.2f}, {y:.2f}"
        parents[root(pieces[0])] = root(pieces[1])
        ends.append(pieces[0])
    numbers: dict[tuple[int, int], int] = {}
    return [numbers.setdefault(root(piece), len(numbers)) for piece in ends]
