"""`nightdraw lesson rehearse`. Parse, call, print."""

from __future__ import annotations

import click

from nightdraw.cli import output
from nightdraw.errors import EXIT_DONE, EXIT_NO, Finding, InputError, nearest


@click.command()
@click.argument("file", metavar="PLAN")
@click.option("--group", "groups", metavar="GROUP", multiple=True, help="Only this group; repeatable.")
@output.json_option
def rehearse(file: str, groups: tuple[str, ...], as_json: bool) -> None:
    """Run every assignment on the bench, from locking the cars to starting their engines.

    Exit status 0: every box does what it should and every car starts, 1: something doesn't.
    """
    from nightdraw.lesson.planfile import load_plan
    from nightdraw.lesson.rehearse import rehearse as run

    plan = load_plan(file)
    known = [one.group for one in plan.assignments]
    for group in groups:
        if group not in known:
            hint = nearest(group[:60], known) or f"known: {', '.join(known)}"
            raise InputError(Finding(f"--group {group}: the plan has no such group", hint=hint))
    with output.progress("rehearsing", 1) as shown:
        found = run(plan, groups or known, shown.reach)
    lines = []
    for one in found:
        verdict = "; ".join(one.wrong) or f"as it should be, found by {one.found_by}"
        lines.append(f"{'ok   ' if one.ok else 'WRONG'} {one.group}: {verdict}")
    ok = all(one.ok for one in found)
    document = {"groups": [one.document() for one in found], "ok": ok}
    output.finish(document, "\n".join(lines), as_json, EXIT_DONE if ok else EXIT_NO)
