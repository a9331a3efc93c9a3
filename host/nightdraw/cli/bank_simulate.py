"""`nightdraw bank simulate`: the circuit in ngspice, case by case. Parse, call, print."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from nightdraw import outputs
from nightdraw.cli import output
from nightdraw.errors import EXIT_DONE, EXIT_NO, nearest

if TYPE_CHECKING:
    from nightdraw.bank.circuit.simulate import Figure, Verdict
    from nightdraw.bank.circuit.supply_cases import Case

NOT_JUDGED = (
    "not judged: single short pulses into small resistors beside R2 (it carries the inrush), the fuse's "
    "melting, what radiates; models are typical, limits the board file's",
    "a simulation replaces no measurement: the build guide's steps come first",
)


@click.command()
@click.argument("board", metavar="BOARD")
@click.option("--case", "names", multiple=True, metavar="NAME", help="Only this case (repeatable).")
@click.option(
    "--out", type=click.Path(file_okay=False, path_type=Path), metavar="DIR", help="Write the cases' decks."
)
@output.json_option
def simulate(board: str, names: tuple[str, ...], out: Path | None, as_json: bool) -> None:
    """Simulate the circuit in ngspice: power-up and -down, sags, cranking, load dump, pulses, reversed
    supply, USB.

    For each case the figure nearest to its limit, with its part. Exit status 1 where a limit is passed, or
    where ngspice finds no answer.
    """
    from nightdraw.bank.circuit.assembly import build
    from nightdraw.bank.circuit.simulate import case_deck, simulate_case
    from nightdraw.bank.circuit.supply_cases import cases
    from nightdraw.board import load_board

    model = load_board(board)
    netlist = build(model)
    chosen = _chosen(cases(model), names)
    if out is not None:
        folder = outputs.make_folder(out)
        for case in chosen:
            outputs.write(folder / f"{case.name}.cir", case_deck(model, netlist, case).encode())
    verdicts = []
    with output.progress("simulating", len(chosen)) as shown:
        for case in chosen:
            verdicts.append(simulate_case(model, netlist, case))
            shown.advance()
    ok = all(verdict.ok for verdict in verdicts)
    document = {"cases": [_document(verdict) for verdict in verdicts], "ok": ok, "notes": list(NOT_JUDGED)}
    output.finish(document, _text(verdicts, ok), as_json, EXIT_DONE if ok else EXIT_NO)


def _chosen(known: tuple[Case, ...], names: tuple[str, ...]) -> list[Case]:
    there = [case.name for case in known]
    for name in names:
        if name not in there:
            hint = nearest(name, there) or f"there are {', '.join(there)}"
            raise click.BadParameter(f"no case {name!r}: {hint}", param_hint="--case")
    return [case for case in known if not names or case.name in names]


def _document(verdict: Verdict) -> dict[str, Any]:
    case = verdict.case
    return {
        "name": case.name,
        "about": case.about,
        "basis": case.basis,
        "ok": verdict.ok,
        "worst": vars(verdict.figures[0]) if verdict.figures else None,
        "passed": [vars(figure) for figure in verdict.figures if not figure.ok],
        "trouble": verdict.trouble,
    }


def _text(verdicts: list[Verdict], ok: bool) -> str:
    lines = [f"{'case':<15} {'':<8} nearest to its limit"]
    for verdict in verdicts:
        word = "ok" if verdict.ok else "FAILS"
        lines.append(f"{verdict.case.name:<15} {word:<8} {_worst(verdict)}")
    for verdict in verdicts:
        if not verdict.ok:
            lines += ["", f"{verdict.case.name}: {verdict.case.about} ({verdict.case.basis})"]
            lines += [f"  {_figure(figure)}" for figure in verdict.figures if not figure.ok]
            lines += [f"  {verdict.trouble}"] if verdict.trouble else []
    failed = sum(not verdict.ok for verdict in verdicts)
    lines += ["", "ok: every limit is kept" if ok else f"not ok: {failed} of {len(verdicts)} cases fail"]
    return "\n".join([*lines, "", *(f"- {line}" for line in NOT_JUDGED)])


def _worst(verdict: Verdict) -> str:
    return _figure(verdict.figures[0]) if verdict.figures else "ngspice found no answer"


def _figure(figure: Figure) -> str:
    sign = "at least" if figure.least else "at most"
    unit = f" {figure.unit}" if figure.unit else ""
    return f"{figure.part}, {figure.what}: {figure.value:.3g}{unit}, {sign} {figure.limit:.3g}{unit}"
