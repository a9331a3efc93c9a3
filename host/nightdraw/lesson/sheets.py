"""The sheet that a group is handed: what it needs, in the order in which one measures, and no answer.

No figure of the fault, of its place or of its box goes in here; not even examples have numbers, for one of
them might be right.
"""

from __future__ import annotations

from collections.abc import Iterator

from nightdraw.instruments.model import SINGLE_ENDED, Instruments
from nightdraw.lesson.entries import COLUMNS
from nightdraw.lesson.fitting import played
from nightdraw.lesson.model import Assignment, Plan
from nightdraw.profile.model import Case
from nightdraw.profile.quantities import show_ticks
from nightdraw.report import handout as ho
from nightdraw.report.words import Words
from nightdraw.units import TICKS_PER_S, show
from nightdraw.vehicle.model import Vehicle

ROW_MM = 6.6  # a line that a hand can write in
ANSWER_MM = 7.2
SKETCH_MM = 36.0


def steps(kit: Instruments, vehicle: Vehicle) -> list[tuple[str, str]]:
    """The steps that this kit permits, in order: names of texts of `sheet.step` and of `sheet.units`."""
    found = [("rest", "volt"), ("sleep", "clock"), ("asleep", "current_time")]
    if kit.meter is not None:
        found += [("highest", "current"), ("lowest", "current")]
    if kit.recorder is not None and kit.clamp is not None:
        found += [("record", "file"), ("pulses", "pulse"), ("starts", "seconds")]
        if kit.clamp.count > 1 and len(vehicle.feeds) > 1:
            found.append(("feeds", "feed"))
    if kit.recorder is not None and kit.recorder.inputs != SINGLE_ENDED:
        found.append(("drops", "drop"))
    elif kit.fuse_meter is not None:
        found.append(("drops_hand", "drop"))
    return [*found, ("out", "current"), ("back", "seen"), ("done", "last")]


def kit_text(kit: Instruments, words: Words) -> str:
    """What a group brings, without figures that a fault might have."""
    found = []
    if kit.meter is not None:
        found.append(words("sheet.kit.meter"))
    if kit.clamp is not None:
        count = kit.clamp.count
        found.append(words("sheet.kit.clamp") if count == 1 else words("sheet.kit.clamps", count=count))
    if kit.recorder is not None:
        inputs = words(f"sheet.inputs.{kit.recorder.inputs}")
        found.append(words("sheet.kit.recorder", channels=kit.recorder.channels, inputs=inputs))
    if kit.fuse_meter is not None:
        found.append(words("sheet.kit.fuse_meter"))
    if kit.thermal is not None:
        found.append(words("sheet.kit.thermal"))
    return ", ".join([*found, words("sheet.chart")])


def sheet(plan: Plan, one: Assignment, words: Words) -> ho.Handout:
    """A group's sheet; in a browser its answers are a form."""
    of = plan.of
    subtitle = of.title if of.when is None else f"{of.title}, {of.when}"
    blocks = (
        *_situation(plan, one, words),
        ho.Caution(words("sheet.caution"), tuple(words.listed("sheet.cautions"))),
        *_measuring(plan, one, words),
        ho.Blank(words("sheet.draw"), SKETCH_MM),
        *answers(plan, words),
    )
    title = words("sheet.title")
    return ho.Handout(
        title, one.group, subtitle, blocks, words("sheet.foot"), words("language"), form(plan, one, words)
    )


def form(plan: Plan, one: Assignment, words: Words) -> ho.Form:
    """What makes the page a form: it saves the group's answers."""
    fixed = (("group", one.group), ("lesson", plan.of.name))
    return ho.Form(
        f"answer-{one.group}",
        fixed,
        words("sheet.save"),
        words("sheet.saved"),
        words("sheet.unsaved"),
        words("sheet.unit"),
    )


def complaint(plan: Plan, one: Assignment, words: Words) -> str:
    """The customer's words."""
    profile = played(plan, one)
    quoted = words("sheet.quoted", complaint=" ".join(profile.complaint.split()) or words("sheet.complaint"))
    return quoted if profile.case is None else f"{quoted} {_case(profile.case, words)}"


def _case(case: Case, words: Words) -> str:
    """Battery and own draw, with which a correct calculation confirms the complaint."""
    return words(
        "sheet.case",
        battery=show(case.battery_ah, "charge"),
        age=words("sheet.aged", years=case.age_years) if case.age_years else "",
        left=show(case.left_pct, "percent"),
        charge=show(case.charge_pct, "percent"),
        own=show(case.own_a, "current"),
    )


def _situation(plan: Plan, one: Assignment, words: Words) -> Iterator[ho.Block]:
    of = plan.of
    vehicle, kit = of.car(one.vehicle).vehicle, of.kit(one.kit).instruments
    battery = vehicle.battery
    capacity = words(
        "sheet.battery_text", capacity=f"{battery.capacity_ah:g}", type=words(f"sheet.type.{battery.type}")
    )
    if battery.in_series > 1:
        capacity = f"{battery.in_series} \u00d7 {capacity}"
    total = sum(of.points.values())
    worth = words("sheet.worth_text", points=total, needed=f"{float(of.pass_pct):g}")
    yield ho.Heading(words("sheet.situation"))
    yield ho.Text(complaint(plan, one, words), ho.LEAD)
    yield ho.Text(words("sheet.task"))
    yield ho.Facts(
        (
            (words("sheet.vehicle"), one.vehicle),
            (words("sheet.battery"), capacity),
            (words("sheet.time"), show_ticks(of.time_s * TICKS_PER_S)),
            (words("sheet.worth"), worth),
        ),
        2,
    )
    yield ho.Facts(
        (
            (words("sheet.bring"), f"{one.kit}: {kit_text(kit, words)}"),
            (words("sheet.date"), words("sheet.own_names")),
        )
    )


def _measuring(plan: Plan, one: Assignment, words: Words) -> Iterator[ho.Block]:
    of = plan.of
    rows = [
        (
            f"{number}. {words(f'sheet.step.{name}')}",
            ho.Field(f"reading.{number}", words(f"sheet.step.{name}")),
            words(f"sheet.units.{unit}"),
        )
        for number, (name, unit) in enumerate(
            steps(of.kit(one.kit).instruments, of.car(one.vehicle).vehicle), start=1
        )
    ]
    yield ho.Heading(words("sheet.order"))
    head = tuple(words(f"sheet.head.{name}") for name in ("step", "reading", "unit"))
    yield ho.Table(head, tuple(rows), (0.57, 0.32, 0.11), ROW_MM)


def answers(plan: Plan, words: Words) -> Iterator[ho.Block]:
    """The table that is marked."""
    rows: list[tuple[ho.Cell, ...]] = []
    for name in COLUMNS:
        worth = plan.of.points[name]
        hint = words(f"sheet.hint.{name}") if words.has(f"sheet.hint.{name}") else ""
        ask = words(f"sheet.ask.{name}")
        kinds = tuple(words.under("kind").items()) if name == "kind" else ()
        field = ho.Field(name, ask, hint, kinds)
        rows.append((ask, field, str(worth) if worth else "\u2013"))
    yield ho.Heading(words("sheet.answer"))
    yield ho.Text(words("sheet.answer_how"), ho.SMALL)
    head = tuple(words(f"sheet.head.{name}") for name in ("item", "answer", "points"))
    yield ho.Table(head, tuple(rows), (0.42, 0.49, 0.09), ANSWER_MM, (2,))
