"""A board model as the text of a board file, such as load_board reads; nothing is decided here."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from nightdraw.board import BoardModel, Channel, Enclosure, Switch

CAPS = ("supply_min", "supply_max", "run", "charge", "bank_temp")


def text(board: BoardModel, comment: Sequence[str] = ()) -> str:
    """The YAML text, its first lines the comment's."""
    caps = board.caps
    lines = [f"# {line}" for line in comment]
    lines += [f"board: {board.name}", f"about: {board.about}"]
    lines.append(
        f"supply: {{nominal: {_volts(board.supply_nominal_mv)}, min: {_volts(board.supply_min_mv)}, "
        f"max: {_volts(board.supply_max_mv)}}}"
    )
    lines += [f"own: {{running: {_number(Fraction(board.own_ua, 1000))} mA}}", "channels:"]
    lines += [f"  - {_channel(channel)}" for channel in board.channels]
    lines.append(f"sense: {{current: {'monitor' if board.monitor else 'none'}}}")
    lines.append(
        f"caps: {{supply_min: {_volts(caps['supply_min_mv'])}, supply_max: {_volts(caps['supply_max_mv'])}, "
        f"run: {_number(Fraction(caps['run_ticks'], 10_000))} s, "
        f"charge: {_number(Fraction(caps['charge_mas'], 3600))} mAh, "
        f"bank_temp: {_number(Fraction(caps['bank_temp_cdeg'], 100))} C}}"
    )
    if board.switch is not None:
        lines += _switch(board.switch)
    if board.enclosure is not None:
        lines.append(f"enclosure: {_enclosure(board.enclosure)}")
    return "\n".join(lines) + "\n"


def _number(value: Fraction) -> str:
    """A decimal without an exponent; values of board files have few decimals, six are kept."""
    if value.denominator == 1:
        return str(value.numerator)
    return f"{float(value):.6f}".rstrip("0").rstrip(".")


def _volts(millivolts: int) -> str:
    return f"{_number(Fraction(millivolts, 1000))} V"


def _ohms(value: Fraction) -> str:
    return f"{_number(value / 1000)} kohm" if value >= 1000 else f"{_number(value)} ohm"


def _channel(channel: Channel) -> str:
    fields = [
        f"pin: {channel.pin}",
        f"ohms: {_ohms(channel.ohms)}",
        f"tolerance: {_number(channel.tolerance_pct)} %",
        f"on_ohms: {_ohms(channel.on_ohms)}",
    ]
    if channel.body is not None:
        fields += [f"body: {channel.body}", f"mounting: {channel.mounting}"]
    if channel.each is not None:
        fields += [
            f"each: {_ohms(channel.each)}",
            f"in_series: {channel.in_series}",
            f"in_parallel: {channel.in_parallel}",
        ]
    return "{" + ", ".join(fields) + "}"


def _switch(switch: Switch) -> list[str]:
    rows = ", ".join(
        f"{{gate: {_number(row.gate_v)} V, ohms: {_ohms(row.ohms)}}}" for row in switch.specified
    )
    lines = ["switch:", f"  part: {switch.part}", f"  drain: {_number(switch.drain_v)} V"]
    if switch.gate_max_v is not None:
        lines.append(f"  gate_max: {_number(switch.gate_max_v)} V")
    return [
        *lines,
        f"  specified: [{rows}]",
        f"  junction: {_number(switch.junction_c)} C",
        f"  to_air: {_number(switch.to_air_k_w)} K/W",
        f"  tempco: {_number(switch.tempco * 100)} %/K",
    ]


def _enclosure(box: Enclosure) -> str:
    sides = {"length": box.length_m, "width": box.width_m, "height": box.height_m, "wall": box.wall_m}
    sizes = ", ".join(f"{key}: {_number(value * 1000)} mm" for key, value in sides.items())
    return (
        f"{{material: {box.material}, {sizes}, emissivity: {_number(box.emissivity * 100)} %, "
        f"bottom: {box.bottom}}}"
    )
