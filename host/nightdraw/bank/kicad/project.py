"""A board's KiCad project: schematic, board and project file, from its netlist, without KiCad."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Sequence

from nightdraw.bank.circuit.netlist import Netlist
from nightdraw.bank.kicad.copper import pads_of
from nightdraw.bank.kicad.footprints import library
from nightdraw.bank.kicad.kept import tracks_of
from nightdraw.bank.kicad.layout import HEAD_MM, holes, layout, size
from nightdraw.bank.kicad.pcb import Pcb
from nightdraw.bank.kicad.pour import pour
from nightdraw.bank.kicad.router import Router, StuckError
from nightdraw.bank.kicad.rules import EDGE_MM, VIA_DRILL_MM, VIA_MM, Rules, rules
from nightdraw.bank.kicad.schematic import library_file, schematic
from nightdraw.bank.kicad.sexpr import node, text, uuid_text
from nightdraw.board import BoardModel
from nightdraw.errors import InputError

ROUTING = 1  # a number to raise when the router's or the pour's own results change


def files(
    board: BoardModel,
    netlist: Netlist,
    kept: Sequence[bytes] = (),
    tell: Callable[[int, int], None] = lambda done, every: None,
) -> dict[str, bytes]:
    """The project's files by name; raises InputError where the board has no layout or its nets found no way.

    kept: boards that were written before: the first one's tracks that come from the same parts, places and
    rules serve again, else they are sought, which takes seconds to minutes. tell: called with the nets that
    are routed and all of them."""
    placed = layout(board, netlist)
    area = size(board, netlist)
    law = rules(board, sorted(netlist.nets()))
    pads = pads_of(placed)
    heads = [(x, y, HEAD_MM / 2) for x, y in holes(*area)]
    basis = key(board, netlist)
    laid = next(filter(None, (tracks_of(each.decode(errors="replace"), basis) for each in kept)), None)
    try:
        tracks, vias = laid or Router(area, pads, heads, law, tell).route()
    except StuckError as stuck:
        message = f"its circuit board can't be routed: {stuck}"
        raise InputError(board.finding(board.root, message, "build it on a perforated board")) from None
    pours = pour(area, pads, heads, tracks, vias, law)
    pcb = Pcb(board.name, basis, area, placed, tracks, vias, pours)
    made = {
        f"{board.name}.kicad_sch": schematic(board.name, netlist, placed),
        f"{board.name}.kicad_pcb": pcb.text(),
        f"{board.name}.kicad_pro": project(board.name, law),
        "Nightdraw.kicad_sym": library_file(netlist, placed),
        "sym-lib-table": _table("sym_lib_table", "Nightdraw.kicad_sym"),
        "fp-lib-table": _table("fp_lib_table", "Nightdraw.pretty"),
    }
    shapes = {part.shape.name: part.shape for part in placed}
    made |= {f"Nightdraw.pretty/{name}": each for name, each in library(list(shapes.values())).items()}
    return {name: content.encode() for name, content in made.items()}


def _table(name: str, where: str) -> str:
    """Where the project finds its own library."""
    entry = node(
        "lib",
        node("name", "Nightdraw"),
        node("type", "KiCad"),
        node("uri", f"${{KIPRJMOD}}/{where}"),
        node("options", ""),
        node("descr", "what this board needs"),
    )
    return text(node(name, node("version", 7), entry))


def key(board: BoardModel, netlist: Netlist) -> str:
    """A digest of all that the board's copper comes from, but for the router itself (ROUTING stands for
    it): pads, nets and rules, not what is printed."""
    pads = pads_of(layout(board, netlist))
    law = rules(board, sorted(netlist.nets()))
    basis = repr(
        (
            ROUTING,
            size(board, netlist),
            pads,
            sorted(law.of.items()),
            sorted(map(repr, law.classes.values())),
        )
    )
    return hashlib.sha256(basis.encode()).hexdigest()[:32]


def project(name: str, law: Rules) -> str:
    """The project file: the rules that KiCad is to judge by."""
    classes = [
        {
            "name": "Default",
            "clearance": 0.25,
            "track_width": 0.3,
            "via_diameter": VIA_MM,
            "via_drill": VIA_DRILL_MM,
            "priority": 2147483647,
        },
        *(
            {
                "name": c.name,
                "clearance": c.apart_mm,
                "track_width": c.width_mm,
                "via_diameter": VIA_MM,
                "via_drill": VIA_DRILL_MM,
                "priority": k,
            }
            for k, c in enumerate(law.classes.values())
        ),
    ]
    document = {
        "board": {
            "design_settings": {
                "rules": {
                    "min_clearance": 0.25,
                    "min_copper_edge_clearance": EDGE_MM,
                    "min_hole_clearance": 0.25,
                    "min_hole_to_hole": 0.3,
                    "min_through_hole_diameter": 0.3,
                    "min_track_width": 0.3,
                    "min_via_annular_width": 0.2,
                    "min_via_diameter": 0.6,
                    "solder_mask_to_copper_clearance": 0.0,
                },
                "track_widths": [],
                "via_dimensions": [],
            }
        },
        "meta": {"filename": f"{name}.kicad_pro", "version": 3},
        "net_settings": {
            "classes": classes,
            "meta": {"version": 4},
            "netclass_patterns": [{"netclass": c, "pattern": net} for net, c in sorted(law.of.items())],
        },
        "sheets": [[uuid_text(name, "sheet"), "Root"]],
    }
    return json.dumps(document, indent=2) + "\n"
