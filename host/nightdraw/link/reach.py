"""From a box at work to its prompt, and back: for whoever changes the files on the board.

A running box is asked into maintenance, which it refuses while it is armed. Waiting is bounded; nothing here
knows which files.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable
from dataclasses import dataclass

from nightdraw.errors import Finding, LinkError, printable
from nightdraw.link import ports, probe
from nightdraw.link.message import GarbledError
from nightdraw.link.prompt import Prompt, PromptError
from nightdraw.link.session import UNDEFINED_HEADER, parse_error
from nightdraw.link.transport import Transport, open_transport

ASK_S = 3.0  # a flash stall takes 0.4 s
PROMPT_S = 20.0  # a reset, two seconds for USB, the system's own time to set the port up, each with slack
BOX_S = 30.0  # the same, the two seconds that a box waits at power-up, and reading its journal's ends
POLL_S = 0.2
SIGN_S = 5.0  # a start takes some seconds; then the line is opened anew, should it have died in silence
MOST_BYTES = 4096  # of what is listened to
MOST_FAULT = 200  # characters of a fault record's last line
ASK_MAINTENANCE = b"\n*CLS\n:DIAG:MAIN\n:SYST:ERR?\n"
HAS_RESET = "import machine\nprint(hasattr(machine, 'reset'))"
# What marks a reset into maintenance, see firmware/main.py: one left behind would lead back to the prompt.
MARK = 0x4005_800C
RESET = f"""
import machine, time
getattr(machine, 'mem32', {{}})[{MARK}] = 0
time.sleep_ms(100)
machine.reset()
"""
# What firmware/main.py leaves where it falls to the prompt: a traceback, whose last line says what failed.
FAULT = "fault.txt"
READ_FAULT = f"""
import os
_fault = ''
if {FAULT!r} in os.listdir():
    with open({FAULT!r}) as _file:
        _fault = _file.read({MOST_BYTES})
"""
FORGET_FAULT = f"if {FAULT!r} in os.listdir():\n    os.remove({FAULT!r})"
PROMPT_SIGN = b">>> "
BY_HAND = "unplug the box, hold the panel's button while you plug it in, run it again"
COMMAND_PROTECTED = -203
SETTINGS_CONFLICT = -221


@dataclass
class WaitClock:
    """How time passes: the tests' own passes at once."""

    now: Callable[[], float] = time.monotonic
    sleep: Callable[[float], None] = time.sleep


def enter(address: str, clock: WaitClock | None = None) -> Prompt:
    """The raw prompt of the board at an address, whatever runs there; raises LinkError, InputError.

    A box is asked into maintenance first; one that is armed, plays or is locked refuses. Another program that
    runs on the board is interrupted; another instrument is left alone.
    """
    clock = clock or WaitClock()
    usb_serial = _usb_serial(address)
    until_s = clock.now() + PROMPT_S
    line = open_transport(address)
    try:
        heard = probe.probe(line, clock.now)
        if heard.kind == probe.STRANGER and heard.identity is not None:
            message = f"{address}: no box and no MicroPython answers there, but {heard.text!r}"
            raise LinkError(Finding(message, hint="nothing was changed"))
        if heard.kind == probe.BOX:
            _ask_maintenance(line, clock)
    finally:
        line.close()
    if heard.kind == probe.BOX:
        _await_prompt(address, usb_serial, until_s, clock)
    return _prompt(address, usb_serial, until_s, clock)


def leave(prompt: Prompt, clock: WaitClock | None = None) -> probe.Heard:
    """Let the board start anew and hear who answers then; raises LinkError when nobody does in BOX_S.

    On a stand-in for a board, which has no reset, the prompt is left alone: Heard says PROMPT.
    """
    clock = clock or WaitClock()
    usb_serial = _usb_serial(prompt.name)
    with prompt:
        if prompt.run(HAS_RESET).strip() != "True":
            return probe.Heard(probe.PROMPT)
        with contextlib.suppress(PromptError):  # the port may be gone before it has said that it understood
            prompt.leave(RESET)
    until_s = clock.now() + BOX_S
    heard = probe.Heard(probe.SILENCE)
    while clock.now() < until_s:
        clock.sleep(POLL_S)
        try:
            line = open_transport(_name_now(prompt.name, usb_serial))
        except LinkError:
            continue
        try:
            heard = probe.probe(line, clock.now)
        except LinkError:
            continue
        finally:
            line.close()
        if heard.kind in (probe.BOX, probe.PROMPT):  # not what a prompt says while it ends
            return heard
    if heard.kind == probe.STRANGER:
        return heard
    raise LinkError(Finding(f"{prompt.name}: the board didn't come back", hint="unplug it, plug it in again"))


def fault(prompt: Prompt) -> str:
    """What ended the box's program the last time that it fell to its prompt, in a line; empty where nothing
    did since the last forget_fault(), or where it can't be read."""
    try:
        prompt.run(READ_FAULT)
        error = prompt.value("_fault")
    except PromptError:
        return ""
    lines = error.strip().splitlines() if isinstance(error, str) else []
    return printable(lines[-1])[:MOST_FAULT] if lines else ""


def forget_fault(prompt: Prompt) -> None:
    """Take the record away, so that one that is found later is of later; raises LinkError."""
    prompt.run("import os\n" + FORGET_FAULT)


def _usb_serial(name: str) -> str | None:
    port = ports.named(name, ports.serial_ports())
    return None if port is None else port.serial


def _name_now(name: str, usb_serial: str | None) -> str:
    """A port that went away may come back under another name; its USB serial number is the same."""
    if usb_serial is None:
        return name
    return next((port.name for port in ports.serial_ports() if port.serial == usb_serial), name)


def _ask_maintenance(line: Transport, clock: WaitClock) -> None:
    """Ask a box to its prompt and wait until it goes there, or the line with it; raises LinkError."""
    line.write(ASK_MAINTENANCE)
    until_s = clock.now() + ASK_S
    heard = b""
    try:
        while clock.now() < until_s and PROMPT_SIGN not in heard:
            heard = (heard + line.read(until_s - clock.now()))[-MOST_BYTES:]
            _judge(line.name, heard)
    except LinkError as error:
        if isinstance(error, _RefusedError):
            raise
        # the port went away: that is the reset


class _RefusedError(LinkError):
    """The box won't."""


def _judge(name: str, heard: bytes) -> None:
    """Raise where an entry of the error queue says that the box won't go into maintenance."""
    for line in heard.splitlines():
        try:
            code, text = parse_error(line)
        except GarbledError:
            continue
        if code == SETTINGS_CONFLICT:
            raise _RefusedError(Finding(f"{name}: the box is at work", hint="run `nightdraw box halt` first"))
        if code == COMMAND_PROTECTED:
            hint = "run `nightdraw box unlock` first; or hold the panel's button while you plug it in"
            raise _RefusedError(Finding(f"{name}: the box is locked", hint=hint))
        if code == UNDEFINED_HEADER:
            message = f"{name}: a simulated box carries no files"
            raise _RefusedError(Finding(message, hint="nothing needs to be installed there"))
        if code:
            raise _RefusedError(Finding(f"{name}: the box refused: {text}"))


def _await_prompt(name: str, usb_serial: str | None, until_s: float, clock: WaitClock) -> None:
    """Wait until the board that was reset into maintenance shows its prompt by itself; raises LinkError.

    Nothing is interrupted: a start that an interrupt ended midway would stand at a prompt, too, but not be in
    maintenance.
    """
    while clock.now() < until_s:
        with contextlib.suppress(LinkError):  # the port is away while the board resets
            line = open_transport(_name_now(name, usb_serial))
            try:
                if _shows_prompt(line, min(until_s, clock.now() + SIGN_S), clock):
                    return
            finally:
                line.close()
        clock.sleep(POLL_S)
    raise LinkError(Finding(f"{name}: the box was asked to its prompt and doesn't show it", hint=BY_HAND))


def _shows_prompt(line: Transport, until_s: float, clock: WaitClock) -> bool:
    heard = b""
    while clock.now() < until_s:
        line.write(
            b"\r"
        )  # the prompt says itself again at each line end; a start that goes on keeps it waiting
        heard = (heard + line.read(POLL_S))[-MOST_BYTES:]
        if PROMPT_SIGN in heard:
            return True
    return False


def _prompt(name: str, usb_serial: str | None, until_s: float, clock: WaitClock) -> Prompt:
    while True:
        try:
            return Prompt(_name_now(name, usb_serial))
        except PromptError as error:
            if clock.now() >= until_s:
                raise LinkError(Finding(error.findings[0].message, hint=BY_HAND)) from None
        clock.sleep(POLL_S)
