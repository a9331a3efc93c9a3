"""The schematic's sheets: supply side, processor and panel, gate drive, channels. Placement only.

Every value, net and pin comes from the netlist; a test counts that no part is left out.
"""

from __future__ import annotations

from nightdraw.bank.circuit.gate_drive import resistors_of
from nightdraw.bank.circuit.netlist import (
    BUFFER,
    GROUND,
    MONITOR,
    REVERSE_FET,
    SUPERVISOR,
    Netlist,
)
from nightdraw.bank.circuit.part_text import family
from nightdraw.bank.drawings.frame import a4, notes
from nightdraw.bank.drawings.sheet import Sheet
from nightdraw.bank.drawings.symbols import SMALL, Page
from nightdraw.board import BoardModel
from nightdraw.board.circuit import MOSFET

COLUMNS, ROWS = 5, 2
COLUMN, ROW = 8.3, 12.4  # units
A_SHEET = COLUMNS * ROWS


def schematic(board: BoardModel, netlist: Netlist) -> list[Sheet]:
    """All sheets in order."""
    count = len(board.channels)
    channel_sheets = (count + A_SHEET - 1) // A_SHEET
    total = 3 + channel_sheets
    sheets = [
        _supply(board, netlist, f"1 / {total}"),
        _control(board, netlist, f"2 / {total}"),
        _gates(board, netlist, f"3 / {total}"),
    ]
    for number in range(channel_sheets):
        first = number * A_SHEET + 1
        last = min(count, first + A_SHEET - 1)
        sheets.append(_channels(board, netlist, first, last, f"{4 + number} / {total}"))
    return sheets


def _supply(board: BoardModel, netlist: Netlist, page: str) -> Sheet:
    sheet = a4("schematic, supply side", board.name, page)
    draw = Page(netlist)
    rail, ground = 0.0, -6.5
    draw.tag((0, rail), "BAT", "left")
    draw.part("F1", (0, rail), (3, rail))
    draw.line((3, rail), (7, rail))
    draw.words((5, 0.9), f"W1 lead, red\n{netlist.part('W1').value}")
    draw.words((8.2, 0.75), "J1 +")
    draw.line((7, rail), (9.6, rail))
    for x in (7.6, 7.6):
        draw.dot((x, rail))
        draw.dot((x, ground))
    draw.part("D1", (9.0, rail), (9.0, ground), "bottom")
    draw.dot((9.0, rail))
    draw.line((9.6, rail), (12.5, rail))
    _reverse(draw, netlist, ground)
    draw.line((14, rail), (21.2, rail))
    draw.part("C1", (18.8, rail), (18.8, ground), "bottom")
    draw.dot((18.8, rail))
    draw.dot((21.2, rail))
    draw.tag((21.2, rail), "VP", "up", 0.6)
    draw.part("R2", (21.2, rail), (24.6, rail))
    draw.part("C2", (25.2, rail), (25.2, ground), "bottom")
    draw.line((24.6, rail), (28, rail))
    draw.dot((25.2, rail))
    _module(draw, rail, ground)
    draw.line((32.5, rail), (37.2, rail))
    draw.part("C3", (34.2, rail), (34.2, ground), "bottom")
    draw.dot((34.2, rail))
    draw.tag((37.2, rail), "V5", "right")
    draw.tag((0, ground), "CHASSIS", "left")
    draw.line((0, ground), (34.2, ground))
    draw.words((5, ground - 0.9), f"W2 lead, black\n{netlist.part('W2').value}")
    draw.words((8.2, ground + 0.5), "J1 -")
    draw.line((30.2, ground), (30.2, ground - 0.5))
    draw.ground((30.2, ground - 0.5))
    y = -12.6
    draw.tag((0, y), "V5", "left")
    draw.part("D2", (0, y), (3.4, y))
    draw.line((3.4, y), (7, y))
    draw.part("C4", (5, y), (5, y - 3.4), "bottom")
    draw.dot((5, y))
    draw.ground((5, y - 3.4))
    draw.tag((7, y), "VSYS", "right")
    draw.on(sheet, (36, 42))
    _supply_notes(sheet, board)
    return sheet


def _reverse(draw: Page, netlist: Netlist, ground: float) -> None:
    """The part that keeps a reversed supply out, from x 12.5 to 14."""
    if not netlist.of(REVERSE_FET):
        draw.part("D0", (11.6, 0), (15, 0))
        return
    fet = draw.elements.PFet().theta(270).anchor("drain").at((12.5, 0))
    draw.drawing.add(fet)
    draw.words((13.25, 0.75), "Q0 P-channel\nD  -  S")
    gate = (13.25, -3.0)
    draw.line((13.25, -1.3), gate)
    draw.dot(gate)
    draw.part("R1", gate, (13.25, ground), "bottom")
    draw.line(gate, (16.2, -3.0))
    draw.part("Z1", (16.2, -3.0), (16.2, 0), "bottom")
    draw.dot((16.2, 0))
    draw.dot((13.25, ground))


def _module(draw: Page, rail: float, ground: float) -> None:
    draw.line((28, 0.8), (32.5, 0.8), (32.5, -3.4), (28, -3.4), (28, 0.8))
    draw.words((30.25, -1.2), "PS1\nstep-down\nmodule")
    draw.words((28.25, rail), "IN+", SMALL, "left")
    draw.words((32.25, rail), "OUT+", SMALL, "right")
    draw.words((30.25, -2.95), "IN-  OUT-")
    draw.line((30.2, -3.4), (30.2, ground))
    draw.dot((30.2, ground))


def _supply_notes(sheet: Sheet, board: BoardModel) -> None:
    circuit = board.circuit
    assert circuit.clamp is not None
    assert circuit.converter is not None
    lines = [
        "BAT is the splice behind the circuit's own fuse; F1 sits within a hand's width of it, in the "
        "weather cap.",
        f"D1 stands off {float(circuit.clamp.standoff_v):g} V and clamps both ways; C1 close to it.",
        *(
            (
                "Q0: the supply enters at the drain. Its body diode starts it, then the gate turns it on; "
                "reversed, it blocks.",
                "Z1: cathode to VP. Without it the gate would see the whole of a load dump.",
            )
            if circuit.reverse and circuit.reverse.kind == MOSFET
            else ("D0: the band to VP.",)
        ),
        f"PS1 bears {float(circuit.converter.input_max_v):g} V at its input. Set or check 5.0 V before U1 "
        f"is plugged in.",
        *_on_usb(board),
        "VP feeds the bank (sheet of channels). GND is one point at J1: bank return and electronics meet "
        "there.",
    ]
    notes(sheet, 112, 118, lines, 2.7, "Notes")


def _control(board: BoardModel, netlist: Netlist, page: str) -> Sheet:
    sheet = a4("schematic, processor, sensing and panel", board.name, page)
    draw = Page(netlist)
    pins = netlist.part("U1").pins
    left = [(pin, pin.split()[1]) for pin in pins[:20]]
    right = [(pin, pin.split()[1]) for pin in reversed(pins[20:])]
    numbers = {pin: number for number, pin in enumerate(pins, 1)}
    draw.chip("U1", (0, 0), left, right, 6, "RP2040 board, seen from above, USB up", 1.0, numbers)
    draw.on(sheet, (40, 34))
    panel = Page(netlist)
    _sensing(panel, netlist)
    _panel(panel, board, netlist)
    panel.on(sheet, (130, 34))
    lines = [
        "Nets are joined by name across the sheets. x: left open.",
        "Contacts close to 3V3; the firmware pulls their pins down, so a broken wire reads as open.",
        "OE low lets the gate buffers drive. R3 and R9 (sheet 3) hold it high until the firmware takes it.",
        "USB and the boot button must stay within reach; the box also runs from USB alone, with no load.",
    ]
    notes(sheet, 16, 172, lines, 2.7)
    return sheet


def _sensing(draw: Page, netlist: Netlist) -> None:
    if any(part.ref == "R5" for part in netlist.parts):
        draw.tag((0, 0), "VP", "up")
        draw.part("R5", (0, 0), (0, -3), "top")
        draw.part("R6", (0, -3), (0, -6), "top")
        draw.ground((0, -6))
        draw.line((0, -3), (6.2, -3))
        draw.dot((0, -3))
        draw.part("C6", (2.2, -3), (2.2, -6), "bottom")
        draw.dot((2.2, -3))
        draw.ground((2.2, -6))
        draw.part("D3", (4.8, -3), (4.8, 0), "bottom")
        draw.tag((4.8, 0), "V3", "up")
        draw.dot((4.8, -3))
        draw.tag((6.2, -3), "SUPPLY", "right")
    if any(part.ref == "RT1" for part in netlist.parts):
        x = 13.0
        draw.tag((x, 0), "V3", "up")
        draw.part("R7", (x, 0), (x, -3), "top")
        draw.part("RT1", (x, -3), (x, -6), "top")
        draw.ground((x, -6))
        draw.line((x, -3), (x + 4, -3))
        draw.dot((x, -3))
        draw.part("C7", (x + 2.4, -3), (x + 2.4, -6), "bottom")
        draw.dot((x + 2.4, -3))
        draw.ground((x + 2.4, -6))
        draw.tag((x + 4, -3), "HOT", "right")
    if netlist.of(MONITOR):
        _monitor(draw, netlist)


def _monitor(draw: Page, netlist: Netlist) -> None:
    pins = netlist.part("U5").pins
    data = [pin for pin in pins if pin in ("SCL", "SDA", "OUT", "VBUS", "ALERT")]
    draw.chip(
        "U5",
        (6.4, -9.6),
        [("IN+", "IN+"), ("IN-", "IN-"), ("VCC", "VCC"), ("GND", "GND")],
        [(pin, pin) for pin in data],
        4.4,
        "current monitor",
        1.1,
    )
    draw.tag((-3.2, -9.4), "RET", "up")
    draw.line((-3.2, -9.4), (-3.2, -10.7))
    draw.part("RS1", (-3.2, -10.7), (-3.2, -14.2), "top")
    draw.ground((-3.2, -14.9))
    draw.line((-3.2, -14.2), (-3.2, -14.9))
    for y, pin in ((-10.7, "1S"), (-14.2, "2S")):  # taken at the resistor's own ends
        draw.dot((-3.2, y))
        draw.line((-3.2, y), (-2.2, y))
        draw.tag((-2.2, y), netlist.net("RS1", pin) or "", "right")
    x = 16.2
    draw.tag((x, -10.2), "V3", "up")
    draw.part("C5", (x, -10.2), (x, -13.2), "bottom")
    draw.ground((x, -13.2))
    if any(part.ref == "R10" for part in netlist.parts):
        for ref, net, at in (("R10", "SDA", 18.8), ("R11", "SCL", 21.8)):
            draw.tag((at, -10.2), "V3", "up")
            draw.part(ref, (at, -10.2), (at, -13.2), "bottom")
            draw.tag((at, -13.2), net, "down")


def _panel(draw: Page, board: BoardModel, netlist: Netlist) -> None:
    y = -17.6
    rows = [("S2", "ARM"), ("S3", "BUTTON")]
    for number, (ref, net) in enumerate(rows):
        at = y - 2.2 * number
        draw.tag((0, at), "V3", "left")
        draw.part(ref, (0, at), (3.6, at))
        draw.tag((3.6, at), net, "right")
    at = y - 2.2 * len(rows)
    draw.tag((0, at), "LAMP", "left")
    draw.part("R8", (0, at), (3, at))
    draw.part("LED1", (3, at), (6, at), "bottom")
    draw.tag((6, at), GROUND, "down", 0.0)
    if board.circuit.pins.selector:
        draw.chip(
            "S1",
            (13.4, y + 1.0),
            [("C", "C")],
            [(code, code) for code in ("1", "2", "4", "8")],
            2.6,
            "slot selector, BCD",
        )


def _gates(board: BoardModel, netlist: Netlist, page: str) -> Sheet:
    sheet = a4("schematic, gate drive", board.name, page)
    draw = Page(netlist)
    for place, part in enumerate(netlist.of(BUFFER)):
        names = part.pins
        left = [(names[k], names[k]) for k in range(10)]
        right = [(names[k], names[k]) for k in range(19, 9, -1)]
        numbers = {pin: number for number, pin in enumerate(names, 1)}
        title = f"{part.value}, DIP-20, seen from above"
        draw.chip(part.ref, (15.4 * place, 0), left, right, 5, title, 1.15, numbers)
        _upright(draw, f"C{9 + place}", 29.6 + 4.0 * place, -1.2)
    if netlist.of(SUPERVISOR):
        pins = [("VDD", "VDD"), ("GND", "GND")]
        draw.chip(
            "U4", (0, -15.0), pins, [("RST", "RST")], 4.4, f"supervisor {netlist.part('U4').value}", 1.2
        )
        _upright(draw, "C12", 11.4, -15.6)
    _upright(draw, "R4", 15.4, -15.6)
    if any(part.ref == "R3" for part in netlist.parts):
        _upright(draw, "R3", 19.6, -15.6, swap=True)
    if any(part.ref == "R9" for part in netlist.parts):
        _upright(draw, "R9", 23.8, -15.6)
    draw.on(sheet, (44, 30))
    lines = [
        "Both enables must be low for the outputs to drive: OE from the firmware, LOCK from the supervisor, "
        "which holds",
        "it high while the 5 V rail is below its threshold, so that no gate is ever half driven. R3 and "
        "R9 hold "
        "OE at 3 V,",
        "which is off, from the buffers' own supply: with the controller in reset, blank or out of its "
        "socket.",
        "Pins of the 541: 1 and 19 enables, 2 to 9 inputs, 18 to 11 outputs, 10 ground, 20 supply. Spare "
        "inputs to ground.",
        "Capacitors sit at the supply pin of the part named beside them in the parts list.",
    ]
    notes(sheet, 16, 169, lines, 2.7)
    return sheet


def _upright(draw: Page, ref: str, x: float, y: float, swap: bool = False) -> None:
    """A part by itself between its two nets, first pin up (swap: down)."""
    part = draw.netlist.part(ref)
    upper, lower = (draw.netlist.net(ref, pin) or "" for pin in part.pins)
    if upper in (GROUND, "LOCK") or swap:
        upper, lower = lower, upper
    draw.tag((x, y), upper, "up")
    draw.part(ref, (x, y), (x, y - 3), "bottom")
    draw.tag((x, y - 3), lower, "down")


def _on_usb(board: BoardModel) -> tuple[str, ...]:
    """What USB power alone does to the 5 V rail, by the buffers' family."""
    assert board.circuit.gates is not None
    kind = family(board.circuit.gates.part)
    if kind is not None and kind.tolerant:
        return (
            "D2 keeps USB power out of the 5 V rail, and so do the buffers' inputs, which bear more than",
            f"their supply (74{kind.name}): on USB alone the buffers have none and every switch is open.",
        )
    return (
        "D2 keeps USB power out of the 5 V rail, the buffers' inputs don't: on USB alone their clamp diodes",
        "feed it to about 2.5 V. The lock-out holds the outputs off; a 74AHCT541 isn't fed.",
    )


def _channels(board: BoardModel, netlist: Netlist, first: int, last: int, page: str) -> Sheet:
    sheet = a4(f"schematic, channels {first} to {last}", board.name, page)
    draw = Page(netlist)
    for number in range(first, last + 1):
        place = number - first
        _channel(draw, board, netlist, number, COLUMN * (place % COLUMNS), -ROW * (place // COLUMNS))
    draw.on(sheet, (52, 36))
    gate = netlist.part(f"RG{first}")
    lines = [
        f"Each channel alike: RG {gate.value} at the gate, RP to the source, "
        f"{netlist.part(f'Q{first}').description}.",
        "Resistors marked `wall` are screwed to the enclosure with thermal compound, their leads sleeved.",
    ]
    notes(sheet, 16, 179, lines, 2.7)
    return sheet


def _channel(draw: Page, board: BoardModel, netlist: Netlist, number: int, x: float, y: float) -> None:
    own = board.channels[number - 1]
    packages = resistors_of(netlist.parts, number)
    first = packages[0]
    refs = first.ref if len(packages) == 1 else f"{first.ref}..{packages[-1].ref.lstrip('RB0123456789')}"
    many = "" if len(packages) == 1 else f"\n{own.in_series} series x {own.in_parallel} parallel"
    where = ", wall" if first.place == "wall" else ""
    draw.tag((x, y), "VP", "up", 0.4)
    element = draw.elements.ResistorIEC().at((x, y)).to((x, y - 3))
    draw.drawing.add(element)
    draw.words((x + 0.5, y - 1.5), f"{refs}\n{first.value}\n{first.package}{where}{many}", SMALL, "left")
    fet = draw.elements.NFet().theta(0).reverse().anchor("drain").at((x, y - 3.4))
    draw.line((x, y - 3), (x, y - 3.4))
    draw.drawing.add(fet)
    draw.words((x + 0.35, y - 4.15), f"Q{number}", SMALL, "left")
    gate = (x - 1.3667, y - 4.15)
    draw.dot(gate)
    draw.part(f"RG{number}", (x - 4.2, y - 4.15), gate, "top", value=False)
    draw.tag((x - 4.2, y - 4.15), f"DRV{number}", "left")
    foot = y - 7.6
    draw.part(f"RP{number}", gate, (gate[0], foot), "top", value=True)
    draw.line((gate[0], foot), (x, foot), (x, y - 4.9))
    draw.dot((x, foot))
    source = netlist.net(f"Q{number}", "S") or ""
    draw.tag((x, foot), source, "down", 0.0 if source != GROUND else 0.1)
