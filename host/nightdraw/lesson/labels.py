"""What is stuck on a box: nothing of the answer, for students see it."""

from __future__ import annotations

from collections.abc import Sequence

from nightdraw.lesson.model import Assignment, Plan
from nightdraw.report.words import Words


def lines(plan: Plan, one: Assignment, words: Words) -> list[str]:
    """The label's lines, the box's name first."""
    held = f", {plan.of.when}" if plan.of.when else ""
    return [
        words("label.box", box=one.box, group=one.group, vehicle=one.vehicle),
        f"{plan.of.title}{held}",
        *words.listed("label.fitted"),
    ]


def framed(texts: Sequence[str]) -> str:
    """Lines in a frame, for a terminal."""
    width = max(map(len, texts))
    rule = "+" + "-" * (width + 2) + "+"
    return "\n".join([rule, *(f"| {line:<{width}} |" for line in texts), rule])
