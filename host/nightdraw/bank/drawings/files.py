"""All documents of a board by file name, and their writing."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from nightdraw import outputs
from nightdraw.bank.circuit.assembly import build
from nightdraw.bank.circuit.spice import deck
from nightdraw.bank.drawings.board_layout import links_table, placement
from nightdraw.bank.drawings.box_drawing import box_drawing
from nightdraw.bank.drawings.drill import drilling
from nightdraw.bank.drawings.guide import guide
from nightdraw.bank.drawings.label import label
from nightdraw.bank.drawings.lead import lead
from nightdraw.bank.drawings.parts_list import parts_list
from nightdraw.bank.drawings.schematic import schematic
from nightdraw.bank.drawings.sheet import Sheet, pdf
from nightdraw.bank.drawings.tables import pin_map, wiring_table
from nightdraw.board import BoardModel
from nightdraw.errors import Finding, InputError


def documents(board: BoardModel) -> dict[str, bytes]:
    """Every document by its file name; raises InputError for a board without a circuit."""
    netlist = build(board)
    found = {
        "build.md": guide(board, netlist).encode(),
        "parts.csv": parts_list(board, netlist).encode(),
        "wiring.csv": wiring_table(board, netlist).encode(),
        "pinmap.md": pin_map(board, netlist).encode(),
        "deck.cir": deck(board, netlist).encode(),
    }
    links = links_table(board, netlist)
    if links is not None:
        found["links.csv"] = links.encode()
    drawings = {
        "schematic": schematic(board, netlist),
        "placement": placement(board, netlist),
        "lead": [lead(board, netlist)],
        "drill": drilling(board, netlist),
        "box": box_drawing(board, netlist),
        "label": label(board, netlist),
    }
    for name, sheets in drawings.items():
        found |= _drawn(name, sheets)
    return found


def _drawn(name: str, sheets: list[Sheet]) -> dict[str, bytes]:
    """One PDF of all sheets, one SVG a sheet."""
    found = {f"{name}.pdf": pdf(sheets)}
    for number, sheet in enumerate(sheets, 1):
        suffix = f"-{number}" if len(sheets) > 1 else ""
        found[f"{name}{suffix}.svg"] = sheet.svg().encode()
    return found


PROJECT = "kicad"  # the folder of the circuit board's project beside the documents
BOX = "enclosure"  # the folder of the assembled view and what is to be printed
ASSEMBLY = "assembly"  # the folder of the position file and the page for whoever fits the circuit board


def write_all(board: BoardModel, folder: Path, more: Callable[[], dict[str, bytes]] = dict) -> list[Path]:
    """Write every document into a folder, made if it isn't there, and what else there is into folders of
    their own; returns their paths by name. more: makes circuit board and enclosure, by path below the
    folder; that takes long: asked last."""
    made = documents(board)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name in made:
            outputs.check(folder / name)  # all of them or none
        made |= more()
        for parent in sorted({(folder / name).parent for name in made}):
            parent.mkdir(parents=True, exist_ok=True)
        for name in made:
            outputs.check(folder / name)
        for name, content in made.items():
            outputs.write(folder / name, content)
    except OSError as error:
        raise InputError(Finding(f"can't be written: {error.strerror or error}", str(folder))) from None
    return [folder / name for name in sorted(made)]
