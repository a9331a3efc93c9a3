"""What a plan asks of its boxes: fill, test, arm and lock one, open its switches, fetch its journal.

Each works on one open box. What is done already isn't done again, so that loading can be stopped and taken
up again.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from boxcore import states

from nightdraw import outputs, programs
from nightdraw.errors import Finding, InputError
from nightdraw.lesson.fitting import played
from nightdraw.lesson.model import Assignment, Plan
from nightdraw.link import BoxClient, tested
from nightdraw.link.passcode import from_file

PASSCODE = ".passcode"  # behind the plan's name: where the passcode of its boxes is kept
WORDS_BYTES = 9  # a passcode of 12 characters: beyond guessing, short enough to type
ARMED = (states.WAITING, states.RUNNING, states.HOLDING)


@dataclass(frozen=True)
class Ready:
    """Whether a box does what the plan asks, and the message for people."""

    ready: bool
    message: str


def passcode_file(plan: Plan) -> Path:
    """Where the passcode of a plan's boxes is kept unless another file is named."""
    return Path(f"{plan.file}{PASSCODE}")


def passcode(plan: Plan, file: str | None, make: bool = False) -> str | None:
    """The passcode of the plan's boxes: a named file's, or the one beside the plan (make: drawn at first).

    None where there is none; raises InputError.
    """
    if file is not None:
        return from_file(file)
    beside = passcode_file(plan)
    if not beside.exists():
        if not make:
            return None
        outputs.write(beside, (secrets.token_urlsafe(WORDS_BYTES) + "\n").encode())
        beside.chmod(0o600)
    return from_file(str(beside))


def check_identity(client: BoxClient, plan: Plan, one: Assignment) -> None:
    """Raise InputError for another box than the class's, or one with another bank."""
    box = plan.of.box(one.box)
    serial = client.idn().serial
    if box.identity is not None and serial != box.identity:
        message = f"the box there is {serial}, box {one.box} of the class is {box.identity}"
        raise InputError(Finding(message, hint="plug in the right one, or change the class file"))


def load(client: BoxClient, plan: Plan, one: Assignment, code: str | None) -> Ready:
    """Have the box test itself, give it its program, arm and lock it; raises NightdrawError."""
    check_identity(client, plan, one)
    data = programs.pack(played(plan, one).program())
    opened = _open(client, code)
    _same_bank(client, plan, one)
    stored = client.stored(one.slot)
    holds = stored is not None and (stored.bytes, stored.crc32) == (len(data), programs.checksum(data))
    run = client.run()
    message = "it was loaded and armed already"
    if not (holds and run.slot == one.slot and run.state in ARMED):
        client.halt()
        client.clear()
        verdict = tested.run(client)
        if verdict.ok is False:
            return _relocked(client, opened, Ready(False, f"self-test: {verdict.message}"))
        tested_as = verdict.message
        client.send(one.slot, data)
        client.arm(one.slot)
        message = f"self-test: {tested_as}; slot {one.slot} is armed"
    wait = client.wait()
    if code is not None:
        if not client.has_passcode():
            client.set_passcode(code)
        client.lock()
        message += ", locked"
    return Ready(True, message + _waits(wait.what))


def _waits(what: str | None) -> str:
    if what == states.SWITCH:
        return "; it starts when its arm switch is flipped"
    return "" if what is None else "; it starts by its own rule"


def _open(client: BoxClient, code: str | None) -> bool:
    """Unlock a locked box; returns whether it was locked."""
    if not client.locked():
        return False
    if code is None:
        raise InputError(Finding("the box is locked", hint="name its passcode with --passcode-file"))
    client.unlock(code)
    client.note_time()
    return True


def _relocked(client: BoxClient, was_locked: bool, ready: Ready) -> Ready:
    if was_locked:
        client.lock()
    return ready


def _same_bank(client: BoxClient, plan: Plan, one: Assignment) -> None:
    board = plan.of.box(one.box).board
    facts = client.facts()
    theirs = (facts.board, facts.own_ua, tuple(channel.nominal_ns for channel in client.channels()))
    if theirs != (board.name, board.own_ua, tuple(channel.ns for channel in board.channels)):
        message = f"the box has board {facts.board}, box {one.box} of the class has {board.name}"
        raise InputError(Finding(message, hint="change the class file, or plan with the right box"))


def halt(client: BoxClient) -> Ready:
    """Open every switch."""
    run = client.halt()
    return Ready(run.state == states.IDLE, f"every switch is open: {run.state}")


def collect(
    client: BoxClient,
    plan: Plan,
    one: Assignment,
    code: str | None,
    folder: Path,
    now: Callable[[], datetime] = datetime.now,
) -> Ready:
    """Write the box's journal into the folder, the date in its name; raises NightdrawError."""
    from nightdraw.bench.journalfile import JournalFile
    from nightdraw.link import records

    check_identity(client, plan, one)
    opened = _open(client, code)
    try:
        account = records.read(client)
    finally:
        if opened:
            client.lock()
    path = folder / f"{one.box}.{now():%Y-%m-%d-%H%M%S}.jsonl"
    outputs.check(path)
    with JournalFile(path) as file:
        file.write([account.head, *account.lines])
        file.keep()
    lost = f", {account.lost} lost" if account.lost else ""
    return Ready(True, f"{path}: {len(account.lines)} records{lost}")
