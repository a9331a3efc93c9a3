"""The chain from the cable to a box's answer, link by link: the first broken one has a cause and a remedy.

In words for whoever has no electronics behind him. A running program goes on; nothing is changed.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from nightdraw import __version__, data
from nightdraw.errors import InputError, LinkError, NightdrawError
from nightdraw.link import ports, probe
from nightdraw.link.client import BoxClient, open_box
from nightdraw.link.find import Surroundings
from nightdraw.link.replies import Identity
from nightdraw.link.transport import SCHEME, Transport

RULES = "70-nightdraw.rules"
CLOCK_S = 1.0  # by then the tick must have moved: a locked box tells it to three tenths of a second
INSTALL = "run `nightdraw box install`"


@dataclass(frozen=True)
class Step:
    """One link of the chain: whether it holds, what was seen, and what to do where it doesn't."""

    name: str
    ok: bool
    message: str
    remedy: str | None = None

    def document(self) -> dict[str, object]:
        """The same as the JSON contract's keys."""
        return {"name": self.name, "ok": self.ok, "message": self.message, "remedy": self.remedy}


@dataclass(frozen=True)
class Environment(Surroundings):
    """What the chain is walked on; tests have their own."""

    devices: Callable[[], set[tuple[int, int]] | None] = ports.usb_devices
    try_open: Callable[[str], BaseException | None] = ports.try_open
    open_box: Callable[[str], BoxClient] = open_box
    platform: str = field(default=sys.platform)


class _BrokenError(Exception):
    """The chain ends here."""

    def __init__(self, step: Step) -> None:
        super().__init__(step.message)
        self.step = step


def walk(box: str | None, around: Environment | None = None) -> Iterator[Step]:
    """The steps on the way to the box that `box` means (None: the only one), up to the first that fails."""
    try:
        yield from _walk(box, around or Environment())
    except _BrokenError as broken:
        yield broken.step


def _walk(box: str | None, around: Environment) -> Iterator[Step]:
    if box is not None and box.startswith(SCHEME):
        address = box
    else:
        yield _cable(box, around)
        address = _port(box, around)
        yield Step("port", True, f"the serial port is {address}")
        yield from _opens(address, around)
    yield from _answers(address, around)
    yield from _talk(address, around)


def _broken(name: str, message: str, remedy: str) -> _BrokenError:
    return _BrokenError(Step(name, False, message, remedy))


def _cable(box: str | None, around: Environment) -> Step:
    """Something that can be a box is plugged in."""
    number = ports.usb_text(ports.USB_NUMBER)
    if box is not None and "://" in box:
        raise _broken(
            "cable", f"{box!r} is no address of a box", "give socket://HOST:PORT or a serial port's name"
        )
    if box is not None:
        port = ports.named(box, around.ports())
        if port is not None:
            return Step("cable", True, f"something is plugged in at {box}")
        gone = around.try_open(box)
        if gone is not None and ports.trouble(gone, around.platform) == ports.GONE:
            names = [port.name for port in around.candidates()]
            remedy = f"use --box {names[0]}" if names else _other_cable()
            raise _broken("cable", f"there is no port {box}", remedy)
        return Step("cable", True, f"there is a port {box}")
    devices = around.devices() or set()
    if around.candidates() or devices & {ports.USB_NUMBER, ports.BOOT_LOADER}:
        return Step("cable", True, f"the computer sees a device with a box's USB number ({number})")
    raise _broken("cable", f"nothing with a box's USB number ({number}) is plugged in", _other_cable())


def _other_cable() -> str:
    return (
        "plug the box in with a USB cable that carries data: a charge-only cable lights it up and nothing "
        "else; then try the computer's other USB sockets"
    )


def _port(box: str | None, around: Environment) -> str:
    """The one serial port that is meant."""
    if box is not None:
        port = ports.named(box, around.ports())
        if port is not None and not port.may_be_a_box:
            theirs = ports.usb_text(port.usb)
            message = f"the USB number of {box} is {theirs}: it is no box, nothing was written to it"
            raise _broken("port", message, "run `nightdraw box check` without --box")
        return box
    names = [port.name for port in around.candidates()]
    if len(names) > 1:
        message = f"{len(names)} boxes may be meant: {', '.join(names)}"
        raise _broken("port", message, f"choose one: nightdraw box check --box {names[0]}")
    if names:
        return names[0]
    if ports.BOOT_LOADER in (around.devices() or set()):
        message = "the board waits in its boot loader: it was plugged in with the boot button held"
        raise _broken("port", message, "unplug it and plug it in again without touching the boot button")
    message = "the computer sees the box but has made no serial port for it"
    raise _broken(
        "port", message, "unplug the box, wait five seconds, plug it in again; if that doesn't help, restart"
    )


def _opens(address: str, around: Environment) -> Iterator[Step]:
    """This user may open the port, and nobody else has."""
    error = around.try_open(address)
    why = None if error is None else ports.trouble(error, around.platform)
    if why == ports.PERMISSION:
        raise _broken("permission", f"this user may not open {address}", _permission_remedy(around.platform))
    yield Step("permission", True, f"this user may open {address}")
    if why == ports.BUSY:
        remedy = "close every other program that talks to the box (a terminal, a script), then check again"
        raise _broken("busy", f"another program holds {address}", remedy)
    if error is not None:
        remedy = "unplug the box, wait five seconds, plug it in again"
        raise _broken("busy", f"{address} can't be opened: {error}", remedy)
    yield Step("busy", True, "no other program holds the port")


def _permission_remedy(platform: str) -> str:
    if platform != "linux":
        return "ask whoever looks after this computer for the right to use serial ports"
    rules = data.folder(data.HARDWARE) / RULES
    return (
        f"run `sudo cp {rules} /etc/udev/rules.d/ && sudo udevadm control --reload`, "
        "then unplug the box and plug it in again"
    )


def _answers(address: str, around: Environment) -> Iterator[Step]:
    """Who is there is a box of this version."""
    heard = _heard(address, around)
    if heard.kind == probe.SILENCE:
        remedy = "unplug the box, switch it off and on, plug it in again; if it stays silent, " + INSTALL
        raise _broken("answer", "nobody answers", remedy)
    yield Step("answer", True, "somebody answers")
    if heard.kind == probe.PROMPT:
        message = "a MicroPython prompt answers instead of a box: its firmware is missing, damaged or stopped"
        raise _broken("identity", message, INSTALL)
    if heard.kind != probe.BOX or heard.identity is None:
        remedy = "take another port with --box; `nightdraw box find` lists the boxes"
        raise _broken("identity", f"something else answers: {heard.text!r}", remedy)
    who = heard.identity
    yield Step("identity", True, f"it is the Nightdraw box {who.serial}, board {who.model}")
    yield _version(who)


def _heard(address: str, around: Environment) -> probe.Heard:
    line: Transport | None = None
    try:
        line = around.open_line(address)
        return probe.probe(line)
    except (LinkError, InputError) as error:
        finding = error.findings[0]
        raise _broken("answer", finding.message, finding.hint or "plug the box in again") from None
    finally:
        if line is not None:
            line.close()


def _version(who: Identity) -> Step:
    if who.firmware != __version__:
        message = f"the box runs firmware {who.firmware}, this program is version {__version__}"
        raise _broken("version", message, INSTALL)
    return Step("version", True, f"firmware and program are version {__version__}")


def _talk(address: str, around: Environment) -> Iterator[Step]:
    """A whole conversation: the clock runs, the journal can be read."""
    name = "clock"
    try:
        with around.open_box(address) as box:
            yield _clock(box)
            name = "programs"
            yield _programs(box)
            name = "journal"
            yield _journal(box)
    except NightdrawError as error:
        finding = error.findings[0]
        remedy = finding.hint or "unplug the box, wait five seconds, plug it in again"
        raise _broken(name, finding.message, remedy) from None


def _clock(box: BoxClient) -> Step:
    first = box.clock()
    until_s = time.monotonic() + CLOCK_S
    while box.clock() <= first:
        if time.monotonic() < until_s:
            continue
        raise _broken("clock", "the box's clock stands still", "switch the box off and on; then " + INSTALL)
    return Step("clock", True, f"its clock runs, {first / 36_000_000:.1f} h since power-up")


def send_again(slot: int) -> str:
    """The remedy for a slot whose program can't be read."""
    return f"send the program again: nightdraw box send FILE --slot {slot}"


def _programs(box: BoxClient) -> Step:
    if box.locked():
        return Step("programs", True, "the box is locked: its programs were not looked at")
    damaged = box.damaged()
    if damaged:
        which = "slot " + ", ".join(str(slot) for slot in damaged)
        raise _broken("programs", f"the program in {which} can't be read", send_again(damaged[0]))
    return Step("programs", True, f"{len(box.slots())} programs are stored, each whole")


def _journal(box: BoxClient) -> Step:
    if box.locked():
        return Step("journal", True, "the box is locked: its journal was not looked at")
    start, end = box.journal_bounds()
    records = box.read_journal(max(start, end - 160)).records()
    if not records and end > start:
        remedy = "read what is left with `nightdraw box journal`; then " + INSTALL
        raise _broken("journal", "the journal's last records can't be read", remedy)
    return Step("journal", True, f"its journal holds {(end - start) // 16} records")
