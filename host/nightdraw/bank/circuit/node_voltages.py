"""The circuit's steady voltages, solved at the ends of every tolerance: gates on and off, enable, 5 V supply.

Theory: each node that matters is a star, resistors from it to known voltages, so Millman's theorem gives its
voltage exactly: the sum of V/R over the sum of 1/R. Currents into or out of a pin (leakage) come into the
numerator. Every function names the end of the tolerances that it takes; what is enough is the checks' to say.
"""

from __future__ import annotations

from nightdraw.bank.circuit.part_text import Family
from nightdraw.bank.circuit.passives import RIPPLE
from nightdraw.bank.wiring.board_wiring import peak_a
from nightdraw.board import BoardModel
from nightdraw.board.circuit import Converter, Gates

RAIL_V = 3.3  # the processor board's own supply
PULLS_OHMS = (50_000.0, 80_000.0)  # RP2040 datasheet: a pin's own pull-down at reset
PIN_LEAK_A = 1e-6  # RP2040 and logic inputs alike
SMALL_TOLERANCE = 1.05  # what passives.resistor takes as a second choice: 5 %
OUTPUT_DROP_V = 0.1  # CMOS outputs at light load: VCC - 0.1 V (JEDEC JESD7-A, from memory)
START_FACTOR = 2.0  # writing, USB and the lamp beside the running consumption: own_states' highest with room
GATE_C = 60e-9  # the most gate charge of the usual logic-level TO-220 parts (from memory) ...
GATE_V = 5.0  # ... at this voltage

Branch = tuple[float, float]  # volts, ohms


def star_v(*branches: Branch, into_a: float = 0.0) -> float:
    """The voltage of a node with resistors to known voltages and a current fed into it (Millman)."""
    conductance = sum(1 / ohms for _, ohms in branches)
    return (sum(volts / ohms for volts, ohms in branches) + into_a) / conductance


def least_drive_v(gates: Gates) -> float:
    """The buffer's lowest supply while it may drive: the lock-out's threshold; without one the supply's
    lower end."""
    return float(gates.lockout_v) if gates.lockout_v is not None else float(gates.supply_v) * (2 - RIPPLE)


def gate_open_v(gates: Gates) -> float:
    """What an output gives at the least with nothing but a gate on it."""
    return least_drive_v(gates) - OUTPUT_DROP_V


def gate_on_v(board: BoardModel, gates: Gates, family: Family) -> float:
    """What a gate has over its source at the least while it is driven: output and series resistance against
    the pull-down, the sources lifted by the shunt at the peak current."""
    low = least_drive_v(gates)
    series = float(gates.series_ohms or 0) * SMALL_TOLERANCE
    volts = low
    if gates.pull_down_ohms is not None:
        down = float(gates.pull_down_ohms) / SMALL_TOLERANCE
        volts = star_v((low, family.output_ohms + series), (0.0, down))
    lift = 0.0
    if board.monitor and board.circuit.sense.shunt_ohms is not None:
        lift = float(board.circuit.sense.shunt_ohms) * peak_a(board)
    return min(volts, gate_open_v(gates)) - lift


def gate_off_v(pull_down_ohms: float, family: Family) -> float:
    """What a gate has at the most while its output is off and leaks."""
    return star_v((0.0, pull_down_ohms * SMALL_TOLERANCE), into_a=family.leak_a)


def gate_rise_s(gates: Gates, family: Family) -> float:
    """How long a gate takes to 95 % of its voltage: three time constants of its charge."""
    ohms = family.output_ohms + float(gates.series_ohms or 0) * SMALL_TOLERANCE
    return 3 * ohms * GATE_C / GATE_V


def enable_off_v(gates: Gates, packages: int, controller: bool) -> float:
    """The output-enable at the least while nothing drives it, at the lowest supply that releases the other
    enable, every input leaking: with the controller in reset, blank or on its boot ROM, whose pin pulls down,
    or without one."""
    assert gates.enable_pull_up_ohms is not None
    branches = [(least_drive_v(gates), float(gates.enable_pull_up_ohms) * SMALL_TOLERANCE)]
    if gates.enable_pull_down_ohms is not None:
        branches.append((0.0, float(gates.enable_pull_down_ohms) / SMALL_TOLERANCE))
    if controller:
        branches.append((0.0, PULLS_OHMS[0]))
    return star_v(*branches, into_a=-PIN_LEAK_A * (packages + controller))


def enable_pin_v(gates: Gates, packages: int) -> float:
    """The output-enable at the most while nothing drives it: what the controller's pin must bear."""
    assert gates.enable_pull_up_ohms is not None
    branches = [(float(gates.supply_v) * RIPPLE, float(gates.enable_pull_up_ohms) / SMALL_TOLERANCE)]
    if gates.enable_pull_down_ohms is not None:
        branches.append((0.0, float(gates.enable_pull_down_ohms) * SMALL_TOLERANCE))
    return min(star_v(*branches, into_a=PIN_LEAK_A * (packages + 1)), branches[0][0])


def enable_sink_a(gates: Gates) -> float:
    """What the processor's pin sinks at the most to hold the output-enable low."""
    assert gates.enable_pull_up_ohms is not None
    return float(gates.supply_v) * RIPPLE / (float(gates.enable_pull_up_ohms) / SMALL_TOLERANCE)


def output_v(converter: Converter) -> tuple[float, float]:
    """The ends of the 5 V supply."""
    return float(converter.output_v) * (2 - RIPPLE), float(converter.output_v) * RIPPLE


def converter_input_v(board: BoardModel, converter: Converter, supply_v: float) -> float:
    """What reaches the converter at a supply: less reverse protection and series resistor, with the current
    growing as the supply falls (constant power)."""
    own_a = board.own_ua / 1e6 * START_FACTOR * max(1.0, board.supply_nominal_mv / 1000 / supply_v)
    reverse = board.circuit.reverse
    drop = float(reverse.drop_v or 0) if reverse is not None else 0.0
    return supply_v - drop - own_a * float(converter.series_ohms) * SMALL_TOLERANCE
