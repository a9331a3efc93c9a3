"""Practice without a car: recordings of a group's fault, the situation and the form, and nothing that tells.

Every group of a plan gets files of the same names, lengths and rates, so that these tell nothing either; the
files' dates are one fixed instant. A recording holds the clamp at the battery and, at the same instants, as
many fuses as the group's recorder has inputs for, set after set in the order of the fuse box.
"""

from __future__ import annotations

import math
import os
import tempfile
from collections.abc import Callable
from pathlib import Path

from nightdraw import outputs
from nightdraw.errors import InputError
from nightdraw.instruments.model import SINGLE_ENDED
from nightdraw.lesson import sheets
from nightdraw.lesson.fitting import played
from nightdraw.lesson.model import Assignment, Plan
from nightdraw.lesson.recordings import record
from nightdraw.lesson.sheetfiles import content
from nightdraw.lesson.truth import of_profile
from nightdraw.report import handout as ho
from nightdraw.report.words import Words
from nightdraw.vehicle.model import BATTERY, Vehicle

DATED_S = 946_684_800  # 2000-01-01 00:00 UTC: a date that says nothing
PULSES = 5  # of the rarest fault of the plan lie in every recording
LENGTH_S = (600.0, 2400.0)  # of a recording, at least and at most
STEP_S = 300.0
SAMPLES = 12  # of the shortest pulse of the plan
RATE_HZ = (50.0, 1000.0)
STEP_HZ = 50.0


def package(
    plan: Plan,
    one: Assignment,
    folder: Path,
    words: Words,
    paper: str = ho.A4,
    progress: Callable[[int], None] = lambda done: None,
) -> list[Path]:
    """Write a group's package into a folder; its files. Raises InputError."""
    length_s, rate_hz = extent(plan)
    chosen = sets(plan, one)
    outputs.make_folder(folder)
    files = []
    for number, channels in enumerate(chosen, start=1):
        path = folder / f"recording-{number}.csv"
        # The bench keeps the box's journal beside a recording: that must never reach the package.
        with tempfile.TemporaryDirectory() as hidden:
            made = Path(hidden) / path.name
            record(plan, one, made, length_s, rate_hz, channels)
            outputs.write(path, made.read_bytes())
        files.append(path)
        progress(number)
    page = situation(plan, one, chosen, words)
    for form in ("pdf", "html"):
        path = folder / f"practice-{one.group}.{form}"
        outputs.write(path, content(page, paper, form))
        files.append(path)
    for path in (*files, folder):
        os.utime(path, (DATED_S, DATED_S))
    return files


def extent(plan: Plan) -> tuple[float, float]:
    """Seconds and samples a second of every recording of a plan, whoever's it is."""
    gaps, widths = [LENGTH_S[0] / PULSES], [1.0]
    for one in plan.assignments:
        truth = of_profile(played(plan, one), plan.of.time_s, one.fuse, "")
        for behaviour in truth.behaviours:
            gaps += [float(max(behaviour.period_s))] if len(behaviour.period_s) else []
            widths += [float(min(behaviour.duration_s))] if len(behaviour.duration_s) else []
    length_s = min(max(PULSES * max(gaps), LENGTH_S[0]), LENGTH_S[1])
    rate_hz = min(max(SAMPLES / min(widths), RATE_HZ[0]), RATE_HZ[1])
    return STEP_S * math.ceil(length_s / STEP_S), STEP_HZ * math.ceil(rate_hz / STEP_HZ)


def sets(plan: Plan, one: Assignment) -> list[tuple[str, ...]]:
    """The channels of each recording: the battery, and fuses where the recorder takes them."""
    of = plan.of
    recorder = of.kit(one.kit).instruments.recorder
    if recorder is None:
        raise InputError(
            f"group {one.group}: its kit {one.kit} has no recorder, so there is nothing to hand out"
        )
    fuses = [fuse.name for fuse in of.car(one.vehicle).vehicle.fuses]
    spare = recorder.channels - 1
    if recorder.inputs == SINGLE_ENDED or spare < 1:
        return [(BATTERY,)]
    return [(BATTERY, *fuses[k : k + spare]) for k in range(0, len(fuses), spare)]


def situation(plan: Plan, one: Assignment, chosen: list[tuple[str, ...]], words: Words) -> ho.Handout:
    """The page with the customer's words, the fuses, the list of recordings and the form."""
    of = plan.of
    vehicle = of.car(one.vehicle).vehicle
    files = tuple(
        (f"recording-{number}.csv", ", ".join(channels)) for number, channels in enumerate(chosen, start=1)
    )
    blocks = (
        ho.Heading(words("sheet.situation")),
        ho.Text(sheets.complaint(plan, one, words), ho.LEAD),
        ho.Text(words("practice.how")),
        ho.Heading(words("practice.files")),
        ho.Facts(files),
        ho.Heading(words("practice.fuses")),
        _fuses(vehicle, words),
        ho.Blank(words("sheet.draw"), sheets.SKETCH_MM),
        *sheets.answers(plan, words),
    )
    return ho.Handout(
        words("practice.title"), one.group, of.title, blocks, words("sheet.foot"), words("language"),
        sheets.form(plan, one, words),
    )  # fmt: skip


def _fuses(vehicle: Vehicle, words: Words) -> ho.Table:
    """The fuse chart: without a car nobody can read it there."""
    rows = tuple((fuse.name, fuse.feed, fuse.type, f"{fuse.rating_a:g}") for fuse in vehicle.fuses)
    head = tuple(words(f"practice.head.{name}") for name in ("fuse", "feed", "type", "rating"))
    return ho.Table(head, rows, (0.25, 0.35, 0.2, 0.2), right=(3,))
