"""What a key is worked out from: a group's fault in its vehicle with its kit, and figures in words."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from nightdraw.bench.findable import Search
from nightdraw.bench.finding.method import Method
from nightdraw.bench.finding.train import Signature
from nightdraw.lesson.fitting import beside, played
from nightdraw.lesson.model import Assignment, Plan
from nightdraw.lesson.tolerances import shown
from nightdraw.lesson.truth import Behaviour, Truth, of_profile
from nightdraw.profile import Profile
from nightdraw.report.words import Words
from nightdraw.vehicle.model import Vehicle


@dataclass(frozen=True)
class Case:
    """One group's assignment with all that its key is worked out from."""

    plan: Plan
    one: Assignment
    words: Words

    @cached_property
    def vehicle(self) -> Vehicle:
        """The group's vehicle."""
        return self.plan.of.car(self.one.vehicle).vehicle

    @cached_property
    def search(self) -> Search:
        """The fault there, with that kit."""
        of, one = self.plan.of, self.one
        kit = of.kit(one.kit).instruments
        return Search(played(self.plan, one), self.vehicle, kit, one.splice, one.seed)

    @cached_property
    def methods(self) -> list[Method]:
        """Every method weighed."""
        return self.search.methods()

    @cached_property
    def truth(self) -> Truth:
        """What the box is asked to do, as an answer has it."""
        feed = self.vehicle.feed_of(self.one.fuse)
        return of_profile(self.search.profile, self.plan.of.time_s, self.one.fuse, feed)

    @property
    def behaviour(self) -> Behaviour:
        """The commonest way in which it draws."""
        return self.truth.behaviours[0]

    @property
    def signature(self) -> Signature | None:
        """The way in which it shows best."""
        return self.search.signatures[0] if self.search.signatures else None

    @cached_property
    def others(self) -> list[tuple[Assignment, Profile]]:
        """Other groups' boxes on the same vehicle."""
        return beside(self.plan, self.one)


def milliamperes(amps: float) -> str:
    """A current for people."""
    return shown(round(amps, 4), "current")


def duration_text(seconds: float | None) -> str:
    """A time for people: tenths of a second below ten, whole seconds below two minutes, then minutes."""
    if seconds is None or math.isinf(seconds):
        return "\u2013"
    if seconds < 10:
        return f"{seconds:.2g} s"
    if seconds < 120:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.2g} h"


def between(values: Any, item: str) -> str:
    """The lowest and highest of some values of an item, one where they are alike."""
    low, high = shown(float(min(values)), item), shown(float(max(values)), item)
    return low if low == high else f"{low} .. {high}"
