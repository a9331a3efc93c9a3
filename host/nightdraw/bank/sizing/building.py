"""From values to a board: resistors that bear their heat, a box that gives it off, and remarks on both."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

from nightdraw import units
from nightdraw.bank.heat.steady_state import Heat, steady_heat
from nightdraw.bank.heat.verdicts import HeatVerdict
from nightdraw.bank.mechanics.placement import has_room
from nightdraw.bank.parts.enclosures import boxes
from nightdraw.bank.parts.preferred_values import series_values
from nightdraw.bank.parts.resistor_packages import AIR, CATALOGUE, PLATE, ResistorPackage
from nightdraw.bank.remarks import ERROR, NOTE, WARNING, Remark
from nightdraw.bank.sizing.arrangement import Arrangement, arrange
from nightdraw.bank.sizing.request import SizingRequest
from nightdraw.bank.sizing.template import FIRST_PIN, circuit_for, shipped_for
from nightdraw.board import BoardModel, Channel, Enclosure, GateRow, Switch
from nightdraw.board.circuit import Pins
from nightdraw.board.model import ALUMINIUM, PLASTIC

SURROUND_K = 25.0  # air and wall over ambient, until heat has weighed the box: typical of one that passes
OWN_A = Fraction(11, 1000)  # what the shipped box itself consumes
SWITCH_AND_WIRE_OHMS = Fraction(1, 20)  # 0.03 ohm of MOSFET, 0.02 ohm of wire and terminals
CAPS = {"run_ticks": 12 * 3600 * 10_000, "charge_mas": 10 * 3_600_000, "bank_temp_cdeg": 9_000}
MOSFET = Switch(
    part="logic-level N-channel MOSFET, 60 V, TO-220",
    drain_v=Fraction(60),
    gate_max_v=Fraction(10),
    specified=(GateRow(Fraction(4), Fraction(39, 1000)), GateRow(Fraction(5), Fraction(28, 1000))),
    junction_c=Fraction(175),
    to_air_k_w=Fraction(62),
    tempco=Fraction(6, 1000),
)


def build(
    request: SizingRequest, name: str, ohms: Sequence[Fraction], values: Sequence[Fraction]
) -> tuple[list[Arrangement], BoardModel, Heat, list[Remark]]:
    """Resistor packages for every channel, the smallest enclosure that stays within its limits with them, and
    remarks on both."""
    packages = [CATALOGUE[known] for known in request.packages] or list(CATALOGUE.values())
    channels: list[Arrangement] = []
    remarks: list[Remark] = []
    for number, value in enumerate(ohms, 1):
        channel, remark = _channel(request, number, value, packages, frozenset(values))
        channels.append(channel)
        remarks += remark
    metal = any(channel.mounting == PLATE for channel in channels)
    enclosures = boxes(ALUMINIUM, plate=True) if metal else [*boxes(PLASTIC), *boxes(ALUMINIUM)]
    board, heat = _in_a_box(request, name, channels, enclosures)
    remarks += [Remark(part.name, "heat", _too_warm(part), ERROR) for part in heat.parts if not part.ok]
    pins = board.circuit.pins
    if pins != Pins():
        message = (
            f"more channels than on the shipped boards: the gate buffer's enable moves to GPIO {pins.enable}"
        )
        if not pins.selector:
            message += ", and no pin is left for a slot selector"
        remarks.append(Remark("pins", "pins", message, NOTE))
    if board.circuit.gates is None:
        message = "no board ships for such a supply: gates, protection and wiring are left for you to enter"
        remarks.append(Remark("board", "circuit", message, WARNING))
    return channels, board, heat, remarks


def _too_warm(part: HeatVerdict) -> str:
    over = part.temp_c - part.limit_c
    return f"{part.temp_c:.0f} C, {over:.0f} K over its limit of {part.limit_c:.0f} C: {part.remedy}"


def _channel(
    request: SizingRequest,
    number: int,
    value: Fraction,
    packages: Sequence[ResistorPackage],
    values: frozenset[Fraction],
) -> tuple[Arrangement, list[Remark]]:
    supply_v, surround_c = float(request.range_v[1]), float(request.ambient_c) + SURROUND_K
    name = f"channel {number}"
    remarks = []
    found = arrange(value, supply_v, surround_c, packages, values)
    if found is None:
        found = _hopeless(value, supply_v, surround_c, packages)
        message = (
            f"{found.worst_w:.3g} W at the highest supply: no arrangement of these packages bears that in "
            f"{float(value):g} ohm; more channels, or larger packages"
        )
        remarks.append(Remark(name, "power", message, ERROR))
    elif not found.roomy:
        bears = found.allowed_w / found.count
        message = (
            f"each {found.package.name} bears {found.worst_w:.3g} W of {bears:.3g} W: within its derated "
            "rating, but above half of it"
        )
        remarks.append(Remark(name, "power", message, WARNING))
    if found.count > 1:
        message = (
            f"made of {found.count} x {float(found.each):g} ohm {found.package.name}, {found.in_series} in "
            f"series, {found.in_parallel} in parallel: one would have {found.worst_w * found.count:.3g} W"
        )
        remarks.append(Remark(name, "split", message, NOTE))
    if not any(series_values(series, found.each, found.each) for series in found.package.stocked):
        message = (
            f"{float(found.each):g} ohm isn't in {' or '.join(found.package.stocked)}, which a "
            f"{found.package.name} is stocked in: made to order"
        )
        remarks.append(Remark(name, "stock", message, WARNING))
    return found, remarks


def _hopeless(
    ohms: Fraction, supply_v: float, surround_c: float, packages: Sequence[ResistorPackage]
) -> Arrangement:
    """The largest package there is, for a channel that none can bear: the answer shows by how much it
    fails."""
    package = max(packages, key=lambda known: known.law(PLATE).rating_w)
    mounting = PLATE if package.plate else AIR
    return Arrangement(ohms, ohms, 1, 1, package, mounting, surround_c, supply_v**2 / float(ohms), False)


def _in_a_box(
    request: SizingRequest, name: str, channels: Sequence[Arrangement], enclosures: Sequence[Enclosure]
) -> tuple[BoardModel, Heat]:
    """The board in the first box that has room and whose parts stay within their limits; else in the last."""
    found = None
    for enclosure in enclosures:
        board = _board(request, name, channels, enclosure)
        found = board, steady_heat(board, float(request.ambient_c))
        if found[1].ok and has_room(board):
            break
    assert found is not None  # there are boxes of every material
    return found


def _board(
    request: SizingRequest, name: str, channels: Sequence[Arrangement], enclosure: Enclosure
) -> BoardModel:
    """The board as a model; its caps take the supply range asked for."""
    low, high = (units.to_mv(volts) for volts in request.range_v)
    on_ohms = request.on_ohms or SWITCH_AND_WIRE_OHMS
    own_a = request.own_a or OWN_A
    shipped = shipped_for(request.range_v[1])
    full_a = float(request.range_v[1]) * sum(1 / float(channel.ohms) for channel in channels) + float(own_a)
    return BoardModel(
        name=name,
        about=f"Sized for {len(request.levels_a)} levels at {units.show(request.supply_v, 'voltage')}.",
        supply_nominal_mv=units.to_mv(request.supply_v),
        supply_min_mv=low,
        supply_max_mv=high,
        own_ua=units.to_ua(own_a),
        channels=tuple(
            Channel(
                FIRST_PIN + number,
                channel.ohms,
                request.tolerance_pct,
                on_ohms,
                channel.package.name,
                channel.mounting,
                channel.each if channel.count > 1 else None,
                channel.in_series,
                channel.in_parallel,
            )
            for number, channel in enumerate(channels)
        ),
        monitor=True,
        caps={"supply_min_mv": low, "supply_max_mv": high, **CAPS},
        switch=MOSFET if shipped is None or shipped.switch is None else shipped.switch,
        enclosure=enclosure,
        circuit=circuit_for(request.range_v[1], full_a, len(channels)),
        own_states_ua={} if shipped is None or request.own_a else shipped.own_states_ua,
        own_basis="" if shipped is None or request.own_a else shipped.own_basis,
    )
