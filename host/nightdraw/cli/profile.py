"""`nightdraw profile`: check a profile, its figures, its cards, its edges, its bytes. Parse, call, print."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from itertools import islice
from typing import TYPE_CHECKING

import click
from click.core import ParameterSource

from nightdraw import outputs
from nightdraw.cli import library, output
from nightdraw.cli.params import Quantity
from nightdraw.cli.target import target
from nightdraw.errors import EXIT_INPUT, Finding, InputError

if TYPE_CHECKING:
    from nightdraw.profile import Profile
    from nightdraw.profile.figures import Figures

MAX_U32 = 0xFFFFFFFF  # seed and run number are 32-bit words of the random law
LESSON_H = 3.0  # an afternoon's class
EDGES_AT_ONCE = 1000  # edges are written in pieces: bounded memory, few writes

board_option = click.option("--board", metavar="FILE", help="Board file (default: the 12 V box that ships).")
run_option = click.option(
    "--run", type=click.IntRange(1, MAX_U32), default=1, show_default=True, help="Run number; counts arms."
)
file_argument = click.argument("file", metavar="FILE")


@click.group()
def group() -> None:
    """Check a drain profile, and see what it will do before a box does it."""


group.add_command(library.profiles)
group.add_command(library.new)
group.add_command(library.view)


@group.command()
@click.argument("files", metavar="FILE...", nargs=-1, required=True)
@board_option
@output.json_option
def check(files: tuple[str, ...], board: str | None, as_json: bool) -> None:
    """Check profiles: every error at once, with file, line and column."""
    good, findings = _check(files, board)
    if not as_json:
        for finding in findings:
            click.echo(finding.text(), err=True)
    document = {"ok": not findings, "errors": [finding.document() for finding in findings]}
    if good or as_json:
        text = "\n".join(f"{click.format_filename(file)}: ok" for file in good)
        output.finish(document, text, as_json)
    if findings:
        raise click.exceptions.Exit(EXIT_INPUT)


def _check(files: tuple[str, ...], board: str | None) -> tuple[list[str], list[Finding]]:
    """The files without errors, and all errors; notes are shown on the way."""
    from nightdraw.board import load_board
    from nightdraw.profile import load

    good: list[str] = []
    findings: list[Finding] = []
    try:
        model = load_board(board)
    except InputError as error:
        return good, list(error.findings)
    for file in files:
        try:
            _show_notes(load(file, model))
            good.append(file)
        except InputError as error:
            findings += error.findings
    return good, findings


def _load(file: str, board: str | None) -> Profile:
    """The checked profile; what is worth knowing about it goes to standard error."""
    from nightdraw.profile import load

    profile = load(file, board)
    _show_notes(profile)
    return profile


def _show_notes(profile: Profile) -> None:
    for note in profile.notes:
        click.echo(f"{note.text()} (no error)", err=True)


@group.command()
@file_argument
@click.option(
    "--supply", type=Quantity("voltage"), default="12.6V", show_default=True, help="Supply voltage."
)
@click.option(
    "--battery", type=Quantity("charge"), default="60Ah", show_default=True, help="Battery's capacity."
)
@click.option(
    "--no-start",
    type=Quantity("percent"),
    default="50%",
    show_default=True,
    help="State of charge at which the engine no longer starts.",
)
@click.option("--vehicle", metavar="FILE", help="Calculate with this vehicle's battery and sleeping draw.")
@click.option("--for", "length", type=Quantity("time"), help="With --vehicle: how long it drains (3h).")
@board_option
@output.json_option
def figures(
    file: str,
    supply: Fraction,
    battery: Fraction,
    no_start: Fraction,
    vehicle: str | None,
    length: Fraction | None,
    board: str | None,
    as_json: bool,
) -> None:
    """Peak, mean, charge a day, days until the engine no longer starts; with --vehicle what it does to it."""
    from nightdraw.profile.figures import figures as work_out

    if supply <= 0 or battery <= 0 or no_start >= 100:
        raise InputError("--supply and --battery must be above zero, --no-start below 100 %")
    if length is not None and vehicle is None:
        raise InputError("--for needs --vehicle")
    result = work_out(_load(file, board), supply, battery, no_start, vehicle is not None)
    if vehicle is None:
        output.finish(result.document(), result.text(), as_json)
        return
    _figures_in(result, vehicle, LESSON_H if length is None else float(length) / 3600, as_json)


def _figures_in(result: Figures, vehicle: str, hours: float, as_json: bool) -> None:
    """The figures with a vehicle's battery; its days to no start take the place of the plain ones."""
    from nightdraw import data
    from nightdraw.vehicle import load_vehicle
    from nightdraw.vehicle.drain_effect import drain_effect

    context = click.get_current_context()
    for name, option in (("battery", "--battery"), ("no_start", "--no-start")):
        if context.get_parameter_source(name) is ParameterSource.COMMANDLINE:
            click.echo(f"{option} doesn't count with --vehicle, which says it itself", err=True)
    sensed = drain_effect(load_vehicle(data.shipped("vehicles", vehicle)), result.mean_ma / 1000, hours)
    result = replace(result, days_to_no_start=sensed.days_to_no_start)
    document = result.document() | {
        "charge_start_pct": sensed.charge_start_pct,
        "charge_end_pct": sensed.charge_end_pct,
        "starts_after": sensed.starts_after,
        "assumptions": [*result.assumptions, *sensed.assumptions],
    }
    output.finish(document, f"{result.text()}\nin the vehicle, for {hours:g} h:\n{sensed.text()}", as_json)


@group.command()
@file_argument
@click.option("--key", is_flag=True, help="The instructor's sheet, with the answer.")
@click.option("--out", metavar="FILE.html", help="Write the sheet as HTML to print, besides.")
@run_option
@board_option
@output.json_option
def card(file: str, key: bool, out: str | None, run: int, board: str | None, as_json: bool) -> None:
    """The student's briefing on one page; with --key the instructor's answer."""
    from nightdraw.profile import card as cards
    from nightdraw.profile import sheet

    profile = _load(file, board)
    made = cards.key(profile, run) if key else cards.student(profile)
    if out is not None:
        _write(out, sheet.as_html(made).encode())
    output.finish(made.document(), sheet.as_text(made), as_json)


@group.command()
@file_argument
@click.option(
    "--for", "length", type=Quantity("time"), default="10min", show_default=True, help="How much of the run."
)
@click.option("--seed", type=click.IntRange(0, MAX_U32), help="Another seed than the profile's own.")
@run_option
@board_option
@output.json_option
def edges(file: str, length: Fraction, seed: int | None, run: int, board: str | None, as_json: bool) -> None:
    """The level at the run's start and each change after it, own consumption included, limits left out."""
    from nightdraw.profile import timeline
    from nightdraw.units import to_ticks

    ticks = to_ticks(length)
    if not 1 <= ticks <= timeline.MAX_FOR_TICKS:
        raise InputError("--for must be 1 tick (0.1 ms) .. 366 d")
    found = timeline.edges(_load(file, board), ticks, seed, run)
    pieces = _edges_json(found) if as_json else _edges_text(found)
    for piece in pieces:
        if not output.say(piece, end=""):
            break  # whoever read has seen enough: a month of edges would go on for minutes


def _edges_json(found: Iterator[tuple[int, int]]) -> Iterator[str]:
    """One JSON document in pieces."""
    from nightdraw.profile import timeline

    lead = '{"edges": [\n'
    while block := list(islice(found, EDGES_AT_ONCE)):
        yield lead + ",\n".join(timeline.edge_json(tick, level) for tick, level in block)
        lead = ",\n"
    yield "\n]}\n"


def _edges_text(found: Iterator[tuple[int, int]]) -> Iterator[str]:
    from nightdraw.profile import timeline

    while block := list(islice(found, EDGES_AT_ONCE)):
        yield "".join(timeline.edge_text(tick, level) + "\n" for tick, level in block)


@group.command()
@file_argument
@click.option("--out", metavar="FILE.bin", required=True, help="Where the program's bytes go.")
@board_option
@output.json_option
def pack(file: str, out: str, board: str | None, as_json: bool) -> None:
    """Write the program as the box stores it, for a script of your own (PROGram:DEFine)."""
    from nightdraw import programs

    data: bytes = programs.pack(_load(file, board).program())
    _write(out, data)
    crc32 = programs.checksum(data)
    document = {"file": out, "bytes": len(data), "crc32": crc32}
    output.finish(document, f"{click.format_filename(out)}: {len(data)} bytes, CRC-32 {crc32:08x}", as_json)


def _write(out: str, data: bytes) -> None:
    """Write a file whole, never over what it comes from."""
    outputs.write(target(out), data)
