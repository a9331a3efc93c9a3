"""Are the gates driven as the MOSFET's sheet wants, and off whenever they are not: pins, drive, pulls.

Rules over the board file alone, with the voltages that levels solves; the netlist's are electrical's.
"""

from __future__ import annotations

from collections.abc import Iterator

from boxcore import edgeplayer

from nightdraw.bank.circuit import node_voltages
from nightdraw.bank.circuit.control import (
    SCL_PIN,
    SDA_PIN,
    SHUNT_PIN,
    SUPPLY_PIN,
    THERMISTOR_PIN,
    gpio_pin,
)
from nightdraw.bank.circuit.gate_drive import buffers_of
from nightdraw.bank.circuit.part_text import WORST, Family, family
from nightdraw.bank.circuit.passives import RIPPLE
from nightdraw.bank.circuit.supply_side import AROUND_C
from nightdraw.bank.remarks import ERROR, NOTE, Remark
from nightdraw.board import BoardModel, Switch
from nightdraw.board.circuit import Gates

OFF_V = 0.7  # logic-level MOSFETs: threshold of 1 V at the least, 4 to 5 mV/K less when hot (usual sheets)
PIN_SINK_A = 0.004  # RP2040 datasheet: a pin's drive strength at reset
# RP2040 datasheet: a pin bears its supply and 0.3 V (from memory); of that supply the lower end.
PIN_V = node_voltages.RAIL_V * (2 - RIPPLE) + 0.3
LEAST_SERIES_OHMS = 10  # common practice: 10 to 100 ohm
MOST_RISE_S = 1e-4  # one tick: a longer edge would be seen in the shortest pulses


def pins(board: BoardModel) -> Iterator[Remark]:
    """Each pin has one user, the channels' lie as the edge player needs them, and the board brings all
    out."""
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
        edgeplayer.first_pin(channels)
    except ValueError as error:
        listed = ", ".join(str(pin) for pin in channels)
        yield Remark(
            "channels",
            "pins-edge-player",
            f"the edge player can't reach GPIO {listed}: {error}; number them upwards without a gap, such as "
            f"{channels[0]} to {channels[0] + len(channels) - 1}",
            ERROR,
        )


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
    kind = family(drive.part) or WORST
    yield from _off(drive, kind)
    yield from _enable(drive, len(buffers_of(board)))
    yield from _series(drive, kind)
    if switch is not None:
        yield from _driven(board, switch, drive, kind)
        yield from half_driven(board, switch, drive)


def _off(drive: Gates, kind: Family) -> Iterator[Remark]:
    """While the outputs are off the pull-down alone holds the gate."""
    if drive.pull_down_ohms is None:
        message = "no pull-down is named (key `pull_down`): nothing holds a gate off while its driver is off"
        yield Remark("gates", "gate-pull-down", message, ERROR)
        return
    volts = node_voltages.gate_off_v(float(drive.pull_down_ohms), kind)
    if volts > OFF_V:
        message = (
            f"an output that is off leaks up to {kind.leak_a * 1e6:g} uA, which lifts the gate to "
            f"{volts:.2g} V over "
            f"a pull-down of {float(drive.pull_down_ohms) / 1000:g} kohm; a hot MOSFET is off below "
            f"{OFF_V:g} V"
        )
        yield Remark("gates", "gate-pull-down", message, ERROR)


def _enable(drive: Gates, packages: int) -> Iterator[Remark]:
    """The output-enable is high while the processor does nothing or isn't in its socket, low when its pin
    says so, and never above what that pin bears."""
    if drive.enable_pull_up_ohms is None:
        message = "the output-enable has no pull-up: the outputs must be off until the firmware takes them"
        yield Remark("gates", "enable-pull-up", message, ERROR)
        return
    ohms = float(drive.enable_pull_up_ohms)
    needed = (family(drive.part) or WORST).high_v
    for present, when in ((True, "in reset or blank, its pin pulling down"), (False, "out of its socket")):
        volts = node_voltages.enable_off_v(drive, packages, present)
        if volts < needed:
            message = (
                f"with the controller {when}, enable_pull_up of {ohms / 1000:g} kohm leaves "
                f"{max(volts, 0.0):.2g} V at the output-enable, {needed:g} V are needed to keep the outputs "
                "off"
            )
            yield Remark("gates", "enable-pull-up", message, ERROR)
            break
    most = node_voltages.enable_pin_v(drive, packages)
    if most > PIN_V:
        message = (
            f"up to {most:.3g} V at the output-enable, the controller's pin bears {PIN_V:.3g} V: divide the "
            "buffer's supply by enable_pull_down (10 kohm and 15 kohm)"
        )
        yield Remark("gates", "enable-pin", message, ERROR)
    sunk = node_voltages.enable_sink_a(drive)
    if sunk > PIN_SINK_A:
        message = (
            f"{ohms:g} ohm: the processor's pin would sink {1000 * sunk:.2g} mA to let the outputs on, it is "
            f"specified to {1000 * PIN_SINK_A:g} mA"
        )
        yield Remark("gates", "enable-pull-up", message, ERROR)


def _series(drive: Gates, kind: Family) -> Iterator[Remark]:
    if drive.series_ohms is None or drive.series_ohms < LEAST_SERIES_OHMS:
        message = (
            "no series resistor"
            if drive.series_ohms is None
            else f"{float(drive.series_ohms):g} ohm in series"
        )
        message += f": gate and buffer ring against the wire between them; {LEAST_SERIES_OHMS} ohm or more"
        yield Remark("gates", "gate-series", message, ERROR)
        return
    rise_s = node_voltages.gate_rise_s(drive, kind)
    if rise_s > MOST_RISE_S:
        message = (
            f"with {float(drive.series_ohms):g} ohm a gate takes {1e6 * rise_s:.3g} us: the switch is "
            "half driven for "
            f"longer than {1e6 * MOST_RISE_S:g} us, the firmware's own step"
        )
        yield Remark("gates", "gate-series", message, ERROR)


def _driven(board: BoardModel, switch: Switch, drive: Gates, kind: Family) -> Iterator[Remark]:
    least = min(float(row.gate_v) for row in switch.specified)
    open_v, volts = node_voltages.gate_open_v(drive), node_voltages.gate_on_v(board, drive, kind)
    if open_v < least:
        message = (
            f"its sheet gives an on-resistance from {least:g} V on the gate, the buffer is sure of "
            f"{open_v:.3g} V "
            "only: below the sheet's rows nothing is known, whatever the threshold says. Take a "
            "logic-level part "
            "specified at 4 V or less"
        )
        yield Remark("switch", "gate-drive", message, ERROR)
    elif volts < least:
        message = (
            f"pull-down, series resistor and shunt leave {volts:.3g} V on the gate, the sheet's rows "
            "begin at "
            f"{least:g} V"
        )
        yield Remark("gates", "gate-drive", message, ERROR)
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
    text = (
        f"a half-driven gate would dissipate up to {watts:.3g} W in its MOSFET ({volts:g} V, {least:.3g} "
        f"ohm), "
        f"which bears {bears:.3g} W"
    )
    if drive.lockout_v is None:
        message = text + ": lock the buffer out below its supply's threshold (key `lockout`)"
        yield Remark("gates", "gate-lockout", message, ERROR)
    elif watts > bears:
        message = text + f"; the lock-out at {float(drive.lockout_v):g} V keeps the outputs off instead"
        yield Remark("gates", "half-driven-gate", message, NOTE)


def half_driven_w(volts: float, ohms: float) -> float:
    """The most that a switch in series with a resistor can dissipate: V^2 / 4R."""
    return volts**2 / (4 * ohms)
