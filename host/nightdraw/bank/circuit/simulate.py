"""A board's circuit in ngspice, case by case: every part's worst figure against its limit, and a verdict.

Limits come from the ratings that the netlist's parts carry (the board file's own figures) and, for what must
work and what must stay off, from the rules that `bank check` holds in steady state. Three kinds of probe: a
rating, whatever happens; a gate that must stay off or may only cross its threshold quickly; what must work at
the end. A deck that ngspice can't solve is no answer, and never an "ok".

Not judged: what single short pulses do to the small resistors beside R2, which carries the inrush (no rating
in the data), the fuse's melting, what radiates.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from nightdraw.bank.circuit import ngspice
from nightdraw.bank.circuit.netlist import (
    BUFFER,
    CAPACITOR,
    CLAMP,
    CONVERTER,
    PROCESSOR,
    RESISTOR,
    REVERSE_FET,
    SCHOTTKY,
    SUPERVISOR,
    SWITCH,
    Netlist,
    Part,
)
from nightdraw.bank.circuit.node_voltages import output_v
from nightdraw.bank.circuit.part_text import WORST, family
from nightdraw.bank.circuit.passives import PULSE_ENERGY
from nightdraw.bank.circuit.spice import ABSENT, BOX, HIGH_V, RESET, Feed, deck, node
from nightdraw.bank.circuit.supply_cases import WINDOW_S, Case
from nightdraw.bank.circuit.transients import GATE_ON_V, LOGIC_ON_V
from nightdraw.bank.heat.mounted import mounted_channels
from nightdraw.bank.heat.overload import pulse_w
from nightdraw.bank.parts.resistor_packages import AIR
from nightdraw.board import BoardModel

OFF_V = 0.7  # rules.gates has why: a hot logic-level MOSFET is off below
HALF_S = 0.01  # a gate let go falls through its pull-down: 3 x 105 kohm x 12 nF, and as much again
OFF_A = 1e-4
REVERSED_A = 5e-3  # through the reverse protection's gate resistor, and no more
CONTACT_MOST_S = 1e-3  # ten time constants of its gate: 47 kohm, 2 nF
PIN_OVER_V = 0.3  # RP2040: a pin bears its supply and 0.3 V (from memory)
RAIL_V = (3.0, 3.6)  # 3.3 V as the processor board takes and bears it
SUPPLY_OUT_V = 1.0  # what a lead that nothing feeds may carry
WRONG_WAY_V = 1.0  # what an electrolytic bears the wrong way round (common practice)
CURRENT_SHARE = 0.05  # a channel that is on lies so near to supply over ohms: lead, fuse and switch take some
READING_SHARE = 0.03  # and a divider's voltage so near to its ratio: two resistors of 1 %, and leakage
STANDING_W = 5.0  # what a suppressor of 1.5 kW bears for ever (usual sheets, from memory)
PULSE_S = 1.44e-3  # energy of a 10/1000 us pulse over its peak power: 1 ms to the half, exponential
USB_A = 0.5  # USB 2.0
# How ngspice is to solve: the second where the first finds no way past an edge.
OPTIONS = ("method=gear reltol=2e-3 itl4=60", "method=trap reltol=5e-3 itl4=200 abstol=1e-9 vntol=1e-5")


@dataclass(frozen=True)
class Probe:
    """One figure: what is measured (an ngspice expression, and how over time) and its limit.

    how: max, integ (seconds or joules over the whole), or find (at at_s). least: the limit is the lowest.
    """

    part: str
    what: str
    expression: str
    how: str
    limit: float
    unit: str
    least: bool = False
    at_s: float = 0.0


@dataclass(frozen=True)
class Figure:
    """A probe's answer."""

    part: str
    what: str
    value: float
    limit: float
    unit: str
    least: bool
    ok: bool
    margin: float  # in units of the limit; 0: on it, below: beyond


@dataclass(frozen=True)
class Verdict:
    """A case's figures, the worst first; without figures ngspice gave no answer, and `trouble` says why."""

    case: Case
    figures: tuple[Figure, ...]
    trouble: str = ""

    @property
    def ok(self) -> bool:
        return bool(self.figures) and all(figure.ok for figure in self.figures)


def simulate_case(board: BoardModel, netlist: Netlist, case: Case) -> Verdict:
    """One case's verdict; raises InputError without ngspice."""
    probes = tuple(probes_of(board, netlist, case))
    answers: dict[str, list[float]] = {}
    trouble = ""
    for options in OPTIONS:
        try:
            answers = ngspice.run(case_deck(board, netlist, case, options))
            break
        except ngspice.UnsolvedError as error:
            trouble = str(error)
    else:
        return Verdict(case, (), trouble)
    figures = []
    for number, probe in enumerate(probes):
        values = answers.get(f"m{number}")
        if not values:
            return Verdict(case, (), f"ngspice did not measure {probe.part}, {probe.what}")
        figures.append(_figure(probe, values[-1]))
    return Verdict(case, tuple(sorted(figures, key=lambda figure: (figure.ok, figure.margin))))


def _figure(probe: Probe, value: float) -> Figure:
    ok = value >= probe.limit if probe.least else value <= probe.limit
    span = abs(probe.limit) or 1.0
    margin = (value - probe.limit if probe.least else probe.limit - value) / span
    return Figure(probe.part, probe.what, value, probe.limit, probe.unit, probe.least, ok, margin)


def case_deck(board: BoardModel, netlist: Netlist, case: Case, options: str = OPTIONS[0]) -> str:
    """The case as a deck that prints every probe's figure as m0, m1, ..."""
    lines = [f"option {options}", f"tran {case.step_s:g} {case.end_s:g} 0 {case.step_s:g}"]
    for number, probe in enumerate(probes_of(board, netlist, case)):
        lines.append(f"let x{number} = {probe.expression.lower()}")
        at = f" at={probe.at_s:g}" if probe.how == "find" else ""
        lines.append(f"meas tran m{number} {probe.how} x{number}{at}")
    drives = {number: _drive(case, number) for number in range(1, len(board.channels) + 1)}
    feed = Feed(case.source(), case.ohms, case.usb_v, case.controller)
    return deck(board, netlist, feed, drives, "\n".join(lines))


def _drive(case: Case, number: int) -> str:
    if case.asked is None:
        return f"PULSE(0 3.3 {WINDOW_S * number:g} 1u 1u {WINDOW_S / 2:g} 1)"
    return "3.3" if case.asked else "0"


def probes_of(board: BoardModel, netlist: Netlist, case: Case) -> Iterator[Probe]:
    """Every figure of a case, part by part."""
    for part in netlist.parts:
        rate = RATED.get(part.kind)
        if rate is not None:
            yield from rate(_At(netlist, part), board, case)
    yield from _bank(board, netlist, case)
    yield from _gates(board, netlist, case)
    if case.up:
        yield from _working(board, netlist, case)
    if case.still:
        yield from _still(case)
    if case.usb_v is not None:
        yield Probe("U1", "current from USB", "-i(vusb)", "max", USB_A, "A")


def _still(case: Case) -> Iterator[Probe]:
    """Nothing flows and nothing is on behind the reverse protection, but for the moment of contact: a
    P-channel MOSFET's own capacitance turns it on for some 0.1 ms."""
    current, volts = "abs(i(vsup))", f"abs(v(vp)-v({BOX}))"
    yield Probe("reverse protection", "current", current, "find", REVERSED_A, "A", at_s=case.settled_s)
    yield Probe("reverse protection", "voltage behind", volts, "find", SUPPLY_OUT_V, "V", at_s=case.settled_s)
    late = f"({current} gt {REVERSED_A:g})"
    yield Probe("reverse protection", "time conducting", late, "integ", CONTACT_MOST_S, "s")


@dataclass(frozen=True)
class _At:
    """A part with its pins' voltages as ngspice writes them."""

    netlist: Netlist
    part: Part

    def volts(self, pin: str, ground: str | None = None) -> str:
        low = BOX if ground is None else self._node(ground)
        return f"(v({self._node(pin)})-v({low}))"

    def _node(self, pin: str) -> str:
        return node(self.netlist.net(self.part.ref, pin) or f"NC_{self.part.ref}")

    def rating(self, what: str) -> float | None:
        return next((stress.rating for stress in self.part.stress if stress.what == what), None)

    def probe(self, what: str, expression: str, how: str = "max", unit: str = "V") -> Iterator[Probe]:
        """A figure against the part's own rating of that name, where it has one."""
        rating = self.rating(what)
        if rating is not None:
            yield Probe(self.part.ref, what, expression, how, rating, unit)


def _switch(at: _At, board: BoardModel, case: Case) -> Iterator[Probe]:
    drop, gate = at.volts("D", "S"), at.volts("G", "S")
    yield from at.probe("drain voltage", drop)
    yield from at.probe("gate voltage", f"abs({gate})")
    watts = at.rating("dissipation")
    if watts is not None and at.part.kind == SWITCH:
        joules = watts * max(case.end_s, 1.0)  # a TO-220 in air takes a minute to settle
        heat = f"{drop}*i(v{at.part.ref})"
        yield Probe(at.part.ref, "heat", heat, "integ", joules, "J")


def _reverse(at: _At, board: BoardModel, case: Case) -> Iterator[Probe]:
    yield from at.probe("drain voltage", f"abs({at.volts('D', 'S')})")
    yield from at.probe("gate voltage", f"abs({at.volts('G', 'S')})")
    watts = at.rating("dissipation")
    if watts is not None:
        heat = f"abs({at.volts('D', 'S')}*i(v{at.part.ref}))"
        yield Probe(at.part.ref, "heat", heat, "integ", watts * max(case.end_s, 1.0), "J")


def _schottky(at: _At, board: BoardModel, case: Case) -> Iterator[Probe]:
    yield from at.probe("reverse voltage", at.volts("K", "A"))


def _clamp(at: _At, board: BoardModel, case: Case) -> Iterator[Probe]:
    clamp = board.circuit.clamp
    assert clamp is not None
    across, current = at.volts("1", "2"), f"i(v{at.part.ref})"
    peak_w = float(clamp.clamps_v * clamp.at_a)
    joules = peak_w * PULSE_S + STANDING_W * case.end_s
    yield Probe(at.part.ref, "energy", f"abs({across}*{current})", "integ", joules, "J")
    if case.high_s:
        # sheets: the power that a suppressor bears goes with the root of the pulse's length (from memory)
        bears = float(clamp.at_a) * (1e-3 / max(case.high_s, 1e-5)) ** 0.5
        yield Probe(at.part.ref, "current", f"abs({current})", "max", bears, "A")


def _converter(at: _At, board: BoardModel, case: Case) -> Iterator[Probe]:
    yield from at.probe("input voltage", at.volts("IN+", "IN-"))


def _processor(at: _At, board: BoardModel, case: Case) -> Iterator[Probe]:
    yield from at.probe("supply", at.volts("39 VSYS"))
    rail = at.volts("36 3V3")
    yield Probe(at.part.ref, "3.3 V", rail, "max", RAIL_V[1], "V")
    pin = at.netlist.net(at.part.ref, "31 GP26")
    if pin is not None:
        over = f"(v({node(pin)})-v({BOX}))-{rail}"
        yield Probe(at.part.ref, "supply pin over 3.3 V", over, "max", PIN_OVER_V, "V")


def _buffer(at: _At, board: BoardModel, case: Case) -> Iterator[Probe]:
    yield from at.probe("supply", at.volts("VCC", "GND"))
    if case.controller in (RESET, ABSENT):
        kind = (family(board.circuit.gates.part) if board.circuit.gates else None) or WORST
        yield Probe(
            at.part.ref, "output-enable, off", at.volts("OE1"), "find", kind.high_v, "V", True, case.settled_s
        )


def _supervisor(at: _At, board: BoardModel, case: Case) -> Iterator[Probe]:
    yield from at.probe("supply", at.volts("VDD", "GND"))


def _capacitor(at: _At, board: BoardModel, case: Case) -> Iterator[Probe]:
    first, second = at.part.pins
    across = at.volts(first, second)
    if first == "+":
        yield from at.probe("voltage", across)
        yield Probe(at.part.ref, "wrong way round", f"0-{across}", "max", WRONG_WAY_V, "V")
    else:
        yield from at.probe("voltage", f"abs({across})")


def _resistor(at: _At, board: BoardModel, case: Case) -> Iterator[Probe]:
    across = at.volts("1", "2")
    yield from at.probe("voltage", f"abs({across})")
    watts = at.rating("dissipation")
    if watts is not None and not at.part.ref.startswith("RB"):
        heat = f"{across}*{across}/{at.part.number:g}"
        yield Probe(at.part.ref, "heat", heat, "integ", watts * max(case.end_s, 1.0), "J")
        # what comes faster than it can go: all that arrives above the power that is borne for good
        yield from at.probe(PULSE_ENERGY, f"({heat} gt {watts:g})*{heat}", "integ", "J")


RATED: dict[str, Callable[[_At, BoardModel, Case], Iterator[Probe]]] = {
    SWITCH: _switch,
    REVERSE_FET: _reverse,
    SCHOTTKY: _schottky,
    CLAMP: _clamp,
    CONVERTER: _converter,
    PROCESSOR: _processor,
    BUFFER: _buffer,
    SUPERVISOR: _supervisor,
    CAPACITOR: _capacitor,
    RESISTOR: _resistor,
}


def _bank(board: BoardModel, netlist: Netlist, case: Case) -> Iterator[Probe]:
    """The bank's resistors while the supply is above the usual: the makers' overload rules for that long."""
    if not case.high_s:
        return
    for channel in mounted_channels(board):
        own, package = channel.channel, channel.package
        bears = pulse_w(package, package.law(AIR).rating_w, case.high_s)
        watts = f"i(vq{channel.number})*i(vq{channel.number})*{float(own.ohms) / own.count:g}"
        yield Probe(f"RB{channel.number}", "overload", watts, "max", bears, "W")


def _gates(board: BoardModel, netlist: Netlist, case: Case) -> Iterator[Probe]:
    """Off throughout, or never long between off and what the sheet's lowest row wants."""
    assert board.switch is not None
    least = min(float(row.gate_v) for row in board.switch.specified) - 0.1
    for part in netlist.of(SWITCH):
        gate = _At(netlist, part).volts("G", "S")
        if case.off:
            yield Probe(part.ref, "gate, off", gate, "find", OFF_V, "V", at_s=case.settled_s)
            over = f"({gate} gt {OFF_V:g})"
            yield Probe(part.ref, "time not off", over, "integ", HALF_S, "s")
        else:
            between = f"({gate} gt {OFF_V:g})*({gate} lt {least:g})"
            yield Probe(part.ref, "time half driven", between, "integ", HALF_S, "s")


def _working(board: BoardModel, netlist: Netlist, case: Case) -> Iterator[Probe]:
    """What the box must be at the end."""
    circuit, end = board.circuit, case.settled_s
    assert circuit.converter is not None
    assert circuit.reverse is not None
    low = output_v(circuit.converter)[0]
    yield Probe("PS1", "5 V", f"v(V5)-v({BOX})", "find", low, "V", True, end)
    yield Probe("U1", "3.3 V", f"v(V3)-v({BOX})", "find", RAIL_V[0], "V", True, end)
    for part in netlist.of(REVERSE_FET):
        needed = LOGIC_ON_V if "logic-level" in circuit.reverse.part.lower() else GATE_ON_V
        yield Probe(part.ref, "gate, on", _At(netlist, part).volts("S", "G"), "find", needed, "V", True, end)
    yield from _readings(board, end)
    for number, channel in enumerate(board.channels, 1):
        at_s = end if case.asked is not None else WINDOW_S * (number + 0.25)
        if case.asked is False:
            yield _off(number, at_s)
            continue
        if case.asked is None:
            yield _off(number, WINDOW_S * (number - 0.25))
        away = f"abs(i(vq{number})/{case.waveform[-1][1] / float(channel.ohms):g}-1)"
        yield Probe(f"channel {number}", "current, on, error", away, "find", CURRENT_SHARE, "", at_s=at_s)


def _off(number: int, at_s: float) -> Probe:
    return Probe(f"channel {number}", "current, off", f"abs(i(vq{number}))", "find", OFF_A, "A", at_s=at_s)


def _readings(board: BoardModel, end_s: float) -> Iterator[Probe]:
    """What the controller reads of supply and thermistor (its element at 25 C) is what it takes it for."""
    sense = board.circuit.sense
    rows = []
    if sense.divider_ohms is not None:
        top, bottom = (float(ohms) for ohms in sense.divider_ohms)
        whole = f"(v(VP)-v({BOX}))"
        rows.append(("SUPPLY", whole, bottom / (top + bottom), board.supply_nominal_mv / 1000))
    if sense.thermistor is not None:
        cold, up = float(sense.thermistor.ohms), float(sense.thermistor.pull_up_ohms)
        rows.append(("HOT", f"(v(V3)-v({BOX}))", cold / (cold + up), HIGH_V))
    for net, whole, share, usual_v in rows:
        away = f"abs(v({net})-v({BOX})-{share:g}*{whole})/{share * usual_v:g}"
        yield Probe("U1", f"reading of {net}, error", away, "find", READING_SHARE, "", at_s=end_s)
