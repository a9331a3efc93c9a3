"""The schematic's file: every part of the netlist, those off the board too, its pins joined by name.

For people there is the drawn schematic (`schematic.pdf`); this one carries the netlist into KiCad, sorted
by function.
"""

from __future__ import annotations

from dataclasses import dataclass

from nightdraw.bank.circuit.netlist import BOARD, GROUND, Netlist, Part
from nightdraw.bank.kicad.library import pads_of
from nightdraw.bank.kicad.placed import Placed
from nightdraw.bank.kicad.sexpr import NO, YES, Node, Word, identifier, node, text, uuid_text
from nightdraw.bank.kicad.silk import REVISION
from nightdraw.bank.kicad.symbols import POWER_OUT, STEP, Pin, Symbol, box, symbol

VERSION = 20250114  # the format of KiCad 9
PAPER, BOTTOM = "A2", 400.05
LEFT, TOP = 25.4, 30.48
COLUMN = 55.88
GROUPS = (
    ("Supply", ("X", "F", "W", "J1", "D1", "D0", "Q0", "Z", "C1", "R1", "R2", "C2", "PS", "C3")),
    ("Controller", ("U1", "D2", "C4")),
    ("Readings", ("R5", "R6", "C6", "D3", "R7", "RT", "C7", "U5", "RS", "C5", "R10", "R11")),
    ("Panel", ("S", "LED", "R8", "J3", "J4", "J5", "J6", "J7")),
    ("Gate drive", ("U", "R3", "R4", "R9", "C")),
    ("Channels", ("RG", "RP", "Q", "RB", "J")),
    ("Test points", ("TP",)),
)
FLAGGED = (GROUND, "VPF", "VSYS")  # fed through parts that the rules don't know as sources
OWN_LINE = ("RG", "RP", "RB")  # longer references than the groups' shorter ones


@dataclass(frozen=True)
class Drawn:
    """One part in the schematic: nets by the pad's name."""

    ref: str
    value: str
    footprint: str
    symbol: Symbol
    nets: dict[str, str]
    on_board: bool


def drawn(netlist: Netlist, placed: list[Placed]) -> list[Drawn]:
    """Every part, then every connector and test point."""
    shapes = {part.ref: part for part in placed}
    found = [_part(netlist, part, shapes.get(part.ref)) for part in netlist.parts]
    known = {part.ref for part in netlist.parts}
    for part in placed:
        if part.ref not in known:
            pads = list(dict.fromkeys((p.name, part.pins.get(p.name, p.name)) for p in part.shape.pads))
            block = box(f"{part.shape.name}-{part.ref}", "", pads)
            found.append(Drawn(part.ref, part.value, f"Nightdraw:{part.shape.name}", block, part.nets, True))
    return found


def _part(netlist: Netlist, part: Part, placed: Placed | None) -> Drawn:
    pads = pads_of(part)
    named = [(pads[pin], pin.split()[-1]) for pin in part.pins]
    kind = part.kind
    name = "-".join(
        [kind.replace(" ", "-"), *(str(len(named)) if len(named) > 8 else pad for pad, _ in named)][:9]
    )
    if set(part.pins) == {"A", "K"}:  # the cathode left, as the symbol is drawn
        named.sort(key=lambda pair: pair[1] != "K")
    footprint = f"Nightdraw:{placed.shape.name}" if placed else ""
    nets = {pads[pin]: netlist.net(part.ref, pin) or "" for pin in part.pins}
    return Drawn(part.ref, part.value, footprint, symbol(name, kind, named), nets, part.place == BOARD)


FLAG = Symbol(
    "power-flag", (Pin("1", "pwr", POWER_OUT, 0, 0, 90),), 1.0, 1.0,
    (((0, 2.54), (-1, 3.5), (0, 4.5), (1, 3.5), (0, 2.54)),),
)  # fmt: skip


def library(parts: list[Drawn], prefix: str = "") -> list[Node]:
    """The symbols that a schematic needs, by name."""
    symbols = {part.symbol.name: part.symbol for part in parts}
    flag = FLAG.definition(prefix)
    return [
        *(symbols[key].definition(prefix) for key in sorted(symbols)),
        Node(flag.name, (flag.items[0], node("power"), *flag.items[1:])),
    ]


def library_file(netlist: Netlist, placed: list[Placed]) -> str:
    """The project's own library of symbols."""
    return text(node("kicad_symbol_lib", node("version", 20241209), node("generator", "nightdraw"),
                     node("generator_version", "9.0"), *library(drawn(netlist, placed))))  # fmt: skip


def schematic(name: str, netlist: Netlist, placed: list[Placed]) -> str:
    """The file."""
    parts = drawn(netlist, placed)
    sheet = uuid_text(name, "sheet")
    body = _spread(name, parts)
    flags: list[Node] = []
    for place, net in enumerate(FLAGGED):
        x = LEFT + 40 + 25.4 * place
        x = round(x / 1.27) * 1.27
        flags.append(
            _instance(name, Drawn(f"#FLG0{place + 1}", "power flag", "", FLAG, {}, True), x, BOTTOM + 2.54)
        )
        flags.append(_label(name, net, x, BOTTOM + 2.54, 270, f"flag {net}"))
    return text(
        node(
            "kicad_sch",
            node("version", VERSION),
            node("generator", "nightdraw"),
            node("generator_version", "9.0"),
            node("uuid", sheet),
            node("paper", PAPER),
            node(
                "title_block",
                node("title", name),
                node("rev", REVISION),
                node("comment", 1, "Made by nightdraw bank draw. Not built yet: calculated only."),
            ),
            node("lib_symbols", *library(parts, "Nightdraw:")),
            *body,
            *flags,
            node("sheet_instances", node("path", "/", node("page", "1"))),
            node("embedded_fonts", NO),
        )
    )


def group(ref: str) -> str:
    """The heading that a part stands under: the longest beginning of its reference that one knows."""
    best, found = "", GROUPS[-1][0]
    for title, starts in GROUPS:
        for start in starts:
            if (ref == start or (ref.startswith(start) and not start[-1].isdigit())) and len(start) > len(
                best
            ):
                best, found = start, title
    return found


def _spread(name: str, parts: list[Drawn]) -> list[Node]:
    """Everything in columns under its heading."""
    nodes: list[Node] = []
    x, y = LEFT + 25.4, TOP
    for title, _ in GROUPS:
        members = [part for part in parts if group(part.ref) == title]
        if not members:
            continue
        if y > TOP:
            y += 7.62
        if y > BOTTOM - 60:
            x, y = x + COLUMN, TOP
        nodes.append(
            node(
                "text",
                title,
                node("exclude_from_sim", NO),
                node("at", round(x - 20.32, 2), y, 0),
                node("effects", node("font", node("size", 2.5, 2.5)), node("justify", Word("left"))),
                identifier(name, "title", title),
            )
        )
        y += 7.62
        for part in members:
            deep = 2 * part.symbol.high + 7.62
            deep = -(-deep // STEP) * STEP
            if y + deep > BOTTOM - 10:
                x, y = x + COLUMN, TOP + 7.62
            middle = y + round(part.symbol.high / STEP) * STEP + 2.54
            middle = round(middle / 1.27) * 1.27
            nodes += _with_labels(name, part, round(x / 1.27) * 1.27, middle)
            y += deep
    return nodes


def _with_labels(name: str, part: Drawn, x: float, y: float) -> list[Node]:
    found = [_instance(name, part, x, y)]
    for pin in part.symbol.pins:
        net = part.nets.get(pin.pad, "")
        px, py = x + pin.x, y - pin.y
        key = f"{part.ref} {pin.pad}"
        if net:
            found.append(_label(name, net, px, py, 180 if pin.angle == 0 else 0, key))
        else:
            found.append(node("no_connect", node("at", px, py), identifier(name, "open", key)))
    return found


def _label(name: str, net: str, x: float, y: float, angle: int, key: str) -> Node:
    side = "right" if angle == 180 else "left"
    return node("global_label", net, node("shape", Word("passive")), node("at", x, y, angle),
                node("effects", node("font", node("size", 1.0, 1.0)), node("justify", Word(side))),
                identifier(name, "label", key))  # fmt: skip


def _instance(name: str, part: Drawn, x: float, y: float) -> Node:
    symbol = part.symbol
    hidden = part.ref.startswith("#")
    fields = (
        ("Reference", part.ref, -symbol.high - 1.2, hidden),
        ("Value", part.value, symbol.high + 1.4, False),
        ("Footprint", part.footprint, 0.0, True),
        ("Datasheet", "", 0.0, True),
        ("Description", "", 0.0, True),
    )
    return node(
        "symbol",
        node("lib_id", f"Nightdraw:{symbol.name}"),
        node("at", x, y, 0),
        node("unit", 1),
        node("exclude_from_sim", NO),
        node("in_bom", YES if not hidden else NO),
        node("on_board", YES if part.on_board else NO),
        node("dnp", NO),
        identifier(name, "symbol", part.ref),
        *(
            node(
                "property",
                key,
                value,
                node("at", x, round(y + dy, 2), 0),
                node("effects", node("font", node("size", 1.0, 1.0)), *([node("hide", YES)] if hide else [])),
            )
            for key, value, dy, hide in fields
        ),
        *(node("pin", pin.pad, identifier(name, "pin", part.ref, pin.pad)) for pin in symbol.pins),
        node(
            "instances",
            node(
                "project",
                name,
                node("path", f"/{uuid_text(name, 'sheet')}", node("reference", part.ref), node("unit", 1)),
            ),
        ),
    )
