"""A board model as the text of a board file, such as load_board reads; nothing is decided here."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from textwrap import wrap

from nightdraw.bank.sizing.circuit_text import circuit_lines, number, ohms, sense_fields
from nightdraw.board import BoardModel, Channel, Enclosure, OwnPackage, Switch
from nightdraw.board.parts import PACKAGE_NUMBERS
from nightdraw.units import UNITS

BASIS_WIDTH = 100


def text(board: BoardModel, comment: Sequence[str] = ()) -> str:
    """The YAML text, its first lines the comment's."""
    caps = board.caps
    lines = [f"# {line}" for line in comment]
    lines += [f"board: {board.name}", f"about: {board.about}"]
    lines.append(
        f"supply: {{nominal: {_volts(board.supply_nominal_mv)}, min: {_volts(board.supply_min_mv)}, "
        f"max: {_volts(board.supply_max_mv)}}}"
    )
    lines.append(f"own: {{running: {number(Fraction(board.own_ua, 1000))} mA}}")
    lines += [*_own_states(board), "channels:"]
    lines += [f"  - {_channel(channel)}" for channel in board.channels]
    lines += _sense(board)
    lines.append(
        f"caps: {{supply_min: {_volts(caps['supply_min_mv'])}, supply_max: {_volts(caps['supply_max_mv'])}, "
        f"run: {number(Fraction(caps['run_ticks'], 10_000))} s, "
        f"charge: {number(Fraction(caps['charge_mas'], 3600))} mAh, "
        f"bank_temp: {number(Fraction(caps['bank_temp_cdeg'], 100))} C}}"
    )
    if board.switch is not None:
        lines += _switch(board.switch)
    lines += circuit_lines(board.circuit)
    if board.enclosure is not None:
        lines.append(f"enclosure: {_enclosure(board.enclosure)}")
    if board.packages:
        lines += ["bodies:", *(f"  - {_package(package)}" for package in board.packages)]
    return "\n".join(lines) + "\n"


def _volts(millivolts: int) -> str:
    return f"{number(Fraction(millivolts, 1000))} V"


def _own_states(board: BoardModel) -> list[str]:
    """What the box consumes in other states, and how that is known."""
    lines = [
        f"  {state}: {number(Fraction(own_ua, 1000))} mA" for state, own_ua in board.own_states_ua.items()
    ]
    if board.own_basis:
        lines.append("  basis: >-")
        lines += [f"    {line}" for line in wrap(board.own_basis, BASIS_WIDTH)]
    return ["own_states:", *lines] if lines else []


def _sense(board: BoardModel) -> list[str]:
    kind = "none" if not board.monitor else "amplifier" if board.circuit.sense.gain else "monitor"
    current = f"current: {kind}"
    more = sense_fields(board.circuit.sense)
    if not more:
        return [f"sense: {{{current}}}"]
    return ["sense:", f"  {current}", *(f"  {field}" for field in more)]


def _package(package: OwnPackage) -> str:
    """A resistor package of the board's own."""
    fields = [f"body: {package.name}", f"like: {package.like}"]
    for key, value in package.given.items():
        dimension, _ = PACKAGE_NUMBERS[key]
        unit, size = next(iter(UNITS[dimension].items()))
        fields.append(f"{key}: {number(value / size)} {unit}")
    return "{" + ", ".join(fields) + "}"


def _channel(channel: Channel) -> str:
    fields = [
        f"pin: {channel.pin}",
        f"ohms: {ohms(channel.ohms)}",
        f"tolerance: {number(channel.tolerance_pct)} %",
        f"on_ohms: {ohms(channel.on_ohms)}",
    ]
    if channel.package is not None:
        fields += [f"body: {channel.package}", f"mounting: {channel.mounting}"]
    if channel.each is not None:
        fields += [
            f"each: {ohms(channel.each)}",
            f"in_series: {channel.in_series}",
            f"in_parallel: {channel.in_parallel}",
        ]
    return "{" + ", ".join(fields) + "}"


def _switch(switch: Switch) -> list[str]:
    rows = ", ".join(f"{{gate: {number(row.gate_v)} V, ohms: {ohms(row.ohms)}}}" for row in switch.specified)
    lines = ["switch:", f"  part: {switch.part}", f"  drain: {number(switch.drain_v)} V"]
    if switch.gate_max_v is not None:
        lines.append(f"  gate_max: {number(switch.gate_max_v)} V")
    return [
        *lines,
        f"  specified: [{rows}]",
        f"  junction: {number(switch.junction_c)} C",
        f"  to_air: {number(switch.to_air_k_w)} K/W",
        f"  tempco: {number(switch.tempco * 100)} %/K",
    ]


def _enclosure(box: Enclosure) -> str:
    sides = {"length": box.length_m, "width": box.width_m, "height": box.height_m, "wall": box.wall_m}
    sizes = ", ".join(f"{key}: {number(value * 1000)} mm" for key, value in sides.items())
    plate = f", plate: {number(box.plate_m * 1000)} mm" if box.plate_m else ""
    return (
        f"{{material: {box.material}, {sizes}, emissivity: {number(box.emissivity * 100)} %, "
        f"bottom: {box.bottom}{plate}}}"
    )
