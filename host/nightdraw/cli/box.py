"""`nightdraw box`: everything an instructor does to a box. Parse, call, print.

Here are finding, checking and running; installing, trimming and locking have modules of their own.
"""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING, Any

import click

from nightdraw.cli import box_firmware, box_settings, journals, output, several
from nightdraw.cli.boxes import MAX_SLOT, board_option, box_option, caution, note, open_box
from nightdraw.cli.params import Quantity
from nightdraw.cli.several import Answer, SelectedBoxes, boxes_options
from nightdraw.errors import EXIT_CANNOT_TELL, EXIT_DONE, EXIT_NO, Finding, InputError
from nightdraw.units import to_ticks, to_ua

if TYPE_CHECKING:
    from nightdraw.board import BoardModel
    from nightdraw.link import BoxClient, BoxStatus
    from nightdraw.link.replies import Wait

WATCH_S = 1.0  # a run changes its level some ten times a second at most; a person reads slower
VERDICTS = {True: EXIT_DONE, False: EXIT_NO, None: EXIT_CANNOT_TELL}

slot_option = click.option(
    "--slot",
    type=click.IntRange(0, MAX_SLOT),
    default=0,
    show_default=True,
    help="Where the program lies in the box; the panel's selector has the same numbers.",
)


@click.group()
def group() -> None:
    """Find, install, load, arm and read back a box, over USB; or a simulated one, over a socket."""


for command in (*box_firmware.COMMANDS, *box_settings.COMMANDS):
    group.add_command(command)


@group.command()
@output.json_option
def find(as_json: bool) -> None:
    """List the boxes that are plugged in. Only ports with a box's USB number are written to."""
    from nightdraw.link.find import CHECK_HINT
    from nightdraw.link.find import find as look

    with output.progress("looking", 1) as shown:
        boxes, notes = look(progress=shown.reach)
    for finding in notes:
        note(finding)
    if not boxes:
        note(Finding("no box answers", hint=CHECK_HINT))
    document = {"boxes": [box.document() for box in boxes]}
    if boxes or as_json:
        output.finish(document, "\n".join(box.text() for box in boxes), as_json)


@group.command()
@box_option
@output.json_option
def check(box: str | None, as_json: bool) -> None:
    """Walk the way from the cable to the box's answer, and say what to do where it is broken."""
    from nightdraw.link.check import walk

    steps = []
    for step in walk(box):
        steps.append(step)
        if not as_json:  # at once: somebody waits, and a silent line takes some seconds
            output.say(f"{'ok    ' if step.ok else 'BROKEN'}  {step.name}: {step.message}")
    ok = steps[-1].ok
    document = {"steps": [step.document() for step in steps], "ok": ok}
    text = "the box answers" if ok else f"do this: {steps[-1].remedy}"
    output.finish(document, text, as_json, 0 if ok else EXIT_NO)


@group.command()
@click.argument("file", metavar="FILE")
@slot_option
@board_option
@boxes_options
@output.json_option
def send(file: str, slot: int, board: str | None, chosen: SelectedBoxes, as_json: bool) -> None:
    """Check a profile and store it in the box; what the slot held before is replaced whole or not at all."""
    from nightdraw import programs
    from nightdraw.board import load_board
    from nightdraw.profile import load

    model = load_board(board)
    profile = load(file, model)
    for finding in profile.notes:
        note(f"{finding.text()} (no error)")
    data = programs.pack(profile.program())

    def work(client: BoxClient) -> Answer:
        _same_board(client, model)
        stored = client.send(slot, data)
        document = {"slot": slot, "crc32": stored.crc32, "bytes": stored.bytes}
        return Answer(document, f"slot {slot} holds {stored.profile}, {stored.bytes} bytes")

    several.run(chosen, work, as_json)


def _same_board(client: BoxClient, model: BoardModel) -> None:
    """Refuse a profile that was checked against another bank than the box's."""
    facts = client.facts()
    theirs = (facts.board, facts.own_ua, tuple(channel.nominal_ns for channel in client.channels()))
    if theirs != (model.name, model.own_ua, tuple(channel.ns for channel in model.channels)):
        message = f"the profile was checked for the board {model.name}, the box has another: {facts.board}"
        if facts.board == model.name:
            message = f"the box has an older or newer version of the board file {model.name}"
        hint = "say --board FILE; or give the box this board: nightdraw box install --board FILE"
        raise InputError(Finding(message, hint=hint))


@group.command()
@boxes_options
@output.json_option
def slots(chosen: SelectedBoxes, as_json: bool) -> None:
    """List the stored programs; one that is damaged has no profile."""
    from nightdraw.link.check import send_again

    def work(client: BoxClient) -> Answer:
        stored, damaged = client.slots(), client.damaged()
        found = {s.slot: {"slot": s.slot, "profile": s.profile, "crc32": s.crc32} for s in stored}
        found |= {slot: {"slot": slot, "profile": None, "crc32": None} for slot in damaged}
        lines = {s.slot: f"slot {s.slot}: {s.profile}, {s.bytes} bytes, CRC-32 {s.crc32:08x}" for s in stored}
        lines |= {slot: f"slot {slot}: damaged; {send_again(slot)}" for slot in damaged}
        document = {"slots": [found[slot] for slot in sorted(found)]}
        return Answer(document, "\n".join(lines[slot] for slot in sorted(lines)) or "no program is stored")

    several.run(chosen, work, as_json)


@group.command()
@slot_option
@boxes_options
@output.json_option
def arm(slot: int, chosen: SelectedBoxes, as_json: bool) -> None:
    """Arm a stored program: the box draws as soon as the profile's start rule says so."""

    def work(client: BoxClient) -> Answer:
        run = client.arm(slot)
        return Answer({"state": run.state}, f"slot {slot} is armed, run {run.run}: {run.state}")

    caution()
    several.run(chosen, work, as_json)


@group.command()
@boxes_options
@output.json_option
def halt(chosen: SelectedBoxes, as_json: bool) -> None:
    """Open every switch, now. A locked box halts too; --all halts every box that is plugged in."""

    def work(client: BoxClient) -> Answer:
        run = client.halt()
        return Answer({"state": run.state}, f"every switch is open: {run.state}")

    several.run(chosen, work, as_json, to_halt=True)


@group.command()
@click.argument("current", metavar="I", type=Quantity("current"))
@click.option(
    "--for",
    "length",
    type=Quantity("time"),
    help="How long; the box itself ends it (default: until `nightdraw box halt`, or the board's own limit).",
)
@box_option
@output.json_option
def level(current: Fraction, length: Fraction | None, box: str | None, as_json: bool) -> None:
    """Draw one level by hand, what the circuit sees: the box's own consumption included."""
    ticks = 0 if length is None else to_ticks(length)
    if length is not None and ticks < 1:
        raise InputError("--for must be 1 tick (0.1 ms) or longer")
    caution()
    with open_box(box) as client:
        run = client.level(to_ua(current), ticks)
    output.finish({"state": run.state}, f"drawing {float(current) * 1000:g} mA: {run.state}", as_json)


@group.command()
@click.option("--watch", is_flag=True, help="Go on: one JSON object a line each second, until interrupted.")
@boxes_options
@output.json_option
def status(watch: bool, chosen: SelectedBoxes, as_json: bool) -> None:
    """What the box does and measures now."""

    def work(client: BoxClient) -> Answer:
        found = client.status()
        return Answer(_status(found), _status_text(found))

    if watch:
        several.watch(chosen, work, WATCH_S)
    several.run(chosen, work, as_json)


def _status(found: BoxStatus) -> dict[str, Any]:
    current_a = found.measured.current_a
    return {
        "state": found.run.state,
        "slot": found.run.slot,
        "run": found.run.run,
        "supply_v": found.measured.supply_v,
        "current_ma": None if current_a is None else round(current_a * 1000, 3),
        "temp_c": found.measured.temp_c,
        "locked": found.locked,
        "questionable": found.questionable,
        "waits_for": _waits_for(found.wait),
        "left_s": found.wait.left_s,
    }


def _waits_for(wait: Wait) -> str | None:
    from boxcore import states

    texts = {
        states.SUPPLY: "the supply to come",
        states.SWITCH: "the arm switch",
        states.REST: f"the supply to rest below {(wait.below_mv or 0) / 1000:.2f} V",
        states.DELAY: "the start rule's time to pass",
        states.RANGE: "the supply to come back into its range",
    }
    return None if wait.what is None else texts.get(wait.what)


def _status_text(found: BoxStatus) -> str:
    from boxcore.states import FAULTS, WAITING

    status = _status(found)
    lines = [found.run.state + (", locked" if found.locked else "")]
    if found.run.slot is not None:
        lines.append(f"slot {found.run.slot}, run {found.run.run}")
    if status["waits_for"] is not None:
        lines.append(f"waits for {status['waits_for']}")
    if status["left_s"] is not None:
        until = "to the start" if found.run.state == WAITING else "left of what plays"
        lines.append(f"{status['left_s']:.1f} s {until}")
    lines.append(f"supply {status['supply_v']:.2f} V")
    if status["current_ma"] is not None:
        lines.append(f"current {status['current_ma']:.1f} mA")
    if status["temp_c"] is not None:
        lines.append(f"bank {status['temp_c']:.1f} C")
    asked = [name for name, _, bit in FAULTS.values() if bit is not None and found.questionable >> bit & 1]
    if asked:
        lines.append("questionable: " + " or ".join(asked))
    return "\n".join(lines)


@group.command()
@click.option(
    "--out",
    metavar="FILE.jsonl",
    help="Where the lines go (default: standard output). Each of several boxes has a file of its own, with "
    "its serial number in the name: FILE.SERIAL.jsonl.",
)
@boxes_options
@output.json_option
def journal(out: str | None, chosen: SelectedBoxes, as_json: bool) -> None:
    """Read back what the box really did: one JSON object a line, as `capture compare --journal` reads it.

    The first line says which box and which run; that run's start is t_s 0. Records of a power-up during which
    a computer was connected are dated (utc), those of others are only in order.
    """
    if chosen.several:
        if out is None:
            raise InputError("the journals of several boxes need --out: one file each")
        several.run(chosen, journals.Each(out), as_json)
    else:
        journals.one(chosen.addresses()[0], out, as_json)


@group.command()
@boxes_options
@output.json_option
def selftest(chosen: SelectedBoxes, as_json: bool) -> None:
    """Close each channel for some milliseconds and name those that don't draw what they should.

    Exit status 0: all is well, 1: something fails, 3: it can't be told.
    """
    from nightdraw.link import tested

    def work(client: BoxClient) -> Answer:
        with several.progress(chosen, "testing") as shown:
            count = client.channel_count()
            verdict = tested.run(client, lambda channels: shown.reach(channels / count))
        document = {
            "channels": [channel.document() for channel in verdict.channels],
            "ok": verdict.ok,
            "message": verdict.message,
        }
        lines = [verdict.message]
        lines += [f"channel {one.channel}: {one.message}" for one in verdict.channels if one.ok is False]
        return Answer(document, "\n".join(lines), VERDICTS[verdict.ok])

    caution()
    several.run(chosen, work, as_json)
