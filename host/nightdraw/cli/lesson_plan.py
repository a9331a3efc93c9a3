"""`nightdraw lesson plan`. Parse, call, print."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from nightdraw.cli import output
from nightdraw.cli.target import target
from nightdraw.errors import EXIT_DONE, EXIT_NO

if TYPE_CHECKING:
    from nightdraw.lesson.planning import Planned

MAX_U32 = 0xFFFFFFFF


@click.command()
@click.argument("file", metavar="CLASS")
@click.option("--seed", type=click.IntRange(0, MAX_U32), default=0, show_default=True, help="Another plan.")
@click.option("--out", metavar="PLAN", help="Write the plan as YAML.")
@click.option("--keep", metavar="PLAN", help="An earlier plan of which as much stays as can.")
@click.option(
    "--own-faults/--shared-faults",
    default=None,
    help="No fault twice, or no plan; or faults twice where that is more even. Else: none twice if possible.",
)
@output.json_option
def plan(
    file: str, seed: int, out: str | None, keep: str | None, own_faults: bool | None, as_json: bool
) -> None:
    """Give every group a box, a place and a fault, so that all need about as long.

    Each group has a fault of its own wherever the class permits, and random instants of its own always.
    Neighbours, those next to each other in the class's list or at one vehicle, never have the same fault.
    Exit status 1: there is no such plan; the tightest rule is named, and what would mend it.
    """
    from nightdraw.lesson.classfile import load_class
    from nightdraw.lesson.planfile import load_rows, write_plan
    from nightdraw.lesson.planning import make_plan

    of = load_class(file)
    kept = () if keep is None else load_rows(keep)
    picked = None if out is None else target(out)
    with output.progress("planning", 1) as shown:
        planned = make_plan(of, seed, kept, own_faults, shown.reach)
    if picked is not None and planned.plan is not None:
        write_plan(picked, planned.plan)
    done = EXIT_DONE if planned.plan is not None else EXIT_NO
    output.finish(planned.document(), _text(planned), as_json, done)


def _text(planned: Planned) -> str:
    from nightdraw.bench.finding.method import minutes

    lines = []
    for one in () if planned.plan is None else planned.plan.assignments:
        where = f"{one.vehicle}, splice {one.splice} (fuse {one.fuse})"
        times = f"{minutes(one.expected_s or 0)} on average, {minutes(one.p95_s or 0)} at 95 %"
        lines.append(f"{one.group}: {one.profile} in {where}, box {one.box} slot {one.slot}, kit {one.kit}")
        lines.append(f"    {times}, difficulty {one.difficulty:g}")
    return "\n".join([*lines, *(f"{note.severity}: {note.message}" for note in planned.findings)])
