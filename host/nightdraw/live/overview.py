"""What the instructor sees: each student's path, beside the quickest that `bench findable` knows.

It has an address of its own: nothing of it is told under the students'.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from nightdraw.bench.findable import Search
from nightdraw.errors import NightdrawError, printable
from nightdraw.lesson import path as paths
from nightdraw.lesson.fitting import played
from nightdraw.lesson.model import Plan
from nightdraw.live.scene import clock
from nightdraw.live.seats import Seat

MOST_MOVES = 300  # shown of a path; the file has all


class Overview:
    """A plan's groups and who sits at their vehicles. Quickest ways are worked out once, when asked for."""

    def __init__(self, plan: Plan, groups: Iterable[str]) -> None:
        self._plan = plan
        self._groups = list(groups)
        self._quickest: dict[str, dict[str, Any] | None] = {}
        self._failed: dict[str, str] = {}

    def work_out(self) -> None:
        """Find each group's quickest way: seconds of computing. What fails is told in its place."""
        for group in self._groups:
            if group not in self._quickest:
                try:
                    self._quickest[group] = self._way(group)
                except NightdrawError as error:
                    self._failed[group] = printable(str(error))
                except Exception as error:  # a defect of ours: nobody else would hear of it in this thread
                    self._failed[group] = printable(f"a defect of Nightdraw, {type(error).__name__}: {error}")

    def _way(self, group: str) -> dict[str, Any] | None:
        one = self._plan.assignment(group)
        of = self._plan.of
        vehicle, kit = of.car(one.vehicle).vehicle, of.kit(one.kit).instruments
        search = Search(played(self._plan, one), vehicle, kit, one.splice, one.seed, quick=True)
        rows = [row for row in search.methods() if row.shows and row.isolates and row.time is not None]
        if not rows:
            return None
        best = min(rows, key=lambda row: row.document()["p95_s"]).document()
        return {name: best[name] for name in ("method", "why", "settings", "expected_s", "p95_s")}

    def document(self, seats: Iterable[Seat]) -> dict[str, Any]:
        """Every group with its students; `quickest` null where there is none, or it isn't known yet, or
        never will be, for the reason `failed`."""
        taken = list(seats)
        groups = []
        for group in self._groups:
            one = self._plan.assignment(group)
            mine = [seat for seat in taken if seat.live.case.group == group and (seat.pages or seat.live.log)]
            groups.append(
                {
                    "group": group,
                    "vehicle": one.vehicle,
                    "fuse": one.fuse,
                    "profile": one.profile,
                    "splice": one.splice,
                    "known": group in self._quickest,
                    "quickest": self._quickest.get(group),
                    "failed": self._failed.get(group),
                    "students": [_student(seat, one.fuse) for seat in mine],
                }
            )
        return {"plan": self._plan.name, "groups": groups}


def _student(seat: Seat, fuse: str) -> dict[str, Any]:
    live = seat.live
    moves = list(live.log)
    return {
        "here": seat.pages > 0,
        "t_s": round(live.now_s, 1),
        "clock": clock(live.now_s),
        "path": paths.path(moves, fuse).document(),
        "answer": live.answer,
        "right": None if live.answer is None else live.answer["circuit"].strip().lower() == fuse.lower(),
        "moves": [{**move, "at_fuse": fuse in paths.places(move)} for move in moves[-MOST_MOVES:]],
    }
