"""Do the supplies fit together: the converter's output with all that hangs on it, its input at the lowest
supply, the supply guard's limits, what the clamp is up to.

Voltages come from levels; transients as events are protection's.
"""

from __future__ import annotations

from collections.abc import Iterator

from nightdraw.bank.circuit import node_voltages
from nightdraw.bank.circuit.supply_cases import PULSES
from nightdraw.bank.circuit.transients import system
from nightdraw.bank.remarks import ERROR, Remark
from nightdraw.board import BoardModel
from nightdraw.board.circuit import Clamp, Converter

LOGIC_V = (4.5, 5.5)  # supply of HCT, AHCT and ACT logic; 5.5 V is also the processor board's highest VSYS
LOCKOUT_SPAN_V = 0.25  # from a supervisor's lowest threshold to its highest
DROPOUT_V = 1.5  # a step-down module's input above its output: 1 to 2 V (common practice)
LEAST_OWN_W = 0.025  # no RP2040 board plays a run on less: 5 mA at 5 V
STEEPEST = 1.15  # clamping over breakdown voltage: suppressors have 1.3 to 1.5 at rated current (from memory)


def remarks(board: BoardModel) -> Iterator[Remark]:
    """Every supply that doesn't fit what hangs on it."""
    converter = board.circuit.converter
    if converter is not None:
        yield from _span(board, converter)
        yield from _headroom(board, converter)
    yield from _guard(board)
    if board.circuit.clamp is not None:
        yield from _clamp(board, board.circuit.clamp)
    own_w = board.own_ua / 1e6 * board.supply_nominal_mv / 1000
    if own_w < LEAST_OWN_W:
        message = (
            f"{board.own_ua / 1000:g} mA running: no processor board runs on that, and every level would "
            "be off "
            "by what it really draws"
        )
        yield Remark("own", "own-draw", message, ERROR)


def _span(board: BoardModel, converter: Converter) -> Iterator[Remark]:
    """The 5 V supply at both ends of its tolerance against buffers, processor board and lock-out."""
    low, high = node_voltages.output_v(converter)
    text = f"its output is {low:.3g} to {high:.3g} V"
    if high > LOGIC_V[1]:
        message = f"{text}: buffers and processor board bear {LOGIC_V[1]:g} V"
        yield Remark("converter", "converter-output", message, ERROR)
    if low < LOGIC_V[0]:
        message = f"{text}: the buffers need {LOGIC_V[0]:g} V to drive a gate"
        yield Remark("converter", "converter-output", message, ERROR)
    gates = board.circuit.gates
    if gates is None:
        return
    if gates.supply_v != converter.output_v:
        message = (
            f"supply says {float(gates.supply_v):g} V, but the buffers hang on the converter's "
            f"{float(converter.output_v):g} V"
        )
        yield Remark("gates", "converter-output", message, ERROR)
    if gates.lockout_v is not None and float(gates.lockout_v) + LOCKOUT_SPAN_V > low + 1e-9:
        message = (
            f"a lock-out of {float(gates.lockout_v):g} V may release at "
            f"{float(gates.lockout_v) + LOCKOUT_SPAN_V:g}"
            f" V, the supply is sure of {low:.3g} V: the outputs might never come on"
        )
        yield Remark("gates", "gate-lockout", message, ERROR)


def _headroom(board: BoardModel, converter: Converter) -> Iterator[Remark]:
    """At the lowest supply at which the box is to work the converter must still regulate."""
    needed = node_voltages.output_v(converter)[1] + DROPOUT_V
    lowest = {"caps": board.caps["supply_min_mv"] / 1000, "supply": board.supply_min_mv / 1000}
    for part, volts in lowest.items():
        rule = "guard-supply" if part == "caps" else "converter-headroom"
        left = node_voltages.converter_input_v(board, converter, volts)
        if left < needed:
            message = (
                f"at {volts:g} V the converter gets {max(left, 0.0):.3g} V and needs {needed:.3g} V: the "
                "processor would be lost before any guard acts"
            )
            yield Remark(part, rule, message, ERROR)


def _guard(board: BoardModel) -> Iterator[Remark]:
    low, high = (board.caps[key] / 1000 for key in ("supply_min_mv", "supply_max_mv"))
    nominal = board.supply_nominal_mv / 1000
    if not low <= nominal <= high:
        message = (
            f"the guard's {low:g} to {high:g} V leave out the nominal {nominal:g} V: it would always hold"
        )
        yield Remark("caps", "guard-supply", message, ERROR)
    kind = system(board)
    if high > kind.jump_v:
        message = (
            f"supply_max {high:g} V is above a jump start's {kind.jump_v:g} V: no vehicle of {kind.name} "
            "has that "
            "and is well"
        )
        yield Remark("caps", "guard-supply", message, ERROR)


def _clamp(board: BoardModel, clamp: Clamp) -> Iterator[Remark]:
    kind = system(board)
    if clamp.clamps_v < clamp.breakdown_v * STEEPEST:
        message = (
            f"{float(clamp.clamps_v):g} V at {float(clamp.at_a):g} A with a breakdown of "
            f"{float(clamp.breakdown_v):g} V: no suppressor is so steep, see its sheet"
        )
        yield Remark("clamp", "clamp-figures", message, ERROR)
    pulse = PULSES[kind.name][0]
    volts, ohms = abs(pulse.volts), pulse.ohms
    needed = (volts - float(clamp.clamps_v)) / ohms
    if clamp.at_a < needed:
        message = (
            f"is rated for {float(clamp.at_a):g} A, pulse 1 of ISO 7637-2 brings {needed:.3g} A "
            f"({volts:g} V, {ohms:g} ohm)"
        )
        yield Remark("clamp", "clamp-figures", message, ERROR)
