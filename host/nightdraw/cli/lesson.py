"""`nightdraw lesson`: its commands, each in a module of its own. Nothing is done here."""

from __future__ import annotations

import click

from nightdraw.cli.lazy import Lazy

COMMANDS = {
    "check": ("nightdraw.cli.lesson_check", "check", "Check a class file and all that it names."),
    "plan": ("nightdraw.cli.lesson_plan", "plan", "Give every group a fault of its own, as even as can be."),
    "sheets": ("nightdraw.cli.lesson_sheets", "sheets", "Sheets for the groups and the instructor's key."),
    "rehearse": ("nightdraw.cli.lesson_rehearse", "rehearse", "Run every assignment on the bench."),
    "load": ("nightdraw.cli.lesson_boxes", "load", "Fill, lock and arm the boxes of a plan."),
    "halt": ("nightdraw.cli.lesson_boxes", "halt", "Open the switches of every box of a plan."),
    "collect": ("nightdraw.cli.lesson_boxes", "collect", "Collect the boxes' journals."),
    "mark": ("nightdraw.cli.lesson_mark", "mark", "Mark answers against what the boxes did."),
    "book": ("nightdraw.cli.lesson_book", "book", "Keep lessons and marks for years."),
    "practice": ("nightdraw.cli.lesson_practice", "practice", "A package to practise with, without a car."),
}


@click.group(cls=Lazy, rows=COMMANDS)
def group() -> None:
    """From a class file to a plan, loaded boxes and marks."""
