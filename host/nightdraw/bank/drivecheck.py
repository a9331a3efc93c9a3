"""Are the gates driven as the MOSFET's sheet wants, and what if they are not: pins, drive, lock-out, "
"pull-downs.

Rules over the board file alone; the netlist's own rules are electrical's.
"""

from __future__ import annotations

from collections.abc import Iterator

from boxcore import edgeword

from nightdraw.bank.control import SCL_PIN, SDA_PIN, SHUNT_PIN, SUPPLY_PIN, THERMISTOR_PIN, gpio_pin
from nightdraw.bank.front import AROUND_C
from nightdraw.bank.passives import RIPPLE
from nightdraw.bank.wish import ERROR, NOTE, Remark
from nightdraw.board import BoardModel, Switch
from nightdraw.board.circuit import Gates

OUTPUT_DROP_V = 0.1  # HCT outputs at light load: VCC - 0.1 V at 20 uA (JEDEC JESD7-A, from memory)


def pins(board: BoardModel) -> Iterator[Remark]:
    """Each pin has one user, the channels' lie as the edge player needs them, and the board brings all "
    "out."""
    used: dict[int, str] = {}
    others = board.circuit.pins
    rows = [(f"channel {number}", channel.pin) for number, channel in enumerate(board.channels, 1)]
    rows += [("gate buffer's enable", others.enable), ("arm switch", others.arm)]
    rows += [("button", others.button), ("indicator", others.indicator), ("supply divider", SUPPLY_PIN)]
    rows += [(f"selector {1 << k}", pin) for k, pin in enumerate(others.selector)]
    if board.circuit.sense.thermistor is not None:
        rows.append(("thermistor", THERMISTOR_PIN))
    if board.circuit.sense.gain is not None:
        rows.append(("shunt amplifier", SHUNT_PIN))
    elif board.monitor:
        rows += [("monitor's data", SDA_PIN), ("monitor's clock", SCL_PIN)]
    for name, pin in rows:
        if pin in used:
            yield Remark(
                name, "pin-shared", f"GPIO {pin} already serves {used[pin]}: one pin, one user", ERROR
            )
        elif gpio_pin(pin) is None:
            yield Remark(name, "pin-unreachable", f"the processor board has no pin for GPIO {pin}", ERROR)
        used.setdefault(pin, name)
    channels = [channel.pin for channel in board.channels]
    try:
        edgeword.first_pin(channels)
    except ValueError as error:
        listed = ", ".join(str(pin) for pin in channels)
        yield Remark(
            "channels",
            "pins-edge-player",
            f"the edge player can't reach GPIO {listed}: {error}; number them upwards without a gap, such as "
            f"{channels[0]} to {channels[0] + len(channels) - 1}",
            ERROR,
        )


def gate_volts(gates: Gates) -> float:
    """What a gate gets at the least while its buffer may drive: the lock-out's threshold less the output's
    drop; without a lock-out the supply at the bottom of its tolerance."""
    lowest = float(gates.lockout_v) if gates.lockout_v is not None else float(gates.supply_v) * (2 - RIPPLE)
    return lowest - OUTPUT_DROP_V


def gates(board: BoardModel) -> Iterator[Remark]:
    """The drive against the sheet, lock-out, pull-downs, output-enable."""
    switch, drive = board.switch, board.circuit.gates
    if switch is None:
        yield Remark("switch", "switch-missing", "the board file names no MOSFET: key `switch`", ERROR)
    if drive is None:
        yield Remark("gates", "gates-missing", "the board file says nothing of the gates: key `gates`", ERROR)
        message = "no pull-down is named: nothing holds a gate off while its driver is off"
        yield Remark("gates", "gate-pull-down", message, ERROR)
        return
    if drive.pull_down_ohms is None:
        message = "no pull-down is named (key `pull_down`): nothing holds a gate off while its driver is off"
        yield Remark("gates", "gate-pull-down", message, ERROR)
    if drive.enable_pull_up_ohms is None:
        message = "the output-enable has no pull-up: the outputs must be off until the firmware takes them"
        yield Remark("gates", "enable-pull-up", message, ERROR)
    if drive.series_ohms is None:
        message = "no series resistor: gate and buffer ring against the wire between them"
        yield Remark("gates", "gate-series", message, ERROR)
    if switch is not None:
        yield from _driven(switch, drive)
        yield from half_driven(board, switch, drive)


def _driven(switch: Switch, drive: Gates) -> Iterator[Remark]:
    volts = gate_volts(drive)
    if not any(row.gate_v <= volts for row in switch.specified):
        least = min(float(row.gate_v) for row in switch.specified)
        message = (
            f"its sheet gives an on-resistance from {least:g} V on the gate, the buffer is sure of "
            f"{volts:.3g} V only: below the sheet's rows nothing is known, whatever the threshold says. "
            f"Take a "
            "logic-level part specified at 4 V or less"
        )
        yield Remark("switch", "gate-drive", message, ERROR)
    top = float(drive.supply_v) * RIPPLE
    if switch.gate_max_v is None:
        message = "the sheet's highest gate voltage is not named: key `gate_max`"
        yield Remark("switch", "gate-volts", message, ERROR)
    elif switch.gate_max_v < top:
        message = f"its gate bears {float(switch.gate_max_v):g} V, the buffer gives up to {top:.3g} V"
        yield Remark("switch", "gate-volts", message, ERROR)


def half_driven(board: BoardModel, switch: Switch, drive: Gates) -> Iterator[Remark]:
    """A gate between off and on: the MOSFET may take half the supply, V^2/4R (maximum power theorem)."""
    volts = board.caps["supply_max_mv"] / 1000
    least = min(float(c.ohms) * (1 - float(c.tolerance_pct) / 100) for c in board.channels)
    watts = half_driven_w(volts, least)
    bears = max(0.0, (float(switch.junction_c) - AROUND_C) / float(switch.to_air_k_w))
    told = (
        f"a half-driven gate would dissipate up to {watts:.3g} W in its MOSFET ({volts:g} V, {least:.3g} "
        f"ohm), "
        f"which bears {bears:.3g} W"
    )
    if drive.lockout_v is None:
        message = told + ": lock the buffer out below its supply's threshold (key `lockout`)"
        yield Remark("gates", "gate-lockout", message, ERROR)
    elif watts > bears:
        message = told + f"; the lock-out at {float(drive.lockout_v):g} V keeps the outputs off instead"
        yield Remark("gates", "half-driven-gate", message, NOTE)


def half_driven_w(volts: float, ohms: float) -> float:
    """The most that a switch in series with a resistor can dissipate: V^2 / 4R."""
    return volts**2 / (4 * ohms)
