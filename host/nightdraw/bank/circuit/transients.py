"""Reverse protection and load-dump clamp: the vehicle's transients as data, and rules for what faces them.

Levels are those of ISO 16750-2 and ISO 7637-2; what each is known by stands beside it. A dump that the
vehicle doesn't suppress is beyond any part here: the fuse blows then, the box is not for running engines.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

from nightdraw.bank.heat.mounted import MountedChannel
from nightdraw.bank.parts.resistor_packages import AIR
from nightdraw.bank.remarks import ERROR, NOTE, Remark
from nightdraw.board import BoardModel
from nightdraw.board.circuit import MOSFET, Clamp, Reverse

LOGIC_ON_V = 4.5  # logic-level parts have a row there
GATE_ON_V = 8.0  # a fifth below a standard part's row at 10 V its resistance is nearly that (usual sheets)
ZENER_SHARE = 0.05
# A suppressor's sheet states its clamping voltage at 25 C; it rises by some 0.1 % a kelvin (usual sheets,
# from memory): 70 K more, and the parts' own tolerance. What it shields bears so much more than that.
CLAMP_MARGIN = Fraction(11, 10)
HEAVY_SUPPLY_MV = 18_000  # a nominal supply from here on is a 24 V system


@dataclass(frozen=True)
class SupplySystem:
    """What a vehicle's supply may do: volts; seconds for the dump's length."""

    name: str
    jump_v: float
    reversed_v: float
    dump_v: float
    dump_s: float
    dump_rise_s: float
    dump_ohms: float
    rest_v: float


# Load dump B (suppressed), jump start and reversed voltage of ISO 16750-2: from memory; the length and source
# resistance are those of load dump A in the same clause (seen), their worst ends.
SYSTEM_12V = SupplySystem(
    "12 V", jump_v=26, reversed_v=14, dump_v=35, dump_s=0.4, dump_rise_s=0.01, dump_ohms=0.5, rest_v=13.5
)
SYSTEM_24V = SupplySystem(
    "24 V", jump_v=36, reversed_v=28, dump_v=58, dump_s=0.35, dump_rise_s=0.01, dump_ohms=1.0, rest_v=27
)


def system(board: BoardModel) -> SupplySystem:
    """The kind of vehicle that a board is for, by its nominal supply."""
    return SYSTEM_24V if board.supply_nominal_mv >= HEAVY_SUPPLY_MV else SYSTEM_12V


def lasting_v(board: BoardModel) -> float:
    """The most that the protected supply has for as long as a small resistor takes to heat up: the guard's
    limit, or a jump start's minute. What the clamp lets through is over in a millisecond, a dump in half a
    second."""
    return max(board.caps["supply_max_mv"] / 1000, system(board).jump_v)


def remarks(board: BoardModel, channels: list[MountedChannel]) -> Iterator[Remark]:
    """Every rule on protection that the board breaks, and what it takes for granted."""
    kind = system(board)
    circuit = board.circuit
    yield from _reverse(board, circuit.reverse, circuit.clamp, kind)
    yield from _clamp(board, circuit.clamp, kind)
    if circuit.converter is not None and circuit.converter.input_max_v < kind.dump_v:
        message = (
            f"bears {float(circuit.converter.input_max_v):g} V at its input, a suppressed load dump has "
            f"{kind.dump_v:g} V for {kind.dump_s:g} s: take one for more"
        )
        yield Remark("converter", "converter-input", message, ERROR)
    for channel in channels:
        yield from _dumped(channel, kind)


def _reverse(
    board: BoardModel, reverse: Reverse | None, clamp: Clamp | None, kind: SupplySystem
) -> Iterator[Remark]:
    if reverse is None:
        message = (
            "a reversed supply turns every channel on through the MOSFETs' body diodes: fit a P-channel "
            "MOSFET or a diode in series (the board file's key `reverse`)"
        )
        yield Remark("reverse protection", "reverse-protection", message, ERROR)
        return
    worst = max(kind.reversed_v, float(clamp.clamps_v) if clamp else 0.0)
    if reverse.volts < worst:
        message = f"blocks {float(reverse.volts):g} V, but up to {worst:g} V stand across it"
        yield Remark("reverse protection", "reverse-volts", message, ERROR)
    if reverse.kind != MOSFET:
        return
    if reverse.gate_max_v is None or reverse.gate_clamp_v is None:
        message = "a P-channel MOSFET needs `gate_max` from its sheet and a `gate_clamp` zener diode"
        yield Remark("reverse protection", "reverse-gate", message, ERROR)
    elif reverse.gate_clamp_v * 11 > reverse.gate_max_v * 10:  # zeners have 5 %, and some more when hot
        message = (
            f"its gate bears {float(reverse.gate_max_v):g} V: a {float(reverse.gate_clamp_v):g} V zener "
            "diode leaves less than a tenth of margin"
        )
        yield Remark("reverse protection", "reverse-gate", message, ERROR)
    else:
        yield from _reverse_on(board, reverse, reverse.gate_clamp_v)


def _reverse_on(board: BoardModel, reverse: Reverse, zener_v: Fraction) -> Iterator[Remark]:
    """At the lowest supply its gate gets the supply, or what the zener diode leaves of it."""
    lowest = board.caps["supply_min_mv"] / 1000
    volts = min(float(zener_v) * (1 - ZENER_SHARE), lowest)
    needed = LOGIC_ON_V if "logic-level" in reverse.part.lower() else GATE_ON_V
    if volts < needed:
        message = (
            f"its gate gets {volts:.3g} V (zener diode {float(zener_v):g} V, supply from {lowest:g} V): a "
            "part "
            f"of its kind is surely on from {needed:g} V"
        )
        yield Remark("reverse protection", "reverse-gate", message, ERROR)


def _clamp(board: BoardModel, clamp: Clamp | None, kind: SupplySystem) -> Iterator[Remark]:
    if clamp is None:
        message = "nothing clamps the supply's transients: fit a bidirectional suppressor diode (key `clamp`)"
        yield Remark("clamp", "load-dump-clamp", message, ERROR)
        return
    needed = max(kind.dump_v, kind.jump_v, board.caps["supply_max_mv"] / 1000, board.supply_max_mv / 1000)
    if clamp.standoff_v < needed:
        message = (
            f"stands off {float(clamp.standoff_v):g} V, but {needed:g} V last for {kind.dump_s:g} s and more "
            f"(suppressed load dump {kind.dump_v:g} V, jump start {kind.jump_v:g} V): it would burn"
        )
        yield Remark("clamp", "clamp-standoff", message, ERROR)
    if board.switch is not None and board.switch.drain_v < clamp.clamps_v * CLAMP_MARGIN:
        message = (
            f"the MOSFETs bear {float(board.switch.drain_v):g} V, the clamp lets {float(clamp.clamps_v):g} V "
            f"through, and a tenth more when it is hot: {float(clamp.clamps_v * CLAMP_MARGIN):.3g} V or more"
        )
        yield Remark("switch", "switch-volts", message, ERROR)
    message = (
        "an unsuppressed load dump burns the clamp, which fails short and blows the fuse: never with the "
        f"engine running on a {kind.name} vehicle"
    )
    yield Remark("clamp", "load-dump-unsuppressed", message, NOTE)


def _dumped(channel: MountedChannel, kind: SupplySystem) -> Iterator[Remark]:
    """A channel that is on when a suppressed dump comes: its resistors' overload and pulse rules."""
    package = channel.package
    volts = channel.element_volts(kind.dump_v)
    watts = channel.watts(kind.dump_v) / channel.channel.count
    joules = watts * kind.dump_s
    rating = package.law(AIR).rating_w
    by_overload = package.overload_times * rating
    fits = watts <= by_overload or (package.short_j is not None and joules <= package.short_j)
    if not fits or volts > package.volts_max:
        message = (
            f"a suppressed load dump puts {watts:.3g} W into a {package.name} for {kind.dump_s:g} s, which "
            f"bears {by_overload:.3g} W for {package.overload_s:g} s"
        )
        yield Remark(channel.name, "dump-overload", message, ERROR)
