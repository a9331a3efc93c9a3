"""Shapes as KiCad's footprints: the lines, pads and texts that a board and the project's own library
share."""

from __future__ import annotations

from nightdraw.bank.kicad.layout import HOLE_MM
from nightdraw.bank.kicad.sexpr import NO, YES, Node, Word, identifier, node, text
from nightdraw.bank.kicad.shapes import Box, Line, Pad, Shape, outline

VERSION = 20241229  # the format of KiCad 9
LINE_MM, THICK = 0.15, 0.15
MOUNTING = "mounting-hole-m3"


def library(shapes: list[Shape]) -> dict[str, str]:
    """The project's own library: a file for each shape and for the mounting hole."""
    found = {}
    for shape in shapes:
        pads = [pad(each, 0, [], "library", shape.name, k) for k, each in enumerate(shape.pads)]
        found[f"{shape.name}.kicad_mod"] = _module(
            shape.name, node("descr", shape.about), _shown("Reference", "REF**", shape),
            hidden("Value", shape.name, 0, "library", shape.name), node("attr", Word("through_hole")),
            *tied(shape), *drawn(shape, "library", shape.name), *pads,
        )  # fmt: skip
    found[f"{MOUNTING}.kicad_mod"] = _module(MOUNTING, *hole("library", 0, "REF**"))
    return found


def _module(name: str, *items: Node) -> str:
    return text(node("footprint", name, node("version", VERSION), node("generator", "nightdraw"),
                     node("generator_version", "9.0"), node("layer", "F.Cu"), *items))  # fmt: skip


def tied(shape: Shape) -> list[Node]:
    """Which pads may meet although they are on different nets."""
    return [node("net_tie_pad_groups", *(f"{a}, {b}" for a, b in shape.ties))] if shape.ties else []


def drawn(shape: Shape, *key: object) -> list[Node]:
    """Lines on the silk, courtyard and body."""
    lines = [line("fp_line", each, "F.SilkS", *key, "silk", k) for k, each in enumerate(outline(shape))]
    if shape.round:
        lines.append(_circle(shape.body, *key))
    return [
        *lines,
        _rectangle(shape.courtyard, "F.CrtYd", 0.05, *key),
        _rectangle(shape.body, "F.Fab", 0.1, *key),
    ]


def pad(own: Pad, turn: int, extra: list[Node], *key: object) -> Node:
    """A plated hole."""
    return node(
        "pad",
        own.name,
        Word("thru_hole"),
        Word(own.form),
        node("at", own.x, own.y, *([turn] if turn else [])),
        node("size", own.wide, own.high),
        node("drill", own.drill),
        node("layers", "*.Cu", "*.Mask"),
        node("remove_unused_layers", NO),
        *extra,
        identifier(*key, "pad"),
    )


def hole(board: str, k: int, ref: str) -> list[Node]:
    """The body of a mounting hole's footprint."""
    return [
        node("descr", "mounting hole, M3"),
        node(
            "property",
            "Reference",
            ref,
            node("at", 0, 0, 0),
            node("layer", "F.Fab"),
            node("hide", YES),
            identifier(board, "hole", k, "name"),
            font(0.8),
        ),
        hidden("Value", "M3", 0, board, f"hole {k}"),
        node("attr", Word("board_only"), Word("exclude_from_pos_files"), Word("exclude_from_bom")),
        node(
            "pad",
            "",
            Word("np_thru_hole"),
            Word("circle"),
            node("at", 0, 0),
            node("size", HOLE_MM, HOLE_MM),
            node("drill", HOLE_MM),
            node("layers", "*.Cu", "*.Mask"),
            identifier(board, "hole", k, "pad"),
        ),
    ]


def font(tall: float, mirrored: bool = False) -> Node:
    """A text's look."""
    parts = [node("font", node("size", tall, tall), node("thickness", tall * THICK))]
    return node("effects", *parts, *([node("justify", Word("mirror"))] if mirrored else []))


def hidden(name: str, value: str, turn: int, board: str, key: str) -> Node:
    """A property that isn't printed."""
    return node("property", name, value, node("at", 0, 0, turn), node("layer", "F.Fab"), node("hide", YES),
                identifier(board, key, name), font(0.8))  # fmt: skip


def _shown(name: str, value: str, shape: Shape) -> Node:
    return node(
        "property",
        name,
        value,
        node("at", 0, shape.courtyard.top - 0.8, 0),
        node("layer", "F.SilkS"),
        identifier("library", shape.name, name),
        font(1.0),
    )


def _stroke(width: float) -> Node:
    return node("stroke", node("width", width), node("type", Word("solid")))


def line(kind: str, ends: Line, layer: str, *key: object, width: float = LINE_MM) -> Node:
    """A line on a layer."""
    return node(kind, node("start", ends[0], ends[1]), node("end", ends[2], ends[3]), _stroke(width),
                node("layer", layer), identifier(*key, kind))  # fmt: skip


def _circle(body: Box, *key: object) -> Node:
    middle = ((body.left + body.right) / 2, (body.top + body.bottom) / 2)
    return node("fp_circle", node("center", *middle), node("end", body.right, middle[1]), _stroke(LINE_MM),
                node("fill", NO), node("layer", "F.SilkS"), identifier(*key, "circle"))  # fmt: skip


def _rectangle(box: Box, layer: str, width: float, *key: object) -> Node:
    return node(
        "fp_rect",
        node("start", box.left, box.top),
        node("end", box.right, box.bottom),
        _stroke(width),
        node("fill", NO),
        node("layer", layer),
        identifier(*key, layer),
    )
