"""`nightdraw bank check`, `wiring` and `draw`: the circuit around the bank. Parse, call, print."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from nightdraw.cli import output
from nightdraw.cli.params import Quantity
from nightdraw.errors import EXIT_DONE, EXIT_NO

if TYPE_CHECKING:
    from nightdraw.bank.remarks import Remark
    from nightdraw.bank.rules.check import BoardCheck
    from nightdraw.bank.wiring.board_wiring import ConductorRow, Wiring
    from nightdraw.board import BoardModel

ambient_option = click.option(
    "--ambient",
    type=Quantity("temperature"),
    default="40C",
    show_default=True,
    help="Air around box and lead.",
)


@click.command()
@click.argument("board", metavar="BOARD")
@ambient_option
@output.json_option
def check(board: str, ambient: Fraction, as_json: bool) -> None:
    """Hold a board to every rule: pins, gates, ratings, protection, wiring, netlist.

    Each finding names its part and its rule. Exit status 1 where one of them is an error.
    """
    from nightdraw.bank.rules.check import check as hold
    from nightdraw.board import load_board

    checked = hold(load_board(board, check_pins=False), float(ambient))
    document = {"ok": checked.ok, "findings": [vars(remark) for remark in checked.remarks]}
    output.finish(document, _check_text(checked), as_json, EXIT_DONE if checked.ok else EXIT_NO)


def _check_text(checked: BoardCheck) -> str:
    count = sum(remark.severity == "error" for remark in checked.remarks)
    verdict = "ok: no rule is broken" if checked.ok else f"not ok: {count} error{'s' if count > 1 else ''}"
    return "\n".join([*_findings(checked.remarks), verdict])


def _findings(remarks: tuple[Remark, ...]) -> list[str]:
    return [f"{remark.severity}: {remark.part}: {remark.rule}: {remark.message}" for remark in remarks]


@click.command()
@click.argument("board", metavar="BOARD")
@click.option(
    "--length", type=Quantity("length"), help="Lead from splice to box, one way (default: the file's)."
)
@click.option(
    "--splice-fuse", type=Quantity("current"), help="Fuse of the circuit that the box is spliced into."
)
@click.option("--splice-load", type=Quantity("current"), help="What that circuit carries by itself.")
@ambient_option
@output.json_option
def wiring(
    board: str,
    length: Fraction | None,
    splice_fuse: Fraction | None,
    splice_load: Fraction | None,
    ambient: Fraction,
    as_json: bool,
) -> None:
    """Conductors by drop and heat, the fuse at the source, and what the circuit's own fuse must carry."""
    from nightdraw.bank.wiring.board_wiring import wire_up
    from nightdraw.board import load_board
    from nightdraw.board.circuit import Splice

    if (splice_fuse is None) != (splice_load is None):
        raise click.UsageError("give --splice-fuse and --splice-load together")
    splice = None if splice_fuse is None or splice_load is None else Splice(splice_fuse, splice_load)
    answer = wire_up(load_board(board), float(ambient), length, splice)
    status = EXIT_DONE if answer.ok else EXIT_NO
    output.finish(_wiring_document(answer), _wiring_text(answer), as_json, status)


def _wiring_document(answer: Wiring) -> dict[str, Any]:
    from nightdraw.bank.cautions import CAUTIONS

    return {
        "conductors": [vars(row) for row in answer.conductors],
        "fuse": vars(answer.fuse),
        "ok": answer.ok,
        "findings": [vars(remark) for remark in answer.remarks],
        "peak_a": answer.peak_a,
        "assumptions": list(answer.assumptions),
        "cautions": list(CAUTIONS),
    }


def _wiring_text(answer: Wiring) -> str:
    from nightdraw.bank.cautions import CAUTIONS

    fuse = answer.fuse
    lines = [f"{'conductor':<26} {'mm2':>5} {'m':>5} {'A':>7} {'drop':>9} {'C':>5}  carries"]
    lines += [_row_text(row) for row in answer.conductors]
    drop = "unknown" if fuse.drop_mv is None else f"{fuse.drop_mv:.1f} mV cold ({fuse.source})"
    hot = "" if fuse.drop_rated_mv is None else f", {fuse.drop_rated_mv:g} mV at its rating, hot"
    lines += [
        "",
        f"fuse: {fuse.rating_a:g} A, type {fuse.type}{f', {fuse.colour}' if fuse.colour else ''}, at the "
        f"splice; "
        f"drop {drop}{hot}",
        *_findings(answer.remarks),
        "ok" if answer.ok else "not ok",
        "",
        *(f"- {line}" for line in (*answer.assumptions, *CAUTIONS)),
    ]
    return "\n".join(lines)


def _row_text(row: ConductorRow) -> str:
    return (
        f"{row.name:<26} {row.mm2:5.3g} {row.length_m:5.3g} {row.current_a:7.3g} {row.drop_mv:6.1f} mV "
        f"{row.temp_c:5.0f}  {row.carries_a:.3g} A  {'ok' if row.ok else 'FAILS'}"
    )


@click.command()
@click.argument("board", metavar="BOARD")
@click.option(
    "--out", type=click.Path(file_okay=False, path_type=Path), required=True, metavar="DIR", help="Where to."
)
@output.json_option
def draw(board: str, out: Path, as_json: bool) -> None:
    """Write what a builder needs: parts list, schematic, wiring, pin map, SPICE deck, drawings, build
    guide, and the circuit board as a KiCad project.

    A board that breaks a rule of `bank check` is not drawn (exit status 1): nobody shall build it.
    """
    from nightdraw.bank.drawings import write_all
    from nightdraw.bank.rules.check import check as hold
    from nightdraw.board import load_board

    model = load_board(board)
    checked = hold(model)
    if not checked.ok:
        findings = [vars(remark) for remark in checked.remarks]
        text = f"{_check_text(checked)}\nnothing was drawn"
        output.finish({"files": [], "findings": findings}, text, as_json, EXIT_NO)
    notes: list[str] = []
    files = [str(path) for path in write_all(model, out, lambda: _made(model, out, notes))]
    output.finish({"files": files, "notes": notes}, "\n".join([*files, *notes]), as_json)


def _made(board: BoardModel, out: Path, notes: list[str]) -> dict[str, bytes]:
    """Circuit board and enclosure, by path below the folder; without a layout no circuit board, and a note
    that says why. Tracks found before, in the same folder or for a board that ships, serve again."""
    from nightdraw import data
    from nightdraw.bank.circuit.assembly import build
    from nightdraw.bank.drawings import assembly
    from nightdraw.bank.drawings.box_files import assembled_view, printed, why_not_printed
    from nightdraw.bank.drawings.files import ASSEMBLY, BOX, PROJECT
    from nightdraw.bank.kicad.project import files
    from nightdraw.errors import InputError

    name = f"{board.name}.kicad_pcb"
    places = (out / PROJECT / name, data.folder(data.HARDWARE) / board.name / PROJECT / name)
    kept = [path.read_bytes() for path in places if path.is_file()]
    netlist = build(board)
    made = {f"{BOX}/{each}": content for each, content in printed(board, netlist).items()}
    if reason := why_not_printed(board):
        notes.append(f"note: no enclosure to print: {reason}")
    try:
        with output.progress("routing the circuit board", 1.0) as shown:
            routed = files(board, netlist, kept, lambda done, every: shown.reach(done / every))
        made |= {f"{PROJECT}/{each}": content for each, content in routed.items()}
        made[f"{ASSEMBLY}/positions.csv"] = assembly.positions(board, netlist).encode()
        made[f"{ASSEMBLY}/parts.html"] = assembly.page(board, netlist).encode()
        made[f"{BOX}/assembled.png"] = assembled_view(board, netlist)
    except InputError as refused:
        notes += [f"note: {finding.text()}" for finding in refused.findings]
    return made


@click.command()
@click.option(
    "--type",
    "kind",
    type=click.Choice(["C", "F", "E"]),
    required=True,
    help="ISO 8820-3 type of the fuse.",
)
@click.option("--pin", type=Quantity("length"), help="The probe pin's diameter (default 0.8mm).")
@click.option("--pitch", type=Quantity("length"), help="From fuse to fuse in the row, as measured.")
@click.option(
    "--out",
    type=click.Path(dir_okay=False, path_type=Path),
    required=True,
    metavar="FILE.stl",
    help="Where to.",
)
@output.json_option
def adapter(kind: str, pin: Fraction | None, pitch: Fraction | None, out: Path, as_json: bool) -> None:
    """Write a printable cap that holds two probe pins on a blade fuse: C medium, F miniature, E large."""
    from nightdraw.bank.cautions import CAUTIONS
    from nightdraw.bank.mechanics.fuse_cap import cap_for, write

    cap = cap_for(
        kind, None if pin is None else float(pin) * 1000, None if pitch is None else float(pitch) * 1000
    )
    write(cap, out)
    document = {
        "file": str(out),
        "outer_mm": [cap.outer_length, cap.outer_width, cap.grip + cap.roof + cap.fin],
        "beside_cap_mm": cap.beside_cap_mm,
        "beside_fuse_mm": cap.beside_fuse_mm,
        "cautions": list(CAUTIONS),
    }
    text = (
        f"written: {out}\n{cap.outer_length:.1f} x {cap.outer_width:.1f} mm; {cap.beside_cap_mm:.2f} mm to a "
        f"cap on the next fuse, {cap.beside_fuse_mm:.2f} mm to the bare fuse"
    )
    output.finish(document, "\n".join([text, "", *(f"- {line}" for line in CAUTIONS)]), as_json)
