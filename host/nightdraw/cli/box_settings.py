"""`nightdraw box trim`, `lock` and `unlock`: what a box keeps about itself. Parse, ask, call, print.

`nightdraw box` takes COMMANDS into its group.
"""

from __future__ import annotations

import re
import sys
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import click

from nightdraw import units
from nightdraw.cli import output, several
from nightdraw.cli.boxes import box_option, caution, note, open_box
from nightdraw.cli.params import Quantity
from nightdraw.cli.several import Answer, SelectedBoxes, boxes_options
from nightdraw.errors import EXIT_DONE, EXIT_NO, Finding, InputError

if TYPE_CHECKING:
    from nightdraw.link import BoxClient

CLOSE_S = 120  # a person looks at a meter, writes down, types; the box opens the channel by itself then
READING = re.compile(r"\s*(?:CH|ch)?\s*(\d{1,2})\s*=\s*([^@]+)@([^@]+)")

passcode_option = click.option(
    "--passcode-file",
    metavar="FILE",
    help="A file of one line, `-` for standard input (default: it is asked for, and not shown).",
)


@click.command()
@click.option(
    "--reading",
    "readings",
    metavar="CH=I@V",
    multiple=True,
    help="What a meter said of a channel, like 3=5.21mA@12.63V; repeatable. Without any you are guided.",
)
@click.option(
    "--supply",
    metavar="V",
    type=Quantity("voltage"),
    help="What a meter reads at the box's terminals now: its own voltage reading is trimmed to it.",
)
@click.option("--clear", is_flag=True, help="Forget every reading: the box believes its board file again.")
@box_option
@output.json_option
def trim(
    readings: tuple[str, ...], supply: Fraction | None, clear: bool, box: str | None, as_json: bool
) -> None:
    """Tell the box what each channel really draws, by a reference meter.

    Guided, each channel is closed alone while you read the meter in line with the box; what the box itself
    consumes is asked for first. With --reading the currents are those of the channels alone. What is more
    than a fifth off is refused, with what to look at.
    """
    given = [_reading(text) for text in readings]
    if clear and (given or supply is not None):
        raise InputError("--clear and readings don't go together")
    with open_box(box) as client:
        if clear:
            client.clear_trim()
        if supply is not None:
            _trim_supply(client, supply)
        guided = not (given or clear or supply is not None)
        results = _guided(client) if guided else _apply(client, given)
        document = {"channels": [_channel(client, number, results) for number in _all(client)]}
    bad = any(not ok for ok, _ in results.values())
    lines = [
        f"channel {c['channel']}: {c['ohms']:.1f} ohm{', ' + c['message'] if c['message'] else ''}"
        for c in document["channels"]
    ]
    output.finish(document, "\n".join(lines), as_json, EXIT_NO if bad else EXIT_DONE)


Results = dict[int, tuple[bool, str]]  # channel -> was the reading taken, and what is to be said


def _reading(text: str) -> tuple[int, Fraction, Fraction]:
    match = READING.fullmatch(text)
    if match is None:
        raise InputError(Finding(f"{text!r} is no reading", hint="like 3=5.21mA@12.63V"))
    try:
        current = units.parse(match[2].strip(), "current")
        supply = units.parse(match[3].strip(), "voltage")
    except ValueError as error:
        raise InputError(Finding(f"{text!r}: {error}")) from None
    return int(match[1]), current, supply


def _apply(client: BoxClient, readings: list[tuple[int, Fraction, Fraction]]) -> Results:
    from nightdraw.link import RefusedError

    results: Results = {}
    count = client.channel_count()
    for channel, _, _ in readings:
        if not 1 <= channel <= count:
            raise InputError(f"there is no channel {channel}: the box has 1 to {count}")
    for channel, current, supply in readings:
        try:
            client.trim(channel, current, supply)
        except RefusedError as refused:
            results[channel] = (False, refused.findings[0].message)
        else:
            results[channel] = (True, "trimmed")
    return results


def _trim_supply(client: BoxClient, supply: Fraction) -> None:
    note(f"the box corrects its own voltage reading by {client.trim_supply(supply) / 10_000:+.2f} %")


def _all(client: BoxClient) -> range:
    return range(1, client.channel_count() + 1)


def _channel(client: BoxClient, number: int, results: Results) -> dict[str, Any]:
    channel = client.channel(number)
    ok, outcome = results.get(number, (None, ""))
    how = f"{channel.off_pct:+.2f} % of current" if channel.trimmed else "as its board file says"
    message = f"{outcome}; {how}" if outcome else how
    return {"channel": number, "ok": ok, "ohms": round(channel.ohms, 2), "message": message}


def _guided(client: BoxClient) -> Results:
    """Channel by channel, until the last or an empty answer at the first question."""
    caution()
    note(
        "put a meter in line with the box, on its highest range first; have the supply within its usual range"
    )
    client.halt()

    def ask(question: str, dimension: str) -> Fraction | None:
        answer = _ask(question, dimension)
        client.renew()
        return answer

    rest = ask("current with every switch open", "current")
    if rest is None:
        raise InputError("nothing was trimmed")
    volts = ask("volts at the box's terminals (empty: leave its own reading as it is)", "voltage")
    if volts is not None:
        _trim_supply(client, volts)
    results: Results = {}
    for number in _all(client):
        client.close_channel(number, CLOSE_S)
        try:
            current = ask(f"channel {number} is closed: current (empty: leave it as it is)", "current")
            if current is None:
                continue
            supply = ask("volts at the box now", "voltage")
        finally:
            client.halt()
        if supply is not None:
            results |= _apply(client, [(number, current - rest, supply)])
            note(results[number][1])
    return results


def _ask(question: str, dimension: str) -> Fraction | None:
    """A quantity from a person, asked again until it is one; None for an empty answer."""
    while True:
        text = click.prompt(question, default="", show_default=False, err=True)
        if not text.strip():
            return None
        try:
            return units.parse(text, dimension)
        except ValueError as error:
            note(str(error))


@click.command()
@passcode_option
@click.option("--new", is_flag=True, help="Give an open box another passcode.")
@boxes_options
@output.json_option
def lock(passcode_file: str | None, new: bool, chosen: SelectedBoxes, as_json: bool) -> None:
    """Lock the box: its programs, journal and settings are out of reach, at every power-up too.

    The first time a passcode is asked for. The panel and `halt` still work. It is a classroom latch, no safe:
    whoever opens the box and presses the boot button, or is at the prompt, reaches everything.
    """
    passcode = Passcode(passcode_file, confirm=True)

    def work(client: BoxClient) -> Answer:
        if not client.locked():
            if new or passcode_file is not None or not client.has_passcode():
                client.set_passcode(passcode.given(client))
            client.lock()
        elif new or passcode_file is not None:
            already = "it was locked already, with the passcode it has: unlock it to give it another"
            several.remark(chosen, client, already)
        locked = client.locked()
        return Answer({"locked": locked}, "the box is locked", EXIT_DONE if locked else EXIT_NO)

    several.run(chosen, work, as_json, at_once=False)


@click.command()
@passcode_option
@click.option(
    "--clear", is_flag=True, help="Take the passcode away: the box stays open after a power-up too."
)
@boxes_options
@output.json_option
def unlock(passcode_file: str | None, clear: bool, chosen: SelectedBoxes, as_json: bool) -> None:
    """Open the lock until the next power-up. Wrong passcodes are counted, and slowed."""
    passcode = Passcode(passcode_file, confirm=False)

    def work(client: BoxClient) -> Answer:
        if client.locked():
            failed = client.unlock(passcode.given(client))
            if failed:
                several.remark(chosen, client, f"wrong passcodes tried before: {failed}")
            client.note_time()
        if clear:
            client.clear_passcode()
        locked = client.locked()
        return Answer({"locked": locked}, "the box is open", EXIT_NO if locked else EXIT_DONE)

    several.run(chosen, work, as_json, at_once=False)


class Passcode:
    """The passcode of a command, asked for once, when the first box needs it."""

    def __init__(self, file: str | None, confirm: bool) -> None:
        self._file = file
        self._confirm = confirm
        self._text: str | None = None

    def given(self, client: BoxClient) -> str:
        """The passcode, for a box that has waited for it; raises InputError."""
        if self._text is None:
            self._text = self._ask()
            client.renew()
        return self._text

    def _ask(self) -> str:
        from nightdraw.link import passcode

        if self._file is not None:
            return passcode.from_file(self._file)
        if not sys.stdin.isatty():
            return passcode.from_file("-")  # a pipe is no person: nothing to hide from, nobody to ask twice
        text = click.prompt("passcode", hide_input=True, confirmation_prompt=self._confirm, err=True)
        return passcode.checked(text)


COMMANDS = (trim, lock, unlock)
