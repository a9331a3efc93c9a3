"""Figures that no part of its kind has: a board file's own numbers held against physics and the trade.

A figure that is too good passes every other rule, so it is refused here.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from nightdraw.bank.circuit.supply_side import HOT
from nightdraw.bank.heat.mounted import MountedChannel
from nightdraw.bank.parts.resistor_packages import ResistorPackage
from nightdraw.bank.remarks import ERROR, Remark
from nightdraw.board import BoardModel, Switch

SILICON_C = 200.0  # the highest junction of any silicon sheet; 175 C is usual
BARE_K_W = 20.0  # a TO-220 with a clip-on heat sink; upright without one it has 62 (usual sheets)
GROWTH = (0.002, 0.012)  # a MOSFET's on-resistance, 1/K: 1.3 to 2 times at 125 C (usual sheets)
LEAST_GATE_V = 2.0  # no power MOSFET's sheet has a row below it
LEAST_OHMS = 0.001
WIRE_OHMS = 0.1  # from terminal to ground besides the MOSFET: wire, terminals, shunt
WRONG_SHARE = 0.01  # what on_ohms may be off, as a share of its channel: the resistors' own tolerance
IN_AIR_K_W = 2.0  # a resistor in air with less would need a heat sink
ON_PLATE_K_W = 0.3  # the best that is screwed to a plate
HOTTEST_PACKAGE_C = 450.0  # vitreous enamel; films end at 155 to 200 C


def remarks(board: BoardModel, channels: list[MountedChannel]) -> Iterator[Remark]:
    """Every figure out of reason."""
    if board.switch is not None:
        for message in _switch(board.switch):
            yield Remark("switch", "part-figures", message, ERROR)
        yield from _on_ohms(board, board.switch)
    own = {package.name for package in board.packages}
    for channel in channels:
        if channel.package.name in own:
            for message in _package(channel.package):
                yield Remark(channel.name, "part-figures", message, ERROR)
    yield from _made(channels)


def _switch(switch: Switch) -> Iterator[str]:
    if switch.junction_c > SILICON_C:
        yield f"a junction of {float(switch.junction_c):g} C: silicon ends at {SILICON_C:g} C"
    if switch.to_air_k_w < BARE_K_W:
        yield f"{float(switch.to_air_k_w):g} K/W to air: a TO-220 upright has about 62 K/W"
    # as floats: these figures' own fractions lie beside them, and what stands just at one is right
    if not GROWTH[0] <= float(switch.tempco) <= GROWTH[1]:
        yield (
            f"an on-resistance that grows by {float(switch.tempco) * 1e6:g} ppm/K: sheets have "
            f"{GROWTH[0] * 1e6:g} to {GROWTH[1] * 1e6:g}"
        )
    rows = switch.specified
    if any(row.gate_v < LEAST_GATE_V for row in rows):
        yield f"a sheet's row below {LEAST_GATE_V:g} V on the gate: a threshold is no on-resistance"
    if any(float(row.ohms) < LEAST_OHMS for row in rows):
        yield f"less than {LEAST_OHMS * 1000:g} mohm on"
    if any(after.ohms > before.ohms for before, after in pairwise(rows)):
        yield "its on-resistance grows with the gate voltage: rows mixed up"


def _on_ohms(board: BoardModel, switch: Switch) -> Iterator[Remark]:
    """on_ohms is what the firmware takes the switch for: off by much, every level is."""
    most = max(float(row.ohms) for row in switch.specified) * HOT + WIRE_OHMS
    for number, channel in enumerate(board.channels, 1):
        off = float(channel.on_ohms) - most
        if off > WRONG_SHARE * float(channel.ohms):
            message = (
                f"on_ohms says {float(channel.on_ohms):g} ohm, MOSFET and wires have {most:.2g} ohm at "
                "the most: "
                f"its current would be taken {100 * off / float(channel.ohms):.2g} % too small"
            )
            yield Remark(f"channel {number}", "on-resistance", message, ERROR)


def _package(package: ResistorPackage) -> Iterator[str]:
    for law, least in ((package.air, IN_AIR_K_W), (package.plate, ON_PLATE_K_W)):
        if law is None:
            continue
        if law.zero_at_c <= law.full_to_c:
            yield f"{package.name}: zero_at must be above full_to"
        elif law.k_per_w < least:
            problem = f"{law.k_per_w:.2g} K/W between hot spot and surroundings: none has so little"
            yield f"{package.name}: {problem}"
    if package.air.zero_at_c > HOTTEST_PACKAGE_C:
        yield f"{package.name}: a hot spot of {package.air.zero_at_c:g} C"


def _made(channels: list[MountedChannel]) -> Iterator[Remark]:
    for channel in channels:
        low, high = channel.package.ohms
        if not low <= channel.element_ohms() <= high:
            message = f"a {channel.package.name} is made from {low:g} to {high:g} ohm"
            yield Remark(channel.name, "resistor-body", message, ERROR)
