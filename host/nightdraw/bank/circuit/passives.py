"""Small parts by value: resistors, capacitors, diodes with what to ask for in a shop; no circuit in here."""

from __future__ import annotations

from dataclasses import replace

from nightdraw.bank.circuit.netlist import CAPACITOR, RESISTOR, SCHOTTKY, Part, Stress

SMALL_W = 0.25  # metal film of the usual size
SMALL_V = 200.0
INRUSH_W = 0.5  # a wire in the size of the usual metal film: body 6.5 x 2.5 mm
# What its maker's sheet must allow of a single pulse of a few milliseconds. Common practice, no source: such
# a body holds 0.15 m of 0.1 mm resistance wire, some 10 mg, 5 mJ/K, so that 0.25 J are a rise of 50 K.
INRUSH_J = 0.25
PULSE_ENERGY = "pulse energy"
CERAMIC_V = 100.0
RIPPLE = 1.05  # a 5 V or 3.3 V rail at the top of its tolerance


def ohms_text(ohms: float) -> str:
    """Ohms as people write them, without signs that a plain font lacks: `100`, `9.1k`."""
    if ohms >= 1e6:
        return f"{ohms / 1e6:g}M"
    return f"{ohms / 1e3:g}k" if ohms >= 1e3 else f"{ohms:g}"


def resistor(ref: str, ohms: float, worst_v: float, peak_v: float = 0.0) -> Part:
    """A small resistor with this voltage across it at most for ever, and a higher one for an instant."""
    watts = worst_v**2 / ohms
    return Part(
        ref,
        RESISTOR,
        f"{ohms_text(ohms)} ohm",
        "0.25 W, 1 %",
        "axial, 0.25 W",
        f"metal film resistor, {ohms_text(ohms)} ohm, 1 %, 0.25 W, axial",
        "any metal film or carbon film of the value, 5 % or better, 0.25 W or more",
        ("1", "2"),
        ohms,
        stress=(
            Stress("dissipation", watts, SMALL_W * 0.5, "W"),
            Stress("voltage", max(worst_v, peak_v), SMALL_V, "V"),
        ),
        goods="film resistor",
    )


def precise(ref: str, ohms: float, worst_v: float, peak_v: float = 0.0) -> Part:
    """A small resistor whose tolerance a reading hangs on."""
    part = resistor(ref, ohms, worst_v, peak_v)
    return replace(part, second="metal film of the value, 1 % or better")


def inrush_resistor(ref: str, ohms: float, worst_v: float, worst_j: float) -> Part:
    """The resistor that charges a bulk capacitor, worst_j at once: a wire, which takes a pulse by its mass,
    where a film of the size may open. Its inductance of some microhenries is nothing beside its ohms."""
    part = resistor(ref, ohms, worst_v)
    return replace(
        part,
        rating=f"{INRUSH_W:g} W, 5 %, {INRUSH_J:g} J a pulse",
        description=(
            f"wirewound resistor, {ohms_text(ohms)} ohm, 5 %, {INRUSH_W:g} W, axial, body at most 6.5 x 2.5 "
            f"mm, single pulse of {INRUSH_J:g} J in 5 ms"
        ),
        second="pulse-withstanding film whose sheet allows that pulse; no plain film of 0.25 W",
        stress=(
            Stress("dissipation", worst_v**2 / ohms, INRUSH_W * 0.5, "W"),
            Stress("voltage", worst_v, SMALL_V, "V"),
            Stress(PULSE_ENERGY, worst_j, INRUSH_J, "J"),
        ),
        goods="charging resistor",
    )


def ceramic(ref: str, near: str | None, worst_v: float, rated_v: float = CERAMIC_V) -> Part:
    """100 nF, close to the part that it serves."""
    return Part(
        ref,
        CAPACITOR,
        "100 nF",
        f"{rated_v:g} V, X7R",
        "radial, 5 mm pitch",
        f"ceramic capacitor, 100 nF, {rated_v:g} V, X7R, radial, 5 mm pitch",
        f"film capacitor, 100 nF, {rated_v:g} V, 5 mm pitch",
        ("1", "2"),
        1e-7,
        near=near,
        stress=(Stress("voltage", worst_v, rated_v, "V"),),
        goods="ceramic capacitor",
    )


def electrolytic(ref: str, microfarads: float, rated_v: float, worst_v: float, near: str | None) -> Part:
    """A polarised bulk capacitor."""
    return Part(
        ref,
        CAPACITOR,
        f"{microfarads:g} uF",
        f"{rated_v:g} V, 105 C",
        "radial",
        f"aluminium electrolytic capacitor, {microfarads:g} uF, {rated_v:g} V, 105 C, radial",
        "the same or up to twice the capacitance, the same voltage or more",
        ("+", "-"),
        microfarads * 1e-6,
        near=near,
        stress=(Stress("voltage", worst_v, rated_v, "V"),),
        goods="electrolytic capacitor",
    )


def schottky(
    ref: str, description: str, current_a: float, worst_a: float, worst_v: float, volts: float
) -> Part:
    """A small Schottky diode."""
    return Part(
        ref,
        SCHOTTKY,
        f"{current_a:g} A {volts:g} V",
        f"{current_a:g} A, {volts:g} V",
        "axial",
        description,
        "any Schottky diode of at least this current and voltage",
        ("A", "K"),
        stress=(
            Stress("current", worst_a, current_a, "A"),
            Stress("reverse voltage", worst_v, volts, "V"),
        ),
    )
