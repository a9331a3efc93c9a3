"""`nightdraw box install`, `files` and `image`: the three ways for the firmware to get on a board.

Parse, call, print; `nightdraw box` takes COMMANDS into its group.
"""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from nightdraw import outputs
from nightdraw.cli import output
from nightdraw.cli.boxes import board_option, box_option, note
from nightdraw.errors import Finding, InputError, LinkError, NightdrawError

if TYPE_CHECKING:
    from nightdraw.board import BoardModel
    from nightdraw.link import probe
    from nightdraw.link.deploy import Done
    from nightdraw.link.firmware import BoardFile
    from nightdraw.link.prompt import Prompt


def _build(model: BoardModel) -> list[BoardFile]:
    from nightdraw.link import firmware

    with output.progress("compiling", 1) as shown:
        return firmware.build(model, lambda done, total: shown.reach(done / total))


def _document(files: list[BoardFile]) -> dict[str, Any]:
    return {"files": [file.document() for file in files]}


@click.command()
@board_option
@box_option
@output.json_option
def install(board: str | None, box: str | None, as_json: bool) -> None:
    """Put this version's firmware and a board file on a box, or mend what is there.

    What already matches is skipped; programs, journal, trim and passcode stay. A cable pulled at any moment
    does no harm: the old firmware starts, or the new one, and another run finishes the work.
    """
    from nightdraw.board import load_board
    from nightdraw.link import find, reach

    model = load_board(board)
    address = find.choose(box)
    prompt = reach.enter(address)  # what can't be served is refused here, before any work
    try:
        files, done, who = _install(prompt, model)
    except NightdrawError:
        with contextlib.suppress(LinkError):
            reach.leave(prompt)  # a box goes on with what it has
        raise
    finally:
        prompt.close()
    changed = (
        f"{len(done.written)} files written, {len(done.removed)} removed" if done.written else "up to date"
    )
    if not done.written and done.removed:
        changed = f"{len(done.removed)} files removed"
    output.finish(_document(files), f"{address}: {changed}; {who}", as_json)


def _install(prompt: Prompt, model: BoardModel) -> tuple[list[BoardFile], Done, str]:
    """The files, what came of them, and what to say of who answers then."""
    from nightdraw.link import deploy, reach

    facts = deploy.facts(prompt)
    fault = reach.fault(prompt)
    if fault:
        note(f"{prompt.name}: the box had fallen to its prompt: {fault}")
    deploy.check_board(facts)
    files = _build(model)
    with output.progress("installing", sum(len(file.data) for file in files)) as shown:
        done = deploy.install(prompt, files, shown.reach)
        return files, done, _start(prompt, facts["platform"])


def _start(prompt: Prompt, platform: str) -> str:
    """Let the board start and see that a box of this version answers; what to say of it."""
    from nightdraw import __version__
    from nightdraw.link import deploy, probe, reach

    reach.forget_fault(prompt)
    heard: probe.Heard = reach.leave(prompt)
    if heard.kind == probe.BOX and heard.identity is not None:
        who = heard.identity
        if who.firmware != __version__:
            message = f"{prompt.name}: the files are in place, but firmware {who.firmware} answers"
            raise LinkError(Finding(message, hint="unplug the box, plug it in again, run it again"))
        return f"{who.model} {who.serial} answers, firmware {who.firmware}"
    if platform == deploy.PLATFORM:
        message = f"{prompt.name}: the files are in place, but the box doesn't start"
        fault = ""
        with contextlib.suppress(NightdrawError), reach.enter(prompt.name) as again:
            fault = reach.fault(again)
        hint = "does the board file fit the board? run `nightdraw box check`"
        raise LinkError(Finding(f"{message}: {fault}" if fault else message, hint=hint))
    note(f"{prompt.name}: this is no box ({platform}): nothing was started")
    return "the files are in place"


@click.command()
@click.argument("folder", metavar="DIR")
@board_option
@output.json_option
def files(folder: str, board: str | None, as_json: bool) -> None:
    """Write to a folder exactly what `install` would put on the board, for whoever copies by hand."""
    from nightdraw.board import load_board

    made = _build(load_board(board))
    _write_folder(Path(folder), made)
    output.finish(_document(made), f"{folder}: {len(made)} files", as_json)


def _write_folder(folder: Path, files: list[BoardFile]) -> None:
    """Make the folder hold these files and nothing else; one that holds anything of others' is refused."""
    names = {file.name for file in files}
    if folder.exists() and not folder.is_dir():
        raise InputError(Finding("this is a file, not a folder", str(folder)))
    there = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}
    ours = names | _listed(folder)
    foreign = sorted(there - ours)
    if foreign:
        message = f"the folder holds {foreign[0]}, which is no file of the firmware"
        raise InputError(Finding(message, str(folder), hint="choose an empty folder, or a new one"))
    for name in names:
        if (folder / name).parent.is_dir():
            outputs.check(folder / name)
    for name in there - names:
        (folder / name).unlink()
    for file in files:
        path = folder / file.name
        path.parent.mkdir(parents=True, exist_ok=True)
        outputs.write(path, file.data)


def _listed(folder: Path) -> set[str]:
    """The files of an earlier version in a folder, by its own list of them."""
    from nightdraw.link.firmware import LIST

    try:
        lines = (folder / LIST).read_text("ascii").splitlines()
    except (OSError, UnicodeDecodeError):
        return set()
    return {line[66:] for line in lines}


@click.command()
@click.option(
    "--micropython",
    metavar="F.uf2",
    required=True,
    help="MicroPython's own file for your board, as its makers publish it.",
)
@click.option(
    "--out", metavar="F.uf2", required=True, help="The image, to be dragged onto the board's drive."
)
@board_option
@output.json_option
def image(micropython: str, out: str, board: str | None, as_json: bool) -> None:
    """Make one UF2 file of MicroPython and the firmware, for drag and drop.

    Hold the boot button while you plug the board in, then drop the file on the drive that appears. The board
    starts afresh: programs, journal, trim and passcode that it had are gone.
    """
    from nightdraw.board import load_board
    from nightdraw.link import image as images
    from nightdraw.link import uf2

    target = Path(out)
    if target.exists() and target.samefile(micropython):
        raise InputError(Finding("this is MicroPython's own file", out, hint="choose another name for --out"))
    source = Path(micropython).read_bytes()
    made = _build(load_board(board))
    data = images.build(source, micropython, made)
    if images.version(uf2.read(source, micropython)) is None:
        note(
            Finding("its version and board can't be told from it", micropython, hint="1.28 or later, RP2040")
        )
    outputs.write(target, data)
    output.finish(_document(made), f"{out}: {len(data)} bytes, {len(made)} files for the board", as_json)


COMMANDS = (install, files, image)
