"""`nightdraw lesson load`, `halt` and `collect`: a plan's boxes, each recognised by its identity.

Parse, call, print. Boxes that are named with --box, or plugged in, are worked on at the same time; where
a person is there the others are asked for, to be plugged in one after the other.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from nightdraw.cli import output, several
from nightdraw.cli.box_settings import passcode_option
from nightdraw.cli.boxes import caution, note, open_at
from nightdraw.cli.several import Answer, Failed, NoBox, Outcome
from nightdraw.errors import EXIT_DONE, EXIT_NO, Finding, InputError, NightdrawError, nearest

if TYPE_CHECKING:
    from nightdraw.lesson.loading import Ready
    from nightdraw.lesson.model import Assignment, Plan
    from nightdraw.link import BoxClient

Work = Callable[["BoxClient", "Assignment"], "Ready"]

plan_argument = click.argument("file", metavar="PLAN")
box_option = click.option(
    "--box",
    "boxes",
    metavar="LABEL=ADDRESS",
    multiple=True,
    help="Where a box is: socket://HOST:PORT or a serial port's name; repeatable (default: looked for by its"
    " identity among those that are plugged in).",
)


@click.command()
@plan_argument
@box_option
@passcode_option
@click.option("--open", "unlocked", is_flag=True, help="Don't lock the boxes.")
@output.json_option
def load(file: str, boxes: tuple[str, ...], passcode_file: str | None, unlocked: bool, as_json: bool) -> None:
    """Fill, test, arm and lock every box of a plan, and print the label to stick on.

    Can be stopped and taken up again: what is done isn't done again. Without --passcode-file the boxes get a
    passcode that is drawn once and kept beside the plan, in PLAN.passcode.
    """
    from nightdraw.lesson import labels, loading
    from nightdraw.lesson.planfile import load_plan
    from nightdraw.report.words import load_words

    plan, words = load_plan(file), load_words()
    code = None if unlocked else loading.passcode(plan, passcode_file, make=True)
    caution()
    found = _Boxes(plan, boxes).walk(lambda client, one: loading.load(client, plan, one, code), as_json)
    stuck = {one.box: labels.framed(labels.lines(plan, one, words)) for one in plan.assignments}
    if not as_json:
        for row in found:
            if row["ready"]:
                output.say(stuck[row["box"]])
        if code is not None and passcode_file is None:
            note(f"the boxes' passcode is in {loading.passcode_file(plan)}: keep it from students")
    _finish(found, "ready", as_json)


@click.command()
@plan_argument
@box_option
@output.json_option
def halt(file: str, boxes: tuple[str, ...], as_json: bool) -> None:
    """Open the switches of every box of a plan that can be reached, and name those that can't."""
    from nightdraw.lesson import loading
    from nightdraw.lesson.planfile import load_plan

    plan = load_plan(file)
    work: Work = lambda client, one: loading.halt(client)  # noqa: E731
    found = _Boxes(plan, boxes, to_halt=True).walk(work, as_json, asks=False)
    _finish(found, "halted", as_json)


@click.command()
@plan_argument
@click.option("--out", metavar="DIR", required=True, help="Where the journals go; it is made where it isn't.")
@box_option
@passcode_option
@output.json_option
def collect(file: str, out: str, boxes: tuple[str, ...], passcode_file: str | None, as_json: bool) -> None:
    """Collect the journals of a plan's boxes, each in a file with its label and the date in the name."""
    from nightdraw.lesson import loading
    from nightdraw.lesson.planfile import load_plan

    plan = load_plan(file)
    code = loading.passcode(plan, passcode_file)
    folder = Path(out)
    folder.mkdir(parents=True, exist_ok=True)
    work: Work = lambda client, one: loading.collect(client, plan, one, code, folder)  # noqa: E731
    _finish(_Boxes(plan, boxes).walk(work, as_json), "collected", as_json)


class _Boxes:
    """A plan's boxes and where they are."""

    def __init__(self, plan: Plan, boxes: Iterable[str], to_halt: bool = False) -> None:
        self._plan, self._to_halt = plan, to_halt
        self._named = _named(plan, boxes)
        self._labelled_before: set[str] = set()  # serials that a person gave a label in this walk

    def walk(self, work: Work, as_json: bool, asks: bool = True) -> list[dict[str, Any]]:
        """Do the work on every box; a row of the document for each, in the order of the plan.

        asks: boxes that aren't there are asked for, where a person is there.
        """
        mine = {one.box: one for one in self._plan.assignments}
        labels = {address: label for label, address in self._found().items()}
        labels = labels or (self._next(set(mine)) if asks and sys.stdin.isatty() else {})
        rows: dict[str, dict[str, Any]] = {}

        def attempt(address: str) -> Outcome:
            try:
                with open_at(address, self._to_halt) as client:
                    ready = work(client, mine[labels[address]])
                return Answer({"ready": ready.ready, "message": ready.message}, ready.message)
            except NightdrawError as error:
                return Failed(error.findings, error.exit_status)

        while labels:
            for address, outcome in several.together(list(labels), attempt):
                self._tell(rows, mine[labels[address]], outcome, as_json)
            labels = self._next(set(mine) - set(rows)) if asks and sys.stdin.isatty() else {}
        for one in mine.values():
            if one.box not in rows:
                hint = f"plug it in, or say --box {one.box}=ADDRESS"
                if self._to_halt:
                    hint += "; `nightdraw box halt --all` opens every box that is plugged in"
                self._tell(rows, one, Failed((Finding("not reached", hint=hint),), EXIT_NO), as_json)
        return [rows[one.box] for one in self._plan.assignments]

    def _tell(
        self, rows: dict[str, dict[str, Any]], one: Assignment, outcome: Outcome, as_json: bool
    ) -> None:
        if isinstance(outcome, Answer):
            ready, message = bool(outcome.document["ready"]), str(outcome.document["message"])
        else:
            assert not isinstance(outcome, NoBox)  # nobody looked what else may be there
            ready, message = False, "; ".join(finding.text() for finding in outcome.findings)
        rows[one.box] = {"box": one.box, "group": one.group, "ready": ready, "message": message}
        if not ready:
            note(f"box {one.box} (group {one.group}): {message}")
        elif not as_json:
            output.say(f"box {one.box} (group {one.group}): {message}")

    def _found(self) -> dict[str, str]:
        """Label -> address: those that were named, those whose identity answers at a port."""
        missing = {one.box for one in self._plan.assignments} - set(self._named)
        return self._named | self._recognised(missing, self._plugged())

    def _next(self, missing: set[str]) -> dict[str, str]:
        """Address -> label of what a person has plugged in, asked for until something is there or he ends."""
        while missing:
            question = f"plug in the next box ({', '.join(sorted(missing))}), then Enter; q to stop"
            if click.prompt(question, default="", show_default=False, err=True).strip().lower() == "q":
                break
            there = self._plugged()
            found = self._recognised(missing, there) or self._labelled_by_person(missing, there)
            if found:
                return {address: label for label, address in found.items()}
            note("none of these boxes answers")
        return {}

    def _plugged(self) -> dict[str, str]:
        """Serial -> address of every box that answers at a port, but those that were named with --box."""
        from nightdraw.link.find import find as look

        named = set(self._named.values())
        return {box.identity.serial: box.address for box in look()[0] if box.address not in named}

    def _recognised(self, missing: set[str], there: dict[str, str]) -> dict[str, str]:
        """Label -> address by the identities that the class file has."""
        known = {box.label: box.identity for box in self._plan.of.boxes}
        return {label: there[who] for label in missing if (who := known[label]) is not None and who in there}

    def _labelled_by_person(self, missing: set[str], there: dict[str, str]) -> dict[str, str]:
        """Label -> address of a box that the class file doesn't have yet: the person says which it is."""
        known = {box.label: box.identity for box in self._plan.of.boxes}
        free = sorted(label for label in missing if known[label] is None)
        for serial, address in there.items():
            if not free or serial in known.values() or serial in self._labelled_before:
                continue
            question = (
                f"{serial} at {address} is new: which box is it ({', '.join(free)}; Enter: none of them)"
            )
            label = click.prompt(question, default="", show_default=False, err=True).strip()
            if label in free:
                self._labelled_before.add(serial)
                note(f"write `identity: {serial}` to box {label} in the class file: then it is recognised")
                return {label: address}
        return {}


def _named(plan: Plan, boxes: Iterable[str]) -> dict[str, str]:
    """--box LABEL=ADDRESS; raises InputError."""
    from nightdraw.link import find

    known = [one.box for one in plan.assignments]
    found: dict[str, str] = {}
    for text in boxes:
        label, sign, address = text.partition("=")
        if not sign or not label or not address:
            raise InputError(
                Finding(f"--box {text}: must be LABEL=ADDRESS", hint="like A=socket://127.0.0.1:5025")
            )
        if label not in known:
            hint = nearest(label[:60], known) or f"known: {', '.join(known)}"
            raise InputError(Finding(f"--box {text}: the plan has no box {label}", hint=hint))
        if label in found:
            raise InputError(f"--box {label} is given twice")
        found[label] = address
    if found:
        find.each(list(found.values()))  # two labels for one address are a mistake
    return found


def _finish(rows: list[dict[str, Any]], word: str, as_json: bool) -> None:
    ok = all(row["ready"] for row in rows)
    missing = [row["box"] for row in rows if not row["ready"]]
    text = f"all {len(rows)} boxes are {word}" if ok else f"not {word}: {', '.join(missing)}"
    output.finish({"boxes": rows, "ok": ok}, text, as_json, EXIT_DONE if ok else EXIT_NO)
