"""The shell's hottest spot against a solver of another make, and against a closed solution.

The other solver shares no code with the host: finite elements (bilinear rectangles of 4 mm whose nodes the
six faces share), film coefficients by the textbook's formulas at each face's own mean temperature, radiation
to the fourth power, iterated. Only the geometry (where the drilling template puts the resistors) is the
host's.
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from nightdraw.bank.heat import shell
from nightdraw.bank.heat.steady_state import steady_heat
from nightdraw.bank.mechanics.placement import base_mm, placed
from nightdraw.board import BoardModel, Enclosure, load_board
from scipy.sparse import coo_matrix
from scipy.sparse.linalg import spsolve
from scipy.special import k1

from tests.bank.boards import board, channel, enclosure

STEP_M = 0.004
WITHIN_K = 5.0
ALUMINIUM_W_MK, SHEET_W_MK, SIGMA = 130.0, 200.0, 5.670374419e-8
# stiffness of a bilinear rectangle a by b, nodes counter-clockwise (any text on finite elements)
ALONG = np.array([[2, -2, -1, 1], [-2, 2, 1, -1], [-1, 1, 2, -2], [1, -1, -2, 2]]) / 6
ACROSS = np.array([[2, 1, -1, -2], [1, 2, -2, -1], [-1, -2, 2, 1], [-2, -1, 1, 2]]) / 6


def film(kind: str, length_m: float, rise_k: float, film_c: float) -> float:
    """Natural convection by Incropera 9.26 (upright), 9.30 and 9.32 (flat); air by Sutherland's law."""
    kelvin = film_c + 273.15
    density = 101_325 / (287.053 * kelvin)
    nu = 1.458e-6 * kelvin**1.5 / (kelvin + 110.4) / density
    conductivity = 0.0241 * (kelvin / 273.15) ** 0.81
    alpha = conductivity / (density * 1007)
    rayleigh = 9.80665 / kelvin * max(abs(rise_k), 0.1) * length_m**3 / (nu * alpha)
    if kind == "upright":
        bottom = (1 + (0.492 / (nu / alpha)) ** (9 / 16)) ** (8 / 27)
        nusselt = (0.825 + 0.387 * rayleigh ** (1 / 6) / bottom) ** 2
    elif kind == "helped":
        nusselt = 0.54 * rayleigh**0.25 if rayleigh < 1e7 else 0.15 * rayleigh ** (1 / 3)
    else:
        nusselt = 0.27 * rayleigh**0.25
    return float(nusselt * conductivity / length_m)


class Elements:
    """The box's outside as rectangles; nodes are found by their place in space, so edges are shared."""

    def __init__(self, box: Enclosure) -> None:
        self.length, self.width, self.height = (float(m) for m in (box.length_m, box.width_m, box.height_m))
        self.box = box
        sizes = [max(2, round(m / STEP_M)) for m in (self.length, self.width, self.height)]
        x, y, z = (
            np.linspace(0, m, n + 1)
            for m, n in zip((self.length, self.width, self.height), sizes, strict=True)
        )
        numbers: dict[tuple[float, float, float], int] = {}
        self.faces: list[tuple[str, np.ndarray, float, float, np.ndarray]] = []
        for kind, one, two, at in (
            ("floor", x, y, lambda u, v: (u, v, 0.0)),
            ("lid", x, y, lambda u, v: (u, v, self.height)),
            ("side", x, z, lambda u, v: (u, 0.0, v)),
            ("side", x, z, lambda u, v: (u, self.width, v)),
            ("side", y, z, lambda u, v: (0.0, u, v)),
            ("side", y, z, lambda u, v: (self.length, u, v)),
        ):
            number = np.array(
                [
                    [numbers.setdefault(tuple(round(c, 9) for c in at(u, v)), len(numbers)) for v in two]
                    for u in one
                ]
            )
            corners = (number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:])
            nodes = np.stack([corner.ravel() for corner in corners], axis=1)
            middles = np.stack(np.meshgrid((one[1:] + one[:-1]) / 2, (two[1:] + two[:-1]) / 2, indexing="ij"))
            self.faces.append((kind, nodes, one[1] - one[0], two[1] - two[0], middles.reshape(2, -1)))
        self.count = len(numbers)

    def hottest_c(
        self, spots: list[tuple[float, float, float, float, float]], air_w: float, room_c: float
    ) -> float:
        """spots: x, y, length, width (m) and watts of every base; air_w goes into the air within."""
        temps, air_c = np.full(self.count, room_c + 15.0), room_c + 20.0
        for _ in range(8):
            matrix, load = self._assembled(spots, air_w, room_c, temps, air_c)
            solved = spsolve(matrix, load)
            temps, air_c = solved[:-1], float(solved[-1])
        return float(temps.max())

    def _assembled(self, spots, air_w, room_c, temps, air_c):  # type: ignore[no-untyped-def]
        box, rows, columns, values = self.box, [], [], []
        load = np.zeros(self.count + 1)
        load[-1] = air_w
        flat_m = self.length * self.width / (2 * (self.length + self.width))
        for kind, nodes, a, b, middles in self.faces:
            sheet = ALUMINIUM_W_MK * float(box.wall_m) + (
                SHEET_W_MK * float(box.plate_m) if kind == "floor" else 0.0
            )
            stiff = sheet * (b / a * ALONG + a / b * ACROSS)
            rows.append(np.repeat(nodes, 4, axis=1).ravel())
            columns.append(np.tile(nodes, (1, 4)).ravel())
            values.append(np.tile(stiff.ravel(), len(nodes)))
            mean = float(temps[nodes].mean())
            standing = {"floor": "hindered", "lid": "helped", "side": "upright"}[kind]
            size = self.height if kind == "side" else flat_m
            inner = film(standing, size, air_c - mean, (air_c + mean) / 2)
            outer = film(standing, size, mean - room_c, (mean + room_c) / 2)
            at = nodes.ravel()
            share = np.full(len(at), a * b / 4)
            lost = np.zeros(len(at))
            if kind != "floor" or box.bottom == "free":
                hot, cold = temps[at] + 273.15, room_c + 273.15
                lost = (outer + float(box.emissivity) * SIGMA * (hot**2 + cold**2) * (hot + cold)) * share
            inside = inner * share
            np.add.at(load, at, lost * room_c)
            ends = np.full(len(at), self.count)
            rows += [at, at, ends, ends]
            columns += [at, ends, at, ends]
            values += [lost + inside, -inside, -inside, inside]
            if kind == "floor":
                for x, y, long, wide, watts in spots:
                    under = (abs(middles[0] - x) <= long / 2) & (abs(middles[1] - y) <= wide / 2)
                    np.add.at(load, nodes[under].ravel(), watts / under.sum() / 4)
        shape = (self.count + 1, self.count + 1)
        joined = (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns)))
        return coo_matrix(joined, shape=shape).tocsc(), load


def outside_c(model: BoardModel, room_c: float) -> float:
    """The hottest spot by the other solver, every channel on at the highest supply."""
    volts = model.caps["supply_max_mv"] / 1000
    watts = {
        number: volts**2 / (float(one.ohms) * (1 - float(one.tolerance_pct) / 100)) / one.count
        for number, one in enumerate(model.channels, 1)
    }
    assert model.enclosure is not None
    length = float(model.enclosure.length_m)
    spots = []
    for package in placed(model):
        long, wide = (mm / 1000 for mm in base_mm(package))
        x = length - (package.left_mm - package.long_mm / 2) / 1000
        spots.append((x, (package.low_mm + package.tall_mm / 2) / 1000, long, wide, watts[package.channel]))
    total = sum(watts[number] * one.count for number, one in enumerate(model.channels, 1))
    air_w = total - sum(spot[-1] for spot in spots) + model.own_ua / 1e6 * volts
    return Elements(model.enclosure).hottest_c(spots, air_w, room_c)


def judged_c(model: BoardModel, room_c: float) -> float:
    """The hottest spot that the verdict on the wall is about."""
    return next(part.temp_c for part in steady_heat(model, room_c).parts if part.name == "wall, brushed")


@pytest.mark.parametrize("room_c", [25.0, 60.0])
@pytest.mark.parametrize("name", ["bench-12v", "workshop-24v", "starter-12v"])
def test_the_shipped_boards_hottest_spots(name: str, room_c: float) -> None:
    model = load_board(name)
    assert judged_c(model, room_c) == pytest.approx(outside_c(model, room_c), abs=WITHIN_K)


BOARDS = {
    "one large resistor, no sheet": board(channel(33, "clad-50w", "plate"), box=enclosure(size=5)),
    "four small resistors in a corner of heat": board(
        *(channel(82, "clad-10w", "plate") for _ in range(4)), box=enclosure(size=6)
    ),
    "a split channel": board(
        channel(27, "clad-25w", "plate", each=Fraction(27), in_series=2, in_parallel=2), box=enclosure(size=6)
    ),
    "air and wall": board(channel(68, "film-3w"), channel(47, "clad-25w", "plate"), box=enclosure(size=5)),
}


@pytest.mark.parametrize("name", BOARDS)
def test_other_boards_hottest_spots(name: str) -> None:
    assert judged_c(BOARDS[name], 40.0) == pytest.approx(outside_c(BOARDS[name], 40.0), abs=WITHIN_K)


def test_a_source_on_a_wide_sheet_against_the_closed_solution() -> None:
    """A disc of uniform flux on an endless fin: at its middle q/h (1 - m a K1(m a)), m = sqrt(h / k t)
    (Carslaw and Jaeger, from memory). A square of the same area on a sheet of 0.6 m is within 5 % of it."""
    box = Enclosure(
        "aluminium",
        Fraction(6, 10),
        Fraction(6, 10),
        Fraction(5, 100),
        Fraction(2, 1000),
        Fraction(9, 10),
        "free",
    )
    sheet = shell._Sheet(box)
    film_w_m2k, half = 40.0, 5
    source = np.zeros((sheet.count + 1, 1))
    middle = sheet.nx // 2
    under = sheet.cells["floor"][middle - half : middle + half, middle - half : middle + half].ravel()
    source[under] = 1 / len(under)
    temps = shell._solve(sheet, film_w_m2k * sheet.area, 1e-9 * sheet.area, source)
    area = (2 * half) ** 2 * sheet.dx * sheet.dy
    radius = (area / np.pi) ** 0.5
    m = (film_w_m2k / (130.0 * 0.002)) ** 0.5
    expected = 1 / area / film_w_m2k * (1 - m * radius * k1(m * radius))
    assert temps[under].max() == pytest.approx(expected, rel=0.05)
