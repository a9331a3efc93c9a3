"""How much hotter than its mean the shell is where resistors are screwed to it: six faces as one sheet.

Theory: a thin wall is a sheet of conductance k t in two directions (its Biot number h t / k is below 0.001),
so each cell obeys k t lap(T) = h (T - Ta) - q, a fin equation, with the film coefficient h of its own face
(outside convection and linearised radiation; inside convection to one node of air) and q the watts of a
resistor over its base. Faces meet at the edges. Finite volumes on cells of CELL_M, solved for one watt at
each source: the answer is linear in the watts and comes on top of the lumped wall's temperature, which is the
mean by loss of the same sheet. A hot spot's own film is stronger than its face's mean, so the answer errs to
the hot side: by 0.4 to 4.8 K in 79 of 80 boxes drawn at random (25 to 60 C) against finite differences with
the film of each cell, by 6.0 K in one of 1.5 mm without a sheet. Held against a solver of another make in
tests/reference/test_shell_reference.py. Cost: one sparse factorisation of some 4000 unknowns.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from nightdraw.bank.heat.air import KELVIN, SIGMA, convection_w_m2k
from nightdraw.bank.heat.enclosure import CONDUCTIVITY, HeatedEnclosure, Temperatures
from nightdraw.bank.heat.mounted import MountedChannel
from nightdraw.bank.mechanics.placement import base_mm, placed
from nightdraw.bank.patterns import Floats, Ints
from nightdraw.board import BoardModel, Enclosure

CELL_M = 0.006  # a third of the smallest base; halving it moves the hottest spot by less than 1 K
SPREADER_W_MK = 200.0  # aluminium sheet; alloys of the trade have 140 to 230 (handbooks, from memory)
LEAST_K = 0.5  # film coefficients are taken at this rise at least: at none there is no convection at all


@dataclass(frozen=True)
class ShellRises:
    """k_per_w: rows are the hottest spot under each channel's resistors and, last, the hottest one elsewhere,
    above the wall's mean; columns one watt in each channel's resistors and, last, in the air."""

    k_per_w: Floats

    def above_k(self, channel_w: Floats, air_w: float) -> Floats:
        """How far each row's spot lies above the wall's mean temperature with these watts."""
        rise: Floats = self.k_per_w @ np.append(channel_w, air_w)
        return rise

    def hottest_k(self, channel_w: Floats, air_w: float) -> float:
        """The hottest spot of the shell above its mean."""
        return max(0.0, float(self.above_k(channel_w, air_w).max()))


def shell_rises(
    board: BoardModel,
    channels: Sequence[MountedChannel],
    box: HeatedEnclosure,
    air: Temperatures,
    ambient_c: float,
) -> ShellRises:
    """The sheet of a board's box with its resistors where the drilling template puts them, its film
    coefficients at the temperatures where the lumped box settles."""
    assert board.enclosure is not None
    sheet = _Sheet(board.enclosure)
    loss, inside = _films(box, air, ambient_c)
    out_w_k = loss[sheet.face] * sheet.area
    in_w_k = inside[sheet.face] * sheet.area
    sources = np.zeros((sheet.count + 1, len(channels) + 1))
    sources[-1, -1] = 1.0  # into the air
    for column, channel in enumerate(channels):
        if channel.on_plate:
            sources[:-1, column] = _footprint(board, sheet, channel.number)
    temps = _solve(sheet, out_w_k, in_w_k, sources)[:-1]
    mean = (out_w_k @ temps) / out_w_k.sum()
    above = temps - mean
    rows = [
        above[sources[:-1, column] > 0].max(axis=0) if channel.on_plate else np.full(above.shape[1], -np.inf)
        for column, channel in enumerate(channels)
    ]
    rows.append(above[int(above[:, -1].argmax())])
    return ShellRises(np.where(np.isfinite(rows), rows, 0.0))


def _films(box: HeatedEnclosure, air: Temperatures, ambient_c: float) -> tuple[Floats, Floats]:
    """Outside and inside film coefficients, W/m2K, of sides, lid and floor (in the order of Box.surfaces)."""
    wall_c = max(air.wall_c, ambient_c + LEAST_K)
    inner_air_c = max(air.air_c, air.inner_c + LEAST_K)
    hot, cold = wall_c + KELVIN, ambient_c + KELVIN
    radiation = box.emissivity * SIGMA * (hot**2 + cold**2) * (hot + cold)
    loss = [
        (convection_w_m2k(face.outside, face.length_m, wall_c, ambient_c) + radiation) if face.loses else 0.0
        for face in box.surfaces
    ]
    inside = [convection_w_m2k(face.inside, face.length_m, air.inner_c, inner_air_c) for face in box.surfaces]
    return np.array(loss), np.array(inside)


SIDES, LID, FLOOR = 0, 1, 2  # the order of Box.surfaces


class _Sheet:
    """The cells: floor and lid along length and width, four sides folded up from the floor's edges."""

    def __init__(self, box: Enclosure) -> None:
        self.length, self.width, height = (float(m) for m in (box.length_m, box.width_m, box.height_m))
        self.nx, self.ny, nz = (max(4, round(m / CELL_M)) for m in (self.length, self.width, height))
        self.dx, self.dy, dz = self.length / self.nx, self.width / self.ny, height / nz
        wall = CONDUCTIVITY[box.material] * float(box.wall_m)  # W/K of a square of the sheet
        floor = wall + SPREADER_W_MK * float(box.plate_m)
        sizes = {
            "floor": (self.nx, self.ny, self.dx, self.dy, FLOOR),
            "lid": (self.nx, self.ny, self.dx, self.dy, LID),
            "low": (self.nx, nz, self.dx, dz, SIDES),
            "high": (self.nx, nz, self.dx, dz, SIDES),
            "left": (self.ny, nz, self.dy, dz, SIDES),
            "right": (self.ny, nz, self.dy, dz, SIDES),
        }
        self.cells: dict[str, Ints] = {}
        self.count = 0
        area, face = [], []
        for name, (across, up, size, tall, kind) in sizes.items():
            self.cells[name] = np.arange(self.count, self.count + across * up).reshape(across, up)
            self.count += across * up
            area.append(np.full(across * up, size * tall))
            face.append(np.full(across * up, kind))
        self.area, self.face = np.concatenate(area), np.concatenate(face)
        self.links: list[tuple[Ints, Ints, float]] = []
        for name, (_, _, size, tall, _) in sizes.items():
            cells = self.cells[name]
            square = floor if name == "floor" else wall
            self._link(cells[:-1], cells[1:], square * tall / size)
            self._link(cells[:, :-1], cells[:, 1:], square * size / tall)
        for flat, end in (("floor", 0), ("lid", -1)):
            cells = self.cells[flat]
            self._link(cells[:, 0], self.cells["low"][:, end], wall * 2 * self.dx / (self.dy + dz))
            self._link(cells[:, -1], self.cells["high"][:, end], wall * 2 * self.dx / (self.dy + dz))
            self._link(cells[0], self.cells["left"][:, end], wall * 2 * self.dy / (self.dx + dz))
            self._link(cells[-1], self.cells["right"][:, end], wall * 2 * self.dy / (self.dx + dz))
        for along, place in (("low", 0), ("high", -1)):
            self._link(self.cells[along][0], self.cells["left"][place], wall * 2 * dz / (self.dx + self.dy))
            self._link(self.cells[along][-1], self.cells["right"][place], wall * 2 * dz / (self.dx + self.dy))

    def _link(self, one: Ints, other: Ints, w_k: float) -> None:
        self.links.append((one.ravel(), other.ravel(), w_k))


def _footprint(board: BoardModel, sheet: _Sheet, number: int) -> Floats:
    """One watt over the bases of a channel's resistors, by the share of each floor cell that they cover."""
    watts = np.zeros(sheet.count)
    floor: Floats = np.zeros((sheet.nx, sheet.ny))
    for package in placed(board):
        if package.channel == number:
            long, tall = (mm / 1000 for mm in base_mm(package))
            x = sheet.length - (package.left_mm - package.long_mm / 2) / 1000
            y = (package.low_mm + package.tall_mm / 2) / 1000
            along = _covered(x - long / 2, x + long / 2, sheet.nx, sheet.dx)
            up = _covered(y - tall / 2, y + tall / 2, sheet.ny, sheet.dy)
            floor = np.add(floor, np.outer(along, up))
    watts[sheet.cells["floor"].ravel()] = floor.ravel() / floor.sum()
    return watts


def _covered(low: float, high: float, count: int, size: float) -> Floats:
    """The length of each of `count` cells that lies between two places; the last cell holds what lies
    beyond."""
    edges = np.arange(count + 1) * size
    low, high = min(low, edges[-1] - size), max(high, size)
    lengths: Floats = np.clip(np.minimum(edges[1:], high) - np.maximum(edges[:-1], low), 0.0, None)
    return lengths


def _solve(sheet: _Sheet, out_w_k: Floats, in_w_k: Floats, sources: Floats) -> Floats:
    """The rises over ambient of every cell and, last, of the air, one column a source."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.linalg import splu

    air = sheet.count
    ones = [one for one, _, _ in sheet.links] + [np.arange(air)]
    others = [other for _, other, _ in sheet.links] + [np.full(air, air)]
    values = [np.full(len(one), w_k) for one, _, w_k in sheet.links] + [in_w_k]
    one, other, w_k = (np.concatenate(part) for part in (ones, others, values))
    diagonal = np.zeros(air + 1)
    np.add.at(diagonal, one, w_k)
    np.add.at(diagonal, other, w_k)
    diagonal[:air] += out_w_k
    rows = np.concatenate([one, other, np.arange(air + 1)])
    columns = np.concatenate([other, one, np.arange(air + 1)])
    matrix: Any = coo_matrix((np.concatenate([-w_k, -w_k, diagonal]), (rows, columns))).tocsc()
    solved: Floats = splu(matrix).solve(sources)
    return solved
