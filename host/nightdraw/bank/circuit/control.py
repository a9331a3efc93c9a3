"""The netlist's processor board with all that it senses and all that the panel has.

Pins are the 40-pin RP2040 board's own names and numbers; GPIO numbers come from the board file.
"""

from __future__ import annotations

from nightdraw.bank.circuit.netlist import (
    CONTACT,
    GROUND,
    LIGHT,
    MONITOR,
    PANEL,
    PROCESSOR,
    RESISTOR,
    THERMISTOR,
    WALL,
    Draft,
    Part,
    Stress,
)
from nightdraw.bank.circuit.passives import (
    RIPPLE,
    ceramic,
    electrolytic,
    precise,
    resistor,
    schottky,
)
from nightdraw.bank.circuit.transients import lasting_v
from nightdraw.bank.wiring.board_wiring import peak_a
from nightdraw.board import BoardModel

# The 40 pins of the usual RP2040 board, two rows of 20, pin 1 beside the USB socket.
BOARD_PINS = (
    "GP0", "GP1", "GND", "GP2", "GP3", "GP4", "GP5", "GND", "GP6", "GP7", "GP8", "GP9", "GND", "GP10", "GP11",
    "GP12", "GP13", "GND", "GP14", "GP15", "GP16", "GP17", "GND", "GP18", "GP19", "GP20", "GP21", "GND",
    "GP22",
    "RUN", "GP26", "GP27", "AGND", "GP28", "VREF", "3V3", "3V3_EN", "GND", "VSYS", "VBUS",
)  # fmt: skip
SUPPLY_PIN, THERMISTOR_PIN, SHUNT_PIN = 26, 27, 28  # the shell's own, boxcore.board.HARDWARE
SDA_PIN, SCL_PIN = 0, 1
INDICATOR_OHMS = 1_000.0
CONVERTER_V = 3.3
INJECTED_A = 0.2  # a small Schottky diode's rating
MONITOR_FULL_V = 0.08192  # the monitor's full scale, 2.5 uV times 32768 counts
SHUNT_W = 1.0
USUAL_SHUNT_OHMS = 0.05
# The shunt's ends twice: where the bank's current flows, and where its voltage is taken (Kelvin), so that no
# track or wire between is measured with it.
SHUNT_PINS = ("1", "2", "1S", "2S")
# what the resistor that most monitor modules carry, 0.1 ohm, is good for
OWN_SHUNT = {
    0.05: "; a monitor module's own 0.1 ohm with a second 0.1 ohm across it makes 0.05 ohm",
    0.1: "; a monitor module's own 0.1 ohm, left in, with RS1 left out",
}


def pin_names() -> tuple[str, ...]:
    """The board's 40 pins by number, `7 GP5`."""
    return tuple(f"{number} {name}" for number, name in enumerate(BOARD_PINS, 1))


def gpio_pin(gpio: int) -> str | None:
    """The pin of a GPIO number, None where the board brings it out on none."""
    for number, name in enumerate(BOARD_PINS, 1):
        if name == f"GP{gpio}":
            return f"{number} {name}"
    return None


def control(draft: Draft, board: BoardModel) -> None:
    """Processor, sensing and panel."""
    _processor(draft, board)
    if board.monitor:
        _monitor(draft, board)
    _divider(draft, board)
    _thermistor(draft, board)
    _panel(draft, board)


def _processor(draft: Draft, board: BoardModel) -> None:
    pins = board.circuit.pins
    nets: dict[str, str] = {}
    wanted = {channel.pin: f"CH{number}" for number, channel in enumerate(board.channels, 1)}
    wanted |= {pins.enable: "OE", pins.arm: "ARM", pins.button: "BUTTON", pins.indicator: "LAMP"}
    wanted |= {pin: f"SEL{1 << k}" for k, pin in enumerate(pins.selector)}
    wanted |= {SUPPLY_PIN: "SUPPLY"}
    if board.circuit.sense.thermistor is not None:
        wanted |= {THERMISTOR_PIN: "HOT"}
    if board.circuit.sense.gain is not None:
        wanted |= {SHUNT_PIN: "AMPS"}
    elif board.monitor:
        wanted |= {SDA_PIN: "SDA", SCL_PIN: "SCL"}
    for gpio, net in wanted.items():
        pin = gpio_pin(gpio)
        if pin is not None:
            nets[pin] = net
    for pin in pin_names():
        name = pin.split()[1]
        if name in ("GND", "AGND"):
            nets[pin] = GROUND
        elif name in ("VSYS", "3V3"):
            nets[pin] = name.replace("3V3", "V3")
    spare = tuple(pin for pin in pin_names() if pin not in nets)
    draft.add(
        Part("U1", PROCESSOR, "RP2040 board", "VSYS 1.8 .. 5.5 V", "module, 2 x 20 pins, rows 17.78 mm apart",
             "RP2040 microcontroller board with 40 pins in two rows, 2 MB of flash, USB",
             "any RP2040 board with the same 40 pins", pin_names(), supply=("39 VSYS",), spare=spare,
             stress=(Stress("supply", 5.0 * RIPPLE, 5.5, "V"),)),
        nets,
    )  # fmt: skip
    diode = schottky("D2", "Schottky diode, 1 A, 20 V or more, axial", 1.0, 0.1, 5.5, 20.0)
    draft.add(diode, {"A": "V5", "K": "VSYS"})
    draft.add(electrolytic("C4", 10, 16.0, 5.5, "U1"), {"+": "VSYS", "-": GROUND})


def _shunt(draft: Draft, board: BoardModel) -> None:
    shunt = float(board.circuit.sense.shunt_ohms or USUAL_SHUNT_OHMS)
    peak = peak_a(board)
    full_v = CONVERTER_V / board.circuit.sense.gain if board.circuit.sense.gain else MONITOR_FULL_V
    draft.add(
        Part("RS1", RESISTOR, f"{shunt:g} ohm", "1 W, 1 %", "axial, or two on the module",
             f"current-sense resistor, {shunt:g} ohm, 1 %, 1 W",
             "two of twice the value in parallel" + OWN_SHUNT.get(shunt, ""), SHUNT_PINS, shunt,
             stress=(
                 Stress("dissipation", peak**2 * shunt, SHUNT_W * 0.5, "W"),
                 Stress("range", peak * shunt, full_v, "V"),
             ), goods="shunt"),
        {"1": "RET", "2": GROUND, "1S": "SENSEP", "2S": "SENSEN"},
    )  # fmt: skip


def _monitor(draft: Draft, board: BoardModel) -> None:
    _shunt(draft, board)
    supply = (Stress("supply", CONVERTER_V * RIPPLE, 5.5, "V"),)
    if board.circuit.sense.gain is not None:
        gain = board.circuit.sense.gain
        draft.add(
            Part("U5", MONITOR, f"gain {gain}", "2.7 .. 5.5 V", "module, 5 pins",
                 f"current-sense amplifier, gain {gain}, low-side, supplied by 3.3 V",
                 "another of the same gain",
                 ("VCC", "GND", "IN+", "IN-", "OUT"), supply=("VCC",), stress=supply),
            {"VCC": "V3", "GND": GROUND, "IN+": "SENSEP", "IN-": "SENSEN", "OUT": "AMPS"},
        )  # fmt: skip
        draft.add(ceramic("C5", "U5", CONVERTER_V * RIPPLE), {"1": "V3", "2": GROUND})
        return
    draft.add(
        Part("U5", MONITOR, "I2C, address 0x40", "2.7 .. 5.5 V", "module, 8 pins",
             "current-monitor module, 16 bit, 2.5 uV a count, I2C at 0x40 (register map TI SBOS547)",
             "the bare chip on an adapter board", ("VCC", "GND", "SCL", "SDA", "IN+", "IN-", "VBUS", "ALERT"),
             supply=("VCC",), spare=("VBUS", "ALERT"), stress=supply),
        {"VCC": "V3", "GND": GROUND, "SCL": "SCL", "SDA": "SDA", "IN+": "SENSEP", "IN-": "SENSEN"},
    )  # fmt: skip
    draft.add(ceramic("C5", "U5", CONVERTER_V * RIPPLE), {"1": "V3", "2": GROUND})
    for ref, net in (("R10", "SDA"), ("R11", "SCL")):
        draft.add(resistor(ref, 4_700.0, CONVERTER_V), {"1": net, "2": "V3"})


def _divider(draft: Draft, board: BoardModel) -> None:
    pair = board.circuit.sense.divider_ohms
    if pair is None:
        return
    top, bottom = (float(ohms) for ohms in pair)
    highest = float(board.circuit.clamp.clamps_v) if board.circuit.clamp else 0.0
    draft.add(precise("R5", top, lasting_v(board), highest), {"1": "VP", "2": "SUPPLY"})
    draft.add(precise("R6", bottom, CONVERTER_V), {"1": "SUPPLY", "2": GROUND})
    draft.add(ceramic("C6", None, CONVERTER_V), {"1": "SUPPLY", "2": GROUND})
    diode = schottky(
        "D3", "small-signal Schottky diode, 0.2 A, 30 V, axial", INJECTED_A, highest / top, 5.0, 30.0
    )
    draft.add(diode, {"A": "SUPPLY", "K": "V3"})


def _thermistor(draft: Draft, board: BoardModel) -> None:
    part = board.circuit.sense.thermistor
    if part is None:
        return
    ohms, beta = float(part.ohms), float(part.beta_k)
    draft.add(precise("R7", float(part.pull_up_ohms), CONVERTER_V), {"1": "HOT", "2": "V3"})
    draft.add(
        Part("RT1", THERMISTOR, f"{ohms / 1000:g}k at 25 C", f"beta {beta:g} K",
        "bead or ring terminal, on leads",
             f"NTC thermistor, {ohms / 1000:g} kohm at 25 C, beta {beta:g} K, 1 %, insulated",
             "another with the same ohms and beta; enter its beta in the board file", ("1", "2"), ohms,
             WALL if any(c.mounting == "plate" for c in board.channels) else "board",
             stress=(Stress("self-heating", CONVERTER_V**2 / 4 / ohms, 0.002, "W"),)),
        {"1": "HOT", "2": GROUND},
    )  # fmt: skip
    draft.add(ceramic("C7", None, CONVERTER_V), {"1": "HOT", "2": GROUND})


def _panel(draft: Draft, board: BoardModel) -> None:
    if board.circuit.pins.selector:
        codes = tuple(str(1 << k) for k in range(4))
        draft.add(
            Part("S1", CONTACT, "0 .. 9", "signal", "rotary, panel",
            "rotary code switch, 10 positions, BCD (1 2 4 8), "
                 "real code, common to 3.3 V", "16 positions, hexadecimal: 10 to 15 are passed over",
                 ("C", *codes), place=PANEL, goods="rotary switch"),
            {"C": "V3"} | {code: f"SEL{code}" for code in codes},
        )  # fmt: skip
    contact = "toggle switch, one pole, on-off, panel"
    draft.add(
        Part(
            "S2",
            CONTACT,
            "arm",
            "signal",
            "toggle, panel",
            contact,
            "key switch",
            ("1", "2"),
            place=PANEL,
            goods="toggle switch",
        ),
        {"1": "V3", "2": "ARM"},
    )
    draft.add(
        Part("S3", CONTACT, "stay out", "signal", "push-button, panel", "push-button, normally open, panel",
             "any momentary contact", ("1", "2"), place=PANEL, goods="push-button"),
        {"1": "V3", "2": "BUTTON"},
    )  # fmt: skip
    draft.add(resistor("R8", INDICATOR_OHMS, CONVERTER_V), {"1": "LAMP", "2": "LED"})
    draft.add(
        Part("LED1", LIGHT, "green", "20 mA", "3 mm, panel",
        "light-emitting diode, 3 mm, green, with panel holder",
             "5 mm; any colour but red", ("A", "K"), place=PANEL,
             stress=(Stress("current", CONVERTER_V / INDICATOR_OHMS, 0.02, "A"),)),
        {"A": "LED", "K": GROUND},
    )  # fmt: skip
