"""One command on several boxes: which they are, all of them at the same time, what became of each.

A box that can't be reached delays none of the others, and is named. No command lives here.
"""

from __future__ import annotations

import contextlib
import functools
import io
import json
import queue
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NoReturn

import click

from nightdraw.cli import output
from nightdraw.cli.boxes import BOX_HELP, note, open_at
from nightdraw.errors import (
    EXIT_CANNOT_TELL,
    EXIT_DONE,
    EXIT_INPUT,
    EXIT_NO,
    Finding,
    InputError,
    NightdrawError,
)

if TYPE_CHECKING:
    from nightdraw.link import BoxClient

WAIT_S = 0.2  # a wait without an end can't be interrupted on every system
WORST_FIRST = (EXIT_INPUT, EXIT_NO, EXIT_CANNOT_TELL, EXIT_DONE)


@dataclass(frozen=True)
class SelectedBoxes:
    """Which boxes a command means: those that were named, all that are plugged in, or the only one.

    The shape of the answer follows the call, not what happens to be plugged in: `several` after --all and
    after more than one --box."""

    boxes: tuple[str, ...]
    every: bool

    @property
    def several(self) -> bool:
        """Whether the answer is a list."""
        return self.every or len(self.boxes) > 1

    def addresses(self) -> list[str]:
        """Where they are; raises InputError where that can't be told."""
        from nightdraw.link import find

        if self.every:
            return find.every()
        if len(self.boxes) > 1:
            return find.each(self.boxes)
        return [find.choose(self.boxes[0] if self.boxes else None)]


def boxes_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """--box, repeatable, and --all; the command gets both as `chosen`."""

    @click.option("--box", "boxes", metavar="ADDRESS", multiple=True, help=BOX_HELP + " Repeatable.")
    @click.option("--all", "every", is_flag=True, help="Every box that is plugged in.")
    @functools.wraps(command)
    def wrapped(*args: Any, boxes: tuple[str, ...], every: bool, **words: Any) -> Any:
        if every and boxes:
            raise click.UsageError("--all and --box don't go together")
        return command(*args, chosen=SelectedBoxes(boxes, every), **words)

    return wrapped


@dataclass(frozen=True)
class Answer:
    """What one box's part of a command outcome to."""

    document: dict[str, Any]
    text: str
    status: int = EXIT_DONE


@dataclass(frozen=True)
class NoBox:
    """A port that --all found and that no box is at."""

    what: str


@dataclass(frozen=True)
class Failed:
    """A box that didn't do what was asked."""

    findings: tuple[Finding, ...]
    status: int

    @property
    def document(self) -> dict[str, Any]:
        """What stands in the box's place."""
        return {"errors": [finding.document() for finding in self.findings]}


Work = Callable[["BoxClient"], Answer]


def run(
    chosen: SelectedBoxes, work: Work, as_json: bool, at_once: bool = True, to_halt: bool = False
) -> None:
    """Do the work on every box and print the answer; ends the command with the worst status of all.

    at_once: all boxes at the same time, else one after the other. to_halt: the work opens every switch.
    """
    addresses = chosen.addresses()
    if not chosen.several:
        with open_at(addresses[0], to_halt) as client:
            answer = work(client)
        output.finish(answer.document, answer.text, as_json, answer.status)
        return
    found: dict[str, Answer | Failed] = {}
    attempt = functools.partial(_on, work, chosen.every, to_halt)
    for address, outcome in (together if at_once else in_turn)(addresses, attempt):
        if isinstance(outcome, NoBox):
            note(f"{address}: left out, no box is there but {outcome.what}")
            continue
        found[address] = outcome
        _tell(address, outcome, as_json)
    if not found:
        raise InputError("no box is plugged in")
    _finish([(address, found[address]) for address in addresses if address in found], as_json)


Outcome = Answer | Failed | NoBox
Attempt = Callable[[str], Outcome]


def _on(work: Work, unsure: bool, to_halt: bool, address: str) -> Outcome:
    """unsure: nobody named this address, so that another thing than a box may be there."""
    from nightdraw.link import find

    try:
        other = find.other_than_a_box(address) if unsure else None
        if other is not None:
            return NoBox(other)
        with open_at(address, to_halt) as client:
            return work(client)
    except NightdrawError as error:
        return Failed(error.findings, error.exit_status)


def in_turn(addresses: Sequence[str], attempt: Attempt) -> Iterator[tuple[str, Outcome]]:
    """Each address with what came of it, one after the other."""
    for address in addresses:
        yield address, attempt(address)


def together(addresses: Sequence[str], attempt: Attempt) -> Iterator[tuple[str, Outcome]]:
    """The same, all at once, in the order in which they end; a defect is raised here.

    Threads of their own, which an interrupted command leaves behind: the pools of the standard library would
    wait for them at its end.
    """
    ended: queue.Queue[tuple[str, Outcome | Exception]] = queue.Queue()

    def one(address: str) -> None:
        try:
            ended.put((address, attempt(address)))
        except Exception as error:
            ended.put((address, error))

    for address in addresses:
        threading.Thread(target=one, args=(address,), daemon=True).start()
    for _ in addresses:
        address, outcome = _next(ended)
        if isinstance(outcome, Exception):
            raise outcome
        yield address, outcome


def _next(ended: queue.Queue[tuple[str, Outcome | Exception]]) -> tuple[str, Outcome | Exception]:
    while True:
        with contextlib.suppress(queue.Empty):
            return ended.get(timeout=WAIT_S)


def _tell(address: str, outcome: Answer | Failed, as_json: bool) -> None:
    """At once: who waits for one box shall see what the others did."""
    if isinstance(outcome, Failed):
        for finding in outcome.findings:
            note(f"{'' if finding.message.startswith(address) else f'{address}: '}{finding.text()}")
    elif not as_json:
        output.say("\n".join(f"{address}: {line}" for line in outcome.text.splitlines()))


def _finish(found: list[tuple[str, Answer | Failed]], as_json: bool) -> None:
    """The document, and the summary where not every box did what was asked."""
    status = min((outcome.status for _, outcome in found), key=WORST_FIRST.index)
    wrong = [address for address, outcome in found if outcome.status != EXIT_DONE]
    if wrong:
        note(f"{len(wrong)} of {len(found)} boxes didn't do what was asked: {', '.join(wrong)}")
    if as_json:
        document = {"boxes": [{"address": address, **outcome.document} for address, outcome in found]}
        output.finish(document, "", as_json, status)
    elif status:
        raise click.exceptions.Exit(status)


def watch(chosen: SelectedBoxes, work: Work, pause_s: float) -> NoReturn:
    """Say what becomes of every box as one JSON object a line, again and again, until interrupted or read by
    nobody; several boxes are asked in turn, and one that fails is left out from then on."""
    addresses = chosen.addresses()
    with contextlib.ExitStack() as stack:
        clients: dict[str, BoxClient] = {}
        for address in addresses:
            with _attending(chosen, address):
                clients[address] = stack.enter_context(open_at(address))
        while clients:
            for address, client in list(clients.items()):
                del clients[address]
                with _attending(chosen, address):
                    answer = work(client)
                    whose = {"address": address} if chosen.several else {}
                    if not output.say(json.dumps({**whose, **answer.document})):
                        raise click.exceptions.Exit(EXIT_DONE)  # nobody reads any more
                    client.renew()
                    clients[address] = client
            time.sleep(pause_s)
    raise click.exceptions.Exit(EXIT_INPUT)


@contextlib.contextmanager
def _attending(chosen: SelectedBoxes, address: str) -> Iterator[None]:
    """Of several boxes, one that fails is named and doesn't end the others."""
    try:
        yield
    except NightdrawError as error:
        if not chosen.several:
            raise
        failed = Failed(error.findings, error.exit_status)
        output.say(json.dumps({"address": address, **failed.document}))


def remark(chosen: SelectedBoxes, client: BoxClient, text: str) -> None:
    """One line on standard error about a box, by its name where there are several."""
    note(f"{client.address}: {text}" if chosen.several else text)


@contextlib.contextmanager
def progress(chosen: SelectedBoxes, label: str) -> Iterator[output.Progress]:
    """Progress of the work on one box, up to 1; of several at once nothing is shown."""
    if chosen.several:
        yield output.Progress(label, 1, io.StringIO())
        return
    with output.progress(label, 1) as shown:
        yield shown
