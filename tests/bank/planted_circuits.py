"""Circuits with one fault each, and circuits that differ from the shipped ones and are sound.

Faults are what a builder or a buyer does: a part left out, bridged, turned round, of another value, a wire at
the wrong place. They are planted in the netlist (or in the board file, where a part's own figures are wrong),
by an engineer's list; nothing of the simulation's own probes and limits is used here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from nightdraw.bank.circuit.netlist import RESISTOR, SCHOTTKY, Join, Netlist, Part

from tests.bank.planted import SOUND, Edits

Change = Callable[[Netlist], Netlist]
TWELVE = ("bench-12v", "starter-12v", "workshop-12v")
MEASURED = ("bench-12v", "workshop-12v", "workshop-24v")


@dataclass(frozen=True)
class Planted:
    """What is wrong; how it is done to a netlist; or which keys of the board file say so; boards: which
    shipped ones it is a fault of, () all."""

    name: str
    change: Change | None = None
    edits: Edits | None = None
    boards: tuple[str, ...] = ()


def left_out(ref: str) -> Change:
    """One part isn't fitted."""

    def done(netlist: Netlist) -> Netlist:
        netlist.part(ref)
        parts = tuple(part for part in netlist.parts if part.ref != ref)
        return Netlist(parts, tuple(join for join in netlist.joins if join.ref != ref))

    return done


def bridged(first: str, second: str, kind: str = RESISTOR, pins: tuple[str, str] = ("1", "2")) -> Change:
    """A bridge of 10 mohm between two nets (or a diode, by its kind and pins)."""

    def done(netlist: Netlist) -> Netlist:
        assert {first, second} <= set(netlist.nets())
        bridge = Part("RX", kind, "bridge", "", "", "", "", pins, 0.01)
        joins = (*netlist.joins, Join(first, "RX", pins[0]), Join(second, "RX", pins[1]))
        return Netlist((*netlist.parts, bridge), joins)

    return done


def swapped(ref: str, first: str, second: str) -> Change:
    """Two pins of a part change places."""
    other = {first: second, second: first}

    def done(netlist: Netlist) -> Netlist:
        assert {first, second} <= set(netlist.part(ref).pins)
        joins = tuple(
            replace(join, pin=other.get(join.pin, join.pin)) if join.ref == ref else join
            for join in netlist.joins
        )
        return Netlist(netlist.parts, joins)

    return done


def of_value(ref: str, number: float) -> Change:
    """Another value in the same place."""

    def done(netlist: Netlist) -> Netlist:
        netlist.part(ref)
        parts = tuple(replace(part, number=number) if part.ref == ref else part for part in netlist.parts)
        return Netlist(parts, netlist.joins)

    return done


def moved(ref: str, pin: str, net: str) -> Change:
    """A pin on another net."""

    def done(netlist: Netlist) -> Netlist:
        assert netlist.net(ref, pin) is not None
        joins = tuple(
            Join(net, ref, pin) if (join.ref, join.pin) == (ref, pin) else join for join in netlist.joins
        )
        return Netlist(netlist.parts, joins)

    return done


def both(first: Change, second: Change) -> Change:
    """One change after the other."""
    return lambda netlist: second(first(netlist))


FAULTS = (
    # gates
    Planted("no gate pull-down", left_out("RP2")),
    Planted("gate pull-down of 10 Mohm", of_value("RP1", 1e7)),
    Planted("no gate series resistor", left_out("RG3")),
    Planted("gate bridged to 5 V", bridged("G1", "V5")),
    Planted("no enable pull-up", left_out("R3")),
    Planted("enable pull-up of 1 Mohm", of_value("R3", 1e6)),
    Planted("no enable pull-down", left_out("R9")),
    Planted("enable's pull-down of 1 kohm", of_value("R9", 1e3)),
    Planted("enable's pull-up at 3.3 V", moved("R3", "2", "V3")),
    Planted("enable bridged to ground", bridged("OE", "GND")),
    Planted("no supervisor", left_out("U4")),
    Planted("lock-out bridged", both(left_out("U4"), bridged("LOCK", "GND"))),
    Planted("supervisor of 2.9 V", of_value("U4", 2.9)),
    Planted("two channels' wires swapped", swapped("U2", "A1", "A3")),
    Planted("MOSFET turned round", swapped("Q2", "D", "S")),
    Planted("MOSFET's gate and drain swapped", swapped("Q3", "G", "D")),
    Planted("MOSFET left out", left_out("Q1")),
    Planted("MOSFETs of 40 V", edits={"switch.drain": "40 V"}),
    Planted("gates bear 4 V", edits={"switch.gate_max": "4 V"}),
    # transients
    Planted("no clamp", left_out("D1")),
    Planted("clamp for too low a supply", edits={
        "clamp.standoff": "20.5 V", "clamp.breakdown": "22.8 V", "clamp.clamps": "33.2 V",
        "clamp.at": "45.2 A"}),
    Planted("clamp for too high a supply", edits={
        "clamp.standoff": "102 V", "clamp.breakdown": "114 V", "clamp.clamps": "165 V", "clamp.at": "9.1 A"}),
    Planted("clamp one step too high for MOSFETs of 60 V", edits={
        "clamp.standoff": "40.2 V", "clamp.breakdown": "44.7 V", "clamp.clamps": "64.8 V",
        "clamp.at": "23.2 A", "switch.drain": "60 V"}, boards=TWELVE),
    Planted("clamp conducts one way", bridged("GND", "IN", SCHOTTKY, ("A", "K"))),
    Planted("converter to 30 V", edits={"converter.input_max": "30 V"}),
    # reverse protection
    Planted("reverse MOSFET bridged", bridged("IN", "VP")),
    Planted("reverse MOSFET turned round", swapped("Q0", "D", "S")),
    Planted("no reverse MOSFET", left_out("Q0")),
    Planted("no zener diode at its gate", left_out("Z1")),
    Planted("zener diode turned round", swapped("Z1", "A", "K")),
    Planted("its gate's resistor left out", left_out("R1")),
    Planted("zener diode of 24 V", edits={"reverse.gate_clamp": "24 V"}),
    # supplies
    Planted("output 12 V", edits={"converter.output": "12 V"}),
    Planted("output 3.3 V", edits={"converter.output": "3.3 V"}),
    Planted("no series resistor to the converter", left_out("R2")),
    Planted("bulk capacitor turned round", swapped("C2", "+", "-")),
    Planted("capacitor at 5 V turned round", swapped("C3", "+", "-")),
    Planted("capacitor at the controller turned round", swapped("C4", "+", "-")),
    Planted("no diode to the controller", left_out("D2")),
    Planted("diode to the controller turned round", swapped("D2", "A", "K")),
    Planted("diode to the controller bridged", bridged("V5", "VSYS")),
    # sensing and bank
    Planted("divider's clamp gone", left_out("D3"), boards=TWELVE),
    Planted("divider's clamp turned round", swapped("D3", "A", "K")),
    Planted("divider's bottom left out", left_out("R6")),
    Planted("divider's top of 47 kohm", of_value("R5", 47e3)),
    Planted("thermistor's pull-up of 1 kohm", of_value("R7", 1e3)),
    Planted("a resistor of a tenth", of_value("RB1", 56.0)),
    Planted("a resistor left out", left_out("RB2")),
    Planted("a shunt of 2 ohm", of_value("RS1", 2.0), boards=MEASURED),
)  # fmt: skip

# Of the sound boards of `bank check` those whose change the simulation can see at all.
SEEN = (
    "HCT buffers", "gate series 47", "gate series 220", "gate series 1k", "pull-down 10k", "pull-down 47k",
    "enable 4.7k", "enable 6.8k", "a thermistor of 100k", "a thermistor's pull-up of 4.7k", "gate clamp 10 V",
    "gate clamp 15 V", "converter's series 10", "converter's series 33", "a MOSFET with less resistance",
    "a divider of half the ohms", "a lead of 1 mm2", "own 12 mA",
)  # fmt: skip
VARIATIONS: dict[str, Edits] = {name: SOUND[name] for name in SEEN}
