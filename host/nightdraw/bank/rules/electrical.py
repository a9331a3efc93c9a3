"""The project's electrical rules over a netlist: what every circuit must hold, whatever it is for.

Each rule is a function from a netlist to remarks that carry its name; RULES lists them all.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator

from nightdraw.bank.circuit.netlist import CAPACITOR, GROUND, RESISTOR, SWITCH, Netlist
from nightdraw.bank.remarks import ERROR, Remark


def single_pin(netlist: Netlist) -> Iterator[Remark]:
    """No net has one pin."""
    for net, joins in netlist.nets().items():
        if len(joins) < 2:
            where = f"{joins[0].ref}.{joins[0].pin}"
            yield Remark(joins[0].ref, "net-single-pin", f"the net {net} ends at {where}", ERROR)


def two_nets(netlist: Netlist) -> Iterator[Remark]:
    """No pin is on two nets."""
    counts = Counter((join.ref, join.pin) for join in set(netlist.joins))
    for (ref, pin), count in counts.items():
        if count > 1:
            nets = sorted(join.net for join in netlist.joins if (join.ref, join.pin) == (ref, pin))
            yield Remark(ref, "pin-two-nets", f"pin {pin} is on {' and '.join(nets)}", ERROR)


def open_pin(netlist: Netlist) -> Iterator[Remark]:
    """Every pin is on a net or left open on purpose, and every join is to a pin that there is."""
    joined = {(join.ref, join.pin) for join in netlist.joins}
    known = {(part.ref, pin) for part in netlist.parts for pin in part.pins}
    for part in netlist.parts:
        for pin in part.pins:
            if (part.ref, pin) not in joined and pin not in part.spare:
                yield Remark(part.ref, "pin-open", f"pin {pin} is joined to nothing", ERROR)
    for ref, pin in sorted(joined - known):
        yield Remark(ref, "pin-unknown", f"{ref} has no pin {pin}", ERROR)


def pull_down(netlist: Netlist) -> Iterator[Remark]:
    """Every MOSFET's gate has a resistor to its source."""
    for part in netlist.of(SWITCH):
        gate, source = netlist.net(part.ref, "G"), netlist.net(part.ref, "S")
        if gate is None or source is None:
            continue
        if not any(bridge.kind == RESISTOR for bridge in netlist.between(gate, source)):
            message = "its gate has no pull-down: nothing holds it off while the buffer's outputs are off"
            yield Remark(part.ref, "gate-pull-down", message, ERROR)


def capacitor(netlist: Netlist) -> Iterator[Remark]:
    """Every supply pin has a capacitor of its own to ground."""
    for part in netlist.parts:
        for pin in part.supply:
            net = netlist.net(part.ref, pin)
            if net is None:
                continue
            found = netlist.between(net, GROUND)
            if not any(bridge.kind == CAPACITOR and bridge.near == part.ref for bridge in found):
                message = f"its supply pin {pin} has no capacitor of its own"
                yield Remark(part.ref, "supply-capacitor", message, ERROR)


def rating(netlist: Netlist) -> Iterator[Remark]:
    """Every rating is above its worst case."""
    for part in netlist.parts:
        for stress in part.stress:
            if stress.worst > stress.rating:
                message = (
                    f"{stress.what}: {stress.worst:.3g} {stress.unit}, it bears {stress.rating:.3g} "
                    f"{stress.unit}"
                )
                yield Remark(part.ref, "rating", message, ERROR)


RULES: tuple[Callable[[Netlist], Iterator[Remark]], ...] = (
    single_pin,
    two_nets,
    open_pin,
    pull_down,
    capacitor,
    rating,
)


def remarks(netlist: Netlist) -> Iterator[Remark]:
    """What every rule finds."""
    for rule in RULES:
        yield from rule(netlist)
