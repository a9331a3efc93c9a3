"""The netlist's channels: buffers with their lock-out, gate networks, MOSFETs, the bank's resistors.

Nets of channel n: CHn from the processor, DRVn behind the buffer, Gn, Dn. RET is the sources' common return.
"""

from __future__ import annotations

from string import ascii_lowercase

from nightdraw.bank.circuit.netlist import (
    BOARD,
    BUFFER,
    GROUND,
    RESISTOR,
    SUPERVISOR,
    SWITCH,
    WALL,
    Draft,
    Part,
    Stress,
)
from nightdraw.bank.circuit.part_text import LOGIC
from nightdraw.bank.circuit.passives import RIPPLE, ceramic, ohms_text, resistor
from nightdraw.bank.circuit.supply_side import AROUND_C
from nightdraw.bank.heat.mosfet import switch_w
from nightdraw.bank.heat.mounted import MountedChannel
from nightdraw.bank.parts.resistor_packages import AIR
from nightdraw.board import BoardModel, Switch
from nightdraw.board.circuit import Gates

EACH = 8  # buffers in a package
BUFFER_V = 5.5  # highest supply of AHCT and HCT logic
LOCK_PULL_OHMS = 10_000.0
# DIP-20 of the 541: enables 1 and 19, inputs 2 to 9, outputs 18 down to 11, ground 10, supply 20
BUFFER_PINS = (
    "OE1", *(f"A{k}" for k in range(1, 9)), "GND", *(f"Y{k}" for k in range(8, 0, -1)), "OE2", "VCC",
)  # fmt: skip


def buffers_of(board: BoardModel) -> list[str]:
    """The references of the buffer packages that the channels need."""
    return [f"U{2 + k}" for k in range((len(board.channels) + EACH - 1) // EACH)]


def drive(draft: Draft, board: BoardModel, gates: Gates) -> None:
    """Buffers, supervisor and every gate's network."""
    count = len(board.channels)
    for package, ref in enumerate(buffers_of(board)):
        _buffer(draft, ref, package, count, gates)
    _enable(draft, gates)
    _supervisor(draft, gates)
    for number in range(1, count + 1):
        if gates.series_ohms is not None:
            draft.add(
                resistor(f"RG{number}", float(gates.series_ohms), 0.1),
                {"1": f"DRV{number}", "2": f"G{number}"},
            )
        if gates.pull_down_ohms is not None:
            draft.add(
                resistor(f"RP{number}", float(gates.pull_down_ohms), float(gates.supply_v) * RIPPLE),
                {"1": f"G{number}", "2": "RET"},
            )


def _enable(draft: Draft, gates: Gates) -> None:
    """The output-enable's divider from the buffers' own supply: off by itself, with no controller too."""
    top = float(gates.supply_v) * RIPPLE
    for ref, ohms, end in (
        ("R3", gates.enable_pull_up_ohms, "V5"),
        ("R9", gates.enable_pull_down_ohms, GROUND),
    ):
        if ohms is not None:
            draft.add(resistor(ref, float(ohms), top), {"1": "OE", "2": end})


def _buffer(draft: Draft, ref: str, package: int, count: int, gates: Gates) -> None:
    nets = {"OE1": "OE", "OE2": "LOCK", "GND": GROUND, "VCC": "V5"}
    spare = []
    for place in range(1, EACH + 1):
        number = package * EACH + place
        if number <= count:
            direct = gates.series_ohms is None
            nets[f"A{place}"] = f"CH{number}"
            nets[f"Y{place}"] = f"G{number}" if direct else f"DRV{number}"
        else:
            nets[f"A{place}"] = GROUND  # an open input swings and heats
            spare.append(f"Y{place}")
    top = float(gates.supply_v) * RIPPLE
    draft.add(
        Part(ref, BUFFER, _number(gates), "4.5 .. 5.5 V", "DIP-20", gates.part,
             "74VHCT541; not HCT or ACT (fed through its inputs on USB alone), never HC (its inputs need "
             "3.5 V)", BUFFER_PINS,
             supply=("VCC",),
             spare=tuple(spare), stress=(Stress("supply", top, BUFFER_V, "V"),)),
        nets,
    )  # fmt: skip
    draft.add(ceramic(f"C{9 + package}", ref, top), {"1": "V5", "2": GROUND})


def _number(gates: Gates) -> str:
    """The buffer's number as its part's text has it."""
    found = LOGIC.search(gates.part)
    return found[0] if found else "74AHCT541"


def _supervisor(draft: Draft, gates: Gates) -> None:
    if gates.lockout_v is None:
        draft.add(resistor("R4", LOCK_PULL_OHMS, 0.1), {"1": "LOCK", "2": GROUND})
        return
    top = float(gates.supply_v) * RIPPLE
    lowest = float(gates.lockout_v)
    draft.add(
        Part("U4", SUPERVISOR, f"{lowest:g} V", "releases at its threshold and above", "TO-92",
             f"supply supervisor, threshold {lowest:g} .. {lowest + 0.25:g} V, RESET active HIGH, "
             f"push-pull, TO-92",
             "one with an active-low open-drain output and a small N-channel MOSFET to turn it over",
             ("VDD", "GND", "RST"), lowest, supply=("VDD",), stress=(Stress("supply", top, 6.0, "V"),)),
        {"VDD": "V5", "GND": GROUND, "RST": "LOCK"},
    )  # fmt: skip
    draft.add(ceramic("C12", "U4", top), {"1": "V5", "2": GROUND})
    draft.add(resistor("R4", LOCK_PULL_OHMS, top), {"1": "LOCK", "2": "V5"})


def channels(
    draft: Draft, board: BoardModel, mounted_channels: list[MountedChannel], allowed_w: dict[str, float]
) -> None:
    """Every channel's MOSFET and resistors; allowed_w: what heat allows one resistor, by the channel's
    name."""
    assert board.switch is not None
    for channel in mounted_channels:
        _switch(draft, board, board.switch, channel)
        _resistors(draft, board, channel, allowed_w.get(channel.name))


def _switch(draft: Draft, board: BoardModel, switch: Switch, channel: MountedChannel) -> None:
    volts = board.caps["supply_max_mv"] / 1000
    circuit = board.circuit
    stress = [
        Stress(
            "dissipation",
            switch_w(switch, channel.current_a(volts), AROUND_C),
            max(0.0, (float(switch.junction_c) - AROUND_C) / float(switch.to_air_k_w)),
            "W",
        )
    ]
    if circuit.clamp is not None:
        stress.append(Stress("drain voltage", float(circuit.clamp.clamps_v), float(switch.drain_v), "V"))
    if circuit.gates is not None and switch.gate_max_v is not None:
        top = float(circuit.gates.supply_v) * RIPPLE
        stress.append(Stress("gate voltage", top, float(switch.gate_max_v), "V"))
    best = min(switch.specified, key=lambda row: row.gate_v)
    draft.add(
        Part(f"Q{channel.number}", SWITCH, f"{float(best.ohms) * 1000:g} mohm at {float(best.gate_v):g} V",
             f"{float(switch.drain_v):g} V", "TO-220, upright in air", switch.part,
             f"any N-channel MOSFET of this voltage with its on-resistance specified at "
             f"{float(best.gate_v):g} V "
             "on the gate or less, same pin order", ("G", "D", "S"), float(best.ohms), stress=tuple(stress)),
        {"G": f"G{channel.number}", "D": f"D{channel.number}", "S": "RET"},
    )  # fmt: skip


def _resistors(draft: Draft, board: BoardModel, channel: MountedChannel, allowed: float | None) -> None:
    """One part for each body: strings of in_series from VP to the drain, in_parallel of them."""
    own = channel.channel
    volts = board.caps["supply_max_mv"] / 1000
    ohms = channel.element_ohms()
    watts = channel.watts(volts) / own.count
    package = channel.package
    rating = package.law(own.mounting).rating_w
    stress = (
        Stress(
            "dissipation", watts, package.law(AIR).allowed_w(AROUND_C) if allowed is None else allowed, "W"
        ),
        Stress("voltage", channel.element_volts(volts), package.volts_max, "V"),
    )
    for string in range(own.in_parallel):
        for place in range(own.in_series):
            number = string * own.in_series + place
            ref = f"RB{channel.number}" + (letters(number) if own.count > 1 else "")
            first = "VP" if place == 0 else f"B{channel.number}{letters(number - 1)}"
            last = place == own.in_series - 1
            second = f"D{channel.number}" if last else f"B{channel.number}{letters(number)}"
            part = Part(
                ref, RESISTOR, f"{ohms_text(ohms)} ohm", f"{rating:g} W, {float(own.tolerance_pct):g} %",
                package.name,
                f"{package.about}, {ohms_text(ohms)} ohm, {float(own.tolerance_pct):g} %",
                "the same value, tolerance and rating in the next larger package", ("1", "2"), ohms,
                WALL if channel.on_plate else BOARD, stress=stress, goods=package.goods,
            )  # fmt: skip
            draft.add(part, {"1": first, "2": second})


def letters(number: int) -> str:
    """0 is a, 25 z, 26 aa: what tells the resistors of one channel apart."""
    text = ""
    number += 1
    while number:
        number, place = divmod(number - 1, 26)
        text = chr(ord("a") + place) + text
    return text


def resistors_of(parts: tuple[Part, ...], channel: int) -> list[Part]:
    """A channel's resistors, in the netlist's order."""
    return [part for part in parts if part.ref.rstrip(ascii_lowercase) == f"RB{channel}"]
